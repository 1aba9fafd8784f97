"""A limit that comes nearer faster than time passes, and a temperature that rises on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.watch.runaway_trend import Course, Trend


def said(trend: Trend, faster: float, noise_s: float = 0.0) -> float:
    """The share after an hour of looks a minute apart, two hours before the limit at first."""
    rng = np.random.default_rng(3)
    share = 1.0
    for t in np.arange(0.0, 3601.0, 60.0).tolist():
        share = trend.share(t, 7200.0 - (1.0 + faster) * t + noise_s * float(rng.standard_normal()))
    return share


def test_under_conditions_that_stand_nothing_is_shortened() -> None:
    assert said(Trend(), 0.0) == pytest.approx(1.0, abs=1e-9)


def test_what_comes_nearer_faster_than_time_passes_does_so_for_a_while_yet() -> None:
    """The crossing comes 0.3 s nearer each second; seven tenths of that are believed."""
    assert said(Trend(), 0.3) == pytest.approx(1.0 / 1.21, abs=1e-6)


def test_what_recedes_or_scatters_is_no_trend() -> None:
    assert said(Trend(), -0.3) == 1.0
    assert said(Trend(), 0.02, noise_s=120.0) > 0.99


def test_a_trend_has_its_bounds_and_is_forgotten() -> None:
    trend = Trend()
    assert said(trend, 0.95) == pytest.approx(1.0 / 1.665)
    trend.forget()
    assert said(trend, 1.5) == pytest.approx(1.0 / 1.8)
    trend.forget()
    assert trend.share(3660.0, 100.0) == 1.0


def test_a_temperature_rises_on_as_in_the_last_ten_minutes() -> None:
    course = Course()
    assert math.isinf(course.rises_to(60.0))
    for t in range(0, 1220, 20):
        course.add(float(t), 50.0 if t < 600 else 50.0 + (t - 600) / 120.0)
    assert course.rises_to(60.0) == pytest.approx(600.0, rel=1e-6)
    assert course.rises_to(None) == math.inf
    course.add(1220.0, 40.0)
    assert math.isinf(course.rises_to(60.0))
