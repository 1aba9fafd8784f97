"""What a comparison comes to, in one sentence, and what would tell if it does not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scipy.special import stdtrit

from daq.study.compare import Comparison, Difference
from daq.study.compare_match import MetricSpec
from daq.watch.numbers import unit_words

__all__ = ["DAY", "Verdict", "amount_words", "repeats_needed", "span_words", "verdict"]

DAY = "One run of each can not separate the build from the day: repeat both, in the order A B B A."
MOST_REPEATS, MOST_HOURS = 60, 200.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """The sentence, and what it says.

    Attributes
    ----------
    kind : {"better", "worse", "different", "alike", "unknown"}
    sentence : str
    more_hours : float or None
        Hours of each build that would tell, where the noise is what is in the way.
    runs_each : int or None
        Runs of each build that would tell, where the days are.
    """

    kind: Literal["better", "worse", "different", "alike", "unknown"]
    sentence: str
    more_hours: float | None = None
    runs_each: int | None = None


def verdict(comparison: Comparison) -> Verdict:
    """Of the headline metric, MMW where it was measured."""
    d = comparison.headline
    one, two = comparison.first.name, comparison.second.name
    if not d.known:
        return Verdict("unknown", f"Cannot tell: {d.reason}.")
    what = d.metric.label
    days = "" if comparison.repeated else f" {DAY}"
    at = f" at {d.matched['lye_temp']:.0f} °C" if d.matched and "lye_temp" in d.matched else ""
    if d.low > 0.0 or d.high < 0.0:
        up = d.low > 0.0
        by = span_words(d, sign=False)
        side = "higher" if up else "lower"
        if not d.metric.better:
            return Verdict("different", f"{two} differs from {one}: {what} {side} by {by}{at}.{days}")
        good = (d.metric.better == "higher") == up
        word = "better" if good else "worse"
        return Verdict(
            "better" if good else "worse", f"{two} is {word} than {one}: {what} {side} by {by}{at}.{days}"
        )
    matters = comparison.matters if d.metric.scale == "ratio" else None
    most = max(abs(d.low), abs(d.high))
    if matters is not None and most <= matters:
        return Verdict("alike", f"No difference in {what} larger than {_share(most)} %{at}.{days}")
    more, hours, runs = _what_would_tell(comparison, d)
    return Verdict("unknown", f"Cannot tell: {what} of {two} {_open_words(d)}{at}. {more}{days}", hours, runs)


def span_words(d: Difference, *, sign: bool = True) -> str:
    """The interval in words: ``1.2 to 3.4 %``, ``-0.03 to 0.01 V``; without sign the smaller end first."""
    low, high = (d.low, d.high) if sign else sorted((abs(d.low), abs(d.high)))
    return amount_words(d.metric, low, high)


def amount_words(metric: MetricSpec, low: float, high: float, *, fine: bool = False) -> str:
    """Two ends of an interval of differences in a metric, with their unit; `fine` for such as are small."""
    share = (lambda x: _plain(100.0 * x)) if fine else _share
    if metric.scale == "ratio":
        return f"{share(low)} to {share(high)} %"
    if metric.unit == "1":
        return f"{share(low)} to {share(high)} percentage points"
    return f"{_plain(low)} to {_plain(high)} {unit_words(metric.unit)}"


def repeats_needed(day_sd: float, need: float, calibration: float = 0.0, own: float = 0.0) -> int | None:
    """Runs of each of two builds for a half-width of `need`; None for too many.

    ``(t(2n - 2) sd sqrt(2/n))^2 + (own sqrt(2/n))^2 + calibration^2``, with the standard deviation from run
    to run, what is another error in every run, and what stays.
    """
    left = need**2 - calibration**2
    if left <= 0.0:
        return None
    for n in range(2, MOST_REPEATS + 1):
        if math.hypot(float(stdtrit(2 * n - 2, 0.975)) * day_sd, own) * math.sqrt(2.0 / n) <= math.sqrt(left):
            return n
    return None


def _open_words(d: Difference) -> str:
    if d.metric.scale == "ratio":
        return f"lies anywhere from {_share(-d.low)} % lower to {_share(d.high)} % higher"
    return f"differs by {span_words(d)}"


def _what_would_tell(comparison: Comparison, d: Difference) -> tuple[str, float | None, int | None]:
    half = 0.5 * (d.high - d.low)
    size = abs(d.value)
    matters = comparison.matters if d.metric.scale == "ratio" else half
    # Either a difference of the size seen is to be told from none, or one that matters is to be ruled out.
    need = max(size, matters - size, 0.5 * matters)
    counts = len(comparison.first.runs), len(comparison.second.runs)
    lasting = math.sqrt(max(d.calibration**2 - d.own**2, 0.0))
    own = d.own / math.sqrt(1.0 / counts[0] + 1.0 / counts[1])
    if lasting >= need:
        return (
            f"No longer run would tell: what does not cancel of the calibrations{_mostly(d)} is in the way.",
            None,
            None,
        )
    if d.calibration >= need and not d.between_dof:
        # Nothing is known of how days differ: this many at the least.
        runs = repeats_needed(0.0, need, lasting, math.hypot(own, d.noise / math.sqrt(2.0)))
        why = f"what the meters{_mostly(d)} are off by on its day is in the way"
        if runs is None:
            return f"No longer run would tell: {why}.", None, None
        return f"No longer run would tell: {why}. {runs} runs of each or more would.", None, runs
    if d.between_dof:
        runs = repeats_needed(d.day_sd, need, lasting, own)
        if runs is None:
            return (
                f"More than {MOST_REPEATS} runs of each would be needed: make the runs more alike first.",
                None,
                None,
            )
        runs = max(runs, max(counts) + 1)
        return f"About {runs} runs of each in all would tell.", None, runs
    factor = d.noise**2 / (need**2 - d.calibration**2)
    hours = min(d.hours)
    more = max(hours * (factor - 1.0), 0.25 * hours)
    if more > MOST_HOURS:
        return "Longer runs would hardly tell: make them more alike, or the meters quieter.", None, None
    return f"About {_hours(more)} more of each would tell.", more, None


def _mostly(d: Difference) -> str:
    return f" (most of it: {d.calibration_from})" if d.calibration_from else ""


def _hours(hours: float) -> str:
    if hours < 1.5:
        return f"{max(10, round(hours * 6.0) * 10)} min"
    return f"{hours:.0f} h" if hours >= 10.0 else f"{hours:.1f} h"


def _share(value: float) -> str:
    text = f"{100.0 * value:.1f}" if abs(value) < 0.0995 else f"{100.0 * value:.0f}"
    return text.replace("-0.0", "0.0") if text == "-0.0" else text


def _plain(value: float) -> str:
    return f"{value:.2g}" if value else "0"
