"""Curves fitted to points: what every kind keeps to, and what is refused."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import LyewatchError
from daq.quantity import Curve, Kind, fit_curve

X = np.array([0.5, 2.0, 3.5, 5.0, 8.0, 12.0, 15.0, 20.0])
KINDS: list[tuple[Kind, dict[str, Any]]] = [
    ("linear", {}),
    ("polynomial", {"degree": 2}),
    ("polynomial", {"degree": 4}),
    ("piecewise", {"knots": (0.5, 4.0, 10.0, 20.0)}),
]


def made(kind: Kind, options: dict[str, Any], seed: int = 2) -> Curve:
    y = 0.2 + 1.03 * X - 0.003 * X**2 + 0.02 * np.random.default_rng(seed).standard_normal(X.size)
    return fit_curve(X, y, np.full(X.size, 0.02), kind=kind, **options).curve


@pytest.mark.parametrize(("kind", "options"), KINDS)
@given(x=st.floats(-30.0, 60.0))
def test_one_float_and_many_agree_everywhere(kind: Kind, options: dict[str, Any], x: float) -> None:
    curve = made(kind, options)
    assert curve.at(x) == pytest.approx(float(curve(x)), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("kind", "options"), KINDS)
def test_beyond_the_points_it_goes_on_straight_and_grows_less_certain(
    kind: Kind, options: dict[str, Any]
) -> None:
    curve = made(kind, options)
    beyond = np.array([20.0, 22.0, 24.0, 26.0])
    assert np.diff(curve(beyond), 2) == pytest.approx([0.0, 0.0], abs=1e-9)
    assert np.diff(curve(beyond))[0] / 2.0 == pytest.approx(float(curve.slope(20.0)), rel=1e-9)
    assert (np.diff(curve.u(np.array([20.0, 25.0, 40.0, 80.0]))) > 0.0).all()
    assert float(curve(20.0 - 1e-9)) == pytest.approx(float(curve(20.0 + 1e-9)), abs=1e-6)


@pytest.mark.parametrize(("kind", "options"), KINDS)
def test_the_slope_is_the_curves_own(kind: Kind, options: dict[str, Any]) -> None:
    curve = made(kind, options)
    at = np.array([-3.0, 1.1, 6.3, 14.2, 30.0])
    step = 1e-5
    assert (curve(at + step) - curve(at - step)) / (2 * step) == pytest.approx(curve.slope(at), rel=1e-5)


@pytest.mark.parametrize(("kind", "options"), KINDS)
def test_json_gives_the_same_curve_back(kind: Kind, options: dict[str, Any]) -> None:
    curve = made(kind, options)
    assert Curve.from_dict(json.loads(json.dumps(curve.as_dict()))) == curve


def test_a_curve_through_its_own_kind_of_points_is_exact() -> None:
    line = fit_curve(X, 3.0 - 0.5 * X).curve
    assert line(X) == pytest.approx(3.0 - 0.5 * X, abs=1e-12)
    square = fit_curve(X, 1.0 + 0.1 * X + 0.02 * X**2, kind="polynomial", degree=2).curve
    assert square.monomials()[0] == pytest.approx([1.0, 0.1, 0.02], rel=1e-9)
    bent = fit_curve(X, np.abs(X - 5.0), kind="piecewise", knots=(0.5, 5.0, 20.0)).curve
    assert bent.coefficients == pytest.approx((4.5, 0.0, 15.0), abs=1e-9)
    with pytest.raises(LyewatchError, match="no powers"):
        bent.monomials()


def test_a_piecewise_curve_without_knots_goes_through_the_points() -> None:
    u = np.linspace(0.01, 0.05, X.size)
    y = np.sqrt(X)
    curve = fit_curve(X, y, u, kind="piecewise").curve
    assert curve(X) == pytest.approx(y, abs=1e-12)
    assert curve.u(X) == pytest.approx(u, rel=1e-9)
    # half way between two independent points the uncertainty is that of their mean
    assert float(curve.u(2.75)) == pytest.approx(0.5 * np.hypot(u[1], u[2]), rel=1e-9)


def test_points_that_scatter_more_than_they_should_widen_the_uncertainty() -> None:
    y = X + 0.2 * np.array([1, -1, 1, -1, 1, -1, 1, -1])
    honest = fit_curve(X, y, np.full(X.size, 0.2))
    vain = fit_curve(X, y, np.full(X.size, 0.02))
    assert honest.scaled_by == pytest.approx(np.sqrt(honest.chi_squared / 6.0), rel=1e-12)
    assert vain.scaled_by == pytest.approx(10.0 * honest.scaled_by, rel=1e-9)
    assert vain.curve.u(X) == pytest.approx(honest.curve.u(X), rel=1e-9)
    modest = fit_curve(X, y, np.full(X.size, 2.0))
    assert modest.scaled_by == 1.0, "agreement by luck narrows nothing"


def test_the_interval_covers_the_truth_in_95_of_100() -> None:
    # u of the curve at x = 7, times Student's t, over 600 fits of eight points with known truth
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(600):
        curve = fit_curve(X, 2.0 + 0.9 * X + 0.05 * rng.standard_normal(X.size)).curve
        covered += abs(float(curve(7.0)) - 8.3) <= curve.student_t() * float(curve.u(7.0))
    assert 0.923 <= covered / 600 <= 0.977  # three standard errors


@pytest.mark.parametrize(
    ("x", "y", "u", "options", "words"),
    [
        ([1.0], [1.0], None, {}, "do not determine"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 1.0], None, {}, "do not determine"),
        ([1.0, 2.0], [1.0, 2.0], None, {}, "nothing tells how well"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [0.1, 0.0, 0.1], {}, "not above 0"),
        ([1.0, 2.0, 3.0], [1.0, np.nan, 3.0], None, {}, "no number"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], None, {}, "every point needs"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], None, {"kind": "polynomial", "degree": 9}, "no degree"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], None, {"kind": "piecewise", "knots": (1.0, 2.0)}, "do not rise"),
        (
            [1.0, 1.1, 1.2, 1.3, 9.0],
            [1.0, 2.0, 3.0, 4.0, 5.0],
            None,
            {"kind": "piecewise", "knots": (1.0, 3.0, 5.0, 9.0)},
            "do not determine",
        ),
    ],
)
def test_what_can_not_be_fitted_is_said(
    x: list[float], y: list[float], u: list[float] | None, options: dict[str, Any], words: str
) -> None:
    with pytest.raises(LyewatchError, match=words):
        fit_curve(x, y, u, **options)
