"""What flows in many benches at one instant, and a step of time: every field an array over the benches.

One to three bodies (stack, tank, frame), each with its part of the loss; electrodes of three forms brought
to one equation at each temperature,

    v = a + b1 asinh(j / 2 j1) + b2 asinh(j / 2 j2) + s log10(t j + 1) + r j        [V], j [A/m2];

a supply with leads and a limit of its own, ``V_set = n v + R_lead I + R_soft max(I - I_knee, 0)``.

References
----------
.. [1] R. J. Gilliam et al., Int. J. Hydrogen Energy 32 (2007) 359, DOI 10.1016/j.ijhydene.2006.10.062:
   conductivity of KOH. From memory.
.. [2] O. Ulleberg, Int. J. Hydrogen Energy 28 (2003) 21, DOI 10.1016/S0360-3199(02)00033-2: the logarithmic
   form and its coefficients.
.. [3] M. Sanchez et al., Int. J. Hydrogen Energy 43 (2018) 20332, DOI 10.1016/j.ijhydene.2018.09.029: the
   same form with other coefficients. From memory.
.. [4] J. Balej, Int. J. Hydrogen Energy 10 (1985) 233, DOI 10.1016/0360-3199(85)90093-X: activity of water
   over KOH. From memory.
.. [5] Antoine's equation of water, 1 to 100 degC: 8.07131, 1730.63, 233.426 (mmHg, degC), the common table.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ASINH", "CONTINUOUS", "DOSES", "LINEAR", "LOGARITHMIC", "Benches", "FloatArray", "Flows", "Now", "State",
    "conductivity", "flows", "loss_shape", "step", "vapour_kpa",
]  # fmt: skip

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_F = 96485.33212
_R = 8.314462618
_M_WATER = 0.018015
_SIGMA_SHAPE_K = 30.0
_CP_WATER = 4180.0
"""Of lye too, for each kilogram of the water in it: 25 % KOH has 3.1 to 3.2 kJ/(kg K), common tables."""

ASINH, LOGARITHMIC, LINEAR = 0.0, 1.0, 2.0
CONTINUOUS, DOSES = 1.0, 2.0


class _Columns:
    """Fields that are arrays over the benches."""

    @classmethod
    def names(cls) -> list[str]:
        """Of the fields, in their order."""
        return [f.name for f in fields(cls)]  # type: ignore[arg-type]

    def take(self, index: object) -> Self:
        """Those of `index`."""
        return type(self)(*(getattr(self, f.name)[index] for f in fields(self)))  # type: ignore[arg-type]


@dataclass(slots=True)
class Benches(_Columns):
    """What does not change over a run."""

    form: FloatArray
    """`ASINH`, `LOGARITHMIC` or `LINEAR`."""
    e: FloatArray
    """Parameters of the electrodes, benches by eight."""
    cells: FloatArray
    area: FloatArray
    """Of a plate [m2]."""
    w0: FloatArray
    """Mass fraction of KOH at the start."""
    volts: FloatArray
    """Set-point of the supply [V]."""
    lead: FloatArray
    """Resistance between where the supply regulates and the stack [ohm]."""
    knee: FloatArray
    """Current at which the supply's limit begins [A]."""
    soft: FloatArray
    """How the supply's voltage falls beyond it [ohm]."""
    folds: FloatArray
    """Share of the limit that goes as the voltage does: 0 holds it."""
    stack_j_k: FloatArray
    tank_j_k: FloatArray
    frame_j_k: FloatArray
    """Metal alone [J/K]."""
    lye_in_stack: FloatArray
    to_tank: FloatArray
    to_frame: FloatArray
    """Conductances between the bodies [W/K]."""
    loss: FloatArray
    """At 30 K over the room [W/K]."""
    on_stack: FloatArray
    on_tank: FloatArray
    on_frame: FloatArray
    power: FloatArray
    radiated: FloatArray
    fanned: FloatArray
    """The law of the loss: exponent of free convection, and shares of radiation and of forced air."""
    wet: FloatArray
    """Saturation of the gas that leaves, less what drips back."""
    wet_at_stack: FloatArray
    koh_kg: FloatArray
    water_kg: FloatArray
    made_up: FloatArray
    """0 never, `CONTINUOUS`, `DOSES`."""
    dose: FloatArray
    """Of the water: what a dose brings."""


@dataclass(slots=True)
class Now(_Columns):
    """Conditions."""

    volts: FloatArray
    knee: FloatArray
    duty: FloatArray
    loss: FloatArray
    room_c: FloatArray
    leak_s: FloatArray
    """Of a cell at 25 degC [S]."""
    area: FloatArray


@dataclass(slots=True)
class State(_Columns):
    """Temperatures [degC], water [kg], and where the last solution was."""

    stack_c: FloatArray
    tank_c: FloatArray
    frame_c: FloatArray
    water_kg: FloatArray
    j: FloatArray
    drawn_v: FloatArray
    """Stack volts of the last step [V]: a limit that folds back follows them."""


