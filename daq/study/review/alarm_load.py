"""What a run's alarms ask of the person beside the bench: how many, how fast, how long they stand.

Measures and bounds of EEMUA 191 and ANSI/ISA-18.2-2016: one in ten minutes is very likely acceptable, two are
the most that can be managed, one a minute is too many, more than ten in ten minutes are a flood; three a
minute of one alarm is chattering; one that stands for a day is stale; about 80, 15 and 5 % are to be of low,
medium and high priority. The bounds are as trade check lists repeat them; the documents themselves were not
read.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from daq.store import Transition
from daq.study.render import Count, Magnitude, Share

__all__ = ["AlarmCount", "AlarmLine", "AlarmLoad", "alarm_load", "alarm_summary", "is_raise"]

TEN_MIN_S = 600.0
FLOOD_IN_TEN_MIN = 10
CHATTER_IN_MINUTE = 3
STALE_AFTER_S = 86_400.0

RATINGS = (
    (1.0, "very likely acceptable"),
    (2.0, "manageable at most"),
    (10.0, "more than a person can answer"),
    (math.inf, "unacceptable"),
)
"""What an average in ten minutes, up to each bound, means."""

_STANDING = ("unacknowledged", "acknowledged")


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm over a run: how often it was raised, first when, how long it stood [s], how it ended."""

    alarm: str
    priority: str
    cause: str
    first_at_s: float
    raised: Count
    standing_s: Magnitude
    state: str


@dataclass(frozen=True, slots=True)
class AlarmCount:
    """How often an alarm was raised."""

    alarm: str
    raised: Count


@dataclass(frozen=True, slots=True)
class AlarmLoad:
    """Alarm-rate measures of a run.

    Attributes
    ----------
    raised : int
    per_10_min, rating
        On average, and what that means; None below ten minutes.
    most_in_10_min : int
        In any ten minutes.
    flood_share : float
        Of the run's ten-minute stretches, those with more than ten [1].
    chattering, stale : sequence of str
        Alarms raised three times in a minute; alarms that stood for more than a day.
    by_priority, priority_share
    loudest : sequence of AlarmCount
        The ten most frequent, and their share of all.
    """

    raised: Count
    per_10_min: float | None
    rating: str | None
    most_in_10_min: Count
    flood_share: Share
    chattering: Sequence[str]
    stale: Sequence[str]
    by_priority: Mapping[str, Count]
    priority_share: Mapping[str, Share]
    loudest: Sequence[AlarmCount]
    loudest_share: Share


def is_raise(transition: Transition) -> bool:
    """Whether a transition calls for attention: an alarm has become unacknowledged."""
    return transition.state_to == "unacknowledged"


def alarm_summary(transitions: Sequence[Transition], end_s: float) -> list[AlarmLine]:
    """One line an alarm that was ever raised, in order of time."""
    by_alarm: dict[str, list[Transition]] = {}
    for t in sorted(transitions, key=lambda t: t.t_ns):
        if t.alarm in by_alarm or is_raise(t):
            by_alarm.setdefault(t.alarm, []).append(t)
    lines = []
    for alarm, found in by_alarm.items():
        since, standing_s = None, 0.0
        for t in found:
            at = t.t_ns / 1e9
            if t.state_to in _STANDING:
                since = at if since is None else since
            elif since is not None:
                standing_s, since = standing_s + (at - since), None
        if since is not None:
            standing_s += max(0.0, end_s - since)
        first = found[0]
        lines.append(
            AlarmLine(
                alarm, first.priority, first.cause, first.t_ns / 1e9, sum(map(is_raise, found)), standing_s,
                found[-1].state_to,
            )
        )  # fmt: skip
    return sorted(lines, key=lambda line: line.first_at_s)


def alarm_load(transitions: Sequence[Transition], duration_s: float) -> AlarmLoad:
    """Alarm-rate measures of a run of `duration_s`."""
    raises = sorted((t for t in transitions if is_raise(t)), key=lambda t: t.t_ns)
    times = np.array([t.t_ns / 1e9 for t in raises])
    stretches = max(1, int(np.ceil(duration_s / TEN_MIN_S)))
    counts = np.bincount(np.minimum(times // TEN_MIN_S, stretches - 1).astype(int), minlength=stretches)
    chattering = sorted(
        {
            alarm
            for alarm in {t.alarm for t in raises}
            if _most_within(np.array([t.t_ns / 1e9 for t in raises if t.alarm == alarm]), 60.0)
            >= CHATTER_IN_MINUTE
        }
    )
    lines = alarm_summary(transitions, duration_s)
    rate = len(raises) / duration_s * TEN_MIN_S if duration_s >= TEN_MIN_S else None
    priorities = Counter(str(t.priority) for t in raises)
    loudest = Counter(t.alarm for t in raises).most_common(10)
    whole = max(1, len(raises))
    return AlarmLoad(
        raised=len(raises),
        per_10_min=rate,
        rating=None if rate is None else next(words for bound, words in RATINGS if rate <= bound),
        most_in_10_min=_most_within(times, TEN_MIN_S),
        flood_share=float(np.mean(counts > FLOOD_IN_TEN_MIN)),
        chattering=chattering,
        stale=[line.alarm for line in lines if line.standing_s > STALE_AFTER_S],
        by_priority=dict(priorities),
        priority_share={priority: n / whole for priority, n in priorities.items()},
        loudest=[AlarmCount(a, n) for a, n in loudest],
        loudest_share=sum(n for _, n in loudest) / whole,
    )


def _most_within(times: np.ndarray[Any, np.dtype[np.float64]], span_s: float) -> int:
    """The most of `times` (sorted) in any stretch of less than `span_s`."""
    if times.size == 0:
        return 0
    return int((np.searchsorted(times, times + span_s, side="left") - np.arange(times.size)).max())
