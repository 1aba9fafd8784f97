"""The reservoir weighed: how much water has gone, and what that says of the gas, beside any flow meter.

Every two electrons through a cell take a molecule of water, and the gas carries vapour off besides:
``-dm/dQ = eta n M / (2 F) (1 + 1.5 r)``, with eta the Faradaic efficiency, n cells, M the molar mass of water
and r the vapour carried per mole of dry gas, of which 1.5 come from a mole of water. The mass is laid as a
line over the charge, stretch by stretch between whatever touched the balance, all with one slope.

The gas in litres depends on the balance and the vapour alone; the Faradaic efficiency also on ammeter and
cells. Neither depends on a flow meter, on its factor, or on where the gas is measured: gas that leaks into
the room has been weighed all the same.

References
----------
.. [1] OIML R 76-1:2006, 3.9.2.3: a balance's zero may move by a verification interval for 5 K.
.. [2] OIML D 28:2004: the conventional value of weighing in air, by weights of 8000 kg/m3 at 1.2 kg/m3.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.measure import Columns, Finding, FloatArray
from daq.physics.constants import FARADAY, M_H2O
from daq.physics.moist_gas import vapour_per_dry, vapour_pressure_lye
from daq.physics.reference import reference_condition
from daq.quantity import Quantity, propagate
from daq.stats import cosine_scores, cosines_for
from daq.store import Mark
from daq.study.render import Count, Magnitude, Number
from daq.study.review.headline import BudgetShare

__all__ = ["Weighing", "WeighingResult", "weigh_run", "weighing_finding"]

STEP_S: Final = 10.0
LEAST_S: Final = 600.0
"""A run is weighed over so long at least [s] (judgement)."""
SETTLE_S: Final = 300.0
"""After the current was changed the stack's gas pushes lye into the reservoir for so long [s] (judgement)."""
CHANGED: Final = 0.1
"""A current that moves by this share within a minute was changed (judgement)."""
TOUCHED_SIGMAS, TOUCHED_DIGITS = 8.0, 4.0
"""The mass was touched (topped up, hose moved) where it jumps by so many times its noise and its digits."""
AROUND_S: Final = 60.0
"""On either side of that nothing counts [s]."""
ZERO_DRIFT_G: Final = 0.04
"""How far a balance's zero may move in a run, or its digit where that is more [g]: [1] allows an interval of
0.1 g for 5 K, and a room moves by some 2 K (judgement)."""
OFF_BALANCE_SHARE: Final = 0.3
"""Standard uncertainty of the share of the lye that stands beside the balance, in stack and hoses [1]: as it
warms it swells into the reservoir (judgement)."""
SWELLS_PER_K: Final = 5e-4
"""Thermal expansion of lye [1/K], of 20 to 30 % KOH at 20 to 60 degC (by `daq.physics.lye`)."""
HOLD_UP_G_PER_L: Final = 0.05
"""Standard uncertainty of what gas held in the stack pushes over while the current stands [g per L of lye]
(judgement)."""
BUOYANCY, BUOYANCY_ERROR = 1.0007, 0.0004
"""Water that went for mass read: weights of steel in air by [2], and in the water's place gas of 0.5 to air
of 1.2 kg/m3; and its limit of error."""
SATURATED_ERROR: Final = 0.05
"""How far the gas may be from saturated over the lye, as a share of its vapour (judgement; as for the
meter)."""
GAS_PER_WATER: Final = 1.5
KNOWN_KPA = (101.325, 3.0)
_SQRT3 = math.sqrt(3.0)


_DEPENDS_ON = {
    "flow_dry_ref": ("balance", "lye temperature and strength, for the vapour"),
    "faradaic_efficiency": ("balance", "ammeter", "cells", "lye temperature and strength"),
}
_INDEPENDENT_OF = ("flow meter", "its factor and scale", "gas that leaks before the meter")


