"""A comparison said: its verdicts, every difference with its intervals, and what they rest on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import numpy as np

from daq.measure import unit_words
from daq.quantity import shown
from daq.store import LookRecord
from daq.study.compare.comparison import Comparison, Difference
from daq.study.compare.days import STATED_WORDS
from daq.study.compare.looks import looks_words
from daq.study.compare.picture import comparison_picture
from daq.study.compare.verdict import DAY, amount_words, level_words, slope_words, span_words, verdict
from daq.study.render import (
    Cautions,
    Document,
    Facts,
    Items,
    Paragraph,
    Part,
    Picture,
    Section,
    Table,
    Title,
    date_words,
)

__all__ = ["basis", "comparison_document"]

ROWS = 5
HAC_APART = 1.6
"""Where the check on the noise gives so much more, it is said."""
_SECOND_LESS_FIRST = "Second less first, 95 %"
_ALWAYS = (
    "Each difference holds for both builds at the same temperature, and the same current where it says so.",
    (
        "Each interval is a 95 % one of its own; the one for one look holds if these runs were decided on "
        "beforehand, the one for any look however often one looks while runs are added. The verdict goes by "
        "that; bands over temperature are for one look."
    ),
    (
        "At one temperature all runs share their slopes; over temperature each build has slopes of its own, "
        "and the interval there is wider."
    ),
    "The noise of neighbouring blocks goes together; the interval counts that.",
    "The interval counts what the meters' errors do not have in common.",
    "A meter that was exchanged or moved between the runs and kept its name is not seen.",
)


def comparison_document(comparisons: Sequence[Comparison]) -> Document:
    """The comparisons of builds with the first, as one document."""
    first = comparisons[0].first
    title = f"{first.name} compared with {', '.join(c.second.name for c in comparisons)}"
    runs = [
        [g.name, r.run_id or "–", r.name or "–", date_words(r.start_utc_ns), f"{r.hours:.2f} h"]
        for g in (first, *(c.second for c in comparisons))
        for r in g.runs
    ]
    parts = [
        Title(title, sentences=[verdict(c).sentence for c in comparisons]),
        Cautions(),
        *(part for c in comparisons for part in _pair(c)),
        Table(["Build", "Run", "Name", "Started", "Compared"], runs, "Runs", numeric=1),
        Section("What this rests on", [Items(basis(comparisons))]),
    ]
    return Document(title, parts)


def basis(comparisons: Sequence[Comparison]) -> list[str]:
    """What the comparison rests on, in plain words."""
    out = [
        f"Dry gas is counted at {comparisons[0].first.runs[0].reference}; ± is U, k = 2.",
        *_ALWAYS,
    ]
    if not all(c.repeated for c in comparisons):
        out.append(DAY)
    out += [_days(c) for c in comparisons if c.headline.known]
    for c in comparisons:
        out += looks_words(c)
        for d in c.differences:
            if not d.known:
                continue
            if d.matched:
                out.append(f"{d.metric.label}: compared at {_matched(d)}.")
            out += [f"{d.metric.label}: {text}." for text in d.unmatched]
            if math.isfinite(d.hac) and d.hac > HAC_APART * d.noise:
                out.append(
                    f"{d.metric.label}: the noise has a slow part; by cosine scores its share of the "
                    f"interval would be {d.hac / d.noise:.1f} times as wide."
                )
    runs = [r for c in comparisons for g in (c.first, c.second) for r in g.runs]
    out += [f"Assumed: {text}." for r in runs for text in r.assumed]
    return list(dict.fromkeys(out))


# -- parts -------------------------------------------------------------------------------------------------


def _pair(c: Comparison) -> list[Part]:
    head, names = c.headline, (c.first.name, c.second.name)
    label = head.metric.label
    rows = [
        [d.metric.label, level_words(d, 0), level_words(d, 1), span_words(d), span_words(d, often=True)]
        for d in c.differences
        if d.known
    ]
    left_out = [[d.metric.label, d.reason] for d in c.differences if not d.known and d.reason]
    looked = [
        [date_words(k.t_utc_ns), str(len(k.runs)), k.kind.replace("_", " "), _look_span(head, k)]
        for k in c.looks
    ]
    files = [Section(f"{b.label}: {b.first}; {b.second}", [Paragraph(b.effect)]) for b in c.benches]
    whole = f"{_SECOND_LESS_FIRST}, one look", "95 %, any look"
    each = f"{_SECOND_LESS_FIRST} at this temperature", "95 % at all together"
    parts: list[Part] = [
        Section(
            f"{names[1]} against {names[0]}",
            [
                Picture(
                    partial(comparison_picture, c),
                    style="picture",
                    narrow=partial(comparison_picture, c, narrow=True),
                )
            ],
        ),
        Table(["Result", *names, *whole], rows, "Differences", numeric=4),
        Table(["Result", "Why it is not compared"], left_out, "Not compared"),
    ]
    if head.known:
        parts.append(Table(["Lye", *names, *each], _band_rows(head), f"{label} over temperature", numeric=4))
        parts.append(Section("With temperature", [Paragraph(slope_words(head))]))
        parts.append(Section(f"What the interval of {label} is made of, each alone", [_budget(head)]))
    if c.lye.words:
        parts.append(Section("The lyes", [Paragraph(c.lye.words)]))
    if files:
        parts.append(Section("The bench files differ", files))
    if len(looked) > 1:
        headings = ["Looked", "Runs", "Verdict then", "95 %, any look"]
        parts.append(Table(headings, looked, "Looks at these builds", numeric=1))
    return parts


def _look_span(d: Difference, look: LookRecord) -> str:
    return "–" if look.low is None or look.high is None else amount_words(d.metric, look.low, look.high)


def _band_rows(d: Difference) -> list[list[str]]:
    """At some of the band's temperatures: both builds ± U, the pointwise and the simultaneous interval."""
    band = d.band
    if band is None or not band.known:
        return []
    out = []
    for k in np.unique(np.linspace(0, band.temps.size - 1, ROWS).round().astype(int)).tolist():
        levels = [
            shown(float(c.value[k]), float(c.high[k] - c.value[k]), unit_words(d.metric.unit)).text
            for c in (band.first, band.second)
        ]
        spans = [
            amount_words(d.metric, float(low[k]), float(high[k]))
            for low, high in ((band.difference.low, band.difference.high), (band.all_low, band.all_high))
        ]
        out.append([f"{band.temps[k]:.1f} °C", *levels, *spans])
    return out


