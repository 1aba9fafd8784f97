"""What a bench file says of limits, alarms and whom to tell: ``[limits]``, ``[alarms]``, ``[notify]``.

Which alarms there are follows from the channels, sources and limits; `daq.watch` makes them, and holds the
names under ``[alarms.rules]`` against them. Here is only refused what would be wrong on every bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from daq.bench._table import Finite, Name, NotNegative, Positive, Table

__all__ = ["MAX_TIME_SHELVED_S", "AlarmRule", "AlarmsSpec", "LimitSpec", "NotifySpec", "check_delays"]

MAX_TIME_SHELVED_S = 8 * 3600.0
"""No alarm stays shelved for longer [s] (a shift; OPC 10000-9 calls the bound MaxTimeShelved)."""
LONGEST_DELAY_S = 5.0
"""The longest on-delay on the lye's temperature or on loss of flow [s] (judgement).

Process plants are advised 60 s and 15 s (ANSI/ISA-18.2-2016, informative); for a litre of lye and a gas that
explodes those are comfort, and most of the time there is.
"""

TELL_OF_CUTS = ("supply.tripped", "supply.not_cut")
"""Alarms that say what became of a cut can not ask for one."""


class LimitSpec(Table):
    """``[limits.CHANNEL]``: where to warn, where to raise the alarm, where to cut the supply [channel's
    unit]."""

    low_trip: Finite | None = None
    low_warn: Finite | None = None
    warn: Finite | None = None
    high: Finite | None = None
    trip: Finite | None = None
    deadband: NotNegative = 0.0
    on_delay_s: NotNegative = 0.0
    """Of `warn`, `high` and `low_warn`; a hard limit has none [s]."""
    off_delay_s: NotNegative = 0.0
    stuck_after_s: Positive | None = None
    """A value that has not changed at all for so long while powered is a stuck sensor [s]."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        names = ("low_trip", "low_warn", "warn", "high", "trip")
        given = [(n, v) for n in names if (v := getattr(self, n)) is not None]
        if not given:
            raise ValueError(f"no limit is given: write at least one of {', '.join(names)}")
        for (low_name, low), (high_name, high) in pairwise(given):
            if low >= high:
                raise ValueError(
                    f"{low_name} = {low} is not below {high_name} = {high}: write the limits in rising order"
                )
        return self


class AlarmRule(Table):
    """``[alarms.rules.SUBJECT.WHAT]``: what shall be otherwise with one alarm, such as ``lye_temp.high``.

    What is not given stays as lyewatch has it.
    """

    priority: Literal["critical", "high", "medium", "low"] | None = None
    deadband: NotNegative | None = None
    """[unit of the alarm's limit]"""
    on_delay_s: NotNegative | None = None
    off_delay_s: NotNegative | None = None
    latched: bool | None = None
    """Held after its condition has gone, until a person resets it."""
    realarm_after_s: NotNegative | None = None
    """Standing and acknowledged for so long, it asks again [s]; 0 for never."""
    shelve_at_most_s: Annotated[float, Field(ge=0, le=MAX_TIME_SHELVED_S, strict=True)] | None = None
    """[s]; 0 where it may not be shelved."""
    in_service: bool = True
    """False: out of service from the start, until a person puts it into service."""
    cuts: bool | None = None
    """Whether the watch asks the reader to cut the supply when it is raised."""


class AlarmsSpec(Table):
    """``[alarms]``: how all alarms behave, and what is otherwise with some of them."""

    shelve_at_most_s: Annotated[float, Field(ge=0, le=MAX_TIME_SHELVED_S, strict=True)] = MAX_TIME_SHELVED_S
    """No alarm may be shelved for longer [s]."""
    realarm_critical_after_s: NotNegative = 600.0
    """A critical alarm that stands acknowledged for so long asks again [s]; 0 for never."""
    false_warning_costs_min: Annotated[float, Field(ge=1, le=1440, strict=True)] = 60.0
    """A false warning of the forecast costs as much as so many minutes of lead [min]: the more, the surer and
    the later it warns."""
    rules: dict[Name, dict[Name, AlarmRule]] = Field(default_factory=dict)

    @field_validator("rules", mode="before")
    @classmethod
    def _quoted(cls, value: Any) -> Any:
        """TOML's ``"lye_temp.high"`` in quotes is one key and without them two: both are meant alike."""
        if not isinstance(value, Mapping):
            return value
        nested: dict[str, Any] = {}
        for key, rule in value.items():
            subject, dot, what = str(key).partition(".")
            if dot and isinstance(rules := nested.setdefault(subject, {}), dict):
                rules[what] = rule
            elif not dot and isinstance(rule, Mapping) and isinstance(nested.get(subject), dict):
                nested[subject].update(rule)
            else:
                nested[str(key)] = dict(rule) if isinstance(rule, Mapping) else rule
        return nested

    def rule(self, alarm: str) -> AlarmRule | None:
        """What the file says of this alarm; None when nothing."""
        subject, _, what = alarm.partition(".")
        return self.rules.get(subject, {}).get(what)

    @property
    def named(self) -> dict[str, AlarmRule]:
        """All that the file says, by the alarm's name."""
        return {f"{s}.{w}": rule for s, whats in self.rules.items() for w, rule in whats.items()}


