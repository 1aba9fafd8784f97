"""What happens to a bench while it runs: a fan stops, a cable is pulled, someone turns the volts up."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field

from daq.errors import UsageError
from daq.sources.virtual_bench.sensors import FAULT_KINDS

__all__ = ["EVENTS", "Event", "parse_event"]

EVENTS: dict[str, str] = {
    "fan": "the fan: 0 stops it, 1 starts it (0 when no value is given)",
    "volts": "the supply's voltage setting [V]",
    "amps": "the supply's current limit [A]",
    "duty": "the chopper's duty [1]",
    "room": "the room grows warmer by this [K]",
    "leak": "the leak's conductance, times this [1]",
    "top_up": "water poured in [L], at the room's temperature",
    "stuck": "a field repeats its last value",
    "open": "a field says nothing: nan, as of a broken wire",
    "dead": "a field reads 0",
    "glitch": "a field sends this value once (85 when none is given)",
    "drift": "a field wanders off by so many units an hour (1 when no value is given)",
    "heal": "a field's fault ends",
    "unplug": "the cable is pulled; put back at the end of the duration, or by plug",
    "plug": "the cable is put back",
    "silent": "the device hangs and sends nothing; speaks again at the end of the duration, or by speak",
    "speak": "the device sends again",
    "restart": "the device loses power for a moment: hello, seq and ms from 0",
    "noise": "this many bytes that mean nothing on the line (200 when no value is given)",
}
"""Every event by name, and what it does."""

_WITH_FIELD = (*FAULT_KINDS, "heal")
_NEEDS_VALUE = ("volts", "amps", "duty", "room", "leak", "top_up")
_DEFAULTS = {"fan": 0.0, "glitch": 85.0, "drift": 1.0, "noise": 200.0}
_LASTING = ("fan", "volts", "amps", "duty", "room", "leak", *FAULT_KINDS, "unplug", "silent")
_SPELLING = re.compile(
    r"(?P<what>[a-z_]+)(?:\.(?P<field>[a-z][a-z0-9_]*))?(?:=(?P<value>-?[0-9.]+))?"
    r"(?:@(?P<at>[0-9.]+))?(?:\+(?P<lasts>[0-9.]+))?"
)
_REMEDY = "write WHAT[.FIELD][=VALUE][@SECONDS][+DURATION], as in fan@90, stuck.temp@120+30 or volts=14.5@300"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happens.

    Attributes
    ----------
    what : str
        A key of `EVENTS`.
    at_s : float
        When, in the bench's own time [s]. At ``--speed 30`` that is a thirtieth of it on the clock.
    value : float or None
        As `EVENTS` says.
    field : str
        The field of the device, for faults of a sensor.
    lasts_s : float or None
        After so long it is undone [s, the bench's own time]; None is for good.
    device : str
        Which device: "head" or "meter".
    """

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")
    what: str
    at_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    value: Annotated[float, Field(allow_inf_nan=False)] | None = None
    field: str = ""
    lasts_s: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    device: str = "head"

    def __post_init__(self) -> None:
        if self.what not in EVENTS:
            raise UsageError(
                "no such event", place="event", value=self.what, remedy=f"use one of {', '.join(EVENTS)}"
            )
        if (self.what in _WITH_FIELD) != bool(self.field):
            wanted = "needs" if self.what in _WITH_FIELD else "takes no"
            raise UsageError(f"{self.what} {wanted} field", place="event", value=self.field, remedy=_REMEDY)
        if self.what in _NEEDS_VALUE and self.value is None:
            raise UsageError(
                f"{self.what} needs a value: {EVENTS[self.what]}",
                place="event",
                remedy=f"write {self.what}=VALUE",
            )
        if self.lasts_s is not None and self.what not in _LASTING:
            raise UsageError(f"{self.what} is done in an instant and takes no duration", place="event")

    @property
    def number(self) -> float:
        """The value, or the event's default."""
        return self.value if self.value is not None else _DEFAULTS.get(self.what, math.nan)


def parse_event(text: str, *, now_s: float = 0.0, device: str = "head") -> Event:
    """An event from ``WHAT[.FIELD][=VALUE][@SECONDS][+DURATION]``.

    Parameters
    ----------
    text : str
        For instance ``unplug@60+5``, ``stuck.temp@120``, ``volts=14.5@300``, ``meter:unplug@60``.
    now_s : float
        When it happens where no ``@SECONDS`` is written [s].
    device : str
        Whose it is where no device is written.

    Raises
    ------
    UsageError
        The text is not an event.
    """
    owner, colon, rest = text.strip().partition(":")
    if not colon:
        owner, rest = device, owner
    match = _SPELLING.fullmatch(rest)
    if match is None:
        raise UsageError("not an event", place="event", value=text, remedy=_REMEDY)
    try:
        value, at, lasts = (None if match[k] is None else float(match[k]) for k in ("value", "at", "lasts"))
    except ValueError:
        raise UsageError("a number is wrong", place="event", value=text, remedy=_REMEDY) from None
    return Event(match["what"], now_s if at is None else at, value, match["field"] or "", lasts, owner)
