"""Scatter from run to run, and intervals for any number of looks, against what is known elsewhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from daq.stats.sequential import PRIOR_DOF, Repeats, Scatter, calls, half_width, half_width_anytime, log_ratio

KNOWN = Scatter(np.array([0.01]), np.ones(1), 0.01, 0)


def test_without_repeats_the_scatter_is_a_half_t() -> None:
    # Gelman 2006, sec. 2: |t| with its degrees of freedom and scale; quantiles by SciPy's t
    scatter = Scatter.of(0.02)
    for p in (0.1, 0.5, 0.9, 0.975):
        assert scatter.quantile(p) == pytest.approx(0.02 * stats.t(PRIOR_DOF).ppf(0.5 + 0.5 * p), rel=0.02)
    assert Scatter.of(0.0).sd == 0.0


def test_with_many_repeats_the_scatter_is_what_they_show() -> None:
    # The posterior of a variance from 400 repeats: 0.01^2 within its own relative error sqrt(2/400), halved
    scatter = Scatter.of(0.05, [Repeats(400 * (0.01**2 + 0.002**2), 400, 0.002**2)])
    assert scatter.sd == pytest.approx(0.01, rel=0.02)
    spread = 0.5 * (scatter.quantile(0.84) - scatter.quantile(0.16))
    assert spread == pytest.approx(0.01 * math.sqrt(0.5 / 400) * (1.0 + 0.04), rel=0.05)
    wide = half_width(scatter, 0.1, 0.0)
    # Student's t of 400 degrees of freedom: 1.966
    assert wide == pytest.approx(stats.t(400).ppf(0.975) * 0.01 * math.sqrt(0.1), rel=0.02)


def test_posterior_is_that_of_quadrature() -> None:
    scale, squares, dof, inside = 0.02, 3e-4, 3, 4e-6

    def density(s: float) -> float:
        v = s * s + inside
        return float(stats.t(PRIOR_DOF).pdf(s / scale) * v ** (-0.5 * dof) * np.exp(-0.5 * squares / v))

    whole = quad(density, 0.0, 1.0, points=(0.005, 0.02, 0.1), limit=400)[0]
    below = quad(density, 0.0, 0.01, limit=400)[0] / whole
    scatter = Scatter.of(scale, [Repeats(squares, dof, inside)])
    assert scatter.quantile(below) == pytest.approx(0.01, rel=0.02)


def test_the_ratio_is_that_of_a_cauchy_mixture() -> None:
    # Rouder et al. 2009, eq. 5, with a known variance: the integral of a normal density over a Cauchy prior
    for apart, u, expected in ((0.0, 0.01, 0.03), (0.02, 0.01, 0.03), (0.08, 0.02, 0.01)):
        mixed = quad(
            lambda d, a=apart, s=u, e=expected: stats.norm(d, s).pdf(a) * stats.cauchy(0.0, e).pdf(d),
            -3.0, 3.0, points=(0.0, apart), limit=800,
        )[0]  # fmt: skip
        found = log_ratio(np.asarray(apart), np.zeros(1), np.array([u * u]), expected)
        assert float(found) == pytest.approx(math.log(mixed / stats.norm(0.0, u).pdf(apart)), abs=0.02)


def test_any_look_is_wider_than_one_and_closes_with_runs() -> None:
    widths = [half_width_anytime(KNOWN, 2.0 / n, 0.0, 0.03) for n in (1, 4, 16, 64)]
    assert widths == sorted(widths, reverse=True)
    for n, wide in zip((1, 4, 16, 64), widths, strict=True):
        one = half_width(KNOWN, 2.0 / n, 0.0)
        assert one == pytest.approx(1.95996 * 0.01 * math.sqrt(2.0 / n), rel=1e-4)
        # Robbins 1970: wider by a factor that grows as the root of a logarithm
        assert 1.4 < wide / one < 2.1
    assert half_width_anytime(Scatter.of(0.0), 1.0, 0.0, 0.03) == 0.0
    assert math.isfinite(half_width_anytime(Scatter.of(0.02), 2.0, 1e-6, 0.03)), "one run of each"


@pytest.mark.parametrize("sd", [0.0, 0.005, 0.01, 0.02])
def test_looking_after_each_of_30_pairs_would_have_called_a_true_zero_in_half_of_all_series(
    sd: float,
) -> None:
    """2,000 series each: no more than 5 % ever called; Student's t looked at as often calls far more."""
    found = calls(0.0, sd, 0.003**2, 0.02, 0.03, most=30, tries=2000)
    assert found.power[-1] <= 0.05
    rng = np.random.default_rng(5)
    a, b = rng.normal(0.0, math.hypot(sd, 0.003), (2, 2000, 30))
    ever = np.zeros(2000, dtype=bool)
    for n in range(2, 31):
        ever |= stats.ttest_ind(a[:, :n], b[:, :n], axis=1).pvalue < 0.05
    assert ever.mean() > 0.2, "the same with a t-test at each look"


def test_series_are_told_as_fast_as_stated() -> None:
    """Runs of each build on average, of 60 at most, as `docs/numbers.md` gives them."""
    stated = {
        (0.005, 0.02): 4.7, (0.005, 0.05): 2.7, (0.01, 0.02): 8.6, (0.01, 0.05): 3.4,
        (0.02, 0.02): 22.3, (0.02, 0.05): 5.6,
    }  # fmt: skip
    for (sd, difference), mean in stated.items():
        found = calls(difference, sd, 0.003**2, 0.02, 0.03)
        assert found.expected(60) == pytest.approx(mean, rel=0.06)
        by = found.needed(0.8)
        assert by is not None
        assert found.by(by) >= 0.8
    never = calls(1e-6, 0.02, 1e-6, 0.02, 0.03, most=4, tries=50)
    assert never.needed(0.8) is None
    assert never.expected(4) == pytest.approx(4.0, abs=0.3)
    assert never.by(0) == 0.0
