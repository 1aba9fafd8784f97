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
from collections.abc import Sequence
from typing import Any

import numpy as np

from daq.store import Transition

__all__ = ["alarm_load", "alarm_summary", "is_raise"]

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


def is_raise(transition: Transition) -> bool:
    """Whether a transition calls for attention: an alarm has become unacknowledged."""
    return transition.state_to == "unacknowledged"


def alarm_summary(transitions: Sequence[Transition], end_s: float) -> list[dict[str, Any]]:
    """One line an alarm that was ever raised: how often, first when, how long it stood [s], how it ended."""
    out: dict[str, dict[str, Any]] = {}
    since: dict[str, float] = {}
    for t in sorted(transitions, key=lambda t: t.t_ns):
        at = t.t_ns / 1e9
        if is_raise(t) and t.alarm not in out:
            out[t.alarm] = {
                "alarm": t.alarm,
                "priority": t.priority,
                "cause": t.cause,
                "first_at_s": at,
                "raised": 0,
                "standing_s": 0.0,
                "state": t.state_to,
            }
        line = out.get(t.alarm)
        if line is None:
            continue
        line["raised"] += is_raise(t)
        line["state"] = t.state_to
        if t.state_to in _STANDING:
            since.setdefault(t.alarm, at)
        elif t.alarm in since:
            line["standing_s"] += at - since.pop(t.alarm)
    for alarm, at in since.items():
        out[alarm]["standing_s"] += max(0.0, end_s - at)
    return sorted(out.values(), key=lambda line: float(line["first_at_s"]))


def alarm_load(transitions: Sequence[Transition], duration_s: float) -> dict[str, Any]:
    """Alarm-rate measures of a run.

    Returns
    -------
    dict
        `raised`; `per_10_min` on average and its `rating` (None below ten minutes); `most_in_10_min` in any
        ten minutes; `flood_share` of the run's ten-minute stretches with more than ten; `chattering` alarms;
        `stale` ones; `by_priority` and `priority_share`; `loudest`, the ten most frequent, and their
        `loudest_share` of all.
    """
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
    return {
        "raised": len(raises),
        "per_10_min": rate,
        "rating": None if rate is None else next(words for bound, words in RATINGS if rate <= bound),
        "most_in_10_min": _most_within(times, TEN_MIN_S),
        "flood_share": float(np.mean(counts > FLOOD_IN_TEN_MIN)),
        "chattering": chattering,
        "stale": [str(line["alarm"]) for line in lines if float(line["standing_s"]) > STALE_AFTER_S],
        "by_priority": dict(priorities),
        "priority_share": {priority: n / whole for priority, n in priorities.items()},
        "loudest": [{"alarm": a, "raised": n} for a, n in loudest],
        "loudest_share": sum(n for _, n in loudest) / whole,
    }


def _most_within(times: np.ndarray[Any, np.dtype[np.float64]], span_s: float) -> int:
    """The most of `times` (sorted) in any stretch of less than `span_s`."""
    if times.size == 0:
        return 0
    return int((np.searchsorted(times, times + span_s, side="left") - np.arange(times.size)).max())
