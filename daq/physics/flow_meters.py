"""Flow meters: what a scale made for another gas reads on the 2:1 mixture, and meters that count.

Two healthy meters may disagree by half: an air rotameter reads the dry 2:1 mixture low by a factor of 1.55,
a thermal meter reads it nearly right.

References
----------
.. [1] VDI/VDE 3513-1, variable-area flowmeters: reading goes with the root of the density.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np

from daq.physics._ranges import Num, plain, within
from daq.physics.constants import GAS_CONSTANT, KELVIN, M_AIR, M_H2, M_H2O, M_MIXED_GAS, M_O2
from daq.physics.reference import ReferenceCondition

__all__ = [
    "SCALE_GASES",
    "VARIABLE_AREA_FACTOR_LIMIT",
    "flow_from_pulses_lpm",
    "gas_density_kg_m3",
    "moist_mixed_gas_density_kg_m3",
    "rescaled_flow",
    "variable_area_factor",
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


def rescaled_flow(flow: Num, stated_at: ReferenceCondition, wanted_at: ReferenceCondition) -> Num:
    """A flow stated at one reference condition, stated at another [unit of `flow`]; the same moles.

    Parameters
    ----------
    flow : float or array
        [any unit of volume by time]
    stated_at, wanted_at : ReferenceCondition
        The condition of `flow`, and that of the result.
    """
    return flow * (wanted_at.molar_volume_l / stated_at.molar_volume_l)


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
