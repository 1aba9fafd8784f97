"""The reader process: sources -> calibrate -> guard -> journal -> archive.

One thread per source puts frames into one bounded inbox; this loop takes them out, so that calibration, the
guard and the store are never touched by two threads. It needs no network and no service, and whatever it is
asked for (start, stop, trip, reset) comes as a row of the logbook."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

from daq.bench import Bench
from daq.bench.calibration import calibration_words
from daq.errors import SourceError, StoreError
from daq.frame import Frame, Sample
from daq.reader import runs
from daq.reader.breaker import Breaker, asked_cause
from daq.reader.calibrate import Calibrator
from daq.reader.guard import Guard, TripCause
from daq.reader.second_cut import SecondCut
from daq.reader.timebase import SYSTEM_CLOCKS, Clocks, StepDetector
from daq.sources import Source, SourceEvent, make_source
from daq.store import Request, Store

__all__ = ["Reader"]

COMMIT_EVERY_NS = 80_000_000  # a row is on disk, and seen by other processes, within 0.1 s
FULL_EVERY_NS = 450_000_000  # and safe from a power cut within 0.5 s
INBOX_FRAMES = 20_000
HELD_SAMPLES = 200_000  # kept in memory while the disk refuses, about 2.7 h of two sources at 10 Hz


@dataclass(slots=True)
class _Chore:
    """Something done every so often by the loop."""

    every_ns: int
    do: Callable[[int], None]
    due_ns: int = 0


class _Inbox:
    """The sink that the sources write to, from their own threads."""

    def __init__(self) -> None:
        self.items: queue.Queue[Frame | SourceEvent] = queue.Queue(maxsize=INBOX_FRAMES)
        self.dropped = 0

    def frame(self, frame: Frame) -> None:
        self._put(frame)

    def event(self, event: SourceEvent) -> None:
        self._put(event)

    def _put(self, item: Frame | SourceEvent) -> None:
        try:
            self.items.put_nowait(item)
        except queue.Full:
            self.dropped += 1


@dataclass(slots=True)
class _Link:
    """What the loop knows of a source beyond the source's own counters."""

    seen_ns: int | None = None
    frames: int = 0
    counted: int = 0
    rate_hz: float = 0.0
    lost: bool = field(default=False)


