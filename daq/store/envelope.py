"""A long series as a few points that keep every extreme."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Buckets", "Envelope", "buckets_of", "envelope_of", "merged"]


@dataclass(frozen=True, slots=True)
class Envelope:
    """The lowest and the highest value of each span of time.

    Attributes
    ----------
    t_ns : int64[n]
        The first sample of each span [ns], rising.
    lo, hi : float64[n]
        Lowest and highest finite value in it; NaN where it has none.
    t_lo_ns, t_hi_ns : int64[n]
        When they were [ns]: the first such sample.
    mean : float64[n]
        Mean of the finite values.
    count : int64[n]
        How many values were finite.
    """

    t_ns: NDArray[np.int64]
    lo: NDArray[np.float64]
    hi: NDArray[np.float64]
    t_lo_ns: NDArray[np.int64]
    t_hi_ns: NDArray[np.int64]
    mean: NDArray[np.float64]
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.t_ns.size)


class Buckets(NamedTuple):
    """What spans of equal time hold of one channel, by their numbers; `total` is the sum of the values."""

    number: NDArray[np.int64]
    first_ns: NDArray[np.int64]
    lo: NDArray[np.float64]
    t_lo_ns: NDArray[np.int64]
    hi: NDArray[np.float64]
    t_hi_ns: NDArray[np.int64]
    total: NDArray[np.float64]
    finite: NDArray[np.int64]


def envelope_of(
    t_ns: NDArray[np.int64],
    values: NDArray[np.float64],
    points: int,
    start_ns: int | None = None,
    end_ns: int | None = None,
) -> Envelope:
    """Cut a series into at most `points` spans of equal time and keep the extremes of each.

    Parameters
    ----------
    t_ns : int64[m]
        Times, not decreasing [ns].
    values : float64[m]
        NaN where there is none; a NaN never hides the values beside it.
    points : int
        At least 1. A series of no more samples than this is kept as it is.
    start_ns, end_ns : int, optional
        What the spans divide, both ends included [ns]; the series' own ends unless given.

    Returns
    -------
    Envelope
        Spans without a sample are left out.
    """
    size = t_ns.size
    if size == 0:
        no_time, no_value = np.empty(0, np.int64), np.empty(0)
        return Envelope(no_time, no_value, no_value, no_time, no_time, no_value, no_time)
    firsts = np.arange(size) if size <= points else _firsts(t_ns, points, start_ns, end_ns)
    finite = np.isfinite(values)
    counts = np.diff(firsts, append=size)
    if finite.all():
        known, low_from, high_from, sum_from = counts.astype(np.int64), values, values, values
    else:
        known = np.add.reduceat(finite, firsts, dtype=np.int64)
        low_from, high_from = np.where(finite, values, np.inf), np.where(finite, values, -np.inf)
        sum_from = np.where(finite, values, 0.0)
    lo, hi = np.minimum.reduceat(low_from, firsts), np.maximum.reduceat(high_from, firsts)
    total = np.add.reduceat(sum_from, firsts)
    t_lo, t_hi = _when(t_ns, low_from, lo, firsts, counts), _when(t_ns, high_from, hi, firsts, counts)
    none = known == 0
    mean = np.full(total.size, np.nan)
    np.divide(total, known, out=mean, where=~none)
    if none.any():
        lo[none] = hi[none] = np.nan
    return Envelope(t_ns[firsts], lo, hi, t_lo, t_hi, mean, known)


def _firsts(
    t_ns: NDArray[np.int64], points: int, start_ns: int | None, end_ns: int | None
) -> NDArray[np.intp]:
    """Index of the first sample of every span that has one. The last span takes the remainder."""
    start = int(t_ns[0]) if start_ns is None else min(start_ns, int(t_ns[0]))
    end = int(t_ns[-1]) if end_ns is None else max(end_ns, int(t_ns[-1]))
    # Whole nanoseconds: a float can not tell two samples apart after some weeks.
    edges = start + np.arange(points, dtype=np.int64) * ((end - start) // points + 1)
    firsts = np.searchsorted(t_ns, edges, side="left")
    firsts = np.unique(firsts)
    return firsts[firsts < t_ns.size]


def _when(
    t_ns: NDArray[np.int64],
    values: NDArray[np.float64],
    extremes: NDArray[np.float64],
    firsts: NDArray[np.intp],
    counts: NDArray[np.intp],
) -> NDArray[np.int64]:
    """When each span's extreme was first met."""
    hits = np.flatnonzero(values == np.repeat(extremes, counts))
    return t_ns[hits[np.searchsorted(hits, firsts, side="left")]]


def buckets_of(t_ns: NDArray[np.int64], values: NDArray[np.float64], start_ns: int, width_ns: int) -> Buckets:
    """The buckets of rows that are at hand.

    Parameters
    ----------
    t_ns : int64[n]
        Sorted [ns of the run], at least one.
    values : float64[n]
        NaN where missing.
    start_ns : int
        Where bucket 0 begins [ns of the run].
    width_ns : int
        Width of a bucket, above 0 [ns].
    """
    numbers = (t_ns - start_ns) // width_ns
    number, firsts = np.unique(numbers, return_index=True)
    ends = np.append(firsts[1:], t_ns.size)
    finite = np.isfinite(values)
    low, high = np.where(finite, values, np.inf), np.where(finite, values, -np.inf)
    lows = [a + int(np.argmin(low[a:b])) for a, b in zip(firsts, ends, strict=True)]
    highs = [a + int(np.argmax(high[a:b])) for a, b in zip(firsts, ends, strict=True)]
    known = np.where(finite, values, 0.0)
    return Buckets(
        number, t_ns[firsts], values[lows], t_ns[lows], values[highs], t_ns[highs],
        np.add.reduceat(known, firsts), np.add.reduceat(finite, firsts, dtype=np.int64),
    )  # fmt: skip


def merged(parts: Sequence[Buckets]) -> Envelope:
    """The envelope of several parts whose buckets divide the same span."""
    numbers = np.unique(np.concatenate([p.number for p in parts]))
    size = numbers.size
    first = np.full(size, 2**63 - 1, np.int64)
    lo, hi = np.full(size, np.inf), np.full(size, -np.inf)
    t_lo, t_hi = np.zeros(size, np.int64), np.zeros(size, np.int64)
    total, count = np.zeros(size), np.zeros(size, np.int64)
    for p in parts:
        at = np.searchsorted(numbers, p.number)
        first[at] = np.minimum(first[at], p.first_ns)
        some = p.finite > 0
        for value, when, theirs, their_t, better in (
            (lo, t_lo, p.lo, p.t_lo_ns, np.less),
            (hi, t_hi, p.hi, p.t_hi_ns, np.greater),
        ):
            take = some & (better(theirs, value[at]) | ((theirs == value[at]) & (their_t < when[at])))
            value[at[take]], when[at[take]] = theirs[take], their_t[take]
        total[at] += p.total
        count[at] += p.finite
    none = count == 0
    lo[none] = hi[none] = np.nan
    t_lo[none] = t_hi[none] = first[none]
    mean = np.full(size, np.nan)
    np.divide(total, count, out=mean, where=~none)
    return Envelope(first, lo, hi, t_lo, t_hi, mean, count)
