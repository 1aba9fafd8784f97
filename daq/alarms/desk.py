"""What people do with alarms, and what they are shown of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from daq.alarms.detectors import Edge
from daq.alarms.lifecycle import Alarm
from daq.alarms.rule_kinds import ExternalRule, Rule
from daq.alarms.states import PRIORITIES, State, Transition
from daq.errors import RequestRefused
from daq.measure import unit_words
from daq.utc import iso_utc

__all__ = ["AlarmDesk"]


class AlarmDesk:
    """The alarms of a set of rules.

    Parameters
    ----------
    rules : list of Rule
    start_utc_ns : int or None
        When the run's time 0 was, UTC [ns].
    """

    def __init__(self, rules: list[Rule], start_utc_ns: int | None) -> None:
        self.start_utc_ns = start_utc_ns
        self.rules = rules
        self.alarms: dict[str, Alarm] = {r.spec.name: Alarm(r.spec) for r in rules}
        self._external = {r.spec.name: r for r in rules if isinstance(r, ExternalRule)}
        self._transitions: list[Transition] = []
        self.time_left: dict[str, Callable[[], float | None]] = {}
        """What knows better than its rationale how long there is while an alarm's condition stands [s]."""

    def take_transitions(self) -> list[Transition]:
        """The alarms' transitions since last asked, in order of time."""
        self._collect()
        taken, self._transitions = self._transitions, []
        return taken

    def alarm_states(self) -> list[dict[str, Any]]:
        """Every alarm that is not normal, worst first; those suppressed by design only if their condition
        stands.
        """
        standing = [
            a
            for a in self.alarms.values()
            if a.state is not State.NORMAL and (a.state is not State.SUPPRESSED or a.active)
        ]
        standing.sort(key=lambda a: (PRIORITIES.index(a.spec.priority), a.since_ns, a.spec.name))
        return [self._standing(a) for a in standing]

    def all_alarms(self) -> list[dict[str, Any]]:
        """Every alarm there is, whatever its state."""
        return [self._standing(a) for _, a in sorted(self.alarms.items())]

    def condition_words(self, alarm: str) -> str:
        """An alarm's condition in a few words, with its last value."""
        spec, value = self.alarms[alarm].spec, self.alarms[alarm].value
        unit = unit_words(spec.unit)
        words = spec.title if value is None else f"{spec.title}: {value:.4g} {unit}".rstrip()
        return (
            words
            if value is None or spec.limit is None
            else f"{words}, limit {spec.limit:.4g} {unit}".rstrip()
        )

    def _standing(self, alarm: Alarm) -> dict[str, Any]:
        spec, until_ns = alarm.spec, alarm.shelved_until_ns
        left = self.time_left.get(spec.name) if alarm.active else None
        return {
            "alarm": spec.name,
            "title": spec.title,
            "state": str(alarm.state),
            "active": alarm.active,
            "priority": str(spec.priority),
            "since_utc": self._utc(alarm.since_ns),
            "since_s": alarm.since_ns / 1e9,
            "value": alarm.value,
            "limit": spec.limit,
            "unit": spec.unit,
            "what": spec.what,
            "do": spec.action,
            "t_s": spec.time_s if left is None else left(),
            "shelved_until_s": None if until_ns is None else until_ns / 1e9,
            "shelved_until_utc": None if until_ns is None else self._utc(until_ns),
            "shelve_s": spec.shelve_s,
            "cuts": spec.cuts,
            "by": alarm.by,
            "why": alarm.why,
        }

    def _utc(self, t_ns: int) -> str | None:
        return iso_utc(None if self.start_utc_ns is None else self.start_utc_ns + t_ns)

    def set_condition(
        self, alarm: str, active: bool, *, t_ns: int, value: float | None = None, cause: str = ""
    ) -> None:
        """Tell of a condition that the watch can not see: ``supply.tripped``, ``recording.impaired``.

        Taken at the next tick. Saying the same again is harmless.

        Parameters
        ----------
        alarm : str
            Name of one of the alarms told from outside.
        active : bool
            Whether the condition is there now.
        t_ns : int
            Since when [ns of the run].
        value : float, optional
            What the alarm shows as its value.
        cause : str
            Why, in words; empty for the alarm's title.

        Raises
        ------
        RequestRefused
            When the alarm is none of these.
        """
        rule = self._external.get(alarm)
        if rule is None:
            raise RequestRefused(
                "is not told from outside", place=alarm, remedy=f"use one of {', '.join(self._external)}"
            )
        rule.pending.append((Edge(t_ns, active, value), cause or rule.spec.title))

    def alarm(self, name: str) -> Alarm:
        """An alarm, for a person to acknowledge, shelve, ... Raises RequestRefused when there is none."""
        found = self.alarms.get(name)
        if found is None:
            raise RequestRefused("no such alarm", place=name, remedy="see the list of alarms")
        return found

    def load_alarms(
        self, saved: Mapping[str, Any], *, off_since_ns: int | None = None, later_ns: int = 0
    ) -> None:
        """Put every alarm into its saved state, and one that was not saved into its first.

        Parameters
        ----------
        saved : mapping
            `Alarm.save` by name.
        off_since_ns : int or None
            Since when the supply is off; None while it is on [ns].
        later_ns : int
            Added to the saved times, where they are of another run [ns].
        """
        for name, alarm in list(self.alarms.items()):
            fresh = self.alarms[name] = Alarm(alarm.spec)
            if name in saved:
                fresh.load(saved[name], later_ns=later_ns)
            elif fresh.spec.suppressed_while_off and off_since_ns is not None:
                fresh.suppress(off_since_ns, True, "supply off")

    def _collect(self) -> None:
        new = [t for alarm in self.alarms.values() for t in alarm.take_transitions()]
        new.sort(key=lambda t: (t.t_ns, t.alarm))
        self._transitions += new
