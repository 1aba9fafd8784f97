"""Uncertainty against the GUM's worked examples, its Supplement 1, reference data, and other propagators.

Tolerances: PRINT half of the last printed digit; MC four standard errors of the Monte Carlo; 1e-9 where the
other library does the same arithmetic.
"""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from uncertainties import correlated_values_norm, ufloat, wrap

from daq.quantity import (
    Quantity,
    Variable,
    combine,
    correlated,
    correlation,
    effective_size,
    monte_carlo,
    propagate,
    resolution_u,
    specification_limit,
    specification_u,
    type_a,
)

# ------------------------------------------------------------ JCGM 100, annex H


def _end_gauge() -> tuple[Quantity, list[Quantity]]:
    """JCGM 100:2008 H.1, end-gauge calibration [nm]; inputs as the GTC documentation lists them."""
    d = [
        Quantity(215.0, 5.8, "nm", dof=24, label="d0"),
        Quantity(0.0, 3.9, "nm", dof=5, label="d1"),
        Quantity(0.0, 6.7, "nm", dof=8, label="d2"),
    ]
    alpha = Quantity(11.5e-6, 2e-6 / math.sqrt(3.0), "1/K", shape="rectangular", label="alpha_s")
    d_alpha = Quantity(0.0, 1e-6 / math.sqrt(3.0), "1/K", dof=50, shape="rectangular", label="d_alpha")
    d_theta = Quantity(0.0, 0.05 / math.sqrt(3.0), "K", dof=2, shape="rectangular", label="d_theta")
    theta = Quantity(-0.1, 0.2, "K", label="theta") + Quantity(
        0.0, 0.5 / math.sqrt(2.0), "K", shape="arcsine", label="swing"
    )
    ls = Quantity(50_000_623.0, 25.0, "nm", dof=18, label="l_s")
    warmth = (ls * d_alpha * theta + ls * alpha * d_theta).named("nm")
    return ls + d[0] + d[1] + d[2] - warmth, [ls, *d, d_alpha, theta, alpha, d_theta]


def test_gum_h1_end_gauge() -> None:
    length, _ = _end_gauge()
    assert length.value == pytest.approx(50_000_838.0, abs=0.5)
    assert length.u == pytest.approx(31.664, abs=5e-4)  # printed 32 nm
    assert length.dof == pytest.approx(16.75, abs=5e-3)  # the GUM cuts it down to 16
    assert length.expanded(0.99) == pytest.approx(93.0, abs=0.6)  # 2.92 x 31.7; printed 93 nm
    parts = [float(np.asarray(part.u)) for part in length.budget() if part.u]
    assert parts[:6] == pytest.approx([25.0, 16.599, 6.7, 5.8, 3.9, 2.88679], abs=5e-3)


def test_gum_h1_second_order_by_monte_carlo() -> None:
    # JCGM 100 H.1.7: second-order terms raise u to 34 nm; the supplement's method finds them by itself
    _, inputs = _end_gauge()
    ls, d0, d1, d2, d_alpha, theta, alpha, d_theta = (
        # known outright, so that Student's tails do not enter
        Quantity.from_parts(q.value, q.unit, {_outright(v): p for v, p in q.parts.items()})
        for q in inputs
    )

    def length(*x: NDArray[np.float64]) -> NDArray[np.float64]:
        ls, d0, d1, d2, d_alpha, theta, alpha, d_theta = x
        return ls + d0 + d1 + d2 - ls * (d_alpha * theta + alpha * d_theta)

    got = monte_carlo(length, ls, d0, d1, d2, d_alpha, theta, alpha, d_theta, draws=400_000)
    assert got.u == pytest.approx(34.0, abs=0.5)


def _outright(variable: Variable) -> Variable:
    return Variable(variable.label, shape=variable.shape)


def test_welch_satterthwaite_alone() -> None:
    total = Quantity(0.0)
    for u, dof in ((25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)):
        total = total + Quantity(0.0, u, dof=dof)
    assert total.u == pytest.approx(31.671, abs=5e-4)
    assert total.dof == pytest.approx(16.7646, abs=5e-5)


def _impedance(v: Quantity, i: Quantity, phi: Quantity) -> tuple[Quantity, Quantity, Quantity]:
    def part(function: object, name: str) -> Quantity:
        return propagate(function, v, i, phi, unit=name)  # type: ignore[arg-type]

    return (
        part(lambda v, i, p: v / i * np.cos(p), "ohm"),
        part(lambda v, i, p: v / i * np.sin(p), "ohm"),
        part(lambda v, i, p: v / i + 0.0 * p, "ohm"),
    )


