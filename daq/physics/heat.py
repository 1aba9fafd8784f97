"""Where the power goes: into gas, into vapour, and the rest into heat; and how a stack warms.

``C dT/dt = P - H2 rate x dH - vapour x latent heat - (T - T_room) / R``

References
----------
.. [1] EN 10088-1, stainless steels: 500 J/(kg K) for the austenitic grades 304 and 316.
.. [2] Any text on first-order systems for the step response.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from daq.physics._ranges import Num, plain, within
from daq.physics.cell_voltage import reaction_enthalpy_j_mol
from daq.physics.constants import M_H2O
from daq.physics.faraday import h2_rate_mol_s
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
    "gas_power_w",
    "heat_w",
    "loss_w",
    "step_rate_k_s",
    "step_rise_k",
    "thermal_mass_j_k",
    "vapour_power_w",
    "vapour_rate_g_s",
]

STEEL_HEAT_CAPACITY_J_KG_K: Final = 500.0
"""Stainless steel 304 and 316 at room temperature [J/(kg K)], [1]."""

_INF = float("inf")


@plain
def gas_power_w(current_a: Num, cells: Num, faradaic: Num = 1.0, t_c: Num = 25.0) -> Num:
    """Power that leaves as the heating value of the gas [W]: ``H2 rate x dH(T)``.

    Parameters
    ----------
    current_a, cells, faradaic
        As `daq.physics.faraday.gas_rate_mol_s`.
    t_c : float or array
        Lye temperature [degC], 0 to 100.
    """
    return h2_rate_mol_s(current_a, cells, faradaic) * reaction_enthalpy_j_mol(t_c)


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
    """Power that leaves as latent heat of vapour [W]; as `vapour_rate_g_s`, `t_c` of the lye [degC].

    What condenses in the hoses and drips back still has left its heat outside; what condenses in the
    reservoir has not, and this is then an upper bound.
    """
    return 1e-3 * vapour_rate_g_s(dry_gas_mol_s, vapour_kpa, p_kpa) * latent_heat_j_kg(t_c)


@plain
def heat_w(power_w: Num, gas_w: Num, vapour_w: Num = 0.0) -> Num:
    """Power that warms the stack [W]: true mean power less gas and vapour. May be negative below v_tn."""
    place = "heat_w"
    power = within(power_w, -_INF, _INF, place=place, name="power_w", unit="W")
    return power - gas_w - vapour_w


@plain
def loss_w(t_c: Num, room_c: Num, resistance_k_w: Num) -> Num:
    """Heat given to the room [W]: ``(T - T_room) / R``, R above 0 [K/W]."""
    resistance = within(resistance_k_w, 1e-9, 1e9, place="loss_w", name="resistance_k_w", unit="K/W")
    return (t_c - room_c) / resistance


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


def _step(
    place: str, time_s: Num, heat: Num, resistance_k_w: Num, capacity_j_k: Num
) -> tuple[Num, Num, Num, Num]:
    t = within(time_s, 0.0, _INF, place=place, name="time_s", unit="s")
    resistance = within(resistance_k_w, 1e-9, 1e9, place=place, name="resistance_k_w", unit="K/W")
    capacity = within(capacity_j_k, 1e-9, 1e12, place=place, name="capacity_j_k", unit="J/K")
    return t, heat * resistance, resistance * capacity, heat / capacity


@plain
def step_rise_k(time_s: Num, heat: Num, resistance_k_w: Num, capacity_j_k: Num) -> Num:
    """Rise over the room after a steady heat was switched on [K]: ``heat R (1 - exp(-t / RC))``, [2].

    Parameters
    ----------
    time_s : float or array
        Since switching on [s], 0 and above.
    heat : float or array
        [W].
    resistance_k_w, capacity_j_k : float or array
        Thermal resistance to the room [K/W] and heat capacity [J/K], above 0.
    """
    t, settled, tau, _ = _step("step_rise_k", time_s, heat, resistance_k_w, capacity_j_k)
    return -settled * np.expm1(-t / tau)


@plain
def step_rate_k_s(time_s: Num, heat: Num, resistance_k_w: Num, capacity_j_k: Num) -> Num:
    """Rate of rise at that instant [K/s]: ``heat / C exp(-t / RC)``. Parameters as `step_rise_k`."""
    t, _, tau, start = _step("step_rate_k_s", time_s, heat, resistance_k_w, capacity_j_k)
    return start * np.exp(-t / tau)
