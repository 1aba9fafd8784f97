"""Where the power goes: into gas, into vapour, and the rest into heat; and how a stack warms.

``C dT/dt = P - H2 rate x dH - vapour x latent heat - (T - T_room) / R``

References
----------
.. [1] EN 10088-1, stainless steels: 500 J/(kg K) for the austenitic grades 304 and 316.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from daq.physics._ranges import Num, plain, within
from daq.physics.constants import M_H2O
from daq.physics.lye import (
    Electrolyte,
    lye_density_kg_m3,
    lye_heat_capacity_j_kg_k,
    strongest_published,
)
from daq.physics.moist_gas import vapour_per_dry
from daq.physics.water import latent_heat_j_kg

__all__ = [
    "STEEL_HEAT_CAPACITY_J_KG_K",
    "thermal_mass_j_k",
    "vapour_power_w",
    "vapour_rate_g_s",
]

STEEL_HEAT_CAPACITY_J_KG_K: Final = 500.0
"""Stainless steel 304 and 316 at room temperature [J/(kg K)], [1]."""

_INF = float("inf")


@plain
def vapour_rate_g_s(dry_gas_mol_s: Num, vapour_kpa: Num, p_kpa: Num) -> Num:
    """Water that dry gas carries off as vapour [g/s].

    Parameters
    ----------
    dry_gas_mol_s : float or array
        Dry mixed gas [mol/s].
    vapour_kpa, p_kpa : float or array
        Vapour's and total pressure where the gas leaves the lye [kPa], see `daq.physics.moist_gas`.
    """
    return M_H2O * dry_gas_mol_s * vapour_per_dry(vapour_kpa, p_kpa)


@plain
def vapour_power_w(dry_gas_mol_s: Num, vapour_kpa: Num, p_kpa: Num, t_c: Num) -> Num:
    """Power that leaves as latent heat of vapour [W].

    What condenses in the hoses and drips back still has left its heat outside; what condenses in the
    reservoir has not, and this is then an upper bound.

    Parameters
    ----------
    dry_gas_mol_s, vapour_kpa, p_kpa : float or array
        As `vapour_rate_g_s` [mol/s, kPa, kPa].
    t_c : float or array
        Lye temperature [degC], 0 to 200.
    """
    return 1e-3 * vapour_rate_g_s(dry_gas_mol_s, vapour_kpa, p_kpa) * latent_heat_j_kg(t_c)


@plain
def thermal_mass_j_k(
    litres: Num,
    mass_fraction: Num,
    steel_kg: Num = 0.0,
    electrolyte: Electrolyte = "KOH",
    t_c: Num = 40.0,
    *,
    stronger: Literal["raise", "nearest"] = "raise",
) -> Num:
    """Heat capacity of lye and steel together [J/K]; plastics and hoses come on top.

    Parameters
    ----------
    litres : float or array
        Lye in stack, hoses and reservoir [L], 0 to 1000.
    mass_fraction : float or array
        [1], range of `daq.physics.lye.lye_heat_capacity_j_kg_k`.
    steel_kg : float or array
        Plates and end plates [kg], 0 to 10000.
    electrolyte : {"KOH", "NaOH"}
    t_c : float or array
        Temperature at which the lye's properties are taken [degC], 4 to 95.
    stronger : {"raise", "nearest"}
        What lye stronger than published gives: an error, or the specific heat and density of the strongest
        that is. Specific heat falls and density rises with strength, so that a litre's heat hardly changes.
    """
    if stronger == "nearest":
        mass_fraction = np.minimum(mass_fraction, strongest_published(electrolyte))
    place = "thermal_mass_j_k"
    volume = within(litres, 0.0, 1000.0, place=place, name="litres", unit="L")
    steel = within(steel_kg, 0.0, 1e4, place=place, name="steel_kg", unit="kg")
    lye_kg = 1e-3 * volume * lye_density_kg_m3(t_c, mass_fraction, electrolyte)
    lye = lye_kg * lye_heat_capacity_j_kg_k(t_c, mass_fraction, electrolyte)
    return lye + steel * STEEL_HEAT_CAPACITY_J_KG_K
