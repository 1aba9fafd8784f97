"""Type A and Type B evaluation: edge cases, gaps, drift, and coverage in repeated records."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.quantity import (
    effective_size,
    resolution_u,
    specification_limit,
    specification_u,
    specified,
    type_a,
    type_a_windows,
)


def autoregressive(rng: np.random.Generator, records: int, n: int, rho: float) -> NDArray[np.float64]:
    """Stationary first-order autoregressive records of mean zero, unit innovation."""
    x = rng.standard_normal((records, n))
    x[:, 0] /= math.sqrt(1.0 - rho**2)
    for k in range(1, n):
        x[:, k] += rho * x[:, k - 1]
    return x


def test_white_noise_is_the_textbook_case() -> None:
    samples = np.random.default_rng(3).standard_normal(5000)
    got = type_a(samples)
    assert got.mean == pytest.approx(samples.mean())
    assert got.s == pytest.approx(samples.std(ddof=1))
    assert got.u == pytest.approx(got.s / math.sqrt(5000), rel=0.05)
    assert got.n == 5000


def test_short_and_constant_records() -> None:
    assert math.isnan(type_a([]).mean)
    one = type_a([3.0])
    assert one.mean == 3.0
    assert math.isnan(one.u)
    constant = type_a([13.2] * 50)
    assert (constant.s, constant.r1, constant.u, constant.n_eff) == (0.0, 0.0, 0.0, 50.0)
    assert constant.mean == 13.2


def test_missing_samples_are_left_out() -> None:
    rng = np.random.default_rng(11)
    whole = autoregressive(rng, 1, 4000, 0.7)[0]
    holed = whole.copy()
    holed[rng.random(4000) < 0.1] = np.nan
    a, b = type_a(whole), type_a(holed)
    assert b.n == np.isfinite(holed).sum()
    assert b.mean == pytest.approx(np.nanmean(holed))
    assert b.r1 == pytest.approx(a.r1, abs=0.03)


def test_windows_are_what_each_alone_would_be() -> None:
    rng = np.random.default_rng(2)
    record = np.cumsum(rng.standard_normal(500)) * 0.1 + rng.standard_normal(500) + 300.0
    record[rng.random(500) < 0.05] = np.nan
    edges = np.array([10, 60, 60, 61, 200, 450])
    for detrend in (False, True):
        many = type_a_windows(record, edges, detrend=detrend)
        for k in range(5):
            one = type_a(record[edges[k] : edges[k + 1]], detrend=detrend)
            for name in ("mean", "s", "r1", "n", "n_eff", "u", "dof"):
                got = np.asarray(getattr(many, name))[k]
                np.testing.assert_allclose(got, getattr(one, name), rtol=1e-9, atol=1e-12, err_msg=name)


def test_drift_is_no_noise_once_taken_out() -> None:
    rng = np.random.default_rng(4)
    noise = rng.standard_normal(300) * 0.01
    drifting = 20.0 + np.linspace(0.0, 3.0, 300) + noise
    left, taken = type_a(drifting), type_a(drifting, detrend=True)
    assert left.mean == pytest.approx(taken.mean)
    assert left.u > 0.4
    assert taken.s == pytest.approx(0.01, rel=0.1)


def test_a_large_offset_costs_no_digits() -> None:
    samples = 1.0e7 + np.tile([-0.1, 0.1], 500)
    assert type_a(samples).s == pytest.approx(0.1, rel=1e-3)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.8])
@pytest.mark.parametrize("detrend", [False, True])
def test_two_u_covers_the_true_mean(rho: float, detrend: bool) -> None:
    # 4000 records of 300 samples: binomial 4 standard errors of 0.95 are 0.014
    records = autoregressive(np.random.default_rng(8), 4000, 300, rho)
    got = type_a_windows(records.ravel(), np.arange(4001) * 300, detrend=detrend)
    covered = np.mean(np.abs(got.mean) <= 2.0 * np.asarray(got.u))
    assert 0.935 < covered < 0.97
    naive = np.mean(np.abs(got.mean) <= 2.0 * np.asarray(got.s) / math.sqrt(300))
    if rho == 0.8:
        assert naive < 0.6


@pytest.mark.parametrize("n", [1, 2, 5, 60, 1000])
@pytest.mark.parametrize("rho", [-0.5, 0.0, 0.3, 0.9, 0.999, 1.0 - 1e-7, 1.0])
def test_effective_size_is_its_own_sum(n: int, rho: float) -> None:
    k = np.arange(1, n)
    # the closed form loses a few digits to cancellation near 1, no more
    assert effective_size(n, rho) == pytest.approx(n / (1.0 + 2.0 * np.sum((1.0 - k / n) * rho**k)), rel=1e-6)


def test_specifications_add_their_terms() -> None:
    limit = specification_limit(
        -200.0, percent_of_reading=0.5, absolute=0.1, percent_of_range=1.0, range_width=50.0
    )
    assert limit == pytest.approx(1.0 + 0.1 + 0.5)
    np.testing.assert_allclose(
        specification_u(np.array([10.0, 20.0]), percent_of_reading=1.0), np.array([0.1, 0.2]) / math.sqrt(3.0)
    )


def test_a_specified_reading_carries_both_parts() -> None:
    volts = specified(13.2, "V", label="volts", percent_of_reading=0.5, counts=2, resolution=0.01)
    accuracy, resolution = volts.budget()
    assert (accuracy.label, resolution.label) == ("volts: accuracy", "volts: resolution")
    assert accuracy.u == pytest.approx(0.086 / math.sqrt(3.0))
    assert resolution.u == pytest.approx(resolution_u(0.01))
    assert specified(13.2, "V", label="volts").u == 0.0


def test_noise_enters_a_quantity_with_its_dof() -> None:
    record = type_a(np.random.default_rng(1).standard_normal(20))
    mean = record.quantity("V", "volts")
    assert mean.dof == pytest.approx(record.dof)
    assert mean.budget()[0].label == "volts: noise"
    assert mean.u == pytest.approx(record.u)
    (variable,) = record.part("volts")
    assert not variable.common
