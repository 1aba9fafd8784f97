"""Whether the bands of forecasts held: of every forecast that a run had, against when the limit was reached.

A forecast says when a limit will be reached if nothing is changed. It can be checked only until something
was: the supply switched or turned, or the samples end. How far off forecasts were, and whether warnings came
in time, is told by `daq.study.review.forecast_verification`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from daq.measure import FloatArray
from daq.study.render import Count, Share
from daq.study.runs import Phase

__all__ = ["CheckedForecast", "IntervalCoverage", "check_forecasts"]

_UNDISTURBED = ("warm-up", "steady")
BAND = 0.9
"""Share of forecasts whose band should hold what happened: its ends are the 5 % and 95 % points."""


Verdict = Literal["held", "early", "late", "not foreseen", "did not come"]


@dataclass(frozen=True, slots=True)
class CheckedForecast:
    """What a forecast said of the time to a limit [degC], and what came, in seconds from `at_s`.

    Attributes
    ----------
    predicted_s, low_s, high_s : float or None
        None: not reached.
    came_s : float or None
        None: not until something was changed.
    watched_s : float
        Until then.
    verdict : str
        Whether the band held what came; "early": it came before the band.
    """

    at_s: float
    limit_c: float
    predicted_s: Annotated[float | None, Field(serialization_alias="said_s")]
    low_s: float | None
    high_s: float | None
    came_s: float | None
    watched_s: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class IntervalCoverage:
    """Of every forecast of the time to the limit: whether what came lay in its band.

    Attributes
    ----------
    made, checked, held : int
        Forecasts, those that could be checked, and those that held.
    band : float
        The share that should hold.
    list_ : sequence of CheckedForecast
    """

    made: Count
    checked: Count
    held: Count
    band: Share
    list_: Annotated[Sequence[CheckedForecast], Field(serialization_alias="list")]


def check_forecasts(
    forecasts: Sequence[Mapping[str, Any]],
    end_s: FloatArray,
    lye_temp: FloatArray,
    phases: Sequence[Phase],
) -> IntervalCoverage:
    """Set forecasts beside the temperature that came.

    Parameters
    ----------
    forecasts : sequence of dict
        As `Forecaster.forecast`, each with `at_s`.
    end_s, lye_temp : float64[m]
        Ends [s] and mean temperatures [degC] of consecutive windows.
    phases : sequence of Phase
    """
    listed = []
    known = np.isfinite(lye_temp)
    end_s, width = end_s[known], float(np.median(np.diff(end_s))) if end_s.size > 1 else 0.0
    lye_temp = lye_temp[known]
    for f in forecasts:
        limit = f.get("limit_c")
        if limit is None:
            continue
        at = float(f["at_s"])
        until = _unchanged_until(at, phases)
        if until is None:
            continue
        low, high = (
            math.inf if f.get(k) is None else float(f[k])
            for k in ("time_to_limit_low_s", "time_to_limit_high_s")
        )
        first, last = np.searchsorted(end_s, [at, until], side="right").tolist()
        if first == last or (first and lye_temp[first - 1] >= limit):
            continue
        over = lye_temp[first:last] >= limit
        reached = first + int(over.argmax())
        came = _crossed(end_s, lye_temp, reached, float(limit), width) - at if over.any() else None
        verdict = _verdict(low, high, came, until - at, width)
        if verdict is not None:
            listed.append(
                CheckedForecast(
                    at_s=at,
                    limit_c=limit,
                    predicted_s=f.get("time_to_limit_s"),
                    low_s=None if math.isinf(low) else low,
                    high_s=None if math.isinf(high) else high,
                    came_s=came,
                    watched_s=until - at,
                    verdict=verdict,
                )
            )
    held = sum(1 for line in listed if line.verdict == "held")
    return IntervalCoverage(len(forecasts), len(listed), held, BAND, listed)


def _crossed(end_s: FloatArray, lye_temp: FloatArray, first: int, limit: float, width: float) -> float:
    """When it was reached, as `verify_forecasts` has it: between two windows' middles, by proportion [s]."""
    at = float(end_s[first]) - 0.5 * width
    if first == 0 or not lye_temp[first - 1] < limit:
        return at
    share = (limit - float(lye_temp[first - 1])) / float(lye_temp[first] - lye_temp[first - 1])
    return at - (1.0 - share) * float(end_s[first] - end_s[first - 1])


def _unchanged_until(at: float, phases: Sequence[Phase]) -> float | None:
    """When something was changed next; None where the forecast was made while something was."""
    until = None
    for phase in phases:
        if phase.to_s <= at:
            continue
        if phase.name not in _UNDISTURBED:
            return until
        until = phase.to_s
    return until


def _verdict(low: float, high: float, came: float | None, watched: float, width: float) -> Verdict | None:
    """None where what happened can not tell."""
    if came is not None:
        if math.isinf(low):
            return "not foreseen"
        if came < low - width:
            return "early"
        return "late" if came > high + width else "held"
    if high < watched:
        return "did not come"
    return "held" if low >= watched else None
