"""The service's live side: follows the reader's channel, keeps the watch, raises alarms, feeds the stream.

One asyncio task does all of it, so nothing here needs a lock. It waits for no disk: what comes goes to watch
and pages from the channel, what is to be written goes to the keeper. From the store it takes only what came
before, in a thread, and does without where that can not be had.

It may be stopped and started at any time: the watch's state is kept in the logbook, and what was recorded
meanwhile is fed to it first.
"""

from __future__ import annotations

import asyncio
import logging
import math
import time
from collections import deque
from collections.abc import Callable, Coroutine, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, fields, replace
from typing import Any, Final, Protocol

from daq.bench import Bench, read_calibrations
from daq.errors import LyewatchError, PortError, RequestRefused
from daq.forecast import Assessment, LearningForecaster
from daq.frame import Block, Sample, Status
from daq.measure import RATIOS, entries_of
from daq.reader.channel import Answer, ChannelAddress, ChannelClient
from daq.service.alarm_duty import AlarmDuty
from daq.service.feed import LOST, Connect, Feed, Link
from daq.service.forecast_log import ForecastLogKeeper
from daq.service.guide import guide_words
from daq.service.hub import Hub, encode
from daq.service.keeper import Keeper
from daq.service.notify import Notifier
from daq.service.ring import Ring, merge_blocks
from daq.service.tail import blocks_of, catch_up
from daq.service.words import (
    alarm_words,
    archive_words,
    data_words,
    recording_words,
    supply_words,
    trip_dict,
)
from daq.store import CalibrationRecord, RunRecord, Store
from daq.utc import iso_utc
from daq.watch import Watch, make_forecaster

__all__ = ["OPEN_FILL", "Live", "Publishing"]

STEP_NS: Final = 1_000_000_000
TURN_S: Final = 0.25
"""At least so often the task looks at what time alone changes [s]."""
ASSESSMENT_EVERY_S: Final = (
    0.5  # of wall time: a bench at many times real speed makes more than a page can show
)
SELDOM_NS: Final = 20_000_000_000
"""While nobody looks an assessment is made so often in the run's time [ns]: its numbers, each with its
uncertainty, cost more than all else that the watch does, and no alarm goes by them."""
LOOKED_AT_FOR_S: Final = 60.0
"""Whoever has asked for assessments counts as looking for so long [s]."""
HELD_NS: Final = 500_000_000
"""The reader holds samples for less than that while this service is patient [ns]: a tick waits for them."""
STATE_EVERY_S: Final = 2.0
LOOK_EVERY_S: Final = 0.25
KEEP_EVERY_S: Final = 60.0
"""The watch's state is written so often, beside at every change of an alarm: a memory card wears out [s]."""
HEARD_WITHIN_S: Final = 5.0
"""A reader says how it is once a second; one that is silent for longer is not reachable [s]."""
LOST_AFTER_S: Final = 3.0
"""Not reachable for so long is an alarm: `lyewatch up` has a dead reader back sooner [s]."""
CONNECT_ANEW_S: Final = 30.0
TAKE_UP_WITHIN_S: Final = 10.0
"""How long the watch waits for the store, to take up what came before [s]."""
GAP_NS: Final = 2_000_000_000
BEGINS_WITHIN_NS: Final = 60_000_000_000
RENEW_AFTER_S: Final = 60.0
FAILURES_MOST: Final = 3
FAILURES_WITHIN_S: Final = 60.0
NOTICE_FOR_S: Final = 60.0
"""A part that was begun anew is told of for so long [s]."""
PAGE_POINTS: Final = 3000
OPEN_FILL: Final = "open_fill"  # the logbook's keys
WATCH_STATE: Final = "watch"
EXPERIENCE: Final = "experience"
"""What the last run taught the forecast, and what that run itself began with."""
NOT_HEARD: Final = "it has not been heard of yet"

log = logging.getLogger(__name__)


class Publishing(Protocol):
    """What publishes to a broker, as far as the live side knows it."""

    @property
    def failing(self) -> str | None: ...
    def status(self) -> dict[str, Any]: ...


@dataclass(frozen=True, slots=True)
class _Kept:
    """What the logbook had when it was opened."""

    watch: dict[str, Any] | None = None
    fill: dict[str, Any] | None = None
    experience: dict[str, Any] | None = None


@dataclass(slots=True)
class _Resumed:
    """A watch that has gone through what came before."""

    watch: Watch
    last_ns: int | None = None
    ticked_ns: int = 0
    assessments: tuple[Assessment, ...] = ()
    from_beginning: bool = True


