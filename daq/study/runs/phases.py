"""The phases of a run, told from its data: warm-up, steady, disturbed, cool-down, supply off."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.measure import Numbers

__all__ = ["PHASES", "Phase", "find_phases"]

PHASES = ("warm-up", "steady", "disturbed", "cool-down", "supply off", "no data")
"""What a phase can be called."""

RATE_SPAN_S = 300.0
"""The temperature's rate is judged over so long, centred [s]."""
STEADY_C_PER_MIN = 0.1
"""Up to this rate the temperature counts as steady [degC/min] (judgement: 1 °C in ten minutes)."""
STEP_SHARE = 0.1
"""A change of power by more than this share from one window to the next disturbs (judgement)."""
COOLING_POWERED_C_PER_MIN = 0.5
"""Falling faster than this while powered is cold water or a fan, not the run's own course (judgement)."""
SHORTEST_S = 90.0
"""A shorter stretch belongs to its longer neighbour [s]; a disturbance may be as short as a window."""


@dataclass(frozen=True, slots=True)
class Phase:
    """Windows `first` to `last`, both included, that are of one kind; `from_s` and `to_s` in the run."""

    name: str
    first: int
    last: int
    from_s: float
    to_s: float


def find_phases(bench: Bench, numbers: Numbers, *, until_s: float = math.inf) -> list[Phase]:
    """Cut a run into phases.

    Parameters
    ----------
    bench : Bench
    numbers : Numbers
        Of consecutive windows of one width.
    until_s : float
        The run's last sample [s]; the last window may reach beyond it, no phase does.

    Returns
    -------
    list of Phase
        In order, without holes; empty without windows.
    """
    n = len(numbers)
    if n == 0:
        return []
    width = numbers.window_ns * 1e-9
    labels = _labels(bench, numbers, width)
    labels = _without_short(labels, max(1, round(SHORTEST_S / width)))
    ends = numbers.end_ns / 1e9
    out: list[Phase] = []
    at = 0
    for label, group in itertools.groupby(labels):
        size = len(list(group))
        last = at + size - 1
        out.append(
            # The first window may reach back beyond the run's zero.
            Phase(label, at, last, max(0.0, float(ends[at]) - width), min(float(ends[last]), until_s))
        )
        at += size
    return out


def _labels(bench: Bench, numbers: Numbers, width: float) -> list[str]:
    amps, power, temp = (numbers.value[k] for k in ("amps", "power_w", "lye_temp"))
    drive = np.where(np.isfinite(power), power, amps)
    with_amps = np.isfinite(amps)
    on = bench.supply.drives(amps)
    if not with_amps.any():
        on = np.nan_to_num(power) > 1.0
    silent = ~with_amps & ~np.isfinite(power) & ~np.isfinite(temp)
    rate = np.concatenate([centred_rate(part, width, RATE_SPAN_S) for part in _split(temp, on)])
    disturbed = on & (_steps(drive, on) | (np.nan_to_num(rate) < -COOLING_POWERED_C_PER_MIN))
    out = []
    for i in range(len(numbers)):
        if silent[i]:
            out.append("no data")
        elif not on[i]:
            out.append("cool-down" if rate[i] < -STEADY_C_PER_MIN else "supply off")
        elif disturbed[i]:
            out.append("disturbed")
        else:
            out.append("warm-up" if rate[i] > STEADY_C_PER_MIN else "steady")
    return out


def _split(temp: NDArray[np.float64], on: NDArray[np.bool_]) -> list[NDArray[np.float64]]:
    """The series cut where the supply is switched: a slope across that would mix warming and cooling."""
    return np.split(temp, np.flatnonzero(np.diff(on)) + 1)


def _steps(drive: NDArray[np.float64], on: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Windows that a change of the drive falls into, both neighbours being powered."""
    before, after = drive[:-1], drive[1:]
    scale = np.maximum(np.abs(before), np.abs(after))
    jump = np.zeros(drive.size, dtype=bool)
    with np.errstate(invalid="ignore"):
        jump[1:] = (np.abs(after - before) > STEP_SHARE * scale) & on[1:] & on[:-1]
    # The window before the first powered one is off; the first itself is only partly powered.
    starting = np.zeros(drive.size, dtype=bool)
    starting[1:] = on[1:] & ~on[:-1]
    jump[1:] &= ~starting[:-1]
    return jump


def centred_rate(temp: NDArray[np.float64], width_s: float, span_s: float) -> NDArray[np.float64]:
    """Slope of a series of window means, over windows about each [1/min].

    NaN means are left out; a slope needs two. At the ends of the record the span is what there is.

    Parameters
    ----------
    temp : float64[n]
        Means of consecutive windows [any unit].
    width_s : float
        Width of a window [s].
    span_s : float
        Time over which each slope is taken, half of it on either side [s].
    """
    half = max(1, round(0.5 * span_s / width_s))
    good = np.isfinite(temp)
    x = np.arange(temp.size, dtype=np.float64)
    sums = [
        np.concatenate([[0.0], np.cumsum(np.where(good, v, 0.0))])
        for v in (np.ones_like(x), x, np.nan_to_num(temp), x * x, x * np.nan_to_num(temp))
    ]
    low = np.maximum(np.arange(temp.size) - half, 0)
    high = np.minimum(np.arange(temp.size) + half + 1, temp.size)
    n, sx, sy, sxx, sxy = (s[high] - s[low] for s in sums)
    spread = n * sxx - sx * sx
    top = n * sxy - sx * sy
    slope: NDArray[np.float64] = np.divide(top, spread, out=np.full(temp.size, np.nan), where=spread > 0.0)
    slope *= 60.0 / width_s
    return slope


def _without_short(labels: list[str], least: int) -> list[str]:
    """Short stretches of temperature phases given to the longer neighbour."""
    may_be_short: tuple[str, ...] = ("disturbed", "supply off", "no data")
    while True:
        groups = [(k, len(list(g))) for k, g in itertools.groupby(labels)]
        short = [i for i, (k, n) in enumerate(groups) if n < least and k not in may_be_short]
        pick = next((i for i in sorted(short, key=lambda i: groups[i][1]) if len(groups) > 1), None)
        if pick is None:
            return labels
        on = groups[pick][0] in ("warm-up", "steady", "disturbed")
        sides = [i for i in (pick - 1, pick + 1) if 0 <= i < len(groups)]
        alike = [i for i in sides if (groups[i][0] in ("warm-up", "steady", "disturbed")) == on]
        if not alike:
            # A short run of its own between two stretches of the other kind stays what it is.
            may_be_short = (*may_be_short, groups[pick][0])
            continue
        to = max(alike, key=lambda i: groups[i][1])
        groups[pick] = (groups[to][0], groups[pick][1])
        labels = [k for k, n in groups for _ in range(n)]
