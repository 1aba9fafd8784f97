"""Flow meters: what a scale made for another gas reads on the 2:1 mixture, and meters that count.

Two healthy meters may disagree by half: an air rotameter reads the dry 2:1 mixture low by a factor of 1.55,
a thermal meter reads it nearly right.

References
----------
.. [1] VDI/VDE 3513-1, variable-area flowmeters: reading goes with the root of the density.
.. [2] T. Tate, Phil. Mag. 27 (1864) 176, DOI 10.1080/14786446408643645: weight of a drop; and its bubble.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np

from daq.physics._ranges import Num, plain, within
from daq.physics.constants import GAS_CONSTANT, GRAVITY, KELVIN, M_AIR, M_H2, M_H2O, M_MIXED_GAS, M_O2
from daq.physics.reference import ReferenceCondition

__all__ = [
    "AIR_SCALE_FACTOR",
    "SCALE_GASES",
    "VARIABLE_AREA_FACTOR_LIMIT",
    "bubble_volume_ml",
    "fill_flow_lpm",
    "flow_from_bubbles_lpm",
    "flow_from_pulses_lpm",
    "flow_from_turns_lpm",
    "gas_density_kg_m3",
    "k_factor_per_l",
    "moist_mixed_gas_density_kg_m3",
    "pulse_rate_hz",
    "rescaled_flow",
    "variable_area_factor",
    "variable_area_factor_liquid",
    "variable_area_factor_normal",
]

VARIABLE_AREA_FACTOR_LIMIT: Final = 0.10
"""Limit of error of a computed variable-area factor [1], a maker's note; not for ball floats or the lowest
tenth of the scale."""


def _density(place: str, name: str, value: Num) -> Num:
    return within(value, 1e-3, 2e4, place=place, name=name, unit="kg/m3")


@plain
def gas_density_kg_m3(molar_mass_g: Num, t_c: Num, p_kpa: Num) -> Num:
    """Density of an ideal gas [kg/m3].

    Parameters
    ----------
    molar_mass_g : float or array
        [g/mol], 1 to 500.
    t_c : float or array
        [degC], -50 to 200.
    p_kpa : float or array
        Absolute [kPa], 1 to 1000.

    Raises
    ------
    PhysicsRangeError
        For values out of range.
    """
    place = "gas_density_kg_m3"
    mass = within(molar_mass_g, 1.0, 500.0, place=place, name="molar_mass_g", unit="g/mol")
    t = within(t_c, -50.0, 200.0, place=place, name="t_c", unit="degC")
    return (
        mass * within(p_kpa, 1.0, 1e3, place=place, name="p_kpa", unit="kPa") / (GAS_CONSTANT * (t + KELVIN))
    )


@plain
def moist_mixed_gas_density_kg_m3(t_c: Num, p_kpa: Num, vapour_kpa: Num = 0.0) -> Num:
    """Density of the 2:1 mixture with the vapour it carries [kg/m3].

    Parameters
    ----------
    t_c, p_kpa
        As `gas_density_kg_m3`.
    vapour_kpa : float or array
        Pressure of the vapour [kPa], 0 to `p_kpa`.
    """
    share = within(
        vapour_kpa / p_kpa,
        0.0,
        1.0,
        place="moist_mixed_gas_density_kg_m3",
        name="vapour_kpa / p_kpa",
        unit="",
    )
    return gas_density_kg_m3((1.0 - share) * M_MIXED_GAS + share * M_H2O, t_c, p_kpa)


@plain
def variable_area_factor(scale_density_kg_m3: Num, gas_density: Num) -> Num:
    """True over read volume flow of a variable-area meter in another gas: ``sqrt(rho_scale / rho)``, [1].

    For a scale in *actual* volume: both densities as they are, the scale's where it was calibrated, the
    gas's at the meter.

    Parameters
    ----------
    scale_density_kg_m3, gas_density : float or array
        [kg/m3], above 0.
    """
    place = "variable_area_factor"
    scale = _density(place, "scale_density_kg_m3", scale_density_kg_m3)
    return np.sqrt(scale / _density(place, "gas_density", gas_density))


SCALE_GASES: Final[Mapping[str, float]] = MappingProxyType(
    {"air": M_AIR, "N2": 28.0134, "O2": M_O2, "H2": M_H2, "Ar": 39.948, "CO2": 44.0095}
)
"""Gases for which meters' scales are made, with their molar masses [g/mol] (CIAAW conventional)."""

