"""The fit of several records against statsmodels, against closed forms, and against its own promise."""

from __future__ import annotations

import importlib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from daq.errors import LyewatchError
from daq.stats import whitening
from daq.stats.autocorrelated import analyse_covariance
from daq.stats.whitening import CorrelatedSeries
from tests.study.made_pairs import autoregressive

# imported by name: its package carries two marks of typing that mypy can not bring together
sm: Any = importlib.import_module("statsmodels.api")


def records(
    rng: np.random.Generator, rho: float, sizes: tuple[int, ...], *, gaps: bool = False
) -> list[CorrelatedSeries]:
    out = []
    for k, n in enumerate(sizes):
        at = np.flatnonzero(rng.uniform(size=2 * n) < 0.6)[:n] if gaps else np.arange(n)
        noise = autoregressive(rng, int(at[-1]) + 1, rho)[at]
        x = np.column_stack([np.linspace(-1.0, 1.0, at.size) + 0.2 * k, rng.standard_normal(at.size)])
        out.append(CorrelatedSeries(at, 1.0 + 0.5 * k + x @ [2.0, -1.0] + noise, x, np.ones((at.size, 1))))
    return out


@pytest.fixture
def one_noise(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Narrows the grid to one noise."""

    def narrow(rho: float, share: float) -> None:
        monkeypatch.setattr(whitening, "GRID_RHO", np.array([rho]))
        monkeypatch.setattr(whitening, "GRID_SHARE", np.array([share]))
        monkeypatch.setattr(whitening, "GRID_LOG_PRIOR", np.zeros(1))

    return narrow


@pytest.mark.parametrize(("rho", "share", "gaps"), [(0.0, 1.0, False), (0.8, 1.0, False), (0.7, 0.6, True)])
def test_a_known_noise_gives_generalised_least_squares(
    rho: float, share: float, gaps: bool, one_noise: Any
) -> None:
    made = records(np.random.default_rng(4), 0.7, (60, 45, 70), gaps=gaps)
    one_noise(rho, share)
    fit = analyse_covariance(made)
    sizes = [r.at.size for r in made]
    levels = np.zeros((sum(sizes), 3))
    sigma = np.zeros((sum(sizes), sum(sizes)))
    start = 0
    for k, r in enumerate(made):
        here = slice(start, start + r.at.size)
        levels[here, k] = 1.0
        apart = np.abs(np.subtract.outer(r.at, r.at)).astype(float)
        sigma[here, here] = share * rho**apart + (1.0 - share) * np.eye(r.at.size)
        start += r.at.size
    x = np.column_stack([levels, np.vstack([r.covariates for r in made])])
    y = np.concatenate([r.response for r in made])
    reference = sm.GLS(y, x, sigma=sigma).fit()
    assert fit.levels == pytest.approx(reference.params[:3], rel=1e-9)
    assert fit.slopes == pytest.approx(reference.params[3:], rel=1e-9)
    weights = np.array([-1.0, 0.4, 0.6])
    whole = np.concatenate([weights, np.zeros(2)])
    contrast = fit.contrast(weights)
    test = reference.t_test(whole)
    assert contrast.value == pytest.approx(float(test.effect[0]), rel=1e-9)
    assert contrast.u == pytest.approx(float(np.asarray(test.sd).item()), rel=1e-9)
    low, high = np.asarray(test.conf_int()).reshape(2)
    assert (contrast.low, contrast.high) == pytest.approx((low, high), rel=1e-6)
    asked = np.array([[0.0, 0.0], [1.5, -0.5], [-2.0, 3.0]])
    rows = np.column_stack([np.tile(weights, (3, 1)), asked])
    own, rest = fit.covariance(weights, asked)
    assert own + rest == pytest.approx(rows @ np.asarray(reference.cov_params()) @ rows.T, rel=1e-9)
    for row, slopes in zip(rows, asked, strict=True):
        elsewhere, test = fit.contrast(weights, slopes, hac=False), reference.t_test(row)
        assert elsewhere.value == pytest.approx(float(test.effect[0]), rel=1e-9)
        assert elsewhere.u == pytest.approx(float(np.asarray(test.sd).item()), rel=1e-9)
        assert np.isnan(elsewhere.u_hac)


def test_an_error_that_goes_with_the_response_goes_through_the_same_estimator() -> None:
    made = records(np.random.default_rng(6), 0.5, (50, 60))
    plain = analyse_covariance(made).levels
    lifted = [
        CorrelatedSeries(r.at, r.response + 0.3 * (1.0 + r.covariates[:, 0]), r.covariates, r.shared_errors)
        for r in made
    ]
    shared_errors = [
        CorrelatedSeries(r.at, r.response, r.covariates, 0.3 * (1.0 + r.covariates[:, :1])) for r in made
    ]
    fit, slopes = analyse_covariance(shared_errors), np.array([0.5, -2.0])
    for weights in (np.array([1.0, 0.0]), np.array([-1.0, 1.0])):
        propagated = fit.propagated(weights, slopes).sum()
        there = analyse_covariance(lifted)
        assert propagated == pytest.approx(
            weights @ (there.levels - plain) + slopes @ (there.slopes - fit.slopes), abs=1e-9
        )
    # a line in a covariate goes into its slope; of the level the constant is left
    assert fit.propagated(np.array([1.0, 0.0])).sum() == pytest.approx(0.3, abs=1e-9)
    assert fit.propagated(np.array([0.0, 1.0]), np.array([2.0, 0.0])).sum() == pytest.approx(0.9, abs=1e-9)


def test_an_error_of_one_record_alone_is_kept_apart_from_that_of_another() -> None:
    """Of a record that has none it pushes nothing but through the slopes, which all share."""
    made = records(np.random.default_rng(16), 0.5, (50, 60))
    only = [replace(r, shared_errors=0.3 * r.covariates[:, :1] * (k == 0)) for k, r in enumerate(made)]
    lifted = [replace(r, response=r.response + r.shared_errors[:, 0]) for r in only]
    weights, slopes = np.array([-1.0, 1.0]), np.array([1.0, 0.0])
    fit, there = analyse_covariance(only), analyse_covariance(lifted)
    propagated = fit.propagated(weights, slopes)
    assert propagated[1, 0] == 0.0
    moved = weights @ (there.levels - fit.levels) + slopes @ (there.slopes - fit.slopes)
    # the weights of the noises differ a little between the two fits
    assert propagated[0, 0] == pytest.approx(moved, rel=0.05)


def test_the_noise_is_found() -> None:
    rng = np.random.default_rng(8)
    strong = analyse_covariance(records(rng, 0.85, (300, 300)))
    none = analyse_covariance(records(rng, 0.0, (300, 300)))
    assert 0.75 <= strong.rho <= 0.93
    assert none.rho * none.share < 0.2
    assert strong.scatter == pytest.approx(1.0, rel=0.25)
    assert strong.slopes == pytest.approx([2.0, -1.0], abs=float(4.0 * strong.slopes_u.max()))


def test_the_check_by_cosine_scores_is_of_the_same_size() -> None:
    rng = np.random.default_rng(9)
    ratios = []
    for _ in range(40):
        contrast = analyse_covariance(records(rng, 0.6, (120, 100))).contrast(np.array([-1.0, 1.0]))
        ratios.append(contrast.u_hac / contrast.u)
    assert 0.75 < float(np.median(ratios)) < 1.2


def test_what_can_not_be_fitted_is_refused() -> None:
    at = np.arange(10)
    flat = CorrelatedSeries(at, np.ones(10), np.ones((10, 1)), np.zeros((10, 0)))
    with pytest.raises(LyewatchError, match="do not vary"):
        analyse_covariance([flat, flat])
    with pytest.raises(LyewatchError, match="too few"):
        analyse_covariance([CorrelatedSeries(at[:2], np.ones(2), np.zeros((2, 0)), np.zeros((2, 0)))])