@dataclass(frozen=True, slots=True)
class WeighingResult:
    """What the balance says of a run, over so many seconds, and the flow meter over the same time.

    Attributes
    ----------
    stretches : int
        Between what touched the balance.
    budget : sequence of BudgetShare
        Of the Faradaic efficiency's variance.
    rests_on, independent_of : sequence of str
    depends_on : mapping of str to sequence of str
    """

    seconds: Magnitude
    stretches: Count
    water_lost: Number
    as_vapour: Number
    charge: Number
    faradaic_efficiency: Number
    flow_dry_ref: Number
    budget: Sequence[BudgetShare]
    rests_on: Sequence[str]
    depends_on: Mapping[str, Sequence[str]]
    independent_of: Sequence[str]
    flow_meter: Number | None


@dataclass(frozen=True, slots=True)
class Weighing:
    """What the balance says.

    Attributes
    ----------
    seconds : float
        Weighed [s].
    lost_g, vapour_g : Quantity
        Water that went, and the part of it that went as vapour [g].
    charge_ah : float
        Through the stack in that time [Ah].
    faradaic : Quantity
        [1]
    dry_lpm : Quantity
        Dry gas at the bench's reference [L/min].
    stretches : int
        Between what touched the balance.
    notes : tuple of str
    """

    seconds: float
    lost_g: Quantity
    vapour_g: Quantity
    charge_ah: float
    faradaic: Quantity
    dry_lpm: Quantity
    stretches: int
    notes: tuple[str, ...]
    used: NDArray[np.bool_]
    at_s: FloatArray

    def result(self, flow_meter: Number | None) -> WeighingResult:
        """As a review tells it, with the dry gas by the flow meter over the same time."""
        return WeighingResult(
            seconds=self.seconds,
            stretches=self.stretches,
            water_lost=Number.of_quantity(self.lost_g, "g"),
            as_vapour=Number.of_quantity(self.vapour_g, "g"),
            charge=Number(self.charge_ah, None, "Ah"),
            faradaic_efficiency=Number.of_quantity(self.faradaic, "1"),
            flow_dry_ref=Number.of_quantity(self.dry_lpm, "L/min"),
            budget=_budget(self.faradaic),
            rests_on=self.notes,
            depends_on=_DEPENDS_ON,
            independent_of=_INDEPENDENT_OF,
            flow_meter=flow_meter,
        )


def weigh_run(bench: Bench, columns: Columns, marks: Sequence[Mark] = ()) -> Weighing | None:
    """Weigh a run; None where it has no mass and amps, or too little time that counts.

    Parameters
    ----------
    bench : Bench
        As it was when the run was made; its channels `mass` and, for readings that the balance called moving,
        `mass_moving` are in grams.
    columns : Columns
        All samples.
    marks : sequence of Mark
        Those that tell of a top-up end a stretch.
    """
    if "mass" not in bench.channels or "amps" not in bench.channels:
        return None
    grid = _grid(bench, columns)
    if grid is None:
        return None
    t_s, mass, amps, charge, temp, moving = grid
    resolution = bench.channels["mass"].resolution
    counts = _counts(bench, t_s, mass, amps)
    cuts = _touched(t_s, mass, counts, resolution) | _marked(t_s, marks)
    counts &= ~_around(t_s, cuts)
    stretch: NDArray[np.intp] = np.cumsum(cuts.astype(np.intp))
    for number in np.unique(stretch[counts]):
        here = counts & (stretch == number)
        if here.sum() * STEP_S < 0.25 * LEAST_S:
            counts &= ~here
    seconds = float(counts.sum() * STEP_S)
    if seconds < LEAST_S:
        return None
    fit = _line(bench, mass[counts], charge[counts], temp[counts], stretch[counts])
    slope, noise_u, dof = fit
    spent = -slope  # grams a coulomb
    coulombs = float((amps[counts] * STEP_S).sum())
    moved = abs(spent) * coulombs
    notes = _notes(moving, np.unique(stretch[counts]).size)
    lost = _lost(bench, spent * coulombs, noise_u * coulombs, dof, resolution, moved)
    vapour, kpa_note = _vapour(bench, columns, temp[counts])
    notes += kpa_note
    share = propagate(lambda r: 1.0 / (1.0 + GAS_PER_WATER * r), vapour, unit="")
    split = (lost * share).named("g")
    amps_mean = _read(bench, "amps", float(amps[counts].mean()), "A")
    could = amps_mean * (seconds * bench.stack.cells * M_H2O / (2.0 * FARADAY))
    litres = reference_condition(bench.site.reference).molar_volume_l
    per_gram = GAS_PER_WATER / M_H2O * litres * 60.0 / seconds
    return Weighing(
        seconds=seconds,
        lost_g=lost,
        vapour_g=(lost - split).named("g"),
        charge_ah=coulombs / 3600.0,
        faradaic=(split / could).named(""),
        dry_lpm=(split * per_gram).named("L/min"),
        stretches=int(np.unique(stretch[counts]).size),
        notes=tuple(notes),
        used=counts,
        at_s=t_s,
    )


