"""``[channels.NAME.sensor]``: what turns volts, ohms, milliamps or pulses into the channel's unit.

The channel's `scale` and `offset` make the electrical number of what the device sends, in the unit that each
kind names; the sensor does the rest, by the equations of `daq.physics.transducers`. Straight lines are folded
into the channel's scale and offset; thermometers keep their curves. Beyond its range a sensor has no value.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable
from functools import cached_property
from typing import Annotated, Literal, Self, TypeAlias

import numpy as np
from pydantic import Field, model_validator

from daq.bench._table import Finite, Name, NotNegative, Positive, Table
from daq.errors import PhysicsRangeError
from daq.physics import Num
from daq.physics.flow_meters import flow_from_pulses_lpm
from daq.physics.transducers import (
    LOOP_HIGH_MA,
    LOOP_LOW_MA,
    SteinhartHart,
    divider_input_v,
    divider_resistance_ohm,
    hall_current_a,
    loop_value,
    ntc_beta_temperature_c,
    pt_temperature_c,
    shunt_current_a,
    shunt_resistance_ohm,
    thermocouple_temperature_c,
)

__all__ = ["SENSOR_KINDS", "AnySensor", "LineSensor", "Thermometer"]

_END = 1e-6
"""A divider's tap this near to either end of its supply has a shorted or an open sensor [1]."""


def _line(law: Callable[[float], Num], low: float = 0.0, high: float = 1.0) -> tuple[float, float]:
    """Factor and offset of a law that is a straight line, by two numbers that it takes."""
    start = float(law(low))
    factor = (float(law(high)) - start) / (high - low)
    return factor, start - low * factor


class LineSensor(Table):
    """A sensor whose value is a straight line of its electrical number."""

    kind: str

    @abstractmethod
    def line(self) -> tuple[float, float]:
        """Factor and offset from the electrical number to the value."""

    def span(self) -> tuple[float, float] | None:
        """Between which values it can be; None where the line has no ends."""
        return None


class Shunt(LineSensor):
    """A shunt by its rating, of the volts across it [V]."""

    kind: Literal["shunt"]
    rating_mv: Positive
    rating_a: Positive

    def line(self) -> tuple[float, float]:
        """Ohm's law."""
        ohm = shunt_resistance_ohm(self.rating_mv, self.rating_a)
        return _line(lambda volts: shunt_current_a(volts, ohm))


class Divider(LineSensor):
    """A voltage divider, of the volts at its tap [V]."""

    kind: Literal["divider"]
    top_ohm: Positive
    bottom_ohm: Positive

    def line(self) -> tuple[float, float]:
        """The input's volts."""
        return _line(lambda volts: divider_input_v(volts, self.top_ohm, self.bottom_ohm))


class Hall(LineSensor):
    """A Hall current sensor with its zero at half its supply, of its output [V]."""

    kind: Literal["hall"]
    volts_per_amp: Positive
    supply_volts: Positive = 5.0

    def line(self) -> tuple[float, float]:
        """Volts from the middle over volts for an ampere."""
        rated = self.supply_volts
        return _line(lambda volts: hall_current_a(volts, self.volts_per_amp, rated, rated))


class Loop(LineSensor):
    """A 4 to 20 mA loop, of its current [mA]; below 3.6 and above 21 mA it is broken (NAMUR NE 43)."""

    kind: Literal["loop"]
    at_4_ma: Finite
    at_20_ma: Finite

    def line(self) -> tuple[float, float]:
        """From 4 to 20 mA."""
        return _line(self._value, 4.0, 20.0)

    def span(self) -> tuple[float, float] | None:
        """What 3.6 and 21 mA stand for."""
        ends = self._value(LOOP_LOW_MA), self._value(LOOP_HIGH_MA)
        return min(ends), max(ends)

    def _value(self, milliamps: float) -> float:
        return float(loop_value(milliamps, self.at_4_ma, self.at_20_ma))

    @model_validator(mode="after")
    def _has_a_span(self) -> Self:
        if self.at_4_ma == self.at_20_ma:
            raise ValueError("at_4_ma and at_20_ma are the same: write what the two ends stand for")
        return self


class Pulses(LineSensor):
    """A meter that gives pulses, of their rate [1/s]: flow in litres a minute by its K-factor."""

    kind: Literal["pulses"]
    per_litre: Positive

    def line(self) -> tuple[float, float]:
        """``60 f / K``."""
        return _line(lambda rate: flow_from_pulses_lpm(rate, self.per_litre))


