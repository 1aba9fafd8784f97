"""Phases from numbers alone."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure import Numbers
from daq.measure.numbers import UNITS
from daq.study.runs.phases import PHASES, centred_rate, find_phases
from tests.watch.workshop import S, bench

NAN = float("nan")


def numbers(temp: list[float], amps: list[float]) -> Numbers:
    n = len(temp)
    value = {key: np.full(n, NAN) for key in UNITS}
    value["lye_temp"], value["amps"] = np.array(temp, dtype=np.float64), np.array(amps, dtype=np.float64)
    value["power_w"] = 13.0 * value["amps"]
    ends = (np.arange(n, dtype=np.int64) + 1) * 30 * S
    return Numbers(ends, 30 * S, value, {key: np.full(n, NAN) for key in UNITS}, "", {}, {})


def names(temp: list[float], amps: list[float]) -> list[str]:
    return [p.name for p in find_phases(bench(), numbers(temp, amps))]


def test_warm_up_then_steady_then_cooling_then_off() -> None:
    warming = np.linspace(20.0, 50.0, 60).tolist()
    cooling = np.linspace(50.0, 20.0, 60).tolist()
    temp = [20.0] * 10 + warming + [50.0] * 60 + cooling + [20.0] * 40
    amps = [0.0] * 10 + [10.0] * 120 + [0.0] * 100
    assert names(temp, amps) == ["supply off", "warm-up", "steady", "cool-down", "supply off"]


def test_a_set_point_turned_down_disturbs() -> None:
    assert names([50.0] * 40, [10.0] * 20 + [8.0] * 20) == ["steady", "disturbed", "steady"]


def test_a_cold_top_up_disturbs() -> None:
    temp = [50.0] * 30 + [45.0] * 30
    assert names(temp, [10.0] * 60) == ["steady", "disturbed", "steady"]


def test_switching_on_is_no_disturbance() -> None:
    assert names([20.0] * 30, [0.0] * 10 + [4.0] + [10.0] * 19) == ["supply off", "steady"]


def test_without_a_thermometer_it_is_steady_or_off() -> None:
    assert names([NAN] * 30, [0.0] * 10 + [10.0] * 20) == ["supply off", "steady"]


def test_without_anything_there_is_no_data() -> None:
    assert names([NAN] * 5, [NAN] * 5) == ["no data"]
    assert names([], []) == []


def test_the_rate_of_a_line_is_its_slope_to_the_ends() -> None:
    rate = centred_rate(20.0 + 0.25 * np.arange(40.0), 30.0, 300.0)
    assert rate == pytest.approx(np.full(40, 0.5))


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([20.0, 21.0, 50.0, NAN]), st.sampled_from([0.0, 8.0, 10.0, NAN])),
        max_size=60,
    )
)
def test_phases_cover_all_time_without_holes(rows: list[tuple[float, float]]) -> None:
    made = numbers([t for t, _ in rows], [a for _, a in rows])
    phases = find_phases(bench(), made)
    assert [i for p in phases for i in range(p.first, p.last + 1)] == list(range(len(rows)))
    assert {p.name for p in phases} <= set(PHASES)
    assert all(a.name != b.name for a, b in itertools.pairwise(phases))
