"""What `lyewatch new` has learned of a bench: its sources, and which field becomes which channel."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any, Final

from daq.bench import KNOWN_CHANNELS, convert
from daq.sources.recognise import Recognised

__all__ = ["Draft", "DraftChannel", "DraftSource", "proposed_channel", "proposed_unit", "spare_name"]

_CALLED: Final = {
    "volts": "volts v u volt voltage vdc stack_volts vstack ustack",
    "amps": "amps a i amp current curr adc stack_amps",
    "watts": "watts w p watt power",
    "lye_temp": "lye_temp lye temp t temperature t1 stack_temp",
    "room_temp": "room_temp room ambient t_room troom",
    "gas_temp": "gas_temp gastemp t_gas tgas",
    "gas_flow": "gas_flow flow lpm gas q",
    "room_pressure": "room_pressure baro barometer",
    "gas_pressure": "gas_pressure p_gas pgas",
    "gas_humidity": "gas_humidity humidity rh",
    "relay": "relay contactor",
    "duty": "duty pwm",
    "mass": "mass weight balance",
    "mass_moving": "mass_moving",
}
_MEANT: Final = {word: channel for channel, words in _CALLED.items() for word in words.split()}
NO_CHANNELS: Final = frozenset({"trip", "seq", "ms"})
"""Fields of the line format that are no measurements."""


@dataclass(slots=True)
class DraftSource:
    """A source of the file that is being made.

    Attributes
    ----------
    name : str
    found : Recognised
    queries : list of (query, field)
        What a SCPI instrument is asked.
    registers : list of dict
        Registers of a Modbus line, as the bench file's keys.
    cuts : bool
        Whether it can cut the supply.
    """

    name: str
    found: Recognised
    queries: list[tuple[str, str]] = field(default_factory=list)
    registers: list[dict[str, Any]] = field(default_factory=list)
    cuts: bool = False


@dataclass(slots=True)
class DraftChannel:
    """A channel of the file that is being made; `value` is what was last heard, None for nothing."""

    name: str
    source: str
    field: str
    unit: str
    value: float | None = None
    decimals: int | None = None


@dataclass(slots=True)
class Draft:
    """A bench file in the making; `facts` holds the answers about stack, supply, site and limits."""

    facts: dict[str, Any] = field(default_factory=dict)
    sources: list[DraftSource] = field(default_factory=list)
    channels: list[DraftChannel] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    """Fields that no channel takes, each with its source before it."""

    def has(self, channel: str) -> bool:
        """Whether the channel is there."""
        return any(c.name == channel for c in self.channels)

    def cutters(self) -> list[str]:
        """The sources that can cut the supply, those with a relay first."""
        able = [s for s in self.sources if s.found.kind == "line" or s.cuts]
        return [s.name for s in sorted(able, key=lambda s: not self._has_relay(s))]

    def _has_relay(self, source: DraftSource) -> bool:
        return source.found.kind == "line" and "relay" in source.found.values


def proposed_channel(name: str, unit: str | None, taken: set[str]) -> str | None:
    """The channel that a field probably is; None where that is not to be told, or it is taken.

    Parameters
    ----------
    name : str
        What the device calls the field.
    unit : str, optional
        The field's; None where it is not known.
    taken : set of str
        Channels that the bench has already.
    """
    bare = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    meant = _MEANT.get(bare)
    if meant is None or meant in taken:
        return None
    return meant if unit is None or convert(unit, KNOWN_CHANNELS[meant].unit) is not None else None


def proposed_unit(channel: str, unit: str | None) -> str:
    """The unit that is printed, else the channel's own, else none."""
    known = KNOWN_CHANNELS.get(channel)
    return unit or ("1" if known is None else known.unit)


def spare_name(wanted: str, taken: set[str]) -> str:
    """A source's or channel's name that is still free."""
    if wanted not in taken:
        return wanted
    return next(name for n in range(2, 1000) if (name := f"{wanted[:28]}_{n}") not in taken)