class Thermometer(Table):
    """A sensor whose value is a temperature by a curve of its own [degC]."""

    kind: str

    @property
    def cold_channel(self) -> str | None:
        """The channel that its value needs besides; None where none."""
        return None

    @abstractmethod
    def temperature_c(self, number: Num, cold_c: Num = np.nan) -> Num:
        """Temperature of an electrical number [degC]; NaN beyond the curve's range."""


class _Resistance(Thermometer):
    """What platinum and thermistors share: a resistance, or a divider with a known resistor.

    With `series_ohm` the electrical number is the share of the divider's supply at its tap, 0 to 1, as a
    converter that is fed by that same supply tells it.
    """

    series_ohm: Positive | None = None
    sensor_at: Literal["bottom", "top"] = "bottom"
    leads_ohm: NotNegative = 0.0

    def temperature_c(self, number: Num, cold_c: Num = np.nan) -> Num:
        """See `Thermometer`."""
        ohm = number
        if self.series_ohm is not None:
            at = np.asarray(number, dtype=np.float64)
            inside = np.where((at > _END) & (at < 1.0 - _END), at, np.nan)
            share: Num = float(inside) if inside.ndim == 0 else inside
            ohm = divider_resistance_ohm(share, self.series_ohm, sensor_at_top=self.sensor_at == "top")
        return self._at(ohm - self.leads_ohm)

    @abstractmethod
    def _at(self, ohm: Num) -> Num:
        """Temperature of a resistance [degC]."""


class Platinum(_Resistance):
    """A platinum thermometer (IEC 60751), of its resistance [ohm]: 100 for Pt100, 1000 for Pt1000."""

    kind: Literal["platinum"]
    r0_ohm: Annotated[float, Field(ge=1, le=10_000, strict=True)] = 100.0

    def _at(self, ohm: Num) -> Num:
        return pt_temperature_c(ohm, self.r0_ohm, outside="nan")


class Thermistor(_Resistance):
    """A thermistor, of its resistance [ohm]: by beta, or by three points of resistance and temperature."""

    kind: Literal["ntc"]
    r25_ohm: Positive | None = None
    beta_k: Annotated[float, Field(ge=500, le=10_000, strict=True)] | None = None
    points: tuple[tuple[Positive, Finite], ...] = ()

    @model_validator(mode="after")
    def _one_curve(self) -> Self:
        by_beta = self.beta_k is not None and self.r25_ohm is not None
        if bool(self.points) == by_beta or (self.beta_k is None) != (self.r25_ohm is None):
            raise ValueError("give either beta_k and r25_ohm, or three points = [[ohm, degC], ...]")
        if self.points:
            try:
                _ = self._curve
            except PhysicsRangeError as exc:
                raise ValueError(f"points: {exc.message}: {exc.remedy}") from None
        return self

    @cached_property
    def _curve(self) -> SteinhartHart:
        return SteinhartHart.from_points(self.points)

    def _at(self, ohm: Num) -> Num:
        if self.points:
            return self._curve.temperature_c(ohm, outside="nan")
        assert self.beta_k is not None
        assert self.r25_ohm is not None
        return ntc_beta_temperature_c(ohm, self.beta_k, self.r25_ohm, outside="nan")


class Thermocouple(Thermometer):
    """A thermocouple (ITS-90), of its voltage [mV], with its cold junction's share added."""

    kind: Literal["thermocouple"]
    type: Literal["K", "T"]
    cold_junction: Name | float
    """A channel of the same source in degC, or a temperature that stands [degC]."""

    @property
    def cold_channel(self) -> str | None:
        """See `Thermometer`."""
        return self.cold_junction if isinstance(self.cold_junction, str) else None

    def temperature_c(self, number: Num, cold_c: Num = np.nan) -> Num:
        """See `Thermometer`."""
        cold = cold_c if isinstance(self.cold_junction, str) else self.cold_junction
        return thermocouple_temperature_c(number, cold, self.type, outside="nan")


SENSOR_KINDS: dict[str, type[LineSensor | Thermometer]] = {
    "shunt": Shunt,
    "divider": Divider,
    "hall": Hall,
    "loop": Loop,
    "pulses": Pulses,
    "platinum": Platinum,
    "ntc": Thermistor,
    "thermocouple": Thermocouple,
}
AnySensor: TypeAlias = Annotated[
    Shunt | Divider | Hall | Loop | Pulses | Platinum | Thermistor | Thermocouple, Field(discriminator="kind")
]
