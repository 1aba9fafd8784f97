"""Steam in the gas, and the pressure it stands at: from what a meter reads to dry gas at a reference.

Gas that has touched a liquid carries that liquid's vapour. What counts is the *last* liquid before the meter:
gas leaves 30 % KOH at 60 degC with 12.1 kPa of vapour, but behind a water bubbler at 25 degC with 3.2 kPa.

References
----------
.. [1] J. Balej, Int. J. Hydrogen Energy 10 (1985) 233, DOI 10.1016/0360-3199(85)90093-X: vapour pressure
   and water activity over KOH and NaOH.
.. [2] ISO 2533:1975, Standard Atmosphere.
.. [3] IAPWS R7-97(2012), region 4, through `daq.physics.water`.
"""

from __future__ import annotations

from typing import Final, Literal, TypeAlias

import numpy as np

from daq.physics._ranges import Num, Outside, plain, within
from daq.physics.constants import ATMOSPHERE_KPA, GRAVITY, KELVIN
from daq.physics.lye import Electrolyte, molality_mol_kg
from daq.physics.reference import ReferenceCondition
from daq.physics.water import psat_water, psat_water_slope

__all__ = [
    "ALTITUDE_PRESSURE_U_KPA",
    "WetOver",
    "bubbler_head_kpa",
    "dry_flow_at_reference",
    "pressure_from_altitude",
    "psat_water",
    "psat_water_slope",
    "vapour_in_gas_kpa",
    "vapour_per_dry",
    "vapour_pressure_lye",
    "water_activity_lye",
]

WetOver: TypeAlias = Literal["water", "lye", "dry"]

ALTITUDE_PRESSURE_U_KPA: Final = 1.0
"""Standard uncertainty of a pressure taken from altitude alone [kPa]: the weather's own spread about the
standard atmosphere outside storms (judgement from barometer records, no published source)."""

_BALEJ: Final = {
    "KOH": ((-0.01508, -0.0016788, 2.25887e-5), (-0.0012062, 5.6024e-4, -7.8228e-6), 18.0),
    "NaOH": ((-0.010986, -1.461e-3, 2.03528e-5), (-1.34141e-3, 7.07241e-4, -9.5362e-6), 25.002),
}
# [1] is of NaOH to 25 mol/kg, which is 49.998 % by mass: a bench file's 0.5 is meant by it.


def _log10_water_bar(t_k: Num) -> Num:
    """Balej's own equation for pure water, log10 of bar; -0.2 to 0 % of IAPWS from 10 to 90 degC."""
    return 35.4462 - 3343.93 / t_k - 10.9 * np.log10(t_k) + 0.0041645 * t_k


def _lye_inputs(
    place: str, t_c: Num, mass_fraction: Num, electrolyte: Electrolyte, outside: Outside
) -> tuple[Num, Num]:
    """Temperature [K] and molality [mol/kg], checked against [1]."""
    t = within(t_c, 0.0, 200.0, place=place, name="t_c", unit="degC", outside=outside)
    w = within(mass_fraction, 0.0, 0.6, place=place, name="mass_fraction", unit="", outside=outside)
    high = _BALEJ[electrolyte][2]
    m = within(
        molality_mol_kg(w, electrolyte),
        0.0,
        high,
        place=place,
        name="molality",
        unit="mol/kg",
        outside=outside,
    )
    return t + KELVIN, m


@plain
def vapour_pressure_lye(
    t_c: Num, mass_fraction: Num, electrolyte: Electrolyte = "KOH", *, outside: Outside = "raise"
) -> Num:
    """Vapour pressure of water over lye [kPa], [1]: ``log10 p = a(m) + b(m) log10 p0``.

    Parameters
    ----------
    t_c : float or array
        Temperature of the lye's surface [degC], 0 to 200.
    mass_fraction : float or array
        Mass of hydroxide over mass of solution [1], up to a molality of 18 mol/kg KOH (0.502) or 25 mol/kg
        NaOH (0.5).
    electrolyte : {"KOH", "NaOH"}
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".

    Notes
    -----
    Within 1 % of measurement over KOH at 40 degC from 0 to 18 mol/kg.
    """
    t, m = _lye_inputs("vapour_pressure_lye", t_c, mass_fraction, electrolyte, outside)
    (a1, a2, a3), (b1, b2, b3), _ = _BALEJ[electrolyte]
    a = m * (a1 + m * (a2 + m * a3))
    b = 1.0 + m * (b1 + m * (b2 + m * b3))
    return 100.0 * 10.0 ** (a + b * _log10_water_bar(t))


@plain
def water_activity_lye(
    t_c: Num, mass_fraction: Num, electrolyte: Electrolyte = "KOH", *, outside: Outside = "raise"
) -> Num:
    """Activity of water in lye [1].

    The activity equations of [1]; that for NaOH is misprinted there and taken as its users have put it right,
    which agrees with the ratio of vapour pressures over lye and over water from [1] to 2 %.

    Parameters
    ----------
    t_c, mass_fraction, electrolyte, outside
        As `vapour_pressure_lye`.
    """
    t, m = _lye_inputs("water_activity_lye", t_c, mass_fraction, electrolyte, outside)
    if electrolyte == "KOH":
        return 10.0 ** (m * (-0.02255 + 0.001434 * m + (1.38 - 0.9254 * m) / t))
    cold = -0.01332 + m * (0.002542 - 3.06e-5 * m)
    warm = 1.5827 + m * (-1.5669 + 0.021296 * m)
    return 10.0 ** (m * (cold + warm / t))


