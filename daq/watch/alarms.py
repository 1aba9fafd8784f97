"""The life of an alarm: states and words of ANSI/ISA-18.2-2016 and IEC 62682.

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

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from daq.errors import RequestRefused
from daq.watch.detectors import Edge, finite_or_none

__all__ = [
    "MAX_TIME_SHELVED_S",
    "NEXT",
    "Alarm",
    "AlarmSpec",
    "Event",
    "Priority",
    "State",
    "Transition",
]

MAX_TIME_SHELVED_S = 8 * 3600.0
"""No alarm stays shelved for longer [s] (a shift; OPC 10000-9 calls the bound MaxTimeShelved)."""


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


class Event(StrEnum):
    """What moves an alarm that is not put aside."""

    ALARM = "alarm"
    RETURN = "return"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    REALARM = "realarm"


_A, _B, _C = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
_D, _E, _F = State.RETURNED, State.LATCHED_UNACK, State.LATCHED_ACK
_ASIDE = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)

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

_LATCHED = {_D: _E, _A: _F}


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


@dataclass(slots=True)
class Alarm:
    """One alarm, alive.

    Times are nanoseconds of the run and never run backwards for one alarm.
    """

    spec: AlarmSpec
    state: State = State.NORMAL
    active: bool = False
    """Whether the condition stands, delays counted."""
    since_ns: int = 0
    """When it was last raised or put aside [ns]; acknowledging and returning do not change it."""
    value: float | None = None
    shelved_until_ns: int | None = None
    suppressed: bool = False
    out_of_service: bool = False
    acknowledged_ns: int | None = None
    _made: list[Transition] = field(default_factory=list)

    def take_transitions(self) -> list[Transition]:
        """The transitions since last asked, oldest first."""
        made, self._made = self._made, []
        return made

    # -- what the data do ----------------------------------------------------------------------------------

    def edge(self, edge: Edge, cause: str) -> None:
        """The condition began or ended."""
        self.advance(edge.t_ns)
        if edge.active == self.active:
            return
        self.active = edge.active
        value = finite_or_none(edge.value)
        self.value = value if value is not None or not edge.active else self.value
        if self.state in _ASIDE:
            return
        self._happen(Event.ALARM if edge.active else Event.RETURN, edge.t_ns, cause)

    def suppress(self, t_ns: int, suppressed: bool, cause: str) -> None:
        """Suppress by design, or end that."""
        self.advance(t_ns)
        self.suppressed = suppressed
        if not self.active and self.state in (_A, State.SUPPRESSED) and self.shelved_until_ns is None:
            # Put aside, or brought back, while nothing is wrong: no event in the alarm's life.
            self.state = State.SUPPRESSED if suppressed else _A
            return
        self._settle(t_ns, cause)

    def advance(self, t_ns: int) -> None:
        """Let time pass: shelving ends, and a standing acknowledged alarm alarms again."""
        if self.shelved_until_ns is not None and t_ns >= self.shelved_until_ns:
            until, self.shelved_until_ns = self.shelved_until_ns, None
            self._settle(until, "shelving has run out")
        if (
            self.state is State.ACKNOWLEDGED
            and self.spec.realarm_s is not None
            and self.acknowledged_ns is not None
        ):
            due = self.acknowledged_ns + round(self.spec.realarm_s * 1e9)
            if t_ns >= due:
                self._happen(Event.REALARM, due, "still standing")

    # -- what people do ------------------------------------------------------------------------------------

    def acknowledge(self, t_ns: int, who: str, note: str = "") -> None:
        """A person says that they know.

        Raises
        ------
        RequestRefused
            When nobody is named or there is nothing to acknowledge.
        """
        self._asked(t_ns, who, (_B, _D, _E), "has nothing to acknowledge", "look at the alarms that stand")
        self._happen(Event.ACKNOWLEDGE, t_ns, "acknowledged", who, note)

    def reset(self, t_ns: int, who: str, note: str = "") -> None:
        """A person lets a latched alarm go.

        Raises
        ------
        RequestRefused
            When nobody is named, the condition still stands, or the alarm is not acknowledged yet.
        """
        remedy = (
            "acknowledge it first"
            if self.state is _E
            else "its condition must have gone, and it must be latched"
        )
        self._asked(t_ns, who, (_F,), "can not be reset", remedy)
        self._happen(Event.RESET, t_ns, "reset", who, note)

    def shelve(self, t_ns: int, who: str, note: str, for_s: float) -> None:
        """A person puts the alarm aside for a while, at most `MAX_TIME_SHELVED_S`.

        Raises
        ------
        RequestRefused
            When nobody is named, the time is not allowed, or the alarm is out of service.
        """
        self._asked(
            t_ns, who, tuple(s for s in State if s is not State.OUT_OF_SERVICE), "is out of service", ""
        )
        if not 0.0 < for_s <= MAX_TIME_SHELVED_S:
            raise RequestRefused("can not be shelved for so long", place=self.spec.name, value=f"{for_s:g} s",
                                 remedy=f"give more than 0 and at most {MAX_TIME_SHELVED_S:g} s")  # fmt: skip
        self.shelved_until_ns = t_ns + round(for_s * 1e9)
        self._settle(t_ns, f"shelved for {for_s:g} s", who, note)

    def unshelve(self, t_ns: int, who: str, note: str = "") -> None:
        """A person ends the shelving.

        Raises
        ------
        RequestRefused
            When nobody is named or the alarm is not shelved.
        """
        self._asked(t_ns, who, (State.SHELVED,), "is not shelved", "look at the alarms that are")
        self.shelved_until_ns = None
        self._settle(t_ns, "unshelved", who, note)

    def take_out(self, t_ns: int, who: str, note: str) -> None:
        """A person takes the alarm out of service, as for a sensor under repair.

        Raises
        ------
        RequestRefused
            When nobody is named or it is out of service already.
        """
        self._asked(
            t_ns, who, tuple(s for s in State if s is not State.OUT_OF_SERVICE), "is out of service", ""
        )
        self.out_of_service = True
        self._settle(t_ns, "taken out of service", who, note)

    def put_back(self, t_ns: int, who: str, note: str = "") -> None:
        """A person puts it back into service.

        Raises
        ------
        RequestRefused
            When nobody is named or it is in service.
        """
        self._asked(t_ns, who, (State.OUT_OF_SERVICE,), "is in service", "")
        self.out_of_service = False
        self._settle(t_ns, "put back into service", who, note)

    # -- inside --------------------------------------------------------------------------------------------

    def _asked(self, t_ns: int, who: str, allowed: tuple[State, ...], message: str, remedy: str) -> None:
        self.advance(t_ns)
        if not who.strip():
            raise RequestRefused(
                "needs the name of the person who asks", place=self.spec.name, remedy="give `who`"
            )
        if self.state not in allowed:
            raise RequestRefused(message, place=self.spec.name, value=str(self.state), remedy=remedy or None)

    def _happen(self, event: Event, t_ns: int, cause: str, who: str = "", note: str = "") -> None:
        to = NEXT.get((self.state, event))
        if to is None:
            return
        if self.spec.latched and event is Event.RETURN:
            to = _LATCHED[to]
        self._go(to, t_ns, cause, who, note)

    def _settle(self, t_ns: int, cause: str, who: str = "", note: str = "") -> None:
        """Go where being put aside, or no longer being so, leads."""
        if self.out_of_service:
            to = State.OUT_OF_SERVICE
        elif self.shelved_until_ns is not None:
            to = State.SHELVED
        elif self.suppressed:
            to = State.SUPPRESSED
        elif self.state in _ASIDE:
            to = State.UNACKNOWLEDGED if self.active else State.NORMAL
        else:
            return
        if to is not self.state or who:
            self._go(to, t_ns, cause, who, note)

    def _go(self, to: State, t_ns: int, cause: str, who: str, note: str) -> None:
        self._made.append(
            Transition(t_ns, self.spec.name, self.state, to, cause, self.value, who, note, self.spec.priority)
        )
        if to in _ASIDE or (to is _B and self.state is not _C):
            self.since_ns = t_ns
        self.acknowledged_ns = t_ns if to is State.ACKNOWLEDGED else None
        self.state = to

    def save(self) -> dict[str, Any]:
        """State as JSON says it."""
        return {
            "state": str(self.state),
            "active": self.active,
            "since_ns": self.since_ns,
            "value": self.value,
            "shelved_until_ns": self.shelved_until_ns,
            "suppressed": self.suppressed,
            "out_of_service": self.out_of_service,
            "acknowledged_ns": self.acknowledged_ns,
        }

    def load(self, saved: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.state = State(saved["state"])
        self.active = bool(saved["active"])
        self.since_ns = int(saved["since_ns"])
        self.value = saved["value"]
        self.shelved_until_ns = saved["shelved_until_ns"]
        self.suppressed = bool(saved["suppressed"])
        self.out_of_service = bool(saved["out_of_service"])
        self.acknowledged_ns = saved["acknowledged_ns"]
