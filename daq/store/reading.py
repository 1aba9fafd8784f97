"""A run's samples put together: sealed segments and journal rows, as of one instant."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from daq.errors import StoreBusy, StoreError
from daq.frame import Block
from daq.store._blocks import spans_of, widest, writable
from daq.store._faults import store_faults
from daq.store._rows import Pack, block_of
from daq.store.archive import Archive
from daq.store.envelope import Envelope, buckets_of, envelope_of, merged
from daq.store.journal import Journal, packs_of, segments_of
from daq.store.logbook import Logbook
from daq.store.protocol import BackendAway, LostSpan, Segment, SegmentGone

__all__ = ["RunReader"]

_SNAPSHOT_TRIES = 5
_FEW_ROWS = 20_000  # fewer are read as they are


class RunReader:
    """What can be asked of a run's samples.

    Parameters
    ----------
    journal : Journal
    logbook : Logbook
    archive : Archive
    """

    def __init__(self, journal: Journal, logbook: Logbook, archive: Archive) -> None:
        self.journal = journal
        self.logbook = logbook
        self.archive = archive

    def read(
        self,
        run_id: str,
        *,
        sources: Iterable[str] | None = None,
        channels: Iterable[str] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
        raw: bool = False,
        lost: list[LostSpan] | None = None,
    ) -> dict[str, Block]:
        """Samples of a run by source, each sorted by time: every row exactly once, whatever is being sealed.

        Parameters
        ----------
        run_id : str
        sources, channels : iterable of str, optional
            What to read; everything unless given. Sources without any of the channels are left out.
        start_ns, end_ns : int, optional
            From and to which time of the run, both included [ns].
        raw : bool
            Whether to read the raw numbers too.
        lost : list of LostSpan, optional
            Takes what can not be read, and the rest is answered; without it that raises.

        Returns
        -------
        dict of str to Block
            A channel without a status column is good where finite and missing elsewhere.

        Raises
        ------
        RunNotFound
            When neither the logbook nor the archive knows the run.
        StoreCorrupt
            When a segment is lost or damaged, naming the file.
        """
        blocks = self._read(run_id, sources, channels, start_ns, end_ns, raw=raw, lost=lost)
        return {source: writable(block) for source, block in blocks.items()}

    def _read(
        self,
        run_id: str,
        sources: Iterable[str] | None,
        channels: Iterable[str] | None,
        start_ns: int | None,
        end_ns: int | None,
        *,
        raw: bool,
        lost: list[LostSpan] | None = None,
    ) -> dict[str, Block]:
        wanted = None if channels is None else list(dict.fromkeys(channels))
        only = None if sources is None else set(sources)
        for tries_left in reversed(range(_SNAPSHOT_TRIES)):
            segments, rows = self._snapshot(run_id, start_ns, end_ns)
            segments = [p for p in segments if _concerns(p, only, wanted, start_ns, end_ns)]

            def sealed_of(some: list[Segment]) -> list[Block]:
                return self.archive.read(
                    run_id, some, channels=wanted, start_ns=start_ns, end_ns=end_ns, raw=raw
                )

            try:
                sealed = sealed_of(segments)
                break
            except StoreError as exc:
                # Merged since the snapshot: look again. A segment that is lost is missing every time.
                if isinstance(exc, SegmentGone) and tries_left:
                    continue
                if lost is None or isinstance(exc, StoreBusy | BackendAway):
                    raise
                segments, sealed = _each(segments, sealed_of, lost)
                break
        parts: dict[str, list[Block]] = {}
        for segment, block in zip(segments, sealed, strict=True):
            parts.setdefault(segment.source, []).append(block)
        for source, own in rows.items():
            if only is None or source in only:
                block = self._block(source, own, wanted, raw=raw, lost=lost)
                parts.setdefault(source, []).append(block.between(start_ns, end_ns))
        blocks = {source: Block.concat(source, found) for source, found in sorted(parts.items())}
        return {s: b for s, b in blocks.items() if len(b) and (wanted is None or b.values)}

    def channel(
        self, run_id: str, channel: str, start_ns: int | None = None, end_ns: int | None = None
    ) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]:
        """Times [ns], values and status codes of one channel, sorted by time; empty when the run has none.

        Parameters
        ----------
        run_id, channel : str
        start_ns, end_ns : int, optional
            From and to which time of the run, both included [ns]; None for its start and its end.

        Raises
        ------
        RunNotFound, StoreCorrupt
        """
        block = _with_channel(
            self.read(run_id, channels=[channel], start_ns=start_ns, end_ns=end_ns), channel
        )
        return block.t_ns, block.values[channel], block.status_of(channel)

    def envelope(
        self,
        run_id: str,
        channels: Iterable[str],
        *,
        points: int,
        start_ns: int | None = None,
        end_ns: int | None = None,
    ) -> dict[str, Envelope]:
        """The lowest and highest value of each channel in spans of equal time.

        No extreme is lost, not one beside a NaN nor one in the last, shorter span. Only good and uncertain
        samples are finite, so others do not count. Of a long run on a server, the server makes it; the first
        sample of a span is then taken to be its first extreme.

        Parameters
        ----------
        run_id : str
        channels : iterable of str
            One that the run does not have is empty.
        points : int
            How many spans at most, at least 1.
        start_ns, end_ns : int, optional
            From and to which time of the run, both included [ns]; None for its start and its end.

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
        far = self._downsampled(run_id, names, points, start_ns, end_ns)
        if far is not None:
            return far
        blocks = self._read(run_id, None, names, start_ns, end_ns, raw=False)
        out = {}
        for name in names:
            block = _with_channel(blocks, name)
            out[name] = envelope_of(block.t_ns, block.values[name], points, start_ns, end_ns)
        return out

    def _downsampled(
        self, run_id: str, names: list[str], points: int, start_ns: int | None, end_ns: int | None
    ) -> dict[str, Envelope] | None:
        """An envelope of sealed rows made by their backend, with the journal's rows; None where that does not
        do.
        """
        if not any(backend.downsamples for backend in self.archive.backends.values()):
            return None
        segments, rows = self._snapshot(run_id, start_ns, end_ns)
        segments = [p for p in segments if _concerns(p, None, names, start_ns, end_ns)]
        if sum(p.rows for p in segments) < max(_FEW_ROWS, 4 * points):
            return None
        live = [self._block(source, own, names, raw=False) for source, own in rows.items()]
        here = Block.concat("", [block.between(start_ns, end_ns) for block in live])
        ends = [(p.t_min_ns, p.t_max_ns) for p in segments]
        if len(here):
            ends.append((int(here.t_ns[0]), int(here.t_ns[-1])))
        start = min(t for t, _ in ends) if start_ns is None else start_ns
        end = max(t for _, t in ends) if end_ns is None else end_ns
        width = (end - start) // points + 1
        buckets = self.archive.downsample(run_id, segments, names, start_ns=start, end_ns=end, width_ns=width)
        if buckets is None:
            return None
        out = {}
        for name in names:
            parts = [buckets[name]] if name in buckets else []
            if name in here.values and len(here):
                parts.append(buckets_of(here.t_ns, here.values[name], start, width))
            empty = envelope_of(np.empty(0, np.int64), np.empty(0), points)
            out[name] = merged(parts) if parts else empty
        return out

    def extreme(self, run_id: str, channel: str, *, highest: bool = True) -> tuple[int, float] | None:
        """When [ns of the run] a channel was at its extreme, and how much; None without a finite value.

        Sealed segments are not read for it: the catalogue knows their extremes.

        Parameters
        ----------
        run_id, channel : str
        highest : bool
            Whether to look for the highest value, or the lowest.
        """
        segments, rows = self._snapshot(run_id, None, None)
        found = [p.spans.get(channel) for p in segments]
        for source, own in rows.items():
            found.append(spans_of(self._block(source, own, [channel], raw=False)).get(channel))
        span = widest(found)
        if span is None:
            return None
        return (span.high_ns, span.high) if highest else (span.low_ns, span.low)

    def _block(
        self,
        source: str,
        rows: list[Pack],
        channels: list[str] | None,
        *,
        raw: bool,
        lost: list[LostSpan] | None = None,
    ) -> Block:
        def decoded(some: list[Pack]) -> Block:
            with store_faults(self.journal.path, decoding=True):
                return block_of(source, some, channels=channels, raw=raw)

        try:
            return decoded(rows)
        except StoreError:
            if lost is None:
                raise
        sound = []
        for pack in rows:
            try:
                decoded([pack])
                sound.append(pack)
            except StoreError as exc:
                lost.append(LostSpan(source, pack.t_min_ns, pack.t_max_ns, pack.size, exc))
        return decoded(sound)

    def _snapshot(
        self, run_id: str, start_ns: int | None, end_ns: int | None
    ) -> tuple[list[Segment], dict[str, list[Pack]]]:
        """Catalogue and journal of one run at one instant: because they agree, every row comes once."""
        with self.journal.db.reading() as con:
            segments = segments_of(con, run_id)
            rows = packs_of(con, run_id, start_ns=start_ns, end_ns=end_ns)
            known = (
                bool(segments or rows)
                or con.execute("SELECT 1 FROM heads WHERE run_id = ?", (run_id,)).fetchone()
            )
        if not known:
            self.logbook.get_run(run_id)
        by_source: dict[str, list[Pack]] = {}
        for pack in rows:
            by_source.setdefault(pack.source, []).append(pack)
        return segments, by_source


