"""The scatter of readings against noise of a known size, and against what is no noise.

White noise of standard deviation s, drawn by numpy with fixed seeds: the estimate must be s within its own
uncertainty. For n products of successive differences the variance of the estimate of s^2 is 7 s^4 / n (found
by drawing: 6.94 for 4,000 records of 600), so that a minute of 600 readings knows s^2 within 10.8 %.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from daq.watch.columns import FloatArray
from daq.watch.scatter import Scatter
from tests.watch.workshop import HZ, S

TICKS = np.arange(1, 181, dtype=np.int64) * S
T_NS = np.arange(1, 1801, dtype=np.int64) * S // HZ


def scatter(values: FloatArray) -> FloatArray:
    return Scatter().follow(T_NS, values, TICKS)


@pytest.mark.parametrize("size", [0.03, 0.5, 4.0])
def test_white_noise_is_known_by_its_size(size: float) -> None:
    found = []
    for seed in range(6):
        noise = size * np.random.default_rng(seed).standard_normal(T_NS.size)
        found += (scatter(40.0 + noise)[59::60] ** 2).tolist()
    assert np.mean(found) == pytest.approx(size**2, rel=3.0 * 0.108 / np.sqrt(len(found)))


def test_a_course_a_step_and_a_stair_are_no_noise() -> None:
    t = T_NS / S
    assert np.nanmax(scatter(30.0 + 0.2 * t)) == 0.0, "warming twelve degrees a minute"
    assert np.nanmax(scatter(np.where(t > 60.0, 25.0, 45.0))) == 0.0, "cold water"
    assert np.nanmax(scatter(np.round(30.0 + 0.01 * t, 1))) < 0.05, "steps of a coarse converter"


def test_spikes_show() -> None:
    values = np.full(T_NS.size, 40.0)
    values[900] = 85.0  # a sensor that has restarted says this once
    said = scatter(values)
    assert np.nanmax(said[:89]) == 0.0
    # one product of 45 K squared among 600
    assert said[95] == pytest.approx(45.0 / np.sqrt(600.0), rel=0.01)
    assert said[155] == 0.0


def test_with_few_readings_nothing_is_said() -> None:
    t_ns = np.arange(1, 31, dtype=np.int64) * 6 * S
    said = Scatter().follow(t_ns, np.linspace(20.0, 80.0, 30), TICKS)
    assert np.isnan(said[:60]).all()


@pytest.mark.parametrize("seed", range(3))
def test_pieces_and_restarts_change_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = 40.0 + rng.standard_normal(T_NS.size)
    whole = scatter(values)
    at, got, one = 0, [], Scatter()
    while at < TICKS.size:
        to = min(TICKS.size, at + int(rng.integers(1, 20)))
        rows = slice(at * HZ, to * HZ)
        got.append(one.follow(T_NS[rows], values[rows], TICKS[at:to]))
        again = Scatter()
        again.load(json.loads(json.dumps(one.save())))
        one, at = again, to
    np.testing.assert_allclose(np.concatenate(got), whole, rtol=1e-12)
