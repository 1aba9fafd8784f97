"""What a run comes to from its samples: how well an integral is known, and what stands in for a gap.

An integral over all of a run is not the mean of a steady level: that the current went up and down is no doubt
of the charge. What is uncertain, beside the meters' accuracy, is each sample's noise, and where between two
samples a change fell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.watch.columns import FloatArray, IntArray

__all__ = ["Bridged", "bridged", "noise_of_integral"]

_MEDIAN_OF_DIFFERENCES = 0.6744897501960817 * math.sqrt(2.0)
"""Median magnitude of the difference of two normal deviates, in standard deviations."""
LEAST_SHAM = 5
"""So many stretches that were recorded tell how far the same bridging misses; fewer do not."""


def noise_of_integral(t_ns: IntArray, values: FloatArray, stale_after_s: float) -> float:
    """Standard uncertainty of a record's integral over time, by its samples alone [unit s].

    Parameters
    ----------
    t_ns : int64[n]
        Rising times [ns].
    values : float64[n]
        Finite.
    stale_after_s : float
        Samples further apart have a gap between them, over which nothing is integrated [s].

    Returns
    -------
    float
        ``u^2 = sum (s dt)^2 + sum (dx dt)^2 / 12``. The first is the noise of independent samples, its
        deviation s from the median difference of neighbours, which steps of the signal do not move; the
        second that a change dx may lie anywhere between its two samples (rectangular, JCGM 100:2008 4.3.7).
        0 below three samples.
    """
    if t_ns.size < 3:
        return 0.0
    dt = np.diff(t_ns) * 1e-9
    step = np.abs(np.diff(values))
    near = (dt > 0.0) & (dt <= stale_after_s)
    if not near.any():
        return 0.0
    dt, step = dt[near], step[near]
    s = float(np.median(step)) / _MEDIAN_OF_DIFFERENCES
    return math.sqrt(float(np.sum((s * dt) ** 2)) + float(np.sum((step * dt) ** 2)) / 12.0)


@dataclass(frozen=True, slots=True)
class Bridged:
    """An integral with what stands in for the time that was not recorded.

    Attributes
    ----------
    added : float
        Integral over that time [unit s].
    u : float
        Its standard uncertainty, the meters' accuracy aside [unit s].
    missing_s, whole_s : float
        Time that was not recorded, and all time of the record [s].
    """

    added: float
    u: float
    missing_s: float
    whole_s: float


def bridged(rate: FloatArray, seconds: FloatArray, width_s: FloatArray) -> Bridged:
    """Put a straight line across what is missing of a record of windows.

    Parameters
    ----------
    rate : float64[m]
        Mean of each window [unit]; NaN where it has none.
    seconds : float64[m]
        Seconds of each window that were recorded, counted where the mean is known.
    width_s : float64[m]
        Seconds of each window that belong to the record.

    Returns
    -------
    Bridged
        In a window that lacks some samples its mean goes on; between windows a straight line. How far that
        misses is judged by doing the same over stretches that were recorded, each as long as the gap; and
        where the windows on both sides differ, the change may have come at any moment between them.
    """
    known = np.isfinite(rate)
    there = np.where(known, np.minimum(seconds, width_s), 0.0)
    lacks = width_s - there
    lacks = np.where(lacks > 1e-6 * np.maximum(width_s, 1e-9), lacks, 0.0)
    whole, missing = float(width_s.sum()), float(lacks.sum())
    if missing == 0.0 or not known.any():
        return Bridged(0.0, 0.0, missing, whole)
    at = np.arange(rate.size, dtype=np.float64)
    line = np.where(known, rate, np.interp(at, at[known], rate[known]))
    added = float(np.sum(line * lacks))
    some = known & (lacks > 0.0)
    variance = float(np.sum((_miss(rate, known, 1) * lacks[some]) ** 2))
    for first, last in _gaps(~known & (width_s > 0.0)):
        before = float(rate[first - 1]) if first > 0 else float(line[last])
        after = float(rate[last]) if last < rate.size else before
        seconds_lost = float(lacks[first:last].sum())
        miss = _miss(rate, known, last - first)
        variance += (seconds_lost**2) * (miss**2 + (after - before) ** 2 / 12.0)
    return Bridged(added, math.sqrt(variance), missing, whole)


def _gaps(missing: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First window of each gap and the one after its last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], missing, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _miss(rate: FloatArray, known: NDArray[np.bool_], length: int) -> float:
    """Root mean square by which a line across `length` windows misses their mean, over all that are known."""
    span = length + 2
    if rate.size >= span:
        windows = np.lib.stride_tricks.sliding_window_view(rate, span)
        windows = windows[np.lib.stride_tricks.sliding_window_view(known, span).all(axis=1)]
        if windows.shape[0] >= LEAST_SHAM:
            ends = 0.5 * (windows[:, 0] + windows[:, -1])
            return float(np.sqrt(np.mean((windows[:, 1:-1].mean(axis=1) - ends) ** 2)))
    there = rate[known]
    return float(np.std(there)) if there.size > 1 else float(abs(there[0]))
