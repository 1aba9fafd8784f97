"""Laws that must hold for any input: dry under wet, monotone where it must be, every inverse returns."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from daq.errors import PhysicsRangeError
from daq.physics import Num
from daq.physics.reference import REFERENCE_CONDITIONS, ReferenceCondition
from daq.physics.transducers import SteinhartHart, ThermocoupleType
from tests.physics.everything import physics as ph
from tests.published.ladder import duct_currents_closed_a, solve_ladder

NORMAL = REFERENCE_CONDITIONS["0C_101.325kPa"]
references = st.sampled_from(list(REFERENCE_CONDITIONS.values()))
gas_c = st.floats(1.0, 95.0)
kpa = st.floats(50.0, 120.0)
flow = st.floats(0.001, 50.0)
electrolytes: st.SearchStrategy[Literal["KOH", "NaOH"]] = st.sampled_from(["KOH", "NaOH"])


def num(value: Num) -> float:
    return float(np.asarray(value))


# --------------------------------------------------------------------------- gas


@given(flow, gas_c, kpa, st.floats(0.0, 1.0), references)
def test_dry_never_exceeds_wet(
    f: float, t: float, p: float, humidity: float, ref: ReferenceCondition
) -> None:
    vapour = ph.vapour_in_gas_kpa("water", t, humidity=humidity)
    assume(num(vapour) < 0.98 * p)
    dry = num(ph.dry_flow_at_reference(f, t, p, vapour_kpa=vapour, reference=ref))
    as_if_dry = num(ph.dry_flow_at_reference(f, t, p, vapour_kpa=0.0, reference=ref))
    assert 0.0 < dry <= as_if_dry
    assert (p - num(vapour)) / p == pytest.approx(dry / as_if_dry)


@given(gas_c, st.floats(0.01, 0.45), electrolytes)
def test_lye_holds_its_water_back(t: float, w: float, kind: Literal["KOH", "NaOH"]) -> None:
    over_lye = num(ph.vapour_pressure_lye(t, w, kind))
    assert 0.0 < over_lye < num(ph.vapour_pressure_lye(t, 0.0, kind))
    assert over_lye < num(ph.psat_water(t))
    assert num(ph.vapour_pressure_lye(t, w + 0.01, kind)) < over_lye
    activity = num(ph.water_activity_lye(t, w, kind))
    assert 0.0 < activity < 1.0


def test_lye_without_hydroxide_is_water() -> None:
    # Balej's own water equation is within 0.2 % of IF97 from 10 to 95 degC
    t = np.linspace(10.0, 95.0, 86)
    np.testing.assert_allclose(ph.vapour_pressure_lye(t, 0.0), ph.psat_water(t), rtol=2e-3)
    np.testing.assert_allclose(ph.water_activity_lye(t, 0.0), 1.0)
    np.testing.assert_allclose(ph.vapour_in_gas_kpa("dry", t), 0.0)
    np.testing.assert_allclose(
        ph.vapour_in_gas_kpa("lye", t, mass_fraction=0.2), ph.vapour_pressure_lye(t, 0.2)
    )


@given(st.floats(0.1, 100.0), st.integers(1, 60), st.floats(0.3, 1.0), references)
def test_faradays_law_returns(amps: float, cells: int, share: float, ref: ReferenceCondition) -> None:
    rate = ph.gas_rate_mol_s(amps, cells, share)
    assert num(ph.current_for_gas_a(rate, cells, share)) == pytest.approx(amps, rel=1e-12)
    lpm = ph.gas_rate_lpm(amps, cells, share, reference=ref)
    assert num(ph.mol_s_from_lpm(lpm, ref)) == pytest.approx(num(rate), rel=1e-12)
    assert num(ph.faradaic_efficiency(lpm, amps, cells, reference=ref)) == pytest.approx(share, rel=1e-12)
    assert 1.5 * num(ph.h2_rate_mol_s(amps, cells, share)) == pytest.approx(num(rate), rel=1e-12)
    assert num(ph.rescaled_flow(ph.rescaled_flow(1.0, ref, NORMAL), NORMAL, ref)) == pytest.approx(1.0)


def test_no_current_has_no_efficiency() -> None:
    got = ph.faradaic_efficiency(np.array([0.1, 0.1, 0.1]), np.array([0.0, -1.0, 5.0]), 6, reference=NORMAL)
    assert np.isnan(got).tolist() == [True, True, False]


@given(st.floats(-1900.0, 10900.0), st.floats(1.0, 100.0))
def test_pressure_falls_with_height(metres: float, more: float) -> None:
    p = num(ph.pressure_from_altitude(metres))
    assert num(ph.pressure_from_altitude(min(metres + more, 11000.0))) < p


# --------------------------------------------------------------------------- lye


@given(st.floats(5.0, 94.0), st.floats(0.0, 0.5), electrolytes)
def test_density_and_molarity_return(t: float, w: float, kind: Literal["KOH", "NaOH"]) -> None:
    assert num(ph.mass_fraction_from_density(t, ph.lye_density_kg_m3(t, w, kind), kind)) == pytest.approx(
        w, abs=1e-10
    )
    assert num(ph.mass_fraction_from_molarity(t, ph.molarity_mol_l(t, w, kind), kind)) == pytest.approx(
        w, abs=1e-10
    )
    assert num(ph.mass_fraction_from_molality(ph.molality_mol_kg(w, kind), kind)) == pytest.approx(
        w, abs=1e-14
    )
    assert num(ph.lye_density_kg_m3(t, min(w + 0.002, 0.502), kind)) > num(ph.lye_density_kg_m3(t, w, kind))


@given(st.floats(0.0, 100.0), st.floats(0.001, 0.44))
def test_conductivity_returns_on_its_branch(t: float, w: float) -> None:
    best, most = ph.strongest_conductivity(t)
    assume(abs(w - num(best)) > 0.01)
    kappa = num(ph.conductivity_gilliam_s_cm(t, w))
    assert 0.0 < kappa < num(most)
    branch: Literal["weak", "strong"] = "weak" if w < num(best) else "strong"
    got = num(ph.mass_fraction_from_conductivity(t, kappa, branch, outside="nan"))
    # below 20 degC the published cubic turns up again near its end, where no inverse is promised
    if math.isnan(got) or abs(got - w) > 1e-6:
        assert t < 25.0
        assert w > 0.40
    else:
        assert got == pytest.approx(w, abs=1e-7)


def test_conductivity_beyond_its_maximum_is_refused_with_the_maximum() -> None:
    with pytest.raises(PhysicsRangeError, match=r"conductivity_s_cm lies outside.*0\.626742 S/cm"):
        ph.mass_fraction_from_conductivity(25.0, 0.63, "weak")


@given(st.floats(0.0, 0.6))
def test_bubbles_never_help(gas: float) -> None:
    assert 0.0 < num(ph.bubble_factor(gas)) <= 1.0 - gas


# --------------------------------------------------------------------------- cell and heat


@given(st.floats(0.0, 99.0), st.floats(0.05, 1.0))
def test_voltages_fall_with_temperature_and_keep_their_order(t: float, more: float) -> None:
    assert num(ph.v_rev(t)) < num(ph.v_tn(t))
    assert num(ph.v_rev(t + more)) < num(ph.v_rev(t))
    assert num(ph.v_tn(t + more)) < num(ph.v_tn(t))
    assert num(ph.mmw_ceiling_thermoneutral(t, NORMAL)) < num(ph.mmw_ceiling_reversible(t, NORMAL))


@given(st.floats(1.0, 95.0), st.floats(0.0, 0.45), st.floats(110.0, 3000.0), st.floats(1.0, 500.0))
def test_pressure_and_lye_raise_the_reversible_voltage(t: float, w: float, p: float, more: float) -> None:
    base = num(ph.v_rev_in_lye(t, w, p))
    assert num(ph.v_rev_in_lye(t, w, p + more)) > base
    assert num(ph.v_rev_in_lye(t, w + 0.02, p)) > base


@given(st.floats(1.3, 3.0), st.floats(0.1, 1.0), references)
def test_energy_per_litre_is_the_inverse_of_mmw(volts: float, share: float, ref: ReferenceCondition) -> None:
    mmw = num(ph.mmw_ceiling_faraday(volts, ref)) * share
    assert 1000.0 / 60.0 / mmw == pytest.approx(num(ph.watt_hours_per_litre(volts, ref, share)))


def test_thermal_mass_adds_up() -> None:
    # 2 L of 20 % KOH and 3 kg of steel, by hand: 2.356 kg x 3.29 kJ/(kg K) + 1.5 kJ/K, about 9.2 kJ/K
    got = num(ph.thermal_mass_j_k(2.0, 0.2, 3.0, "KOH", 40.0))
    assert got == pytest.approx(2.356 * 3290.0 + 1500.0, rel=5e-3)
    assert num(ph.thermal_mass_j_k(0.0, 0.2, 3.0)) == 1500.0


# --------------------------------------------------------------------------- leaks


@given(
    st.integers(2, 30),
    st.floats(0.1, 3.0),
    st.floats(1.0, 1000.0),
    st.floats(0.01, 100.0),
    st.floats(1.0, 50.0),
    st.floats(0.0, 0.1),
)
def test_ladders_obey_kirchhoff(
    cells: int, volts: float, port: float, duct: float, amps: float, slope: float
) -> None:
    got = solve_ladder(cells, volts, port, duct, amps, cell_ohm=slope)
    assert got.port_a.sum() == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(got.duct_a, got.duct_a[::-1], rtol=1e-9)
    assert (got.duct_a > 0.0).all()
    # each loop: step = port in + duct + port out
    drops = -port * got.port_a[:-1] + duct * got.duct_a + port * got.port_a[1:]
    np.testing.assert_allclose(drops, got.step_volts, rtol=1e-8)
    closed = duct_currents_closed_a(cells, volts, port, duct, amps, cell_ohm=slope)
    # the closed form loses digits where 1 - cosh/cosh cancels
    np.testing.assert_allclose(closed, got.duct_a, rtol=1e-5)
    sealed = np.full(cells, port)
    sealed[0] = 1e12
    less = solve_ladder(cells, volts, sealed, duct, amps, cell_ohm=slope)
    assert less.lost_fraction < got.lost_fraction


def test_ladder_refuses_wrong_lengths() -> None:
    with pytest.raises(PhysicsRangeError, match="port_ohm must be one number or 5"):
        solve_ladder(5, 2.0, np.ones(4), 1.0, 10.0)
    with pytest.raises(PhysicsRangeError, match="cells"):
        solve_ladder(1, 2.0, 1.0, 1.0, 10.0)


# --------------------------------------------------------------------------- flow meters and transducers


@given(st.floats(0.05, 5.0), st.floats(0.05, 5.0))
def test_variable_area_factors_undo_each_other(a: float, b: float) -> None:
    assert num(ph.variable_area_factor(a, b)) * num(ph.variable_area_factor(b, a)) == pytest.approx(1.0)


@given(st.floats(0.01, 1.0), st.floats(0.01, 1.0))
def test_mixture_factor_lies_between_its_gases(a: float, b: float) -> None:
    mixed = ph.thermal_factor({"Ar": a, "N2": b})
    assert ph.thermal_factor({"N2": 1.0}) < mixed < ph.thermal_factor({"Ar": 1.0})
    assert ph.thermal_factor({"Ar": 7.0 * a, "N2": 7.0 * b}) == pytest.approx(mixed)


@pytest.mark.parametrize("shares", [{}, {"xenon": 1.0}, {"H2": 0.0}, {"H2": -1.0}])
def test_mixture_factor_refuses_what_is_no_mixture(shares: dict[str, float]) -> None:
    with pytest.raises(PhysicsRangeError, match="thermal_factor"):
        ph.thermal_factor(shares)


@given(st.floats(-200.0, 850.0), st.sampled_from([100.0, 500.0, 1000.0]))
def test_platinum_returns(t: float, r0: float) -> None:
    ohm = ph.pt_resistance_ohm(t, r0)
    assert num(ph.pt_temperature_c(ohm, r0)) == pytest.approx(t, abs=1e-9)


kinds: st.SearchStrategy[ThermocoupleType] = st.sampled_from(["K", "T"])


@given(st.floats(-200.0, 400.0), st.floats(-20.0, 60.0), kinds)
def test_thermocouples_return(hot: float, cold: float, kind: ThermocoupleType) -> None:
    mv = num(ph.thermocouple_emf_mv(hot, kind)) - num(ph.thermocouple_emf_mv(cold, kind))
    assert num(ph.thermocouple_temperature_c(mv, cold, kind)) == pytest.approx(hot, abs=1e-6)
    if hot < 399.0:
        assert num(ph.thermocouple_emf_mv(hot + 0.5, kind)) > num(ph.thermocouple_emf_mv(hot, kind))


@given(st.floats(-55.0, 200.0), st.floats(2500.0, 5000.0), st.floats(1e3, 1e5))
def test_thermistors_return(t: float, beta: float, r25: float) -> None:
    assert num(ph.ntc_beta_temperature_c(ph.ntc_beta_ohm(t, beta, r25), beta, r25)) == pytest.approx(
        t, abs=1e-9
    )
    points = [(num(ph.ntc_beta_ohm(at, beta, r25)), at) for at in (0.0, 25.0, 70.0)]
    # a beta law is a Steinhart-Hart curve whose cubic term is rounding, which may fall below zero
    curve = SteinhartHart(1.0 / 298.15 - math.log(r25) / beta, 1.0 / beta, 0.0, t_low_c=-55.0, t_high_c=200.0)
    assert num(curve.resistance_ohm(t)) == pytest.approx(num(ph.ntc_beta_ohm(t, beta, r25)), rel=1e-9)
    assert num(curve.temperature_c(points[1][0])) == pytest.approx(25.0, abs=1e-9)


@given(st.floats(-9.9, 54.9))
def test_steinhart_hart_returns(t: float) -> None:
    curve = SteinhartHart.from_points([(32_128.0, 0.0), (9_814.0, 25.0), (3_542.0, 50.0)])
    assert num(curve.temperature_c(curve.resistance_ohm(t))) == pytest.approx(t, abs=1e-9)


@pytest.mark.parametrize(
    "points",
    [
        [(1e4, 25.0)],
        [(1e4, 25.0), (1e4, 25.0), (4e3, 45.0)],
        [(4e3, 5.0), (1e4, 25.0), (25e3, 45.0)],
        [(-1.0, 5.0), (1e4, 25.0), (4e3, 45.0)],
    ],
    ids=["one point", "a point twice", "rising", "negative"],
)
def test_steinhart_hart_refuses_what_no_thermistor_does(points: list[tuple[float, float]]) -> None:
    with pytest.raises(PhysicsRangeError, match="from_points"):
        SteinhartHart.from_points(points)


def test_steinhart_hart_stays_near_its_points() -> None:
    curve = SteinhartHart.from_points([(32_128.0, 0.0), (9_814.0, 25.0), (3_542.0, 50.0)])
    with pytest.raises(PhysicsRangeError, match="-10 to 60 degC"):
        curve.temperature_c(1_000.0)
    with pytest.raises(PhysicsRangeError, match="-10 to 60 degC"):
        curve.resistance_ohm(80.0)


def test_shunts() -> None:
    r = ph.shunt_resistance_ohm(75.0, 50.0)
    assert num(ph.shunt_current_a(0.030, r)) == pytest.approx(20.0)