R_H2 = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
U_H2 = np.array([3.2e-3, 9.5e-6, 7.5e-4])


def test_gum_h2_from_rounded_inputs() -> None:
    # JCGM 100:2008 H.2; correlation coefficients as `GTC` and `uncertainties` find them from rounded inputs
    means = [4.999, 19.661e-3, 1.04446]
    r, x, z = _impedance(*correlated(means, np.outer(U_H2, U_H2) * R_H2, ["V", "A", "rad"], dof=4))
    for got, value, u in ((r, 127.732, 0.070), (x, 219.847, 0.296), (z, 254.260, 0.237)):
        assert got.value == pytest.approx(value, abs=6e-4)
        assert got.u == pytest.approx(u, abs=6e-4)
        # all three inputs come from the same five observations
        assert got.dof == pytest.approx(4.0)
    assert [correlation(r, x), correlation(r, z), correlation(x, z)] == pytest.approx(
        [-0.591, -0.491, 0.993], abs=1.5e-3
    )
    theirs = correlated_values_norm(list(zip(means, U_H2, strict=True)), R_H2)
    their_r = theirs[0] / theirs[1] * wrap(math.cos)(theirs[2])
    assert r.u == pytest.approx(their_r.s, rel=1e-5)


def test_gum_h2_from_raw_observations() -> None:
    # Table H.2; the raw data are from memory and give the printed means, u, and correlations
    v = [5.007, 4.994, 5.005, 4.990, 4.999]
    i = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
    phi = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
    table = np.array([v, i, phi])
    covariance = np.cov(table) / 5.0
    r, x, z = _impedance(*correlated(list(table.mean(axis=1)), covariance, ["V", "A", "rad"], dof=4))
    assert [r.value, x.value, z.value] == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert [r.u, x.u, z.u] == pytest.approx([0.071, 0.2956, 0.2363], abs=5e-4)
    got = [correlation(r, x), correlation(r, z), correlation(x, z)]
    assert got == pytest.approx([-0.588, -0.485, 0.993], abs=5e-4)


def test_students_factors() -> None:
    # JCGM 100 table G.2, 95 %
    for dof, t in ((3.0, 3.18), (9.0, 2.26), (16.0, 2.12), (50.0, 2.01)):
        assert Quantity(0.0, 1.0, dof=dof).expanded() == pytest.approx(t, abs=5e-3)
        assert Quantity(0.0, 1.0, dof=dof).expanded() == pytest.approx(
            float(stats.t.ppf(0.975, dof)), rel=1e-9
        )


# ------------------------------------------------------------ JCGM 101

DRAWS = 1_000_000


def test_supplement_1_additive_models() -> None:
    # JCGM 101 9.2.2 to 9.2.4; tolerances: printed digits, which four standard errors stay within
    normal = [Quantity(0.0, 1.0) for _ in range(4)]
    total = normal[0] + normal[1] + normal[2] + normal[3]
    assert total.u == pytest.approx(2.0)
    assert total.expanded() == pytest.approx(3.92, abs=5e-3)
    flat = [Quantity(0.0, 1.0, shape="rectangular") for _ in range(4)]
    got = monte_carlo(lambda a, b, c, d: a + b + c + d, *flat, draws=DRAWS)
    assert got.u == pytest.approx(2.0, abs=4 * got.u_standard_error)
    # exactly 3.879407 (Irwin-Hall), where normal theory says 3.92
    assert (-got.low, got.high) == pytest.approx((3.8794, 3.8794), abs=0.02)
    wide = [*flat[:3], Quantity(0.0, 10.0, shape="rectangular")]
    got = monte_carlo(lambda a, b, c, d: a + b + c + d, *wide, draws=DRAWS)
    assert got.u == pytest.approx(math.sqrt(103.0), abs=4 * got.u_standard_error)
    assert got.high == pytest.approx(17.0, abs=0.05)
    assert (wide[0] + wide[1] + wide[2] + wide[3]).expanded() == pytest.approx(19.9, abs=0.05)


