"""The reader process: sources -> calibrate -> guard -> breaker, in one loop that touches no file.

One thread per source puts frames into the inbox; this loop takes them out, so that calibration and guard are
never touched by two threads. What it has looked at it hands on and does not wait for: to the recorder, which
has a thread and a bounded queue of its own, and to the live channel, by which the service follows. Start,
stop, cut, reset and marks are asked for over that channel, done at once, and written into the logbook after.

No failure of disk, store, logbook, channel or terminal reaches the loop. A fault of its own ends the process,
with its cause and with the supply cut, and whoever keeps the reader running starts it anew.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any, Final

import orjson

from daq.bench import Bench
from daq.bench.calibration import calibration_words
from daq.errors import PortError, SourceError
from daq.frame import Frame, Sample
from daq.reader import runs
from daq.reader.breaker import Breaker, asked_cause
from daq.reader.calibrate import Calibrator
from daq.reader.channel import CHANNEL_VERSION, ChannelAddress, ChannelServer, Subscriber
from daq.reader.guard import Guard, TripCause
from daq.reader.inbox import Inbox
from daq.reader.latch import TripLatch, latch_places
from daq.reader.recorder import Opened, Recorder
from daq.reader.second_cut import SecondCut
from daq.reader.timebase import SYSTEM_CLOCKS, Clocks, StepDetector
from daq.sources import Command, Source, SourceEvent, make_source
from daq.store import Store

__all__ = ["Reader"]

TURN_S: Final = 0.15
"""The loop looks at what has not arrived so often at least [s]; longer than the time from frame to frame at
ten hertz, or it would wake for nothing just before most of them."""
_MOST_AT_ONCE: Final = 500
"""Items of one turn of the loop: in a flood it still looks at the clock, and at what is asked for."""
_STORE_WAIT_S: Final = 0.5
"""So long the loop waits for the store before it begins without it [s]."""
_LATCH_WAIT_S: Final = 1.0
_START_WAIT_NS: Final = 150_000_000
"""So long a run that is asked for waits for the newest calibrations [ns]."""
_HELD_NS: Final = 250_000_000
"""So long samples are held while all who follow are patient [ns]."""
_BACKLOG_NS: Final = 30_000_000_000
_BACKLOG_ROWS: Final = 2_000
_LINKS_EVERY_NS: Final = 60_000_000_000
_FULL_SHOWN_NS: Final = 30_000_000_000
_CLOSE_WITHIN_S: Final = 8.0
_LAST_WORD_S: Final = 0.3
"""So long a source has for a last command before its port is closed [s]."""


@dataclass(slots=True)
class _Chore:
    """Something done every so often by the loop."""

    every_ns: int
    do: Callable[[int], None]
    due_ns: int = 0


@dataclass(slots=True)
class _Link:
    """What the loop knows of a source beyond the source's own counters."""

    seen_ns: int | None = None
    frames: int = 0
    counted: int = 0
    rate_hz: float = 0.0
    lost: bool = field(default=False)


@dataclass(frozen=True, slots=True)
class _Asked:
    """Something that a subscriber asks of the reader."""

    subscriber: Subscriber
    number: int
    body: Mapping[str, Any]
    who: str

    def answer(self, ok: bool, words: str) -> None:
        """Tell him."""
        self.subscriber.answer(self.number, ok, words)


