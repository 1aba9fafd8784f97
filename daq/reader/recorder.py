"""The recorder: puts samples and bookkeeping into the store, in a thread of its own, behind a bounded queue.

The guard's loop hands over and goes on; whatever a disk does to the store ends here. While the store can not
be opened or takes nothing, samples are held in memory and opening and writing are tried again. What no longer
fits is counted, told, and marked in the run as a gap.

Samples are made safe by one durable commit about twice a second. Bookkeeping (runs, marks, trips, link
counters) is written in the order in which it came, after the act that it tells of.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Final

from daq.bench import Bench
from daq.errors import LyewatchError, StoreError
from daq.frame import Sample
from daq.reader import runs
from daq.reader.runs import ActiveRun
from daq.reader.timebase import Clocks
from daq.store import CalibrationRecord, Gap, Store, TripRecord, storable

__all__ = ["Opened", "Recorder"]

COMMIT_EVERY_NS: Final = 480_000_000
"""Samples are safe from a power cut within half a second; each commit costs the card a block or two."""
MOST_WAITING: Final = 200_000
"""Kept in memory while the disk refuses: about 2.7 h of two sources at 10 Hz."""
_MOST_JOBS: Final = 10_000
_AT_ONCE: Final = 5_000
"""Samples of one commit: more would hold up the guard's loop while they are encoded."""
_AGAIN_NS: Final = 1_000_000_000
_AGAIN_S: Final = 0.2
_TRIES: Final = 5
"""So often a note is tried to be written that fails by a fault of ours, behind all others."""
_HOUSEKEEPING_NS: Final = 30_000_000_000
_CALIBRATIONS_NS: Final = 5_000_000_000


@dataclass(frozen=True, slots=True)
class Opened:
    """The store is open: the run to go on with, when one was open, and what its logbook says.

    Attributes
    ----------
    resumed : ActiveRun or None
        It stands in for the run that was begun without the store, where there was one.
    trip : TripRecord or None
        The trip that the logbook has standing.
    newest : dict of str to CalibrationRecord
        The newest calibration of each channel.
    """

    resumed: ActiveRun | None
    trip: TripRecord | None
    newest: dict[str, CalibrationRecord]


@dataclass(slots=True)
class _Job:
    """Something to be written into the store.

    `last` has all samples that were handed over before it stored first.
    """

    do: Callable[[Store], object]
    last: bool = False
    samples_before: int = 0
    tries: int = 0


@dataclass(slots=True)
class _Gap:
    """Samples of one run that were lost because they found no room."""

    run: ActiveRun
    source: str
    count: int
    from_ns: int
    until_ns: int
    why: str


@dataclass(slots=True)
class _Moved:
    """Where samples go that were taken before the store could be opened."""

    run: ActiveRun
    later_ns: int = 0


@dataclass(slots=True)
class _Backlog:
    """What waits: samples, in order, and jobs, in order."""

    samples: deque[tuple[ActiveRun, Sample]] = field(default_factory=deque)
    jobs: deque[_Job] = field(default_factory=deque)
    taken: int = 0
    stored: int = 0


