"""What kind of flow meter and what scale it has: how much gas its reading stands for.

A meter may tell the volume that flows; or a float's height on a scale for another gas, which goes with the
root of the densities; or the heat that the gas carries off, in litres at a condition of its maker's.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from daq.bench import GasSpec
from daq.measure.columns import FloatArray
from daq.physics.constants import KELVIN, M_H2O, M_MIXED_GAS
from daq.physics.flow_meters import (
    SCALE_GASES,
    VARIABLE_AREA_FACTOR_LIMIT,
    gas_density_kg_m3,
    moist_mixed_gas_density_kg_m3,
    variable_area_factor,
    variable_area_factor_normal,
)
from daq.physics.reference import ReferenceCondition, reference_condition
from daq.physics.thermal_meters import (
    THERMAL_FACTOR,
    THERMAL_FACTOR_LIMIT,
    thermal_factor,
    thermal_factor_between,
    thermal_factor_moist,
)
from daq.quantity import Quantity

__all__ = ["PLAIN", "dry_per_reading", "meter_factor", "meter_words"]

PLAIN: Final = GasSpec()
"""A meter that tells the volume as it flows."""
_LIMITS: Final = {"variable_area": VARIABLE_AREA_FACTOR_LIMIT, "thermal": THERMAL_FACTOR_LIMIT}


def meter_factor(gas: GasSpec) -> Quantity:
    """True flow to what the scale says [1]: as the bench file states it, and where nobody compared the meter,
    as well as its maker vouches for another gas on its scale."""
    limit = 0.0 if gas.meter_factor_u else _LIMITS.get(gas.meter, 0.0)
    stated = Quantity(gas.meter_factor, gas.meter_factor_u, "", label="meter factor")
    return stated * Quantity(1.0, limit / math.sqrt(3.0), "", shape="rectangular", label="meter scale")


def meter_words(gas: GasSpec) -> str | None:
    """What is assumed of the meter; None where nothing is."""
    if gas.meter == "volume":
        return "meter gas factor assumed 1" if gas.meter_factor == 1.0 and not gas.meter_factor_u else None
    scale = SCALE_GASES[gas.scale_gas or "air"]
    litres = "" if gas.scale_reference is None else f" in litres at {_condition(gas).words}"
    if gas.meter == "thermal":
        usual = THERMAL_FACTOR / thermal_factor({gas.scale_gas or "N2": 1.0})
        words = f"thermal meter with a scale for {gas.scale_gas}{litres}: turned to moist 2:1 gas"
    else:
        usual = math.sqrt(scale / M_MIXED_GAS)
        words = (
            f"variable-area meter with a scale for {gas.scale_gas} at {gas.scale_temp_c:g} °C, "
            f"{gas.scale_pressure_kpa:g} kPa{litres}: turned by the root of the densities"
        )
    known = (
        "" if gas.meter_factor_u else f", good to {100.0 * _LIMITS[gas.meter]:g} %: a timed fill tells better"
    )
    return f"{words}, about × {usual:.3g}{known}"


def dry_per_reading(
    gas: GasSpec, reference: ReferenceCondition, t_c: FloatArray, p_kpa: FloatArray, vapour_kpa: FloatArray
) -> FloatArray:
    """Dry gas at the reference to the reading of a meter that is no plain volume meter [1].

    Parameters
    ----------
    gas : GasSpec
        `meter` "variable_area" or "thermal".
    reference : ReferenceCondition
    t_c, p_kpa, vapour_kpa : float64[m]
        Of the gas at the meter [degC, kPa absolute]: within what `dry_flow_at_reference` holds for, or NaN.
    """
    share = vapour_kpa / p_kpa
    if gas.meter == "thermal":
        factor = thermal_factor_between(
            thermal_factor_moist(share), thermal_factor({gas.scale_gas or "N2": 1.0})
        )
        return np.asarray(factor * (1.0 - share) * _moles(gas, reference))
    scale = SCALE_GASES[gas.scale_gas or "air"]
    if gas.scale_reference is not None:
        factor = variable_area_factor_normal(
            scale,
            (1.0 - share) * M_MIXED_GAS + share * M_H2O,
            scale_t_c=gas.scale_temp_c,
            scale_p_kpa=gas.scale_pressure_kpa,
            t_c=t_c,
            p_kpa=p_kpa,
        )
        return np.asarray(factor * (1.0 - share) * _moles(gas, reference))
    factor = variable_area_factor(
        gas_density_kg_m3(scale, gas.scale_temp_c, gas.scale_pressure_kpa),
        moist_mixed_gas_density_kg_m3(t_c, p_kpa, vapour_kpa),
    )
    reduced = (p_kpa - vapour_kpa) / reference.p_kpa * reference.t_k / (t_c + KELVIN)
    return np.asarray(factor * reduced)


def _condition(gas: GasSpec) -> ReferenceCondition:
    return reference_condition(gas.scale_reference or "")


def _moles(gas: GasSpec, reference: ReferenceCondition) -> float:
    """Litres at the reference for one of the scale's."""
    return reference.molar_volume_l / _condition(gas).molar_volume_l