class Live:
    """What is going on now.

    Parameters
    ----------
    bench : Bench
        The bench.
    notifier : Notifier, optional
        Tells people of alarms.
    connect : callable, optional
        Makes the link to the reader, from what takes its messages and what is told when it is lost.
    open_store : callable, optional
        Opens the bench's store for reading samples; alarms are written to its logbook.
    """

    def __init__(
        self,
        bench: Bench,
        notifier: Notifier | None = None,
        *,
        connect: Connect | None = None,
        open_store: Callable[[], Store] | None = None,
    ) -> None:
        self.bench = bench
        self.hub = Hub()
        self.feed = Feed()
        self.keeper = Keeper(open_store or (lambda: Store.of(bench)), self._opened)
        self.opened: list[Callable[[Store], None]] = []
        """Told of the store once it is open, in the keeper's thread."""
        self._connect = connect or (lambda take, lost: ChannelClient(ChannelAddress.of(bench), take, lost))
        self._link: Link = self._connect(self.feed.take, self.feed.lost)
        self.duty = AlarmDuty(self, self.keeper.write, bench.name, notifier or Notifier(bench.notify, ()))
        self.forecast_log = ForecastLogKeeper(self.keeper.write, bench)
        self.run: RunRecord | None = None
        self.run_bench = bench  # with the calibrations of the run
        self.fill_lock = asyncio.Lock()
        self.open_fill: dict[str, Any] | None = None
        self.watch = Watch(bench, isolate=True)
        self.assessments: deque[Assessment] = deque(maxlen=3600)
        self.publisher: Publishing | None = None
        self._kept = _Kept()
        self._taught: dict[str, Any] | None = None
        self._ring = Ring()
        self._unfed: list[Sample] = []
        self._patient = False
        """Whether the reader knows that samples need not come one by one."""
        # Where silence is told sooner than that, what came must not lie about.
        self._may_be_patient = all(s.silent_after_s >= 4.0 * TURN_S for s in bench.sources.values())
        self._latest: dict[str, float] = {}
        self._last_t_ns = self._ticked_ns = self._had_ns = 0
        self._arrived_s: float | None = None
        self._reader: dict[str, Any] | None = None
        self._heard_s: float | None = None
        self._lost_why: str | None = NOT_HEARD
        self._lost_s = self._renewed_s = time.monotonic()
        self._backlog = False
        self._taking_up: asyncio.Task[None] | None = None
        self._fault: BaseException | None = None
        self._waiting: list[Sample] = []
        self._never_taken_up = True
        self._saved: dict[str, Any] | None = None
        self._saved_s = 0.0
        self._forecaster_s = -RENEW_AFTER_S
        self._dropped = 0
        self._dropped_s = -NOTICE_FOR_S
        self._failures: deque[tuple[float, str]] = deque(maxlen=FAILURES_MOST + 1)
        self._sent_assessment_s = 0.0
        self._asked_s = -LOOKED_AT_FOR_S
        self._sent_state_s = self._looked_s = 0.0
        self._sent_words: Any = None
        self._changed = True
        self._lag_s = 0.0

    # -- the reader ----------------------------------------------------------------------------------------

    @property
    def unreachable(self) -> str | None:
        """Why the reader is not heard, in words; None while it is."""
        if self._lost_why is not None:
            return self._lost_why
        silent_s = math.inf if self._heard_s is None else time.monotonic() - self._heard_s
        return f"it has said nothing for {silent_s:.0f} s" if silent_s > HEARD_WITHIN_S else None

    @property
    def reader_age_s(self) -> float | None:
        """Seconds since the reader last said anything; None before it did, or when it has ended."""
        if self._heard_s is None or self._lost_why is not None:
            return None
        return time.monotonic() - self._heard_s

    def tell(self, message: Mapping[str, Any]) -> bool:
        """Tell the reader something; False when it is not there."""
        return self._link.tell(message)

    def ask(self, kind: str, body: Mapping[str, Any], who: str = "") -> Future[Answer]:
        """Ask the reader for something.

        Parameters
        ----------
        kind, body, who : str, mapping of str to object, str
            As `ChannelClient.ask`.
        """
        return self._link.ask(kind, body, who)

    async def ask_reader(self, kind: str, body: dict[str, Any], who: str, *, wait_s: float = 4.0) -> str:
        """Ask the reader for something and wait for its answer.

        Parameters
        ----------
        kind, body, who : str, dict of str to object, str
            As `ChannelClient.ask`.
        wait_s : float
            How long to wait [s].

        Raises
        ------
        RequestRefused
            With the reader's own words, or when no reader answers.
        """
        try:
            answer = await asyncio.wait_for(asyncio.wrap_future(self._link.ask(kind, body, who)), wait_s)
        except TimeoutError:
            raise RequestRefused(
                "the reader does not answer",
                place=kind,
                remedy="see that `lyewatch read` runs; cut the supply by hand",
            ) from None
        except PortError as exc:
            raise RequestRefused(exc.message, place=kind, remedy=exc.remedy) from None
        if not answer.ok:
            raise RequestRefused(answer.message, place=kind)
        return str(answer.message)

    # -- what the routes ask -------------------------------------------------------------------------------

    @property
    def store(self) -> Store:
        """The store. Raises StoreError while it can not be opened."""
        return self.keeper.store

    @property
    def age_s(self) -> float | None:
        """Seconds since the newest sample arrived here; None before the first."""
        return None if self._arrived_s is None else time.monotonic() - self._arrived_s

    @property
    def now_ns(self) -> int:
        """The run's time now: of the newest sample, plus the time since it came."""
        return self._last_t_ns + int((self.age_s or 0.0) * 1e9)

    def links(self) -> list[dict[str, Any]]:
        """The sources' counters."""
        return list((self._reader or {}).get("links", []))

    def blind(self) -> list[dict[str, str]]:
        """The parts that do not see now, each with why."""
        parts: list[dict[str, str]] = []

        def say(part: str, words: str | None) -> None:
            if words is not None:
                parts.append({"part": part, "words": words})

        why = self.unreachable
        say("reader", None if why is None else f"reader not reachable: {why}")
        if why is None and self._taking_up is not None:
            say("watch", "the watch takes up what came before")
        say("watch", self._watch_trouble())
        say("forecast", self._forecast_trouble())
        return parts

    def _alarms_blind(self) -> str | None:
        """Why it can not be known whether an alarm should stand; None while it can."""
        return next((p["words"] for p in self.blind() if p["part"] != "forecast"), None)

    def state(self) -> dict[str, Any]:
        """The status band and all that goes with it, as the API gives it."""
        stale_after = max(s.silent_after_s for s in self.bench.sources.values())
        why, reader = self.unreachable, self._reader or {}
        data = data_words(self.age_s, why, stale_after)
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
        recording = recording_words(None if why is not None else self._reader, self.keeper.impaired)
        trip = reader.get("trip")
        supply = supply_words(self.bench, trip, reader, self._latest, data["state"] == "fresh")
        return {
            "utc": iso_utc(time.time_ns()),
            "run": run,
            "supply": supply,
            "data": data,
            "alarms": alarm_words(standing, self._alarms_blind()),
            "blind": self.blind(),
            "trip": trip_dict(trip, self.run),
            "guide": guide_words(data, supply, trip, standing) if self.bench.bench.simulated else None,
            "standing": standing,
            "links": self.links(),
            "recording": recording,
            "archive": archive_words(self.keeper.archive, self.keeper.journal_rows or 0),
            "impaired": recording["words"] if recording["state"] == "impaired" else None,
            "fill": self.open_fill,
        }

    def set_fill(self, fill: dict[str, Any] | None) -> None:
        """Say that a timed fill is running, or that none is; pages are told at once, a restart remembers."""
        self.keeper.write(lambda logbook: logbook.put_state(OPEN_FILL, fill), key=OPEN_FILL)
        self.open_fill = fill
        self._sent_words, self._changed = None, True

    async def caught_up(self, t_ns: int, *, within_s: float) -> None:
        """Wait until samples as late as the run's time `t_ns` are stored [ns], or so long."""
        end_s = time.monotonic() + within_s
        run = self.run
        while run is not None and time.monotonic() < end_s:
            if self._last_t_ns >= t_ns:
                last_ns = await asyncio.to_thread(self.store.last_t_ns, run.id)
                if last_ns is not None and last_ns >= t_ns:
                    return
            await asyncio.sleep(0.05)

    def troubles(self) -> dict[str, str]:
        """Parts that do not work, each with why."""
        found = {part["part"]: part["words"] for part in reversed(self.blind())}
        recording = recording_words(self._reader, self.keeper.impaired)
        if recording["state"] == "impaired":
            found["recording"] = recording["words"]
        if self.duty.notifier.failing is not None:
            found["messages"] = self.duty.notifier.failing
        if self.publisher is not None and self.publisher.failing is not None:
            found["publishing"] = self.publisher.failing
        return found

    def health(self) -> dict[str, Any]:
        """Whether every part works."""
        why, reader = self.unreachable, self._reader or {}
        troubles = self.troubles()
        return {
            "status": "impaired" if troubles else "ok",
            "why": "; ".join(troubles.values()) or None,
            "troubles": troubles,
            "reader": {
                "alive": why is None,
                "heartbeat_age_s": self.reader_age_s,
                "pid": reader.get("pid"),
                "held_samples": (reader.get("recording") or {}).get("held"),
                "dropped_samples": (reader.get("recording") or {}).get("dropped"),
                "inbox_dropped": reader.get("inbox_dropped"),
            },
            "journal_rows": self.keeper.journal_rows,
            "logbook_waiting": self.keeper.waiting,
            "logbook_dropped": self.keeper.dropped,
            "channel_dropped": self.feed.dropped,
            "watch_lag_s": round(self._lag_s, 3),
            "pages": self.hub.clients,
            "publishing": None if self.publisher is None else self.publisher.status(),
            "links": self.links(),
        }

    async def recent(self, seconds: float) -> dict[str, Any]:
        """The last `seconds` of the run, at most some thousand points a channel, to fill a page's trends."""
        out: dict[str, Any] = {
            "run": None,
            "start_utc": None,
            "t": {},
            "v": {},
            "assessments": [],
            "event": self.hub.number,
        }
        run = self.run
        if run is None:
            return out
        start_ns = max(0, self._last_t_ns - int(seconds * 1e9))
        out["run"], out["start_utc"] = run.id, iso_utc(run.start_utc_ns)
        self._look_closely()
        assessments = [a for a in self.assessments if a.t_ns >= start_ns]
        # The last one is taken for what is so now.
        out["assessments"] = [a.as_dict() for a in (*assessments[:-1], *map(self._shown, assessments[-1:]))]
        blocks: Mapping[str, Block] = self._ring.blocks(start_ns)
        first_ns = self._ring.first_ns()
        if not first_ns or max(first_ns.values()) > start_ns + GAP_NS:
            blocks = merge_blocks(await self._stored(run.id, start_ns, 2.0), blocks)
        for block in blocks.values():
            stride = max(1, len(block) // PAGE_POINTS)
            for channel, values in block.values.items():
                out["t"][channel] = (block.t_ns[::stride] / 1e9).tolist()
                out["v"][channel] = [None if math.isnan(v) else v for v in values[::stride].tolist()]
        return out

    async def _stored(self, run_id: str, start_ns: int, within_s: float) -> Mapping[str, Block]:
        """The run's samples in the store from `start_ns` on; none where that takes too long, or fails."""

        def read() -> Mapping[str, Block]:
            return self.store.read(run_id, start_ns=start_ns)

        try:
            return await asyncio.wait_for(asyncio.to_thread(read), within_s)
        except (LyewatchError, TimeoutError):
            return {}

    def first_events(self) -> list[bytes]:
        """What a page that has just connected is told at once."""
        self._look_closely()
        events = [encode("state", self.state())]
        if self.assessments:
            events.append(encode("assessment", self._shown(self.assessments[-1]).as_dict()))
        return events

    def need_watch(self, place: str) -> None:
        """See that there is a watch of which something can be asked.

        Raises
        ------
        RequestRefused
            Before the first run, and while the watch is put together.
        """
        if self.run is None:
            raise RequestRefused("there is no run and so no alarm", place=place)
        if self._taking_up is not None:
            raise RequestRefused(
                "the watch takes up what came before", place=place, remedy="ask again in some seconds"
            )

    def record_transitions(self) -> None:
        """Write the alarms' new transitions down, and let the pages know at once."""
        assert self.run is not None
        if self.duty.record(self.run.id, self.watch):
            self._changed = True
            self.keep_watch()

    def keep_watch(self) -> None:
        """Save the watch's state, so that a restarted service goes on from here."""
        if self.run is None or self._taking_up is not None:
            return
        self._saved_s = time.monotonic()
        saved = {
            "run": self.run.id,
            "t_ns": self._ticked_ns,
            "utc_ns": time.time_ns(),
            "watch": self.watch.save(),
        }
        self._saved = saved
        self.keeper.write(lambda logbook: logbook.put_state(WATCH_STATE, saved), key=WATCH_STATE)
        self._keep_experience()

    async def refresh_run(self) -> None:
        """Read the run's record again, after it was renamed."""
        if self.run is None:
            return
        record = await asyncio.to_thread(self.store.logbook.get_run, self.run.id)
        if self.run is not None and record.id == self.run.id:
            self.run = replace(self.run, name=record.name, build=record.build)
            self._changed = True

    # -- the task ------------------------------------------------------------------------------------------

    async def serve(self, closing: asyncio.Event | Any) -> None:
        """Run until `closing` is set.

        Raises
        ------
        Exception
            What a part of it died of that could not be begun anew, or that failed again and again.
        """
        self.feed.attach(asyncio.get_running_loop())
        self.keeper.start()
        self._link.start()
        try:
            while not closing.is_set():
                await self.feed.wait(TURN_S)
                try:
                    self._turn()
                except Exception as exc:  # noqa: BLE001 - told, and raised when it comes again and again
                    self._begin_anew(exc)
        finally:
            if self._taking_up is not None:
                self._taking_up.cancel()
            self.keep_watch()
            self.hub.close()
            await asyncio.to_thread(self._link.close)
            await asyncio.to_thread(self.keeper.close)

    def _turn(self) -> None:
        if self._fault is not None:
            fault, self._fault = self._fault, None
            raise fault
        for message in self.feed.drain():
            self._hear(message)
        if self.feed.dropped != self._dropped:
            self._dropped, self._dropped_s = self.feed.dropped, time.monotonic()
        self._follow_reach()
        if self._taking_up is None:
            self._tick()
        self._tell_state()
        self._set_pace()

    def _begin_anew(self, exc: Exception) -> None:
        """A fault of ours in this task: the watch is made anew from what was kept, unless it fails on."""
        now = time.monotonic()
        words = f"{type(exc).__name__}: {exc}"
        log.error("the live task failed and begins anew", exc_info=exc)
        self._failures.append((now, words))
        lately = [s for s, _ in self._failures if now - s < FAILURES_WITHIN_S]
        if len(lately) > FAILURES_MOST:
            raise exc
        if self.run is not None:
            self._take_up(self._saved)
        self._changed = True

    def _opened(self, store: Store) -> None:
        """In the keeper's thread: what the logbook has of before."""
        logbook = store.logbook
        self._kept = _Kept(
            logbook.get_state(WATCH_STATE), logbook.get_state(OPEN_FILL), logbook.get_state(EXPERIENCE)
        )
        if self.open_fill is None:
            self.open_fill = self._kept.fill
        for callback in self.opened:
            callback(store)

    # -- what the reader says ------------------------------------------------------------------------------

    def _hear(self, message: dict[str, Any]) -> None:
        kind = message.get("type")
        if kind == LOST:
            if self._lost_why is None:
                self._lost_s = time.monotonic()
            self._lost_why = str(message["why"])
            self._changed = True
            return
        self._heard_s = time.monotonic()
        match kind:
            case "hello":
                self._had_ns, self._patient = self._last_t_ns, False
                self._lost_why, self._backlog, self._changed = None, True, True
            case "run":
                self._on_run(message)
            case "samples":
                self._on_samples(message)
            case "state":
                self._on_state(message)

    def _on_state(self, message: dict[str, Any]) -> None:
        before = self._reader or {}
        self._reader = message
        urgent = ("trip", "trip_unconfirmed", "current_though_open", "run")
        if any(before.get(key) != message.get(key) for key in urgent) or (
            (before.get("recording") or {}).get("impaired")
            != (message.get("recording") or {}).get("impaired")
        ):
            self._changed = True
        if self._backlog:
            self._backlog = False
            self._end_of_backlog()

    def _on_run(self, message: dict[str, Any]) -> None:
        record = _run_record(message["run"])
        calibrations = [_calibration(c) for c in message.get("calibrations") or ()]
        if self.run is not None and record.id == self.run.id:
            self.run = record
            return
        run_bench = self.bench.calibrated(read_calibrations({c.channel: c for c in calibrations}))
        if self.run is None or self._taking_up is not None or self._never_taken_up:
            # Nothing of this service's own to go on from: the store may have something.
            before = None
        else:
            # What was this run's now is the next one's zero.
            before = (self.watch.save(), -self.now_ns)
        self._begin_run(record, run_bench, before)

    def _begin_run(
        self, record: RunRecord, run_bench: Bench, before: tuple[dict[str, Any], int] | None
    ) -> None:
        self.run, self.run_bench = record, run_bench
        self.keeper.run_id = record.id
        if self.open_fill is not None and self.open_fill["run"] != record.id:
            self.set_fill(None)  # the run that it was to be averaged over has ended
        self._ring = Ring()
        self.assessments.clear()
        self._latest.clear()
        self._waiting.clear()
        self._unfed.clear()
        self._last_t_ns = self._ticked_ns = 0
        self._arrived_s = None
        self._sent_words, self._changed = None, True
        self.watch = self._new_watch()
        if before is None:
            self._never_taken_up = True
            if not self._backlog:
                self._take_up(None)
            return
        self._cancel_taking_up()
        self.watch.take_over(before[0], now_ns=0, later_ns=before[1])
        self.duty.follow(self.watch)
        self.duty.record(record.id, self.watch, news=False)
        self.forecast_log.follow(self.watch, record)
        self.keep_watch()

    def _new_watch(self) -> Watch:
        assert self.run is not None
        return Watch(
            self.run_bench,
            run=self.run.id,
            start_utc_ns=self.run.start_utc_ns,
            forecaster=make_forecaster(self.run_bench, self._earlier(), self.run.build),
            isolate=True,
        )

    def _earlier(self) -> dict[str, Any] | None:
        """What an earlier run of this bench taught: for a run that goes on, what it began with."""
        taught = self._taught or self._kept.experience
        if self.run is None or taught is None or taught.get("bench") != self.run.bench:
            return None
        found = taught.get("before" if taught.get("run") == self.run.id else "learned")
        return found if isinstance(found, dict) else None

    def _keep_experience(self) -> None:
        forecaster = self.watch.forecaster
        if self.run is None or "the forecast" in self.watch.failures:
            return
        learned = (
            forecaster.experience(self.run.build) if isinstance(forecaster, LearningForecaster) else None
        )
        if learned is None:
            return
        taught = {
            "run": self.run.id,
            "bench": self.run.bench,
            "before": self._earlier(),
            "learned": learned,
        }
        self._taught = taught
        self.keeper.write(lambda logbook: logbook.put_state(EXPERIENCE, taught), key=EXPERIENCE)

    def _on_samples(self, message: dict[str, Any]) -> None:
        if self.run is None or message["run"] != self.run.id:
            return  # of a run that this service was never told of
        samples = [_sample(row) for row in message["rows"]]
        if self._backlog:
            # After a connection was lost: what was had before comes once.
            samples = [s for s in samples if s.t_ns > (self._ring.last_ns(s.source) or -1)]
        if not samples:
            return
        newest_ns = max(s.t_ns for s in samples)
        if newest_ns > self._last_t_ns or self._arrived_s is None:
            self._last_t_ns, self._arrived_s = max(newest_ns, self._last_t_ns), message["arrived_s"]
        for sample in samples:
            self._ring.add(sample)
            self._latest.update(sample.values)
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
            keep=True,
        )
        if self._taking_up is not None or self._backlog:
            self._waiting += samples
        else:
            self._feed_watch(samples)

    def _feed_watch(self, samples: list[Sample]) -> None:
        """Give the watch these before its next tick: a second's samples make one block."""
        if samples:
            self.forecast_log.fed(min(s.t_ns for s in samples))
            self._unfed += samples

    def _feed_unfed(self) -> None:
        unfed, self._unfed = self._unfed, []
        self.watch.feed(blocks_of(unfed))

    # -- what came before ----------------------------------------------------------------------------------

    def _end_of_backlog(self) -> None:
        """The reader has told all that it had in memory: take up what came before that, if anything did."""
        if self.run is None or self._taking_up is not None:
            return
        if self._never_taken_up:
            self._take_up(None)
            return
        waiting, self._waiting = self._waiting, []
        if not waiting:
            return
        begun_ns = min(s.t_ns for s in waiting)
        if begun_ns - self._had_ns < GAP_NS:
            self._feed_watch(waiting)
            return
        # This service was away from the channel for longer than the reader remembers.
        self._waiting = waiting
        self._in_the_background(self._fill_gap(self.run.id, self._had_ns + 1, begun_ns - 1))

    async def _fill_gap(self, run_id: str, start_ns: int, end_ns: int) -> None:
        blocks = await self._stored(run_id, start_ns, TAKE_UP_WITHIN_S)
        self._taking_up = None
        if self.run is None or self.run.id != run_id:
            return
        cut = {name: block.between(start_ns, end_ns) for name, block in blocks.items()}
        self._feed_unfed()
        self.watch.feed([b for b in cut.values() if len(b)])
        waiting, self._waiting = self._waiting, []
        self._feed_watch(waiting)

    def _cancel_taking_up(self) -> None:
        if self._taking_up is not None:
            self._taking_up.cancel()
            self._taking_up = None

    def _take_up(self, saved: dict[str, Any] | None) -> None:
        """Make a watch that has seen all of the run, in a thread; what comes meanwhile waits."""
        self._cancel_taking_up()
        assert self.run is not None
        self._in_the_background(self._taken_up(self.run, saved))

    def _in_the_background(self, doing: Coroutine[Any, Any, None]) -> None:
        task = self._taking_up = asyncio.ensure_future(doing)

        def done(task: asyncio.Task[None]) -> None:
            if self._taking_up is task:
                self._taking_up = None
            if not task.cancelled() and task.exception() is not None:
                self._fault = task.exception()

        task.add_done_callback(done)

    async def _taken_up(self, run: RunRecord, saved: dict[str, Any] | None) -> None:
        # The waiting samples are in the ring already, and so are those that the watch of before had not had.
        self._waiting, self._unfed = [], []
        ring = self._ring.blocks()
        try:
            taken = await asyncio.to_thread(self._go_through, run, ring, saved)
        except Exception as exc:
            log.error("what came before can not be taken up", exc_info=exc)
            self._failures.append((time.monotonic(), f"{type(exc).__name__}: {exc}"))
            taken = _Resumed(self._new_watch())
        self._taking_up, self._never_taken_up = None, False
        if self.run is None or self.run.id != run.id:
            return
        if self.open_fill is not None and self.open_fill["run"] != run.id:
            self.set_fill(None)
        self.watch = taken.watch
        self.duty.follow(self.watch)
        self.forecast_log.follow(self.watch, run)
        if not taken.from_beginning:
            self.forecast_log.leave()
        waiting, self._waiting = self._waiting, []
        if taken.last_ns is None:
            # This service has been there from the run's beginning.
            if ring:
                first_ns = min(int(block.t_ns[0]) for block in ring.values())
                self._ticked_ns = first_ns // STEP_NS * STEP_NS
                self.forecast_log.fed(first_ns)
                self.watch.feed(ring.values())
        else:
            self._ticked_ns = taken.ticked_ns
            self._last_t_ns = max(self._last_t_ns, taken.last_ns)
            self.assessments.extend(self._shown(a) for a in taken.assessments)
            self.duty.record(run.id, self.watch, news=False)
        self._feed_watch(waiting)
        self._sent_words, self._changed = None, True

    def _go_through(
        self, run: RunRecord, ring: Mapping[str, Block], saved: dict[str, Any] | None
    ) -> _Resumed:
        """In a thread: a watch with its saved state, fed with the store's samples and those in memory."""
        store = self.keeper.wait_open(TAKE_UP_WITHIN_S)
        watch = self._new_watch()
        saved = saved or self._kept.watch
        known_ns: int | None = None
        if saved is not None and saved.get("run") == run.id:
            watch.load(saved["watch"])
            known_ns = int(saved["t_ns"])
        elif saved is not None and "utc_ns" in saved:
            # Of a run that ended while no service ran.
            later_ns = int(saved["utc_ns"]) - run.start_utc_ns - int(saved["t_ns"])
            watch.take_over(saved["watch"], now_ns=0, later_ns=later_ns)

        def read(start_ns: int | None, end_ns: int | None) -> Mapping[str, Block]:
            stored: Mapping[str, Block] = {}
            if store is not None:
                try:
                    stored = store.read(run.id, start_ns=start_ns, end_ns=end_ns)
                except LyewatchError as exc:
                    log.error("what came before can not be read: %s", exc)
            kept = {n: b.between(start_ns, end_ns) for n, b in ring.items()}
            return merge_blocks(stored, {n: b for n, b in kept.items() if len(b)})

        last_ns = max((int(b.t_ns[-1]) for b in ring.values()), default=None)
        if last_ns is None and store is not None:
            try:
                last_ns = store.last_t_ns(run.id)
            except LyewatchError as exc:
                log.error("what came before can not be read: %s", exc)
        if last_ns is None or (known_ns is None and ring and _whole(run, store, ring)):
            return _Resumed(watch)
        ticked_ns = last_ns // STEP_NS * STEP_NS
        numbers = catch_up(watch, read, known_ns, last_ns, ticked_ns)
        assessments = tuple(watch.assessment(numbers, i) for i in range(len(numbers)))
        return _Resumed(watch, last_ns, ticked_ns, assessments, from_beginning=False)

    # -- ticks and what is told ----------------------------------------------------------------------------

    def _follow_reach(self) -> None:
        """That no samples come means nothing of the sources while the reader itself is not heard."""
        if self.unreachable is not None:
            if self._lost_why is None and self.watch.fed:
                self._lost_s = time.monotonic() - HEARD_WITHIN_S  # it hangs, connected
            self.watch.lose_feed()
            now = time.monotonic()
            if now - max(self._lost_s, self._renewed_s) > CONNECT_ANEW_S:
                self._renewed_s = now
                self._connect_anew()
        elif not self.watch.fed:
            self.watch.resume_feed(self.now_ns)
            self._changed = True

    def _connect_anew(self) -> None:
        """A link whose thread has died would never say so."""
        old = self._link
        self._link = self._connect(self.feed.take, self.feed.lost)
        self._link.start()
        asyncio.get_running_loop().run_in_executor(None, old.close)

    def _tick(self) -> None:
        """Tick the watch at every whole second of the run, so that live and replay take the same steps."""
        if self.run is None or self._arrived_s is None:
            return
        now_ns = self.now_ns
        self._take_lye_entries()
        if self._patient:
            now_ns = max(self._last_t_ns, now_ns - HELD_NS)
        newest: Assessment | None = None
        if self._ticked_ns + STEP_NS > now_ns:
            self._lag_s = 0.0
            return
        looked_at = self._looked_at
        self._feed_unfed()
        while self._ticked_ns + STEP_NS <= now_ns:
            self._ticked_ns += STEP_NS
            if looked_at or self._ticked_ns % SELDOM_NS == 0:
                newest = self._shown(self.watch.tick(self._ticked_ns))
                self.assessments.append(newest)
            else:
                self.watch.advance(self._ticked_ns, bare=True)
            self.record_transitions()
            self.forecast_log.record()
        self._lag_s = max(0.0, (now_ns - self._ticked_ns) / 1e9 - STEP_NS / 1e9)
        wall = time.monotonic()
        self._renew_forecaster(wall)
        if newest is not None and wall - self._sent_assessment_s >= ASSESSMENT_EVERY_S:
            self._sent_assessment_s = wall
            self.hub.publish("assessment", newest.as_dict())
        if wall - self._saved_s >= KEEP_EVERY_S:
            self.keep_watch()

    def _set_pace(self) -> None:
        """While nobody follows the samples they are not wanted one by one: the reader may hold a few, and
        what comes need not wake this task before the next tick."""
        patient = self._may_be_patient and not (self.hub.clients or self.hub.taps or self._backlog)
        self.feed.patient_until_ns = self._ticked_ns + STEP_NS if patient else None
        if patient != self._patient and self._link.tell({"type": "pace", "patient": patient}):
            self._patient = patient

    @property
    def _looked_at(self) -> bool:
        """Whether anybody sees assessments: a page, whoever asked a while ago, or who has them published."""
        if self.hub.clients or self.publisher is not None:
            return True
        return time.monotonic() - self._asked_s < LOOKED_AT_FOR_S

    def _look_closely(self) -> None:
        """Somebody asks for assessments: there is one of the last tick, and of each that follows."""
        self._asked_s = time.monotonic()
        last_ns = self.assessments[-1].t_ns if self.assessments else 0
        if self._taking_up is not None or self._ticked_ns <= last_ns:
            return
        assessment = self.watch.assess_again()
        if assessment is not None and assessment.t_ns > last_ns:
            self.assessments.append(self._shown(assessment))

    def _take_lye_entries(self) -> None:
        """Those of the run that came some other way than over this service, or before it was there."""
        run_id, marks = self.keeper.lye_marks
        if self.run is None or run_id != self.run.id or self._taking_up is not None:
            return
        for mark in marks:
            for t_ns, entry in entries_of([mark], self.run_bench.stack.electrolyte):
                name = str((mark.data or {}).get("id") or f"mark {mark.id}")
                self.watch.lye_entry(entry, t_ns, name)

    def _renew_forecaster(self, wall: float) -> None:
        if "the forecast" not in self.watch.failures or wall - self._forecaster_s < RENEW_AFTER_S:
            return
        self._forecaster_s = wall
        fresh = make_forecaster(self.run_bench, self._earlier(), "" if self.run is None else self.run.build)
        if fresh is not None:
            self.watch.renew_forecaster(fresh)
            self.forecast_log.leave()

    def _shown(self, assessment: Assessment) -> Assessment:
        """Without what is not known: the ratios while the supply is switched, since that window's gas is not
        that of its current, and any forecast while nothing, or the forecast itself, can be relied on."""
        why = self._alarms_blind() or self._forecast_trouble()
        if why is not None:
            assessment = replace(assessment, forecast={"state": "unknown", "words": f"Not known: {why}"})
        if self.watch.settled(assessment.t_ns):
            return assessment
        blank = {key: {**assessment.numbers[key], "value": None, "u95": None} for key in RATIOS}
        return replace(assessment, numbers={**assessment.numbers, **blank})

    def _tell_state(self) -> None:
        wall = time.monotonic()
        if not self._changed and wall - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = wall
        self._changed = False
        self._look_at_parts()
        state = self.state()
        words = (
            state["run"] and state["run"]["id"],
            state["supply"]["state"],
            state["data"]["state"],
            state["alarms"],
            state["blind"],
            state["impaired"],
            state["trip"],
            state["fill"],
            [(a["alarm"], a["state"]) for a in state["standing"]],
        )
        if words != self._sent_words or wall - self._sent_state_s >= STATE_EVERY_S:
            self._sent_words, self._sent_state_s = words, wall
            self.hub.publish("state", state)

    def _look_at_parts(self) -> None:
        """Tell the watch what it can not see in the samples."""
        if self.run is None or self._taking_up is not None or self._never_taken_up:
            return
        why = self.unreachable
        lost = why is not None and time.monotonic() - self._lost_s > LOST_AFTER_S
        troubles = {
            "reader.lost": why if lost else None,
            "watch.failed": self._watch_trouble(),
            "forecast.failed": self._forecast_trouble(),
            "publish.failed": None if self.publisher is None else self.publisher.failing,
        }
        self.duty.look(self.watch, self.now_ns, self._reader, troubles)

    def _watch_trouble(self) -> str | None:
        now = time.monotonic()
        begun = [words for s, words in self._failures if now - s < NOTICE_FOR_S]
        if begun:
            return f"the watch failed and was begun anew ({begun[-1]})"
        if now - self._dropped_s < NOTICE_FOR_S:
            return f"{self._dropped:,} samples found no room here: this service is too slow for the bench"
        parts = [
            f"{part} failed ({words})"
            for part, words in self.watch.failures.items()
            if part != "the forecast"
        ]
        return "; ".join(parts) or None

    def _forecast_trouble(self) -> str | None:
        words = self.watch.failures.get("the forecast")
        return None if words is None else f"the forecast failed ({words})"


