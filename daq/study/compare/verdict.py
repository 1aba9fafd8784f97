"""What a comparison comes to, in one sentence, and whether more runs would tell more.

The verdict goes by the interval that holds however often one looks, so that it may be asked for after each
run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from daq.measure import unit_words
from daq.quantity import shown
from daq.study.compare.bench_differences import differing_words
from daq.study.compare.comparison import Comparison, Difference
from daq.study.compare.days import MOST_RUNS, STATED_WORDS
from daq.study.compare.match import MetricSpec

__all__ = ["DAY", "Verdict", "amount_words", "level_words", "slope_words", "span_words", "verdict"]

DAY = (
    "With one run of each the build is told from the day only by what is known of the days: repeat both, in "
    "the order A B B A."
)
MOST_HOURS = 200.0

Kind = Literal["better", "worse", "different", "alike", "day", "unknown", "not_compared"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The sentence, and what it says.

    Attributes
    ----------
    kind : {"better", "worse", "different", "alike", "day", "unknown", "not_compared"}
        "day": what differs may be the build or the day. "unknown": noise or meters are in the way.
        "not_compared": gas per watt could not be matched.
    sentence : str
    metric : str
        Key of the result that it is on.
    more_hours : float or None
        Hours of each build that would tell as well, where the runs' own noise is most of what is in the way.
    runs_each : int or None
        Runs of each build in all that would tell.
    more_runs_each : int or None
        Those that are missing; 0 where it is time to stop.
    answer : str
        Whether to go on: "stop now", or how many more.
    """

    kind: Kind
    sentence: str
    metric: str
    more_hours: float | None
    runs_each: int | None
    more_runs_each: int | None
    answer: str


def verdict(comparison: Comparison) -> Verdict:
    """Of gas per watt."""
    d = comparison.headline
    one, two = comparison.first.name, comparison.second.name
    tail = differing_words(comparison.benches)
    if not d.known:
        return _verdict(d, "not_compared", (_not_compared(comparison), tail))
    what = d.metric.label
    at = f" at {d.matched['lye_temp']:.0f} °C" if d.matched and "lye_temp" in d.matched else ""
    at += _unlike(comparison)
    assumed = _days_words(d)
    if d.any_low > 0.0 or d.any_high < 0.0:
        up = d.any_low > 0.0
        by = amount_words(d.metric, *sorted((abs(d.any_low), abs(d.any_high))))
        side = "higher" if up else "lower"
        stop = f"Stop now: this holds however often one looks{assumed}."
        if not d.metric.better:
            text = f"{two} differs from {one}: {what} {side} by {by}{at}."
            return _verdict(d, "different", (text, stop, tail), more=0)
        good = (d.metric.better == "higher") == up
        word = "better" if good else "worse"
        text = f"{two} is {word} than {one}: {what} {side} by {by}{at}."
        return _verdict(d, "better" if good else "worse", (text, stop, tail), more=0)
    most = max(abs(d.any_low), abs(d.any_high))
    if d.metric.scale == "ratio" and most <= comparison.matters:
        text = f"No difference in {what} larger than {_share(most)} %{at}."
        stop = f"Stop now: more runs are not needed to rule out {_share(comparison.matters)} %{assumed}."
        return _verdict(d, "alike", (text, stop, tail), more=0)
    return _open(comparison, d, at, tail)


def span_words(d: Difference, *, often: bool = False) -> str:
    """The interval for one look in words, ``1.2 to 3.4 %``, ``-0.03 to 0.01 V``; with `often` that for any
    number of looks.
    """
    return amount_words(d.metric, *((d.any_low, d.any_high) if often else (d.low, d.high)))


def amount_words(metric: MetricSpec, low: float, high: float, *, fine: bool = False) -> str:
    """Two ends of an interval of differences in a metric, with their unit.

    Parameters
    ----------
    metric : MetricSpec
    low, high : float
        In the metric's unit, or shares of it [1] where it is compared as a ratio.
    fine : bool
        Whether to give small shares more digits.
    """
    share = (lambda x: _plain(100.0 * x)) if fine else _share
    if metric.scale == "ratio":
        return f"{share(low)} to {share(high)} %"
    if metric.unit == "1":
        return f"{share(low)} to {share(high)} percentage points"
    return f"{_plain(low)} to {_plain(high)} {unit_words(metric.unit)}"


def level_words(d: Difference, side: int) -> str:
    """A build's own level with its uncertainty."""
    value, u = d.levels[side]
    return shown(value, u, unit_words(d.metric.unit)).text


def slope_words(d: Difference) -> str:
    """Whether the difference changes with temperature, and where it is clear of nothing."""
    band = d.band
    if band is None:
        return ""
    if not band.known:
        return f"{d.metric.label} over temperature is not told: {band.reason}."
    change = f"{amount_words(d.metric, *band.slope[1:], fine=True)} for each 10 K at {band.middle:.0f} °C"
    if band.slopes_differ:
        sentence = f"The builds' slopes differ: the difference in {d.metric.label} changes by {change}."
    else:
        sentence = f"No change with temperature of the difference in {d.metric.label} was found: {change}."
    clear = [
        f"{'above' if sign > 0 else 'below'} from {a:.0f} to {b:.0f} °C"
        for a, b, sign in band.stretches(band.all_low, band.all_high)
    ]
    here = f"{band.temps[0]:.0f} to {band.temps[-1]:.0f} °C"
    where = f"clear of nothing, {' and '.join(clear)}" if clear else "nowhere clear of nothing"
    return f"{sentence} Over {here}, all temperatures taken together, it is {where}."


