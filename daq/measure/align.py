"""Bringing channels of several sources to common instants and steps of time, never across a gap.

A gap is a time between two good values that is longer than the channel's staleness. Between values that are
closer together a channel is either *interpolated*, on the straight line from one to the next, or its *last*
value is held. Which of the two fits depends on the meter: one that looks at an instant is interpolated, one
that averages since its reading before is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from daq.measure.columns import FloatArray, IntArray

__all__ = ["StepIntegrals", "integrals_by_step", "interpolated", "step_of"]


def step_of(t_ns: IntArray, step_ns: int) -> IntArray:
    """The step that holds each instant; step `k` covers ``(k * step_ns, (k + 1) * step_ns]``."""
    steps: IntArray = -(-t_ns // step_ns) - 1
    return steps


def interpolated(
    times: IntArray, values: FloatArray, t_ns: IntArray, stale_ns: int
) -> tuple[FloatArray, IntArray]:
    """Values at other instants, on the line between the good values before and after.

    Parameters
    ----------
    times, values : int64[n], float64[n]
        Good values in order of time [ns].
    t_ns : int64[m]
        Instants [ns].
    stale_ns : int
        Values further apart than this have a gap between them [ns].

    Returns
    -------
    values : float64[m]
        NaN before the first value, after the last, and in a gap.
    known_ns : int64[m]
        When each was known: at the time of the value after [ns].
    """
    if times.size == 0:
        return np.full(t_ns.size, np.nan), t_ns
    after = np.searchsorted(times, t_ns, side="left")
    inside = after < times.size
    after = np.minimum(after, times.size - 1)
    exact = inside & (times[after] == t_ns)
    before = np.maximum(after - 1, 0)
    span = times[after] - times[before]
    between = inside & (after > 0) & (span <= stale_ns) & (span > 0)
    share = np.divide(t_ns - times[before], span, out=np.zeros(t_ns.size), where=between)
    line = values[before] + share * (values[after] - values[before])
    found = np.where(exact, values[after], np.where(between, line, np.nan))
    return found, np.where(inside, times[after], t_ns)


@dataclass(frozen=True, slots=True)
class StepIntegrals:
    """Integrals of straight lines over steps.

    Attributes
    ----------
    step : int64[n]
        The step of each piece.
    of : int64[n]
        Which of the given lines it is a piece of.
    seconds, sums : float64[n]
        Its length, and its integral [s, value times s].
    """

    step: IntArray
    of: IntArray
    seconds: FloatArray
    sums: FloatArray


def integrals_by_step(
    begin_ns: IntArray, end_ns: IntArray, first: FloatArray, last: FloatArray, step_ns: int
) -> StepIntegrals:
    """Cut lines at the edges of steps, each from `first` at `begin_ns` to `last` at `end_ns`, which is later.

    Parameters
    ----------
    begin_ns, end_ns : int64[n]
        Where each line begins and ends, the end later than the beginning [ns].
    first, last : float64[n]
        Its values there.
    step_ns : int
        Length of a step [ns].
    """
    low = begin_ns // step_ns
    count = step_of(end_ns, step_ns) - low + 1
    of = np.repeat(np.arange(begin_ns.size, dtype=np.int64), count)
    step = low[of] + np.arange(of.size, dtype=np.int64) - np.repeat(np.cumsum(count) - count, count)
    begin, end = begin_ns[of], end_ns[of]
    left, right = np.maximum(begin, step * step_ns), np.minimum(end, (step + 1) * step_ns)
    seconds = (right - left) * 1e-9
    middle = ((left - begin) + 0.5 * (right - left)) / (end - begin)
    return StepIntegrals(step, of, seconds, seconds * (first[of] + middle * (last[of] - first[of])))
