"""A stack and its room by equations of their own: what was so in a run, before any sensor looked.

Numpy alone, and none of the product's functions. Everything that a bench file does not say is drawn at
random: polarisation, leak, loss to the room, how the supply is driven, what it does in between.

References
----------
.. [1] A. L. Buck, J. Appl. Meteorol. 20 (1981) 1527, as revised in 1996: vapour pressure over water.
.. [2] J. Balej, Int. J. Hydrogen Energy 10 (1985) 233: vapour pressure over KOH solution (coefficients from
   memory; a test holds them to [1] at 0 mol/kg).
.. [3] Faraday's law with CODATA's constants; enthalpy of formation of water 285.83 kJ/mol with a heat
   capacity of reaction of -31.8 J/(mol K) (CODATA key values and JANAF heat capacities at 25 degC).
.. [4] R. Gilliam et al., Int. J. Hydrogen Energy 32 (2007) 359: density of KOH as an exponential.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Array",
    "History",
    "Plant",
    "buck_kpa",
    "draw_plant",
    "koh_kg_l",
    "lye_kg",
    "over_koh_kpa",
    "run_plant",
]

Array = NDArray[np.float64]
F, R_GAS = 96485.33212, 8.314462618
M_WATER, M_KOH = 18.01528e-3, 56.1056e-3
STEP_S = 1.0
CUT_C = 80.0
"""At this lye temperature the supply is cut for good, as a bench's own limit would [degC]."""


def buck_kpa(t_c: float) -> float:
    """Vapour pressure of water [kPa], [1]."""
    return 0.61121 * math.exp((18.678 - t_c / 234.5) * (t_c / (257.14 + t_c)))


def over_koh_kpa(t_c: float, mass_fraction: float) -> float:
    """Vapour pressure over KOH solution [kPa], [2]."""
    m = mass_fraction / (1.0 - mass_fraction) / M_KOH
    t = t_c + 273.15
    water = 35.4462 - 3343.93 / t - 10.9 * math.log10(t) + 0.0041645 * t
    a = -0.01508 * m - 0.0016788 * m * m + 2.25887e-5 * m**3
    b = 1.0 - 0.0012062 * m + 5.6024e-4 * m * m - 7.8228e-6 * m**3
    return float(100.0 * 10.0 ** (a + b * water))


def koh_kg_l(mass_fraction: float) -> float:
    """Density of KOH solution at 20 degC [kg/L]: water's times exp(0.86 w), [4]."""
    return 0.9982 * math.exp(0.86 * mass_fraction)


@dataclass(frozen=True)
class Plant:
    """A stack, its room, and what is done with it."""

    cells: int
    area_cm2: float
    mass_fraction: float
    """At the start; water is used up from there."""
    stated_fraction: float
    """What the bench file says of it."""
    litres: float
    """At the start; the bench file says 1.5."""
    capacity_j_k: float
    resistance_k_w: float
    start_c: float
    room_c: float
    room_swing_k: float
    pressure_kpa: float
    v0: float
    tafel: float
    ohm_cm2: float
    ohm_per_k: float
    leak_a: float
    leak_share: float
    duty: float
    off_volts_cell: float
    volts_not_amps: bool
    plan: tuple[tuple[float, float], ...]
    """Seconds and current while on [A] (or volts a cell) of each stretch; 0 for off."""


@dataclass
class History:
    """What was so, one row a second; means over the second before it."""

    t_s: Array
    power_w: Array
    amps: Array
    volts: Array
    volts_rms: Array
    amps_rms: Array
    volts_on: Array
    duty: Array
    gas_mol_s: Array
    heat_w: Array
    vapour_w: Array
    vapour_kg_s: Array
    lye_c: Array
    strength: Array
    room_c: Array
    plant: Plant = field(repr=False)


def draw_plant(rng: np.random.Generator, *, chopped: bool) -> Plant:
    """A plant and a plan for an hour to two of it."""
    cells = int(rng.integers(4, 12))
    area = float(rng.uniform(60.0, 250.0))
    amps = float(rng.uniform(0.04, 0.12)) * area
    held = bool(rng.random() < 0.4) and not chopped
    plan: list[tuple[float, float]] = []
    for _ in range(int(rng.integers(2, 5))):
        level = float(rng.uniform(1.9, 2.25)) if held else amps * float(rng.uniform(0.6, 1.3))
        plan.append((float(rng.uniform(900.0, 2100.0)), level))
    plan.insert(int(rng.integers(1, len(plan) + 1)), (float(rng.uniform(900.0, 1800.0)), 0.0))
    if rng.random() < 0.5:
        plan.insert(0, (float(rng.uniform(30.0, 240.0)), 0.0))
    heat = 0.6 * amps * cells
    strength = float(rng.uniform(0.12, 0.32))
    return Plant(
        cells=cells,
        area_cm2=area,
        mass_fraction=strength,
        capacity_j_k=float(rng.uniform(35.0, 110.0)) * heat,
        resistance_k_w=float(rng.uniform(18.0, 45.0)) / heat,
        start_c=float(rng.uniform(16.0, 40.0)),
        room_c=float(rng.uniform(14.0, 28.0)),
        room_swing_k=float(rng.uniform(0.0, 0.8)),
        pressure_kpa=float(rng.uniform(90.0, 103.0)),
        v0=float(rng.uniform(1.40, 1.52)),
        tafel=float(rng.uniform(0.08, 0.20)),
        ohm_cm2=float(rng.uniform(1.0, 3.0)),
        ohm_per_k=float(rng.uniform(0.008, 0.016)),
        leak_a=float(rng.uniform(0.0, 0.05)) * amps,
        leak_share=float(rng.uniform(0.0, 0.12)),
        duty=float(rng.uniform(0.25, 0.9)) if chopped else 1.0,
        off_volts_cell=float(rng.uniform(1.15, 1.42)),
        volts_not_amps=held,
        plan=tuple(plan),
        stated_fraction=strength + 0.005 * float(rng.standard_normal()),
        litres=1.5 + 0.03 * float(rng.standard_normal()),
    )


