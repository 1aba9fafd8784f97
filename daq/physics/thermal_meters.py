"""Thermal mass-flow meters: what a scale made for another gas reads on the 2:1 mixture.

Such a meter tells the heat that the gas carries off, and counts it in litres at a condition of its maker's:
the pressure and the temperature at hand play no part but through the vapour.

References
----------
.. [1] Mixture rule of thermal mass-flow makers: conversion factor 0.3106 sum(a s) / sum(a d cp), with gas
   density d at 0 degC [g/L], heat capacity cp [cal/(g K)], and s by the molecule's number of atoms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from daq.errors import PhysicsRangeError
from daq.physics._ranges import Num, Outside, plain, within

__all__ = [
    "THERMAL_FACTOR",
    "THERMAL_FACTOR_LIMIT",
    "THERMAL_GASES",
    "ThermalGas",
    "thermal_factor",
    "thermal_factor_between",
    "thermal_factor_moist",
]


@dataclass(frozen=True, slots=True)
class ThermalGas:
    """What the mixture rule [1] needs of a gas.

    Attributes
    ----------
    density_g_l : float
        At 0 degC and one atmosphere [g/L].
    cp_cal_g_k : float
        Heat capacity [cal/(g K)].
    structure : float
        1.030 for one atom, 1.000 for two, 0.941 for three, 0.880 for more.
    """

    density_g_l: float
    cp_cal_g_k: float
    structure: float


THERMAL_GASES: Final[Mapping[str, ThermalGas]] = MappingProxyType(
    {
        "H2": ThermalGas(0.0899, 3.419, 1.000),
        "O2": ThermalGas(1.427, 0.2193, 1.000),
        "N2": ThermalGas(1.250, 0.2485, 1.000),
        "air": ThermalGas(1.293, 0.2400, 1.000),
        "Ar": ThermalGas(1.782, 0.1244, 1.030),
        "CO2": ThermalGas(1.964, 0.2016, 0.941),
        "H2O": ThermalGas(0.8040, 0.4452, 0.941),
    }
)
"""Gases of the mixture rule; density and heat capacity as mass-flow makers print them (from memory, checked
against CoolProp; vapour is its ideal-gas state)."""


def thermal_factor(shares: Mapping[str, float]) -> float:
    """Conversion factor of a gas mixture on a thermal mass-flow meter with a nitrogen scale [1], [1].

    A ratio of sums: close to the *reciprocal* mean of the gases' own factors, never their plain mean.

    Parameters
    ----------
    shares : mapping of gas name to share
        Names of `THERMAL_GASES`; mole shares, above 0, in any total: ``{"H2": 2, "O2": 1}``.

    Raises
    ------
    PhysicsRangeError
        For an unknown gas, no gas, or a share that is not above 0.
    """
    place = "thermal_factor"
    for gas, share in shares.items():
        if gas not in THERMAL_GASES:
            raise PhysicsRangeError(
                "no thermal data for this gas",
                place=place,
                value=gas,
                remedy=f"use {', '.join(THERMAL_GASES)}",
            )
        within(share, 1e-12, 1e6, place=place, name=f"share of {gas}", unit="")
    if not shares:
        raise PhysicsRangeError("a mixture has at least one gas", place=place, value=dict(shares))
    gases = [(share, THERMAL_GASES[gas]) for gas, share in shares.items()]
    top = sum(share * gas.structure for share, gas in gases)
    return 0.3106 * top / sum(share * gas.density_g_l * gas.cp_cal_g_k for share, gas in gases)


THERMAL_FACTOR: Final = thermal_factor({"H2": 2.0, "O2": 1.0})
"""Factor of a thermal mass-flow meter with a nitrogen scale on the dry 2:1 mixture."""


THERMAL_FACTOR_LIMIT: Final = 0.02
"""Limit of error of a computed thermal factor [1] (judgement: two makers' figures for the 2:1 mixture differ
by 1 %, and the mixture rule by as much from measured factors)."""


@plain
def thermal_factor_moist(vapour_share: Num, *, outside: Outside = "raise") -> Num:
    """As `thermal_factor`, of the 2:1 mixture with the vapour it carries, [1].

    Parameters
    ----------
    vapour_share : float or array
        Vapour's share of the moles [1], 0 to 1.
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".
    """
    y = within(
        vapour_share, 0.0, 1.0, place="thermal_factor_moist", name="vapour_share", unit="", outside=outside
    )
    shares = ((2.0 / 3.0 * (1.0 - y), "H2"), (1.0 / 3.0 * (1.0 - y), "O2"), (y, "H2O"))
    gases = [(share, THERMAL_GASES[gas]) for share, gas in shares]
    top = sum(share * gas.structure for share, gas in gases)
    return 0.3106 * top / sum(share * gas.density_g_l * gas.cp_cal_g_k for share, gas in gases)


@plain
def thermal_factor_between(gas_factor: Num, scale_factor: Num) -> Num:
    """True over read flow of a thermal meter whose scale is for another gas [1]: ratio of their factors."""
    place = "thermal_factor_between"
    gas = within(gas_factor, 0.01, 10.0, place=place, name="gas_factor", unit="")
    return gas / within(scale_factor, 0.01, 10.0, place=place, name="scale_factor", unit="")
