"""Constants, reference conditions, Faraday's law and water vapour against published values.

Tolerances: FP (1e-9) where both sides are arithmetic on constants that are exact since the SI of 2019;
PRINT half of the last printed digit; CORR the stated spread between two published correlations.
"""

from __future__ import annotations

import numpy as np
import pytest
from chemicals import molecular_weight, nested_formula_parser
from CoolProp.CoolProp import PropsSI
from iapws.iapws97 import _PSat_T
from scipy import constants as codata

from daq.physics import constants
from daq.physics.faraday import gas_rate_lpm, gas_rate_mol_s, h2_rate_mol_s, molar_volume_l, water_rate_g_s
from daq.physics.moist_gas import (
    dry_flow_at_reference,
    psat_water,
    vapour_per_dry,
    vapour_pressure_lye,
    water_activity_lye,
)
from daq.physics.reference import reference_condition

FP = 1e-9


def test_constants_are_codatas() -> None:
    # CODATA 2018/2022 through scipy.constants
    assert pytest.approx(codata.physical_constants["Faraday constant"][0], rel=FP) == constants.FARADAY
    assert pytest.approx(codata.R, rel=FP) == constants.GAS_CONSTANT
    assert codata.g == constants.GRAVITY
    assert pytest.approx(codata.atm, rel=FP) == constants.ATMOSPHERE_KPA * 1000.0


@pytest.mark.parametrize(
    ("formula", "ours"),
    [
        ("H2", constants.M_H2),
        ("O2", constants.M_O2),
        ("H2O", constants.M_H2O),
        ("KOH", constants.M_KOH),
        ("NaOH", constants.M_NAOH),
    ],
)
def test_molar_masses_are_the_conventional_ones(formula: str, ours: float) -> None:
    # CIAAW conventional atomic weights through `chemicals`; tables differ in the fourth decimal
    assert ours == pytest.approx(molecular_weight(nested_formula_parser(formula)), abs=1e-3)


@pytest.mark.parametrize(
    ("name", "litres"),
    [  # scipy.constants for the first two (CODATA 2018); the others R T / p with exact R
        ("0C_100kPa", 22.71095464148557),
        ("0C_101.325kPa", 22.413969545014137),
        ("15C_101.325kPa", 23.644830),
        ("20C_101.325kPa", 24.055117),
        ("25C_101.325kPa", 24.465404),
        ("20C_100kPa", 24.373847),
        ("25C_100kPa", 24.789570),
        ("60F 101.325kPa", 23.690417),
        ("70F 101.325kPa", 24.146292),
    ],
)
def test_molar_volumes(name: str, litres: float) -> None:
    condition = reference_condition(name)
    assert condition.molar_volume_l == pytest.approx(litres, rel=3e-8)
    assert molar_volume_l(condition.t_k, condition.p_pa) == pytest.approx(condition.molar_volume_l, rel=FP)


def test_molar_volume_is_codatas_own() -> None:
    ours = [reference_condition(n).molar_volume_l for n in ("0C_100kPa", "0C_101.325kPa")]
    table = codata.physical_constants
    theirs = [table[f"molar volume of ideal gas (273.15 K, {p} kPa)"][0] * 1000.0 for p in ("100", "101.325")]
    assert ours == pytest.approx(theirs, rel=FP)


def test_mixed_gas_is_ideal_enough() -> None:
    # CoolProp's reference equations of state: mole-fraction mean of Z at 0 degC, 1 atm is 1.00009
    z = [PropsSI("Z", "T", 273.15, "P", 101325.0, gas) for gas in ("Hydrogen", "Oxygen")]
    assert 2.0 / 3.0 * z[0] + z[1] / 3.0 == pytest.approx(1.0, abs=1.5e-4)


