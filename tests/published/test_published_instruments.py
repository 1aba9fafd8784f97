"""Flow meters, transducers, leak paths and PWM against makers' worked examples, standards and closed forms.

Makers' examples are printed to two or three digits: half of the last one. Equations against other codings of
the same equation: 1e-9 relative or what the other rounds to.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from pt100.lookuptable import resistance_vals, temperature_vals
from thermocouples_reference import thermocouples

from daq.physics.constants import M_AIR, M_MIXED_GAS
from daq.physics.flow_meters import (
    gas_density_kg_m3,
    moist_mixed_gas_density_kg_m3,
    rescaled_flow,
    variable_area_factor,
    variable_area_factor_normal,
)
from daq.physics.leak_path import access_resistance_ohm, channel_resistance_ohm
from daq.physics.moist_gas import dry_flow_at_reference, psat_water
from daq.physics.pwm import true_power
from daq.physics.reference import reference_condition
from daq.physics.thermal_meters import (
    THERMAL_FACTOR,
    THERMAL_GASES,
    thermal_factor,
    thermal_factor_between,
    thermal_factor_moist,
)
from daq.physics.transducers import (
    SteinhartHart,
    ThermocoupleType,
    hall_current_a,
    loop_value,
    ntc_beta_ohm,
    pt_resistance_ohm,
    pt_temperature_c,
    shunt_resistance_ohm,
    thermocouple_emf_mv,
    thermocouple_temperature_c,
)
from tests.published.ladder import duct_currents_closed_a, solve_ladder
from tests.published.rectangles import two_level_mean, two_level_rms

# ------------------------------------------------------------------------------------------ flow meters


@pytest.mark.parametrize(
    ("scale", "gas", "printed", "digit"),
    [  # a meter maker's correction table by specific gravity, air = 1
        (1.0, 0.070, 3.78, 0.005),
        (1.105, 0.070, 3.97, 0.005),
        (1.0, 1.105, 0.95, 0.005),
        (1.0, 1.523, 0.81, 0.005),
    ],
)
def test_variable_area_makers_table(scale: float, gas: float, printed: float, digit: float) -> None:
    air = 1.204
    assert variable_area_factor(scale * air, gas * air) == pytest.approx(printed, abs=digit)


def test_variable_area_makers_worked_examples() -> None:
    # a maker's technical note F-0007: normal-volume scale, air at 0.2 MPa gauge, 20 degC, on CO2 at 0.4 MPa
    # gauge, 50 degC: factor 0.994, 5 on the scale is 4.97
    factor = variable_area_factor_normal(
        1.293, 1.977, scale_t_c=20.0, scale_p_kpa=301.325, t_c=50.0, p_kpa=501.325
    )
    assert factor == pytest.approx(0.994, abs=5e-4)
    assert 5.0 * np.asarray(factor) == pytest.approx(4.97, abs=5e-3)


def test_actual_and_normal_scales_turn_pressure_and_temperature_around() -> None:
    # actual volume: the density ratio holds p and T inverted
    cold = gas_density_kg_m3(M_AIR, 20.0, 101.325)
    warm = gas_density_kg_m3(M_AIR, 50.0, 90.0)
    actual = variable_area_factor(cold, warm)
    normal = variable_area_factor_normal(
        M_AIR, M_AIR, scale_t_c=20.0, scale_p_kpa=101.325, t_c=50.0, p_kpa=90.0
    )
    assert np.asarray(actual) * np.asarray(normal) == pytest.approx(1.0)


def test_air_rotameter_on_the_mixture() -> None:
    assert variable_area_factor(M_AIR, M_MIXED_GAS) == pytest.approx(1.552958, abs=1e-6)
    assert pytest.approx(0.414649, abs=1e-6) == M_MIXED_GAS / M_AIR


@pytest.mark.parametrize(
    ("t_c", "factor"), [(20.0, 1.54407), (25.0, 1.55404), (40.0, 1.57659), (60.0, 1.57961)]
)
def test_air_rotameter_on_saturated_mixture(t_c: float, factor: float) -> None:
    # air scale at 20 degC dry; saturated over water at one atmosphere, IF97
    air = gas_density_kg_m3(M_AIR, 20.0, 101.325)
    wet = moist_mixed_gas_density_kg_m3(t_c, 101.325, psat_water(t_c))
    assert variable_area_factor(air, wet) == pytest.approx(factor, abs=6e-6)
    if t_c == 25.0:
        assert wet == pytest.approx(0.49858, abs=6e-6)


def test_thermal_mixture_rule_of_the_maker() -> None:
    # an MFC maker's FAQ and manual: Ar 150 + N2 50 sccm -> 1.302. The plain mean of factors would be 1.332,
    # the reciprocal mean 1.299: only this case tells the rules apart.
    assert thermal_factor({"Ar": 150.0, "N2": 50.0}) == pytest.approx(1.302, abs=5e-4)
    assert thermal_factor({"H2": 1.0}) == pytest.approx(1.0105, abs=5e-4)
    assert thermal_factor({"O2": 1.0}) == pytest.approx(0.9925, abs=5e-4)
    assert pytest.approx(1.0044, abs=5e-4) == THERMAL_FACTOR
    # a second maker's measured table gives 0.9995 and 0.9952 by reciprocal mean: makers differ by 1 %
    assert pytest.approx(1.0 / (2 / 3 / 1.009 + 1 / 3 / 0.981), rel=1e-2) == THERMAL_FACTOR
    # heat capacities of ideal gases at 25 degC: 1.00381
    assert pytest.approx(1.00381, rel=1e-3) == THERMAL_FACTOR


def test_thermal_mixture_with_vapour() -> None:
    # ideal-gas heat capacities: 3.13 % vapour takes 0.5 % off the factor
    wet = thermal_factor({"H2": 2 / 3 * 0.9687, "O2": 1 / 3 * 0.9687, "H2O": 0.0313})
    assert wet / THERMAL_FACTOR == pytest.approx(0.99888 / 1.00381, abs=2.5e-3)
    assert thermal_factor_moist(0.0313) == pytest.approx(wet, rel=1e-12)
    assert thermal_factor_moist(0.0) == pytest.approx(THERMAL_FACTOR, rel=1e-12)
    assert wet < THERMAL_FACTOR


@pytest.mark.parametrize(
    ("name", "fluid"),
    [("H2", "Hydrogen"), ("O2", "Oxygen"), ("N2", "Nitrogen"), ("Ar", "Argon"), ("CO2", "CO2")],
)
def test_thermal_data_from_equations_of_state(name: str, fluid: str) -> None:
    # CoolProp; makers print three to four digits and take heat capacity near room temperature
    gas = THERMAL_GASES[name]
    assert gas.density_g_l == pytest.approx(PropsSI("D", "T", 273.15, "P", 101325.0, fluid), rel=1e-2)
    assert gas.cp_cal_g_k * 4184.0 == pytest.approx(
        PropsSI("C", "T", 298.15, "P", 101325.0, fluid), rel=1.2e-2
    )


def test_thermal_meter_between_gases() -> None:
    # a maker: CO2 (0.70) on an argon scale (1.39): 100 sccm on the scale are 50
    assert 100.0 * np.asarray(thermal_factor_between(0.70, 1.39)) == pytest.approx(50.0, rel=1e-2)


@pytest.mark.parametrize(
    ("to", "factor"),
    [("20C_101.325kPa", 1.073220), ("25C_101.325kPa", 1.091525), ("70F 101.325kPa", 1.077288)],
)
def test_rescaled_readout(to: str, factor: float) -> None:
    got = rescaled_flow(1.0, reference_condition("0C_101.325kPa"), reference_condition(to))
    assert got == pytest.approx(factor, abs=6e-7)


def test_volume_over_water() -> None:
    reference = reference_condition("0C_101.325kPa")
    vapour = psat_water(25.0)
    dry = [
        dry_flow_at_reference(1000.0, 25.0, p, vapour_kpa=vapour, reference=reference)
        for p in (101.325, 98.0)
    ]
    assert dry == pytest.approx([887.49, 857.42], abs=0.01)


# ------------------------------------------------------------------------------------------ transducers

PT100 = {
    -200: 18.5201, -100: 60.2558, -50: 80.3063, -10: 96.0859, 0: 100.0, 10: 103.9025, 20: 107.7935,
    25: 109.7347, 40: 115.5408, 50: 119.3971, 60: 123.2419, 80: 130.8968, 100: 138.5055, 200: 175.8560,
    400: 247.0920, 850: 390.4811,
}  # fmt: skip


def test_pt100_equation_and_printed_table() -> None:
    # IEC 60751 coefficients; a sensor maker's printed table to 0.01 ohm
    t = np.array(list(PT100), dtype=float)
    assert pt_resistance_ohm(t) == pytest.approx(np.array(list(PT100.values())), abs=5.1e-5)
    printed = {
        -200: 18.52,
        -100: 60.26,
        -10: 96.09,
        20: 107.79,
        50: 119.40,
        60: 123.24,
        100: 138.51,
        200: 175.86,
    }
    for t_c, ohm in printed.items():
        assert pt_resistance_ohm(float(t_c)) == pytest.approx(ohm, abs=0.0051)
    assert pt_temperature_c(np.array([119.40, 107.79, 138.5055])) == pytest.approx(
        np.array([50.0075, 19.9910, 100.0]), abs=6e-5
    )
    assert pt_resistance_ohm(60.0, 1000.0) == pytest.approx(1232.419, abs=6e-4)
    assert (np.asarray(pt_resistance_ohm(100.0)) - 100.0) / 1e4 == pytest.approx(0.00385055, abs=1e-10)


def test_pt100_against_another_table() -> None:
    # the table of the `pt100` package: 1051 rows, rounded and partly interpolated, 0.015 ohm at worst
    t, ohm = np.array(temperature_vals, dtype=float), np.array(resistance_vals, dtype=float)
    assert len(t) == 1051
    assert pt_resistance_ohm(t) == pytest.approx(ohm, abs=0.0151)


EMF: dict[ThermocoupleType, dict[float, float]] = {
    "K": {
        -200: -5.8914, -150: -4.9127, -100: -3.5536, -50: -1.8894, 10: 0.3969, 20: 0.7981, 25: 1.0002,
        40: 1.6118, 50: 2.0231, 60: 2.4365, 80: 3.2666, 100: 4.0962, 200: 8.1385, 300: 12.2086,
    },
    "T": {
        -200: -5.6030, -150: -4.6485, -100: -3.3786, -50: -1.8190, 10: 0.3910, 20: 0.7896, 25: 0.9920,
        40: 1.6118, 50: 2.0357, 60: 2.4682, 80: 3.3577, 100: 4.2785, 200: 9.2881, 300: 14.8619,
    },
}  # fmt: skip


@pytest.mark.parametrize("kind", ["K", "T"])
def test_thermocouples_against_its90(kind: ThermocoupleType) -> None:
    # NIST SRD 60; `thermocouples_reference` codes the same functions independently
    t = np.array(list(EMF[kind]), dtype=float)
    assert thermocouple_emf_mv(t, kind) == pytest.approx(np.array(list(EMF[kind].values())), abs=5.1e-5)
    wide = np.linspace(-200.0, 400.0, 61)
    theirs = thermocouples[kind].emf_mVC(wide, Tref=np.zeros(61))
    assert thermocouple_emf_mv(wide, kind) == pytest.approx(theirs, abs=1e-4)
    # without its exponential term type K would read -0.0176 mV at 0 degC
    assert thermocouple_emf_mv(0.0, kind) == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize(
    ("kind", "mv", "cold", "hot"),
    [("K", 1.4362, 25.0, 60.0), ("T", 1.4762, 25.0, 60.0), ("K", 3.000, 22.0, 94.750)],
)
def test_cold_junction(kind: ThermocoupleType, mv: float, cold: float, hot: float) -> None:
    # ITS-90 reference functions: the millivolts are given to 1e-4, worth 0.0013 K
    assert thermocouple_temperature_c(mv, cold, kind) == pytest.approx(hot, abs=2e-3)


def test_adding_the_cold_junctions_temperature_is_wrong() -> None:
    # the common mistake, by how much: 0.712 K for K, 1.757 K for T at hot 60, cold 25 degC
    for kind, error in (("K", 0.712), ("T", 1.757)):
        mv = np.asarray(thermocouple_emf_mv(60.0, kind)) - np.asarray(thermocouple_emf_mv(25.0, kind))  # type: ignore[arg-type]
        wrong = np.asarray(thermocouple_temperature_c(float(mv), 0.0, kind)) + 25.0  # type: ignore[arg-type]
        assert wrong - 60.0 == pytest.approx(error, abs=1e-3)


def test_thermistors() -> None:
    # the beta law itself
    got = ntc_beta_ohm(np.array([0.0, 40.0, 50.0, 60.0, 80.0]), 3950.0, 10_000.0)
    assert got == pytest.approx(np.array([33620.604, 5301.467, 3588.183, 2486.165, 1270.320]), abs=6e-4)
    # a published application note's three points; its coefficients from memory, met to ten figures
    curve = SteinhartHart.from_points([(25_000.0, 5.0), (10_000.0, 25.0), (4_000.0, 45.0)])
    assert (curve.a, curve.b, curve.c) == pytest.approx(
        (2.108508173e-3, 7.979204727e-5, 6.535076315e-7), rel=1e-9
    )
    # a temperature controller's manual, table A.1: fitted at 0, 25, 50 degC, read at 10, 20, 30: 0.01 K
    table = SteinhartHart.from_points([(32_128.0, 0.0), (9_814.0, 25.0), (3_542.0, 50.0)])
    read = table.temperature_c(np.array([19_549.0, 12_262.0, 7_908.0]))
    assert read == pytest.approx(np.array([10.0, 20.0, 30.0]), abs=0.01)


def test_shunt_hall_and_loop() -> None:
    # arithmetic of the ratings: 75 mV / 50 A; 66 mV/A ratiometric; 4-20 mA on 0 to 500 mL/min
    shunt = shunt_resistance_ohm(75.0, 50.0)
    assert shunt == pytest.approx(1.5e-3)
    assert hall_current_a(3.160, 0.066) == pytest.approx(10.0)
    assert hall_current_a(3.160, 0.066, 4.90) == pytest.approx(10.977, abs=5e-4)
    ma = np.array([4.0, 12.0, 20.0, 3.6, 21.0])
    assert loop_value(ma, 0.0, 500.0) == pytest.approx(np.array([0.0, 250.0, 500.0, -12.5, 531.25]))


# ------------------------------------------------------------------------------------------ leak paths


@pytest.mark.parametrize(
    ("cells", "duct", "ports"),
    [  # solved by hand as fractions: E = R_port = R_duct = 1
        (2, ["1/3"], ["-1/3", "1/3"]),
        (3, ["1/2", "1/2"], ["-1/2", "0", "1/2"]),
        (5, ["3/5", "4/5", "4/5", "3/5"], ["-3/5", "-1/5", "0", "1/5", "3/5"]),
        (6, ["11/18", "5/6", "8/9", "5/6", "11/18"], ["-11/18", "-2/9", "-1/18", "1/18", "2/9", "11/18"]),
    ],
)
def test_ladders_by_hand(cells: int, duct: list[str], ports: list[str]) -> None:
    got = solve_ladder(cells, 1.0, 1.0, 1.0, 10.0)
    assert got.duct_a == pytest.approx([float(Fraction(x)) for x in duct], rel=1e-12)
    assert got.port_a == pytest.approx([float(Fraction(x)) for x in ports], rel=1e-12, abs=1e-15)
    assert duct_currents_closed_a(cells, 1.0, 1.0, 1.0) == pytest.approx(got.duct_a, rel=1e-12)


def test_ladders_with_numbers() -> None:
    five = solve_ladder(5, 2.0, 10.0, 10.0, 10.0)
    assert five.duct_a == pytest.approx([0.12, 0.16, 0.16, 0.12])
    assert five.lost_fraction == pytest.approx(0.0112)
    assert five.lost_w == pytest.approx(1.12)
    six = solve_ladder(6, 2.0, 20.0, 5.0, 10.0)
    assert six.duct_a[:3] == pytest.approx([0.13602694, 0.20606061, 0.22760943], abs=6e-9)
    assert six.duct_a.sum() == pytest.approx(0.91178451, abs=6e-9)
    assert six.lost_fraction == pytest.approx(0.01519641, abs=6e-9)
    sloped = solve_ladder(6, 1.6, 20.0, 5.0, 10.0, cell_ohm=0.05)
    assert sloped.duct_a[:3] == pytest.approx([0.14220458, 0.21531581, 0.23779428], abs=6e-9)
    assert sloped.step_volts[:3] == pytest.approx([2.092890, 2.089234, 2.088110], abs=6e-7)
    assert duct_currents_closed_a(6, 1.6, 20.0, 5.0, 10.0, cell_ohm=0.05) == pytest.approx(
        sloped.duct_a, rel=1e-12
    )


def test_ladders_at_their_limits() -> None:
    # a duct without resistance: E k (N - k) / 2R
    k = np.arange(1, 7)
    assert solve_ladder(7, 2.0, 10.0, 0.0, 10.0).duct_a == pytest.approx(2.0 * k * (7 - k) / 20.0)
    # a long stack: the middle of the duct carries E / R_duct, and the sum has a closed form
    long = solve_ladder(100, 2.0, 10.0, 1.0, 10.0)
    assert long.duct_a[49] == pytest.approx(2.0, abs=1e-6)
    lam = math.acosh(1.05)
    assert long.duct_a.sum() == pytest.approx(2.0 * (100 - math.tanh(50 * lam) / math.tanh(lam / 2)))
    assert long.duct_a.sum() == pytest.approx(187.193752, abs=6e-7)


def test_ladder_by_an_independent_nodal_solution() -> None:
    # the duct's nodes by Kirchhoff's law, cells as stiff sources at k E; every port and segment different
    rng = np.random.default_rng(12)
    n, e = 9, 2.1
    port, duct = rng.uniform(5.0, 50.0, n), rng.uniform(0.5, 5.0, n - 1)
    conductance, source = np.diag(1.0 / port), np.arange(n) * e / port
    for k in range(n - 1):
        g = 1.0 / duct[k]
        conductance[k, k] += g
        conductance[k + 1, k + 1] += g
        conductance[k, k + 1] -= g
        conductance[k + 1, k] -= g
    nodes = np.linalg.solve(conductance, source)
    got = solve_ladder(n, e, port, duct, 10.0)
    assert got.duct_a == pytest.approx(np.diff(nodes) / duct, rel=1e-11)
    assert got.port_a.sum() == pytest.approx(0.0, abs=1e-13)


@pytest.mark.parametrize(
    ("length", "diameter", "kappa", "channel", "access", "total", "amps_at_2v"),
    [
        (1.2, 6.0, 0.6, 0.70736, 2.77778, 3.48513, 0.5739),
        (1.0, 3.0, 1.2, 1.17893, 2.77778, 3.95670, 0.5055),
        (1.5, 10.0, 0.6, 0.31831, 1.66667, 1.98498, 1.0076),
        (0.0, 5.0, 0.6, 0.0, 3.33333, 3.33333, 0.6),
    ],
)
def test_hole_through_a_plate(
    length: float,
    diameter: float,
    kappa: float,
    channel: float,
    access: float,
    total: float,
    amps_at_2v: float,
) -> None:
    area = math.pi / 4.0 * diameter**2
    assert channel_resistance_ohm(length, area, kappa) == pytest.approx(channel, abs=6e-6)
    assert 2.0 * np.asarray(access_resistance_ohm(diameter, kappa)) == pytest.approx(access, abs=6e-6)
    both = np.asarray(channel_resistance_ohm(length, area, kappa)) + 2.0 * np.asarray(
        access_resistance_ohm(diameter, kappa)
    )
    assert both == pytest.approx(total, abs=6e-6)
    assert 2.0 / both == pytest.approx(amps_at_2v, abs=6e-5)


def test_access_against_a_patch_pipette() -> None:
    # a worked example in the documentation of an R package for broken cells: 64 ohm cm, tip 0.05 um radius,
    # 3.2 Mohm one-sided
    kappa = 1.0 / 64.0
    assert access_resistance_ohm(1e-4, kappa) == pytest.approx(3.2e6)


# ------------------------------------------------------------------------------------------ PWM


@pytest.mark.parametrize(
    ("duty", "volts", "amps", "means", "rms", "watts"),
    [
        (0.5, 13.8, 20.0, (6.9, 10.0), (9.75807, 14.14214), 138.0),
        (0.3, 12.0, 30.0, (3.6, 9.0), (6.57267, 16.43168), 108.0),
        (0.9, 13.8, 20.0, (12.42, 18.0), (13.09183, 18.97367), 248.4),
    ],
)
def test_rectangular_pulses(
    duty: float, volts: float, amps: float, means: tuple[float, float], rms: tuple[float, float], watts: float
) -> None:
    # closed forms of a rectangular wave into a resistance
    v, i = two_level_mean(volts, 0.0, duty), two_level_mean(amps, 0.0, duty)
    v_rms, i_rms = two_level_rms(volts, 0.0, duty), two_level_rms(amps, 0.0, duty)
    assert (v, i) == pytest.approx(means)
    assert (v_rms, i_rms) == pytest.approx(rms, abs=6e-6)
    exact = true_power(
        waveform="pulsed", volts_mean=v, amps_mean=i, volts_rms=v_rms, amps_rms=i_rms, likeness=(1.0, 1.0)
    )
    assert exact.watts == pytest.approx(watts)
    from_duty = true_power(waveform="pulsed", volts_mean=v, amps_mean=i, duty=duty, off_volts=(0.0, 0.0))
    assert from_duty.watts == pytest.approx(watts)
    assert from_duty.u_w == 0.0
    # what mean times mean would say
    assert np.asarray(v) * np.asarray(i) == pytest.approx(duty * watts)


def test_volts_before_the_switch() -> None:
    # low-side switch, volts across the supply: here mean times mean is right
    got = true_power(waveform="pulsed", sensed_at="supply", volts_mean=13.8, amps_mean=10.0)
    assert got.watts == pytest.approx(138.0)


def test_a_stack_that_holds_its_voltage() -> None:
    # 9 V and 0.24 ohm behind 13.8 V, duty 0.4: 110.40 W true; mean x mean 87.36, RMS x RMS 141.29
    v, i = 0.4 * 13.8 + 0.6 * 9.0, 8.0
    v_rms, i_rms = math.sqrt(0.4 * 13.8**2 + 0.6 * 81.0), 20.0 * math.sqrt(0.4)
    assert v == pytest.approx(10.92)
    assert v * i == pytest.approx(87.36)
    assert v_rms * i_rms == pytest.approx(141.29, abs=5e-3)
    sharp = true_power(
        waveform="pulsed", volts_mean=v, amps_mean=i, volts_rms=v_rms, amps_rms=i_rms, likeness=(1.0, 1.0)
    )
    assert sharp.watts == pytest.approx(110.40)
    known = true_power(waveform="pulsed", volts_mean=v, amps_mean=i, duty=0.4, off_volts=(9.0, 9.0))
    assert known.watts == pytest.approx(110.40)
    unknown = true_power(waveform="pulsed", volts_mean=v, amps_mean=i, duty=0.4)
    assert unknown.low == pytest.approx(87.36)
    assert unknown.low < 110.40 < unknown.high


@pytest.mark.parametrize(
    ("wave", "mean", "square"),
    [
        ("triangle on direct current", 10.0, 100.0 + 16.0 / 12.0),
        ("trapezoid", 0.5, 0.4 + 0.2 / 3.0),
        ("rectified sine", 2.0 / math.pi, 0.5),
    ],
)
def test_other_waveforms_in_step(wave: str, mean: float, square: float) -> None:
    # closed forms: DC 10 A with 4 A p-p triangle; edges 0.1, top 0.4 of a period; full-wave rectified sine.
    # Volts and amps of one shape: P/(v i peak) is the mean square, and means with RMS values find it.
    n = 200_000
    x = (np.arange(n) + 0.5) / n
    shape = {
        "triangle on direct current": 10.0 + 4.0 * (np.abs(2.0 * x - 1.0) - 0.5),
        "trapezoid": np.clip(np.minimum(x / 0.1, (0.6 - x) / 0.1), 0.0, 1.0),
        "rectified sine": np.sin(np.pi * x),
    }[wave]
    assert shape.mean() == pytest.approx(mean, rel=1e-5)
    assert (shape**2).mean() == pytest.approx(square, rel=1e-5)
    rms = float(np.sqrt((shape**2).mean()))
    got = true_power(
        waveform="pulsed",
        volts_mean=13.0 * float(shape.mean()),
        amps_mean=20.0 * float(shape.mean()),
        volts_rms=13.0 * rms,
        amps_rms=20.0 * rms,
        likeness=(1.0, 1.0),
    )
    assert got.watts == pytest.approx(13.0 * 20.0 * square, rel=1e-5)
