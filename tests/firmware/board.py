"""What the board's converter sees: from the component values of `board.h`, by formulas of their own.

The firmware goes the other way, from codes to units. Neither uses the other's formula; the thermistor's is
the product's, which `tests/published` holds to tables.
"""

from __future__ import annotations

import re
from typing import Final

from daq.physics.transducers import ntc_beta_ohm
from tests.firmware.built import FIRMWARE

__all__ = ["BOARD", "amps_mv", "flow_hz", "ntc_mv", "volts_mv"]

_DEFINED = re.compile(r"^#define (\w+) ([0-9.]+)[fuUL]*\s", re.MULTILINE)

BOARD: Final[dict[str, float]] = {
    name: float(number) for name, number in _DEFINED.findall((FIRMWARE / "board.h").read_text("utf-8"))
}
"""Numbers of `board.h` by name."""


def volts_mv(volts: float) -> float:
    """What the divider makes of the stack's volts [mV]."""
    top, bottom = BOARD["DIVIDER_TOP_OHM"], BOARD["DIVIDER_BOTTOM_OHM"]
    return 1000.0 * volts * bottom / (top + bottom)


def amps_mv(amps: float) -> float:
    """What shunt and amplifier make of the current [mV]."""
    return BOARD["AMPLIFIER_ZERO_MV"] + amps * BOARD["SHUNT_MILLIOHM"] * BOARD["AMPLIFIER_GAIN"]


def ntc_mv(celsius: float) -> float:
    """What a thermistor under its pull-up shows [mV]."""
    ohm = float(ntc_beta_ohm(celsius, BOARD["NTC_BETA_K"], BOARD["NTC_R25_OHM"]))
    return BOARD["AVCC_MV"] * ohm / (ohm + BOARD["NTC_PULLUP_OHM"])


def flow_hz(litres_per_minute: float) -> float:
    """Pulses a second of the flow meter."""
    return litres_per_minute / 60.0 * BOARD["FLOW_PULSES_PER_LITRE"]
