"""Findings: what can not be is said, and what can be is not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daq.bench import Bench
from daq.measure import Columns, assess_windows
from daq.measure.findings import cells_that_fit, find
from tests.watch.workshop import S, bench, steady

EDGES = np.array([0, 30 * S], dtype=np.int64)
DRY_AT_0 = {"wet_over": "dry", "meter_temp_c": 0.0, "meter_temp_u": 0.0}
LPM_PER_AMP = 0.0104537  # of one cell at 0 C, 1 atm, by Faraday's law


def numbers(made: Bench, **levels: float) -> dict[str, dict[str, Any]]:
    n = assess_windows(Columns.from_blocks([steady(30.0, **levels)]), EDGES, made)
    return n.at(0)


def codes(made: Bench, row: dict[str, dict[str, Any]], **more: Any) -> list[str]:
    return [f.code for f in find(made, row, **more)]


def test_a_sound_stack_has_none() -> None:
    made = bench(gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=0.93 * 60 * LPM_PER_AMP, lye_temp=40.0)
    assert codes(made, row) == []


def test_more_gas_than_the_current_can_make() -> None:
    made = bench(gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=1.2 * 60 * LPM_PER_AMP, lye_temp=40.0)
    found = find(made, row)
    assert found[0].code == "faradaic_above_one"
    assert "1.20 ±" in found[0].text
    assert "dry" in found[0].causes[0]  # the bench file calls the gas dry: that comes first


def test_within_its_uncertainty_it_is_no_finding() -> None:
    made = bench(gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=1.02 * 60 * LPM_PER_AMP, lye_temp=40.0)
    assert row["faradaic_efficiency"]["value"] > 1.0
    assert codes(made, row) == []


@pytest.mark.parametrize(("mmw", "code"), [(7.6, "mmw_above_thermoneutral"), (9.3, "mmw_impossible")])
def test_above_a_ceiling(mmw: float, code: str) -> None:
    """Ceilings at 0 C, 1 atm: 7.06 thermoneutral and 8.51 reversible at 25 C (CODATA key values)."""
    made = bench(gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=mmw * 132.0 / 1000.0, lye_temp=25.0)
    assert code in codes(made, row)


def test_the_data_tell_which_count_fits() -> None:
    """A stack of six cells, called four in the bench file: 3.3 V a cell, and 1.4 times the gas."""
    made = bench(stack={"cells": 4}, gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=0.93 * 60 * LPM_PER_AMP, lye_temp=40.0)
    assert cells_that_fit(made.stack.cells, row)[0] == 6
    (wrong,) = [f for f in find(made, row) if f.code == "wrong_cells"]
    assert "6 cells" in wrong.text or "with 6" in wrong.text
    assert "count the gaps" in wrong.causes[0]


def test_thirteen_plates_counted_as_cells() -> None:
    """Six cells called 13, as by counting plates both ways: 1.02 V a cell can not be."""
    made = bench(stack={"cells": 13}, gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=0.93 * 60 * LPM_PER_AMP, lye_temp=40.0)
    assert "wrong_cells" in codes(made, row)
    assert 6 in cells_that_fit(made.stack.cells, row)


def test_seven_for_six_can_not_be_told_and_is_not_claimed() -> None:
    """By the volts seven fit as well; what shows is gas that does not come, of which that is one cause."""
    made = bench(stack={"cells": 7}, gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=0.93 * 60 * LPM_PER_AMP, lye_temp=40.0)
    (found,) = find(made, row)
    assert found.code == "gas_missing"
    assert any("`cells` in the bench file is too high" in cause for cause in found.causes)


# What a float with an air scale shows of the mixed gas: sqrt(12.01 / 28.96), the root of the molar masses.
AIR_FLOAT = 0.644


@pytest.mark.parametrize("share", [0.3, 0.6, 0.8, 0.93 * AIR_FLOAT])
def test_gas_that_goes_missing_is_not_passed_over(share: float) -> None:
    """0.60 +- 0.02 with gas leaking into the room, or a float with an undeclared air scale, said nothing."""
    made = bench(gas=DRY_AT_0)
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=share * 60 * LPM_PER_AMP, lye_temp=40.0)
    found = [f for f in find(made, row) if f.code == "gas_missing"]
    assert len(found) == 1
    assert f"{share:.2f} ±" in found[0].text
    # the dangerous cause comes first; 0.627 L/min is what 10 A make in six cells (Faraday's law)
    assert "into the room" in found[0].causes[0]
    assert "turn the supply off" in found[0].causes[0]
    assert f"{(1 - share) * 0.6272 * 60:.0f} L an hour" in found[0].text
    assert "scale for air shows 0.64" in found[0].causes[1]


def test_whether_gas_is_missing_is_decided_by_the_uncertainty() -> None:
    """0.80 of a meter good to 2 % is missing gas; of one good to 10 % it may be a sound stack."""
    levels = {"volts": 13.2, "amps": 10.0, "gas_flow": 0.8 * 60 * LPM_PER_AMP, "lye_temp": 40.0}
    sure = bench(gas=DRY_AT_0)
    assert codes(sure, numbers(sure, **levels)) == ["gas_missing"]
    unsure = bench(gas=DRY_AT_0, accuracy={"gas_flow": "10 % of reading"})
    assert codes(unsure, numbers(unsure, **levels)) == []


def test_where_all_gas_is_missing_it_is_said_once() -> None:
    made = bench()
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=0.01, lye_temp=40.0)
    assert codes(made, row) == ["current_without_flow"]


def test_flow_without_current() -> None:
    made = bench()
    row = numbers(made, volts=0.0, amps=0.0, gas_flow=0.4, lye_temp=40.0)
    assert codes(made, row) == ["flow_without_current"]
    assert codes(made, row, settled=False) == []


def test_current_without_flow() -> None:
    made = bench()
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=0.01, lye_temp=40.0)
    found = find(made, row)
    assert [f.code for f in found] == ["current_without_flow"]
    assert "keep flames away" in found[0].causes[0]


def test_current_through_an_open_relay() -> None:
    made = bench()
    row = numbers(made, volts=13.2, amps=10.0, gas_flow=0.6, lye_temp=40.0)
    assert codes(made, row, relay_open=True) == ["current_with_open_relay"]


def test_refused_power_is_a_finding_that_says_what_to_measure() -> None:
    made = bench(supply={"mode": "pwm"})
    n = assess_windows(
        Columns.from_blocks([steady(30.0, volts=6.0, amps=5.0, gas_flow=0.31, lye_temp=30.0)]), EDGES, made
    )
    (found,) = find(made, n.at(0), refusals=n.refusals(0))
    assert found.code == "power_refused"
    assert "`watts`" in found.text


def test_nothing_known_nothing_found() -> None:
    made = bench({"lye_temp": "head"})
    assert codes(made, numbers(made, lye_temp=40.0)) == []
