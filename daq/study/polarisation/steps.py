"""The steps of a sweep: stretches of a run in which nobody touched the supply, each once it stood still."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.frame import Block
from daq.measure import QUANTITIES, Assessor, Balance, Bins, Columns, FloatArray, Notes, measure, pressure_kpa
from daq.quantity import Quantity
from daq.store import Mark
from daq.study.runs import bench_then, lye_of_bins
from daq.watch import suited_to

__all__ = ["OperatingPoint", "Sweep", "find_steps"]

STEP_NS = 1_000_000_000
WINDOW_S = 10
LEAST_S = 60.0
"""A step is held for so long, or it is not used [s]: gas space and plates settle (judgement)."""
TAIL_S = (30.0, 120.0)
"""Of each step its last half counts, so long at least and at most [s]."""
TOUCHED_AMPS, TOUCHED_VOLTS = 0.03, 0.004
"""A change within four seconds by more than this share of itself is somebody's hand (judgement) ..."""
TOUCHED_SIGMAS = 10.0
"""... if it stands so far out of the noise."""
TOUCHED_DIGITS = 1.5
"""A last digit that flickers is no hand: the median of a quantised channel's changes is no measure of it."""
DRIFT_V_MIN, DRIFT_AMPS_MIN = 0.006, 0.06
"""Faster than this, per cell [V/min] or as a share of the current [1/min], a step has not settled (judgement:
a stack that warms by 1 K/min moves by half of that)."""
GASSING_V = 1.4
"""Below this no cell makes gas: nothing to fit [V]."""
_ROWS = {name: i for i, name in enumerate(QUANTITIES)}


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """One stretch at one setting of the supply.

    Attributes
    ----------
    from_s, to_s : float
        What of it counts [s].
    density, cell_volts, lye_temp : float
        Means over that [mA/cm2, V, degC].
    reason : str
        Why it is not used; empty for one that is.
    u95 : (float, float, float)
        Expanded uncertainties of the three means; NaN where not known.
    """

    from_s: float
    to_s: float
    density: float
    cell_volts: float
    lye_temp: float
    reason: str = ""
    u95: tuple[float, float, float] = (math.nan,) * 3


@dataclass(frozen=True, slots=True)
class Sweep:
    """The steps of one run.

    Attributes
    ----------
    bench : Bench
    steps : tuple of OperatingPoint
        All, in order of time.
    numbers : tuple of dict of str to Quantity
        Of the steps without a reason: by key of `NUMBERS`, one element each.
    p_kpa : float
        Pressure of the air, or of the gas [kPa].
    notes : tuple of str
    """

    bench: Bench
    steps: tuple[OperatingPoint, ...]
    numbers: tuple[Mapping[str, Quantity], ...] = field(repr=False)
    p_kpa: float
    notes: tuple[str, ...]

    @property
    def used(self) -> tuple[OperatingPoint, ...]:
        """The steps that settled."""
        return tuple(s for s in self.steps if not s.reason)


def find_steps(bench: Bench, blocks: Sequence[Block], marks: Sequence[Mark] = ()) -> Sweep:
    """Find the steps of a run that were held until they settled, and what flowed through the plates in each.

    Parameters
    ----------
    bench : Bench
        As it was when the run was made.
    blocks : sequence of Block
    marks : sequence of Mark
        Those that tell of the lye.
    """
    suited, notes = suited_to(bench, blocks)
    columns = Columns.from_blocks(blocks)
    span = columns.span_ns
    if span is None or not {"volts", "amps"} <= set(suited.channels):
        return Sweep(suited, (), (), math.nan, (*notes, "the run has no volts and amps"))
    bins = Bins(suited, step_ns=STEP_NS, first=(span[0] - 1) // STEP_NS)
    bins.add(columns)
    first = bins.first
    count = max(1, math.ceil((bins.end - first) / WINDOW_S))
    bins.extend(first + count * WINDOW_S)
    ends = first + WINDOW_S * np.arange(1, count + 1, dtype=np.int64)
    measured = measure(suited, bins, ends, WINDOW_S)
    lye = lye_of_bins(suited, bins, marks)
    assessor = Assessor(suited, lye)
    balance = assessor.balance(measured)
    found: list[OperatingPoint] = []
    used: list[Mapping[str, Quantity]] = []
    for low, high in _held(suited, bins, {n: _resolution(suited, columns, n) for n in ("volts", "amps")}):
        step, numbers = _step(suited, assessor, balance, first, low, high)
        if step is None:
            continue
        found.append(step)
        if not step.reason:
            used.append(numbers)
    pressure = np.asarray(pressure_kpa(suited, measured.means, Notes(count)).value)
    held = [s for s in found if not s.reason] or found
    if held:
        # Conductivity and reversible voltage are those of the lye on the mean over the steps.
        between = (int(1e9 * min(s.from_s for s in held)), int(1e9 * max(s.to_s for s in held)))
        suited = bench_then(suited, lye, *between)
    return Sweep(suited, tuple(found), tuple(used), float(np.nanmean(pressure)), notes)


# -- where the supply stood still --------------------------------------------------------------------------


def _held(bench: Bench, bins: Bins, resolution: Mapping[str, float]) -> list[tuple[int, int]]:
    """Stretches of seconds, first and one after the last, between touches of the supply."""
    seconds, sums = bins.windows(np.array([bins.end]), bins.end - bins.first)
    series = []
    for name in ("volts", "amps"):
        row = _ROWS[name]
        there = seconds[row, 0] > 0.0
        series.append(np.divide(sums[row, 0], seconds[row, 0], out=np.full(there.size, np.nan), where=there))
    volts, amps = series
    on = bench.supply.drives(amps)
    touched = ~on | _jumps(amps, TOUCHED_AMPS, on, TOUCHED_DIGITS * resolution["amps"])
    touched |= _jumps(volts, TOUCHED_VOLTS, on, TOUCHED_DIGITS * resolution["volts"])
    edges = np.flatnonzero(np.diff(np.concatenate([[True], touched, [True]]).astype(np.int8)))
    spans = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(int(a), int(b)) for a, b in spans if b - a >= TAIL_S[0]]


