"""The units a channel may be written in, and how each becomes the unit that lyewatch keeps.

Factors are exact by definition: the litre, the degree Fahrenheit and the bar from the SI Brochure (9th
edition, 2019, tables 7 and 8) and NIST SP 811 appendix B; the normal-volume units (Nm3, sL) are refused,
because they name no reference condition."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "KNOWN_CHANNELS",
    "KnownChannel",
    "convert",
    "factor_between",
    "turned_into",
    "unit_named",
    "units_like",
]


@dataclass(frozen=True, slots=True)
class KnownChannel:
    """A channel whose meaning the watch knows: its unit, and what it is in words."""

    unit: str
    words: str


KNOWN_CHANNELS: dict[str, KnownChannel] = {
    "volts": KnownChannel("V", "voltage across the stack"),
    "amps": KnownChannel("A", "current through the stack"),
    "watts": KnownChannel("W", "true mean power, mean(v*i), as the device measured it"),
    "lye_temp": KnownChannel("degC", "temperature of the lye"),
    "room_temp": KnownChannel("degC", "temperature of the room"),
    "gas_temp": KnownChannel("degC", "temperature of the gas at the flow meter"),
    "gas_flow": KnownChannel("L/min", "gas flow as the meter reads it"),
    "room_pressure": KnownChannel("kPa", "pressure of the room's air"),
    "gas_pressure": KnownChannel("kPa", "absolute pressure of the gas at the flow meter"),
    "gas_humidity": KnownChannel("%", "relative humidity of the gas at the flow meter"),
    "relay": KnownChannel("1", "supply contactor, 1 closed, 0 open"),
    "duty": KnownChannel("1", "duty of a chopped supply, 0 to 1"),
    "volts_rms": KnownChannel("V", "true RMS of the voltage across the stack, the mean included (AC+DC)"),
    "mass": KnownChannel("g", "mass of the reservoir on a balance, as it reads steady"),
    "mass_moving": KnownChannel("g", "the same where the balance calls its reading moving"),
    "lye_level": KnownChannel("L", "lye in stack, hoses and reservoir together, as a level meter tells it"),
    "lye_conductivity": KnownChannel("S/cm", "conductivity of the lye at its own temperature"),
    "fill_level": KnownChannel("1", "level switch of the fill vessel, 1 while it fills between its marks"),
    "amps_rms": KnownChannel("A", "true RMS of the current through the stack, the mean included (AC+DC)"),
}

# unit -> (dimension, factor, offset): kept = written * factor + offset
_UNITS: dict[str, tuple[str, float, float]] = {
    "V": ("V", 1.0, 0.0),
    "mV": ("V", 1e-3, 0.0),
    "A": ("A", 1.0, 0.0),
    "mA": ("A", 1e-3, 0.0),
    "W": ("W", 1.0, 0.0),
    "kW": ("W", 1e3, 0.0),
    "degC": ("degC", 1.0, 0.0),
    "degF": ("degC", 5.0 / 9.0, -160.0 / 9.0),
    "K": ("degC", 1.0, -273.15),
    "L/min": ("L/min", 1.0, 0.0),
    "mL/min": ("L/min", 1e-3, 0.0),
    "L/h": ("L/min", 1.0 / 60.0, 0.0),
    "mL/s": ("L/min", 0.06, 0.0),
    "kPa": ("kPa", 1.0, 0.0),
    "hPa": ("kPa", 0.1, 0.0),
    "mbar": ("kPa", 0.1, 0.0),
    "Pa": ("kPa", 1e-3, 0.0),
    "bar": ("kPa", 100.0, 0.0),
    "g": ("g", 1.0, 0.0),
    "kg": ("g", 1e3, 0.0),
    "mg": ("g", 1e-3, 0.0),
    "L": ("L", 1.0, 0.0),
    "mL": ("L", 1e-3, 0.0),
    "S/cm": ("S/cm", 1.0, 0.0),
    "mS/cm": ("S/cm", 1e-3, 0.0),
    "S/m": ("S/cm", 1e-2, 0.0),
    "%": ("%", 1.0, 0.0),
    "1": ("1", 1.0, 0.0),
}


_SPELLINGS = {
    "°C": "degC", "℃": "degC", "C": "degC", "deg C": "degC", "°F": "degF", "℉": "degF", "F": "degF",
    "deg F": "degF", "kelvin": "K", "l/min": "L/min", "lpm": "L/min", "LPM": "L/min", "l/h": "L/h",
    "ml/min": "mL/min", "ml/s": "mL/s", "volt": "V", "volts": "V", "amp": "A", "amps": "A", "watt": "W",
    "watts": "W", "%RH": "%", "% RH": "%",
}  # fmt: skip


def unit_named(written: str) -> str:
    """A unit's own name for one of its spellings: ``degC`` for ``°C``; what is not known stays as it is."""
    return _SPELLINGS.get(written, written)


def factor_between(unit: str, to: str) -> float | None:
    """What a *difference* in one unit is to be multiplied by in another: 1 for K in degC, 5/9 for degF in K.

    None where the two do not measure the same.
    """
    a, b = _UNITS.get(unit), _UNITS.get(to)
    if a is None or b is None or a[0] != b[0]:
        return None
    return a[1] / b[1]


def turned_into(unit: str, to: str) -> tuple[float, float] | None:
    """Factor and offset with ``number in to = number in unit * factor + offset``; None where they do not fit.

    Raises
    ------
    KeyError
        For a unit that is not known.
    """
    (kind, factor, offset), (wanted, by, less) = _UNITS[unit], _UNITS[to]
    return (factor / by, (offset - less) / by) if kind == wanted else None


def units_like(unit: str) -> list[str]:
    """The units that can be converted to `unit`."""
    return [name for name, (dimension, _, _) in _UNITS.items() if dimension == unit]


def convert(unit: str, to: str) -> tuple[float, float] | None:
    """Factor and offset with ``kept = written * factor + offset``; None where the two do not fit.

    Parameters
    ----------
    unit : str
        The unit in which numbers are written, such as ``"degF"``.
    to : str
        The unit that is kept, such as ``"degC"``.
    """
    if unit == to:
        return 1.0, 0.0
    found = _UNITS.get(unit)
    if found is None or found[0] != to:
        return None
    return found[1], found[2]
