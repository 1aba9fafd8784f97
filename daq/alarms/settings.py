"""What the bench file says of single alarms, put upon the rules that the watch makes."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from daq.alarms.rule_kinds import ExternalRule, FailedRule, FrozenRule, LostRule, Rule, StaleRule
from daq.alarms.states import PRIORITIES, AlarmSpec, Priority
from daq.bench import AlarmRule, Bench
from daq.errors import BenchFileError

__all__ = ["alarm_table", "check_rules", "configured"]

_DELAYS = ("on_delay_s", "off_delay_s")


def configured(bench: Bench, rules: Iterable[Rule]) -> list[Rule]:
    """The rules as the bench file wants them. Names it has and the bench has not are left alone here."""
    out = list(rules)
    for rule in out:
        setting = bench.alarms.rule(rule.spec.name) or AlarmRule()
        rule.spec = _spec(bench, rule.spec, setting)
        if isinstance(rule, ExternalRule | FrozenRule | LostRule | StaleRule):
            continue
        for key in ("deadband", *_DELAYS):
            value = getattr(setting, key)
            if value is not None:
                setattr(rule.detector, key, value)
    return out


def _spec(bench: Bench, spec: AlarmSpec, setting: AlarmRule) -> AlarmSpec:
    priority = spec.priority if setting.priority is None else Priority(setting.priority)
    realarm_s = setting.realarm_after_s
    if realarm_s is None:
        realarm_s = bench.alarms.realarm_critical_after_s if priority is Priority.CRITICAL else spec.realarm_s
    longest = bench.alarms.shelve_at_most_s
    return replace(
        spec,
        priority=priority,
        latched=spec.latched if setting.latched is None else setting.latched,
        realarm_s=realarm_s or None,
        shelve_s=longest if setting.shelve_at_most_s is None else min(longest, setting.shelve_at_most_s),
        in_service=setting.in_service,
        cuts=spec.cuts or ("watch" if setting.cuts else None),
    )


def check_rules(bench: Bench, rules: Iterable[Rule]) -> None:
    """Hold the names and keys under ``[alarms.rules]`` against the bench's alarms.

    Raises
    ------
    BenchFileError
        For a name that no alarm of this bench has, and for a key that this one does not take.
    """
    known = {rule.spec.name: rule for rule in rules}
    for name, setting in bench.alarms.named.items():
        place = f"{bench.path}: alarms.rules.{name}"
        rule = known.get(name)
        if rule is None:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            raise BenchFileError(
                "no alarm of this bench has this name",
                place=place,
                remedy=(f"did you mean {near[0]}? " if near else "") + f"they are {', '.join(sorted(known))}",
            )
        for key, remedy in _not_taken(rule).items():
            value = getattr(setting, key)
            if value is not None:
                raise BenchFileError(
                    "is not for this alarm", place=f"{place}.{key}", value=value, remedy=remedy
                )


def _not_taken(rule: Rule) -> dict[str, str]:
    """Keys that this kind of rule does not take, and what to write instead."""
    none = "remove it; this alarm is told as it happens"
    match rule:
        case LostRule():
            none = f"remove it; sources.{rule.source}.silent_after_s says how long it waits"
        case FrozenRule():
            none = f"remove it; sources.{rule.source}.frozen_after_s says how long it waits"
        case StaleRule():
            none = f"remove it; channels.{rule.channel}.stale_after_s says how long it waits"
        case FailedRule():
            return {"deadband": f"remove it; channels.{rule.channel}.valid says what is bad"}
        case ExternalRule():
            pass
        case _:
            return {}
    return dict.fromkeys(("deadband", *_DELAYS), none)


def alarm_table(rules: Iterable[Rule]) -> list[dict[str, Any]]:
    """Every alarm with its rationale and settings, worst first: the bench's alarm list as JSON says it."""
    rows: list[dict[str, Any]] = []
    for rule in sorted(rules, key=lambda r: (PRIORITIES.index(r.spec.priority), r.spec.name)):
        spec = rule.spec
        settings: dict[str, float | None] = dict.fromkeys(("deadband", *_DELAYS))
        if not isinstance(rule, ExternalRule | FrozenRule | LostRule | StaleRule):
            settings = {key: getattr(rule.detector, key) for key in settings}
        rows.append(
            {
                "alarm": spec.name,
                "title": spec.title,
                "priority": str(spec.priority),
                "limit": spec.limit,
                "unit": spec.unit,
                **settings,
                "latched": spec.latched,
                "realarm_s": spec.realarm_s,
                "shelve_s": spec.shelve_s,
                "in_service": spec.in_service,
                "cuts": spec.cuts,
                "what": spec.what,
                "do": spec.action,
                "t_s": spec.time_s,
            }
        )
    return rows