def weighing_finding(found: Weighing, metered: Number) -> Finding | None:
    """What it means that balance and flow meter differ beyond their U; None where they agree.

    Parameters
    ----------
    found : Weighing
    metered : Number
        Dry gas by the meter over the same time [L/min].
    """
    value, u95 = metered.value, metered.u95
    weighed, own = _number(found.dry_lpm.value), _number(found.dry_lpm.u95)
    if value is None or u95 is None or not math.isfinite(weighed):
        return None
    apart = weighed - value
    if abs(apart) <= math.hypot(own, u95):
        return None
    share = 100.0 * abs(apart) / abs(weighed) if weighed else math.inf
    if apart > 0.0:
        return Finding(
            "weighed_above_meter",
            f"The balance misses water for {weighed:.3g} L/min of dry gas, the flow meter shows {value:.3g}: "
            f"{share:.0f} % of the gas does not come to the meter, beyond both uncertainties.",
            (
                (
                    "GAS LEAKS INTO THE ROOM before the meter: it is explosive. Switch off, air the room, "
                    "then look for the leak with soapy water"
                ),
                "lye is carried over as foam or spray, past what is weighed",
                "the meter's factor or scale is not right for this gas: check it with a timed fill",
                "lye leaks out of the stack or a hose",
                "the reservoir dries into open air, or the gas leaves hotter than the lye's temperature says",
            ),
        )
    return Finding(
        "weighed_below_meter",
        f"The balance misses water for {weighed:.3g} L/min of dry gas only, the flow meter shows "
        f"{value:.3g}: {share:.0f} % more, beyond both uncertainties.",
        (
            "the meter's factor or scale is not right for this gas: check it with a timed fill",
            "steam at the meter is not taken out, because the temperature there is not the one given",
            "a hose or cable leans on the balance, or water was added without a mark",
            "condensate runs back from what is not weighed",
        ),
    )


# -- the record --------------------------------------------------------------------------------------------


def _grid(
    bench: Bench, columns: Columns
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, bool] | None:
    """Means over `STEP_S`: time [s], mass [g], amps, charge from the start [C], lye [degC]; whether readings
    that the balance called moving had to be taken in."""
    span = columns.span_ns
    if span is None:
        return None
    step = round(STEP_S * 1e9)
    first, count = span[0] // step, span[1] // step - span[0] // step + 1

    def mean(t_ns: NDArray[np.int64], values: FloatArray) -> FloatArray:
        at = t_ns // step - first
        n = np.bincount(at, minlength=count)
        total = np.bincount(at, weights=values, minlength=count)
        out: FloatArray = np.divide(total, n, out=np.full(count, np.nan), where=n > 0)
        return out

    steady, moving = columns.good("mass"), columns.good("mass_moving")
    taken = bool(moving[0].size > 2 * steady[0].size)
    if taken:
        order = np.argsort(np.concatenate([steady[0], moving[0]]), kind="stable")
        both = tuple(np.concatenate([a, b])[order] for a, b in zip(steady, moving, strict=True))
        steady = both[0], both[1]
    if not steady[0].size or not columns.good("amps")[0].size:
        return None
    mass, amps = mean(*steady), mean(*columns.good("amps"))
    temp = mean(*columns.good("lye_temp"))
    held = np.nan_to_num(amps)
    charge = np.cumsum(held) * STEP_S - 0.5 * held * STEP_S
    t_s = np.asarray((first + np.arange(count) + 0.5) * STEP_S, dtype=np.float64)
    return t_s, mass, amps, np.asarray(charge, dtype=np.float64), temp, taken