class NotifySpec(Table):
    """``[notify]``: what is sent to those who are not at the page.

    Whereto is said in the environment alone, since such addresses hold passwords and bench files are shared.
    """

    minimum_priority: Literal["critical", "high", "medium", "low"] = "high"
    at_most: Annotated[int, Field(ge=1, le=1000, strict=True)] = 10
    """Messages in any `within_s`; what is more is gathered into one that says how many there were."""
    within_s: Annotated[float, Field(ge=1, le=86400, strict=True)] = 600.0
    retry_for_s: Annotated[float, Field(ge=0, le=86400, strict=True)] = 120.0
    """A message that a receiver does not take is offered again for so long [s]."""

    @model_validator(mode="before")
    @classmethod
    def _no_addresses(cls, data: Any) -> Any:
        if isinstance(data, Mapping):
            for key in data:
                if str(key).lower().startswith(("url", "address", "token", "password", "secret")):
                    raise ValueError(
                        f"notify.{key}: may not stand in a bench file, which is kept with every run and "
                        "passed on: put the addresses into the environment variable LYEWATCH_NOTIFY_URLS"
                    )
        return data


def check_delays(limits: Mapping[str, LimitSpec], alarms: AlarmsSpec, units: Mapping[str, str]) -> None:
    """Refuse delays where there is no time for them, and cuts that can not be.

    Parameters
    ----------
    limits, alarms
        The tables of the bench file.
    units : mapping of str to str
        Each channel's unit.

    Raises
    ------
    ValueError
        "key: what is wrong: what would be right".
    """
    comfort = (
        "so long a delay on a temperature or on loss of flow is a process plant's comfort; here it is most "
        f"of the time there is: give {LONGEST_DELAY_S:g} at most, and use deadband or off_delay_s for "
        "flutter"
    )
    hard_has_none = (
        "a hard limit has no on-delay, which would let through what it is there to stop: remove on_delay_s"
    )
    for channel, limit in limits.items():
        hard = [n for n in ("low_trip", "trip") if getattr(limit, n) is not None]
        soft = [n for n in ("low_warn", "warn", "high") if getattr(limit, n) is not None]
        if limit.on_delay_s and hard and not soft:
            raise ValueError(f"limits.{channel}.on_delay_s: {hard_has_none}")
        levels = (("low_warn", "low"), ("warn", "warn"), ("high", "high"))
        urgent = any(getattr(limit, n) is not None and _urgent(channel, what, units) for n, what in levels)
        if limit.on_delay_s > LONGEST_DELAY_S and urgent:
            raise ValueError(f"limits.{channel}.on_delay_s: {comfort}")
    for name, rule in alarms.named.items():
        subject, _, what = name.partition(".")
        key = f"alarms.rules.{name}"
        if what in ("trip", "low_trip"):
            if rule.on_delay_s:
                raise ValueError(f"{key}.on_delay_s: {hard_has_none}")
            if rule.cuts is False:
                raise ValueError(
                    f"{key}.cuts: the reader cuts the supply at every hard limit, whatever the service does: "
                    f"remove limits.{subject}.{what} if it shall not"
                )
        if (
            rule.on_delay_s is not None
            and rule.on_delay_s > LONGEST_DELAY_S
            and _urgent(subject, what, units)
        ):
            raise ValueError(f"{key}.on_delay_s: {comfort}")
        if rule.cuts and name in TELL_OF_CUTS:
            raise ValueError(
                f"{key}.cuts: tells what became of a cut and can not ask for one: remove cuts, and set it on "
                "the alarm that shall cut"
            )


def _urgent(subject: str, what: str, units: Mapping[str, str]) -> bool:
    if subject == "gas_flow":
        return what in ("none", "low")
    return units.get(subject) == "degC" and subject != "room_temp" and what in ("warn", "high", "low", "rate")
