"""Samples of several sources as one set of columns: each channel with its own times, aligned only on demand.

`Columns.at` takes the last good value that is not older than the channel's staleness; `daq.measure.align`
interpolates. Nothing is carried across a gap: a value that was not there stays missing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.frame import Block, Status

__all__ = ["Column", "Columns", "FloatArray", "IntArray", "frames_of", "last_before", "zeroed"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_EMPTY: tuple[IntArray, FloatArray] = (np.empty(0, dtype=np.int64), np.empty(0))


@dataclass(frozen=True, slots=True)
class Column:
    """One channel: times [ns], values in the channel's unit, status codes, all of one length."""

    source: str
    t_ns: IntArray
    values: FloatArray
    status: NDArray[np.uint8]

    def good(self) -> tuple[IntArray, FloatArray]:
        """Times and values that can be used: finite, and good or uncertain."""
        keep = np.isfinite(self.values) & (self.status <= Status.UNCERTAIN)
        return (self.t_ns, self.values) if keep.all() else (self.t_ns[keep], self.values[keep])


@dataclass(frozen=True, slots=True)
class Columns:
    """Samples of any number of sources.

    Attributes
    ----------
    channels : dict of str to Column
        By channel name. A channel that two sources claim is the later block's.
    frames : dict of str to int64[n]
        When each source spoke at all [ns], whatever it said.
    """

    channels: dict[str, Column] = field(default_factory=dict)
    frames: dict[str, IntArray] = field(default_factory=dict)
    _good: dict[str, tuple[IntArray, FloatArray]] = field(default_factory=dict, repr=False)

    @classmethod
    def from_blocks(cls, blocks: Iterable[Block] | Mapping[str, Block]) -> Columns:
        """Columns from blocks in any order; those of one source are joined and put in order of time."""
        channels: dict[str, Column] = {}
        frames: dict[str, IntArray] = {}
        for source, parts in _by_source(blocks).items():
            whole = Block.concat(source, parts)
            frames[source] = whole.t_ns
            for name, values in whole.values.items():
                channels[name] = Column(source, whole.t_ns, values, whole.status_of(name))
        return cls(channels, frames)

    def good(self, channel: str) -> tuple[IntArray, FloatArray]:
        """Usable times [ns] and values of a channel; both empty where there are none."""
        found = self._good.get(channel)
        if found is None:
            column = self.channels.get(channel)
            found = _EMPTY if column is None else column.good()
            self._good[channel] = found
        return found

    def at(self, channel: str, t_ns: IntArray, stale_after_s: float) -> FloatArray:
        """The channel's values at other instants: the last good one, NaN where it is older than
        `stale_after_s`.

        Parameters
        ----------
        channel : str
        t_ns : int64[m]
            Instants [ns], in any order.
        stale_after_s : float
            [s], more than 0.

        Returns
        -------
        float64[m]
        """
        times, values = self.good(channel)
        return last_before(times, values, t_ns, int(stale_after_s * 1e9))

    @property
    def span_ns(self) -> tuple[int, int] | None:
        """First and last instant at which any source spoke [ns]; None without samples."""
        if not self.frames:
            return None
        return (
            int(min(t[0] for t in self.frames.values())),
            int(max(t[-1] for t in self.frames.values())),
        )


def zeroed(values: FloatArray, blank: float = 0.0) -> FloatArray:
    """`values` with `blank` where they are NaN; a tenth of the cost of `numpy.nan_to_num`, which counts where
    a live window is one element."""
    return np.where(np.isnan(values), blank, values)


def frames_of(blocks: Iterable[Block] | Mapping[str, Block]) -> dict[str, IntArray]:
    """When each source spoke at all [ns], in order of time."""
    times = {source: [b.t_ns for b in parts] for source, parts in _by_source(blocks).items()}
    return {source: np.sort(np.concatenate(t_ns), kind="stable") for source, t_ns in times.items()}


def _by_source(blocks: Iterable[Block] | Mapping[str, Block]) -> dict[str, list[Block]]:
    by_source: dict[str, list[Block]] = {}
    for block in blocks.values() if isinstance(blocks, Mapping) else blocks:
        if len(block):
            by_source.setdefault(block.source, []).append(block)
    return by_source


def last_before(times: IntArray, values: FloatArray, t_ns: IntArray, stale_ns: int) -> FloatArray:
    """Last value at or before each instant; NaN where that is too old, or there is none.

    Parameters
    ----------
    times : int64[n]
        Sorted [ns].
    values : float64[n]
        What was read at `times`.
    t_ns : int64[m]
        The instants [ns].
    stale_ns : int
        A value older than this counts no more [ns].
    """
    if times.size == 0:
        return np.full(t_ns.size, np.nan)
    index = np.searchsorted(times, t_ns, side="right") - 1
    known = index >= 0
    index[~known] = 0
    known &= t_ns - times[index] <= stale_ns
    return np.where(known, values[index], np.nan)