@pytest.mark.parametrize(
    ("name", "mixed", "hydrogen", "oxygen"),
    [  # mL/min per ampere and cell, from 0.75 Vm / F
        ("0C_100kPa", 10.59221, 7.06147, 3.53074),
        ("0C_101.325kPa", 10.45370, 6.96913, 3.48457),
        ("15C_101.325kPa", 11.02776, 7.35184, 3.67592),
        ("20C_100kPa", 11.36777, 7.57851, 3.78926),
        ("20C_101.325kPa", 11.21912, 7.47941, 3.73971),
        ("25C_100kPa", 11.56166, 7.70777, 3.85389),
        ("25C_101.325kPa", 11.41047, 7.60698, 3.80349),
    ],
)
def test_gas_per_ampere_and_cell(name: str, mixed: float, hydrogen: float, oxygen: float) -> None:
    reference = reference_condition(name)
    ml_min = 60_000.0 * reference.molar_volume_l
    # half of the last printed digit
    assert gas_rate_lpm(1.0, 1, reference=reference) * 1000.0 == pytest.approx(mixed, abs=5.1e-6)
    assert h2_rate_mol_s(1.0, 1) * ml_min == pytest.approx(hydrogen, abs=5.1e-6)
    made = gas_rate_mol_s(1.0, 1) - np.asarray(h2_rate_mol_s(1.0, 1))
    assert made * ml_min == pytest.approx(oxygen, abs=5.1e-6)


def test_masses_for_an_ampere_hour() -> None:
    # g/Ah/cell, from F and the molar masses; 1e-6 covers the molar masses' own last digit
    assert water_rate_g_s(1.0, 1) * 3600.0 == pytest.approx(0.3360874, rel=1e-6)
    assert constants.M_H2 * h2_rate_mol_s(1.0, 1) * 3600.0 == pytest.approx(0.03760762, rel=1e-6)


def test_textbook_example_of_chang() -> None:
    # R. Chang, Chemistry, worked example 19.8: 1.26 A for 7.44 h, gases at 273.15 K and 1 atm. The book
    # uses F = 96500 and rounds on the way: 0.5 %.
    seconds = 7.44 * 3600.0
    vm = reference_condition("0C_101.325kPa").molar_volume_l
    assert 1.26 * seconds == pytest.approx(3.375e4, rel=5e-3)
    oxygen = (gas_rate_mol_s(1.26, 1) - np.asarray(h2_rate_mol_s(1.26, 1))) * seconds
    assert oxygen == pytest.approx(0.0874, rel=5e-3)
    assert oxygen * vm == pytest.approx(1.96, rel=5e-3)
    assert h2_rate_mol_s(1.26, 1) * seconds * vm == pytest.approx(3.92, rel=5e-3)
    assert gas_rate_mol_s(1.26, 1) * seconds * vm == pytest.approx(5.87983, rel=1e-6)


@pytest.mark.parametrize(
    ("kelvin", "mpa"), [(300.0, 0.353658941e-2), (500.0, 0.263889776e1), (600.0, 0.123443146e2)]
)
def test_saturation_pressure_at_if97s_verification_points(kelvin: float, mpa: float) -> None:
    # IAPWS R7-97(2012) table 35, nine printed digits
    assert psat_water(kelvin - 273.15) == pytest.approx(mpa * 1000.0, rel=2e-9)
    assert psat_water(kelvin - 273.15) == pytest.approx(_PSat_T(kelvin) * 1000.0, rel=1e-12)


@pytest.mark.parametrize(
    ("t_c", "kpa", "dry"),
    [
        (10.0, 1.22818, 0.987879),
        (20.0, 2.33921, 0.976914),
        (25.0, 3.16975, 0.968717),
        (30.0, 4.24669, 0.958088),
        (40.0, 7.38443, 0.927121),
        (50.0, 12.35127, 0.878102),
        (60.0, 19.94580, 0.803150),
        (70.0, 31.20064, 0.692074),
        (80.0, 47.41472, 0.532053),
        (90.0, 70.18236, 0.307354),
    ],
)
def test_saturation_pressure_and_dry_share(t_c: float, kpa: float, dry: float) -> None:
    assert psat_water(t_c) == pytest.approx(kpa, abs=5.1e-6)
    # IAPWS-95 through CoolProp: the two formulations differ by up to 1.1e-4 here
    assert psat_water(t_c) == pytest.approx(
        PropsSI("P", "T", t_c + 273.15, "Q", 0, "Water") / 1000.0, rel=1.5e-4
    )
    assert 1.0 - np.asarray(psat_water(t_c)) / 101.325 == pytest.approx(dry, abs=6e-7)


