"""Transducers: from resistance, millivolts and milliamperes to temperature, volts and amperes."""

from daq.physics.transducers.electrical import (
    LOOP_HIGH_MA,
    LOOP_LOW_MA,
    divider_input_v,
    divider_resistance_ohm,
    hall_current_a,
    loop_value,
    shunt_current_a,
    shunt_resistance_ohm,
)
from daq.physics.transducers.resistance import (
    SteinhartHart,
    ntc_beta_ohm,
    ntc_beta_temperature_c,
    pt_resistance_ohm,
    pt_temperature_c,
)
from daq.physics.transducers.thermocouple import (
    ThermocoupleType,
    thermocouple_emf_mv,
    thermocouple_temperature_c,
)

__all__ = [
    "LOOP_HIGH_MA",
    "LOOP_LOW_MA",
    "SteinhartHart",
    "ThermocoupleType",
    "divider_input_v",
    "divider_resistance_ohm",
    "hall_current_a",
    "loop_value",
    "ntc_beta_ohm",
    "ntc_beta_temperature_c",
    "pt_resistance_ohm",
    "pt_temperature_c",
    "shunt_current_a",
    "shunt_resistance_ohm",
    "thermocouple_emf_mv",
    "thermocouple_temperature_c",
]