AIR_SCALE_FACTOR: Final = math.sqrt(M_AIR / M_MIXED_GAS)
"""Factor of a variable-area meter with an air scale on the dry 2:1 mixture, same temperature and pressure."""


@plain
def variable_area_factor_normal(
    scale_molar_mass_g: Num,
    gas_molar_mass_g: Num,
    *,
    scale_t_c: Num,
    scale_p_kpa: Num,
    t_c: Num,
    p_kpa: Num,
) -> Num:
    """As `variable_area_factor` for a scale in *normal* volume (reduced to a reference condition), [1].

    ``sqrt(M_scale/M) sqrt(p/p_scale) sqrt(T_scale/T)``: pressure and temperature act the other way round.

    Parameters
    ----------
    scale_molar_mass_g, gas_molar_mass_g : float or array
        Molar masses, or densities at one and the same condition [any unit, both the same].
    scale_t_c, scale_p_kpa : float or array
        Flowing condition the scale was made for [degC, kPa absolute].
    t_c, p_kpa : float or array
        Flowing condition at hand [degC, kPa absolute].
    """
    place = "variable_area_factor_normal"
    masses = _density(place, "scale_molar_mass_g", scale_molar_mass_g) / _density(
        place, "gas_molar_mass_g", gas_molar_mass_g
    )
    pressures = within(p_kpa, 1.0, 1e4, place=place, name="p_kpa", unit="kPa") / within(
        scale_p_kpa, 1.0, 1e4, place=place, name="scale_p_kpa", unit="kPa"
    )
    warm = within(t_c, -50.0, 300.0, place=place, name="t_c", unit="degC") + KELVIN
    cold = within(scale_t_c, -50.0, 300.0, place=place, name="scale_t_c", unit="degC") + KELVIN
    return np.sqrt(masses * pressures * cold / warm)


@plain
def variable_area_factor_liquid(scale_density: Num, liquid_density: Num, float_density: Num) -> Num:
    """Factor of a variable-area meter in another liquid, the float's buoyancy counted, [1].

    ``sqrt((rho_f - rho) rho_scale / ((rho_f - rho_scale) rho))``; densities [kg/m3], the float's greatest.
    """
    place = "variable_area_factor_liquid"
    scale, liquid = (
        _density(place, n, v)
        for n, v in (("scale_density", scale_density), ("liquid_density", liquid_density))
    )
    heavy = _density(place, "float_density", float_density)
    within(heavy - np.maximum(scale, liquid), 1e-3, 2e4, place=place, name="float less liquid", unit="kg/m3")
    return np.sqrt((heavy - liquid) * scale / ((heavy - scale) * liquid))


def rescaled_flow(flow: Num, stated_at: ReferenceCondition, wanted_at: ReferenceCondition) -> Num:
    """A flow stated at one reference condition, stated at another [unit of `flow`]; the same moles."""
    return flow * (wanted_at.molar_volume_l / stated_at.molar_volume_l)


@plain
def k_factor_per_l(pulses: Num, litres: Num) -> Num:
    """K-factor of a pulse meter from a counted volume [1/L]; pulses 1 and above, litres above 0."""
    place = "k_factor_per_l"
    count = within(pulses, 1.0, 1e12, place=place, name="pulses", unit="")
    return count / within(litres, 1e-9, 1e9, place=place, name="litres", unit="L")


