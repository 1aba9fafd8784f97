"""The leak measured: from a slow rise of the voltage, before the stack as a whole can make gas.

Below ``cells`` times the reversible voltage the plates in the middle make no gas. What flows then goes past
them, from one end plate to the other, in proportion to the voltage above that which the end plates take:
``I = G (V - V0)``. In operation the cells' voltages E are the ends of the same line: a leak of
``G (n E - V0)`` passes ``(n E - V0)/(n E)`` of the cells, so that per cell, on average,
``G (n E - V0)^2 / (n E)`` makes no gas.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.measure import Columns, FloatArray
from daq.physics.cell_voltage import v_rev
from daq.quantity import Quantity, correlated, propagate
from daq.stats import cosine_scores, cosines_for, least_squares
from daq.study.render import Count, Internal, NumberOf
from daq.study.runs import as_read

__all__ = ["Ramp", "find_ramps", "leak_of_line", "ramp_leak"]

STEP_S = 2.0
"""Volts and amps are averaged over so long before a line is laid through them [s]."""
LEAST_S = 60.0
"""A rise through the range in less is too quick to tell a leak from charge on the plates [s] (judgement)."""
LEAST_POINTS = 20
ABOVE_ONE_CELL_V = 2.2
"""Below this the end plates themselves do not conduct [V]."""
HIGHEST = 0.95
"""The line ends at this share of the stack's reversible voltage."""
LEAST_COVER = 0.6
"""A rise must cross so much of the range."""
WANDER = 1.3
"""Up and down together, over the rise: above it the voltage was not raised but wandered."""
UNKNOWN_TEMP_C, UNKNOWN_TEMP_U = 25.0, 5.0
"""Temperature of the lye during a rise where it is not measured [degC], and its standard uncertainty [K]
(judgement)."""
CAPACITY_F_CM2 = 0.05
"""Most that a rough plate's double layer and oxide hold [F/cm2], of its face (judgement)."""


@dataclass(frozen=True, slots=True)
class Ramp:
    """A slow rise, and the line through it.

    Attributes
    ----------
    from_s, to_s : float
        In the run [s].
    points : int
    volts_per_min : float
        How fast the voltage rose [V/min].
    lye_temp : Quantity
        Mean over it [degC]; 25 with a wide uncertainty where it is not measured.
    conductance : Quantity
        G [S].
    offset_volts : Quantity
        V0 [V].
    intercept : Quantity
        Of the line, ``-G V0`` [A].
    volts, amps : float64[points]
        What the line was laid through.
    """

    from_s: float
    to_s: float
    points: Count
    volts_per_min: float
    lye_temp: NumberOf
    conductance: NumberOf
    offset_volts: NumberOf
    intercept: Internal[Quantity]
    volts: Internal[FloatArray]
    amps: Internal[FloatArray]


def ramp_range(bench: Bench, lye_temp_c: float) -> tuple[float, float] | None:
    """Voltages between which only the leak conducts [V]; None for a stack of so few cells that there are
    none.
    """
    high = HIGHEST * bench.stack.cells * float(v_rev(min(max(lye_temp_c, 0.0), 100.0)))
    return (ABOVE_ONE_CELL_V, high) if high >= 1.5 * ABOVE_ONE_CELL_V else None


def find_ramps(bench: Bench, columns: Columns) -> list[Ramp]:
    """The slow rises of a run, in order of time.

    A rise crosses most of `ramp_range` in a minute or more, without wandering, and starts from a stack at
    rest. A falling voltage is not used: gas on the plates then holds a voltage of its own.
    """
    grid = _grid(columns)
    if grid is None:
        return []
    t_s, volts, amps, temp = grid
    mean_c = float(np.nanmean(temp)) if np.isfinite(temp).any() else 25.0
    span = ramp_range(bench, mean_c)
    if span is None:
        return []
    low, high = span
    inside = np.isfinite(volts) & np.isfinite(amps) & (volts >= low) & (volts <= high)
    out = []
    for piece in _stretches(inside):
        v = volts[piece]
        rise = float(v[-1] - v[0])
        wandered = float(np.abs(np.diff(v)).sum())
        long_enough = v.size >= LEAST_POINTS and t_s[piece][-1] - t_s[piece][0] >= LEAST_S
        if long_enough and rise >= LEAST_COVER * (high - low) and wandered <= WANDER * rise:
            out.append(_line(bench, t_s[piece], v, amps[piece], temp[piece]))
    return out


def ramp_leak(bench: Bench, ramp: Ramp, cell_volts: Quantity, kappa_ratio: Quantity) -> Quantity:
    """Mean leak current per cell in operation [A].

    Parameters
    ----------
    bench : Bench
    ramp : Ramp
    cell_volts : Quantity
        Voltage of a cell less the ohmic drop in its lye [V].
    kappa_ratio : Quantity
        Conductivity of the lye in operation over that during the rise [1].
    """
    n = bench.stack.cells

    def leak(g: float, intercept: float, e: float) -> float:
        return leak_of_line(g, intercept, n, e)

    return (propagate(leak, ramp.conductance, ramp.intercept, cell_volts, unit="A") * kappa_ratio).named("A")