def _budget(d: Difference) -> Facts:
    def words(x: float) -> str:
        if d.metric.scale == "ratio" or d.metric.unit == "1":
            return f"± {100.0 * x:.2f} %"
        return f"± {x:.2g} {unit_words(d.metric.unit)}"

    facts = []
    if math.isfinite(d.between):
        of_runs = f"{d.between_dof} repeats" if d.between_dof else "stated, not seen"
        facts.append(("scatter from run to run", f"{words(d.between)} ({of_runs}; noise within)"))
    of = f" (most of it: {d.calibration_from})" if d.calibration_from else ""
    facts.append(("noise of the blocks", words(d.noise)))
    facts.append(("calibrations, not cancelled", words(d.calibration) + of))
    return Facts(facts)


def _matched(d: Difference) -> str:
    units = {"lye_temp": ("lye at", "°C"), "density": ("", "mA/cm²"), "cell_volts": ("", "V a cell")}
    return ", ".join(f"{units[k][0]} {v:.3g} {units[k][1]}".strip() for k, v in (d.matched or {}).items())


def _days(c: Comparison) -> str:
    """What the scatter from day to day was taken from."""
    d = c.headline
    if d.outlook is None or d.days is None:
        return ""
    scatter, stated = d.outlook.scatter, f"{100.0 * d.days.sd:g} %"
    if d.days.sd == 0.0:
        return "Days are taken as alike: as was asked, the interval holds the runs' own noise alone."
    who = STATED_WORDS[d.days.stated]
    if not d.between_dof:
        return (
            f"No build was run twice: from day to day {stated} is {who}, a half-t scale that holds up to "
            f"{100.0 * scatter.quantile(0.95):.1f} % for possible. Repeats take its place; --day-sd states "
            "another."
        )
    return (
        f"Runs of one build scatter by {100.0 * scatter.sd:.2f} % from day to day "
        f"({100.0 * scatter.quantile(0.05):.2f} to {100.0 * scatter.quantile(0.95):.2f} %), from "
        f"{d.between_dof} repeats on this bench."
    )
