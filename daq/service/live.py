"""The service's live side: tails the journal, keeps the watch, raises alarms, feeds the stream.

One asyncio task does all of it, so nothing here needs a lock. It may be stopped and started at any time: the
watch's state is kept in the logbook, and what was journalled meanwhile is fed to it first.
"""

from __future__ import annotations

import asyncio
import logging
import math
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from daq.bench import Bench, read_calibrations
from daq.errors import RequestRefused, StoreError
from daq.service.alarm_duty import AlarmDuty
from daq.service.foretold import ForetoldDuty
from daq.service.hub import Hub, encode
from daq.service.notify import Notifier
from daq.service.tail import blocks_of, by_run, catch_up
from daq.service.words import alarm_words, archive_words, data_words, iso_utc, supply_words, trip_dict
from daq.store import ARCHIVE_STATE, RunRecord, Store, TailRow
from daq.watch import RATIOS, Assessment, Watch, foreseer

__all__ = ["Live"]

POLL_S = 0.04
STEP_NS = 1_000_000_000
ASSESSMENT_EVERY_S = 0.5  # of wall time: a bench at many times real speed makes more than a page can show
STATE_EVERY_S = 2.0
CATCH_UP_ROWS = 5000
OPEN_FILL = "open_fill"  # the logbook's key

log = logging.getLogger(__name__)