@pytest.mark.parametrize(
    ("t_c", "factors"),
    [  # wet gas at t, 101.325 kPa -> dry gas at each reference; from IF97 and the ideal gas
        (20.0, (0.910264, 0.922325, 0.976914, 0.993576)),
        (25.0, (0.887490, 0.899249, 0.952472, 0.968717)),
        (30.0, (0.863275, 0.874714, 0.926484, 0.942286)),
        (40.0, (0.808696, 0.819411, 0.867909, 0.882712)),
        (50.0, (0.742236, 0.752071, 0.796583, 0.810169)),
        (60.0, (0.658504, 0.667229, 0.706719, 0.718773)),
    ],
)
def test_wet_to_dry_multipliers(t_c: float, factors: tuple[float, ...]) -> None:
    names = ("0C_101.325kPa", "0C_100kPa", "20C_101.325kPa", "25C_101.325kPa")
    for name, factor in zip(names, factors, strict=True):
        ours = dry_flow_at_reference(
            1.0, t_c, 101.325, vapour_kpa=psat_water(t_c), reference=reference_condition(name)
        )
        assert ours == pytest.approx(factor, rel=2e-6)


@pytest.mark.parametrize(
    ("mass_fraction", "t_c", "kpa", "activity"),
    [  # Balej 1985, evaluated independently from its printed coefficients
        (0.20, 25.0, 2.4820, 0.7709),
        (0.20, 50.0, 9.7367, 0.7765),
        (0.20, 60.0, 15.7561, 0.7786),
        (0.20, 80.0, 37.5925, 0.7823),
        (0.30, 25.0, 1.8530, 0.5830),
        (0.30, 50.0, 7.4181, 0.5983),
        (0.30, 60.0, 12.0903, 0.6039),
        (0.30, 80.0, 29.2214, 0.6143),
    ],
)
def test_vapour_over_koh(mass_fraction: float, t_c: float, kpa: float, activity: float) -> None:
    from aec_modelling import electrolyte

    assert vapour_pressure_lye(t_c, mass_fraction) == pytest.approx(kpa, abs=5.1e-5)
    assert water_activity_lye(t_c, mass_fraction) == pytest.approx(activity, abs=5.1e-5)
    # aec-modelling rounds three coefficients and ln 10; effect 1.3e-4 at 20 %, 2.2e-4 at 30 %
    theirs = 100.0 * float(electrolyte.vapour_pressure(t_c + 273.15, mass_fraction))
    assert vapour_pressure_lye(t_c, mass_fraction) == pytest.approx(theirs, rel=3e-4)
    assert water_activity_lye(t_c, mass_fraction) == pytest.approx(
        float(electrolyte.water_activity(t_c + 273.15, mass_fraction)), rel=2e-3
    )


def test_vapour_over_koh_meets_the_measured_isotherm() -> None:
    # log10 of bar at 40 degC for 0, 2 .. 18 mol/kg, labelled "measured" in a public comparison script
    # (provenance otherwise unknown). The equation meets all ten within +0.85/-0.35 %: 1 %.
    measured = [
        -1.13224, -1.16941, -1.22185, -1.29073, -1.37469, -1.47108, -1.57675, -1.69250, -1.81816, -1.94310,
    ]  # fmt: skip
    molality = np.arange(0.0, 20.0, 2.0)
    fraction = molality * 56.1056 / (1000.0 + molality * 56.1056)
    assert vapour_pressure_lye(40.0, fraction) / 100.0 == pytest.approx(10.0 ** np.array(measured), rel=1e-2)


@pytest.mark.parametrize(
    ("mass_fraction", "t_c", "kpa"),
    [(0.1, 25.0, 2.8659), (0.1, 60.0, 18.0756), (0.2, 25.0, 2.2635), (0.2, 60.0, 14.6856)],
)
def test_vapour_over_naoh(mass_fraction: float, t_c: float, kpa: float) -> None:
    # Balej 1985, the equation evaluated independently
    assert vapour_pressure_lye(t_c, mass_fraction, "NaOH") == pytest.approx(kpa, abs=5.1e-5)


@pytest.mark.parametrize(
    ("t_c", "grams"), [(25.0, 0.00939), (50.0, 0.03982), (60.0, 0.06830), (80.0, 0.20431)]
)
def test_water_carried_off_as_vapour(t_c: float, grams: float) -> None:
    # over 30 % KOH at one atmosphere, g/Ah/cell, from Balej and Dalton
    moles = gas_rate_mol_s(1.0, 1) * 3600.0 * vapour_per_dry(vapour_pressure_lye(t_c, 0.3), 101.325)
    assert moles * constants.M_H2O == pytest.approx(grams, abs=5.1e-6)
