"""The store's face: journal, logbook and archive as one."""

from __future__ import annotations

import logging
import math
import time
from collections import deque
from collections.abc import Iterable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

import orjson

from daq.bench import Bench
from daq.errors import RunNotFound, StoreBusy, StoreError
from daq.frame import Block, Sample
from daq.store._faults import store_faults
from daq.store._lock import FileLock, import_lock, seal_lock, writer_lock
from daq.store.archive import Archive, RunSegments, Sealer, SealProcess, make_archive, settle
from daq.store.journal import Journal
from daq.store.logbook import ARCHIVE_STATE, Gap, Logbook, RunRecord, start_in_id
from daq.store.protocol import BackendAway, SegmentAbout
from daq.store.reading import RunReader
from daq.store.write_rate import WriteRate

__all__ = ["Store"]

_log = logging.getLogger(__name__)

_TOUCH_EVERY_S = 30.0
_FINISH_WAIT_S = 30.0
_TOUCH_WAIT_S = 0.02  # the logbook must not hold up the samples
_WRITER_WAIT_S = 1.0  # nor may anybody else hold up the reader, which guards
_TAIL_KEPT_S = 60.0  # rows as young as this stay in the journal, where a live page follows them


class Store:
    """All that is kept of runs, in one folder: `journal.db`, `logbook.db`, `segments/RUN/*.parquet`.

    Any number of processes may read. One, the reader, may write samples; it holds the writer lock until it
    closes the store or dies. Safe to use from several threads.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    archive : Archive, optional
        The backends of sealed samples; what the folder says (see `archive`) unless given.
    writer : bool
        Whether to commit and seal samples.

    Attributes
    ----------
    segments : RunSegments
        Where the sealed samples of runs are, and moving them.
    read, channel, envelope, extreme : callable
        A run's samples; see `RunReader`.
    tail, last_id : callable
        The journal's end; see `Journal`.
    written_bytes_per_hour : callable
        What this process writes, nearly all of it the store's; see `WriteRate.per_hour`.
    written_utc_ns : int
        Wall time when samples were last written here before this store was opened [ns]; 0 when never.

    Raises
    ------
    StoreBusy
        When another process writes here already.
    StoreCorrupt, StoreError
        When a file can not be read, or the folder not be used.
    """

    def __init__(self, folder: Path, *, archive: Archive | None = None, writer: bool = False) -> None:
        self.folder = Path(folder)
        self._own_archive = archive is None
        self._lock: FileLock | None = None
        # Whatever fails on the way, what is open by then is closed: another try begins from nothing.
        with ExitStack() as opened:
            self.archive: Archive = archive if archive is not None else make_archive(self.folder)
            if self._own_archive:
                opened.callback(self.archive.close)
            with store_faults(self.folder):
                self.folder.mkdir(parents=True, exist_ok=True)
            if writer:
                self._lock = writer_lock(self.folder)
                opened.callback(self._lock.release)
            self.written_utc_ns = _written_utc_ns(self.folder)
            self.journal = Journal(self.folder / "journal.db", checkpoints=writer)
            opened.callback(self.journal.close)
            self.logbook = Logbook(
                self.folder / "logbook.db",
                busy_s=_WRITER_WAIT_S if writer else 10.0,
                checkpoints=writer,
            )
            opened.callback(self.logbook.close)
            self._sealer = Sealer(self.journal, self.archive, self._about)
            self._sealer.adopt()
            self.segments = RunSegments(self.journal, self.archive, self._sealer, self._about)
            runs = RunReader(self.journal, self.logbook, self.archive)
            if writer:
                self._sweep()
                self._note_missing()
            last_id = self.journal.last_id()
            opened.pop_all()
        self._apart = SealProcess(self.folder)
        # What can be asked of a run's samples, of the journal's end, and of what this process writes.
        self.read, self.channel, self.envelope, self.extreme = (
            runs.read, runs.channel, runs.envelope, runs.extreme,
        )  # fmt: skip
        self.tail, self.last_id = self.journal.tail, self.journal.last_id
        self.written_bytes_per_hour = WriteRate().per_hour
        self._closed = False
        self._touched: dict[str, float] = {}
        # What was there before this store was opened is old.
        self._committed = deque([(-_TAIL_KEPT_S, last_id)])
        self._abouts: dict[str, SegmentAbout] = {}

    @classmethod
    def of(cls, bench: Bench, *, writer: bool = False) -> Self:
        """The store of a bench, with its archive where the bench file wants it."""
        settle(bench)
        return cls(bench.store_folder, writer=writer)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every file and let go of the writer lock; a second call does nothing.

        Waits for a sealing process, but not for ever: one that a slow disk holds up goes on alone.
        """
        if self._closed:
            return
        self._closed = True
        try:
            if self._lock is not None:
                self._sync()
            self._apart.finish(_FINISH_WAIT_S)
        finally:
            self._close_files()

    def _sync(self) -> None:
        try:
            self.journal.commit([], full=True)
        except StoreError as exc:
            # Every sample is committed; only a power cut within the next seconds could still take some.
            _log.warning("%s", exc)

    def _close_files(self) -> None:
        with ExitStack() as closing:
            if self._lock is not None:
                closing.callback(self._lock.release)
            else:
                self._tend_logs()
            for part in (self.archive, self.logbook, self.journal):
                closing.callback(part.close)

    def _tend_logs(self) -> None:
        """Take over the logs of a folder that has no writer, which would do it."""
        logs = [db for db in (self.journal.db, self.logbook.db) if db.log_bytes()]
        if logs:
            with suppress(StoreError), writer_lock(self.folder, wait_s=0.0):
                for db in logs:
                    db.checkpoint(empty=True)

    # -- writing -----------------------------------------------------------------------------------

    def commit(self, samples: Sequence[tuple[str, Sample]], *, full: bool) -> int:
        """Add samples, each with the id of its run, in one transaction.

        Parameters
        ----------
        samples : sequence of (str, Sample)
            May be empty: with `full` that makes the earlier ones safe from a power cut.
        full : bool
            Whether they must survive a power cut and not only the end of this process.

        Returns
        -------
        int
            The id of the last sample.

        Raises
        ------
        StoreError
            When nothing was stored, as on a full disk; the same samples can be given again.
        """
        self._need_writer("commit samples")
        last_id = self.journal.commit(samples, full=full)
        self._apart.look()
        now = time.monotonic()
        if now - self._committed[-1][0] > 1.0:
            self._committed.append((now, last_id))
        for run_id in {run_id for run_id, _ in samples}:
            self._touch(run_id, now)
        return last_id

    def seal(self, run_id: str, *, all_rows: bool = False) -> int:
        """Move the run's rows from the journal to the archive; returns how many.

        The youngest rows, of the last minute, stay for those who follow the journal's end, unless `all_rows`.
        May be called from another thread than `commit`, which it does not hold up.

        Raises
        ------
        StoreError
            When the archive does not take them; they are then still in the journal.
        """
        self._need_writer("seal samples")
        return self.seal_here(run_id, up_to_id=None if all_rows else self._old_enough(), close=all_rows)

    def seal_apart(self, run_id: str, *, all_rows: bool = False) -> None:
        """As `seal`, in a process of its own, and return at once.

        For a reader, which should neither wait for it nor keep in memory what it needs. `close` waits for it.
        A store whose archive was given seals here and now, since another process does not know that archive.

        Raises
        ------
        StoreError
            When one that was asked for earlier failed. This one has been asked for nevertheless.
        """
        self._need_writer("seal samples")
        if not self._own_archive:
            self.seal(run_id, all_rows=all_rows)
            return
        self._apart.ask(run_id, self.last_id() if all_rows else self._old_enough(), close=all_rows)
        failed = self._apart.take_failure()
        if failed is not None:
            raise failed

    def seal_here(self, run_id: str, *, up_to_id: int | None, close: bool) -> int:
        """Seal the run's rows, and what dead readers left; returns how many of the run's.

        This is what the sealing process does; it needs no writer lock.

        Parameters
        ----------
        run_id : str
        up_to_id : int, optional
            Id of the last sample to seal; None seals all.
        close : bool
            Whether the run has ended.
        """
        try:
            moved = self._sealer.seal(run_id, up_to_id=up_to_id, close=close)
        except BackendAway as exc:
            self._tell_archive(exc)
            raise
        self._tell_archive(None)
        if close:
            self._touch(run_id, math.inf)
        for record in self._left_over(run_id):
            if record.kind != "standby":
                self._sealer.seal(record.id, close=True)
        return moved

    def add_blocks(self, run: str | RunRecord, blocks: Iterable[Block]) -> None:
        """Put a log's samples straight into the archive, in segments of bounded size.

        It needs no writer lock. All blocks are there after it, or none when it raises.

        Parameters
        ----------
        run : str or RunRecord
            The run's id, or its record where the logbook does not have it yet.
        blocks : iterable of Block
        """
        if isinstance(run, RunRecord):
            self._abouts[run.id] = self._about_of(run)
        run_id = run.id if isinstance(run, RunRecord) else run
        self._sealer.add(run_id, blocks)
        head = self.journal.head(run_id)
        self.logbook.touch_run(run_id, time.time_ns(), None if head is None else head.rows)

    def importing(self) -> FileLock:
        """The right to import a log, which one process at a time has: to be entered before an id is chosen.

        Raises
        ------
        StoreBusy
        """
        return import_lock(self.folder)

    def rebuild_runs(self, bench: Bench | None = None) -> list[RunRecord]:
        """Make the records of runs again that the logbook does not have, of what their segments say.

        Segments that the catalogue has lost are taken into it first. Those of versions that did not write the
        run's record, and samples on a server, say nothing of the bench file: such a run can be exported, and
        not be reviewed.

        Parameters
        ----------
        bench : Bench, optional
            Stands for that of runs whose segments have none, and name this bench.

        Returns
        -------
        list of RunRecord
            Those that were made, in the order of their starts.
        """
        self._sealer.adopt_lost()
        rebuilt = []
        for run_id in self.journal.sealed_runs():
            try:
                self.logbook.get_run(run_id)
            except RunNotFound:
                rebuilt.append(self._rebuilt(run_id, bench))
        return sorted(rebuilt, key=lambda r: r.start_utc_ns)

    def prune(self, run_id: str, keep_after_ns: int) -> None:
        """Delete the run's rows of before `keep_after_ns` [ns] from the journal; sealed ones stay."""
        self._need_writer("prune samples")
        self.journal.prune(run_id, keep_after_ns)
        for record in self._left_over(run_id):
            if record.kind == "standby":
                self.delete_run(record.id)
            else:
                self.seal_apart(record.id, all_rows=True)
        self.journal.db.shrink()

    def delete_run(self, run_id: str) -> None:
        """Remove a run: its samples, record and marks. Its trips and alarms stay in the logbook."""
        self._sealer.delete(run_id)
        self.logbook.forget_run(run_id)
        self._abouts.pop(run_id, None)

    # -- following ---------------------------------------------------------------------------------

    def last_t_ns(self, run_id: str) -> int | None:
        """Time of the run's latest sample [ns]; None before its first."""
        head = self.journal.head(run_id)
        return None if head is None else head.last_t_ns

    # -- helpers -----------------------------------------------------------------------------------

    def missing_samples(self, run_id: str) -> int:
        """How many samples the run once had, by the logbook's count, and has no more.

        So it is when the journal's log was lost. The count lags by up to half a minute of samples.
        """
        head = self.journal.head(run_id)
        return max(0, self.logbook.get_run(run_id).rows - (0 if head is None else head.rows))

    def _note_missing(self) -> None:
        """Write down what open runs have lost, before what they have now is counted in the logbook."""
        for record in self.logbook.list_runs(kind="run", limit=20):
            missing = self.missing_samples(record.id) if record.ended_ns is None else 0
            if missing:
                head = self.journal.head(record.id)
                at_ns, rows = (0, 0) if head is None else (head.last_t_ns, head.rows)
                why = "they were stored, and the journal has lost them"
                with self.logbook.together():
                    self.logbook.add_gap(Gap(record.id, at_ns, at_ns, missing, why))
                    self.logbook.touch_run(record.id, record.touched_utc_ns or record.start_utc_ns, rows)

    def _old_enough(self) -> int:
        """The last row that has been in the journal for a minute, or was there when this store was opened."""
        before = time.monotonic() - _TAIL_KEPT_S
        while len(self._committed) > 1 and self._committed[1][0] <= before:
            self._committed.popleft()
        return self._committed[0][1]

    def _tell_archive(self, away: BackendAway | None) -> None:
        """Say to the other processes whether the server takes samples; nothing where there is none."""
        remote = next((b for b in (self.archive.target, *self.archive.backends.values()) if b.remote), None)
        if remote is None:
            return
        before = self.logbook.get_state(ARCHIVE_STATE) or {}
        since = before.get("away_since_ns") if away is not None else None
        self.logbook.put_state(
            ARCHIVE_STATE,
            {
                "server": remote.place,
                "away_since_ns": time.time_ns() if away is not None and since is None else since,
                "error": None if away is None else away.as_dict(),
                "tried_ns": time.time_ns(),
                "refused_rows": sum(letters.count for letters in remote.dead_letters()),
                "spool_rows": self.archive.spool_rows,
            },
        )

    def _left_over(self, run_id: str) -> list[RunRecord]:
        """Other runs that have ended with rows in the journal, because their reader died."""
        found = []
        for other in self.journal.runs():
            try:
                record = self.logbook.get_run(other)
            except RunNotFound:
                continue
            if other != run_id and record.ended_ns is not None:
                found.append(record)
        return found

    def _sweep(self) -> None:
        try:
            with seal_lock(self.folder, 0.0):
                self._sealer.sweep(alone=True, here=True)
        except StoreBusy:
            pass  # a sealing process of the reader before is still at it, and sweeps itself

    def _touch(self, run_id: str, now: float) -> None:
        if now - self._touched.get(run_id, -_TOUCH_EVERY_S) < _TOUCH_EVERY_S:
            return
        self._touched[run_id] = time.monotonic()
        try:
            head = self.journal.head(run_id)
            self.logbook.touch_run(
                run_id, time.time_ns(), None if head is None else head.rows, wait_s=_TOUCH_WAIT_S
            )
        except StoreError:
            # The samples are stored; that their count in the logbook is a second late harms nobody.
            self._touched.pop(run_id, None)

    def _rebuilt(self, run_id: str, bench: Bench | None) -> RunRecord:
        about = SegmentAbout()
        # The latest says most: a run's title may be changed, and only the last one knows its end.
        for segment in sorted(self.segments.of(run_id), key=lambda s: (-s.t_max_ns, -s.level)):
            with suppress(StoreError):
                stated = self.archive.backend(segment.backend).about(run_id, segment.name)
                if stated is not None:
                    about = stated
                    break
        head = self.journal.head(run_id)
        rows, last_ns = (0, 0) if head is None else (head.rows, head.last_t_ns)
        record = about.record or RunRecord(
            run_id, about.bench, "run", "", about.build, about.start_utc_ns or start_in_id(run_id),
            note="made again of its segments, which are older than the bench file in them",
        )  # fmt: skip
        if bench is not None and not record.bench_toml and record.bench in ("", bench.name):
            kept = orjson.dumps(bench.model_dump(mode="json")).decode()
            record = replace(record, bench=bench.name, bench_toml=bench.text, bench_json=kept)
        ended_ns = last_ns if record.ended_ns is None else record.ended_ns
        record = replace(record, ended_ns=ended_ns, rows=rows)
        with self.logbook.together():
            pinned = {c.channel: self.logbook.calibrations.restore(c).id for c in about.calibrations}
            self.logbook.add_run(record, pinned)
        return record

    def _about(self, run_id: str) -> SegmentAbout:
        about = self._abouts.get(run_id)
        if about is None:
            about = self._abouts[run_id] = self._read_about(run_id)
        return about

    def _read_about(self, run_id: str) -> SegmentAbout:
        try:
            return self._about_of(self.logbook.get_run(run_id))
        except RunNotFound:
            return SegmentAbout()

    def _about_of(self, record: RunRecord) -> SegmentAbout:
        try:
            channels = orjson.loads(record.bench_json).get("channels", {})
            units = {name: str(spec["unit"]) for name, spec in channels.items() if "unit" in spec}
        except (ValueError, AttributeError, TypeError):
            units = {}  # the bench is told by others; a segment without units is still a segment
        calibrations = tuple(self.logbook.calibrations.of_run(record.id).values())
        return SegmentAbout(record.bench, record.build, record.start_utc_ns, units, record, calibrations)

    def _need_writer(self, what: str) -> None:
        if self._lock is None:
            raise StoreError(
                f"was opened for reading and can not {what}",
                place=str(self.folder),
                remedy="open it with writer=True",
            )


def _written_utc_ns(folder: Path) -> int:
    """When the journal was written last, by its files' own times [ns]."""
    latest = 0
    for name in ("journal.db-wal", "journal.db"):
        with suppress(OSError):
            latest = max(latest, (folder / name).stat().st_mtime_ns)
    return latest
