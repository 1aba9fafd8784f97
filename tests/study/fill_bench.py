"""Runs of a bench without a flow meter, and the bottles that were filled in them: numpy and gas laws by hand.

Nothing of the product is in the truth: Faraday's law, the ideal gas, Magnus' formula for water's vapour
(WMO No. 8, annex 4.B).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["FilledRun", "filled_run", "magnus_kpa"]

Array = NDArray[np.float64]
FARADAY, GAS, MOLAR = 96485.33212, 8.31446261815324, 22.413969545


def magnus_kpa(t_c: float) -> float:
    """Saturated vapour over water [kPa]."""
    return 0.6112 * float(np.exp(17.62 * t_c / (243.12 + t_c)))


@dataclass
class FilledRun:
    """What was sent, what was written down at the fills, and what is true of the whole run."""

    t_s: Array
    values: dict[str, Array]
    fills: list[dict[str, Any]]
    mmw_dry: float
    faradaic: float
    heat_w: float
    vapour_w: float


def filled_run(
    rng: np.random.Generator,
    *,
    minutes: float = 40.0,
    fills: int = 3,
    volume_ml: float = 500.0,
    volume_error: float = 0.005,
    cells: int = 6,
    drift: float = 0.1,
) -> FilledRun:
    """A stack that leaks, its current drifting by a tenth while its lye warms; readings wrong within limits.

    Limits: volts 0.5 % + 0.02 V, amps 1 % + 0.05 A, lye 0.5 K, the bottle `volume_error` of itself, presses
    of the stop-watch by a reaction of N(0.11 s, 0.07 s), gas in the bottle 1 K, barometer 0.3 kPa, head 10
    mm.
    """
    t: Array = np.asarray((np.arange(round(minutes * 600)) + 1.0) / 10.0, dtype=np.float64)
    share = t / t[-1]
    amps = rng.uniform(12.0, 22.0) * (1.0 + drift * (share - 0.5))
    temp = 42.0 + 4.0 * share
    leak = rng.uniform(0.3, 1.5) * (1.0 + 0.02 * (temp - temp.mean()))
    volts = cells * (rng.uniform(1.9, 2.1) + 0.004 * (amps - amps.mean()))
    kpa, room = rng.uniform(96.0, 102.0), rng.uniform(17.0, 24.0)
    gas_mol = np.cumsum(0.75 * cells * (amps - leak) / FARADAY) * 0.1
    power = volts * amps
    # heat of reaction at the lye's temperature from its own table value and heat capacities
    h2_mol_s = np.mean(0.5 * cells * (amps - leak) / FARADAY)
    celsius = float(temp.mean())
    enthalpy = 285830.0 - 31.7 * (
        celsius - 25.0
    )  # d(dH)/dT of water's formation, NIST webbook: -31.7 J/mol/K
    forms = []
    for k in range(fills):
        start = 300.0 + k * (t[-1] - 600.0) / max(fills, 1)
        true_ml = volume_ml * (1.0 + rng.uniform(-volume_error, volume_error))
        head = rng.uniform(-10.0, 10.0)
        inside = kpa + head * 9.79e-3
        needed = true_ml * 1e-6 * (inside - magnus_kpa(room)) * 1000.0 / (GAS * (room + 273.15))
        at = int(np.searchsorted(t, start))
        stop = int(np.searchsorted(gas_mol, gas_mol[at] + needed))
        seconds = t[stop] - t[at] + rng.normal(0.0, 0.07) - rng.normal(0.0, 0.07)
        forms.append(
            {
                "at_s": float(t[at]),
                "volume_ml": volume_ml,
                "volume_error_ml": volume_error * volume_ml,
                "seconds": float(seconds),
                "gas_temp_c": room + rng.uniform(-1.0, 1.0),
                "pressure_kpa": kpa + rng.uniform(-0.3, 0.3),
                "head_mm": 0.0,
            }
        )
    sent = {
        "volts": volts * (1.0 + rng.uniform(-0.005, 0.005)) + rng.uniform(-0.02, 0.02)
        + 0.01 * rng.standard_normal(t.size),
        "amps": amps * (1.0 + rng.uniform(-0.01, 0.01)) + rng.uniform(-0.05, 0.05)
        + 0.02 * rng.standard_normal(t.size),
        "lye_temp": temp + rng.uniform(-0.5, 0.5) + 0.02 * rng.standard_normal(t.size),
        "relay": np.ones(t.size),
    }  # fmt: skip
    mean_gas = float(np.mean(0.75 * cells * (amps - leak) / FARADAY))
    return FilledRun(
        t_s=t,
        values=sent,
        fills=forms,
        mmw_dry=1000.0 * mean_gas * MOLAR * 60.0 / float(power.mean()),
        faradaic=float((amps - leak).mean() / amps.mean()),
        heat_w=float(power.mean() - h2_mol_s * enthalpy),
        vapour_w=0.0,
    )
