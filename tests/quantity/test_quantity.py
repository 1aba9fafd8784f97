"""Quantities: what arithmetic does to values, parts, units and arrays."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import LyewatchError
from daq.quantity import Quantity, combine, correlated, correlation, propagate
from daq.quantity import Variable as Var


def test_a_quantity_minus_itself_is_exactly_nothing() -> None:
    amps = Quantity(10.0, 0.08, "A")
    assert (amps - amps).u == 0.0
    assert (amps / amps).u == 0.0
    assert (amps + amps).u == pytest.approx(0.16)


def test_independent_quantities_add_in_quadrature() -> None:
    total = Quantity(3.0, 0.3, "V") + Quantity(4.0, 0.4, "V")
    assert (total.value, total.unit) == (7.0, "V")
    assert total.u == pytest.approx(0.5)


def test_shared_current_adds_up_in_the_ratio() -> None:
    # flow/(V I) / (flow/I) depends on V alone: the current cancels
    flow, volts, amps = Quantity(600.0, 6.0), Quantity(13.2, 0.02), Quantity(10.0, 0.08)
    ratio = (flow / (volts * amps)) / (flow / amps)
    assert ratio.relative_u == pytest.approx(0.02 / 13.2)
    of_power, of_charge = math.hypot(0.02 / 13.2, 0.008), math.hypot(0.01, 0.008)
    assert correlation(volts * amps, flow / amps) == pytest.approx(-(0.008**2) / (of_power * of_charge))


def test_plain_numbers_and_arrays_on_either_side() -> None:
    q = Quantity(2.0, 0.1, "V")
    assert (1.0 + q).value == 3.0
    assert (1.0 - q).value == -1.0
    assert (3.0 * q).u == pytest.approx(0.3)
    assert (1.0 / q).u == pytest.approx(0.025)
    assert (q / 4.0).u == pytest.approx(0.025)
    assert (q**2).u == pytest.approx(0.4)
    many = np.array([1.0, 2.0, 3.0]) * q
    assert isinstance(many, Quantity)
    np.testing.assert_allclose(many.u, [0.1, 0.2, 0.3])


def test_units_are_put_together_and_named() -> None:
    volts, amps = Quantity(13.2, 0.02, "V"), Quantity(10.0, 0.08, "A")
    watts = volts * amps
    assert watts.unit == "V·A"
    assert watts.named("W").unit == "W"
    assert (Quantity(1.0, 0.0, "mL") / watts).unit == "mL/(V·A)"
    assert (volts / volts).unit == ""
    assert (1.0 / amps).unit == "1/A"
    assert (volts**2).unit == "V^2"
    assert watts.scaled(0.001, "kW").u == pytest.approx(watts.u * 0.001)


def test_differing_units_are_refused() -> None:
    with pytest.raises(LyewatchError, match=r"differing units.*V and A"):
        Quantity(1.0, 0.1, "V") + Quantity(1.0, 0.1, "A")


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(LyewatchError, match="never negative"):
        Quantity(1.0, -0.1, "V", label="volts")


def test_budget_says_what_matters_most() -> None:
    flow = Quantity(600.0, 6.0, label="flow")
    volts = Quantity(13.2, 0.02, label="volts")
    amps = Quantity(10.0, 0.08, label="amps")
    mmw = flow / (volts * amps)
    lines = mmw.budget()
    assert [line.label for line in lines] == ["flow", "amps", "volts"]
    assert sum(line.share for line in lines) == pytest.approx(1.0)
    assert mmw.without("flow").u == pytest.approx(math.hypot(lines[1].u, lines[2].u))


def test_arrays_do_what_their_elements_do() -> None:
    rng = np.random.default_rng(5)
    flows, volts, amps = rng.uniform(1.0, 2.0, (3, 50))
    u = rng.uniform(0.01, 0.05, (3, 50))

    def model(a: Quantity, b: Quantity, c: Quantity) -> Quantity:
        return (a - 0.1) / (b * c) + c**0.5

    whole = model(Quantity(flows, u[0]), Quantity(volts, u[1]), Quantity(amps, u[2]))
    for k in range(50):
        one = model(Quantity(flows[k], u[0, k]), Quantity(volts[k], u[1, k]), Quantity(amps[k], u[2, k]))
        assert np.asarray(whole.value)[k] == pytest.approx(one.value, rel=1e-14)
        assert np.asarray(whole.u)[k] == pytest.approx(one.u, rel=1e-12)


def test_division_by_zero_gives_nan_not_a_crash() -> None:
    ratio = Quantity(np.array([1.0, 1.0]), 0.1) / Quantity(np.array([2.0, 0.0]), 0.1)
    assert np.isfinite(np.asarray(ratio.value)).tolist() == [True, False]
    assert math.isnan((Quantity(1.0, 0.1) / Quantity(0.0, 0.1)).value)


def test_means_keep_common_errors_and_average_noise_away() -> None:
    n = 100
    accuracy = Var("accuracy")
    noise = Var("noise", common=False)
    flow = Quantity.from_parts(np.full(n, 2.0), "L/min", {accuracy: 0.03, noise: np.full(n, 0.5)})
    mean = flow.mean()
    assert mean.value == pytest.approx(2.0)
    assert mean.u == pytest.approx(math.hypot(0.03, 0.05))
    assert flow.sum().u == pytest.approx(n * mean.u)


def test_ratio_of_means_remembers_shared_noise() -> None:
    # power = 12 V x current: the current's noise cancels from power/current even after averaging
    noise = Var("amps: noise", common=False)
    amps = Quantity.from_parts(np.array([8.0, 9.0, 10.0]), "A", {noise: np.array([0.4, 0.5, 0.6])})
    watts = (amps * 12.0).named("W")
    ratio = watts.mean() / amps.mean()
    assert ratio.value == pytest.approx(12.0)
    assert ratio.u == pytest.approx(0.0, abs=1e-12)
    weighted = amps.mean(weights=[1.0, 0.0, 0.0])
    assert weighted.u == pytest.approx(0.4)
    assert correlation(weighted, amps.mean()) == pytest.approx(0.4 / math.sqrt(0.4**2 + 0.5**2 + 0.6**2))


def test_an_average_can_not_be_averaged_again_along_another_axis() -> None:
    noise = Var("noise", common=False)
    grid = Quantity.from_parts(np.ones((2, 3)), "", {noise: np.full((2, 3), 0.1)})
    rows = grid.mean()
    np.testing.assert_allclose(rows.u, 0.1 / math.sqrt(3.0))
    with pytest.raises(LyewatchError, match="averaged over another"):
        rows.mean()


def test_dof_of_pooled_noise() -> None:
    # 4 windows of equal noise, each with 5 degrees of freedom: 20 together
    noise = Quantity(np.ones(4), np.full(4, 0.1), dof=5.0, common=False)
    assert noise.mean().dof == pytest.approx(20.0)
    assert Quantity(1.0, 0.1).dof == math.inf
    assert Quantity(1.0).dof == math.inf


def test_expanded_by_students_t() -> None:
    assert Quantity(0.0, 1.0).expanded() == pytest.approx(1.959964, abs=1e-6)
    assert Quantity(0.0, 1.0, dof=9.0).expanded() == pytest.approx(2.2622, abs=5e-5)
    assert Quantity(0.0, 1.0, dof=9.9).expanded() == pytest.approx(2.2622, abs=5e-5)
    assert Quantity(0.0, 1.0).u95 == 2.0


@pytest.mark.parametrize(
    "matrix", [[[1.0, 2.0], [2.0, 1.0]], [[1.0, 0.2], [0.3, 1.0]]], ids=["beyond 1", "not symmetric"]
)
def test_what_is_no_covariance_is_refused(matrix: list[list[float]]) -> None:
    with pytest.raises(LyewatchError, match="no covariance"):
        correlated([1.0, 2.0], matrix, ["V", "A"])


def test_a_covariance_of_the_wrong_size_is_refused() -> None:
    with pytest.raises(LyewatchError, match="2 by 2"):
        correlated([1.0, 2.0], np.eye(3), ["V", "A"])


def test_fully_correlated_inputs_are_taken() -> None:
    a, b = correlated([5.0, 7.0], [[1.0, 1.0], [1.0, 1.0]], ["V", "V"])
    assert (a - b).u == pytest.approx(0.0, abs=1e-7)
    assert (a + b).u == pytest.approx(2.0)


def test_correlated_arrays_take_a_matrix_each() -> None:
    cov = np.array([[[4.0, 1.0], [1.0, 1.0]], [[1.0, -0.5], [-0.5, 1.0]]])
    a, b = correlated([np.array([1.0, 2.0]), np.array([3.0, 4.0])], cov, ["", ""], common=False)
    np.testing.assert_allclose(a.variance, [4.0, 1.0])
    np.testing.assert_allclose((a + b).variance, [7.0, 1.0])


def test_propagate_finds_the_sensitivities() -> None:
    x, y = Quantity(2.0, 0.1, label="x"), Quantity(3.0, 0.2, label="y")
    got = propagate(lambda a, b, c: a**2 * np.sin(b) + c, x, y, 7.0, unit="m")
    by_hand = combine(0.0, "m", [(4.0 * math.sin(3.0), x), (4.0 * math.cos(3.0), y)])
    assert got.value == pytest.approx(4.0 * math.sin(3.0) + 7.0)
    assert got.u == pytest.approx(by_hand.u, rel=1e-5)
    assert correlation(got, by_hand) == pytest.approx(1.0)


def test_propagate_at_the_edge_of_a_range_uses_the_side_that_is_inside() -> None:
    from daq.physics.water import psat_water, psat_water_slope

    at_zero = propagate(psat_water, Quantity(0.0, 0.5, "degC"), unit="kPa")
    assert at_zero.u == pytest.approx(0.5 * psat_water_slope(0.0), rel=1e-3)
    many = propagate(psat_water, Quantity(np.array([0.0, 20.0, np.nan]), 0.5), unit="kPa", outside="nan")
    np.testing.assert_allclose(
        np.asarray(many.u)[:2], 0.5 * np.asarray(psat_water_slope(np.array([0.0, 20.0]))), rtol=1e-3
    )
    assert math.isnan(np.asarray(many.u)[2])


def test_propagate_takes_keywords() -> None:
    got = propagate(lambda a, *, gain: a * gain, 2.0, gain=Quantity(3.0, 0.1), unit="")
    assert got.u == pytest.approx(0.2)


finite = st.floats(0.1, 100.0)


@given(finite, finite, st.floats(0.001, 0.05), st.floats(0.001, 0.05))
def test_products_and_ratios_share_relative_uncertainty(a: float, b: float, ra: float, rb: float) -> None:
    x, y = Quantity(a, a * ra), Quantity(b, b * rb)
    assert (x * y).relative_u == pytest.approx(math.hypot(ra, rb))
    assert (x / y).relative_u == pytest.approx(math.hypot(ra, rb))
    assert ((x * y) / y).relative_u == pytest.approx(ra)


@given(st.lists(st.floats(0.01, 10.0), min_size=1, max_size=8))
def test_variance_is_the_sum_of_its_budget(us: list[float]) -> None:
    total = sum((Quantity(1.0, u, label=str(k)) for k, u in enumerate(us)), Quantity(0.0))
    assert total.variance == pytest.approx(sum(u * u for u in us))
    assert sum(line.share for line in total.budget()) == pytest.approx(1.0)