def leak_of_line(g: float, intercept: float, cells: int, e: float) -> float:
    """Mean leak per cell of a line ``I = g V + intercept`` [A].

    Parameters
    ----------
    g, intercept : float
        Slope [S] and value at 0 V [A]; 0 is told of a line that does not rise.
    cells : int
        In series.
    e : float
        Voltage of a cell in operation [V].
    """
    # G (nE - V0) = G nE + intercept
    through = g * cells * e + intercept
    return max(through, 0.0) ** 2 / (g * cells * e) if g > 0.0 else 0.0


# -- parts -------------------------------------------------------------------------------------------------


def _grid(columns: Columns) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None:
    span = columns.span_ns
    if span is None or not columns.good("volts")[0].size or not columns.good("amps")[0].size:
        return None
    step = int(STEP_S * 1e9)
    first = span[0] // step
    count = span[1] // step - first + 1
    means: list[FloatArray] = []
    for name in ("volts", "amps", "lye_temp"):
        t_ns, values = columns.good(name)
        at = t_ns // step - first
        n = np.bincount(at, minlength=count)
        total = np.bincount(at, weights=values, minlength=count)
        means.append(np.divide(total, n, out=np.full(count, np.nan), where=n > 0))
    at_s = np.asarray((first + np.arange(count) + 0.5) * STEP_S, dtype=np.float64)
    return at_s, means[0], means[1], means[2]


def _stretches(where: NDArray[np.bool_]) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _line(bench: Bench, t_s: FloatArray, volts: FloatArray, amps: FloatArray, temp: FloatArray) -> Ramp:
    middle = float(volts.mean())
    fit = least_squares(np.column_stack([np.ones_like(volts), volts - middle]), amps)
    noise = cosine_scores(fit.influence * fit.residuals, cosines_for(volts.size))
    dof = cosines_for(volts.size)
    level, g = correlated(
        [float(fit.beta[0]), float(fit.beta[1])], noise, ["A", "S"], dof=dof, labels=["noise", "noise"]
    )
    # The meters' own errors: those of the slope by share, those of the level in full.
    stated = _stated(bench, "amps", level)
    over_volts = _stated(bench, "volts", Quantity(middle, 0.0, "V"))
    share = 0.01 * bench.channels["amps"].accuracy.percent_of_reading / math.sqrt(3.0)
    gain = Quantity(1.0, share, "", shape="rectangular", label="amps: gain")
    g = (g * gain).named("S")
    slow = (volts[-1] - volts[0]) / max(t_s[-1] - t_s[0], 1.0)
    charging = slow * CAPACITY_F_CM2 * bench.stack.plate_area_cm2 / bench.stack.cells
    # Charging the plates adds to the current, and is taken as half of its most: 0 to `charging`.
    held = Quantity(
        0.5 * charging,
        0.5 * charging / math.sqrt(3.0),
        "A",
        shape="rectangular",
        label="charge of the plates",
    )
    intercept = (level + stated).named("A") - held - (g * (over_volts + middle)).named("A")
    offset = (-intercept / g).named("V")
    return Ramp(
        from_s=float(t_s[0]),
        to_s=float(t_s[-1]),
        points=int(volts.size),
        volts_per_min=float(60.0 * (volts[-1] - volts[0]) / (float(t_s[-1]) - float(t_s[0]))),
        lye_temp=_mean_temp(bench, temp[np.isfinite(temp)]),
        conductance=g,
        offset_volts=offset,
        intercept=intercept,
        volts=volts,
        amps=amps,
    )


def _mean_temp(bench: Bench, known: FloatArray) -> Quantity:
    """Of a rise: the channel's accuracy, and how far the lye warmed meanwhile."""
    if not known.size:
        return Quantity(UNKNOWN_TEMP_C, UNKNOWN_TEMP_U, "degC", label="lye_temp")
    mean, half = float(known.mean()), 0.5 * float(np.ptp(known))
    warmed = Quantity(mean, half / math.sqrt(3.0), "degC", shape="rectangular", label="lye warmed")
    return (warmed + _stated(bench, "lye_temp", Quantity(mean, 0.0, "degC"))).named("degC")


def _stated(bench: Bench, channel: str, at: Quantity) -> Quantity:
    """What the channel's accuracy leaves open, as a quantity of value 0."""
    unit = bench.channels[channel].unit
    read = as_read(bench, channel, float(np.asarray(at.value)), unit)
    return Quantity.from_parts(0.0, unit, read.parts)
