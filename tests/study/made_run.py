"""A made run for the study's tests: warm-up, a set-point turned down, a gap, a trip, cooling."""

from __future__ import annotations

import numpy as np

from daq.bench import Bench
from daq.frame import Block
from tests.watch.workshop import ALL, HZ, LPM_PER_AMP, bench, block

__all__ = ["OFF_S", "TORCH", "torch", "workshop_run"]

TORCH = {**ALL, "room_temp": "head"}
OFF_S = 5400.0
"""When the supply was cut [s]."""


def torch() -> Bench:
    """The bench it was made on."""
    return bench(TORCH)


def workshop_run(*, seed: int = 3, gap: bool = True) -> list[Block]:
    """Two hours at 10 Hz: off for 2 min, then 12 A, 8 A from 60 min, cut at 90 min; 40 s missing at 50 min.

    The lye settles at 52 degC with a time constant of 10 min, then at 44, then falls to the room's 20.
    """
    rng = np.random.default_rng(seed)
    n = 7200 * HZ
    t = (np.arange(n) + 1) / HZ
    amps = np.where(t <= 120.0, 0.0, np.where(t <= 3600.0, 12.0, np.where(t <= OFF_S, 8.0, 0.0)))
    lye = np.empty(n)
    level, share = 20.0, 1.0 / (600.0 * HZ)
    aims = np.where(amps > 10.0, 52.0, np.where(amps > 0.0, 44.0, 20.0))
    for i in range(n):
        level += share * (aims[i] - level)
        lye[i] = level
    on = amps > 0.0
    values = {
        "volts": np.where(on, 13.2, 0.0) + 0.004 * rng.standard_normal(n),
        "amps": amps + 0.02 * rng.standard_normal(n),
        "lye_temp": lye + 0.03 * rng.standard_normal(n),
        "gas_flow": 0.93 * LPM_PER_AMP * amps + 0.004 * rng.standard_normal(n),
        "room_temp": 20.0 + 0.02 * rng.standard_normal(n),
        "relay": np.where(t > OFF_S, 0.0, 1.0),
    }
    values["lye_temp"][1800 * HZ] = 61.0  # one sample beyond `high`
    whole = block(t, values)
    if not gap:
        return [whole]
    keep = (t <= 3000.0) | (t > 3040.0)
    return [
        Block("head", whole.t_ns[keep], np.arange(n)[keep], {c: v[keep] for c, v in whole.values.items()})
    ]