def _counts(bench: Bench, t_s: FloatArray, mass: FloatArray, amps: FloatArray) -> NDArray[np.bool_]:
    """Where the current had stood for a while."""
    on = bench.supply.drives(amps)
    before = np.concatenate([np.full(6, np.nan), amps[:-6]]) if amps.size > 6 else np.full(amps.shape, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        changed = ~on | (np.abs(amps - before) > CHANGED * np.abs(amps)) | ~np.isfinite(before)
    last = np.where(changed, t_s, -np.inf)
    since = t_s - np.maximum.accumulate(last)
    return np.asarray(on & np.isfinite(mass) & (since > SETTLE_S))


def _touched(t_s: FloatArray, mass: FloatArray, counts: NDArray[np.bool_], digit: float) -> NDArray[np.bool_]:
    """Steps at which the mass jumped."""
    out = np.zeros(mass.size, dtype=bool)
    where = np.flatnonzero(np.isfinite(mass))
    if where.size < 4:
        return out
    change = np.diff(mass[where])
    slow = change - float(np.median(change[counts[where][1:]])) if counts.any() else change
    noise = 1.4826 * float(np.median(np.abs(slow)))
    out[where[1:]] = np.abs(slow) > max(TOUCHED_SIGMAS * noise, TOUCHED_DIGITS * digit, 1e-3)
    return out


def _marked(t_s: FloatArray, marks: Sequence[Mark]) -> NDArray[np.bool_]:
    """Steps in which somebody said that water was added."""
    out = np.zeros(t_s.size, dtype=bool)
    for mark in marks:
        if (
            mark.kind == "top_up"
            or "top" in mark.text.lower().replace("-", " ").split()[:2]
            or ("topped up" in mark.text.lower())
        ):
            at = int(np.searchsorted(t_s, mark.t_ns / 1e9))
            if at < out.size:
                out[at] = True
    return out


def _around(t_s: FloatArray, cuts: NDArray[np.bool_]) -> NDArray[np.bool_]:
    near = np.zeros(t_s.size, dtype=bool)
    for at in t_s[cuts]:
        near |= np.abs(t_s - at) <= AROUND_S
    return near


# -- the line ----------------------------------------------------------------------------------------------


def _line(
    bench: Bench, mass: FloatArray, charge: FloatArray, temp: FloatArray, stretch: NDArray[np.intp]
) -> tuple[float, float, float]:
    """Slope of mass against charge [g/C], its standard uncertainty, and degrees of freedom.

    A constant for each stretch; the lye that swells into the reservoir as it warms goes with the temperature,
    by a coefficient that has a prior, since in a steady run nothing tells it.
    """
    numbers = np.unique(stretch)
    constants = (stretch[:, np.newaxis] == numbers[np.newaxis, :]).astype(np.float64)
    warmth = np.nan_to_num(temp - float(np.nanmean(temp)) if np.isfinite(temp).any() else 0.0 * temp)
    scale = max(float(np.ptp(charge)), 1.0)
    design = np.column_stack([(charge - charge.mean()) / scale, warmth, constants])
    grams = 1e3 * bench.stack.litres * SWELLS_PER_K  # per kelvin, were all the lye beside the balance
    prior = max(OFF_BALANCE_SHARE * grams, 1e-6)
    s = float(np.std(np.diff(mass))) / math.sqrt(2.0) + 1e-6
    slope, u, dof = 0.0, 0.0, 1.0
    for _ in range(3):
        row = np.zeros((1, design.shape[1]))
        row[0, 1] = s / prior
        whole = np.vstack([design, row])
        inverse = np.linalg.pinv(whole.T @ whole)
        influence = inverse @ whole.T
        beta = influence @ np.append(mass, 0.0)
        residual = mass - design @ beta
        s = max(float(np.sqrt(residual @ residual / max(1, mass.size - design.shape[1]))), 1e-6)
        dof = float(cosines_for(mass.size))
        noise = float(np.asarray(cosine_scores(influence[0, :-1] * residual, int(dof))).reshape(-1)[0])
        swelling = (influence[0, -1] * s) ** 2  # what the prior leaves open
        slope, u = float(beta[0]) / scale, math.sqrt(max(noise, 0.0) + swelling) / scale
    return slope, u, dof


def _lost(
    bench: Bench, grams: float, noise_g: float, dof: float, resolution: float, moved: float
) -> Quantity:
    """Water that went, with what the balance leaves open [g]."""
    a = bench.channels["mass"].accuracy
    lost = Quantity(grams, noise_g, "g", label="mass: noise", dof=dof)
    gain = Quantity(1.0, 0.01 * a.percent_of_reading / _SQRT3, "", shape="rectangular", label="mass: gain")
    # Two readings of one balance: what is wrong in both alike falls away, linearity does not.
    fixed = a.absolute + a.counts * resolution
    line = Quantity(0.0, fixed / _SQRT3, "g", shape="rectangular", label="mass: accuracy")
    zero = max(ZERO_DRIFT_G, resolution) / _SQRT3
    drift = Quantity(0.0, zero, "g", shape="rectangular", label="mass: zero drift")
    held = Quantity(0.0, HOLD_UP_G_PER_L * bench.stack.litres, "g", label="gas held in the stack")
    air = Quantity(BUOYANCY, BUOYANCY_ERROR / _SQRT3, "", shape="rectangular", label="buoyancy")
    return ((lost * gain + line + drift + held) * air).named("g")


def _vapour(bench: Bench, columns: Columns, temp: FloatArray) -> tuple[Quantity, list[str]]:
    """Vapour carried per mole of dry gas [1]."""
    stack, notes = bench.stack, []
    if np.isfinite(temp).any():
        lye = _read(bench, "lye_temp", float(np.nanmean(temp)), "degC")
    else:
        lye = Quantity(40.0, 5.0, "degC", label="lye_temp")
        notes.append("lye temperature not measured: 40 ± 10 °C taken for the vapour")
    pressures = columns.good("room_pressure")[1]
    if pressures.size:
        kpa = _read(bench, "room_pressure", float(pressures.mean()), "kPa")
    elif bench.site.pressure_kpa is not None:
        kpa = Quantity(bench.site.pressure_kpa, 0.5, "kPa", label="pressure")
    else:
        from daq.physics.moist_gas import ALTITUDE_PRESSURE_U_KPA, pressure_from_altitude

        height = bench.site.altitude_m
        value = KNOWN_KPA[0] if height is None else float(pressure_from_altitude(height))
        u = KNOWN_KPA[1] if height is None else ALTITUDE_PRESSURE_U_KPA
        kpa = Quantity(value, u, "kPa", label="pressure")
    full = Quantity(1.0, SATURATED_ERROR / _SQRT3, "", shape="rectangular", label="saturation")
    notes.append(
        "gas taken to leave what is weighed saturated over lye of the lye's own temperature, within 5 %"
    )
    strength = Quantity(stack.mass_fraction, stack.mass_fraction_u, "", label="lye strength")

    def carried(t_c: float, w: float, p: float, of: float) -> float:
        over = float(np.asarray(vapour_pressure_lye(t_c, w, stack.electrolyte, outside="nan")))
        return float(np.asarray(vapour_per_dry(of * over, p, outside="nan")))

    return propagate(carried, lye, strength, kpa, full, unit=""), notes


# -- small things ------------------------------------------------------------------------------------------


def _notes(moving: bool, stretches: int) -> list[str]:
    notes = ["lye that swells into the reservoir as it warms is fitted with the temperature"]
    if moving:
        notes.append("most readings were called moving by the balance: they are taken in all the same")
    if stretches > 1:
        notes.append(f"the mass was touched or topped up: {stretches} stretches, all with one slope")
    return notes


def _read(bench: Bench, channel: str, value: float, unit: str) -> Quantity:
    from daq.study.runs import as_read

    return as_read(bench, channel, value, unit)


def _number(value: Any) -> float:
    return float(np.asarray(value).reshape(-1)[0])


def _budget(quantity: Quantity) -> list[BudgetShare]:
    parts = [(p.label, float(np.asarray(p.share).reshape(-1)[0])) for p in quantity.budget()]
    return [BudgetShare(label, share) for label, share in parts if share >= 0.01]
