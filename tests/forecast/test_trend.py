"""A limit that comes nearer faster than time passes, and a temperature that rises on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.forecast.trend import Course, Trend
from tests.forecast.lumped import Lumped, dry


def final_share(trend: Trend, faster: float, noise_s: float = 0.0, *, at_first_s: float = 7200.0) -> float:
    """The share after an hour of looks a minute apart, two hours before the limit at first."""
    rng = np.random.default_rng(3)
    share = 1.0
    for t in np.arange(0.0, 3601.0, 60.0).tolist():
        share = trend.share(t, at_first_s - (1.0 + faster) * t + noise_s * float(rng.standard_normal()))
    return share


def test_under_conditions_that_stand_nothing_is_shortened() -> None:
    assert final_share(Trend(), 0.0) == pytest.approx(1.0, abs=1e-9)


def test_what_comes_nearer_faster_than_time_passes_does_so_for_a_while_yet() -> None:
    """The crossing comes 0.3 s nearer each second; four tenths of that are believed."""
    assert final_share(Trend(), 0.3) == pytest.approx(1.0 / 1.12, abs=1e-6)


def test_what_recedes_or_scatters_is_no_trend() -> None:
    assert final_share(Trend(), -0.3) == 1.0
    assert final_share(Trend(), 0.02, noise_s=120.0) > 0.99


def test_a_trend_has_its_bounds_and_is_forgotten() -> None:
    trend = Trend()
    assert final_share(trend, 0.95) == pytest.approx(1.0 / 1.38)
    trend.forget()
    assert final_share(trend, 2.5, at_first_s=20000.0) == pytest.approx(1.0 / 1.8)
    trend.forget()
    assert trend.share(3660.0, 100.0) == 1.0


@pytest.mark.parametrize(("capacity_j_k", "r_k_w"), [(2000.0, 0.6), (3000.0, 0.6), (4000.0, 0.8)])
def test_what_is_learned_of_the_loss_is_no_trend(capacity_j_k: float, r_k_w: float) -> None:
    """A stack that nothing changes: the time said falls fast as its loss is learned to be small, and is not
    extrapolated below the true one. Truth is the lumped course itself, to the limit.
    """
    stack = Lumped(
        capacity_j_k=capacity_j_k, r_k_w=r_k_w, room_c=20.0, law=lambda rise: (1.0 + 0.0125 * rise) ** 1.2
    )
    crosses_s = 5.0 * float(np.argmax(stack.rise(6000.0) + 20.0 >= 60.0))
    watch = dry(stack.config(60.0))
    left_s: dict[float, float] = {}
    for t, volts, amps, watts, lye in stack.ticks(crosses_s - 300.0):
        watch.update(t, volts, amps, watts, lye, stack.room_c, amps * watch.tables.lpm_per_amp)
        forecast = watch.forecast()
        if t >= 480.0 and forecast is not None:
            left = forecast.time_to_limit_s["high"].value
            left_s[t] = math.inf if left is None else left
    assert len(left_s) > 300
    assert min(left / (crosses_s - t) for t, left in left_s.items()) > 0.85


def test_a_temperature_rises_on_as_in_the_last_ten_minutes() -> None:
    course = Course()
    assert math.isinf(course.rises_to(60.0))
    for t in range(0, 1220, 20):
        course.add(float(t), 50.0 if t < 600 else 50.0 + (t - 600) / 120.0)
    assert course.rises_to(60.0) == pytest.approx(600.0, rel=1e-6)
    assert course.rises_to(None) == math.inf
    course.add(1220.0, 40.0)
    assert math.isinf(course.rises_to(60.0))


def test_a_rise_that_has_just_begun_counts_where_it_is_there_within_minutes() -> None:
    """Calm for ten minutes, then 5 K/min: 8 K below the limit that is 96 s, not the mean of ten minutes."""
    course = Course()
    for t in range(0, 620, 20):
        course.add(float(t), 44.0)
    for t in range(620, 720, 20):
        course.add(float(t), 44.0 + 5.0 * (t - 600) / 60.0)
    assert course.rises_to(60.0) == pytest.approx(8.0 / 5.0 * 60.0 + 12.0, abs=25.0)
    # As fast, but far: the longer mean is the surer one
    assert course.rises_to(90.0) > 300.0
