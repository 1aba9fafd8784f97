"""The newest samples of the run, as columns in memory: what a page that opens is shown, without the disk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daq.frame import Block, Sample, Status

__all__ = ["Ring", "merge_blocks"]

KEPT_NS: Final = 7_200_000_000_000
"""Samples are kept for so long [ns]."""
MOST_ROWS: Final = 80_000
"""And so many of a source: two hours at ten hertz."""
_FIRST_ROWS: Final = 512

_MISSING: Final = int(Status.MISSING)


@dataclass(slots=True)
class _Track:
    """One source's samples, in the order in which they came."""

    source: str
    t_ns: NDArray[np.int64] = field(default_factory=lambda: np.empty(_FIRST_ROWS, dtype=np.int64))
    seq: NDArray[np.int64] = field(default_factory=lambda: np.empty(_FIRST_ROWS, dtype=np.int64))
    values: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    status: dict[str, NDArray[np.uint8]] = field(default_factory=dict)
    begin: int = 0
    end: int = 0

    def add(self, sample: Sample) -> None:
        if self.end == self.t_ns.size:
            self._make_room(sample.t_ns)
        i = self.end
        self.t_ns[i], self.seq[i] = sample.t_ns, sample.seq
        for name in sample.values:
            if name not in self.values:
                self.values[name] = np.full(self.t_ns.size, np.nan)
                self.status[name] = np.full(self.t_ns.size, _MISSING, dtype=np.uint8)
        for name, values in self.values.items():
            value = sample.values.get(name)
            if value is None:
                values[i], self.status[name][i] = np.nan, _MISSING
            else:
                values[i], self.status[name][i] = value, sample.status.get(name, Status.GOOD)
        self.end += 1

    def _make_room(self, now_ns: int) -> None:
        kept = slice(self.begin, self.end)
        old = int(np.searchsorted(self.t_ns[kept], now_ns - KEPT_NS))
        rows = self.end - self.begin
        # A tenth at a time, so that not every sample moves all others.
        first = self.end - min(rows - old, (9 * MOST_ROWS) // 10)
        size = max(_FIRST_ROWS, min(MOST_ROWS, (3 * (self.end - first)) // 2))

        def moved(column: NDArray[np.generic], blank: float) -> NDArray[np.generic]:
            out = np.full(size, blank, dtype=column.dtype)
            out[: self.end - first] = column[first : self.end]
            return out

        self.t_ns = moved(self.t_ns, 0)  # type: ignore[assignment]
        self.seq = moved(self.seq, 0)  # type: ignore[assignment]
        self.values = {n: moved(v, np.nan) for n, v in self.values.items()}  # type: ignore[misc]
        self.status = {n: moved(s, _MISSING) for n, s in self.status.items()}  # type: ignore[misc]
        self.begin, self.end = 0, self.end - first

    def block(self, start_ns: int | None, end_ns: int | None) -> Block:
        """A copy of the samples from `start_ns` to `end_ns`, both included, sorted by time."""
        kept = slice(self.begin, self.end)
        t_ns = self.t_ns[kept]
        inside = np.ones(t_ns.size, dtype=np.bool_)
        if start_ns is not None:
            inside &= t_ns >= start_ns
        if end_ns is not None:
            inside &= t_ns <= end_ns
        rows = np.flatnonzero(inside)
        if rows.size and np.any(np.diff(t_ns[rows]) < 0):
            rows = rows[np.argsort(t_ns[rows], kind="stable")]
        return Block(
            self.source,
            t_ns[rows],
            self.seq[kept][rows],
            {n: v[kept][rows] for n, v in self.values.items()},
            {n: s[kept][rows] for n, s in self.status.items()},
        )


class Ring:
    """The newest samples of one run, bounded by time and number."""

    def __init__(self) -> None:
        self._tracks: dict[str, _Track] = {}
        self._first: dict[str, int] = {}
        self._last: dict[str, int] = {}

    def __len__(self) -> int:
        return sum(track.end - track.begin for track in self._tracks.values())

    def add(self, sample: Sample) -> None:
        """Take one more sample."""
        track = self._tracks.get(sample.source)
        if track is None:
            track = self._tracks[sample.source] = _Track(sample.source)
        track.add(sample)
        self._last[sample.source] = max(sample.t_ns, self._last.get(sample.source, sample.t_ns))

    def last_ns(self, source: str) -> int | None:
        """Time of the source's latest sample [ns]; None before its first."""
        return self._last.get(source)

    def first_ns(self) -> dict[str, int]:
        """Time of the oldest sample of each source [ns]."""
        return {n: int(k.t_ns[k.begin : k.end].min()) for n, k in self._tracks.items() if k.end > k.begin}

    def blocks(self, start_ns: int | None = None, end_ns: int | None = None) -> dict[str, Block]:
        """Each source's samples from `start_ns` to `end_ns`, both included; sources without any are left
        out."""
        found = {name: track.block(start_ns, end_ns) for name, track in self._tracks.items()}
        return {name: block for name, block in found.items() if len(block)}


def merge_blocks(earlier: Mapping[str, Block], later: Mapping[str, Block]) -> dict[str, Block]:
    """Blocks of the store and of the ring as one of each source.

    Of the earlier ones only what lies before the later ones' first sample is taken: samples come once.
    """
    out = dict(later)
    for name, block in earlier.items():
        if name not in later:
            out[name] = block
            continue
        n = int(np.searchsorted(block.t_ns, int(later[name].t_ns[0]), side="left"))
        out[name] = Block.concat(name, [block.rows(slice(n)), later[name]])
    return out
