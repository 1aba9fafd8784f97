"""What a sensor makes of the truth."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest

from daq.sources.virtual_bench import SensorParameters
from daq.sources.virtual_bench.sensors import HEAD_FIELDS, Lag, Sensor, make_sensors


def sensors(seed: int = 5, **more: object) -> dict[str, Sensor]:
    return make_sensors(HEAD_FIELDS, SensorParameters(**more), np.random.SeedSequence(seed))  # type: ignore[arg-type]


@pytest.mark.parametrize("dt", [0.1, 2.0, 20.0])
def test_lag_is_the_first_order_step_response(dt: float) -> None:
    lag = Lag(20.0, 0.0)
    for _ in range(round(20.0 / dt)):
        lag.follow(1.0, dt)
    assert lag.value == pytest.approx(1.0 - math.exp(-1.0), rel=1e-12)
    assert Lag(0.0, 0.0).follow(7.0, 0.1) == 7.0


def test_noise_has_the_size_and_the_grid_asked_for() -> None:
    sensor = sensors(noise={"temp": 0.05})["temp"]
    read = [sensor.read(40.0, 0.0) for _ in range(4000)]
    # Standard error of a standard deviation of 4000 values: 1.1 %; four of them, and the grid adds 0.2 %.
    assert statistics.stdev(read) == pytest.approx(0.05, rel=0.05)
    assert statistics.mean(read) == pytest.approx(40.0, abs=4 * 0.05 / math.sqrt(4000))
    assert all(math.isclose(value * 100.0, round(value * 100.0), abs_tol=1e-6) for value in read)


def test_gain_and_offset_are_systematic() -> None:
    sensor = sensors(noise={"volts": 0.0}, gain={"volts": 1.01}, offset={"volts": -0.02})["volts"]
    assert sensor.read(12.0, 0.0) == pytest.approx(12.10, abs=1e-9)


def test_a_range_is_where_the_reading_stands_still() -> None:
    read = sensors(amps_max=30.0)
    assert read["amps"].read(41.0, 0.0) == 30.0
    assert read["flow"].read(-5.0, 0.0) == 0.0


def test_faults_and_their_end() -> None:
    sensor = sensors()["temp"]
    last = sensor.read(40.0, 0.0)
    sensor.fail("stuck")
    assert [sensor.read(t, 1.0) for t in (45.0, 50.0)] == [last, last]
    sensor.fail("open")
    assert math.isnan(sensor.read(50.0, 2.0))
    sensor.fail("dead")
    assert sensor.read(50.0, 3.0) == 0.0
    sensor.heal()
    sensor.fail("glitch", 85.0)
    assert sensor.read(50.0, 4.0) == 85.0
    assert sensor.read(50.0, 4.1) == pytest.approx(50.0, abs=0.2)
    sensor.fail("drift", 36.0, at_s=10.0)
    assert sensor.read(50.0, 110.0) == pytest.approx(51.0, abs=0.2)


def test_equal_seeds_give_equal_noise_and_fields_do_not_disturb_each_other() -> None:
    one, two, other = sensors(5), sensors(5), sensors(6)
    for _ in range(700):  # across a block of drawn noise
        two["amps"].read(10.0, 0.0)
    ours = [one["temp"].read(40.0, 0.0) for _ in range(700)]
    assert [two["temp"].read(40.0, 0.0) for _ in range(700)] == ours
    assert [other["temp"].read(40.0, 0.0) for _ in range(700)] != ours


def test_a_fault_does_not_shift_the_noise_after_it() -> None:
    one, two = sensors()["amps"], sensors()["amps"]
    two.fail("open")
    for _ in range(10):
        one.read(5.0, 0.0)
        two.read(5.0, 0.0)
    two.heal()
    assert one.read(5.0, 1.0) == two.read(5.0, 1.0)
