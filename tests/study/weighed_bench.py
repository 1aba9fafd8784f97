"""A reservoir on a balance while its stack runs: water by Faraday, vapour by Raoult and Antoine, all by hand.

Nothing of the product: the vapour of water by Antoine's equation (NIST webbook, 293 to 343 K), lowered over
lye by what Balej's tables give for the strength, as a share of it; the ideal gas; numpy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["WeighedRun", "weighed_run"]

Array = NDArray[np.float64]
FARADAY, WATER, MOLAR = 96485.33212, 18.01528, 22.413969545
LOWERED = (0.78, 0.82)
"""Vapour over 20 % KOH as a share of that over water: 0.82 by the osmotic coefficient 1.26 of 4.5 mol/kg at
25 degC (Robinson and Stokes, from memory), somewhat less by Balej 1985 at 45 degC; drawn between."""


@dataclass
class WeighedRun:
    t_s: Array
    values: dict[str, Array]
    faradaic: float
    dry_lpm: float
    pressure_kpa: float
    topped_up_s: float | None


def antoine_kpa(t_c: Array) -> Array:
    """Saturated vapour over water [kPa]: log10(p/bar) = 6.20963 - 2354.731/(T + 7.559)."""
    out: Array = 100.0 * 10.0 ** (6.20963 - 2354.731 / (t_c + 273.15 + 7.559))
    return out


def weighed_run(
    rng: np.random.Generator,
    *,
    minutes: float = 36.0,
    amps: float = 20.0,
    cells: int = 6,
    top_up: bool = False,
    leak_share: float = 0.0,
    litres: float = 1.1,
    digit: float = 0.01,
    lye_c: float = 44.0,
) -> WeighedRun:
    """Readings wrong within limits: balance 0.03 g, its zero up to 0.04 g over the run, amps 0.2 %, lye 0.5
    K."""
    t: Array = np.asarray((np.arange(round(minutes * 60 * 2)) + 1.0) / 2.0, dtype=np.float64)
    leak = rng.uniform(0.3, 1.5)
    current = amps + 0.2 * np.sin(t / 300.0)
    temp: Array = np.asarray(lye_c + rng.uniform(0.0, 4.0) * (1.0 - np.exp(-t / 900.0)), dtype=np.float64)
    kpa = rng.uniform(96.0, 102.0)
    saturation = rng.uniform(0.95, 1.0)
    vapour = saturation * rng.uniform(*LOWERED) * antoine_kpa(temp)
    ratio = vapour / (kpa - vapour)
    split = cells * (current - leak) / (2.0 * FARADAY)  # mol water a second
    lost = np.cumsum(split * WATER * (1.0 + 1.5 * ratio)) * 0.5
    beside = rng.uniform(0.1, 0.5) * litres * 1000.0 * 1.17
    swollen = beside * 4.5e-4 * (temp - temp[0])
    # gas fills the water's place: its own weight (0.5 kg/m3) is weighed, and weights are of steel in air
    read = 1500.0 - lost * (1.0 - 0.0005) / (1.0 - 1.2 / 8000.0) + swollen
    displaced = 8.0 * (1.0 - np.exp(-t / 40.0))  # the stack's gas pushes lye over after switching on
    read = read + displaced + rng.uniform(-0.04, 0.04) * t / t[-1]
    read = read + 0.03 * rng.uniform(-1.0, 1.0) * (t / t[-1]) ** 2 + 0.02 * rng.standard_normal(t.size)
    at = None
    if top_up:
        at = 0.5 * float(t[-1])
        read = np.where(t > at, read + rng.uniform(30.0, 80.0), read)
    mol_s = float(np.mean(1.5 * split))
    dry = mol_s * MOLAR * 60.0
    metered = dry * (1.0 - leak_share) * 101.325 / 273.15 * 293.15 / (kpa - 2.333)
    values = {
        "volts": np.full(t.size, 12.0),
        "amps": current * (1.0 + rng.uniform(-0.002, 0.002)) + 0.01 * rng.standard_normal(t.size),
        "lye_temp": temp + rng.uniform(-0.5, 0.5) + 0.02 * rng.standard_normal(t.size),
        "mass": np.round(read / digit) * digit,
        "gas_flow": metered * (1.0 + rng.uniform(-0.01, 0.01)) * np.ones(t.size),
        "relay": np.ones(t.size),
    }
    return WeighedRun(t, values, 1.0 - leak / float(current.mean()), dry, kpa, at)