@dataclass(slots=True)
class Flows(_Columns):
    """Means over the pulses."""

    volts: FloatArray
    """Of the stack while it conducts [V]."""
    amps: FloatArray
    gas_amps: FloatArray
    power_w: FloatArray
    heat_w: FloatArray
    vapour_w: FloatArray
    water_kg_s: FloatArray
    j: FloatArray


def conductivity(t_k: FloatArray, w: FloatArray) -> FloatArray:
    """Of KOH [S/m], [1]; mass fraction 0.05 to 0.45."""
    m = w * (1001.5 - 0.083 * (t_k - 273.15) - 0.004 * (t_k - 273.15) ** 2) * np.exp(0.86 * w) / 56.1056
    s_cm = (
        -2.041 * m - 0.0028 * m**2 + 0.005332 * m * t_k + 207.2 * m / t_k + 0.001043 * m**3
        - 3e-7 * m**2 * t_k**2
    )  # fmt: skip
    return np.asarray(100.0 * s_cm)


def vapour_kpa(t_c: FloatArray, w: FloatArray) -> FloatArray:
    """Of water over KOH [kPa], [5] times the activity by [4]."""
    m = w / (1.0 - w) / 0.0561056
    t_k = t_c + 273.15
    log_a = -0.02255 * m + 0.001434 * m**2 + (1.38 * m - 0.9254 * m**2) / t_k
    return np.asarray(0.133322 * 10.0 ** (8.07131 - 1730.63 / (233.426 + t_c)) * 10.0**log_a)


def _coefficients(p: Benches, t_c: FloatArray, w: FloatArray) -> tuple[FloatArray, ...]:
    t_k = t_c + 273.15
    kappa = conductivity(t_k, w)
    stronger = conductivity(np.full_like(t_c, 313.15), p.w0) / conductivity(np.full_like(t_c, 313.15), w)
    e = p.e.T
    rev = 1.229 - 0.85e-3 * (t_c - 25.0)
    colder = (1.0 / t_k - 1.0 / 298.15) / _R
    a, log_form, line = p.form == ASINH, p.form == LOGARITHMIC, p.form == LINEAR
    zero, one = np.zeros_like(t_c), np.ones_like(t_c)
    base = np.where(line, e[0] - e[1] * (t_c - 25.0), rev)
    b1 = np.where(a, _R * t_k / (np.where(a, e[4], 1.0) * _F), zero)
    b2 = np.where(a, _R * t_k / (np.where(a, e[5], 1.0) * _F), zero)
    j1 = np.where(a, e[0] * np.exp(-np.where(a, e[2], 0.0) * colder), one)
    j2 = np.where(a, e[1] * np.exp(-np.where(a, e[3], 0.0) * colder), one)
    s = np.where(log_form, e[2], zero)
    warm = np.maximum(t_c, 5.0)
    t = np.where(log_form, np.maximum(e[3] + e[4] / warm + e[5] / warm**2, 1e-4), zero)
    r = np.where(
        a, e[6] / (0.8 * kappa) + e[7],
        np.where(log_form, (e[0] + e[1] * t_c) * stronger + e[7],
                 e[2] * np.exp(-np.where(line, e[3], 0.0) * (t_c - 25.0)) * stronger + e[7]),
    )  # fmt: skip
    return base, b1, j1, b2, j2, s, t, r