@pytest.mark.parametrize(
    ("x1", "mean", "u", "shortest"),
    [
        (0.0, 50.0, 50.0, (0.0, 150.0)),
        (0.010, 150.0, 111.8, (0.0, 366.0)),
        (0.050, 2550.0, 502.5, (1599.0, 3553.0)),
    ],
)
def test_supplement_1_comparison_loss(
    x1: float, mean: float, u: float, shortest: tuple[float, float]
) -> None:
    # JCGM 101 9.4: x1^2 + x2^2, u 0.005; closed forms mean x1^2 + 2u^2, u^2 = 4u^2 x1^2 + 4u^4, in 1e-6.
    # The shortest interval's ends are the loosest of the statistics: 1.5 % of the interval.
    got = monte_carlo(lambda a, b: a * a + b * b, Quantity(x1, 0.005), Quantity(0.0, 0.005), draws=DRAWS)
    assert got.mean * 1e6 == pytest.approx(mean, rel=4e-3)
    assert got.u * 1e6 == pytest.approx(u, rel=1e-2)
    assert np.array(got.shortest) * 1e6 == pytest.approx(
        shortest, abs=0.015 * (shortest[1] - shortest[0]) + 1.0
    )
    if x1 == 0.0:
        # first order sees nothing there: why the check exists
        assert (Quantity(0.0, 0.005) ** 2).u == 0.0


# ------------------------------------------------------------ the bench's numbers


def test_mmw_against_uncertainties_and_gtc() -> None:
    flow, volts, amps = (
        Quantity(600.0, 6.0, "mL/min", dof=9),
        Quantity(13.20, 0.02, "V", dof=50),
        Quantity(10.0, 0.08, "A", dof=30),
    )
    mmw = flow / (volts * amps)
    theirs = ufloat(600.0, 6.0) / (ufloat(13.20, 0.02) * ufloat(10.0, 0.08))
    assert mmw.value == pytest.approx(4.545455, abs=5.1e-7)
    assert mmw.u == pytest.approx(0.058616, abs=5.1e-7)
    assert mmw.u == pytest.approx(theirs.s, rel=1e-9)
    assert mmw.u95 == pytest.approx(0.11723, abs=5.1e-6)
    gtc = GTC.ureal(600.0, 6.0, 9) / (GTC.ureal(13.20, 0.02, 50) * GTC.ureal(10.0, 0.08, 30))
    assert mmw.dof == pytest.approx(GTC.dof(gtc), rel=1e-9)
    assert mmw.dof == pytest.approx(22.16, abs=5e-3)
    weaker = Quantity(450.0, 9.0, dof=9) / (Quantity(12.60, 0.05, dof=50) * Quantity(8.0, 0.08, dof=30))
    assert (weaker.value, weaker.u) == pytest.approx((4.464286, 0.101384), abs=6e-7)
    assert weaker.dof == pytest.approx(14.68, abs=5e-3)


def test_correlated_volts_and_amps_add() -> None:
    # both stand below the line, so a common error adds up
    r = np.array([[1.0, 0.5], [0.5, 1.0]])
    u = np.array([0.02, 0.08])
    volts, amps = correlated([13.2, 10.0], np.outer(u, u) * r, ["V", "A"])
    assert (Quantity(600.0, 6.0) / (volts * amps)).u == pytest.approx(0.060715, abs=5.1e-7)


def test_faradaic_efficiency() -> None:
    from daq.physics.faraday import gas_rate_lpm
    from daq.physics.reference import reference_condition

    flow, amps = Quantity(0.600, 0.006, "L/min"), Quantity(10.0, 0.08, "A")
    per_amp = gas_rate_lpm(1.0, 6, reference=reference_condition("25C_101.325kPa"))
    efficiency = flow / (amps * per_amp)
    assert (efficiency.value, efficiency.u) == pytest.approx((0.876388, 0.011223), abs=6e-7)


def test_a_shared_calibration_cancels_between_runs() -> None:
    meter = Quantity(1.0, 0.01, label="flow calibration")
    one, two = (Quantity(q, 3.0) * meter / 132.0 for q in (600.0, 620.0))
    difference, ratio = two - one, two / one
    assert (difference.value, difference.u) == pytest.approx((0.151515, 0.032177), abs=6e-7)
    assert (ratio.value, ratio.u) == pytest.approx((1.033333, 0.007190), abs=6e-7)
    assert math.hypot(float(np.asarray(one.u)), float(np.asarray(two.u))) == pytest.approx(0.072838, abs=6e-7)


# ------------------------------------------------------------ evaluation


