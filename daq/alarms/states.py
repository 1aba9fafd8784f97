"""The states of an alarm and what leads from one to another, in words of ANSI/ISA-18.2-2016 and IEC 62682.

==  =====================  =================================================================
A   normal                 condition absent, nothing to acknowledge
B   unacknowledged         condition present, nobody has said that they know
C   acknowledged           condition present and known
D   returned               condition gone, still unacknowledged
E   latched_unack          condition gone, alarm held until acknowledged and reset
F   latched_ack            condition gone, acknowledged, held until reset
G   shelved                put aside by a person for a limited time
H   suppressed             put aside by design, as while the supply is off
I   out_of_service         taken out by a person until put back
==  =====================  =================================================================

G, H and I leave to A or B by the condition. While they hold, the condition is still followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, Literal

from daq.bench import MAX_TIME_SHELVED_S

__all__ = [
    "ASIDE",
    "LATCHED",
    "NEXT",
    "PRIORITIES",
    "STANDING",
    "TO_ACKNOWLEDGE",
    "AlarmSpec",
    "Cutter",
    "Event",
    "Priority",
    "State",
    "Transition",
]


Cutter = Literal["reader", "watch"]


class State(StrEnum):
    """Where an alarm is in its life."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    LATCHED_UNACK = "latched_unack"
    LATCHED_ACK = "latched_ack"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out_of_service"


class Priority(StrEnum):
    """How soon somebody must act, and how bad it is when nobody does."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


PRIORITIES: Final = tuple(Priority)
"""From the most urgent to the least."""


class Event(StrEnum):
    """What moves an alarm that is not put aside."""

    ALARM = "alarm"
    RETURN = "return"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    REALARM = "realarm"


_A, _B, _C = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
_D, _E, _F = State.RETURNED, State.LATCHED_UNACK, State.LATCHED_ACK
ASIDE = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
"""Put aside: these leave to A or B by the condition alone."""
STANDING: Final = tuple(s for s in State if s not in (State.NORMAL, *ASIDE))
"""Shown to people as alarms."""
TO_ACKNOWLEDGE: Final = (_B, _D, _E)
"""Standing, and nobody has said that they know."""

NEXT: dict[tuple[State, Event], State] = {
    (_A, Event.ALARM): _B,
    (_B, Event.ACKNOWLEDGE): _C,
    (_B, Event.RETURN): _D,
    (_C, Event.RETURN): _A,
    (_C, Event.REALARM): _B,
    (_D, Event.ACKNOWLEDGE): _A,
    (_D, Event.ALARM): _B,
    (_E, Event.ACKNOWLEDGE): _F,
    (_E, Event.ALARM): _B,
    (_F, Event.RESET): _A,
    (_F, Event.ALARM): _B,
}
"""Where each event leads; any other changes nothing. Latching alarms return to E and F, not D and A."""

LATCHED = {_D: _E, _A: _F}
"""Where a latching alarm returns to instead."""


@dataclass(frozen=True, slots=True)
class AlarmSpec:
    """What an alarm is, and its rationale: why it is there and what a person should do about it.

    Attributes
    ----------
    name : str
        Such as ``lye_temp.high``.
    title : str
        In a few words.
    priority : Priority
    what, action : str
        What it means; what to do.
    time_s : float or None
        How long there is before the consequence [s]; None where that can not be said.
    unit : str
        Of `limit` and of the values.
    limit : float or None
    latched : bool
        Whether it is held after its condition has gone, until a person resets it.
    suppressed_while_off : bool
        Suppressed by design while no current flows.
    realarm_s : float or None
        An acknowledged alarm that still stands becomes unacknowledged again after so long [s].
    shelve_s : float
        It may be shelved for so long [s]; 0 where not at all.
    in_service : bool
        False: out of service from the start.
    cuts : {"reader", "watch"} or None
        Who cuts the supply when it is raised: the reader by itself, at a hard limit, or the watch that asks
        the reader.
    """

    name: str
    title: str
    priority: Priority
    what: str
    action: str
    time_s: float | None = None
    unit: str = ""
    limit: float | None = None
    latched: bool = False
    suppressed_while_off: bool = False
    realarm_s: float | None = None
    shelve_s: float = MAX_TIME_SHELVED_S
    in_service: bool = True
    cuts: Cutter | None = None


@dataclass(frozen=True, slots=True)
class Transition:
    """An alarm went from one state to another: when [ns], why, at what value, by whom."""

    t_ns: int
    alarm: str
    state_from: str
    state_to: str
    cause: str
    value: float | None
    who: str
    note: str
    priority: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON, with the time as seconds of the run."""
        return {
            "t_s": self.t_ns / 1e9,
            "alarm": self.alarm,
            "state_from": self.state_from,
            "state_to": self.state_to,
            "cause": self.cause,
            "value": self.value,
            "who": self.who,
            "note": self.note,
            "priority": self.priority,
        }
