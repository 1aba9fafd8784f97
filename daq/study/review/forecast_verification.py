"""What came of a run's forecasts and warnings: in time or not, and how far off.

A forecast says what comes *under present conditions*. It is judged only as far as these lasted: over a
stretch in which the stack was powered and nobody disturbed it. In such a stretch the temperature either
crosses the limit, and then the times said on the way are held against the time there was; or it settles, and
then what was said at 30 % and 50 % of the rise is held against where it settled; or the stretch ends first,
and nothing can be said. Whether the bands of all its forecasts held is told by
`daq.study.review.interval_coverage`.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from daq.measure import FloatArray, Numbers
from daq.study.render import Share
from daq.study.runs import Phase

__all__ = [
    "ForecastVerification",
    "JudgedWarning",
    "SettlingError",
    "Stretch",
    "TimeError",
    "verify_forecasts",
]

LEFT_S = (3600.0, 1800.0, 1200.0, 600.0, 300.0)
"""How long before a crossing what was said of it is looked at [s]."""
SHARES = (0.3, 0.5)
"""At which shares of a rise what was said of its end is looked at."""
SETTLED_AFTER_S = 600.0
"""So long steady at its end, a stretch has settled [s] (judgement)."""
LEAST_RISE_K = 5.0
"""A smaller rise tells nothing of a forecast [K] (judgement)."""
NEAR_S = 90.0
"""Forecasts come one a minute; one so near an instant is the one of that instant [s]."""
_LASTING = ("warm-up", "steady")


@dataclass(frozen=True, slots=True)
class TimeError:
    """What was said of the time to a limit, `left_s` before it was crossed [s]; `error` as a share [1]."""

    left_s: float
    at_s: float
    true_s: float
    predicted_s: Annotated[float | None, Field(serialization_alias="said_s")]
    low_s: float | None
    high_s: float | None
    error: float | None


@dataclass(frozen=True, slots=True)
class SettlingError:
    """What was said, at a share of the rise, of where it would settle [degC]."""

    share: Share
    at_s: float
    predicted_c: Annotated[float | None, Field(serialization_alias="said_c")]
    low_c: float | None
    high_c: float | None
    error_c: float | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of unchanged conditions [s], and what came.

    Attributes
    ----------
    outcome : str
        "crossed", "settled" or what ended it.
    limit_c, crossed_at_s, settled_c : float or None
    time_errors : sequence of TimeError
        Of the time to the limit, where it was crossed.
    settling : sequence of SettlingError
        Of where it settles, where it did.
    """

    from_s: float
    to_s: float
    outcome: str
    limit_c: float | None
    crossed_at_s: float | None
    settled_c: float | None
    time_errors: Annotated[Sequence[TimeError], Field(serialization_alias="said")]
    settling: Sequence[SettlingError]


@dataclass(frozen=True, slots=True)
class JudgedWarning:
    """What came of a warning, and how long after it [s]."""

    raised_s: float
    outcome: Literal["not judged", "crossed", "late", "settled", "changed"]
    lead_s: float | None
    crossed_at_s: float | None
    words: str


@dataclass(frozen=True, slots=True)
class ForecastVerification:
    """What came in each stretch of unchanged conditions, whether a warning came in time, and how far off it
    was what had been said at chosen moments before. `missed`: crossings [s] before which no warning stood.
    """

    stretches: Sequence[Stretch]
    warnings: Sequence[JudgedWarning]
    missed: Sequence[float]


def verify_forecasts(
    windows: Numbers,
    phases: Sequence[Phase],
    forecasts: Sequence[Mapping[str, Any]],
    warnings: Sequence[Mapping[str, Any]],
) -> ForecastVerification:
    """Hold a run's forecasts and warnings against its temperatures.

    Parameters
    ----------
    windows : Numbers
        Of consecutive windows of the whole run, with `lye_temp`.
    phases : sequence of Phase
        Of the same windows.
    forecasts : sequence of mapping
        In order of time: `at_s`, `limit_c`, `time_to_limit_s`, `steady_state_c` and their bands.
    warnings : sequence of mapping
        `raised_s`, `cleared_s`, `reason`, `numbers`.
    """
    if not forecasts:
        return ForecastVerification([], [], [])
    stretches = [_stretch(windows, group, after, forecasts) for group, after in _lasting(phases)]
    judged = [_judged(w, stretches) for w in warnings]
    warned = {w.crossed_at_s for w in judged}
    crossings = [s.crossed_at_s for s in stretches if s.crossed_at_s is not None]
    return ForecastVerification(stretches, judged, [at for at in crossings if at not in warned])


def _lasting(phases: Sequence[Phase]) -> list[tuple[list[Phase], str]]:
    """Phases that make one stretch of unchanged conditions, and what ended it."""
    out: list[tuple[list[Phase], str]] = []
    groups = [(key, list(g)) for key, g in itertools.groupby(phases, key=lambda p: p.name in _LASTING)]
    for i, (lasting, group) in enumerate(groups):
        if lasting:
            out.append((group, groups[i + 1][1][0].name if i + 1 < len(groups) else "the run's end"))
    return out


