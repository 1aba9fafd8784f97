"""What one run teaches the next: carried whole, widened honestly, and given up where it is wrong."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from daq.forecast.experience import THERMAL_NAMES, Experience
from daq.forecast.monitor import RunawayWatch
from daq.forecast.thermal_filter_bank import LASTING
from daq.forecast.tuning import TUNING
from tests.forecast.lumped import Lumped, dry

CALM = Lumped(r_k_w=0.3, capacity_j_k=8000.0, room_c=20.0, tick_s=10.0)
"""Settles 23.65 K over the room (Lambert's W, `tests.forecast.test_published`)."""


def run(
    stack: Lumped, hours: float, earlier: Experience | None = None, *, seed: int = 1, build: str = "a"
) -> RunawayWatch:
    prior = None if earlier is None else earlier.widened(build)
    watch = dry(stack.config(65.0, experience=prior, litres=1.6, steel_kg=3.6))
    noise = np.random.default_rng(seed).normal(0.0, 0.05, 5000)
    for i, (t, volts, amps, watts, lye) in enumerate(stack.ticks(3600.0 * hours)):
        watch.update(t, volts, amps, watts, lye + float(noise[i]), 20.0)
    return watch


@pytest.fixture(scope="module")
def first() -> Experience:
    learned = run(CALM, 2.5).experience("a")
    assert learned is not None
    return learned


def test_a_run_too_short_has_taught_nothing() -> None:
    assert run(CALM, 0.05).experience() is None
    assert RunawayWatch(CALM.config(65.0)).experience() is None


def test_it_goes_through_json_unharmed(first: Experience) -> None:
    again = Experience.from_json(json.loads(json.dumps(first.as_json())))
    assert again is not None
    assert again.mean == pytest.approx(first.mean, rel=1e-5)
    assert np.array(again.covariance) == pytest.approx(np.array(first.covariance), rel=1e-5, abs=1e-12)
    assert (again.build, again.runs) == ("a", 1)


@pytest.mark.parametrize(
    "broken",
    [{}, {"mean": [1.0]}, {"states": ["other"]}, {"covariance": None}, {"sag": [float("nan")]},
     {"covariance": [[-1.0] * 8] * 8}, {"mean": [float("inf")] * 8}],
)  # fmt: skip
def test_what_is_not_an_experience_is_none(first: Experience, broken: dict[str, object]) -> None:
    document = {**first.as_json(), **broken} if broken else {}
    assert Experience.from_json(document) is None


def test_it_widens_by_what_changes_and_more_for_another_build(first: Experience) -> None:
    """Variances of independent changes add."""
    same, other = first.widened("a"), first.widened("b")
    for before, narrow, wide, sd, sd_built in zip(
        np.diag(first.covariance), np.diag(same.covariance), np.diag(other.covariance),
        TUNING.between_runs, TUNING.between_builds, strict=True,
    ):  # fmt: skip
        assert narrow == pytest.approx(before + sd**2)
        assert wide == pytest.approx(before + sd_built**2)
    assert same.current is not None
    assert other.current is not None
    assert first.current is not None
    assert first.current[2] < same.current[2] < other.current[2]
    assert len(first.mean) == len(THERMAL_NAMES) == len(LASTING)


def test_the_second_run_knows_sooner_where_it_settles(first: Experience) -> None:
    """After ten minutes of a stack with a time constant of forty."""
    new, second = run(CALM, 1.0 / 6.0, seed=2).forecast(), run(CALM, 1.0 / 6.0, first, seed=2).forecast()
    assert new is not None
    assert second is not None
    true = 20.0 + 23.6542
    assert new.steady_state_c.value is not None
    assert second.steady_state_c.value is not None
    assert second.steady_state_c.value == pytest.approx(true, abs=2.5)
    assert abs(second.steady_state_c.value - true) < abs(new.steady_state_c.value - true)
    assert second.chance <= new.chance
    assert any("earlier run" in u for u in second.unknowns)
    assert not any("earlier run" in u for u in new.unknowns)


def test_an_experience_that_is_wrong_is_given_up(first: Experience) -> None:
    """Half of the loss is gone since, so that it no longer settles: a warning comes all the same."""
    away = replace(CALM, r_k_w=0.6)
    watch = run(away, 1.2, first, seed=3)
    crosses = float(np.argmax(away.rise(40_000.0) >= 45.0) * away.tick_s)
    assert watch.warnings
    assert watch.warnings[0].raised_s < 0.6 * crosses


def test_the_third_run_rests_on_two(first: Experience) -> None:
    second = run(CALM, 1.0, first, seed=4).experience("a")
    assert second is not None
    assert second.runs == 2
