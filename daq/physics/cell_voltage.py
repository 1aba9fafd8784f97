"""Reversible and thermoneutral voltage, heating values, and the ceilings they put on MMW.

Two voltages matter. Below the *reversible* one no gas can form at all. At the *thermoneutral* one the cell
neither warms nor cools; it is the "100 %" of a voltage efficiency on the higher heating value. "1.23 V is
100 %" mixes the two up.

References
----------
.. [1] NIST Chemistry WebBook, Shomate equations (M. W. Chase, NIST-JANAF Thermochemical Tables, 4th ed. 1998)
   for H2, O2 and liquid water, with CODATA's enthalpies of formation.
.. [2] R. L. LeRoy, C. T. Bowen, D. J. LeRoy, J. Electrochem. Soc. 127 (1980) 1954, DOI 10.1149/1.2130044.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from daq.physics._ranges import Num, Outside, plain, within
from daq.physics.constants import (
    DELTA_H_298,
    DELTA_S_298,
    ELECTRONS_PER_H2,
    FARADAY,
    GAS_CONSTANT,
    KELVIN,
    LHV_MOLAR,
    MIXED_GAS_PER_ELECTRON,
)
from daq.physics.lye import Electrolyte
from daq.physics.moist_gas import vapour_pressure_lye, water_activity_lye
from daq.physics.reference import ReferenceCondition

__all__ = [
    "HHV_J_MOL",
    "LHV_J_MOL",
    "mmw_ceiling_faraday",
    "mmw_ceiling_reversible",
    "mmw_ceiling_thermoneutral",
    "reaction_enthalpy_j_mol",
    "v_rev",
    "v_rev_in_lye",
    "v_tn",
    "voltage_efficiency_hhv",
    "watt_hours_per_litre",
]

HHV_J_MOL: Final = DELTA_H_298
"""Higher heating value of hydrogen at 25 degC [J/mol], CODATA."""
LHV_J_MOL: Final = LHV_MOLAR
"""Lower heating value of hydrogen at 25 degC [J/mol], JANAF."""

# [1]: A .. E of cp [J/(mol K)] against T/1000
_H2 = (33.066178, -11.363417, 11.432816, -2.772874, -0.158558)
_O2 = (31.32234, -20.23531, 57.86644, -36.50624, -0.007374)
_H2O = (-203.6060, 1523.290, -3196.413, 2474.455, 3.855326)
# cp of the reaction H2O(l) -> H2 + 1/2 O2, coefficient by coefficient
_CP = tuple(h + 0.5 * o - w for h, o, w in zip(_H2, _O2, _H2O, strict=True))
_T0 = 0.29815


def _enthalpy_integral(t: Num) -> Num:
    a, b, c, d, e = _CP
    return t * (a + t * (b / 2 + t * (c / 3 + t * d / 4))) - e / t


def _entropy_integral(t: Num) -> Num:
    a, b, c, d, e = _CP
    return a * np.log(t) + t * (b + t * (c / 2 + t * d / 3)) - e / (2.0 * t * t)


def _cell_temperature(t_c: Num, place: str, outside: Outside) -> Num:
    return within(t_c, 0.0, 100.0, place=place, name="t_c", unit="degC", outside=outside)


@plain
def reaction_enthalpy_j_mol(t_c: Num, *, outside: Outside = "raise") -> Num:
    """Enthalpy of H2O(l) -> H2 + 1/2 O2 at 1 bar [J/mol]: CODATA at 25 degC carried on by Kirchhoff's law.

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 0 to 100. The Shomate equation of liquid water is published from 25 degC; from 0
        to 25 degC the result was checked against the enthalpies of CoolProp (IAPWS-95 and reference equations
        for the gases), from which it stays within 10 J/mol.
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For a temperature out of range, unless `outside` is "nan".
    """
    t = (_cell_temperature(t_c, "reaction_enthalpy_j_mol", outside) + KELVIN) / 1000.0
    return DELTA_H_298 + 1000.0 * (_enthalpy_integral(t) - _enthalpy_integral(_T0))


@plain
def v_tn(t_c: Num, *, outside: Outside = "raise") -> Num:
    """Thermoneutral voltage of a cell [V]: ``dH(T) / 2F``; 1.4812 V at 25 degC.

    Parameters as `reaction_enthalpy_j_mol`; [1].
    """
    return reaction_enthalpy_j_mol(t_c, outside=outside) / (ELECTRONS_PER_H2 * FARADAY)


@plain
def v_rev(t_c: Num, *, outside: Outside = "raise") -> Num:
    """Reversible voltage of a cell, pure water, each gas at 1 bar [V]: ``dG(T) / 2F``; 1.2289 V at 25 degC.

    Parameters as `reaction_enthalpy_j_mol`; [1]. `v_rev_leroy` lies 0.24 mV higher.
    """
    t_k = _cell_temperature(t_c, "v_rev", outside) + KELVIN
    entropy = DELTA_S_298 + _entropy_integral(t_k / 1000.0) - _entropy_integral(_T0)
    gibbs = reaction_enthalpy_j_mol(t_k - KELVIN, outside="nan") - t_k * entropy
    return gibbs / (ELECTRONS_PER_H2 * FARADAY)


@plain
def v_rev_in_lye(
    t_c: Num,
    mass_fraction: Num,
    p_kpa: Num = 101.325,
    electrolyte: Electrolyte = "KOH",
    *,
    outside: Outside = "raise",
) -> Num:
    """Reversible voltage of a cell in lye under pressure [V].

    ``v_rev + RT/2F ln(((p - vapour) / 1 bar)^1.5 / a_water)``, the form of [2] for ideal gases. The gases are
    taken as pure at the electrodes, where they form, also in a dry cell with a common gas duct.

    Parameters
    ----------
    t_c : float or array
        Lye temperature [degC], 0 to 100.
    mass_fraction : float or array
        [1], range of `vapour_pressure_lye`.
    p_kpa : float or array
        Absolute pressure [kPa], 20 to 10000 and above the vapour's.
    electrolyte : {"KOH", "NaOH"}
    outside : {"raise", "nan"}
        What values out of range give.
    """
    t = _cell_temperature(t_c, "v_rev_in_lye", outside)
    p = within(p_kpa, 20.0, 1e4, place="v_rev_in_lye", name="p_kpa", unit="kPa", outside=outside)
    vapour = vapour_pressure_lye(t, mass_fraction, electrolyte, outside=outside)
    gas = within(
        p - vapour, 1e-3, 1e4, place="v_rev_in_lye", name="p_kpa less vapour", unit="kPa", outside=outside
    )
    activity = water_activity_lye(t, mass_fraction, electrolyte, outside=outside)
    nernst = GAS_CONSTANT * (t + KELVIN) / (ELECTRONS_PER_H2 * FARADAY)
    return v_rev(t, outside=outside) + nernst * (1.5 * np.log(gas / 100.0) - np.log(activity))


@plain
def voltage_efficiency_hhv(cell_volts: Num, t_c: Num = 25.0, *, outside: Outside = "raise") -> Num:
    """Voltage efficiency on the higher heating value [1]: ``v_tn(t) / cell_volts``.

    Parameters
    ----------
    cell_volts : float or array
        Volts of one cell, at the stack [V], 0.1 to 100.
    t_c : float or array
        Temperature for the thermoneutral voltage [degC], 0 to 100.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    volts = within(
        cell_volts, 0.1, 100.0, place="voltage_efficiency_hhv", name="cell_volts", unit="V", outside=outside
    )
    return v_tn(t_c, outside=outside) / volts