def _stretch(
    windows: Numbers, group: Sequence[Phase], after: str, forecasts: Sequence[Mapping[str, Any]]
) -> Stretch:
    first, last = group[0], group[-1]
    rows = slice(first.first, last.last + 1)
    half_s = windows.window_ns * 0.5e-9
    t_s = windows.end_ns[rows] / 1e9 - half_s
    lye = windows.value["lye_temp"][rows]
    known = np.isfinite(lye)
    t_s, lye = t_s[known], lye[known]
    own = [f for f in forecasts if first.from_s <= float(f["at_s"]) <= last.to_s]
    limit = next((float(f["limit_c"]) for f in own if f.get("limit_c") is not None), None)
    crossed = None if limit is None else _crossing(t_s, lye, limit)
    settled: float | None = None
    if crossed is None and last.name == "steady" and last.to_s - last.from_s >= SETTLED_AFTER_S:
        settled = float(np.mean(lye[t_s >= last.to_s - 0.5 * SETTLED_AFTER_S]))
    return Stretch(
        from_s=first.from_s,
        to_s=last.to_s,
        outcome="crossed" if crossed is not None else "settled" if settled is not None else after,
        limit_c=limit,
        crossed_at_s=crossed,
        settled_c=settled,
        time_errors=[] if crossed is None else _time_errors(own, crossed),
        settling=[] if settled is None else _settling_errors(own, t_s, lye, settled),
    )


def _crossing(t_s: FloatArray, lye: FloatArray, limit: float) -> float | None:
    """When the windows' means first rise through the limit, between two windows by proportion [s]."""
    beyond = np.flatnonzero(lye >= limit)
    if beyond.size == 0 or beyond[0] == 0:
        return None
    j = int(beyond[0])
    share = (limit - lye[j - 1]) / (lye[j] - lye[j - 1])
    return float(t_s[j - 1] + share * (t_s[j] - t_s[j - 1]))


def _near(forecasts: Sequence[Mapping[str, Any]], at_s: float) -> Mapping[str, Any] | None:
    """The forecast of an instant; None where there is none near it."""
    if not forecasts:
        return None
    best = min(forecasts, key=lambda f: abs(float(f["at_s"]) - at_s))
    return best if abs(float(best["at_s"]) - at_s) <= NEAR_S else None


def _time_errors(forecasts: Sequence[Mapping[str, Any]], crossed_s: float) -> list[TimeError]:
    out = []
    for left_s in LEFT_S:
        f = _near(forecasts, crossed_s - left_s)
        if f is None:
            continue
        true_s = crossed_s - float(f["at_s"])
        predicted_s = f.get("time_to_limit_s")
        out.append(
            TimeError(
                left_s=left_s,
                at_s=float(f["at_s"]),
                true_s=true_s,
                predicted_s=predicted_s,
                low_s=f.get("time_to_limit_low_s"),
                high_s=f.get("time_to_limit_high_s"),
                error=None if predicted_s is None else (float(predicted_s) - true_s) / true_s,
            )
        )
    return out


def _settling_errors(
    forecasts: Sequence[Mapping[str, Any]], t_s: FloatArray, lye: FloatArray, settled_c: float
) -> list[SettlingError]:
    start = float(lye[0])
    if settled_c - start < LEAST_RISE_K:
        return []
    out = []
    for share in SHARES:
        at_s = float(t_s[int(np.argmax(lye >= start + share * (settled_c - start)))])
        f = _near(forecasts, at_s)
        if f is None:
            continue
        predicted_c = f.get("steady_state_c")
        out.append(
            SettlingError(
                share=share,
                at_s=float(f["at_s"]),
                predicted_c=predicted_c,
                low_c=f.get("steady_state_low_c"),
                high_c=f.get("steady_state_high_c"),
                error_c=None if predicted_c is None else float(predicted_c) - settled_c,
            )
        )
    return out


def _judged(warning: Mapping[str, Any], stretches: Sequence[Stretch]) -> JudgedWarning:
    """What came of a warning."""
    outcome: Literal["not judged", "crossed", "late", "settled", "changed"]
    at_s = float(warning["raised_s"])
    own = next((s for s in stretches if s.from_s <= at_s <= s.to_s), None)
    crossed = None if own is None else own.crossed_at_s
    lead_s: float | None = None
    if own is None:
        outcome, words = "not judged", "raised while conditions were changing"
    elif crossed is not None and crossed >= at_s:
        outcome, lead_s = "crossed", crossed - at_s
        words = "the limit was crossed"
    elif crossed is not None:
        outcome, words, crossed = "late", "the limit had been crossed before", None
    elif own.settled_c is not None:
        outcome, words = "settled", f"it settled at {own.settled_c:.1f} °C, below the limit"
    else:
        outcome = "changed"
        words = f"conditions lasted {(own.to_s - at_s) / 60.0:.0f} min longer; then: {own.outcome}"
    return JudgedWarning(at_s, outcome, lead_s, crossed, words)
