"""``[sources.NAME]``: what is on the bench, and how each of it speaks. One class for each `kind`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Tag

from daq.bench.broker_spec import MqttSpec
from daq.bench.modbus_spec import ModbusSpec
from daq.bench.scpi_spec import ScpiSpec
from daq.bench.source_base import Baud, Clock, PortedSpec, SourceSpec
from daq.bench.text_spec import TextSpec

__all__ = ["SOURCE_KINDS", "AnySource", "LineSpec", "RecordedSpec", "check_cutters"]


class LineSpec(PortedSpec):
    """A device that speaks lyewatch's own line format."""

    kind: Literal["line"] = "line"
    baud: Baud = 115200
    crc: Literal["required", "optional"] = "required"
    clock: Clock = "fitted"
    heartbeat: bool = True
    """Whether the device is fed `do=beat`; only the trip source is."""


class RecordedSpec(PortedSpec):
    """A recording that is played; `port` is its file."""

    kind: Literal["recording"] = "recording"
    baud: Baud = 115200
    crc: Literal["required", "optional"] = "required"
    clock: Clock = "fitted"
    heartbeat: bool = True


def check_cutters(trip_source: str, second_cut: str | None, sources: Mapping[str, SourceSpec]) -> None:
    """Whether those who are to cut the supply can.

    Parameters
    ----------
    trip_source, second_cut : str
        Names of sources, as under ``[supply]``; None for no second cut.
    sources : mapping of str to SourceSpec
        All sources of the bench.

    Raises
    ------
    ValueError
        Naming the key that is wrong.
    """
    for key, name in (("trip_source", trip_source), ("second_cut", second_cut)):
        if name is None:
            continue
        spec = sources.get(name)
        if spec is None:
            raise ValueError(f"supply.{key}: no source is named {name!r}: use one of {', '.join(sources)}")
        if isinstance(spec, ScpiSpec | ModbusSpec):
            if spec.supply is None:
                raise ValueError(
                    f"supply.{key}: {name!r} does not say how its output is cut: add [sources.{name}.supply]"
                )
        elif key == "second_cut" or not isinstance(spec, LineSpec | RecordedSpec):
            kinds = "scpi or modbus with a supply"
            kinds = kinds if key == "second_cut" else f"line, or {kinds}"
            raise ValueError(
                f"supply.{key}: a source of kind {spec.kind!r} can not cut a supply: name one of kind {kinds}"
            )
    if second_cut is not None and second_cut == trip_source:
        raise ValueError("supply.second_cut: is the trip source itself: name another source, or leave it out")


def _kind_of(value: Any) -> str:
    kind = value.get("kind", "line") if isinstance(value, dict) else getattr(value, "kind", "line")
    return kind if isinstance(kind, str) else repr(kind)


AnySource = Annotated[
    Annotated[LineSpec, Tag("line")]
    | Annotated[RecordedSpec, Tag("recording")]
    | Annotated[TextSpec, Tag("text")]
    | Annotated[ScpiSpec, Tag("scpi")]
    | Annotated[ModbusSpec, Tag("modbus")]
    | Annotated[MqttSpec, Tag("mqtt")],
    Discriminator(_kind_of),
]
"""A source of any kind; without `kind` it speaks the line format."""

SOURCE_KINDS: dict[str, type[SourceSpec]] = {
    "line": LineSpec,
    "recording": RecordedSpec,
    "text": TextSpec,
    "scpi": ScpiSpec,
    "modbus": ModbusSpec,
    "mqtt": MqttSpec,
}
"""The class of each kind."""