@plain
def watt_hours_per_litre(
    cell_volts: Num, reference: ReferenceCondition, faradaic: Num = 1.0, *, outside: Outside = "raise"
) -> Num:
    """Energy for a litre of dry mixed gas [Wh/L]: ``V F / (0.75 faradaic Vm 3600)``.

    Parameters
    ----------
    cell_volts : float or array
        [V], 0.1 to 100.
    reference : ReferenceCondition
    faradaic : float or array
        Faradaic efficiency [1], above 0 to 10.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    place = "watt_hours_per_litre"
    volts = within(cell_volts, 0.1, 100.0, place=place, name="cell_volts", unit="V", outside=outside)
    share = within(faradaic, 1e-6, 10.0, place=place, name="faradaic", unit="", outside=outside)
    litres_per_coulomb = MIXED_GAS_PER_ELECTRON * reference.molar_volume_l / FARADAY
    return volts / (litres_per_coulomb * share * 3600.0)


@plain
def mmw_ceiling_faraday(cell_volts: Num, reference: ReferenceCondition, *, outside: Outside = "raise") -> Num:
    """MMW at these cell volts if every electron made gas [mL/min/W], dry.

    Parameters
    ----------
    cell_volts : float or array
        Volts of one cell [V], 0.1 to 100.
    reference : ReferenceCondition
        At which the gas is stated.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    return 1000.0 / 60.0 / watt_hours_per_litre(cell_volts, reference, outside=outside)


@plain
def mmw_ceiling_thermoneutral(t_c: Num, reference: ReferenceCondition, *, outside: Outside = "raise") -> Num:
    """MMW at the thermoneutral voltage [mL/min/W], dry: above it a cell must draw heat from its surroundings.

    Parameters
    ----------
    t_c : float or array
        Lye temperature [degC], 0 to 100.
    reference : ReferenceCondition
        At which the gas is stated.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    return mmw_ceiling_faraday(v_tn(t_c, outside=outside), reference, outside=outside)


@plain
def mmw_ceiling_reversible(t_c: Num, reference: ReferenceCondition, *, outside: Outside = "raise") -> Num:
    """MMW at the reversible voltage [mL/min/W], dry: a reading above it is impossible.

    Pure water at 1 bar; lye at one atmosphere raises the voltage, so this errs on the generous side.

    Parameters
    ----------
    t_c : float or array
        Lye temperature [degC], 0 to 100.
    reference : ReferenceCondition
        At which the gas is stated.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    return mmw_ceiling_faraday(v_rev(t_c, outside=outside), reference, outside=outside)