def lye_kg(p: Plant) -> float:
    """Lye in the circuit at the start [kg]."""
    return p.litres * koh_kg_l(p.mass_fraction)


def _cell_volts(p: Plant, amps: float, lye_c: float) -> float:
    if amps <= 0.0:
        return 0.0
    j = amps / p.area_cm2
    ohm = p.ohm_cm2 * math.exp(-p.ohm_per_k * (lye_c - 25.0))
    return p.v0 - 0.0011 * (lye_c - 25.0) + p.tafel * math.log10(1.0 + j / 0.002) * 0.9 + ohm * j


def _amps_at(p: Plant, volts: float, lye_c: float) -> float:
    low, high = 0.0, 2.0 * p.area_cm2
    for _ in range(60):
        mid = 0.5 * (low + high)
        low, high = (mid, high) if _cell_volts(p, mid, lye_c) < volts else (low, mid)
    return low


def run_plant(p: Plant, rng: np.random.Generator) -> History:
    """Carry the plan out, second by second."""
    levels = np.concatenate([np.full(round(seconds), level) for seconds, level in p.plan])
    n = levels.size
    # The supply's own slow wander, a fraction of a percent, and a ripple that a person's hand leaves.
    wander = 1.0 + 0.002 * np.cumsum(rng.standard_normal(n)) / math.sqrt(600.0) * 0.3
    room = p.room_c + p.room_swing_k * np.sin(2.0 * math.pi * (np.arange(n) / 5400.0 + rng.random()))
    cut = False
    names = (
        "power_w", "amps", "volts", "volts_rms", "amps_rms", "volts_on", "duty", "gas_mol_s", "heat_w",
        "vapour_w", "vapour_kg_s", "lye_c", "strength",
    )  # fmt: skip
    out = {name: np.zeros(n) for name in names}
    lye, d = p.start_c, p.duty
    hydroxide, water = p.mass_fraction * lye_kg(p), (1.0 - p.mass_fraction) * lye_kg(p)
    for k in range(n):
        level = float(levels[k]) * float(wander[k])
        cut = cut or lye > CUT_C
        if level <= 0.0 or cut:
            on = 0.0
        elif p.volts_not_amps:
            on = _amps_at(p, level, lye)
        else:
            on = level
        v_on = p.cells * _cell_volts(p, on, lye)
        share = d if on > 0.0 else 0.0
        v_off = p.cells * p.off_volts_cell if d < 1.0 and on > 0.0 else 0.0
        mean_a, power = share * on, share * on * v_on
        leak = min(mean_a, p.leak_a + p.leak_share * mean_a) if mean_a > 0.0 else 0.0
        gas = 0.75 * p.cells * (mean_a - leak) / F
        strength = hydroxide / (hydroxide + water)
        vapour_kpa = over_koh_kpa(lye, strength)
        steam = gas * vapour_kpa / (p.pressure_kpa - vapour_kpa) * M_WATER
        latent = 1e3 * (2500.9 - 2.386 * lye)
        enthalpy = 285830.0 - 31.8 * (lye - 25.0)
        heat = power - gas * (2.0 / 3.0) * enthalpy - steam * latent
        out["power_w"][k], out["amps"][k] = power, mean_a
        out["volts"][k] = share * v_on + (1.0 - share) * v_off if on > 0.0 else 0.0
        out["volts_rms"][k] = math.sqrt(share * v_on**2 + (1.0 - share) * v_off**2)
        out["amps_rms"][k] = math.sqrt(share) * on
        out["volts_on"][k], out["duty"][k] = v_on, share
        out["gas_mol_s"][k], out["heat_w"][k] = gas, heat
        out["vapour_w"][k], out["vapour_kg_s"][k] = steam * latent, steam
        out["strength"][k] = strength
        # of three moles of gas two are hydrogen, each from a mole of water
        water -= (gas * (2.0 / 3.0) * M_WATER + steam) * STEP_S
        # the exact course of the balance over the second, its mean for the reading
        settled = float(room[k]) + heat * p.resistance_k_w
        fading = math.exp(-STEP_S / (p.resistance_k_w * p.capacity_j_k))
        after = settled + (lye - settled) * fading
        out["lye_c"][k] = 0.5 * (lye + after)
        lye = after
    return History(t_s=(np.arange(n, dtype=np.float64) + 1.0) * STEP_S, room_c=room, plant=p, **out)
