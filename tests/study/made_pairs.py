"""Made runs for comparing: a stack at held voltage in a room that drifts, block by block.

Written apart from the product: a heat balance, current and Faradaic efficiency as curved functions of
temperature, noise as a sum of an autoregressive and a white part. What a build changes is a factor on the
gas, known exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from daq.study.compare.run_blocks import Response, RunBlocks

__all__ = ["autoregressive", "made_run"]

Array = NDArray[np.float64]


def autoregressive(rng: np.random.Generator, n: int, rho: float) -> Array:
    """First-order autoregressive noise of unit variance, stationary from its start."""
    drive: Array = rng.standard_normal(n) * np.sqrt(1.0 - rho * rho)
    drive[0] = rng.standard_normal()
    for i in range(1, n):
        drive[i] += rho * drive[i - 1]
    return drive


def made_run(
    rng: np.random.Generator,
    *,
    build: str = "A",
    gas: float = 1.0,
    tilt: float = 0.0,
    amps: float = 1.0,
    rho: float = 0.6,
    noise: float = 0.008,
    day: float = 0.0,
    blocks: tuple[int, int] = (60, 200),
    gain: float = 0.0,
    start_c: tuple[float, float] = (18.0, 34.0),
) -> RunBlocks:
    """A run of some hours in blocks of a minute.

    Parameters
    ----------
    gas, amps : float
        Factors that the build puts on the gas and on the current.
    tilt : float
        By which share for each kelvin above 40 degC the factor on the gas grows, as an exponential [1/K].
    rho, noise : float
        Of the autoregressive part from block to block, and its share of the value; a white part of half of
        that comes on top.
    day : float
        The day's own factor on the gas, less one.
    blocks : (int, int)
        Bounds of the run's length.
    gain : float
        Standard uncertainty of the flow meter's gain, as a share: an error common to all runs.
    start_c : (float, float)
        Bounds of the temperature at the start.
    """
    n = int(rng.integers(*blocks))
    t = np.arange(n)
    room = (
        rng.normal(20.0, 2.0)
        + 2.5 * np.sin(2.0 * np.pi * t / rng.uniform(90.0, 300.0) + rng.uniform(0.0, 6.28))
        + rng.normal(0.0, 2.0) * t / n
    )
    lye = np.empty(n)
    lye[0] = rng.uniform(*start_c)
    tau = rng.uniform(25.0, 40.0)
    for i in range(1, n):
        current = amps * 10.0 * (1.0 + 0.012 * (lye[i - 1] - 40.0))
        lye[i] = lye[i - 1] + (room[i - 1] + 2.4 * current - lye[i - 1]) / tau
    current = amps * 10.0 * (1.0 + 0.012 * (lye - 40.0)) * (1.0 + 0.003 * autoregressive(rng, n, 0.5))
    cell = 2.2 + 0.004 * autoregressive(rng, n, 0.3)
    warmer = lye - 40.0
    eta = gas * np.exp(tilt * warmer) * (1.0 + day) * (0.93 - 0.0016 * warmer - 3e-5 * warmer**2)
    eta *= np.exp(noise * autoregressive(rng, n, rho) + 0.5 * noise * rng.standard_normal(n))
    mmw = eta * 10.454 / cell  # mL/min/A per cell by Faraday's law, dry at 0 degC and 1 atm
    nothing = np.full(n, np.nan)
    parts = {"gas_flow: accuracy": gain * mmw} if gain else {}
    other = {k: Response(nothing, {}) for k in ("leak_amps", "thermal_resistance")}
    return RunBlocks(
        run_id="", name="", build=build, bench="water-torch", start_utc_ns=None,
        reference="0 °C, 101.325 kPa", block_s=60.0, at=t.astype(np.int64),
        lye_temp=lye + 0.02 * rng.standard_normal(n), density=1000.0 * current / 150.0, cell_volts=cell,
        responses={
            "mmw_dry_ref": Response(mmw, parts),
            "faradaic_efficiency": Response(eta, {}),
            "cell_volts": Response(cell, {}),
            "current_density": Response(1000.0 * current / 150.0, {}),
            **other,
        },
        shared={"gas_flow: accuracy": "one meter"},
    )  # fmt: skip