def _resolution(bench: Bench, columns: Columns, name: str) -> float:
    """What one digit of a channel is: as the bench file says, or as the values themselves show [unit]."""
    values = np.unique(columns.good(name)[1])
    gaps = np.diff(values)
    gaps = gaps[gaps > 1e-6 * float(np.abs(values).max(initial=0.0))]
    return max(bench.channels[name].resolution, float(gaps.min()) if gaps.size else 0.0)


def _jumps(series: FloatArray, share: float, on: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    """Seconds between two means of two seconds that differ by more than a hand's touch, and by `least`."""
    n = series.size
    out = np.zeros(n, dtype=bool)
    if n < 6:
        return out
    pairs = 0.5 * (series[1:] + series[:-1])
    change = pairs[3:] - pairs[:-3]
    level = np.maximum(np.abs(pairs[3:]), np.abs(pairs[:-3]))
    quiet = np.abs(change[on[2:-2]])
    quiet = quiet[np.isfinite(quiet)]
    noise = 1.4826 * float(np.median(quiet)) if quiet.size else 0.0
    with np.errstate(invalid="ignore"):
        far = np.abs(change) > np.maximum(share * level, max(TOUCHED_SIGMAS * noise, least))
    for shift in (0, 1):
        out[2 - shift : n - 2 - shift] |= far
    return out | ~np.isfinite(series)


def _step(
    bench: Bench, assessor: Assessor, balance: Balance, first: int, low: int, high: int
) -> tuple[OperatingPoint | None, Mapping[str, Quantity]]:
    """What a held stretch comes to; None for one in which no gas was made."""
    tail = min(max(0.5 * (high - low), TAIL_S[0]), TAIL_S[1])
    starts = balance.end_ns / STEP_NS - WINDOW_S - first
    where = (starts >= high - tail - 0.5 * WINDOW_S) & (starts + WINDOW_S <= high)
    if not where.any():
        return None, {}
    numbers = assessor.ratios.numbers(balance.averaged(where).flows)
    keys = ("amps", "cell_volts", "lye_temp")
    amps, cell, temp = (float(np.asarray(numbers[k].value)[0]) for k in keys)
    amps_u, cell_u, temp_u = (float(np.asarray(numbers[k].u95)[0]) for k in keys)
    if not (math.isfinite(amps) and math.isfinite(cell)) or cell < GASSING_V:
        return None, {}
    reason = ""
    if high - low < LEAST_S:
        reason = f"held for {high - low:.0f} s only, {LEAST_S:.0f} needed"
    elif not math.isfinite(temp):
        reason = "the lye's temperature is not known"
    else:
        of_volts, of_amps = (
            _per_min(np.asarray(balance.flows[k].value)[where]) for k in ("cell_volts", "amps")
        )
        if abs(of_volts) > DRIFT_V_MIN:
            reason = f"had not settled: {1e3 * of_volts:+.1f} mV a cell in a minute"
        elif abs(of_amps) > DRIFT_AMPS_MIN * amps:
            reason = f"had not settled: current {100.0 * of_amps / amps:+.1f} % in a minute"
    ends = balance.end_ns[where] / 1e9
    density, density_u = (1000.0 * x / bench.stack.plate_area_cm2 for x in (amps, amps_u))
    u95 = density_u, cell_u, temp_u
    return OperatingPoint(
        float(ends[0]) - WINDOW_S, float(ends[-1]), density, cell, temp, reason, u95
    ), numbers


def _per_min(means: FloatArray) -> float:
    known = np.isfinite(means)
    if known.sum() < 2:
        return 0.0
    x = np.arange(means.size)[known]
    return float(np.polyfit(x, means[known], 1)[0]) * 60.0 / WINDOW_S