class Reader:
    """Owns the ports of one bench and records what comes from them.

    Parameters
    ----------
    bench : Bench
        The bench.
    store : Store
        Opened for writing.
    sources : mapping of str to Source, optional
        Sources to use in place of those that the bench file describes.
    clocks : Clocks
        The host's clocks.
    say : callable
        Takes one line of text for whoever watches the terminal.
    cut_before : str, optional
        Why the supply was cut in the place of a reader that died: this one begins tripped.
    """

    def __init__(
        self,
        bench: Bench,
        store: Store,
        *,
        sources: Mapping[str, Source] | None = None,
        clocks: Clocks = SYSTEM_CLOCKS,
        say: Callable[[str], None] = lambda line: None,
        cut_before: str | None = None,
    ) -> None:
        self._cut_before = cut_before
        self._bench = bench
        self._store = store
        self._clocks = clocks
        self._say = say
        self._inbox = _Inbox()
        self._sources = dict(sources or {n: make_source(n, spec) for n, spec in bench.sources.items()})
        self._links = {name: _Link() for name in self._sources}
        self._guard = Guard(bench, clocks.mono_ns())
        self._breaker = Breaker(
            self._guard,
            self._sources[bench.supply.trip_source],
            store.logbook,
            clocks,
            say,
            second=self._second_cut(),
        )
        self._steps = StepDetector(clocks)
        self._pending: list[tuple[str, Sample]] = []
        self._lost_samples = 0
        self._impaired: str | None = None
        self._failure: str | None = None
        self._committed_ns = self._synced_ns = self._retry_ns = 0
        self._unsynced = False
        self._rates_ns = clocks.mono_ns()
        self._run = runs.resume(store, bench, clocks) or self._begin_first()
        self._calibrate = Calibrator(self._run.bench)
        self._chores = [
            _Chore(200_000_000, self._answer_requests),
            _Chore(1_000_000_000, self._heartbeat),
            _Chore(1_000_000_000, self._report),
            _Chore(1_000_000_000, self._look_at_wall_clock),
            _Chore(30_000_000_000, self._housekeeping),
            _Chore(int(bench.store.seal_every_s * 1e9), self._seal),
        ]

    @property
    def run_id(self) -> str:
        """The id of the run that is being written now."""
        return self._run.id

    def serve(self, stop: threading.Event) -> None:
        """Read until `stop` is set, then end the run and let go of the ports."""
        now = self._clocks.mono_ns()
        for chore in self._chores:
            chore.due_ns = now + chore.every_ns
        for source in self._sources.values():
            source.start(self._inbox)
        if self._cut_before is not None:
            cause = TripCause("reader.died", self._cut_before, by="up")
            if self._guard.trip(cause):
                self._breaker.tripped(cause, self._run, self._run.now_ns(now))
        self._report(now)
        self._say(f"reading {', '.join(self._sources)} into run {self._run.id}")
        self._say_calibrations()
        try:
            while not stop.is_set():
                self._drain()
                if self._failure is not None:
                    # A fault of ours: end with its cause, so that whoever keeps the reader running starts it
                    # anew.
                    raise SourceError(self._failure, remedy="start the reader again")
                now = self._clocks.mono_ns()
                self._breaker.tick(now, self._run)
                self._commit(now)
                for chore in self._chores:
                    if now >= chore.due_ns:
                        chore.due_ns = now + chore.every_ns
                        self._quietly(partial(chore.do, now))
        finally:
            self._close()

    # -- the way of a sample -------------------------------------------------------------------------------

    def _drain(self) -> None:
        """Wait for one item, then take all that is there."""
        try:
            item: Frame | SourceEvent | None = self._inbox.items.get(timeout=0.05)
        except queue.Empty:
            return
        while item is not None:
            if isinstance(item, Frame):
                self._take(item)
            else:
                self._heard(item)
            try:
                item = self._inbox.items.get_nowait()
            except queue.Empty:
                item = None

    def _take(self, frame: Frame) -> None:
        now = self._clocks.mono_ns()
        link = self._links[frame.source]
        link.seen_ns, link.frames = now, link.frames + 1
        if link.lost:
            link.lost = False
            self._mark("heard", f"{frame.source} is heard again")
        t_ns = self._run.t_ns(frame.mono_ns)
        sample, out_of_range = self._calibrate(frame, t_ns)
        self._sources[frame.source].counters.out_of_range += out_of_range
        for cause in (self._guard.frame(frame), self._guard.sample(sample, now)):
            if cause is not None:
                self._breaker.tripped(cause, self._run, t_ns)
        if len(self._pending) < HELD_SAMPLES:
            self._pending.append((self._run.id, sample))
        else:
            self._lost_samples += 1

    def _heard(self, event: SourceEvent) -> None:
        if event.kind == "reply":
            self._quietly(partial(self._breaker.replied, event, self._run))
            return
        if event.kind in ("lost", "silent"):
            self._links[event.source].lost = True
        if event.kind == "failed":
            self._failure = f"{event.source}: {event.text}"
        if event.kind in ("lost", "reopened", "silent", "restarted", "notice", "ended", "failed"):
            self._mark(event.kind, f"{event.source}: {event.text}")
            self._say(f"{event.source}: {event.text}")

    def _commit(self, now: int) -> None:
        full = now - self._synced_ns >= FULL_EVERY_NS
        # The last samples before a silence must be made safe too, with an empty commit if need be.
        due = bool(self._pending) or (full and self._unsynced)
        if not due or now - self._committed_ns < COMMIT_EVERY_NS or now < self._retry_ns:
            return
        try:
            self._store.commit(self._pending, full=full)
        except StoreError as exc:
            # The samples stay in memory and the guard goes on; a disk that is full may be made room on.
            self._retry_ns = now + 1_000_000_000
            if self._impaired is None:
                self._say(f"recording is impaired: {exc}")
            self._impaired = str(exc)
            return
        if self._impaired is not None:
            self._mark("recovered", f"the store takes samples again; {self._lost_samples} were lost")
            self._impaired, self._lost_samples = None, 0
        self._pending.clear()
        self._committed_ns = now
        self._unsynced = not full
        if full:
            self._synced_ns = now

    # -- chores --------------------------------------------------------------------------------------------

    def _answer_requests(self, now: int) -> None:
        for request in self._store.logbook.pending_requests():
            answer = getattr(self, f"_on_{request.kind}", None)
            if answer is None:
                self._store.logbook.answer_request(
                    request.id, False, f"no request is called {request.kind!r}"
                )
            else:
                answer(request, now)

    def _on_start(self, request: Request, now: int) -> None:
        if request.body.get("unless_recording") and self._run.recording:
            self._store.logbook.answer_request(request.id, True, self._run.id)
            return
        self._switch(
            "run", now, name=str(request.body.get("name", "")), build=str(request.body.get("build", ""))
        )
        self._store.logbook.answer_request(request.id, True, self._run.id)

    def _on_stop(self, request: Request, now: int) -> None:
        if not self._run.recording:
            self._store.logbook.answer_request(request.id, False, "no run is being recorded")
            return
        ended = self._run.id
        self._switch("standby", now)
        self._store.logbook.answer_request(request.id, True, ended)

    def _on_trip(self, request: Request, now: int) -> None:
        cause = asked_cause(request)
        if self._guard.trip(cause):
            self._breaker.tripped(cause, self._run, self._run.now_ns(now))
            self._store.logbook.answer_request(request.id, True, "the supply is being cut")
        else:
            self._store.logbook.answer_request(request.id, True, "a trip stood already")

    def _on_reset(self, request: Request, now: int) -> None:
        self._breaker.reset_asked(request, now, self._run)

    def _heartbeat(self, now: int) -> None:
        self._breaker.beat(now)

    def _report(self, now: int) -> None:
        """Tell the other processes how the reader is."""
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
        state = {
            "utc_ns": self._clocks.utc_ns(),
            "pid": os.getpid(),
            "run": self._run.id,
            "kind": self._run.record.kind,
            "impaired": self._impaired,
            "held_samples": len(self._pending),
            "inbox_dropped": self._inbox.dropped,
            "links": rows,
            "powered": self._guard.powered,
            "cut_confirmed": self._guard.cut_confirmed,
            "trip_unconfirmed": self._breaker.unconfirmed,
            "cut_words": self._breaker.cut_words(now),
            "current_though_open": self._guard.current_though_open,
        }
        self._quietly(lambda: self._store.logbook.put_state("reader", state))

    def _look_at_wall_clock(self, now: int) -> None:
        step = self._steps.look()
        if step is not None:
            self._mark("clock_step", f"the computer's clock stepped {step:+.1f} s")

    def _housekeeping(self, now: int) -> None:
        self._save_links()
        runs.prune(self._store, self._run, self._run.now_ns(now))

    def _seal(self, now: int) -> None:
        if self._run.recording:
            self._quietly(lambda: self._store.seal_apart(self._run.id))

    # -- helpers -------------------------------------------------------------------------------------------

    def _second_cut(self) -> SecondCut | None:
        name = self._bench.supply.second_cut
        return None if name is None else SecondCut(self._sources[name], self._clocks, self._say)

    def _begin_first(self) -> runs.ActiveRun:
        kind = "run" if self._bench.recording.autostart else "standby"
        return runs.begin(self._store, self._bench, self._clocks, kind=kind)

    def _switch(self, kind: str, now: int, *, name: str = "", build: str = "") -> None:
        """End what is being written and begin a run or the standby, with no sample in neither."""
        self._flush()
        old = self._run
        self._run = runs.begin(self._store, self._bench, self._clocks, kind=kind, name=name, build=build)
        self._calibrate = Calibrator(self._run.bench)
        self._save_links(old)
        self._quietly(lambda: runs.end(self._store, old, old.now_ns(now)))
        self._report(now)
        self._say_calibrations()

    def _say_calibrations(self) -> None:
        newest = self._store.logbook.newest_calibrations(self._bench.name)
        for words in calibration_words(self._run.bench, newest, self._clocks.utc_ns()):
            self._say(words)

    def _flush(self) -> None:
        self._committed_ns = self._synced_ns = self._retry_ns = 0
        self._commit(self._clocks.mono_ns())

    def _mark(self, kind: str, text: str) -> None:
        t_ns = self._run.now_ns(self._clocks.mono_ns())
        self._quietly(lambda: self._store.logbook.add_mark(self._run.id, t_ns, kind, text, "reader"))

    def _save_links(self, run: runs.ActiveRun | None = None) -> None:
        run = run or self._run
        for name, source in self._sources.items():
            counters = source.counters.as_dict()
            self._quietly(lambda n=name, c=counters: self._store.logbook.save_links(run.id, n, c))  # type: ignore[misc]

    def _quietly(self, do: Callable[[], object]) -> None:
        """Bookkeeping must not end a recording: the failure is said, shown on the page, and tried again."""
        try:
            do()
        except StoreError as exc:
            if self._impaired is None:
                self._say(f"recording is impaired: {exc}")
            self._impaired = str(exc)

    def _close(self) -> None:
        for source in self._sources.values():
            source.stop()
        self._drain()
        self._flush()
        now = self._clocks.mono_ns()
        self._save_links()
        self._quietly(lambda: runs.end(self._store, self._run, self._run.now_ns(now)))
        self._quietly(
            lambda: self._store.logbook.put_state("reader", {"utc_ns": self._clocks.utc_ns(), "pid": None})
        )
        self._say(f"stopped; run {self._run.id} is closed")
