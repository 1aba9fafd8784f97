"""Alarms by ISA-18.2: their states, rules, settings and rationale."""

from daq.alarms.context import BRIEF_STEPS, AlarmContext
from daq.alarms.desk import AlarmDesk
from daq.alarms.detectors import Edge, LimitDetector
from daq.alarms.lifecycle import Alarm
from daq.alarms.rule_kinds import (
    ChannelRule,
    ExternalRule,
    FailedRule,
    FrozenRule,
    LostRule,
    Rule,
    StaleRule,
    ThoughOpenRule,
    TickRule,
    Ticks,
)
from daq.alarms.rules import (
    EXTERNAL_ALARMS,
    FORECAST_ALARMS,
    alarm_rules,
    alarm_units,
    check_alarms,
    forecast_rules,
)
from daq.alarms.settings import alarm_table
from daq.alarms.states import (
    ASIDE,
    PRIORITIES,
    STANDING,
    TO_ACKNOWLEDGE,
    AlarmSpec,
    Priority,
    State,
    Transition,
)

__all__ = [
    "ASIDE",
    "BRIEF_STEPS",
    "EXTERNAL_ALARMS",
    "FORECAST_ALARMS",
    "PRIORITIES",
    "STANDING",
    "TO_ACKNOWLEDGE",
    "Alarm",
    "AlarmContext",
    "AlarmDesk",
    "AlarmSpec",
    "ChannelRule",
    "Edge",
    "ExternalRule",
    "FailedRule",
    "FrozenRule",
    "LimitDetector",
    "LostRule",
    "Priority",
    "Rule",
    "StaleRule",
    "State",
    "ThoughOpenRule",
    "TickRule",
    "Ticks",
    "Transition",
    "alarm_rules",
    "alarm_table",
    "alarm_units",
    "check_alarms",
    "forecast_rules",
]
