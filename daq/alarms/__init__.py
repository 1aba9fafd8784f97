"""Alarms by ISA-18.2: their states, rules, settings and rationale."""

from daq.alarms.context import BRIEF_STEPS, Course
from daq.alarms.desk import AlarmDesk
from daq.alarms.detectors import Edge, LimitDetector
from daq.alarms.lifecycle import Alarm, AlarmSpec, Priority, State, Transition
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
from daq.alarms.rules import FORESEEN, TOLD, alarm_rules, alarm_units, check_alarms, foreseen_rules
from daq.alarms.settings import alarm_table
from daq.alarms.states import PRIORITIES

__all__ = [
    "BRIEF_STEPS",
    "FORESEEN",
    "PRIORITIES",
    "TOLD",
    "Alarm",
    "AlarmDesk",
    "AlarmSpec",
    "ChannelRule",
    "Course",
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
    "foreseen_rules",
]