def _whole(run: RunRecord, store: Store | None, ring: Mapping[str, Block]) -> bool:
    """Whether the samples in memory are all of the run."""
    first_ns = min(int(block.t_ns[0]) for block in ring.values())
    if first_ns > BEGINS_WITHIN_NS:
        return False
    try:
        before = {} if store is None else store.read(run.id, end_ns=first_ns - 1)
    except LyewatchError:
        return True
    return not any(len(block) for block in before.values())


_RUN_FIELDS: Final = frozenset(f.name for f in fields(RunRecord))
_CALIBRATION_FIELDS: Final = frozenset(f.name for f in fields(CalibrationRecord))
_NAN: Final = math.nan


def _run_record(message: Mapping[str, Any]) -> RunRecord:
    return RunRecord(**{name: value for name, value in message.items() if name in _RUN_FIELDS})


def _calibration(message: Mapping[str, Any]) -> CalibrationRecord:
    return CalibrationRecord(
        **{name: value for name, value in message.items() if name in _CALIBRATION_FIELDS}
    )


def _sample(row: Mapping[str, Any]) -> Sample:
    return Sample(
        row["source"],
        row["t_ns"],
        {name: _NAN if value is None else value for name, value in row["v"].items()},
        {name: Status(code) for name, code in (row.get("q") or {}).items()},
        row.get("seq", -1),
        {name: _NAN if value is None else value for name, value in (row.get("r") or {}).items()},
    )
