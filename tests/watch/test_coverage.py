"""Whether the intervals hold the truth as often as they say: a thousand simulated runs, seeded.

Each run is a virtual stack of its own: another lye temperature, voltage, room and weather, and sensors that
are wrong by a gain and an offset drawn from within their accuracy lines, the way JCGM 101 (6.4.2) draws what
is known by its limits. The watch sees the readings and the bench file. The truth is the simulation's own
charge, energy and gas, which no sensor touched.

The expected coverage of k = 2 is 95 % for a normal error and more where one rectangular error outweighs the
rest; the design has several of like weight, as a bench has. With 1,000 runs the standard error is 0.7 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.bench import Bench
from daq.measure import Columns, assess_windows
from daq.physics.constants import FARADAY
from daq.physics.moist_gas import ALTITUDE_PRESSURE_U_KPA, pressure_from_altitude
from daq.physics.reference import reference_condition
from daq.sources.virtual_bench import BenchParameters, VirtualStack
from daq.sources.virtual_bench.parameters import (
    SensorParameters,
    SiteParameters,
    SupplyParameters,
    ThermalParameters,
)
from daq.sources.virtual_bench.sensors import make_sensors
from tests.watch.workshop import S, bench, block

RUNS = 1000
SEED = 20250304
HZ = 1
WINDOW_S = 20
CELLS = 6
ALTITUDE_M = 240.0
FACTOR_U = 0.006
# field -> channel, accuracy line, and its two terms: share of the reading, and absolute
FIELDS = {
    "volts": ("volts", "0.5 % of reading + 0.02", 0.005, 0.02),
    "amps": ("amps", "1 % of reading + 0.05", 0.010, 0.05),
    "flow": ("gas_flow", "1 % of reading + 0.003", 0.010, 0.003),
    "gastemp": ("gas_temp", "0.5", 0.0, 0.5),
    "temp": ("lye_temp", "0.5", 0.0, 0.5),
}
TRUTHS = {"volts": "volts", "amps": "amps", "flow": "gas_flow", "gastemp": "gas_temp", "temp": "lye_temp"}
REFERENCE = reference_condition("0C_101.325kPa")
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Runs:
    """All runs: the readings end to end, and what was so in each."""

    readings: dict[str, Array]
    efficiency: Array
    mmw: Array


def workshop(*, accurate: bool = True) -> Bench:
    """The bench file of all runs; without its accuracy lines everything counts as exact but the noise."""
    lines = {channel: line for channel, line, _, _ in FIELDS.values()}
    return bench(
        dict.fromkeys(lines, "head"),
        accuracy=lines if accurate else {},
        site={"pressure_kpa": None, "altitude_m": ALTITUDE_M},
        gas={"meter_factor": 1.0, "meter_factor_u": FACTOR_U if accurate else 0.0, "meter_temp_c": None},
    )


@cache
def simulated() -> Runs:
    rng = np.random.default_rng(SEED)
    readings: dict[str, list[float]] = {field: [] for field in FIELDS}
    efficiency, mmw = np.empty(RUNS), np.empty(RUNS)
    for i in range(RUNS):
        wrong = {field: rng.uniform(-1.0, 1.0) for field in FIELDS}
        sensors = SensorParameters(
            meter_factor=float(rng.normal(1.0, FACTOR_U)),
            gain={field: 1.0 + wrong[field] * FIELDS[field][2] for field in FIELDS},
            offset={field: wrong[field] * FIELDS[field][3] for field in FIELDS},
        )
        kpa = float(pressure_from_altitude(ALTITUDE_M)) + rng.normal(0.0, ALTITUDE_PRESSURE_U_KPA)
        stack = VirtualStack(
            BenchParameters(
                supply=SupplyParameters(volts=float(rng.uniform(11.6, 13.2))),
                thermal=ThermalParameters(start_c=float(rng.uniform(25.0, 60.0))),
                site=SiteParameters(room_c=float(rng.uniform(15.0, 28.0)), pressure_kpa=kpa),
                sensors=sensors,
            )
        )
        for _ in range(6):
            stack.step(1.0)  # until bubbles and vapour stand
        made = make_sensors(tuple(FIELDS), sensors, np.random.SeedSequence([SEED, i]))
        before = stack.truth()
        for k in range(HZ * WINDOW_S):
            stack.step(1.0 / HZ)
            truth = stack.truth()
            for field, sensor in made.items():
                readings[field].append(sensor.read(truth[TRUTHS[field]], k / HZ))
        after = stack.truth()
        gas_mol, charge = (after[key] - before[key] for key in ("gas_mol", "charge_c"))
        efficiency[i] = gas_mol / (0.75 * CELLS * charge / FARADAY)
        mmw[i] = 60_000.0 * gas_mol * REFERENCE.molar_volume_l / (after["energy_j"] - before["energy_j"])
    return Runs({f: np.array(v) for f, v in readings.items()}, efficiency, mmw)


def covered(made: Bench, key: str, truth: Array) -> tuple[float, Array]:
    """Share of runs whose interval holds the truth, and the errors in units of U."""
    runs = simulated()
    n = RUNS * HZ * WINDOW_S
    samples = block(
        (np.arange(n) + 1) / HZ, {channel: runs.readings[f] for f, (channel, *_) in FIELDS.items()}
    )
    edges = np.arange(RUNS + 1, dtype=np.int64) * WINDOW_S * S
    numbers = assess_windows(Columns.from_blocks([samples]), edges, made, steps=WINDOW_S)
    error = (numbers.value[key] - truth) / numbers.u95[key]
    assert np.isfinite(error).all(), "every run has the number"
    return float((np.abs(error) <= 1.0).mean()), error


@pytest.mark.parametrize("key", ["mmw_dry_ref", "faradaic_efficiency"])
def test_95_in_100_intervals_hold_the_truth(key: str) -> None:
    runs = simulated()
    truth = runs.mmw if key == "mmw_dry_ref" else runs.efficiency
    share, error = covered(workshop(), key, truth)
    print(f"{key}: {100.0 * share:.1f} % of {RUNS} intervals hold the truth")
    assert 0.93 <= share <= 0.97
    # and on neither side in particular: the mean error is none, to four standard errors of 0.5 U / sqrt(n)
    assert abs(float(error.mean())) < 4.0 * 0.5 / np.sqrt(RUNS)


def test_noise_alone_would_promise_too_much() -> None:
    share, _ = covered(workshop(accurate=False), "faradaic_efficiency", simulated().efficiency)
    assert share < 0.8, "the drawn gains and offsets are part of what the intervals hold"