class _Terminal:
    """Says lines to whoever watches, from a thread of its own: a terminal may hold up who writes to it."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._lines: queue.Queue[str | None] = queue.Queue(maxsize=1000)
        self._thread = threading.Thread(target=self._run, name="terminal", daemon=True)
        self._thread.start()

    def __call__(self, line: str) -> None:
        with suppress(queue.Full):
            self._lines.put_nowait(line)

    def close(self) -> None:
        self("")
        with suppress(queue.Full):
            self._lines.put_nowait(None)
        self._thread.join(1.0)

    def _run(self) -> None:
        while (line := self._lines.get()) is not None:
            if line:
                with suppress(OSError, ValueError):  # nobody watches any more
                    self._say(line)


class Reader:
    """Owns the ports of one bench, guards it, and hands on what comes from them.

    Parameters
    ----------
    bench : Bench
        The bench.
    open_store : callable
        Opens the store for writing. Called in the recorder's thread, again and again until it succeeds.
    sources : mapping of str to Source, optional
        Sources to use in place of those that the bench file describes.
    clocks : Clocks
        The host's clocks.
    say : callable
        Takes one line of text for whoever watches the terminal.
    cut_before : str, optional
        Why the supply was cut in the place of a reader that died: this one begins tripped.

    Raises
    ------
    StoreBusy
        When another reader runs for this bench.
    """

    def __init__(
        self,
        bench: Bench,
        open_store: Callable[[], Store],
        *,
        sources: Mapping[str, Source] | None = None,
        clocks: Clocks = SYSTEM_CLOCKS,
        say: Callable[[str], None] = lambda line: None,
        cut_before: str | None = None,
    ) -> None:
        self._cut_before = cut_before
        self._bench = bench
        self._clocks = clocks
        self._say = _Terminal(say)
        self._inbox = Inbox()
        self._channel = self._open_channel()
        self._sources = dict(sources or {n: make_source(n, spec) for n, spec in bench.sources.items()})
        self._links = {name: _Link() for name in self._sources}
        self._latch = TripLatch(latch_places(bench), bench.name, self._say)
        self._recorder = Recorder(bench, open_store, clocks, self._say, self._on_opened)
        self._guard = Guard(bench, clocks.mono_ns())
        self._breaker = Breaker(
            self._guard,
            self._sources[bench.supply.trip_source],
            self._latch,
            self._recorder,
            clocks,
            self._say,
            second=self._second_cut(),
        )
        self._steps = StepDetector(clocks)
        self._failure: str | None = None
        self._beaten = False
        self._full: tuple[str, int] | None = None
        self._starting: tuple[_Asked, int] | None = None
        self._stopping: _Asked | None = None
        self._began_ns = 0
        self._rates_ns = clocks.mono_ns()
        self._rows: list[dict[str, Any]] = []
        self._held_ns = self._second = 0
        self._backlog: deque[dict[str, Any]] = deque(maxlen=_BACKLOG_ROWS)
        self._published_state: Any = None
        self._link_rows: list[dict[str, Any]] = []
        self._run: runs.ActiveRun | None = None
        self._found: Opened | None = None
        self._calibrate = Calibrator(bench)
        self._serving = threading.Event()
        self._chores = [
            _Chore(1_000_000_000, self._heartbeat),
            _Chore(1_000_000_000, self._report),
            _Chore(1_000_000_000, self._look_at_wall_clock),
            _Chore(1_000_000_000, self._look_at_overflow),
            _Chore(_LINKS_EVERY_NS, lambda now: self._save_links(self._active)),
        ]

    @property
    def run_id(self) -> str:
        """The id of the run that is being written now."""
        self._serving.wait(_STORE_WAIT_S + _LATCH_WAIT_S + 1.0)
        return self._active.id

    def serve(self, stop: threading.Event, *, leave_open: Callable[[], bool] = lambda: False) -> None:
        """Read until `stop` is set, then let go of the ports.

        Parameters
        ----------
        stop : threading.Event
        leave_open : callable
            Asked at the end: whether the run is to stay open for the next reader to go on with.

        Raises
        ------
        SourceError
            When a source's thread has died by a fault of ours.
        """
        clean = False
        try:
            self._begin()
            while not stop.is_set():
                self._turn()
            clean = True
        except BaseException:
            # Whatever is wrong, nobody guards any more from here on.
            self._breaker.source.send(Command("trip"))
            time.sleep(_LAST_WORD_S)
            raise
        finally:
            self._close(end_run=clean and not leave_open())

    @property
    def _active(self) -> runs.ActiveRun:
        assert self._run is not None
        return self._run

    def _begin(self) -> None:
        # Frames that come while store and latch are waited for belong to the first run.
        self._began_ns = self._clocks.mono_ns()
        self._latch.start()
        self._recorder.start()
        for source in self._sources.values():
            source.start(self._inbox)
        self._latch.ready.wait(_LATCH_WAIT_S)
        self._breaker.look_at_latch()
        self._recorder.ready.wait(_STORE_WAIT_S)
        kind = "run" if self._bench.recording.autostart else "standby"
        found = self._recorder.found(partial(self._make_run, kind))
        if isinstance(found, Opened):
            self._go_on_with(found)
        else:
            self._go_to(found)
            self._say("the store is not open yet: guarding without it")
        now = self._clocks.mono_ns()
        for chore in self._chores:
            chore.due_ns = now + chore.every_ns
        self._chores[0].due_ns = now  # the device waits for a heartbeat
        if self._cut_before is not None:
            cause = TripCause("reader.died", self._cut_before, by="up")
            if self._guard.trip(cause):
                self._breaker.tripped(cause, self._active, self._active.now_ns(now))
        self._say(f"reading {', '.join(self._sources)} into run {self._active.id}")
        self._serving.set()

    # -- the loop ------------------------------------------------------------------------------------------

    def _turn(self) -> None:
        """One turn: what is asked for, what has come, what has not come, what is due."""
        timeout_s = TURN_S if self._starting is None else 0.01
        acts, items = self._inbox.take(timeout_s, _MOST_AT_ONCE)
        for act in acts:
            act()
        for item in items:
            if isinstance(item, Frame):
                self._take(item)
            else:
                self._on_source_event(item)
        self._publish_due()
        if self._failure is not None:
            # A fault of ours: end with its cause, so that whoever keeps the reader running starts it anew.
            raise SourceError(self._failure, remedy="start the reader again")
        now = self._clocks.mono_ns()
        self._breaker.look_at_latch()
        self._breaker.tick(now, self._active)
        self._switch_if_due(now)
        for chore in self._chores:
            if now >= chore.due_ns:
                chore.due_ns = now + chore.every_ns
                chore.do(now)
        self._tell_changes()

    def _take(self, frame: Frame) -> None:
        now, run = self._clocks.mono_ns(), self._active
        link = self._links[frame.source]
        link.seen_ns, link.frames = now, link.frames + 1
        if link.lost:
            link.lost = False
            self._note(frame.source, "heard", f"{frame.source} is heard again")
        t_ns = run.t_ns(frame.mono_ns)
        sample, out_of_range = self._calibrate(frame, t_ns)
        self._sources[frame.source].counters.out_of_range += out_of_range
        for cause in (self._guard.frame(frame), self._guard.sample(sample, now)):
            if cause is not None:
                self._breaker.tripped(cause, run, t_ns)
        self._recorder.take(run, sample)
        row = _row(sample)
        self._rows.append(row)
        self._backlog.append(row)

    def _on_source_event(self, event: SourceEvent) -> None:
        if event.kind == "reply":
            self._breaker.replied(event, self._active)
            return
        if event.kind in ("lost", "silent"):
            self._links[event.source].lost = True
        if event.kind == "failed":
            self._failure = f"{event.source}: {event.text}"
        if event.kind in ("lost", "reopened", "silent", "restarted", "notice", "ended", "failed"):
            self._note(event.source, event.kind, f"{event.source}: {event.text}")
            self._say(f"{event.source}: {event.text}")

    # -- what is asked for ---------------------------------------------------------------------------------

    def _on_join(self, subscriber: Subscriber) -> None:
        self._inbox.act(partial(self._greet, subscriber))

    def _on_message(self, subscriber: Subscriber, message: Mapping[str, Any]) -> None:
        self._inbox.act(partial(self._hear, subscriber, message))

    def _greet(self, subscriber: Subscriber) -> None:
        """Tell who has just come what he must know, then all that follows."""
        run = self._active
        first = (
            {
                "type": "hello",
                "version": CHANNEL_VERSION,
                "pid": os.getpid(),
                "bench": self._bench.name,
            },
            self._run_message(),
            {"type": "samples", "run": run.id, "rows": self._recent_rows()},
            self._state(),
        )
        self._publish_rows()  # to the others; these rows are among those of the backlog
        for message in first:
            subscriber.send(_encode(message))
        if self._channel is not None:
            self._channel.admit(subscriber)

    def _hear(self, subscriber: Subscriber, message: Mapping[str, Any]) -> None:
        if message.get("type") == "standing" and isinstance(message.get("standing"), dict):
            self._breaker.alarms_reported(message["standing"])
        if message.get("type") == "pace":
            subscriber.patient = message.get("patient") is True
        if message.get("type") != "request" or not isinstance(number := message.get("id"), int):
            return
        kind, body, who = message.get("kind"), message.get("body"), message.get("who", "")
        asked = _Asked(subscriber, number, body if isinstance(body, dict) else {}, str(who or ""))
        answer = getattr(self, f"_on_{kind}", None) if kind in _REQUESTS else None
        if answer is None:
            asked.answer(False, f"no request is called {kind!r}; there are {', '.join(_REQUESTS)}")
        else:
            answer(asked, self._clocks.mono_ns())

    def _on_start(self, asked: _Asked, now: int) -> None:
        if asked.body.get("unless_recording") and self._active.recording:
            asked.answer(True, self._active.id)
            return
        if self._starting is not None:
            asked.answer(False, "another run is just being started")
            return
        self._recorder.refresh_calibrations()
        self._starting = (asked, now + _START_WAIT_NS)

    def _switch_if_due(self, now: int) -> None:
        """Stop or start as was asked for, once what had come before has been taken."""
        if self._stopping is not None:
            asked, self._stopping = self._stopping, None
            ended = self._active.id
            self._switch("standby", now)
            asked.answer(True, ended)
        if self._starting is None or (self._recorder.refreshing and now < self._starting[1]):
            return
        asked, _ = self._starting
        self._starting = None
        name, build = str(asked.body.get("name") or ""), str(asked.body.get("build") or "")
        self._switch("run", now, name=name, build=build)
        asked.answer(True, self._active.id)

    def _on_stop(self, asked: _Asked, now: int) -> None:
        if not self._active.recording or self._stopping is not None:
            asked.answer(False, "no run is being recorded")
            return
        self._stopping = asked

    def _on_trip(self, asked: _Asked, now: int) -> None:
        cause = asked_cause(asked)
        if self._guard.trip(cause):
            self._breaker.tripped(cause, self._active, self._active.now_ns(now))
            asked.answer(True, "the supply is being cut")
        else:
            asked.answer(True, "a trip stood already")

    def _on_reset(self, asked: _Asked, now: int) -> None:
        self._breaker.reset_asked(asked, now)

    def _on_mark(self, asked: _Asked, now: int) -> None:
        text = str(asked.body.get("text") or "").strip()
        at = asked.body.get("t_ns")
        if not text:
            asked.answer(False, "a mark needs a text")
            return
        t_ns = at if isinstance(at, int) and at >= 0 else self._active.now_ns(now)
        data = asked.body.get("data")
        kind = str(asked.body.get("kind") or "note")
        self._recorder.mark(
            self._active, t_ns, kind, text, asked.who, data if isinstance(data, dict) else None
        )
        asked.answer(True, "noted")

    # -- the store -----------------------------------------------------------------------------------------

    def _on_opened(self, found: Opened) -> None:
        """The store is open (told by the recorder's thread)."""
        self._inbox.act(partial(self._store_is_open, found))

    def _store_is_open(self, found: Opened) -> None:
        """Go on with what was found in the store, where the loop has begun without it."""
        if self._run is None or self._found is found:
            return
        self._go_on_with(found)

    def _go_on_with(self, found: Opened) -> None:
        self._found = found
        self._breaker.look_at_logbook(found.trip)
        early = self._run
        if found.resumed is not None:
            self._go_to(found.resumed)
            self._recorder.go_on(found.resumed)
        elif early is None:
            run = self._make_run("run" if self._bench.recording.autostart else "standby")
            self._recorder.begin(run)
            self._go_to(run)
        elif runs.usable(self._bench, found.newest):
            # What was read till now was not calibrated: that is a run of its own.
            self._switch(early.record.kind, self._clocks.mono_ns())
        for words in calibration_words(self._active.bench, found.newest, self._clocks.utc_ns()):
            self._say(words)

    def _make_run(self, kind: str, name: str = "", build: str = "") -> runs.ActiveRun:
        recorder = self._recorder
        return runs.begin(
            self._bench,
            self._clocks,
            recorder.newest,
            taken=recorder.ids,
            zero_ns=self._began_ns if self._run is None else None,
            kind=kind,
            name=name,
            build=build,
        )

    def _go_to(self, run: runs.ActiveRun) -> None:
        """Samples go to this run from now on."""
        self._publish_rows()
        self._run = run
        self._calibrate = Calibrator(run.bench)
        self._backlog.clear()
        if self._channel is not None:
            self._channel.publish(self._run_message())

    def _switch(self, kind: str, now: int, *, name: str = "", build: str = "") -> None:
        """End what is being written and begin a run or the standby, with no sample in neither."""
        old = self._active
        run = self._make_run(kind, name, build)
        self._recorder.begin(run)
        self._save_links(old)
        self._recorder.end(old, old.now_ns(now))
        self._go_to(run)
        for words in calibration_words(run.bench, self._recorder.newest, self._clocks.utc_ns()):
            self._say(words)

    # -- chores --------------------------------------------------------------------------------------------

    def _heartbeat(self, now: int) -> None:
        if self._breaker.beat(now):
            self._beaten = True
        elif not self._beaten:
            self._chores[0].due_ns = now + 50_000_000  # the first beat goes out as soon as all is heard

    def _look_at_wall_clock(self, now: int) -> None:
        step = self._steps.look()
        if step is not None:
            self._note("reader", "clock_step", f"the computer's clock stepped {step:+.1f} s")

    def _look_at_overflow(self, now: int) -> None:
        """Frames that came faster than they could be looked at are a gap, counted and told."""
        for source, overflow in self._inbox.take_overflow().items():
            self._sources[source].counters.dropped += overflow.count
            words = f"more frames of {source} came at once than could be taken"
            self._full = (f"{words}; {overflow.count} were lost", now)
            run = self._active
            from_ns, until_ns = (
                max(0, at - (run.zero_ns or 0)) for at in (overflow.from_ns, overflow.until_ns)
            )
            self._recorder.lose(run, source, from_ns, until_ns, words, overflow.count)
        if self._full is not None and now - self._full[1] > _FULL_SHOWN_NS:
            self._full = None

    def _report(self, now: int) -> None:
        """Say how the reader is."""
        seconds = max(1e-3, (now - self._rates_ns) / 1e9)
        self._rates_ns = now
        rows = []
        for name, source in self._sources.items():
            link = self._links[name]
            link.rate_hz = (link.frames - link.counted) / seconds
            link.counted = link.frames
            age = None if link.seen_ns is None else round((now - link.seen_ns) / 1e9, 2)
            rows.append(
                {"source": name, **source.counters.as_dict(), "rate_hz": round(link.rate_hz, 2), "age_s": age}
            )
        self._link_rows = rows
        self._published_state = None

    def _save_links(self, run: runs.ActiveRun) -> None:
        for name, source in self._sources.items():
            counters = source.counters.as_dict()
            self._recorder.save_links(run, name, counters)

    # -- telling -------------------------------------------------------------------------------------------

    def _open_channel(self) -> ChannelServer | None:
        """The live channel; a reader that can not have one guards and records all the same."""
        try:
            return ChannelServer(ChannelAddress.of(self._bench), self._on_join, self._on_message)
        except PortError as exc:
            self._say(f"no service can follow: {exc}")
            return None

    def _publish_due(self) -> None:
        """Send on what has come; while nobody waits for it a few frames at once, so that fewer threads wake.

        A frame that crosses a whole second of the run goes at once, with all before it: the watch ticks then.
        """
        if not self._rows:
            return
        now, second = self._clocks.mono_ns(), self._rows[-1]["t_ns"] // 1_000_000_000
        due = second != self._second or now - self._held_ns >= _HELD_NS
        if due or self._channel is None or not self._channel.patient:
            self._second = second
            self._publish_rows()

    def _publish_rows(self) -> None:
        rows, self._rows = self._rows, []
        self._held_ns = self._clocks.mono_ns()
        if rows and self._channel is not None:
            self._channel.publish({"type": "samples", "run": self._active.id, "rows": rows})

    def _recent_rows(self) -> list[dict[str, Any]]:
        after_ns = self._active.last_ns - _BACKLOG_NS
        return [row for row in self._backlog if row["t_ns"] > after_ns]

    def _run_message(self) -> dict[str, Any]:
        run = self._active
        return {
            "type": "run",
            "run": asdict(run.record),
            "calibrations": [asdict(record) for record in run.calibrations],
        }

    def _tell_changes(self) -> None:
        """Say how the reader is when that has changed, and once a second."""
        if self._channel is None or not self._channel.subscribers:
            return
        now_state = (
            self._breaker.trip,
            self._latch.logged,
            self._breaker.unconfirmed,
            self._guard.powered,
            self._guard.cut_confirmed,
            self._guard.current_though_open,
            self._recorder.impaired,
            self._full,
            self._active.id,
        )
        if now_state != self._published_state:
            self._published_state = now_state
            self._publish_rows()
            self._channel.publish(self._state())

    def _state(self) -> dict[str, Any]:
        breaker, guard = self._breaker, self._guard
        trip = None if breaker.trip is None else {**asdict(breaker.trip), "logged": self._latch.logged}
        recording = self._recorder.state()
        if recording["impaired"] is None and self._full is not None:
            recording["impaired"] = self._full[0]
        return {
            "type": "state",
            "utc_ns": self._clocks.utc_ns(),
            "pid": os.getpid(),
            "run": self._active.id,
            "kind": self._active.record.kind,
            "links": self._link_rows,
            "powered": guard.powered,
            "cut_confirmed": guard.cut_confirmed,
            "trip_unconfirmed": breaker.unconfirmed,
            "trip": trip,
            "recording": recording,
            "inbox_dropped": self._inbox.dropped,
            "cut_words": breaker.cut_words(self._clocks.mono_ns()),
            "current_though_open": guard.current_though_open,
            "subscribers": 0 if self._channel is None else self._channel.subscribers,
            "subscribers_dropped": 0 if self._channel is None else self._channel.dropped,
        }

    def _note(self, source: str, kind: str, text: str) -> None:
        """Something that happened, for the run's marks and for who follows."""
        run = self._active
        t_ns = run.now_ns(self._clocks.mono_ns())
        self._recorder.mark(run, t_ns, kind, text)
        if self._channel is not None:
            self._publish_rows()
            self._channel.publish(
                {"type": "event", "source": source, "kind": kind, "text": text, "t_ns": t_ns}
            )

    # -- helpers -------------------------------------------------------------------------------------------

    def _second_cut(self) -> SecondCut | None:
        name = self._bench.supply.second_cut
        return None if name is None else SecondCut(self._sources[name], self._clocks, self._say)

    def _close(self, *, end_run: bool) -> None:
        for source in self._sources.values():
            source.stop()
        run = self._run
        if run is not None:
            try:
                for item in self._inbox.take(0.0, sys.maxsize)[1]:
                    if isinstance(item, Frame):
                        self._take(item)
            except Exception as exc:  # noqa: BLE001 - it ends; what was read before is to be kept
                self._say(f"the last frames were not taken: {exc!r}")
            self._publish_rows()
            self._save_links(run)
            if end_run:
                self._recorder.end(run, run.now_ns(self._clocks.mono_ns()))
        if self._channel is not None:
            self._channel.close()
        stored = self._recorder.close(_CLOSE_WITHIN_S)
        self._latch.close()
        if run is not None:
            ended = f"run {run.id} is closed" if end_run else f"run {run.id} stays open"
            self._say(f"stopped; {ended}" + ("" if stored else "; not all that was held could be stored"))
        self._say.close()


_REQUESTS: Final = ("trip", "reset", "start", "stop", "mark")


def _row(sample: Sample) -> dict[str, Any]:
    """A sample as it travels: what is not good of it, and raw numbers, only where there are any."""
    row: dict[str, Any] = {
        "source": sample.source,
        "t_ns": sample.t_ns,
        "seq": sample.seq,
        "v": sample.values,
    }
    if sample.status:
        row["q"] = sample.status
    if sample.raw:
        row["r"] = sample.raw
    return row


def _encode(message: Mapping[str, Any]) -> bytes:
    return orjson.dumps(message, option=orjson.OPT_SERIALIZE_NUMPY)
