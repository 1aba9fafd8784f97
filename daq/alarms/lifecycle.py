"""An alarm, alive: what the data, the design and people do to it. The states are those of `states`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from daq.alarms.detectors import Edge, finite_or_none
from daq.alarms.states import (
    ASIDE,
    LATCHED,
    NEXT,
    TO_ACKNOWLEDGE,
    AlarmSpec,
    Event,
    State,
    Transition,
)
from daq.errors import RequestRefused

__all__ = ["Alarm"]

BY_FILE: Final = "the bench file has it out of service"
_TAKEN_ON: Final = (State.ACKNOWLEDGED, State.LATCHED_ACK, State.SHELVED, State.OUT_OF_SERVICE)
"""Where a person has put their name to it."""
_IN_SERVICE: Final = tuple(s for s in State if s is not State.OUT_OF_SERVICE)


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
    by: str = ""
    """Who acknowledged it or put it aside; empty when nobody did."""
    why: str = ""
    """What they said of it."""
    _transitions: list[Transition] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.spec.in_service:
            self.state, self.out_of_service, self.why = State.OUT_OF_SERVICE, True, BY_FILE

    def take_transitions(self) -> list[Transition]:
        """The transitions since last asked, oldest first."""
        taken, self._transitions = self._transitions, []
        return taken

    # -- what the data do ----------------------------------------------------------------------------------

    def edge(self, edge: Edge, cause: str) -> None:
        """The condition began or ended."""
        self.advance(edge.t_ns)
        if edge.active == self.active:
            return
        self.active = edge.active
        value = finite_or_none(edge.value)
        self.value = value if value is not None or not edge.active else self.value
        if self.state in ASIDE:
            return
        self._happen(Event.ALARM if edge.active else Event.RETURN, edge.t_ns, cause)

    def suppress(self, t_ns: int, suppressed: bool, cause: str) -> None:
        """Suppress by design, or end that.

        Parameters
        ----------
        t_ns : int
            Time of the run [ns].
        suppressed : bool
            Whether the design suppresses it from now on.
        cause : str
            Why, for the transition.
        """
        self.advance(t_ns)
        self.suppressed = suppressed
        if (
            not self.active
            and self.state in (State.NORMAL, State.SUPPRESSED)
            and self.shelved_until_ns is None
        ):
            # Put aside, or brought back, while nothing is wrong: no event in the alarm's life.
            self.state = State.SUPPRESSED if suppressed else State.NORMAL
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

        Parameters
        ----------
        t_ns : int
            Time of the run [ns].
        who : str
            The person's name, not empty.
        note : str
            Anything they add.

        Raises
        ------
        RequestRefused
            When nobody is named or there is nothing to acknowledge.
        """
        self._asked(t_ns, who, TO_ACKNOWLEDGE, "has nothing to acknowledge", "look at the alarms that stand")
        self._happen(Event.ACKNOWLEDGE, t_ns, "acknowledged", who, note)

    def reset(self, t_ns: int, who: str, note: str = "") -> None:
        """A person lets a latched alarm go.

        Parameters
        ----------
        t_ns : int
            Time of the run [ns].
        who : str
            The person's name, not empty.
        note : str
            Anything they add.

        Raises
        ------
        RequestRefused
            When nobody is named, the condition still stands, or the alarm is not acknowledged yet.
        """
        remedy = (
            "acknowledge it first"
            if self.state is State.LATCHED_UNACK
            else "its condition must have gone, and it must be latched"
        )
        self._asked(t_ns, who, (State.LATCHED_ACK,), "can not be reset", remedy)
        self._happen(Event.RESET, t_ns, "reset", who, note)

    def shelve(self, t_ns: int, who: str, note: str, for_s: float) -> None:
        """A person puts the alarm aside for a while, for as long as its `spec.shelve_s` allows.

        Parameters
        ----------
        t_ns : int
            Time of the run [ns].
        who : str
            The person's name, not empty.
        note : str
            The reason, not empty.
        for_s : float
            How long, above 0 and at most `spec.shelve_s` [s].

        Raises
        ------
        RequestRefused
            When nobody is named, no reason is given, the time is not allowed, or it is out of service.
        """
        self._asked(t_ns, who, _IN_SERVICE, "is out of service", "put it back into service first")
        self._reasoned(note)
        longest = self.spec.shelve_s
        if longest <= 0.0:
            raise RequestRefused(
                "may not be shelved",
                place=self.spec.name,
                remedy="mend what raises it, or take it out of service",
            )
        if not 0.0 < for_s <= longest:
            raise RequestRefused(
                "can not be shelved for so long",
                place=self.spec.name,
                value=f"{for_s:g} s",
                remedy=f"give more than 0 and at most {longest:g} s",
            )
        self.shelved_until_ns = t_ns + round(for_s * 1e9)
        self._settle(t_ns, f"shelved for {for_s:g} s", who, note)

    def unshelve(self, t_ns: int, who: str, note: str = "") -> None:
        """A person ends the shelving.

        Parameters
        ----------
        t_ns : int
            Time of the run [ns].
        who : str
            The person's name, not empty.
        note : str
            Anything they add.

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

        Parameters
        ----------
        t_ns : int
            Time of the run [ns].
        who : str
            The person's name, not empty.
        note : str
            The reason, not empty.

        Raises
        ------
        RequestRefused
            When nobody is named, no reason is given, or it is out of service already.
        """
        self._asked(t_ns, who, _IN_SERVICE, "is out of service already", "")
        self._reasoned(note)
        self.out_of_service = True
        self._settle(t_ns, "taken out of service", who, note)

    def put_back(self, t_ns: int, who: str, note: str = "") -> None:
        """A person puts it back into service.

        Parameters
        ----------
        t_ns : int
            Time of the run [ns].
        who : str
            The person's name, not empty.
        note : str
            Anything they add.

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

    def _reasoned(self, note: str) -> None:
        if not note.strip():
            raise RequestRefused("is put aside only for a reason", place=self.spec.name, remedy="give `note`")

    def _happen(self, event: Event, t_ns: int, cause: str, who: str = "", note: str = "") -> None:
        to = NEXT.get((self.state, event))
        if to is None:
            return
        if self.spec.latched and event is Event.RETURN:
            to = LATCHED[to]
        self._go(to, t_ns, cause, who, note)

    def _settle(self, t_ns: int, cause: str, who: str = "", note: str = "") -> None:
        """Go where being put aside, or no longer being so, leads."""
        if self.out_of_service:
            to = State.OUT_OF_SERVICE
        elif self.shelved_until_ns is not None:
            to = State.SHELVED
        elif self.suppressed:
            to = State.SUPPRESSED
        elif self.state in ASIDE:
            to = State.UNACKNOWLEDGED if self.active else State.NORMAL
        else:
            return
        if to is not self.state or who:
            self._go(to, t_ns, cause, who, note)

    def _go(self, to: State, t_ns: int, cause: str, who: str, note: str) -> None:
        self._transitions.append(
            Transition(t_ns, self.spec.name, self.state, to, cause, self.value, who, note, self.spec.priority)
        )
        if to in ASIDE or (to is State.UNACKNOWLEDGED and self.state is not State.ACKNOWLEDGED):
            self.since_ns = t_ns
        self.acknowledged_ns = t_ns if to is State.ACKNOWLEDGED else None
        if who or to not in _TAKEN_ON:
            self.by, self.why = (who, note) if to in _TAKEN_ON else ("", "")
        self.state = to

    def tell_again(self, t_ns: int, cause: str) -> None:
        """Make a transition to where it stands already, for a log that begins here."""
        if self.state in (State.NORMAL, State.SUPPRESSED):
            return
        spec = self.spec
        self._transitions.append(
            Transition(
                t_ns, spec.name, State.NORMAL, self.state, cause, self.value, self.by, self.why, spec.priority
            )
        )

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
            "by": self.by,
            "why": self.why,
        }

    def load(self, saved: Mapping[str, Any], *, later_ns: int = 0) -> None:
        """Take up a saved state, with `later_ns` added to its times where it is of another run."""

        def moved(t_ns: int | None) -> int | None:
            return None if t_ns is None else int(t_ns) + later_ns

        self.state = State(saved["state"])
        self.active = bool(saved["active"])
        self.since_ns = int(saved["since_ns"]) + later_ns
        self.value = saved["value"]
        self.shelved_until_ns = moved(saved["shelved_until_ns"])
        self.suppressed = bool(saved["suppressed"])
        self.out_of_service = bool(saved["out_of_service"])
        self.acknowledged_ns = moved(saved["acknowledged_ns"])
        self.by, self.why = str(saved.get("by", "")), str(saved.get("why", ""))