@plain
def flow_from_pulses_lpm(rate_hz: Num, k_per_l: Num) -> Num:
    """Volume flow of a pulse meter [L/min]: ``60 f / K``.

    Parameters
    ----------
    rate_hz : float or array
        Pulses a second [1/s], 0 and above.
    k_per_l : float or array
        K-factor [1/L], above 0.
    """
    place = "flow_from_pulses_lpm"
    rate = within(rate_hz, 0.0, 1e7, place=place, name="rate_hz", unit="Hz")
    return 60.0 * rate / within(k_per_l, 1e-9, 1e12, place=place, name="k_per_l", unit="1/L")


@plain
def pulse_rate_hz(flow_lpm: Num, k_per_l: Num) -> Num:
    """Pulses a second of a pulse meter [1/s]; the inverse of `flow_from_pulses_lpm`."""
    return flow_lpm * within(k_per_l, 1e-9, 1e12, place="pulse_rate_hz", name="k_per_l", unit="1/L") / 60.0


@plain
def flow_from_turns_lpm(turns_per_min: Num, litres_per_turn: Num) -> Num:
    """Volume flow of a positive-displacement meter, as a wet drum [L/min]: turns times the drum's volume.

    The gas is saturated over the drum's liquid, at the drum's temperature and pressure.
    """
    place = "flow_from_turns_lpm"
    turns = within(turns_per_min, 0.0, 1e6, place=place, name="turns_per_min", unit="1/min")
    return turns * within(litres_per_turn, 1e-9, 1e6, place=place, name="litres_per_turn", unit="L")


@plain
def bubble_volume_ml(tube_mm: Num, surface_tension_n_m: Num = 0.072, density_kg_m3: Num = 997.05) -> Num:
    """Volume of a bubble that a slow flow frees from an upright tube [mL]: ``pi d sigma / (rho g)``, [2].

    An upper bound of what is seen, and good to some 10 %: count bubbles only after counting them against a
    known volume.

    Parameters
    ----------
    tube_mm : float or array
        Diameter of the tube's wetted rim [mm], 0.1 to 10.
    surface_tension_n_m : float or array
        [N/m], 0.01 to 0.2; lye 0.08 to 0.1, any soap much less.
    density_kg_m3 : float or array
        [kg/m3], 500 to 2000.
    """
    place = "bubble_volume_ml"
    diameter = within(tube_mm, 0.1, 10.0, place=place, name="tube_mm", unit="mm")
    tension = within(surface_tension_n_m, 0.01, 0.2, place=place, name="surface_tension_n_m", unit="N/m")
    rho = within(density_kg_m3, 500.0, 2000.0, place=place, name="density_kg_m3", unit="kg/m3")
    return 1e3 * math.pi * diameter * tension / (rho * GRAVITY)


@plain
def flow_from_bubbles_lpm(bubbles_per_min: Num, bubble_ml: Num) -> Num:
    """Volume flow of a bubble counter [L/min]; bubbles a minute 0 and above, bubble volume [mL] above 0."""
    place = "flow_from_bubbles_lpm"
    count = within(bubbles_per_min, 0.0, 1e5, place=place, name="bubbles_per_min", unit="1/min")
    return 1e-3 * count * within(bubble_ml, 1e-6, 100.0, place=place, name="bubble_ml", unit="mL")


@plain
def fill_flow_lpm(volume_ml: Num, seconds: Num) -> Num:
    """Moist flow of a timed fill [L/min]: volume over time, at the bottle's temperature and pressure.

    Parameters
    ----------
    volume_ml : float or array
        [mL], above 0.
    seconds : float or array
        [s], above 0; the hand's reaction at both ends taken off.
    """
    volume = within(volume_ml, 1e-3, 1e7, place="fill_flow_lpm", name="volume_ml", unit="mL")
    return 0.06 * volume / within(seconds, 1e-3, 1e6, place="fill_flow_lpm", name="seconds", unit="s")
