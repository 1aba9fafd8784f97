"""Three simple rules on the same data, for comparison: threshold, extrapolated rate, exponential fit."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from tests.runaway_bench.electrodes import FloatArray
from tests.runaway_bench.truth import Log

__all__ = ["ForecastSeries", "exponential_fit", "rate_rule", "threshold_rule"]

BoolArray = NDArray[np.bool_]


@dataclass(slots=True)
class ForecastSeries:
    """What a watch said over a run: warnings (raised, cleared or inf), and forecasts each minute."""

    warnings: list[tuple[float, float]] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    time_to_limit_s: list[float] = field(default_factory=list)
    steady_c: list[float] = field(default_factory=list)


def _minutes(log: Log) -> tuple[FloatArray, FloatArray]:
    """Medians by the minute, so that glitches do not decide."""
    minute = (log.t_s // 60.0).astype(int)
    t, y = [], []
    for m in np.unique(minute):
        v = log.lye_temp[(minute == m) & np.isfinite(log.lye_temp)]
        if len(v):
            t.append(60.0 * (m + 1))
            y.append(float(np.median(v)))
    return np.array(t), np.array(y)


def _episodes(t: FloatArray, raises: BoolArray, clears: BoolArray) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    since: float | None = None
    for at, up, down in zip(t, raises, clears, strict=True):
        if since is None and up:
            since = float(at)
        elif since is not None and down:
            out.append((since, float(at)))
            since = None
    if since is not None:
        out.append((since, np.inf))
    return out


def threshold_rule(log: Log, limit_c: float) -> ForecastSeries:
    """Warn 5 K below the limit, clear 6 K below."""
    t, y = _minutes(log)
    return ForecastSeries(_episodes(t, y >= limit_c - 5.0, y < limit_c - 6.0), list(t))


def rate_rule(log: Log, limit_c: float) -> ForecastSeries:
    """Slope of the last ten minutes extrapolated for sixty: warn if that reaches the limit, two minutes
    running.
    """
    t, y = _minutes(log)
    left = np.full(len(t), np.inf)
    for k in range(4, len(t)):
        w = slice(max(0, k - 9), k + 1)
        slope = float(np.polyfit(t[w] - t[k], y[w], 1)[0])
        if slope > 0.0:
            left[k] = max((limit_c - y[k]) / slope, 0.0)
    reaches = left <= 3600.0
    twice = reaches & np.append(False, reaches[:-1])
    return ForecastSeries(_episodes(t, twice, left > 1.2 * 3600.0), list(t), list(left))


def exponential_fit(log: Log, limit_c: float) -> ForecastSeries:
    """``T = T_end - A exp(-t/tau)`` fitted to the last hour (at least ten minutes): warn if T_end is
    above.
    """
    t, y = _minutes(log)
    end = np.full(len(t), np.nan)
    left = np.full(len(t), np.inf)
    guess = (60.0, 3600.0)
    for k in range(9, len(t)):
        w = slice(max(0, k - 59), k + 1)
        x, v = t[w] - t[k], y[w]

        def law(x: FloatArray, t_end: float, tau: float, now: float = float(v[-3:].mean())) -> FloatArray:
            return t_end - (t_end - now) * np.exp(-x / tau)

        try:
            (t_end, tau), _ = curve_fit(
                law, x, v, p0=guess, bounds=([-50.0, 300.0], [400.0, 80_000.0]), max_nfev=30
            )
        except (RuntimeError, ValueError):
            continue
        end[k] = t_end
        guess = (float(np.clip(t_end, -40.0, 390.0)), float(np.clip(tau, 310.0, 79_000.0)))
        if t_end > limit_c:
            now = float(v[-3:].mean())
            left[k] = 0.0 if now >= limit_c else float(-tau * np.log((t_end - limit_c) / (t_end - now)))
    above = end > limit_c
    twice = above & np.append(False, above[:-1])
    return ForecastSeries(_episodes(t, twice, end < limit_c - 1.0), list(t), list(left), list(end))
