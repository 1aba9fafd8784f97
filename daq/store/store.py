"""The store's face: journal, logbook and archive as one."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import orjson
from numpy.typing import NDArray

from daq.errors import RunNotFound, StoreError
from daq.frame import Block, Sample
from daq.store._blocks import joined, spans_of, widest
from daq.store._faults import store_faults
from daq.store._lock import WriterLock
from daq.store._rows import Row, block_of, plain_status
from daq.store.envelope import Envelope, envelope_of
from daq.store.home import Piece, PieceAbout, PieceGone, SampleStore
from daq.store.journal import Journal, TailRow, pieces_of, rows_of
from daq.store.logbook import Logbook
from daq.store.sealing import Sealer
from daq.store.segments import Segments

__all__ = ["Store"]

_TOUCH_EVERY_S = 1.0
_TOUCH_WAIT_S = 0.02  # the logbook must not hold up the samples
_TAIL_KEPT_S = 60.0  # rows as young as this stay in the journal, where a live page follows them
_SNAPSHOT_TRIES = 5


class Store:
    """All that is kept of runs, in one folder: `journal.db`, `logbook.db`, `segments/RUN/*.parquet`.

    Any number of processes may read. One, the reader, may write samples; it holds the writer lock until it
    closes the store or dies. Safe to use from several threads.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    archive : SampleStore, optional
        The home of sealed samples; `Segments` in the folder unless given.
    writer : bool
        Whether to commit and seal samples.

    Raises
    ------
    StoreBusy
        When another process writes here already.
    StoreCorrupt, StoreError
        When a file can not be read, or the folder not be used.
    """

    def __init__(self, folder: Path, *, archive: SampleStore | None = None, writer: bool = False) -> None:
        self.folder = Path(folder)
        self.archive: SampleStore = archive if archive is not None else Segments(self.folder / "segments")
        with store_faults(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
        self._lock = WriterLock(self.folder / "writer.lock") if writer else None
        try:
            self.journal = Journal(self.folder / "journal.db")
            self.logbook = Logbook(self.folder / "logbook.db")
            self._sealer = Sealer(self.journal, self.archive, self._about)
            if writer:
                self._sealer.sweep(opening=True)
        except BaseException:
            if self._lock is not None:
                self._lock.release()
            raise
        self._touched: dict[str, float] = {}
        # What was there before this store was opened is old.
        self._committed = deque([(-_TAIL_KEPT_S, self.journal.last_id())])
        self._abouts: dict[str, PieceAbout] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every file and let go of the writer lock; a second call does nothing."""
        try:
            self.journal.close()
            self.logbook.close()
            self.archive.close()
        finally:
            if self._lock is not None:
                self._lock.release()

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
            The id of the last row.

        Raises
        ------
        StoreError
            When nothing was stored, as on a full disk; the same samples can be given again.
        """
        self._need_writer("commit samples")
        last_id = self.journal.commit(samples, full=full)
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
        up_to_id = None if all_rows else self._old_enough()
        return self._sealer.seal(run_id, up_to_id=up_to_id, close=all_rows)

    def add_blocks(self, run_id: str, blocks: Iterable[Block]) -> None:
        """Put a log's samples straight into the archive, in pieces of bounded size.

        It needs no writer lock. All blocks are there after it, or none when it raises.
        """
        self._sealer.add(run_id, blocks)
        head = self.journal.head(run_id)
        self.logbook.touch_run(run_id, time.time_ns(), None if head is None else head.rows)

    def prune(self, run_id: str, keep_after_ns: int) -> None:
        """Delete the run's rows of before `keep_after_ns` [ns] from the journal; sealed ones stay."""
        self._need_writer("prune samples")
        self.journal.prune(run_id, keep_after_ns)
        self.journal.db.shrink()

    def delete_run(self, run_id: str) -> None:
        """Remove a run: its samples, record and marks. Its trips and alarms stay in the logbook."""
        self._sealer.delete(run_id)
        self.logbook.forget_run(run_id)
        self._abouts.pop(run_id, None)

    # -- following ---------------------------------------------------------------------------------

    def tail(self, after_id: int, limit: int = 5000) -> list[TailRow]:
        """At most `limit` journal rows after row `after_id`, of all runs, in the order of their commits."""
        return self.journal.tail(after_id, limit)

    def last_id(self) -> int:
        """The id of the last row ever committed; 0 before the first."""
        return self.journal.last_id()

    def last_t_ns(self, run_id: str) -> int | None:
        """Time of the run's latest sample [ns]; None before its first."""
        head = self.journal.head(run_id)
        return None if head is None else head.last_t_ns

    # -- reading -----------------------------------------------------------------------------------

    def read(
        self,
        run_id: str,
        *,
        sources: Iterable[str] | None = None,
        channels: Iterable[str] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
        raw: bool = False,
    ) -> dict[str, Block]:
        """Samples of a run by source, each sorted by time: every row exactly once, whatever is being sealed.

        Parameters
        ----------
        sources, channels : iterable of str, optional
            What to read; everything unless given. Sources without any of the channels are left out.
        start_ns, end_ns : int, optional
            From and to which time of the run, both included [ns].
        raw : bool
            Whether to read the raw numbers too.

        Returns
        -------
        dict of str to Block
            A channel without a status column is good where finite and missing elsewhere.

        Raises
        ------
        RunNotFound
            When neither the logbook nor the archive knows the run.
        StoreCorrupt
            When a piece is lost or damaged, naming the file.
        """
        wanted = None if channels is None else list(dict.fromkeys(channels))
        only = None if sources is None else set(sources)
        for tries_left in reversed(range(_SNAPSHOT_TRIES)):
            pieces, rows = self._snapshot(run_id, start_ns, end_ns)
            pieces = [p for p in pieces if _concerns(p, only, wanted, start_ns, end_ns)]
            try:
                sealed = self.archive.read(
                    run_id,
                    pieces,
                    channels=wanted,
                    start_ns=start_ns,
                    end_ns=end_ns,
                    raw=raw,
                )
                break
            except PieceGone:
                # Merged since the snapshot: look again. A piece that is lost is missing every time.
                if not tries_left:
                    raise
        parts: dict[str, list[Block]] = {}
        for piece, block in zip(pieces, sealed, strict=True):
            parts.setdefault(piece.source, []).append(block)
        for source, own in rows.items():
            if only is None or source in only:
                parts.setdefault(source, []).append(block_of(source, own, channels=wanted, raw=raw))
        blocks = {source: joined(source, found) for source, found in sorted(parts.items())}
        return {s: b for s, b in blocks.items() if len(b) and (wanted is None or b.values)}

    def channel(
        self, run_id: str, channel: str, start_ns: int | None = None, end_ns: int | None = None
    ) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]:
        """Times [ns], values and status codes of one channel, sorted by time; empty when the run has none.

        Raises
        ------
        RunNotFound, StoreCorrupt
        """
        return _channel_of(self.read(run_id, channels=[channel], start_ns=start_ns, end_ns=end_ns), channel)

    def envelope(
        self,
        run_id: str,
        channels: Iterable[str],
        *,
        points: int,
        start_ns: int | None = None,
        end_ns: int | None = None,
    ) -> dict[str, Envelope]:
        """The lowest and highest value of each channel in at most `points` spans of equal time.

        No extreme is lost, not one beside a NaN nor one in the last, shorter span. Only good and uncertain
        samples are finite, so others do not count. A channel that the run does not have is empty.

        Raises
        ------
        RunNotFound, StoreCorrupt
        StoreError
            When `points` is less than 1.
        """
        if points < 1:
            raise StoreError("too few points", place="points", value=points, remedy="ask for at least 1")
        names = list(dict.fromkeys(channels))
        if not names:
            return {}
        blocks = self.read(run_id, channels=names, start_ns=start_ns, end_ns=end_ns)
        out = {}
        for name in names:
            t_ns, values, _ = _channel_of(blocks, name)
            out[name] = envelope_of(t_ns, values, points, start_ns, end_ns)
        return out

    def extreme(self, run_id: str, channel: str, *, highest: bool = True) -> tuple[int, float] | None:
        """When [ns] a channel was highest (or lowest) in the run, and how much; None without a finite value.

        Sealed pieces are not read for it: the catalogue knows their extremes.
        """
        pieces, rows = self._snapshot(run_id, None, None)
        found = [p.spans.get(channel) for p in pieces]
        for source, own in rows.items():
            found.append(spans_of(block_of(source, own, channels=[channel], raw=False)).get(channel))
        span = widest(found)
        if span is None:
            return None
        return (span.high_ns, span.high) if highest else (span.low_ns, span.low)

    # -- helpers -----------------------------------------------------------------------------------

    def _snapshot(
        self, run_id: str, start_ns: int | None, end_ns: int | None
    ) -> tuple[list[Piece], dict[str, list[Row]]]:
        """Catalogue and journal of one run at one instant: because they agree, every row comes once."""
        with self.journal.db.reading() as con:
            pieces = pieces_of(con, run_id)
            rows = rows_of(con, run_id, start_ns=start_ns, end_ns=end_ns)
            known = (
                bool(pieces or rows)
                or con.execute("SELECT 1 FROM heads WHERE run_id = ?", (run_id,)).fetchone()
            )
        if not known:
            self.logbook.get_run(run_id)
        by_source: dict[str, list[Row]] = {}
        for _, row in rows:
            by_source.setdefault(row[0], []).append(row)
        return pieces, by_source

    def _old_enough(self) -> int:
        """The last row that has been in the journal for a minute, or was there when this store was opened."""
        before = time.monotonic() - _TAIL_KEPT_S
        while len(self._committed) > 1 and self._committed[1][0] <= before:
            self._committed.popleft()
        return self._committed[0][1]

    def _touch(self, run_id: str, now: float) -> None:
        if now - self._touched.get(run_id, -_TOUCH_EVERY_S) < _TOUCH_EVERY_S:
            return
        self._touched[run_id] = now
        try:
            head = self.journal.head(run_id)
            self.logbook.touch_run(
                run_id, time.time_ns(), None if head is None else head.rows, wait_s=_TOUCH_WAIT_S
            )
        except StoreError:
            # The samples are stored; that their count in the logbook is a second late harms nobody.
            self._touched.pop(run_id, None)

    def _about(self, run_id: str) -> PieceAbout:
        about = self._abouts.get(run_id)
        if about is None:
            about = self._abouts[run_id] = self._read_about(run_id)
        return about

    def _read_about(self, run_id: str) -> PieceAbout:
        try:
            record = self.logbook.get_run(run_id)
        except RunNotFound:
            return PieceAbout()
        try:
            channels = orjson.loads(record.bench_json).get("channels", {})
            units = {name: str(spec["unit"]) for name, spec in channels.items() if "unit" in spec}
        except (ValueError, AttributeError, TypeError):
            units = {}  # the bench is told by others; a piece without units is still a piece
        return PieceAbout(record.bench, record.build, record.start_utc_ns, units)

    def _need_writer(self, what: str) -> None:
        if self._lock is None:
            raise StoreError(
                f"was opened for reading and can not {what}",
                place=str(self.folder),
                remedy="open it with writer=True",
            )


def _concerns(
    piece: Piece,
    sources: set[str] | None,
    channels: list[str] | None,
    start_ns: int | None,
    end_ns: int | None,
) -> bool:
    return (
        (sources is None or piece.source in sources)
        and (channels is None or any(c in piece.spans for c in channels))
        and (start_ns is None or piece.t_max_ns >= start_ns)
        and (end_ns is None or piece.t_min_ns <= end_ns)
    )


def _channel_of(
    blocks: dict[str, Block], channel: str
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]:
    found = [b for b in blocks.values() if channel in b.values]
    if not found:
        return np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8)
    block = found[0] if len(found) == 1 else joined("", [_only(b, channel) for b in found])
    status = block.status.get(channel)
    return (
        block.t_ns,
        block.values[channel],
        plain_status(block.values[channel]) if status is None else status,
    )


def _only(block: Block, channel: str) -> Block:
    status = {channel: block.status[channel]} if channel in block.status else {}
    return Block(block.source, block.t_ns, block.seq, {channel: block.values[channel]}, status)
