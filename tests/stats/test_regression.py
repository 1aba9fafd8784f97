"""Least squares against NIST's certified data sets and statsmodels; autocorrelated errors against statsmodels
and against what simulation knows."""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np
import pytest
from scipy.special import stdtrit

from daq.errors import LyewatchError
from daq.stats.regression import cosine_scores, cosines_for, least_squares

# imported by name: its package carries two marks of typing that mypy can not bring together
sm: Any = importlib.import_module("statsmodels.api")
longley: Any = importlib.import_module("statsmodels.datasets.longley")

# NIST Statistical Reference Datasets, Norris: a linear calibration of ozone monitors, 36 points.
NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 "
    "556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
)
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 "
    "557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)


def test_norris() -> None:
    x, y = (np.array([float(v) for v in text.split()]) for text in (NORRIS_X, NORRIS_Y))
    fit = least_squares(np.column_stack([np.ones_like(x), x]), y)
    # certified to 15 digits; 1e-9 is nine of them
    assert fit.beta == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert fit.sd == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)
    assert fit.s == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.residuals @ fit.residuals == pytest.approx(26.6173985294224, rel=1e-9)


def test_longley() -> None:
    # NIST StRD Longley, the data as statsmodels ships them; ill-conditioned by design, hence 1e-8
    data = longley.load()
    x = np.column_stack([np.ones(16), np.asarray(data.exog, dtype=np.float64)])
    fit = least_squares(x, np.asarray(data.endog, dtype=np.float64))
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.0358191792925910,
        -2.02022980381683,
        -1.03322686717359,
        -0.0511041056535807,
        1829.15146461355,
    ]
    assert fit.beta == pytest.approx(certified, rel=1e-8)
    assert fit.sd[:2] == pytest.approx([890420.383607373, 84.9149257747669], rel=1e-8)
    assert fit.s == pytest.approx(304.854073561965, rel=1e-9)


def autocorrelated(rng: np.random.Generator, n: int, rho: float) -> Any:
    noise = rng.standard_normal(n)
    noise[0] /= np.sqrt(1.0 - rho * rho)
    for i in range(1, n):
        noise[i] += rho * noise[i - 1]
    return noise


def test_ordinary_errors_are_those_of_statsmodels() -> None:
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(150), np.linspace(-1.0, 2.0, 150), rng.standard_normal(150)])
    y = x @ [1.0, -2.0, 0.5] + autocorrelated(rng, 150, 0.6)
    fit = least_squares(x, y)
    plain = sm.OLS(y, x).fit()
    assert fit.beta == pytest.approx(plain.params, rel=1e-10)
    assert fit.covariance == pytest.approx(plain.cov_params(), rel=1e-10, abs=1e-14)


def test_cosines_cover_where_plain_errors_do_not() -> None:
    rng = np.random.default_rng(11)
    n, rho, tries = 300, 0.7, 600
    x = np.column_stack([np.ones(n), np.linspace(-1.0, 1.0, n)])
    count = cosines_for(n)
    inside = plain = 0
    for _ in range(tries):
        fit = least_squares(x, autocorrelated(rng, n, rho))
        u = np.sqrt(cosine_scores(fit.influence[1] * fit.residuals, count))
        inside += abs(fit.beta[1]) <= stdtrit(count, 0.975) * u
        plain += abs(fit.beta[1]) <= 1.96 * fit.sd[1]
    # four standard errors of a share of 600 at 0.94 are 0.04; plain errors cover some 60 %
    assert 0.90 <= inside / tries <= 0.98
    assert plain / tries < 0.75


def test_a_sum_of_independent_terms_has_the_sum_of_their_variances() -> None:
    rng = np.random.default_rng(3)
    terms = rng.standard_normal((2, 4000))
    found = np.mean([cosine_scores(terms[:, i : i + 200], 50) for i in range(0, 4000, 200)], axis=0)
    assert found[0, 0] == pytest.approx(200.0, rel=0.2)
    assert abs(found[0, 1]) < 30.0
    assert cosine_scores(np.ones(50), 8) == pytest.approx(0.0, abs=1e-20)


def test_what_can_not_be_fitted_is_refused() -> None:
    with pytest.raises(LyewatchError, match="say the same"):
        least_squares(np.ones((5, 2)), np.ones(5))
    with pytest.raises(LyewatchError, match="too few points"):
        least_squares(np.ones((1, 2)), np.ones(1))
    assert np.isnan(least_squares(np.ones((1, 1)), np.ones(1)).s)
