"""Cell voltages, heating values, ceilings, lye and heat against published values and measured data sets.

Tolerances are said beside each check. Where sources disagree the stated spread is used: the reversible
voltage of LeRoy lies a constant 0.24 mV above that of the Shomate equations.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from aec_modelling import datasets, electrochemistry, electrolyte, thermo
from CoolProp.CoolProp import PropsSI
from thermo.electrochem import Laliberte_density, Laliberte_heat_capacity

from daq.physics.cell_voltage import (
    HHV_J_MOL,
    LHV_J_MOL,
    mmw_ceiling_faraday,
    mmw_ceiling_reversible,
    mmw_ceiling_thermoneutral,
    reaction_enthalpy_j_mol,
    v_rev,
    v_rev_in_lye,
    v_tn,
    watt_hours_per_litre,
)
from daq.physics.conductivity import (
    conductivity_gilliam_s_cm,
    conductivity_see_white_s_cm,
    strongest_conductivity,
)
from daq.physics.constants import DELTA_H_298, DELTA_S_298, M_H2, M_H2O, M_MIXED_GAS
from daq.physics.lye import (
    density_gilliam_kg_m3,
    lye_density_kg_m3,
    lye_heat_capacity_j_kg_k,
    molality_mol_kg,
    molarity_mol_l,
)
from daq.physics.moist_gas import bubbler_head_kpa, pressure_from_altitude
from daq.physics.reference import reference_condition
from daq.physics.water import latent_heat_j_kg, water_density_kg_m3

KOH, NAOH = "1310-58-3", "1310-73-2"


def test_enthalpy_and_voltages_at_25_degc() -> None:
    # CODATA key values (Cox, Wagman, Medvedev 1989): 285.830(40) kJ/mol; S 69.95, 130.680, 205.152 J/(mol K)
    assert DELTA_H_298 == 285_830.0
    assert pytest.approx(163.306, abs=1e-3) == DELTA_S_298
    assert v_tn(25.0) == pytest.approx(1.481210, abs=1e-6)
    assert v_rev(25.0) == pytest.approx(1.228893, abs=1e-6)
    slope = (np.asarray(v_rev(25.5)) - np.asarray(v_rev(24.5))) * 1000.0
    assert slope == pytest.approx(-0.84627, rel=1e-3)  # -dS/2F; 0.5 % is the published spread


@pytest.mark.parametrize(
    ("t_c", "rev", "rev_leroy", "tn", "tn_leroy"),
    [
        (10.0, 1.24165, None, 1.48370, None),
        (20.0, 1.23314, None, 1.48203, None),
        (25.0, 1.22890, 1.22914, 1.48120, 1.48121),
        (40.0, 1.21626, 1.21651, 1.47874, 1.47888),
        (50.0, 1.20791, 1.20816, 1.47710, 1.47730),
        (60.0, 1.19960, 1.19985, 1.47547, 1.47571),
        (70.0, 1.19135, 1.19160, 1.47384, 1.47409),
        (80.0, 1.18314, 1.18339, 1.47220, 1.47245),
        (90.0, 1.17498, 1.17522, 1.47055, 1.47079),
    ],
)
def test_voltages_against_temperature(
    t_c: float, rev: float, rev_leroy: float | None, tn: float, tn_leroy: float | None
) -> None:
    # NIST Shomate equations; ours start from CODATA's enthalpy, up to 0.01 mV off the WebBook's: 0.02 mV
    assert v_rev(t_c) == pytest.approx(rev, abs=2e-5)
    assert v_tn(t_c) == pytest.approx(tn, abs=2e-5)
    assert v_rev(t_c) == pytest.approx(float(thermo.standard_reversible_voltage(t_c + 273.15)), abs=2e-5)
    assert v_tn(t_c) == pytest.approx(float(thermo.thermoneutral_voltage(t_c + 273.15)), abs=2e-5)
    if rev_leroy is not None and tn_leroy is not None:
        # LeRoy, Bowen, LeRoy 1980, by an equation of their own: 0.24 mV above, and 0 to 0.25 mV
        assert rev_leroy - np.asarray(v_rev(t_c)) == pytest.approx(2.5e-4, abs=1.5e-5)
        assert tn_leroy - np.asarray(v_tn(t_c)) == pytest.approx(1.3e-4, abs=1.4e-4)


@pytest.mark.parametrize("t_c", [0.5, 5.0, 10.0, 20.0, 25.0, 40.0, 60.0, 80.0, 99.0])
def test_reaction_enthalpy_from_equations_of_state(t_c: float) -> None:
    # CoolProp: IAPWS-95 and the reference equations of the gases, on CODATA's enthalpy of formation.
    # This is what lets the Shomate equation of liquid water be used below its 25 degC: 10 J/mol = 0.05 mV.
    def h(gas: str, kelvin: float) -> float:
        return float(PropsSI("HMOLAR", "T", kelvin, "P", 1e5, gas))

    rise = {g: h(g, t_c + 273.15) - h(g, 298.15) for g in ("Water", "Hydrogen", "Oxygen")}
    theirs = DELTA_H_298 + rise["Hydrogen"] + 0.5 * rise["Oxygen"] - rise["Water"]
    assert reaction_enthalpy_j_mol(t_c) == pytest.approx(theirs, abs=10.0)


@pytest.mark.parametrize(
    ("t_c", "bar", "volts"),
    [(25.0, 1.01325, 1.23597), (60.0, 1.01325, 1.20464), (80.0, 1.01325, 1.18334), (80.0, 7.0, 1.23424)],
)
def test_reversible_voltage_in_lye(t_c: float, bar: float, volts: float) -> None:
    # aec-modelling at 30 % KOH, on LeRoy's base: 0.24 mV above ours, constant
    theirs = float(electrochemistry.reversible_voltage(t_c + 273.15, bar, 0.30))
    assert theirs == pytest.approx(volts, abs=6e-6)
    assert np.asarray(v_rev_in_lye(t_c, 0.30, bar * 100.0)) + 2.5e-4 == pytest.approx(theirs, abs=3e-5)


@pytest.mark.parametrize(
    ("name", "wh_tn", "wh_rev", "mmw_tn", "mmw_rev"),
    [
        ("0C_100kPa", 2.33066, 1.93364, 7.1511, 8.6193),
        ("0C_101.325kPa", 2.36154, 1.95926, 7.0575, 8.5066),
        ("15C_101.325kPa", 2.23861, 1.85727, 7.4451, 8.9737),
        ("20C_101.325kPa", 2.20043, 1.82559, 7.5743, 9.1294),
        ("25C_100kPa", 2.13523, 1.77151, 7.8056, 9.4082),
        ("25C_101.325kPa", 2.16352, 1.79498, 7.7035, 9.2852),
    ],
)
def test_energy_per_litre_and_ceilings(
    name: str, wh_tn: float, wh_rev: float, mmw_tn: float, mmw_rev: float
) -> None:
    # arithmetic from CODATA at 25 degC; half of the last printed digit
    reference = reference_condition(name)
    assert watt_hours_per_litre(v_tn(25.0), reference) == pytest.approx(wh_tn, abs=6e-6)
    assert watt_hours_per_litre(v_rev(25.0), reference) == pytest.approx(wh_rev, abs=6e-6)
    assert mmw_ceiling_thermoneutral(25.0, reference) == pytest.approx(mmw_tn, abs=6e-5)
    assert mmw_ceiling_reversible(25.0, reference) == pytest.approx(mmw_rev, abs=6e-5)


def test_mmw_at_two_volts() -> None:
    names = ("0C_101.325kPa", "20C_101.325kPa", "25C_101.325kPa")
    got = [mmw_ceiling_faraday(2.0, reference_condition(n)) for n in names]
    assert got == pytest.approx([5.2268, 5.6096, 5.7052], abs=6e-5)


@pytest.mark.parametrize(
    ("w", "t_c", "gilliam", "laliberte", "molar", "kappa", "kappa_see_white"),
    [
        (0.10, 25.0, 1086.46, 1088.82, 1.9365, 0.36896, None),
        (0.10, 50.0, 1076.90, 1077.41, 1.9194, 0.50205, None),
        (0.10, 80.0, 1059.68, 1058.19, 1.8887, 0.67330, None),
        (0.20, 25.0, 1184.03, 1185.14, 4.2207, 0.58200, 0.57038),
        (0.20, 50.0, 1173.62, 1171.58, 4.1836, 0.83129, 0.82876),
        (0.20, 80.0, 1154.85, 1149.80, 4.1167, 1.15613, 1.18556),
        (0.30, 25.0, 1290.37, 1286.75, 6.8997, 0.62111, 0.63783),
        (0.30, 50.0, 1279.01, 1271.44, 6.8390, 0.94794, 0.94081),
        (0.30, 80.0, 1258.56, 1247.72, 6.7296, 1.38174, 1.36094),
    ],
)
def test_density_and_conductivity_of_koh(
    w: float,
    t_c: float,
    gilliam: float,
    laliberte: float,
    molar: float,
    kappa: float,
    kappa_see_white: float | None,
) -> None:
    kelvin = t_c + 273.15
    # each equation against an independent coding of it (aec-modelling, thermo): 1e-6
    assert density_gilliam_kg_m3(t_c, w) == pytest.approx(float(electrolyte.density(kelvin, w)), rel=1e-6)
    assert lye_density_kg_m3(t_c, w) == pytest.approx(Laliberte_density(kelvin, [w], [KOH]), rel=1e-6)
    assert conductivity_gilliam_s_cm(t_c, w) == pytest.approx(
        float(electrolyte.conductivity(kelvin, w)), rel=1e-6
    )
    # and against the sheet's printed figures
    assert density_gilliam_kg_m3(t_c, w) == pytest.approx(gilliam, abs=0.0051)
    assert lye_density_kg_m3(t_c, w) == pytest.approx(laliberte, abs=0.0051)
    assert float(electrolyte.molarity(kelvin, w)) == pytest.approx(molar, abs=5.1e-5)
    assert conductivity_gilliam_s_cm(t_c, w) == pytest.approx(kappa, abs=5.1e-6)
    # two correlations of independent data: density 1 %, conductivity 3 % (CORR)
    assert lye_density_kg_m3(t_c, w) == pytest.approx(gilliam, rel=1e-2)
    assert molarity_mol_l(t_c, w) == pytest.approx(molar, rel=1e-2)
    if kappa_see_white is None:
        assert math.isnan(np.asarray(conductivity_see_white_s_cm(t_c, w, outside="nan")))
    else:
        # See and White 1997; coefficients as read in public model codes
        assert conductivity_see_white_s_cm(t_c, w) == pytest.approx(kappa_see_white, abs=5.1e-6)
        assert conductivity_see_white_s_cm(t_c, w) == pytest.approx(kappa, rel=3e-2)


@pytest.mark.parametrize(
    ("w", "koh"),
    [
        (0.05, 1043.80),
        (0.10, 1090.44),
        (0.20, 1187.18),
        (0.25, 1237.46),
        (0.28, 1268.30),
        (0.30, 1289.15),
        (0.33, 1320.89),
        (0.35, 1342.36),
    ],
)
def test_density_of_koh_at_20_degc(w: float, koh: float) -> None:
    # Laliberte 2009 through `thermo`
    assert lye_density_kg_m3(20.0, w) == pytest.approx(koh, abs=0.0051)


@pytest.mark.parametrize(
    ("molality", "densities"),
    [  # advancedthermo.com, estimates consistent with IAPWS-95, g/cm3 at 10, 25, 40, 55, 70, 85 degC
        (1.0, (1.04340, 1.03911, 1.03323, 1.02610, 1.01790, 1.00878)),
        (2.0, (1.08315, 1.07787, 1.07114, 1.06343, 1.05503, 1.04609)),
        (4.0, (1.15437, 1.14776, 1.13980, 1.13124, 1.12243, 1.11357)),
        (6.0, (1.21677, 1.20866, 1.20013, 1.19121, 1.18192, 1.17227)),
    ],
)
def test_density_of_naoh(molality: float, densities: tuple[float, ...]) -> None:
    w = molality * 39.9971 / (1000.0 + molality * 39.9971)
    t = np.array([10.0, 25.0, 40.0, 55.0, 70.0, 85.0])
    # an independent model: 0.4 %
    assert lye_density_kg_m3(t, w, "NaOH") == pytest.approx(np.array(densities) * 1000.0, rel=4e-3)
    theirs = [Laliberte_density(k + 273.15, [w], [NAOH]) for k in t]
    assert lye_density_kg_m3(t, w, "NaOH") == pytest.approx(np.array(theirs), rel=1e-6)


@pytest.mark.parametrize("w", [0.05, 0.15, 0.25, 0.30])
@pytest.mark.parametrize(("name", "cas"), [("KOH", KOH), ("NaOH", NAOH)])
def test_heat_capacity_of_lye(w: float, name: str, cas: str) -> None:
    # Laliberte 2009 through `thermo`; water's own heat capacity comes from another fit: 0.1 %
    for t_c in (5.0, 25.0, 50.0, 80.0, 99.0):
        theirs = Laliberte_heat_capacity(t_c + 273.15, [w], [cas])
        assert lye_heat_capacity_j_kg_k(t_c, w, name) == pytest.approx(theirs, rel=1.2e-3)  # type: ignore[arg-type]


def test_best_conductivity_moves_with_temperature() -> None:
    # Gilliam's equation scanned by 0.1 %: 27.3 % at 25, 31.3 % at 60, 32.8 % at 80 degC
    best, kappa = strongest_conductivity(np.array([25.0, 60.0, 80.0]))
    assert best == pytest.approx(np.array([0.273, 0.313, 0.328]), abs=1e-3)
    assert kappa == pytest.approx(np.array([0.6267, 1.0906, 1.3933]), abs=6e-5)
    ratio = np.asarray(conductivity_gilliam_s_cm(26.0, 0.30)) / np.asarray(
        conductivity_gilliam_s_cm(25.0, 0.30)
    )
    assert ratio - 1.0 == pytest.approx(0.0197, abs=1e-4)


def test_mixing_units_of_28_percent() -> None:
    assert molality_mol_kg(np.array([0.20, 0.28, 0.30])) == pytest.approx(
        np.array([4.455883, 6.931374, 7.638657]), abs=6e-7
    )
    # Gilliam's density at 25 degC: 355.1 g in a litre of solution
    assert 0.28 * np.asarray(density_gilliam_kg_m3(25.0, 0.28)) == pytest.approx(355.1, abs=0.06)
    assert 0.28 / 0.72 * np.asarray(water_density_kg_m3(25.0)) == pytest.approx(387.7, abs=0.06)


@pytest.mark.parametrize("name", ["ulleberg", "degroot_pressure", "degroot_temperature"])
def test_no_measured_cell_runs_below_the_reversible_voltage(name: str) -> None:
    # measured cells at 7 to 30 bar and 30 to 80 degC: all above v_rev in their lye, most above v_tn
    data = datasets.load(name)
    t_c, bar = data["T"].to_numpy() - 273.15, data["P"].to_numpy()
    floor = np.asarray(v_rev_in_lye(t_c, 0.30, bar * 100.0))
    over = data["V"].to_numpy() - floor
    assert over.min() > 0.1
    assert over.max() < 1.0


def test_pressure_moves_a_measured_cell_as_nernst_says() -> None:
    # de Groot et al. 2022 at 50 degC: from 10 to 30 bar the measured curve rises by the Nernst term of
    # 22.9 mV, all along; points were read off a figure, good to about 5 mV each
    data = datasets.load("degroot_pressure")
    nernst = np.asarray(v_rev_in_lye(50.0, 0.30, 3000.0)) - np.asarray(v_rev_in_lye(50.0, 0.30, 1000.0))
    assert nernst == pytest.approx(0.0229, abs=3e-4)
    low, high = (data[data["P"] == p].sort_values("j") for p in (10, 30))
    inside = high[(high["j"] > low["j"].min()) & (high["j"] < low["j"].max())]
    rise = inside["V"].to_numpy() - np.interp(inside["j"], low["j"], low["V"])
    assert rise.mean() == pytest.approx(nernst, abs=7e-3)


def test_conductivity_explains_a_measured_cells_temperature() -> None:
    # de Groot et al. 2022, 24 points at 50, 60, 70 degC, 30 bar. Over the reversible voltage in lye:
    # a + bT + cT ln j, and a resistance. One that falls as the conductivity rises leaves 7.3 mV of scatter,
    # a constant one 11.5 mV, one that rises with conductivity more still.
    data = datasets.load("degroot_temperature")
    t_c, j, bar = data["T"].to_numpy() - 273.15, data["j"].to_numpy() / 1000.0, data["P"].to_numpy()
    over = data["V"].to_numpy() - np.asarray(v_rev_in_lye(t_c, 0.30, bar * 100.0))
    kappa = np.asarray(conductivity_gilliam_s_cm(t_c, 0.30))
    kelvin = t_c + 273.15

    def scatter(resistance: np.ndarray) -> tuple[float, float]:
        model = np.column_stack([np.ones_like(j), kelvin, kelvin * np.log(j), j * resistance])
        fit = np.linalg.lstsq(model, over, rcond=None)[0]
        rest = over - model @ fit
        return float(np.sqrt((rest**2).sum() / (len(j) - 4))), float(fit[3])

    by_lye, centimetres = scatter(1.0 / kappa)
    constant, _ = scatter(np.ones_like(kappa))
    backwards, _ = scatter(kappa)
    assert by_lye < 8e-3
    assert by_lye < 0.75 * constant < 0.75 * backwards
    # as much lye as a diaphragm and a gap are worth: millimetres
    assert 0.2 < centimetres < 0.8


@pytest.mark.parametrize("t_c", [1.0, 10.0, 20.0, 40.0, 60.0, 80.0, 99.0])
def test_latent_heat_and_density_of_water(t_c: float) -> None:
    kelvin = t_c + 273.15
    # IAPWS-95 through CoolProp; Clapeyron from a rounded IF97 slope: 0.02 %
    vapour = PropsSI("H", "T", kelvin, "Q", 1, "Water") - PropsSI("H", "T", kelvin, "Q", 0, "Water")
    assert latent_heat_j_kg(t_c) == pytest.approx(vapour, rel=2e-4)
    assert water_density_kg_m3(t_c) == pytest.approx(
        PropsSI("D", "T", kelvin, "P", 101325.0, "Water"), rel=1e-4
    )


@pytest.mark.parametrize(
    ("metres", "kpa"),
    [  # ISO 2533:1975 / US Standard Atmosphere 1976, geometric height; table values from memory, and each
        # follows from the standard's own constants
        (0.0, 101.325),
        (500.0, 95.461),
        (1000.0, 89.876),
        (1500.0, 84.560),
        (2000.0, 79.501),
        (3000.0, 70.121),
        (5000.0, 54.048),
    ],
)
def test_standard_atmosphere(metres: float, kpa: float) -> None:
    assert pressure_from_altitude(metres) == pytest.approx(kpa, abs=6e-4)


def test_bubbler_head() -> None:
    assert bubbler_head_kpa(100.0) == pytest.approx(0.97777, abs=6e-6)
    assert bubbler_head_kpa(100.0, 1266.0) == pytest.approx(1.2415, abs=6e-5)


def test_safety_arithmetic() -> None:
    # a litre of 2:1 gas at 20 degC and 1 atm: 7.9216 kJ (HHV), 6.7021 kJ (LHV), 1.60 g of TNT at 4.184 kJ/g,
    # as tabulated with a molar volume rounded to 24.0549 L: 1e-5
    vm = reference_condition("20C_101.325kPa").molar_volume_l
    assert HHV_J_MOL / 1.5 / vm == pytest.approx(7921.6, rel=2e-5)
    assert LHV_J_MOL / 1.5 / vm == pytest.approx(6702.1, rel=2e-5)
    assert LHV_J_MOL / 1.5 / vm / 4184.0 == pytest.approx(1.60, abs=5e-3)
    # a litre of water (1 kg) makes 1866 L of mixed gas at 0 degC, 2003 L at 20 degC
    made = [1000.0 / M_H2O * 1.5 * reference_condition(c).molar_volume_l for c in ("0C_1atm", "20C_1atm")]
    assert made == pytest.approx([1866.2, 2002.9], abs=0.06)
    # mass fractions of the mixture
    assert pytest.approx(0.111898, abs=6e-7) == 2.0 * M_H2 / (3.0 * M_MIXED_GAS)
