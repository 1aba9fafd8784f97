"""Rounding for display, and Monte Carlo's small print."""

from __future__ import annotations

import math
import time
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from daq.errors import LyewatchError
from daq.quantity import Quantity, Variable, monte_carlo, shown, shown_time


@pytest.mark.parametrize(
    ("value", "u95", "text"),
    [
        (4.545455, 0.11723, "4.55 ± 0.12"),
        (12345.0, 678.0, "12350 ± 680"),
        (100.02147, 0.00035, "100.02147 ± 0.00035"),  # JCGM 100, 7.2.2: a 100 g mass standard
        (0.01, 0.0996, "0.01 ± 0.10"),
        (99.96, 9.96, "100 ± 10"),
        (-0.001, 0.5, "0.00 ± 0.50"),
        (-4.5, 0.12, "-4.50 ± 0.12"),
        (2.5, 1.25, "2.5 ± 1.3"),
        (0.876388, 0.022446, "0.876 ± 0.022"),
        (1e-7, 2.34e-8, "0.000000100 ± 0.000000023"),
        (5.0, None, "5.000"),
        (5.0, 0.0, "5.000"),
        (0.0, math.nan, "0.000"),
        (1234567.0, None, "1235000"),
        (math.nan, 1.0, "–"),
        (None, None, "–"),
        (math.inf, 1.0, "–"),
    ],
)
def test_rounding(value: float | None, u95: float | None, text: str) -> None:
    assert shown(value, u95).text == text


def test_the_unit_follows() -> None:
    assert str(Quantity(4.545455, 0.058616, "mL/min/W")) == "4.55 ± 0.12 mL/min/W"
    assert shown(1.0, 0.1, "A", digits=1).text == "1.0 ± 0.1 A"


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e5))
def test_rounding_moves_little_and_agrees_in_place(value: float, u95: float) -> None:
    got = shown(value, u95)
    assert abs(Decimal(got.value) - Decimal(repr(value))) <= Decimal(repr(u95)) * Decimal("0.0501")
    assert abs(Decimal(got.u) - Decimal(repr(u95))) <= Decimal(repr(u95)) * Decimal("0.0501")
    assert got.value.partition(".")[2].__len__() == got.u.partition(".")[2].__len__()
    assert len(got.u.replace(".", "").strip("0")) <= 2


@given(st.floats(1e-3, 1e3), st.floats(1e-4, 10.0))
def test_rounding_is_stable(value: float, u95: float) -> None:
    got = shown(value, u95)
    again = shown(float(got.value), float(got.u))
    assume(float(got.u) > 0)
    assert again.text == got.text


def test_monte_carlo_shares_what_quantities_share() -> None:
    amps = Quantity(10.0, 0.1)
    got = monte_carlo(lambda a, b: a - b, amps * 2.0, amps, draws=20_000)
    assert got.u == pytest.approx(0.1, rel=0.03)
    again = monte_carlo(lambda a, b: a - b, amps * 2.0, amps, draws=20_000)
    assert again == got
    assert got.u_standard_error == pytest.approx(got.u / 200.0, rel=1e-3)


@pytest.mark.parametrize("shape", ["normal", "rectangular", "triangular", "arcsine"])
def test_every_shape_has_its_standard_uncertainty(shape: str) -> None:
    got = monte_carlo(lambda a: a, Quantity(3.0, 0.25, shape=shape), draws=200_000)  # type: ignore[arg-type]
    assert got.mean == pytest.approx(3.0, abs=0.003)
    assert got.u == pytest.approx(0.25, rel=0.01)


def test_few_degrees_of_freedom_have_students_tails() -> None:
    # JCGM 101 6.4.9.4: variance of the scaled t is u^2 nu/(nu - 2)
    got = monte_carlo(lambda a: a, Quantity(0.0, 1.0, dof=6.0), draws=400_000)
    assert got.u == pytest.approx(math.sqrt(1.5), rel=0.02)
    assert got.high == pytest.approx(2.4469, rel=0.02)


def test_monte_carlo_refuses_arrays_and_averages() -> None:
    with pytest.raises(LyewatchError, match="one value at a time"):
        monte_carlo(lambda a: a, Quantity(np.array([1.0, 2.0]), 0.1))
    noise = Variable("noise", common=False)
    mean = Quantity.from_parts(np.array([1.0, 2.0]), "", {noise: np.array([0.1, 0.1])}).mean()
    with pytest.raises(LyewatchError, match="many elements"):
        monte_carlo(lambda a: a, mean)


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process can not be set here")
@pytest.mark.parametrize(
    ("zone", "words"),
    [
        ("UTC", "2025-07-04 12:00:00 UTC"),
        ("CET-1CEST,M3.5.0,M10.5.0/3", "2025-07-04 14:00:00 UTC+02:00"),
        ("NST3:30", "2025-07-04 08:30:00 UTC-03:30"),
    ],
)
def test_a_time_is_local_and_names_its_zone(zone: str, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages told local time, reports UTC, and neither said so."""
    with monkeypatch.context() as there:
        there.setenv("TZ", zone)
        time.tzset()
        assert shown_time(1_751_630_400_000_000_000) == words
    time.tzset()
