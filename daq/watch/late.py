"""What became known later than the step of time it belongs to: live, a window that was looked at before could
not show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from daq.watch.columns import FloatArray, IntArray

__all__ = ["Late", "joined", "take_back"]


@dataclass(frozen=True, slots=True)
class Late:
    """What went to a step before the one in which it was known: by quantity, one element a piece."""

    step: IntArray
    known: IntArray
    seconds: FloatArray
    sums: FloatArray

    def since(self, first: int) -> Late:
        """Without what was known before this step."""
        kept = self.known >= first
        if kept.all():
            return self
        return Late(self.step[kept], self.known[kept], self.seconds[kept], self.sums[kept])


def joined(old: Late | None, new: Late) -> Late:
    """Both."""
    if old is None:
        return new
    return Late(
        np.concatenate([old.step, new.step]),
        np.concatenate([old.known, new.known]),
        np.concatenate([old.seconds, new.seconds]),
        np.concatenate([old.sums, new.sums]),
    )


def take_back(
    late: Late, ends: IntArray, steps: int, later: int, seconds: FloatArray, sums: FloatArray
) -> None:
    """Out of windows goes what was not yet known when they were looked at: live it could not be there."""
    of = np.flatnonzero(late.known >= ends.min(initial=np.iinfo(np.int64).max) + later)
    if of.size == 0:
        return
    step = late.step[of]
    low = np.searchsorted(ends, step + 1)
    high = np.searchsorted(ends, np.minimum(late.known[of] - later, step + steps), side="right")
    count = np.maximum(high - low, 0)
    piece = np.repeat(np.arange(of.size), count)
    window = low[piece] + np.arange(piece.size) - np.repeat(np.cumsum(count) - count, count)
    column = step[piece] - ends[window] + steps
    np.subtract.at(seconds, (window, column), late.seconds[of][piece])
    np.subtract.at(sums, (window, column), late.sums[of][piece])
    # What rounding leaves of nothing must not count as a sample.
    rest = seconds[window, column] < 1e-9
    seconds[window[rest], column[rest]] = sums[window[rest], column[rest]] = 0.0