def _each(
    segments: list[Segment], read: Callable[[list[Segment]], list[Block]], lost: list[LostSpan]
) -> tuple[list[Segment], list[Block]]:
    """The segments that can be read, and their blocks."""
    sound, blocks = [], []
    for segment in segments:
        try:
            blocks += read([segment])
            sound.append(segment)
        except StoreError as exc:
            if isinstance(exc, StoreBusy | BackendAway):
                raise
            lost.append(LostSpan(segment.source, segment.t_min_ns, segment.t_max_ns, segment.rows, exc))
    return sound, blocks


def _concerns(
    segment: Segment,
    sources: set[str] | None,
    channels: list[str] | None,
    start_ns: int | None,
    end_ns: int | None,
) -> bool:
    return (
        (sources is None or segment.source in sources)
        and (channels is None or any(c in segment.spans for c in channels))
        and (start_ns is None or segment.t_max_ns >= start_ns)
        and (end_ns is None or segment.t_min_ns <= end_ns)
    )


def _with_channel(blocks: dict[str, Block], channel: str) -> Block:
    """The block that has a channel, with empty columns when none has; several sources' are joined."""
    found = [b for b in blocks.values() if channel in b.values]
    if len(found) == 1:
        return found[0]
    block = Block.concat("", [_only(b, channel) for b in found])
    return block if found else replace(block, values={channel: np.empty(0)})


def _only(block: Block, channel: str) -> Block:
    status = {channel: block.status[channel]} if channel in block.status else {}
    return Block(block.source, block.t_ns, block.seq, {channel: block.values[channel]}, status)