@plain
def vapour_in_gas_kpa(
    wet_over: WetOver,
    t_c: Num,
    *,
    humidity: Num = 1.0,
    mass_fraction: Num = 0.0,
    electrolyte: Electrolyte = "KOH",
    outside: Outside = "raise",
) -> Num:
    """Pressure of the vapour that gas carries [kPa].

    Parameters
    ----------
    wet_over : {"water", "lye", "dry"}
        The last liquid the gas touched; "dry" behind a drier.
    t_c : float or array
        Temperature at which the gas left that liquid, or of the gas where it has cooled below it [degC],
        0 to 200.
    humidity : float or array
        Share of saturation over that liquid [1], 0 to 1; a humidity sensor reads it against *water*.
    mass_fraction, electrolyte
        Of the lye, where `wet_over` is "lye".
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".
    """
    place = "vapour_in_gas_kpa"
    share = within(humidity, 0.0, 1.0, place=place, name="humidity", unit="", outside=outside)
    t = within(t_c, 0.0, 200.0, place=place, name="t_c", unit="degC", outside=outside)
    if wet_over == "dry":
        return 0.0 * t * share
    if wet_over == "lye":
        return share * vapour_pressure_lye(t, mass_fraction, electrolyte, outside=outside)
    return share * psat_water(t, outside=outside)


def _vapour_and_pressure(place: str, vapour_kpa: Num, p_kpa: Num, outside: Outside) -> tuple[Num, Num]:
    p = within(p_kpa, 20.0, 1000.0, place=place, name="p_kpa", unit="kPa", outside=outside)
    vapour = within(vapour_kpa, 0.0, 1000.0, place=place, name="vapour_kpa", unit="kPa", outside=outside)
    share = within(vapour / p, 0.0, 0.99, place=place, name="vapour_kpa / p_kpa", unit="", outside=outside)
    return share * p, p


@plain
def vapour_per_dry(vapour_kpa: Num, p_kpa: Num, *, outside: Outside = "raise") -> Num:
    """Moles of vapour carried by a mole of dry gas [1]: ``vapour / (p - vapour)``.

    Parameters
    ----------
    vapour_kpa : float or array
        Pressure of the vapour [kPa], 0 to 0.99 of `p_kpa`.
    p_kpa : float or array
        Absolute pressure of the moist gas [kPa], 20 to 1000.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    vapour, p = _vapour_and_pressure("vapour_per_dry", vapour_kpa, p_kpa, outside)
    return vapour / (p - vapour)


def _to_reference(
    place: str, t_c: Num, p_kpa: Num, vapour_kpa: Num, reference: ReferenceCondition, outside: Outside
) -> Num:
    t = within(t_c, -20.0, 200.0, place=place, name="t_c", unit="degC", outside=outside)
    vapour, p = _vapour_and_pressure(place, vapour_kpa, p_kpa, outside)
    return (p - vapour) / reference.p_kpa * reference.t_k / (t + KELVIN)


@plain
def dry_flow_at_reference(
    flow: Num,
    t_c: Num,
    p_kpa: Num,
    *,
    vapour_kpa: Num,
    reference: ReferenceCondition,
    outside: Outside = "raise",
) -> Num:
    """Dry gas, reduced to a reference condition, of a moist flow (or volume) at the meter [unit of `flow`].

    ``flow (p - vapour)/p_ref T_ref/T``: Dalton's law and the ideal gas.

    Parameters
    ----------
    flow : float or array
        Moist gas as it is at the meter, its gas factor applied [L/min, mL, ... any volume or flow].
    t_c : float or array
        Gas temperature at the meter [degC], -20 to 200.
    p_kpa : float or array
        Absolute pressure at the meter [kPa], 20 to 1000.
    vapour_kpa : float or array
        Pressure of the vapour at the meter [kPa], see `vapour_in_gas_kpa`.
    reference : ReferenceCondition
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".
    """
    return flow * _to_reference("dry_flow_at_reference", t_c, p_kpa, vapour_kpa, reference, outside)


_EARTH_M = 6_356_766.0
_SEA_K, _LAPSE = 288.15, 0.0065
_EXPONENT = GRAVITY / (_LAPSE * 287.05287)


@plain
def pressure_from_altitude(altitude_m: Num, *, outside: Outside = "raise") -> Num:
    """Pressure of the standard atmosphere [kPa], [2]; the weather moves the true one by a kilopascal or two.

    Parameters
    ----------
    altitude_m : float or array
        Height above sea level [m], -2000 to 11000 (the lowest layer).
    outside : {"raise", "nan"}
        What values out of range give.
    """
    h = within(
        altitude_m,
        -2000.0,
        11000.0,
        place="pressure_from_altitude",
        name="altitude_m",
        unit="m",
        outside=outside,
    )
    geopotential = _EARTH_M * h / (_EARTH_M + h)
    return ATMOSPHERE_KPA * (1.0 - _LAPSE * geopotential / _SEA_K) ** _EXPONENT


@plain
def bubbler_head_kpa(depth_mm: Num, density_kg_m3: Num = 997.05) -> Num:
    """Pressure that a column of liquid puts on the gas below it [kPa]: ``rho g h``.

    Parameters
    ----------
    depth_mm : float or array
        Depth of the dip tube's end under the surface [mm], -5000 to 5000; negative where the level inside
        stands higher than outside, as in an inverted bottle that hangs over its trough.
    density_kg_m3 : float or array
        Density of the liquid [kg/m3], 500 to 2000; the default is water at 25 degC.
    """
    depth = within(depth_mm, -5000.0, 5000.0, place="bubbler_head_kpa", name="depth_mm", unit="mm")
    rho = within(density_kg_m3, 500.0, 2000.0, place="bubbler_head_kpa", name="density_kg_m3", unit="kg/m3")
    return rho * GRAVITY * depth * 1e-6