def _cell(c: tuple[FloatArray, ...], j: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Volts of a cell, and its slope over ln j."""
    base, b1, j1, b2, j2, s, t, r = c
    x1, x2, u = 0.5 * j / j1, 0.5 * j / j2, t * j
    v = base + b1 * np.arcsinh(x1) + b2 * np.arcsinh(x2) + s * np.log10(u + 1.0) + r * j
    slope = (
        b1 * x1 / np.sqrt(1.0 + x1 * x1) + b2 * x2 / np.sqrt(1.0 + x2 * x2)
        + s * 0.4342944819 * u / (u + 1.0) + r * j
    )  # fmt: skip
    return v, slope


def flows(p: Benches, s: State, now: Now, rounds: int = 4) -> Flows:
    """Solve supply, leads, cells and leak by Newton's method in ln j from the last solution."""
    w = np.clip(p.koh_kg / (p.koh_kg + s.water_kg), 0.05, 0.45)
    t = np.minimum(s.stack_c, 105.0)
    c = _coefficients(p, t, w)
    leak_s = now.leak_s * (1.0 + 0.02 * (t - 25.0))
    knee = p.knee * now.knee
    knee = knee * (1.0 - p.folds * (1.0 - np.clip(s.drawn_v / (p.volts * now.volts), 0.2, 1.0)))
    area = p.area * now.area
    target = p.volts * now.volts
    log_j = np.log(s.j)
    for _ in range(rounds):
        j = np.exp(log_j)
        v, dv = _cell(c, j)
        over_v = v > 1.2
        amps = area * j + np.where(over_v, leak_s * (v - 1.2), 0.0)
        d_amps = area * j + np.where(over_v, leak_s * dv, 0.0)
        limited = amps > knee
        r = p.lead + np.where(limited, p.soft, 0.0)
        off = p.cells * v + p.lead * amps + np.where(limited, p.soft * (amps - knee), 0.0) - target
        log_j = log_j - np.clip(off / np.maximum(p.cells * dv + r * d_amps, 1e-9), -1.5, 1.5)
        log_j = np.clip(log_j, -7.0, 12.0)
    j = np.exp(log_j)
    v, _ = _cell(c, j)
    gas = now.duty * area * j
    amps = gas + now.duty * leak_s * np.maximum(v - 1.2, 0.0)
    power = p.cells * v * amps
    heat = power - p.cells * gas * (1.481 - 1.5e-4 * (t - 25.0))
    wet_c = np.minimum(np.where(p.wet_at_stack > 0.0, s.stack_c, s.tank_c), 97.0)
    steam_kpa = p.wet * vapour_kpa(wet_c, w)
    steam = 0.75 * p.cells * gas / _F * steam_kpa / np.maximum(101.325 - steam_kpa, 15.0)
    water = _M_WATER * (0.5 * p.cells * gas / _F + steam)
    return Flows(p.cells * v, amps, gas, power, heat, steam * (45_050.0 - 42.9 * wet_c), water, j)


def loss_shape(p: Benches, t_c: FloatArray, now: Now) -> FloatArray:
    """Loss of all at one temperature for a coefficient of 1 W/K [W]."""
    rise = t_c - now.room_c
    room_k = now.room_c + 273.15
    free = rise * (np.abs(rise) / _SIGMA_SHAPE_K + 1e-9) ** (p.power - 1.0)
    fourth = ((t_c + 273.15) ** 4 - room_k**4) / ((room_k + _SIGMA_SHAPE_K) ** 4 - room_k**4)
    carried = p.fanned * rise + (1.0 - p.fanned - p.radiated) * free
    return np.asarray(now.loss * carried + p.radiated * _SIGMA_SHAPE_K * fourth)


def _exchange(
    hot: FloatArray, cold: FloatArray, c_hot: FloatArray, c_cold: FloatArray, k: FloatArray, dt: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Two bodies joined for `dt`, exactly."""
    mean = (c_hot * hot + c_cold * cold) / (c_hot + c_cold)
    apart = (hot - cold) * np.exp(-dt * k * (1.0 / c_hot + 1.0 / c_cold))
    return mean + apart * c_cold / (c_hot + c_cold), mean - apart * c_hot / (c_hot + c_cold)


def step(p: Benches, s: State, now: Now, dt: FloatArray, rounds: int = 4) -> tuple[State, Flows]:
    """One step: loss explicitly, exchange between the bodies exactly, water with its heat."""
    f = flows(p, s, now, rounds)
    lye = _CP_WATER * s.water_kg
    c1 = p.stack_j_k + lye * p.lye_in_stack
    c2 = p.tank_j_k + lye * (1.0 - p.lye_in_stack)
    at_stack = p.wet_at_stack
    t1 = s.stack_c + dt / c1 * (
        f.heat_w - p.loss * p.on_stack * loss_shape(p, s.stack_c, now) - at_stack * f.vapour_w
    )
    t2 = s.tank_c - dt / c2 * (
        p.loss * p.on_tank * loss_shape(p, s.tank_c, now) + (1.0 - at_stack) * f.vapour_w
    )
    t3 = s.frame_c - dt / p.frame_j_k * (p.loss * p.on_frame * loss_shape(p, s.frame_c, now))
    t1, t2 = _exchange(t1, t2, c1, c2, p.to_tank, dt)
    t1, t3 = _exchange(t1, t3, c1, p.frame_j_k, p.to_frame, dt)
    water = s.water_kg - dt * f.water_kg_s
    kept = p.made_up == CONTINUOUS
    due = (p.made_up == DOSES) & (water < (1.0 - p.dose) * p.water_kg)
    added = np.where(kept, dt * f.water_kg_s, np.where(due, p.water_kg - water, 0.0))
    t2 = t2 - _CP_WATER * added * (t2 - now.room_c) / (c2 + _CP_WATER * added)
    water = np.maximum(water + added, 0.35 * p.water_kg)
    new = State(np.clip(t1, -5.0, 112.0), np.clip(t2, -5.0, 112.0), np.clip(t3, -5.0, 112.0), water, f.j,
                f.volts)  # fmt: skip
    return new, f
