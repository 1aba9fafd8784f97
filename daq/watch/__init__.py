"""What the numbers mean, live and in hindsight: efficiency, findings, alarms.

The watch knows samples and the bench; it knows nothing of HTTP, stores or wall clocks.
"""

from daq.watch.alarm_rules import TOLD, check_alarms
from daq.watch.alarm_settings import alarm_table
from daq.watch.alarms import Alarm, AlarmSpec, Priority, State, Transition
from daq.watch.assessment import Assessment, Forecaster
from daq.watch.columns import Column, Columns
from daq.watch.efficiency import Assessor, Balance, assess_windows, reference_words
from daq.watch.findings import Finding
from daq.watch.foresight import foreseer
from daq.watch.numbers import NUMBERS, RATIOS, Numbers, NumberSpec
from daq.watch.replay import Again, Replay, replay, replay_alarms, suited_to, watch_again
from daq.watch.watch import Watch

__all__ = [
    "NUMBERS",
    "RATIOS",
    "TOLD",
    "Again",
    "Alarm",
    "AlarmSpec",
    "Assessment",
    "Assessor",
    "Balance",
    "Column",
    "Columns",
    "Finding",
    "Forecaster",
    "NumberSpec",
    "Numbers",
    "Priority",
    "Replay",
    "State",
    "Transition",
    "Watch",
    "alarm_table",
    "assess_windows",
    "check_alarms",
    "foreseer",
    "reference_words",
    "replay",
    "replay_alarms",
    "suited_to",
    "watch_again",
]
