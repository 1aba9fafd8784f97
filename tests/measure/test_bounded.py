"""Heat where a flow meter reads more gas than the current can make: bounded, and no surer than the meter.

The truncated normal distribution is checked against SciPy's (`scipy.stats.truncnorm`), whose moments are
those of Johnson, Kotz and Balakrishnan; the heat against Faraday's law and the thermoneutral voltage
(CODATA).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import truncnorm

from daq.measure import Assessor, Columns, assess_windows
from daq.measure.bins import Bins
from daq.measure.bounded import heat_of_run, truncated
from daq.measure.measured import measure
from daq.quantity import Quantity
from tests.watch.workshop import S, bench, steady

EDGES = np.array([0, 30 * S], dtype=np.int64)
LPM_PER_AMP = 6 * 0.0104537  # of six cells at 0 C, 1 atm, by Faraday's law
DRY = {"wet_over": "dry", "meter_temp_c": 0.0, "meter_temp_u": 0.0}
ACCURACY = {"volts": "0.02", "amps": "0.02", "gas_flow": "4 % of reading", "lye_temp": "0.1"}


@pytest.mark.parametrize("z", [-20.0, -3.0, -1.0, 0.0, 0.7, 2.0, 5.0])
def test_moments_of_the_truncated_normal_distribution(z: float) -> None:
    mean, sd = truncated(np.array([z * 0.3]), np.array([0.3]))
    wanted = truncnorm(-z, np.inf, loc=z * 0.3, scale=0.3)
    assert mean[0] == pytest.approx(float(wanted.mean()), rel=1e-6)
    assert sd[0] == pytest.approx(float(wanted.std()), rel=1e-5)


def test_far_beyond_the_bound_and_without_an_uncertainty() -> None:
    """Its tail is exponential: mean and deviation are both u / |z|."""
    mean, sd = truncated(np.array([-1e3, -5.0, 2.0, 1e9]), np.array([1.0, 0.0, 0.0, 1.0]))
    assert mean == pytest.approx([1e-3, 0.0, 2.0, 1e9], rel=1e-4)
    assert sd == pytest.approx([1e-3, 0.0, 0.0, 1.0], rel=1e-4)


def heat(efficiency: float) -> tuple[float, float]:
    made = bench(dict.fromkeys(("volts", "amps", "gas_flow", "lye_temp", "room_pressure"), "head"),
                 accuracy=ACCURACY, gas=DRY)  # fmt: skip
    levels = {"volts": 12.0, "amps": 10.0, "lye_temp": 25.0, "room_pressure": 101.325}
    n = assess_windows(
        Columns.from_blocks([steady(30.0, gas_flow=efficiency * 10.0 * LPM_PER_AMP, **levels)]), EDGES, made
    )
    return float(n.value["heat_w"][0]), float(n.u95["heat_w"][0])


def test_a_meter_that_reads_above_one_does_not_make_the_heat_certain() -> None:
    """A reading of 1.02, 4 % wrong at most: the gas was 0.981 to 1 times what the current can make, and the
    heat is as little known as that. By the current and the volts alone it would be known to 0.3 W."""
    below, u_below = heat(0.94)
    above, u_above = heat(1.02)
    # 120 W less 88.87 W of enthalpy for the gas of 10 A in six cells (1.48121 V thermoneutral), vapour aside
    least = 120.0 - 88.87
    assert below > above > least - 2.0
    assert u_below == pytest.approx(2.0 * 0.04 / np.sqrt(3.0) * 0.94 * 88.87, rel=0.06)
    assert u_above > 1.5
    carried = 120.0 - 0.94 * 88.87 - below  # by the vapour
    for efficiency in (0.981, 0.99, 1.0):
        assert abs(above - (120.0 - efficiency * 88.87 - carried)) < u_above


def test_the_heat_goes_over_smoothly_from_the_reading_to_the_bound() -> None:
    values = [heat(e) for e in np.linspace(0.9, 1.1, 21)]
    steps = np.diff([v for v, _ in values])
    assert (steps < 0.0).all(), "more gas, less heat"
    assert np.abs(np.diff(steps)).max() < 1.0
    assert min(u for _, u in values) > 0.5


def test_a_windows_noise_leaves_no_bias_in_the_heat_of_a_run() -> None:
    """400 windows whose noise is 5 % about an efficiency of 0.98: each cut off by itself would lose 1.5 %."""
    rng = np.random.default_rng(8)
    noise = 5.0 * rng.standard_normal(400)
    flows = {
        "power": Quantity(np.full(400, 120.0), 0.0, "W"),
        "heat": Quantity(120.0 - 98.0 + noise, 5.0, "W", common=False, label="gas_flow: noise"),
        "heat_least": Quantity(np.full(400, 20.0), 0.0, "W"),
        "dry": Quantity(np.full(400, 1.0), 0.0, "L/min"),
    }
    held = heat_of_run(flows, np.full(400, 30.0))
    assert float(np.mean(held.value)) == pytest.approx(22.0 + noise.mean(), abs=0.02)


def test_averaged_windows_are_bounded_as_one() -> None:
    made = bench(dict.fromkeys(("volts", "amps", "gas_flow", "lye_temp", "room_pressure"), "head"),
                 accuracy=ACCURACY, gas=DRY)  # fmt: skip
    whole = steady(120.0, gas_flow=1.02 * 10.0 * LPM_PER_AMP, volts=12.0, amps=10.0, lye_temp=25.0,
                   room_pressure=101.325)  # fmt: skip
    one = assess_windows(Columns.from_blocks([whole]), EDGES, made)
    bins = Bins(made, step_ns=S)
    bins.add(Columns.from_blocks([whole]))
    assessor = Assessor(made)
    balance = assessor.balance(measure(made, bins, np.arange(30, 121, 30, dtype=np.int64), 30))
    many = assessor.numbers(balance.averaged(np.ones(4, dtype=bool)))
    for key in ("heat_w", "vapour_w"):
        assert many.value[key][0] == pytest.approx(one.value[key][0], rel=1e-6)
        assert many.u95[key][0] == pytest.approx(one.u95[key][0], rel=1e-3)
