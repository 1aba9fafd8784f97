"""What a bench file says of a channel: ``[channels.NAME]``, from the device's number to the unit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
from pydantic import field_validator, model_validator

from daq.bench._table import FieldName, Finite, Name, NotNegative, Positive, Table
from daq.bench.accuracy import Accuracy, parse_accuracy
from daq.bench.sensors import AnySensor, LineSensor, Thermometer
from daq.bench.source_base import SourceSpec
from daq.physics import FloatArray, Num

__all__ = ["ChannelSpec", "check_cold_junctions"]


STALE_INTERVALS = 3.0
"""A value is stale when so many of its own intervals have passed: two readings may be lost (judgement)."""

LONGEST_BLIND_S = 10.5
"""For longer than this no default leaves a trip without a value [s] (judgement)."""


class ChannelSpec(Table):
    """``[channels.NAME]``: a quantity, where it comes from and how well it is known."""

    source: Name
    field: FieldName
    unit: str
    """The unit of `raw * scale + offset`; known channels are converted to lyewatch's own."""
    scale: Finite = 1.0
    offset: Finite = 0.0
    sensor: AnySensor | None = None
    """What makes the unit of the electrical number `raw * scale + offset`; a straight line is folded into
    these two when the file is read."""
    accuracy: Accuracy = Accuracy()
    resolution: NotNegative = 0.0
    valid: tuple[Finite, Finite] | None = None
    """A value outside is bad, as of a broken sensor [unit]."""
    stale_after_s: Positive = 2.0
    """A value older than this is not used any more, and values further apart have a gap between them [s].

    Where it is not given: what the source says, else three intervals of the field and at least 2 s.
    """
    align: Literal["interpolate", "last"] = "last"
    """As the source's, where it is not given."""

    def timed(self, source: SourceSpec) -> ChannelSpec:
        """This channel with its staleness and alignment by its source, where it says nothing itself."""
        update: dict[str, Any] = {}
        if "stale_after_s" not in self.model_fields_set:
            by_rate = max(2.0, STALE_INTERVALS * source.interval_s(self.field))
            update["stale_after_s"] = source.stale_after_s or by_rate
        if "align" not in self.model_fields_set:
            update["align"] = source.align
        return self.model_copy(update=update)

    def check_guards(self, name: str, source: SourceSpec) -> None:
        """Whether it is read often enough for a trip, unless somebody has said what is enough; ValueError.

        The guard cuts the supply when the value is stale: by a slow sensor's own rate that may be minutes.
        """
        stated = "stale_after_s" in self.model_fields_set or source.stale_after_s is not None
        by_rate = STALE_INTERVALS * source.interval_s(self.field)
        if by_rate > LONGEST_BLIND_S and not stated:
            raise ValueError(
                f"channels.{name}.stale_after_s: a trip hangs on it and it comes only every "
                f"{source.interval_s(self.field):.3g} s: read it more often, or write after how long the "
                "supply is to be cut where no value comes"
            )

    @model_validator(mode="before")
    @classmethod
    def _read_accuracy(cls, data: Any) -> Any:
        if isinstance(data, dict) and isinstance(data.get("accuracy"), str):
            try:
                read = parse_accuracy(data["accuracy"], str(data.get("unit", "")))
            except ValueError as exc:
                raise ValueError(f"accuracy: {exc}") from None
            data = {**data, "accuracy": read}
        return data

    @field_validator("scale")
    @classmethod
    def _scale_not_zero(cls, value: float) -> float:
        if value == 0:
            raise ValueError("a scale of 0 makes every value the same: give the factor from raw to unit")
        return value

    @field_validator("valid")
    @classmethod
    def _ordered(cls, value: tuple[float, float] | None) -> tuple[float, float] | None:
        if value is not None and value[0] >= value[1]:
            raise ValueError("the lower end is not below the upper one: write [low, high]")
        return value

    @model_validator(mode="after")
    def _terms_have_their_base(self) -> ChannelSpec:
        if self.accuracy.counts and not self.resolution:
            raise ValueError("accuracy is in counts, but no resolution says what a count is: add resolution")
        if self.accuracy.percent_of_range and self.valid is None:
            raise ValueError("accuracy is in % of range, but no range is given: add valid = [low, high]")
        return self

    @model_validator(mode="after")
    def _share_of_a_temperature(self) -> ChannelSpec:
        """A share of a reading in kelvin or degF would become one of degC: see `parse_accuracy`."""
        if self.accuracy.percent_of_reading and self.unit in ("K", "degF"):
            raise ValueError(
                f"accuracy: percent_of_reading of a temperature in {self.unit} is not what it is in degC: "
                "write the limit itself, as absolute"
            )
        return self

    @model_validator(mode="after")
    def _fold_sensor(self) -> ChannelSpec:
        sensor = self.sensor
        if isinstance(sensor, Thermometer) and self.unit != "degC":
            raise ValueError(f'sensor: a {sensor.kind} tells degC and the unit is not: write unit = "degC"')
        if not isinstance(sensor, LineSensor):
            return self
        factor, offset = sensor.line()
        valid, span = self.valid, sensor.span()
        if span is not None:
            valid = span if valid is None else (max(valid[0], span[0]), min(valid[1], span[1]))
        return self.model_copy(
            update={
                "sensor": None,
                "scale": self.scale * factor,
                "offset": self.offset * factor + offset,
                "valid": valid,
            }
        )

    @property
    def takes_raw_as_it_is(self) -> bool:
        """Whether the device's number is in the channel's unit, with nothing to turn it into that."""
        return self.scale == 1.0 and self.offset == 0.0 and self.sensor is None

    @property
    def thermometer(self) -> Thermometer | None:
        """The sensor whose curve stands behind scale and offset; None where they make the unit themselves."""
        return self.sensor if isinstance(self.sensor, Thermometer) else None

    def before_calibration(self, raw: FloatArray, cold_c: Num = math.nan) -> FloatArray:
        """What a calibration's curve starts from: the raw number, or a thermometer's own temperature.

        Parameters
        ----------
        raw : float64[n]
            As the device sends it.
        cold_c : float or float64[n]
            Of the thermometer's cold junction, where it has one [degC].
        """
        if self.thermometer is None:
            return raw
        return np.asarray(self.thermometer.temperature_c(raw * self.scale + self.offset, cold_c))

    def uncalibrated(self, start: FloatArray) -> FloatArray:
        """What is shown without a calibration, of what `before_calibration` gives [unit]."""
        return start if self.thermometer is not None else start * self.scale + self.offset

    def start_of(self, shown: FloatArray | float) -> FloatArray:
        """What `before_calibration` gave where this is shown without a calibration; inverse of
        `uncalibrated`."""
        at = np.asarray(shown, dtype=np.float64)
        return at if self.thermometer is not None else (at - self.offset) / self.scale

    def kept_as(self, factor: float, offset: float, unit: str) -> ChannelSpec:
        """This channel with its numbers turned into `unit`: ``kept = written * factor + offset``.

        Parameters
        ----------
        factor, offset : float
            Scale [unit per unit written], not 0, and zero point [unit].
        unit : str
            The new unit.
        """
        valid = (
            None if self.valid is None else (self.valid[0] * factor + offset, self.valid[1] * factor + offset)
        )
        accuracy = Accuracy(
            percent_of_reading=self.accuracy.percent_of_reading,
            absolute=self.accuracy.absolute * abs(factor),
            percent_of_range=self.accuracy.percent_of_range,
            counts=self.accuracy.counts,
        )
        return self.model_copy(
            update={
                "unit": unit,
                "scale": self.scale * factor,
                "offset": self.offset * factor + offset,
                "resolution": self.resolution * abs(factor),
                "accuracy": accuracy,
                "valid": valid,
            }
        )


def check_cold_junctions(channels: Mapping[str, ChannelSpec]) -> None:
    """See that each thermocouple's cold junction is measured by its own source.

    Raises
    ------
    ValueError
        Naming the key, what is wrong, and what would be right.
    """
    for name, channel in channels.items():
        cold = None if channel.thermometer is None else channel.thermometer.cold_channel
        if cold is None:
            continue
        by = channels.get(cold)
        if by is None or by.source != channel.source or by.unit != "degC":
            raise ValueError(
                f"channels.{name}.sensor.cold_junction: {cold!r} is no temperature of the same source: "
                'name a channel of it whose unit is "degC", or write a number'
            )
        if by.thermometer is not None and by.thermometer.cold_channel is not None:
            raise ValueError(
                f"channels.{name}.sensor.cold_junction: {cold!r} is a thermocouple itself: name another kind "
                "of thermometer"
            )
