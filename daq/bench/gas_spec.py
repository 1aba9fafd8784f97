"""What a bench file says of the room and of the flow meter: ``[site]`` and ``[gas]``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from daq.bench._table import NotNegative, Positive, Table
from daq.bench.ranges import ranges_read
from daq.errors import LyewatchError
from daq.physics.flow_meters import SCALE_GASES
from daq.physics.reference import reference_condition

__all__ = ["GasSpec", "SiteSpec"]


def _condition(text: str) -> str:
    try:
        return reference_condition(text).name
    except LyewatchError as exc:
        raise ValueError(f"{exc.message}: {exc.remedy}") from None


class SiteSpec(Table):
    """``[site]``: where the bench stands."""

    altitude_m: Annotated[float, Field(ge=-500, le=9000, strict=True)] | None = None
    pressure_kpa: Annotated[float, Field(ge=30, le=120, strict=True)] | None = None
    room_temp_c: Annotated[float, Field(ge=-20, le=60, strict=True)] | None = None
    """Where no channel measures it [degC]: a number, a range as ``[15, 25]``, or nothing."""
    room_temp_c_u: Positive | None = None
    """Its standard uncertainty [K]."""
    reference: str = "0C_101.325kPa"
    """The condition to which dry gas is reduced; see the README for the names."""

    @model_validator(mode="before")
    @classmethod
    def _read_ranges(cls, table: Any) -> Any:
        return ranges_read(table, {"room_temp_c": "room_temp_c_u"}) if isinstance(table, Mapping) else table

    @field_validator("reference")
    @classmethod
    def _known_reference(cls, value: str) -> str:
        return _condition(value)

    @model_validator(mode="after")
    def _one_pressure(self) -> SiteSpec:
        if self.altitude_m is None and self.pressure_kpa is None:
            raise ValueError("neither altitude_m nor pressure_kpa is given: write altitude_m = 0 at the sea")
        return self


class GasSpec(Table):
    """``[gas]``: what stands between the stack and the flow meter's reading."""

    meter: Literal["volume", "variable_area", "thermal"] = "volume"
    """What the meter tells: volume as it flows (drum, pulses, a float meter scaled for this gas); a float's
    height on another gas's scale; or the heat that the gas carries off, in litres at `scale_reference`."""
    scale_gas: str | None = None
    """The gas that the scale was made for, where that is another: air, N2, O2, H2, Ar, CO2."""
    scale_temp_c: Annotated[float, Field(ge=-20, le=100, strict=True)] = 20.0
    """At what gas temperature the scale of a variable-area meter holds [degC]."""
    scale_pressure_kpa: Annotated[float, Field(ge=30, le=1000, strict=True)] = 101.325
    """At what absolute pressure it holds [kPa]."""
    scale_reference: str | None = None
    """The condition of the scale's litres where they are standard ones: always with a thermal meter."""
    meter_factor: Positive = 1.0
    """True flow to meter reading, on top of what `meter` and its scale tell; as a timed fill finds it."""
    meter_factor_u: NotNegative = 0.0
    """Standard uncertainty of `meter_factor` [1]; 0 where nobody compared the meter."""
    wet_over: Literal["water", "lye", "dry"] = "water"
    """The last liquid that the gas touched before the meter."""
    meter_temp_c: Annotated[float, Field(ge=-20, le=100, strict=True)] | None = None
    """Gas temperature at the meter where no channel `gas_temp` measures it [degC]."""
    meter_temp_u: NotNegative = 2.0
    """Standard uncertainty of `meter_temp_c` [K]."""

    @field_validator("scale_reference")
    @classmethod
    def _known_scale_reference(cls, value: str | None) -> str | None:
        return None if value is None else _condition(value)

    @model_validator(mode="after")
    def _scale_fits_the_meter(self) -> GasSpec:
        if self.meter == "volume":
            if self.scale_gas is not None or self.scale_reference is not None:
                raise ValueError(
                    'scale_gas and scale_reference go with another meter: write meter = "variable_area" or '
                    '"thermal", or leave them out'
                )
            return self
        if self.scale_gas not in SCALE_GASES:
            raise ValueError(
                f"scale_gas: the gas that the {self.meter} meter's scale was made for is "
                f"{'missing' if self.scale_gas is None else 'not known'}: use one of {', '.join(SCALE_GASES)}"
            )
        if self.meter == "thermal" and self.scale_reference is None:
            raise ValueError(
                "scale_reference: a thermal meter counts litres at a condition of its maker's (0 or 20 °C): "
                'write it as in scale_reference = "0C_101.325kPa"'
            )
        return self