# -- parts -------------------------------------------------------------------------------------------------


def _verdict(
    d: Difference,
    kind: Kind,
    sentences: Sequence[str],
    hours: float | None = None,
    runs_each: int | None = None,
    more: int | None = None,
) -> Verdict:
    if more is None:
        answer = "not compared" if kind == "not_compared" else "stop now: more runs would not tell"
    else:
        answer = f"{more} more {'run' if more == 1 else 'runs'} each" if more else "stop now"
    return Verdict(kind, " ".join(s for s in sentences if s), d.metric.key, hours, runs_each, more, answer)


def _days_words(d: Difference) -> str:
    """On what scatter of days it rests, where that is stated and not seen; empty else."""
    if d.days is None or d.between_dof or d.outlook is None or d.days.sd == 0.0:
        return ""
    who = STATED_WORDS[d.days.stated]
    return f" if runs of one build scatter by {_share(d.days.sd)} %, as is {who}"


def _open(comparison: Comparison, d: Difference, at: str, tail: str) -> Verdict:
    """Nothing is told yet: what is in the way, and how much more would tell."""
    kind: Kind = "day" if _day_is_in_the_way(d) else "unknown"
    size, half = abs(d.value), 0.5 * (d.any_high - d.any_low)
    matters = comparison.matters if d.metric.scale == "ratio" else half
    # Either a difference of the size seen is to be told from none, or one that matters is to be ruled out.
    need = max(size, matters - size, 0.5 * matters)
    counts = len(comparison.first.runs), len(comparison.second.runs)
    runs = None if d.outlook is None else d.outlook.runs_each(need, counts)
    cannot = "Cannot tell the build from the day" if kind == "day" else "Cannot tell"
    lies = f"{d.metric.label} of {comparison.second.name} {_open_words(d)}{at}{_days_words(d)}"
    if runs is None:
        if d.outlook is not None and 1.96 * math.sqrt(d.outlook.lasting) >= 0.7 * need:
            why = f"No more runs would: what does not cancel of the calibrations{_mostly(d)} is in the way."
        else:
            why = f"Fewer than {MOST_RUNS} runs of each would not: make the runs more alike first."
        return _verdict(d, kind, (f"{cannot}: {lies}.", why, tail))
    more = runs - min(counts)
    gain = 1.0 / counts[0] + 1.0 / counts[1]
    hours = _hours_instead(d, need, gain) if kind == "unknown" else None
    effort = f"{more} more {'run' if more == 1 else 'runs'} each would"
    if hours is not None:
        effort += f", or about {_hours(hours)} more of each"
    return _verdict(d, kind, (f"{cannot}; {effort}: {lies}.", tail), hours, runs, more)


def _day_is_in_the_way(d: Difference) -> bool:
    """Whether the days are unknown, or more of the interval than noise is."""
    if d.outlook is None:
        return False
    if d.outlook.scatter.scale > 0.0 and not d.between_dof:
        return True
    scatter = d.outlook.scatter.sd
    return scatter > 0.0 and scatter**2 >= d.outlook.inside


def _hours_instead(d: Difference, need: float, gain: float) -> float | None:
    """Hours of each build that would tell, with as many runs as now: noise falls with time, nothing else
    does."""
    assert d.outlook is not None
    noise, days = d.noise**2, 1.96**2 * d.outlook.scatter.sd**2 * gain
    share = noise / max(noise + days + d.calibration**2, 1e-300)
    left = (need / (0.5 * (d.any_high - d.any_low))) ** 2 - (1.0 - share)
    if left <= 0.0:
        return None
    hours = min(d.hours) * max(share / left - 1.0, 0.25)
    return hours if hours <= MOST_HOURS else None


def _not_compared(comparison: Comparison) -> str:
    d = comparison.headline
    others = [x.metric.label for x in comparison.differences[1:] if x.known]
    text = f"Gas per watt is not compared: {d.reason}."
    if others:
        text += f" What could be compared ({', '.join(others)}) stands below, and is no verdict on that."
    return text


def _unlike(comparison: Comparison) -> str:
    """Where the builds ran at currents that could not be adjusted for: what those were."""
    d = comparison.headline
    if not any(text.startswith("current density") for text in d.unmatched):
        return ""
    one, two = (
        sum(float(r.density.sum()) for r in g.runs) / max(sum(len(r) for r in g.runs), 1)
        for g in (comparison.first, comparison.second)
    )
    return f", at {one:.0f} against {two:.0f} mA/cm², which is not adjusted for"


def _open_words(d: Difference) -> str:
    if d.metric.scale == "ratio":
        return f"lies anywhere from {_share(-d.any_low)} % lower to {_share(d.any_high)} % higher"
    return f"differs by {span_words(d, often=True)}"


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