class Live:
    """What is going on now.

    Parameters
    ----------
    bench : Bench
        The bench.
    store : Store
        Opened for reading samples; alarms are written to its logbook.
    notifier : Notifier, optional
        Tells people of alarms.
    """

    def __init__(self, bench: Bench, store: Store, notifier: Notifier | None = None) -> None:
        self.bench = bench
        self.store = store
        self.duty = AlarmDuty(store.logbook, bench.name, notifier or Notifier(bench.notify, ()))
        self.foretold = ForetoldDuty(store.logbook, bench)
        self.hub = Hub()
        self.run: RunRecord | None = None
        self.run_bench = bench  # with the calibrations of the run
        self.fill_lock = asyncio.Lock()
        self.open_fill: dict[str, Any] | None = store.logbook.get_state(OPEN_FILL)
        self.watch = Watch(bench)
        self.assessments: deque[Assessment] = deque(maxlen=3600)
        self.failed: str | None = None
        self.publishing: Callable[[], dict[str, Any]] | None = None
        self._latest: dict[str, float] = {}
        self._last_id = 0
        self._last_t_ns = 0
        self._ticked_ns = 0
        self._arrived_s: float | None = None
        self._sent_assessment_s = 0.0
        self._sent_state_s = 0.0
        self._sent_words: Any = None
        self._reader: dict[str, Any] | None = None
        self._lag_s = 0.0

    # -- what the routes ask -------------------------------------------------------------------------------

    @property
    def age_s(self) -> float | None:
        """Seconds since the newest sample arrived here; None before the first."""
        return None if self._arrived_s is None else time.monotonic() - self._arrived_s

    @property
    def now_ns(self) -> int:
        """The run's time now: of the newest sample, plus the time since it came."""
        return self._last_t_ns + int((self.age_s or 0.0) * 1e9)

    @property
    def reader_age_s(self) -> float | None:
        """Seconds since the reader last said that it lives; None when it has stopped or never ran."""
        if self._reader is None or self._reader.get("pid") is None:
            return None
        return max(0.0, (time.time_ns() - int(self._reader["utc_ns"])) / 1e9)

    def links(self) -> list[dict[str, Any]]:
        """The sources' counters."""
        return list((self._reader or {}).get("links", []))

    def state(self) -> dict[str, Any]:
        """The status band and all that goes with it, as the API gives it."""
        stale_after = max(s.silent_after_s for s in self.bench.sources.values())
        data = data_words(self.age_s, self.reader_age_s, stale_after)
        trip = self.store.logbook.current_trip()
        standing = self.watch.alarm_states()
        run = None
        if self.run is not None and self.run.kind == "run" and self.run.ended_ns is None:
            run = {
                "id": self.run.id,
                "name": self.run.name,
                "build": self.run.build,
                "kind": self.run.kind,
                "start_utc": iso_utc(self.run.start_utc_ns),
                "elapsed_s": self._last_t_ns / 1e9,
            }
        return {
            "utc": iso_utc(time.time_ns()),
            "run": run,
            "supply": supply_words(self.bench, trip, self._reader, self._latest, data["state"] == "fresh"),
            "data": data,
            "alarms": alarm_words(standing),
            "trip": trip_dict(trip),
            "standing": standing,
            "links": self.links(),
            "archive": self._archive(),
            "impaired": (self._reader or {}).get("impaired"),
            "fill": self.open_fill,
        }

    def _archive(self) -> dict[str, Any] | None:
        told = self.store.logbook.get_state(ARCHIVE_STATE)
        away = told is not None and told.get("away_since_ns") is not None
        return archive_words(told, self.store.journal.count() if away else 0)

    def set_fill(self, said: dict[str, Any] | None) -> None:
        """Say that a timed fill is running, or that none is; pages are told at once, a restart remembers."""
        self.store.logbook.put_state(OPEN_FILL, said)
        self.open_fill = said
        self._sent_state_s, self._sent_words = 0.0, None

    async def caught_up(self, t_ns: int, *, within_s: float) -> None:
        """Wait until samples as late as the run's time `t_ns` have come [ns], or so long."""
        for _ in range(round(within_s / POLL_S)):
            if self._last_t_ns >= t_ns:
                return
            await asyncio.sleep(POLL_S)

    def health(self) -> dict[str, Any]:
        """Whether every part works."""
        age = self.reader_age_s
        alive = age is not None and age < 5.0
        impaired = self.failed or (self._reader or {}).get("impaired")
        return {
            "status": "ok" if alive and not impaired else "impaired",
            "why": impaired or (None if alive else "the reader is not running"),
            "reader": {
                "alive": alive,
                "heartbeat_age_s": age,
                "pid": (self._reader or {}).get("pid"),
                "held_samples": (self._reader or {}).get("held_samples"),
            },
            "journal_rows": self.store.journal.count(),
            "watch_lag_s": round(self._lag_s, 3),
            "pages": self.hub.clients,
            "publishing": None if self.publishing is None else self.publishing(),
            "links": self.links(),
        }

    def recent(self, seconds: float) -> dict[str, Any]:
        """The last `seconds` of the run, at most some thousand points a channel, to fill a page's trends."""
        out: dict[str, Any] = {
            "run": None,
            "start_utc": None,
            "t": {},
            "v": {},
            "assessments": [],
            "row": self._last_id,
        }
        if self.run is None:
            return out
        start_ns = max(0, self._last_t_ns - int(seconds * 1e9))
        out["run"], out["start_utc"] = self.run.id, iso_utc(self.run.start_utc_ns)
        blocks = self.store.read(self.run.id, start_ns=start_ns)
        for block in blocks.values():
            stride = max(1, len(block) // 3000)
            for channel, values in block.values.items():
                out["t"][channel] = (block.t_ns[::stride] / 1e9).tolist()
                out["v"][channel] = [None if math.isnan(v) else v for v in values[::stride].tolist()]
        out["assessments"] = [a.as_dict() for a in self.assessments if a.t_ns >= start_ns]
        return out

    async def ask_reader(self, kind: str, body: dict[str, Any], who: str, *, wait_s: float = 6.0) -> str:
        """Put a request to the reader and wait for its answer.

        Raises
        ------
        RequestRefused
            With the reader's own words, or when no reader answers.
        """
        asked = self.store.logbook.post_request(kind, body, who)
        deadline = time.monotonic() + wait_s
        while time.monotonic() < deadline:
            request = self.store.logbook.get_request(asked)
            if request.done:
                if not request.ok:
                    raise RequestRefused(request.message, place=kind)
                return request.message
            await asyncio.sleep(0.05)
        self.store.logbook.answer_request(asked, False, "nobody answered in time")
        raise RequestRefused(
            "the reader does not answer",
            place=kind,
            remedy="see that `lyewatch read` runs; cut the supply by hand",
        )

    def first_events(self) -> list[bytes]:
        """What a page that has just connected is told at once."""
        events = [encode("state", self.state())]
        if self.assessments:
            events.append(encode("assessment", self.assessments[-1].as_dict()))
        return events

    def record_transitions(self) -> None:
        """Write the alarms' new transitions down, and let the pages know at once."""
        assert self.run is not None
        if self.duty.record(self.run.id, self.watch):
            self._sent_state_s = 0.0

    def keep_watch(self) -> None:
        """Save the watch's state, so that a restarted service goes on from here."""
        if self.run is not None:
            state = {"run": self.run.id, "t_ns": self._ticked_ns, "utc_ns": time.time_ns()}
            self.store.logbook.put_state("watch", {**state, "watch": self.watch.save()})

    # -- the task ------------------------------------------------------------------------------------------

    async def serve(self, closing: asyncio.Event | Any) -> None:
        """Run until `closing` is set."""
        self._last_id = self.store.last_id()
        self._look_at_reader()
        self._pick_up()
        while not closing.is_set():
            try:
                self._poll()
                self.failed = None
            except StoreError as exc:
                if self.failed is None:
                    log.error("the store can not be followed: %s", exc)
                self.failed = str(exc)
                await asyncio.sleep(1.0)
            await asyncio.sleep(POLL_S)
        self.hub.close()

    def _poll(self) -> None:
        rows = self.store.tail(self._last_id, limit=CATCH_UP_ROWS)
        if rows:
            self._last_id = rows[-1].id
            self._arrived_s = time.monotonic()
            for run_id, part in by_run(rows):
                if self.run is None or run_id != self.run.id:
                    self._change_run(run_id)
                self._feed(part)
        self._tick()
        self._tell_state()

    def _feed(self, rows: list[TailRow]) -> None:
        samples = [row.sample for row in rows]
        self._last_t_ns = max(self._last_t_ns, max(s.t_ns for s in samples))
        for sample in samples:
            self._latest.update(sample.values)
        self.foretold.fed(min(s.t_ns for s in samples))
        self.watch.feed(blocks_of(samples))
        assert self.run is not None
        self.hub.publish(
            "samples",
            {
                "run": self.run.id,
                "start_utc": iso_utc(self.run.start_utc_ns),
                "rows": [
                    {
                        "source": s.source,
                        "t": s.t_ns / 1e9,
                        "v": s.values,
                        "s": {k: int(v) for k, v in s.status.items()},
                    }
                    for s in samples
                ],
            },
            row=rows[-1].id,
        )

    def _tick(self) -> None:
        """Tick the watch at every whole second of the run, so that live and replay take the same steps."""
        if self.run is None or self._arrived_s is None:
            return
        now_ns = self.now_ns
        newest: Assessment | None = None
        while self._ticked_ns + STEP_NS <= now_ns:
            self._ticked_ns += STEP_NS
            newest = self._shown(self.watch.tick(self._ticked_ns))
            self.assessments.append(newest)
            self.record_transitions()
            self.foretold.record()
        self._lag_s = max(0.0, (now_ns - self._ticked_ns) / 1e9 - STEP_NS / 1e9)
        if newest is None:
            return
        wall = time.monotonic()
        if wall - self._sent_assessment_s >= ASSESSMENT_EVERY_S:
            self._sent_assessment_s = wall
            self.hub.publish("assessment", newest.as_dict())
            self.keep_watch()

    def _shown(self, assessment: Assessment) -> Assessment:
        """Without the ratios while the supply is switched: that window's gas is not that of its current."""
        if self.watch.settled(assessment.t_ns):
            return assessment
        blank = {key: {**assessment.numbers[key], "value": None, "u95": None} for key in RATIOS}
        return replace(assessment, numbers={**assessment.numbers, **blank})

    def _tell_state(self) -> None:
        wall = time.monotonic()
        if wall - self._sent_state_s < 0.25 and self._sent_words is not None:
            return
        self._look_at_reader()
        state = self.state()
        words = (
            state["run"] and state["run"]["id"],
            state["supply"]["state"],
            state["data"]["state"],
            state["alarms"],
            state["trip"],
            [(a["alarm"], a["state"]) for a in state["standing"]],
        )
        if words != self._sent_words or wall - self._sent_state_s >= STATE_EVERY_S:
            self._sent_words, self._sent_state_s = words, wall
            self.hub.publish("state", state)

    def _look_at_reader(self) -> None:
        """Read how the reader is, and tell the watch what it can not see in the samples."""
        self._reader = self.store.logbook.get_state("reader")
        if self.run is not None and self._arrived_s is not None:
            self.duty.look(self.watch, self.now_ns, self._reader, self.store.logbook.current_trip())

    # -- runs ----------------------------------------------------------------------------------------------

    def _change_run(self, run_id: str) -> None:
        # What was this run's now is the next one's zero.
        before = None if self.run is None else (self.watch.save(), -self.now_ns)
        self.run = self.store.logbook.get_run(run_id)
        if self.open_fill is not None and self.open_fill["run"] != run_id:
            self.set_fill(None)  # the run that it was to be averaged over has ended
        self.run_bench = self.bench.calibrated(read_calibrations(self.store.logbook.run_calibrations(run_id)))
        self.watch = Watch(
            self.run_bench,
            run=run_id,
            start_utc_ns=self.run.start_utc_ns,
            forecaster=foreseer(self.run_bench),
        )
        before = before or self._saved_of_another_run(self.run)
        if before is not None:
            self.watch.take_over(before[0], now_ns=0, later_ns=before[1])
        self.duty.follow(self.watch)
        self.duty.record(run_id, self.watch, news=False)
        self.foretold.follow(self.watch, self.run)
        self.assessments.clear()
        self._latest.clear()
        self._last_t_ns = self._ticked_ns = 0
        self._sent_words = None

    def _saved_of_another_run(self, run: RunRecord) -> tuple[dict[str, Any], int] | None:
        """The watch's state of a run that ended while no service ran, and what to add to its times [ns]."""
        saved = self.store.logbook.get_state("watch")
        if saved is None or saved["run"] == run.id or "utc_ns" not in saved:
            return None
        return saved["watch"], int(saved["utc_ns"]) - run.start_utc_ns - int(saved["t_ns"])

    def refresh_run(self) -> None:
        """Read the run's record again, after it was renamed."""
        if self.run is not None:
            self.run = self.store.logbook.get_run(self.run.id)

    def _pick_up(self) -> None:
        """Go on with the run that is being written: the watch's saved state, then what was journalled
        since."""
        run_id = (self._reader or {}).get("run")
        if run_id is None:
            return
        try:
            self._change_run(str(run_id))
            self.foretold.leave()
            last_ns = self.store.last_t_ns(str(run_id))
        except StoreError:
            return
        if last_ns is None:
            return
        saved = self.store.logbook.get_state("watch")
        known_ns: int | None = None
        if saved is not None and saved.get("run") == run_id:
            self.watch.load(saved["watch"])
            self.duty.follow(self.watch)
            known_ns = int(saved["t_ns"])
        self._last_t_ns, self._ticked_ns = last_ns, last_ns // STEP_NS * STEP_NS
        numbers = catch_up(self.watch, self.store, str(run_id), known_ns, last_ns, self._ticked_ns)
        for i in range(len(numbers)):
            self.assessments.append(self._shown(self.watch.assessment(numbers, i)))
        self.duty.record(str(run_id), self.watch, news=False)