def test_accuracy_specifications() -> None:
    # a university laboratory tutorial: 32.00 V and 0.09 V at 2.5 % + 3 digits
    for reading, limit in ((32.00, 0.83), (0.09, 0.03225)):
        got = specification_limit(reading, percent_of_reading=2.5, counts=3, resolution=0.01)
        assert got == pytest.approx(limit)
    # a 6.5-digit meter's manual: 5 V on its 10 V range, 0.0020 % + 0.0005 % of range: 150 uV
    got = specification_limit(5.0, percent_of_reading=0.0020, percent_of_range=0.0005, range_width=10.0)
    assert got == pytest.approx(150e-6)
    # a university page: 1.4869 A at 0.5 % + 1 digit; 166.51 mV at 0.1 % + 4 digits
    amps = specification_limit(1.4869, percent_of_reading=0.5, counts=1, resolution=1e-4)
    millivolts = specification_limit(166.51, percent_of_reading=0.1, counts=4, resolution=0.01)
    assert (amps, millivolts) == pytest.approx((0.0075345, 0.20651), abs=1e-9)
    # JCGM 100 4.3.7: a rectangular limit over the root of 3; F.2.2.1: resolution
    assert specification_u(13.20, percent_of_reading=0.5, counts=2, resolution=0.01) == pytest.approx(
        0.0496521, abs=5.1e-8
    )
    assert resolution_u(0.01) == pytest.approx(0.00288675, abs=5.1e-9)


MAVRO = 2.0 + 1e-5 * np.array([
    180, 170, 180, 190, 180, 170, 150, 140, 150, 150, 170, 180, 180, 190, 190, 210, 200, 160, 140, 130,
    130, 150, 150, 160, 150, 140, 130, 140, 150, 140, 150, 160, 150, 160, 190, 200, 200, 210, 220, 230,
    240, 250, 270, 260, 260, 260, 270, 260, 250, 240,
])  # fmt: skip


def test_nist_mavro() -> None:
    # NIST StRD Mavro, certified; the data have five decimals, so s and r1 hold to 1e-9
    got = type_a(MAVRO)
    assert got.mean == pytest.approx(2.001856, rel=1e-10)
    assert got.s == pytest.approx(0.000429123454003053, rel=1e-9)
    assert got.r1 == pytest.approx(0.937989183438248, rel=1e-9)
    # at that r1, 50 samples are worth 2.28: s/sqrt(n) is 4.7 times too small
    n_eff = effective_size(50, got.r1)
    assert n_eff == pytest.approx(2.2839, abs=5e-5)
    assert np.asarray(got.s) / np.sqrt(n_eff) == pytest.approx(2.840e-4, abs=5e-8)
    # r1 itself is biased low, and freed of its bias says: too short to tell noise from drift
    assert got.u == pytest.approx(np.asarray(got.s), rel=0.02)


@pytest.mark.parametrize("base", [1_000_000.2, 10_000_000.2], ids=["NumAcc3", "NumAcc4"])
def test_nist_numerical_accuracy(base: float) -> None:
    # NIST StRD NumAcc3 and NumAcc4: sd 0.1 exactly, r1 -0.999; a sum of squares in one pass gives 0.0
    data = np.concatenate([[base], np.tile([base - 0.1, base + 0.1], 500)])
    got = type_a(data)
    # the data themselves round to 1e-9 of 0.1 in double
    assert got.mean == pytest.approx(base, rel=1e-12)
    assert got.s == pytest.approx(0.1, rel=2e-8)
    assert got.r1 == pytest.approx(-0.999, abs=1e-7)
    assert got.n_eff == 1001.0


@pytest.mark.parametrize(
    ("n", "rho", "size"),
    [(100, 0.5, 33.783784), (60, 0.8, 7.199999), (100, 0.9, 5.813937), (1000, 0.9, 53.134963)],
)
def test_effective_sample_size(n: int, rho: float, size: float) -> None:
    assert effective_size(n, rho) == pytest.approx(size, abs=5.1e-7)


def test_gum_h3_line_through_calibration_points() -> None:
    # JCGM 100 H.3, thermometer calibration: intercept and slope as correlated quantities, and the correction
    # at 30 degC from them: -0.1494(0.0041) degC
    t = (
        np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
        - 20.0
    )
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    (slope, intercept), covariance = np.polyfit(t, b, 1, cov=True)
    y2, y1 = correlated([slope, intercept], covariance, ["", "degC"], dof=9)
    assert (y1.value, y1.u) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (y2.value, y2.u) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert correlation(y1, y2) == pytest.approx(-0.930, abs=5e-4)
    at_30 = combine(y1.value + 10.0 * y2.value, "degC", [(1.0, y1), (10.0, y2)])
    assert (at_30.value, at_30.u) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    assert at_30.dof == pytest.approx(9.0)
