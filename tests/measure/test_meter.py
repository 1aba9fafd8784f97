"""Flow meters with a scale for another gas: published factors, closed forms, and what nobody compared costs.

Factors of an air-scaled variable-area meter on saturated 2:1 gas and multipliers from moist to dry gas are
those of `tests/published`; the thermal factor is that of the makers' mixture rule, 1.0044.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.bench import Bench, GasSpec
from daq.errors import LyewatchError
from daq.measure.findings import find
from daq.measure.meter import dry_per_reading
from daq.physics.reference import reference_condition
from daq.study.fill.form import form_in_run
from daq.study.fill.interval import check_meter, interval_of
from daq.study.fill.result import timed_fill
from tests.measure.test_efficiency import u95, value, window
from tests.watch.workshop import S, bench, steady

NORMAL = reference_condition("0C_101.325kPa")
FLOAT: dict[str, Any] = {"meter": "variable_area", "scale_gas": "air"}
THERMAL: dict[str, Any] = {"meter": "thermal", "scale_gas": "N2", "scale_reference": "0C_101.325kPa"}
CHANNELS = ("volts", "amps", "lye_temp", "gas_flow", "gas_temp", "room_pressure")


def metered(accuracy: dict[str, str] | None = None, **gas: Any) -> Bench:
    return bench(
        dict.fromkeys(CHANNELS, "head"),
        accuracy=accuracy or {},
        gas={"meter_temp_c": None, "meter_temp_u": None, **gas},
        limits={},
    )


def dry_of(made: Bench, t_c: float, kpa: float = 101.325, flow: float = 1.0) -> float:
    n = window(made, volts=12.0, amps=20.0, lye_temp=40.0, gas_flow=flow, gas_temp=t_c, room_pressure=kpa)
    return value(n, "flow_dry_ref_lpm")


@pytest.mark.parametrize(
    ("t_c", "factor", "to_dry"),
    [(20.0, 1.54407, 0.910264), (25.0, 1.55404, 0.887490), (40.0, 1.57659, 0.808696)],
)
def test_an_air_scale_on_saturated_gas(t_c: float, factor: float, to_dry: float) -> None:
    assert dry_of(metered(**FLOAT), t_c) == pytest.approx(factor * to_dry, rel=1e-5)


def test_a_scale_for_this_gas_needs_nothing() -> None:
    # an O2 scale and an H2 scale either side: M 31.9988 and 2.01588 against 12.010187
    for gas, mass in (("O2", 31.9988), ("H2", 2.01588)):
        made = metered(**{**FLOAT, "scale_gas": gas}, wet_over="dry", scale_temp_c=0.0)
        assert dry_of(made, 0.0) == pytest.approx(math.sqrt(mass / 12.010187), rel=1e-6)


@given(t_c=st.floats(0.0, 60.0), kpa=st.floats(60.0, 150.0), share=st.floats(0.0, 0.3))
def test_actual_and_standard_litres_of_one_scale_say_the_same(t_c: float, kpa: float, share: float) -> None:
    """The same float at the same height: marks in litres at 20 degC and 1 atm are standard litres of it."""
    at = (np.array([t_c]), np.array([kpa]), np.array([share * kpa]))
    actual = GasSpec(meter="variable_area", scale_gas="air", scale_temp_c=20.0)
    standard = actual.model_copy(update={"scale_reference": "20C_101.325kPa"})
    assert dry_per_reading(standard, NORMAL, *at) == pytest.approx(dry_per_reading(actual, NORMAL, *at))


def test_a_thermal_meter_needs_neither_pressure_nor_temperature() -> None:
    made = metered(**THERMAL, wet_over="dry")
    assert dry_of(made, 20.0) == pytest.approx(1.0044, abs=5e-4)  # makers' mixture rule
    assert dry_of(made, 35.0, 80.0) == pytest.approx(dry_of(made, 20.0), rel=1e-12)
    # its litres at 20 degC hold 1/1.073220 of the moles (NIST against DIN 1343)
    at_20 = metered(**{**THERMAL, "scale_reference": "20C_101.325kPa"}, wet_over="dry")
    assert dry_of(made, 20.0) / dry_of(at_20, 20.0) == pytest.approx(1.073220, rel=1e-6)
    # an argon scale: N2 to Ar is 1.4431 by the same rule
    argon = metered(**{**THERMAL, "scale_gas": "Ar"}, wet_over="dry")
    assert dry_of(made, 20.0) / dry_of(argon, 20.0) == pytest.approx(1.4431, abs=2e-3)
    # vapour takes its own share of the moles, 3.13 % at 25 degC, and half a percent of the factor
    wet = dry_of(metered(**THERMAL), 25.0)
    assert wet / dry_of(made, 25.0) == pytest.approx((1.0 - 0.031283) * 0.99888 / 1.00381, rel=3e-3)


def test_the_two_kinds_agree_where_their_readings_differ_by_half() -> None:
    """0.75 L/min on an air float and 1.09 sL/min on a thermal meter are one and the same gas at 25 degC."""
    dry = 0.75 * 1.55404 * 0.887490
    assert dry_of(metered(**FLOAT), 25.0, flow=0.75) == pytest.approx(dry, rel=1e-5)
    reading = dry / dry_of(metered(**THERMAL), 25.0)
    assert reading / 0.75 == pytest.approx(1.42, abs=0.01)


def test_what_nobody_compared_costs_uncertainty() -> None:
    levels = {"volts": 12.0, "amps": 20.0, "lye_temp": 40.0, "gas_flow": 0.8, "gas_temp": 22.0,
              "room_pressure": 98.0}  # fmt: skip
    for gas, limit in ((FLOAT, 0.10), (THERMAL, 0.02)):
        n = window(metered(**gas, wet_over="dry"), **levels)
        share = u95(n, "flow_dry_ref_lpm") / value(n, "flow_dry_ref_lpm")
        assert share == pytest.approx(2.0 * limit / math.sqrt(3.0), rel=1e-4)
        (assumption,) = [text for text in n.assumptions(0) if "scale for" in text]
        assert f"good to {100 * limit:g} %" in assumption
        compared = window(metered(**gas, wet_over="dry", meter_factor=0.97, meter_factor_u=0.012), **levels)
        assert value(compared, "flow_dry_ref_lpm") == pytest.approx(0.97 * value(n, "flow_dry_ref_lpm"))
        share = u95(compared, "flow_dry_ref_lpm") / value(compared, "flow_dry_ref_lpm")
        assert share == pytest.approx(2.0 * 0.012 / 0.97, rel=1e-4)
        assert not any("good to" in text for text in compared.assumptions(0))
    assert "about × 1.55" in "".join(window(metered(**FLOAT), **levels).assumptions(0))


def test_an_air_scale_taken_at_its_word_makes_gas_go_missing() -> None:
    """What the trade does: 0.82 L/min on an air scale at 20 A is 59 % by the scale, and 91 % in truth."""
    levels = {"volts": 12.0, "amps": 20.0, "lye_temp": 40.0, "gas_flow": 0.82, "gas_temp": 22.0,
              "room_pressure": 101.325}  # fmt: skip
    as_is = window(metered(), **levels)
    right = window(metered(**FLOAT), **levels)
    assert value(as_is, "faradaic_efficiency") == pytest.approx(0.59, abs=0.01)
    assert value(right, "faradaic_efficiency") == pytest.approx(0.91, abs=0.01)
    assert find(metered(**FLOAT), right.at(0)) == []


@pytest.mark.parametrize("gas", [FLOAT, THERMAL], ids=["float", "thermal"])
def test_gas_beyond_the_equations_is_not_known_and_nothing_dies(gas: dict[str, Any]) -> None:
    for t_c, kpa in ((250.0, 101.0), (99.99, 101.0), (-60.0, 101.0), (20.0, 5.0), (20.0, 1e6)):
        assert math.isnan(dry_of(metered(**gas), t_c, kpa))


def test_a_timed_fill_compares_the_meter_on_top_of_its_scale() -> None:
    made = metered(
        {"gas_flow": "0.005"}, **FLOAT, meter_factor=1.3, meter_factor_u=0.2  # which the fill does not use
    )  # fmt: skip
    # true: 1.2 L/min dry in a vessel at 22 degC, 98 kPa; the meter reads 4 % low of what its scale would
    levels = {"volts": 12.0, "amps": 20.0, "lye_temp": 40.0, "gas_temp": 22.0, "room_pressure": 98.0}
    reading = 1.2 / dry_of(metered(**FLOAT), 22.0, 98.0) * 0.96
    interval = interval_of(made, {"head": steady(60.0, **levels, gas_flow=reading)}, 10 * S, 40 * S)
    dry_per_moist = (98.0 - 2.64442) / 101.325 * 273.15 / 295.15  # IAPWS-IF97 at 22 degC
    form = form_in_run(
        made, {"volume_ml": 1.2 / dry_per_moist * 500.0, "seconds": 30.0, "gas_temp_c": 22.0, "head_mm": 0.0}
    )
    found = check_meter(timed_fill(form, interval.during), interval)
    assert found is not None
    factor = found.as_dict()["factor"]
    assert factor["value"] == pytest.approx(1.0 / 0.96, rel=2e-4)
    assert 0.0 < factor["u95"] < 0.03, "by the fill, and not by the maker's 10 %"
    assert found.k_per_l is None


@pytest.mark.parametrize(
    ("gas", "words"),
    [
        ({"meter": "variable_area"}, "scale was made for is missing"),
        ({"meter": "thermal", "scale_gas": "N2"}, "scale_reference: a thermal meter counts"),
        ({"meter": "variable_area", "scale_gas": "helium"}, "not known; use one of air, N2"),
        ({"scale_gas": "air"}, "go with another meter"),
        ({**THERMAL, "scale_reference": "STP"}, "different temperatures and pressures"),
        ({"meter": "rotary"}, "gas.meter"),
    ],
)
def test_a_scale_that_is_not_told_is_asked_for(gas: dict[str, Any], words: str) -> None:
    with pytest.raises(LyewatchError, match=words):
        metered(**gas)
