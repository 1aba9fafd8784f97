"""Scoring: detected, lead, false warnings, forecast and settling errors, as the table of the project asks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.runaway_bench.peers import ForecastSeries
from tests.runaway_bench.truth import Truth

__all__ = ["MINUTES_LEFT", "Card", "Score", "card", "total"]

MINUTES_LEFT = (5, 10, 20, 30)
_SLACK_S = 90.0
"""Truth is known at instants; a warning this little before the next one is not called false."""


@dataclass(slots=True)
class Card:
    """One run's marks."""

    name: str
    crossed: bool
    benign: bool
    detected: bool
    lead_s: float
    interval_s: float
    false: int
    hours: float
    time_errors: dict[int, float]
    settling: dict[int, float]


@dataclass(slots=True)
class Score:
    """Over all runs; None where nothing could be counted."""

    runaways: int
    benign: int
    detected: float
    lead_10: float
    lead_used: float
    lead_min: float
    false_per_100h: float
    benign_none: float
    time_error: dict[int, float]
    time_median: dict[int, float]
    settling: dict[int, float]


def _leads(run: Truth, at: float) -> bool:
    """Whether conditions around an instant lead to the limit, with half a check's slack."""
    gap = float(run.check_s[1] - run.check_s[0]) if len(run.check_s) > 1 else 0.0
    near = np.abs(run.check_s - at) <= gap + _SLACK_S
    return bool(run.leads_to_limit[near].any())


def card(run: Truth, forecasts: ForecastSeries) -> Card:
    """Mark one run."""
    crossed = run.crossed_s
    begin = run.inevitable_s
    false = sum(not _leads(run, a) for a, _ in forecasts.warnings)
    detected, lead, interval = False, 0.0, 0.0
    if crossed is not None and begin is not None:
        interval = crossed - begin
        standing = [max(a, begin) for a, b in forecasts.warnings if a < crossed and b > begin]
        if standing:
            detected = True
            lead = crossed - standing[0]
    times: dict[int, float] = {}
    if crossed is not None and begin is not None and forecasts.time_to_limit_s:
        at, left = np.array(forecasts.at_s), np.array(forecasts.time_to_limit_s)
        for m in MINUTES_LEFT:
            when = crossed - 60.0 * m
            if when < begin + 0.1 * (crossed - begin) or when < 0.0:
                continue
            k = int(np.searchsorted(at, when, side="right")) - 1
            if k >= 0:
                true = crossed - at[k]
                times[m] = float(min(abs(left[k] - true) / true, 1.0))
    settling: dict[int, float] = {}
    if forecasts.steady_c and run.benign:
        settling = _settling(run, forecasts)
    hours = float(run.log.t_s[-1]) / 3600.0
    return Card(
        run.name,
        crossed is not None,
        run.benign,
        detected,
        lead,
        interval,
        false,
        hours,
        times,
        settling,
    )


def _settling(run: Truth, forecasts: ForecastSeries) -> dict[int, float]:
    out: dict[int, float] = {}
    start = run.true_c[0]
    end = float(run.settles_c[0])
    if end - start < 5.0:
        return out
    for share in (30, 50):
        over = np.nonzero(run.true_c >= start + share / 100.0 * (end - start))[0]
        if not len(over):
            continue
        t = float(run.t_s[over[0]])
        truth = float(np.interp(t, run.check_s, run.settles_c))
        k = int(np.searchsorted(forecasts.at_s, t, side="right")) - 1
        if k >= 0:
            predicted_c = forecasts.steady_c[k]
            out[share] = float(min(abs(predicted_c - truth), 40.0)) if np.isfinite(predicted_c) else 40.0
    return out


def _mean(values: list[float]) -> float:
    return float(np.mean(values)) if values else float("nan")


def total(cards: list[Card]) -> Score:
    """Over all runs."""
    away = [c for c in cards if c.crossed]
    calm = [c for c in cards if c.benign]
    hours = sum(c.hours for c in cards)
    return Score(
        runaways=len(away),
        benign=len(calm),
        detected=_mean([float(c.detected) for c in away]),
        lead_10=_mean([float(c.lead_s >= min(600.0, 0.9 * c.interval_s)) for c in away]),
        lead_used=float(np.median([c.lead_s / c.interval_s if c.interval_s else 1.0 for c in away])),
        lead_min=float(np.median([c.lead_s for c in away])) / 60.0,
        false_per_100h=100.0 * sum(c.false for c in cards) / hours,
        benign_none=_mean([float(c.false == 0) for c in calm]),
        time_error={m: _mean([c.time_errors[m] for c in away if m in c.time_errors]) for m in MINUTES_LEFT},
        time_median={
            m: float(np.median([c.time_errors[m] for c in away if m in c.time_errors] or [np.nan]))
            for m in MINUTES_LEFT
        },
        settling={s: _mean([c.settling[s] for c in calm if s in c.settling]) for s in (30, 50)},
    )
