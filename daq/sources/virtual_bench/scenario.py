"""Scenarios: a bench, what happens to it, and a name. Two ship; others are read from TOML files."""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from daq.errors import UsageError
from daq.sources.virtual_bench.events import Event
from daq.sources.virtual_bench.parameters import (
    BenchParameters,
    SensorParameters,
    SiteParameters,
    StackParameters,
    SupplyParameters,
    ThermalParameters,
)

__all__ = ["SCENARIOS", "Scenario", "load_scenario"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A bench and its story.

    Attributes
    ----------
    name, words : str
        What it is called, and what happens, in a sentence.
    stack, supply, thermal, site, sensors
        The bench; see `parameters`.
    events : tuple of Event
    device_limit_c : float
        The head's own temperature limit [degC].
    closed_at_start : bool
        Whether the head closes its relay at power-up.
    """

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")
    name: str = "bench"
    words: str = ""
    stack: StackParameters = field(default_factory=StackParameters)
    supply: SupplyParameters = field(default_factory=SupplyParameters)
    thermal: ThermalParameters = field(default_factory=ThermalParameters)
    site: SiteParameters = field(default_factory=SiteParameters)
    sensors: SensorParameters = field(default_factory=SensorParameters)
    events: tuple[Event, ...] = ()
    device_limit_c: Annotated[float, Field(ge=20, le=95)] = 75.0
    closed_at_start: bool = True

    @property
    def parameters(self) -> BenchParameters:
        """The bench's tables together."""
        return BenchParameters(self.stack, self.supply, self.thermal, self.site, self.sensors)

    def with_events(self, *events: Event) -> Scenario:
        """The same scenario with more events."""
        return replace(self, events=(*self.events, *events))

    def as_dict(self) -> dict[str, Any]:
        """Tables as a scenario file holds them; `from_dict` reads them back."""
        tables: dict[str, Any] = _without_none(asdict(self))
        return tables

    @classmethod
    def from_dict(cls, data: dict[str, Any], *, place: str = "scenario") -> Scenario:
        """A scenario from tables.

        Raises
        ------
        UsageError
            Naming the key, the value and what would be right.
        """
        try:
            return _ADAPTER.validate_python(data)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            key = ".".join(str(part) for part in first["loc"])
            raise UsageError(
                f"{key}: {first['msg']}",
                place=place,
                value=first["input"],
                remedy="see daq/sources/virtual_bench/parameters.py for the keys and their units",
            ) from None


_ADAPTER = TypeAdapter(Scenario)


def _without_none(value: Any) -> Any:
    """TOML has no null: a key that is not given says the same."""
    if isinstance(value, dict):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, (list, tuple)):
        return [_without_none(v) for v in value]
    return value


SCENARIOS: dict[str, Scenario] = {
    s.name: s
    for s in (
        Scenario(
            name="runaway",
            words="A water torch's dry cell at a held 13.5 V on a strong supply, with a small reservoir, "
            "whose fan stops after 90 s: it never settles, and passes 65 degC in the ninth minute.",
            stack=StackParameters(litres=0.32, litres_min=0.22, steel_kg=0.6),
            supply=SupplyParameters(volts=13.5, amps=60.0),
            thermal=ThermalParameters(loss_w_per_k=2.0, loss_no_fan_w_per_k=0.9),
            events=(Event("fan", 90.0, 0.0),),
        ),
        Scenario(
            name="settles",
            words="The same torch at a held 13.2 V with a larger reservoir and its fan running: within an "
            "hour and a half it settles, at about 52 degC.",
            stack=StackParameters(litres=0.8, litres_min=0.5, steel_kg=1.2, contact_mohm=8.0),
            supply=SupplyParameters(volts=13.2, amps=30.0),
            thermal=ThermalParameters(loss_w_per_k=3.1, loss_no_fan_w_per_k=1.2),
        ),
    )
}
"""The scenarios that ship, by name."""


def load_scenario(name_or_file: str | Path) -> Scenario:
    """A scenario that ships, by name, or the one in a TOML file.

    Raises
    ------
    UsageError
        There is no such scenario or file, or the file is wrong.
    """
    if str(name_or_file) in SCENARIOS:
        return SCENARIOS[str(name_or_file)]
    path = Path(name_or_file)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError:
        raise UsageError(
            "neither a scenario nor a file that can be read",
            place=str(name_or_file),
            remedy=f"use one of {', '.join(SCENARIOS)}, or the path of a TOML file",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"not TOML: {error}", place=str(path), remedy="correct the file") from None
    return Scenario.from_dict({"name": path.stem, **data}, place=str(path))