class Recorder:
    """Records what the guard's loop hands over.

    Parameters
    ----------
    bench : Bench
    open_store : callable
        Opens the store for writing; called again and again until it succeeds.
    clocks : Clocks
    say : callable
        Takes one line of text; must return at once.
    opened : callable
        Told once the store is open, from the recorder's thread.

    Attributes
    ----------
    impaired : str or None
        Why nothing is being kept, in words; None while all is well.
    dropped : int
        Samples lost since the run began because they found no room.
    newest : dict of str to CalibrationRecord
        The newest calibrations, as of some seconds ago.
    ids : frozenset of str
        Ids of runs that are taken, as far as they matter.
    """

    def __init__(
        self,
        bench: Bench,
        open_store: Callable[[], Store],
        clocks: Clocks,
        say: Callable[[str], None],
        opened: Callable[[Opened], None],
    ) -> None:
        self.impaired: str | None = None
        self.dropped = 0
        self.committed_utc_ns = 0
        self.newest: dict[str, CalibrationRecord] = {}
        self.ids: frozenset[str] = frozenset()
        self.ready = threading.Event()
        self._bench = bench
        self._open_store = open_store
        self._clocks = clocks
        self._say = say
        self._opened = opened
        self._store: Store | None = None
        self._backlog = _Backlog()
        self._gaps: list[_Gap] = []
        self._moved: dict[str, _Moved] = {}
        self._run: ActiveRun | None = None
        self._found: Opened | None = None
        self._changed = threading.Condition()
        self._closing = False
        self._impairments: dict[str, str] = {}
        self._due = dict.fromkeys(("open", "commit", "jobs", "housekeeping", "calibrations", "seal"), 0)
        self._refresh = False
        self._written_per_hour: float | None = None
        self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)

    # -- called by the guard's loop: all return at once ----------------------------------------------------

    def start(self) -> None:
        """Begin to open the store."""
        self._thread.start()

    @property
    def waiting(self) -> int:
        """Samples that are in memory only."""
        return len(self._backlog.samples)

    def take(self, run: ActiveRun, sample: Sample) -> None:
        """Record a sample."""
        backlog = self._backlog
        if len(backlog.samples) >= MOST_WAITING:
            why = "more was read than memory holds while the store took nothing"
            self.lose(run, sample.source, sample.t_ns, sample.t_ns, why)
            return
        backlog.samples.append((run, sample))
        backlog.taken += 1

    def lose(
        self, run: ActiveRun, source: str, from_ns: int, until_ns: int, why: str, count: int = 1
    ) -> None:
        """Note that samples were lost: they are a gap of the run, with their count.

        Parameters
        ----------
        run : ActiveRun
        source : str
            Whose samples.
        from_ns, until_ns : int
            The run's time of the first and the last of them [ns].
        why : str
        count : int
        """
        self.dropped += count
        with self._changed:
            for gap in self._gaps:
                if gap.run is run and gap.source == source and gap.why == why:
                    gap.count += count
                    gap.until_ns = max(gap.until_ns, until_ns)
                    return
            self._gaps.append(_Gap(run, source, count, from_ns, until_ns, why))

    def do(self, job: Callable[[Store], object], *, last: bool = False) -> None:
        """Have something written, after what was asked for before; `last`: after all samples till now."""
        with self._changed:
            if len(self._backlog.jobs) >= _MOST_JOBS:
                self._impairments["jobs"] = "notes of what happened are lost: the store takes none"
                self._tell()
                return
            self._backlog.jobs.append(_Job(job, last, self._backlog.taken))
            self._changed.notify()

    def mark(
        self,
        run: ActiveRun,
        t_ns: int,
        kind: str,
        text: str,
        who: str = "reader",
        data: Mapping[str, Any] | None = None,
    ) -> None:
        """Have a mark written.

        Parameters
        ----------
        run : ActiveRun
        t_ns : int
            Time of the run [ns].
        kind, text, who, data : str, str, str, mapping
            As `Logbook.add_mark`.
        """

        def write(store: Store) -> None:
            to = self._where(run)
            store.logbook.add_mark(to.run.id, t_ns + to.later_ns, kind, text, who, data)

        self.do(write)

    def found(self, provisional: Callable[[], ActiveRun]) -> Opened | ActiveRun:
        """What was found in the store; while that is not open, the run that is begun without it."""
        with self._changed:
            if self._found is None:
                self._run = provisional()
                return self._run
            return self._found

    def begin(self, run: ActiveRun) -> None:
        """A new run: samples go to it from now on."""
        self.go_on(run)
        pinned = {c.channel: c.id for c in run.calibrations}
        self.do(lambda store: store.logbook.add_run(run.record, pinned))

    def go_on(self, run: ActiveRun) -> None:
        """Samples go from now on to this run, which the logbook has already."""
        self._run = run
        self.dropped = 0
        self.ids |= {run.id}

    def end(self, run: ActiveRun, t_ns: int) -> None:
        """A run is over at its time `t_ns` [ns]: it goes to the archive; a standby's data are dropped."""

        def write(store: Store) -> None:
            to = self._where(run)
            if to.run.recording:
                store.logbook.stop_run(to.run.id, ended_ns=t_ns + to.later_ns)
                store.seal_apart(to.run.id, all_rows=True)
            else:
                store.delete_run(to.run.id)

        self.do(write, last=True)

    def save_links(self, run: ActiveRun, source: str, counters: Mapping[str, Any]) -> None:
        """Have a link's counters written.

        Parameters
        ----------
        run : ActiveRun
        source : str
            Its name in the bench file.
        counters : mapping of str to object
            As JSON takes them.
        """
        self.do(lambda store: store.logbook.save_links(self._where(run).run.id, source, counters))

    @property
    def refreshing(self) -> bool:
        """Whether the newest calibrations are still being read."""
        return self._refresh and self._store is not None

    def refresh_calibrations(self) -> None:
        """Read the newest calibrations now."""
        with self._changed:
            self._refresh = True
            self._changed.notify()

    def state(self) -> dict[str, Any]:
        """How recording is, for those who follow the reader."""
        return {
            "impaired": self.impaired,
            "held": self.waiting,
            "dropped": self.dropped,
            "written_bytes_per_hour": self._written_per_hour,
            "committed_utc_ns": self.committed_utc_ns,
        }

    def close(self, within_s: float) -> bool:
        """Store what is held and close the store.

        Returns
        -------
        bool
            Whether everything could be stored; after `within_s` [s] it is given up.
        """
        with self._changed:
            self._closing = True
            self._changed.notify()
        if self._thread.is_alive():
            self._thread.join(within_s)
        return not self._thread.is_alive() and not self._backlog.samples and not self._backlog.jobs

    # -- the thread ----------------------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            now = self._clocks.mono_ns()
            try:
                self._turn(now)
            except Exception as exc:  # noqa: BLE001 - whatever it is, the guard goes on, and it is told
                self._impairments["recorder"] = f"{type(exc).__name__}: {exc}"
                self._tell()
                time.sleep(_AGAIN_S)
            with self._changed:
                if self._closing and (self._done() or self._store is None or self._given_up(now)):
                    break
                asked = (self._backlog.jobs and now >= self._due["jobs"]) or self._refresh
                if not (asked and self._store is not None) and not self._closing:
                    self._changed.wait(self._patience_s(self._clocks.mono_ns()))
        self._close_store()

    def _done(self) -> bool:
        return not self._backlog.samples and not self._backlog.jobs

    def _given_up(self, now: int) -> bool:
        """Whether what is left can not be stored just now."""
        return now < self._due["commit"] and "commit" in self._impairments

    def _patience_s(self, now: int) -> float:
        """How long there is nothing to do."""
        if self._store is None:
            return 0.1
        due = [now + COMMIT_EVERY_NS, self._due["calibrations"]]
        if self._backlog.samples or self._gaps:
            due.append(self._due["commit"])
        if self._backlog.jobs:
            due.append(self._due["jobs"])
        return max(0.005, (min(due) - now) / 1e9)

    def _turn(self, now: int) -> None:
        if self._store is None:
            if now >= self._due["open"]:
                self._open(now)
            if self._store is None:
                return
        if (now >= self._due["commit"] or self._closing) and (self._backlog.samples or self._gaps):
            self._commit(now)
        self._do_jobs(now)
        self._chores(now)

    def _open(self, now: int) -> None:
        try:
            store = self._open_store()
            try:
                resumed, notes = runs.resume(store, self._bench, self._clocks)
                newest = runs.readable(store.logbook.calibrations.newest(self._bench.name), self._say)
                found = Opened(resumed, store.logbook.trips.current(), newest)
                self.ids |= {record.id for record in store.logbook.list_runs(limit=50, away=None)}
            except BaseException:
                store.close()
                raise
        except Exception as exc:  # noqa: BLE001 - tried again; the guard needs no store
            self._due["open"] = self._clocks.mono_ns() + _AGAIN_NS
            self._impairments["open"] = f"the store can not be opened: {exc}"
            self._tell()
            return
        self.newest = found.newest
        self._store = store
        self._impairments.pop("open", None)
        for note in notes:
            self.do(note)
        with self._changed:
            self._found = found
            early = self._run
        if early is not None:
            self._adopt(early, resumed)
        self._due["housekeeping"] = now + _HOUSEKEEPING_NS
        self._due["calibrations"] = now + _CALIBRATIONS_NS
        self._due["seal"] = now + int(self._bench.store.seal_every_s * 1e9)
        self._tell()
        self._opened(found)
        self.ready.set()

    def _adopt(self, early: ActiveRun, resumed: ActiveRun | None) -> None:
        """Give what was read before the store was open to the run that was open, or to a run of its own."""
        if resumed is None:
            self.begin(early)
            return
        now = self._clocks.mono_ns()
        later_ns = resumed.now_ns(now) - early.now_ns(now)
        if early.zero_ns is not None:
            resumed.zero_ns = early.zero_ns - later_ns
        resumed.last_ns = max(resumed.last_ns, early.last_ns + later_ns)
        self._moved[early.id] = _Moved(resumed, later_ns)
        self._run = resumed

    def _where(self, run: ActiveRun) -> _Moved:
        return self._moved.get(run.id) or _Moved(run)

    def _commit(self, now: int) -> None:
        assert self._store is not None
        backlog = self._backlog
        some = [backlog.samples[k] for k in range(min(len(backlog.samples), _AT_ONCE))]
        rows = [self._row(run, sample) for run, sample in some]
        try:
            if rows:
                self._store.commit(rows, full=True)
        except Exception as exc:  # noqa: BLE001 - whatever it is, the samples stay in memory, and it is told
            if self._drop_unstorable(some):
                return  # the others are tried at once
            # A disk that is full may be made room on.
            self._due["commit"] = self._clocks.mono_ns() + _AGAIN_NS
            ours = isinstance(exc, LyewatchError)
            self._impairments["commit"] = str(exc) if ours else f"{type(exc).__name__}: {exc}"
            self._tell()
            return
        for _ in some:
            backlog.samples.popleft()
        backlog.stored += len(some)
        if rows:
            self.committed_utc_ns = self._clocks.utc_ns()
        # More than one commit holds go on at once.
        self._due["commit"] = now if len(backlog.samples) >= _AT_ONCE else now + COMMIT_EVERY_NS
        self._impairments.pop("recorder", None)
        if self._impairments.pop("commit", None) is not None:
            if self._run is not None:
                self.mark(self._run, self._run.last_ns, "recovered", "the store takes samples again")
        self._note_gaps()
        self._tell()

    def _row(self, run: ActiveRun, sample: Sample) -> tuple[str, Sample]:
        to = self._where(run)
        if to.later_ns:
            sample = replace(sample, t_ns=sample.t_ns + to.later_ns)
        return to.run.id, sample

    def _drop_unstorable(self, some: list[tuple[ActiveRun, Sample]]) -> bool:
        """Drop the samples that no store could take, such as one with a number that has no room in a row.

        They would keep all others from being stored, for ever. A store that takes nothing just now is told
        from them by what can be known without it: whether the sample can be put into a row.
        """
        bad = [k for k, (run, sample) in enumerate(some) if not storable(*self._row(run, sample))]
        backlog = self._backlog
        for k in reversed(bad):
            run, sample = some[k]
            del backlog.samples[k]
            backlog.stored += 1
            self.lose(run, sample.source, sample.t_ns, sample.t_ns, "a sample that can not be put into a row")
        return bool(bad)

    def _note_gaps(self) -> None:
        with self._changed:
            gaps, self._gaps = self._gaps, []
        for gap in gaps:
            words = f"{gap.count} samples lost within {(gap.until_ns - gap.from_ns) / 1e9:.1f} s: {gap.why}"
            self._say(words)
            self.do(partial(self._write_gap, gap))
            self.mark(gap.run, gap.from_ns, "gap", words)

    def _write_gap(self, gap: _Gap, store: Store) -> None:
        to = self._where(gap.run)
        start_ns, end_ns = gap.from_ns + to.later_ns, gap.until_ns + to.later_ns
        store.logbook.add_gap(Gap(to.run.id, start_ns, end_ns, gap.count, gap.why, gap.source))

    def _do_jobs(self, now: int) -> None:
        assert self._store is not None
        backlog = self._backlog
        while backlog.jobs and now >= self._due["jobs"]:
            job = backlog.jobs[0]
            if job.last and backlog.stored < job.samples_before:
                if now < self._due["commit"] and "commit" in self._impairments:
                    return
                self._commit(now)
                continue
            try:
                job.do(self._store)
            except StoreError as exc:
                self._due["jobs"] = self._clocks.mono_ns() + _AGAIN_NS
                self._impairments["jobs"] = str(exc)
                self._tell()
                return
            except Exception as exc:  # noqa: BLE001 - a fault of ours: told, and not tried for ever
                self._impairments["recorder"] = f"a note could not be written: {type(exc).__name__}: {exc}"
                backlog.jobs.popleft()
                job.tries += 1
                if job.tries < _TRIES:
                    backlog.jobs.append(job)  # the others do not wait for it
                self._due["jobs"] = self._clocks.mono_ns() + (_AGAIN_NS if job.tries > 1 else 0)
                continue
            self._impairments.pop("jobs", None)
            backlog.jobs.popleft()
        self._tell()

    def _chores(self, now: int) -> None:
        run = self._run
        if self._refresh or now >= self._due["calibrations"]:
            self._due["calibrations"] = now + _CALIBRATIONS_NS
            self._quietly(self._read_calibrations)
            self._refresh = False
        if run is None:
            return
        to = self._where(run).run
        if now >= self._due["housekeeping"]:
            self._due["housekeeping"] = now + _HOUSEKEEPING_NS
            if not to.recording and to.last_ns > runs.STANDBY_KEPT_NS:
                self._quietly(lambda store: store.prune(to.id, to.last_ns - runs.STANDBY_KEPT_NS))
        if now >= self._due["seal"]:
            self._due["seal"] = now + int(self._bench.store.seal_every_s * 1e9)
            if to.recording:
                self._quietly(lambda store: store.seal_apart(to.id))

    def _read_calibrations(self, store: Store) -> None:
        self.newest = runs.readable(store.logbook.calibrations.newest(self._bench.name), self._say)
        self._written_per_hour = store.written_bytes_per_hour()

    def _quietly(self, do: Callable[[Store], object]) -> None:
        """A chore must not end a recording: it is said, and done again the next time."""
        assert self._store is not None
        try:
            do(self._store)
        except Exception as exc:  # noqa: BLE001 - nor keep samples from being stored
            ours = isinstance(exc, LyewatchError)
            self._impairments["chore"] = str(exc) if ours else f"{type(exc).__name__}: {exc}"
        else:
            self._impairments.pop("chore", None)
        self._tell()

    def _tell(self) -> None:
        words = next(iter(self._impairments.values()), None)
        if words is not None and self.impaired is None:
            self._say(f"recording is impaired: {words}")
        elif words is None and self.impaired is not None:
            self._say("recording is in order again")
        self.impaired = words

    def _close_store(self) -> None:
        if self._store is None:
            return
        try:
            self._store.close()
        except Exception as exc:  # noqa: BLE001 - what could be stored is; said for who looks at the terminal
            self._say(f"closing the store failed: {exc}")
