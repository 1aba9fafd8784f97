"""From what a converter reads to volts, amperes, ohms and loop values.

References
----------
.. [1] NAMUR NE 43: signal levels for failure information, 3.6 and 21 mA (from memory).
"""

from __future__ import annotations

from typing import Final

from daq.physics._ranges import Num, Outside, plain, within

__all__ = [
    "LOOP_HIGH_MA",
    "LOOP_LOW_MA",
    "divider_input_v",
    "divider_resistance_ohm",
    "hall_current_a",
    "loop_value",
    "shunt_current_a",
    "shunt_resistance_ohm",
]

LOOP_LOW_MA: Final = 3.6
"""Below this a 4-20 mA loop reports a fault [mA], [1]."""
LOOP_HIGH_MA: Final = 21.0
"""Above this a 4-20 mA loop reports a fault [mA], [1]."""

_INF = float("inf")


def _ohm(place: str, name: str, value: Num) -> Num:
    return within(value, 1e-6, 1e12, place=place, name=name, unit="ohm")


@plain
def divider_input_v(output_v: Num, top_ohm: Num, bottom_ohm: Num) -> Num:
    """Voltage at the top of a divider from that at its tap [V]: ``V (top + bottom) / bottom``.

    What the converter draws counts: give `bottom_ohm` with its input resistance in parallel.

    Parameters
    ----------
    output_v : float or array
        At the tap [V].
    top_ohm, bottom_ohm : float or array
        [ohm], above 0.

    Raises
    ------
    PhysicsRangeError
        For a resistance out of range.
    """
    bottom = _ohm("divider_input_v", "bottom_ohm", bottom_ohm)
    return output_v * (_ohm("divider_input_v", "top_ohm", top_ohm) + bottom) / bottom


@plain
def divider_resistance_ohm(share: Num, fixed_ohm: Num, *, sensor_at_top: bool = False) -> Num:
    """Resistance of a sensor in a divider fed from the converter's own reference [ohm].

    Parameters
    ----------
    share : float or array
        Tap voltage over supply voltage [1]: code over full scale. Above 0 and below 1; at either end the
        sensor is shorted or open, and that is an error.
    fixed_ohm : float or array
        The other resistor [ohm], above 0.
    sensor_at_top : bool
        Whether the sensor stands between supply and tap.
    """
    place = "divider_resistance_ohm"
    x = within(share, 1e-9, 1.0 - 1e-9, place=place, name="share", unit="")
    fixed = _ohm(place, "fixed_ohm", fixed_ohm)
    return fixed * (1.0 - x) / x if sensor_at_top else fixed * x / (1.0 - x)


@plain
def shunt_resistance_ohm(rated_mv: Num, rated_a: Num) -> Num:
    """Resistance of a shunt from its rating [ohm]: a 75 mV, 50 A shunt has 1.5 mohm."""
    mv = within(rated_mv, 1e-3, 1e4, place="shunt_resistance_ohm", name="rated_mv", unit="mV")
    return 1e-3 * mv / within(rated_a, 1e-3, 1e5, place="shunt_resistance_ohm", name="rated_a", unit="A")


@plain
def shunt_current_a(volts: Num, resistance_ohm: Num) -> Num:
    """Current through a shunt [A] from the volts across its sense taps and its resistance [ohm], above 0."""
    return volts / within(
        resistance_ohm, 1e-9, 1e6, place="shunt_current_a", name="resistance_ohm", unit="ohm"
    )


def _hall(place: str, sensitivity_v_a: Num, supply_v: Num, rated_supply_v: Num) -> tuple[Num, Num]:
    """Zero [V] and sensitivity [V/A] of a ratiometric sensor at its actual supply."""
    sensitivity = within(sensitivity_v_a, 1e-6, 10.0, place=place, name="sensitivity_v_a", unit="V/A")
    supply = within(supply_v, 1.0, 30.0, place=place, name="supply_v", unit="V")
    rated = within(rated_supply_v, 1.0, 30.0, place=place, name="rated_supply_v", unit="V")
    return 0.5 * supply, sensitivity * supply / rated


@plain
def hall_current_a(
    output_v: Num, sensitivity_v_a: Num, supply_v: Num = 5.0, rated_supply_v: Num = 5.0
) -> Num:
    """Current through a ratiometric bidirectional Hall sensor [A].

    Zero stands at half the supply, and both zero and sensitivity follow the supply: at 4.90 V instead of
    5.00 V the same output means a tenth more current, so measure the supply or use it as the reference.

    Parameters
    ----------
    output_v : float or array
        [V].
    sensitivity_v_a : float or array
        At the rated supply [V/A], above 0.
    supply_v, rated_supply_v : float or array
        [V], 1 to 30.
    """
    zero, sensitivity = _hall("hall_current_a", sensitivity_v_a, supply_v, rated_supply_v)
    return (output_v - zero) / sensitivity


@plain
def loop_value(current_ma: Num, low: float, high: float, *, outside: Outside = "raise") -> Num:
    """Value that a 4-20 mA loop carries [unit of `low` and `high`], a little beyond where it over-ranges.

    Parameters
    ----------
    current_ma : float or array
        [mA], 3.6 to 21: outside, the transmitter reports a fault or the loop is broken.
    low, high : float
        Values at 4 and 20 mA, `low` below or above `high` but not equal.
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For a fault current unless `outside` is "nan".
    """
    ma = within(
        current_ma,
        LOOP_LOW_MA,
        LOOP_HIGH_MA,
        place="loop_value",
        name="current_ma",
        unit="mA",
        outside=outside,
    )
    return low + (ma - 4.0) / 16.0 * (high - low)
