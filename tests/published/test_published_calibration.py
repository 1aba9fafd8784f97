"""Calibration curves against certified regressions, the GUM's worked example, and other libraries.

Tolerances: 1e-9 against NIST's certified values, which have 15 digits (log relative error 9); half of the
last printed digit against the GUM; 1e-9 where another library does the same arithmetic.
"""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np
import pytest
from scipy import stats

from daq.quantity import fit_curve

# mypy finds this package under two names and can not follow it
sm: Any = importlib.import_module("statsmodels.api")

# NIST/ITL Statistical Reference Datasets, Norris: calibration of ozone monitors, y and x in turn.
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""

# JCGM 100:2008, table H.6: thermometer reading and observed correction [degC].
GUM_H3_T = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
GUM_H3_B = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_nist_norris() -> None:
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    assert x.size == 36
    fit = fit_curve(x, y)
    (b0, b1), covariance = fit.curve.monomials()
    assert b0 == pytest.approx(-0.262323073774029, rel=1e-9)
    assert b1 == pytest.approx(1.00211681802045, rel=1e-9)
    sd0, sd1 = np.sqrt(np.diag(covariance))
    assert sd0 == pytest.approx(0.232818234301152, rel=1e-9)
    assert sd1 == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert fit.curve.scatter == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.r_squared == pytest.approx(0.999993745883712, rel=1e-9)
    assert float(fit.residuals @ fit.residuals) == pytest.approx(26.6173985294224, rel=1e-9)
    assert fit.curve.dof == 34


def test_gum_h3_thermometer_calibration() -> None:
    t, b = np.array(GUM_H3_T), np.array(GUM_H3_B)
    curve = fit_curve(t - 20.0, b).curve
    (y1, y2), covariance = curve.monomials()
    u1, u2 = np.sqrt(np.diag(covariance))
    # as printed: y1 -0.1712, u 0.0029; y2 0.00218, u 0.00067; r -0.930; s 0.0035
    assert y1 == pytest.approx(-0.1712, abs=5e-5)
    assert u1 == pytest.approx(0.0029, abs=5e-5)
    assert y2 == pytest.approx(0.00218, abs=5e-6)
    assert u2 == pytest.approx(0.00067, abs=5e-6)
    assert covariance[0, 1] / (u1 * u2) == pytest.approx(-0.930, abs=1e-3)
    assert curve.scatter == pytest.approx(0.0035, abs=5e-5)
    # H.3.4: b(30 degC) = -0.1494, u 0.0041, beyond the points, where the curve goes on straight
    assert float(curve(10.0)) == pytest.approx(-0.1494, abs=5e-5)
    assert float(curve.u(10.0)) == pytest.approx(0.0041, abs=5e-5)
    assert curve.at(10.0) == pytest.approx(float(curve(10.0)), rel=1e-12)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_weighted_fits_agree_with_statsmodels(degree: int) -> None:
    rng = np.random.default_rng(4)
    x = np.linspace(2.0, 30.0, 15)
    u = 0.02 + 0.01 * x
    y = 0.3 + 1.02 * x - 0.002 * x**2 + u * rng.standard_normal(x.size)
    fit = fit_curve(x, y, u, kind="linear" if degree == 1 else "polynomial", degree=degree)
    theirs = sm.WLS(y, np.vander(x, degree + 1, increasing=True), weights=1.0 / u**2).fit()
    coefficients, covariance = fit.curve.monomials()
    assert coefficients == pytest.approx(theirs.params, rel=1e-8)
    # statsmodels scales by the scatter always; ours only upwards
    scale = max(1.0, 1.0 / np.sqrt(theirs.scale))
    assert np.sqrt(np.diag(covariance)) == pytest.approx(theirs.bse * scale, rel=1e-8)
    assert fit.chi_squared == pytest.approx(theirs.scale * theirs.df_resid, rel=1e-9)


def test_the_prediction_band_is_that_of_statsmodels() -> None:
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    curve = fit_curve(x, y).curve
    theirs = sm.OLS(y, sm.add_constant(x)).fit().get_prediction(sm.add_constant(np.linspace(1.0, 990.0, 7)))
    band = theirs.conf_int(obs=True, alpha=0.05)
    at = np.linspace(1.0, 990.0, 7)
    assert curve(at) - curve.band(at) == pytest.approx(band[:, 0], rel=1e-8)
    assert curve(at) + curve.band(at) == pytest.approx(band[:, 1], rel=1e-8)


def test_slope_and_intercept_are_those_of_scipy() -> None:
    t, b = np.array(GUM_H3_T), np.array(GUM_H3_B)
    (intercept, slope), covariance = fit_curve(t, b).curve.monomials()
    theirs = stats.linregress(t, b)
    assert slope == pytest.approx(theirs.slope, rel=1e-9)
    assert intercept == pytest.approx(theirs.intercept, rel=1e-9)
    assert np.sqrt(covariance[1, 1]) == pytest.approx(theirs.stderr, rel=1e-9)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(theirs.intercept_stderr, rel=1e-9)
