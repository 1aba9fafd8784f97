"""A comparison as a picture: both builds over temperature in one plot, their difference with its band beneath
it, and every result's difference with its interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from daq.measure import unit_words
from daq.study.compare.band import ConfidenceBand
from daq.study.compare.comparison import Comparison, Difference, Group
from daq.study.compare.verdict import level_words, slope_words, span_words, verdict
from daq.study.render import (
    FIRST,
    FIRST_PALE,
    INK,
    PALE,
    QUIET,
    SECOND,
    SECOND_PALE,
    SHEET,
    figure,
    rendered,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["comparison_picture"]

WIDTH, HEIGHT = 1200, 630
NARROW = 420, 1240
"""For a phone, its panels above one another: there the wide one's words would be 4 pixels high."""
MOST_POINTS = 1500
SHADED = "Shaded: ± U of each build; 95 % of the difference at each temperature (dotted: at all together). "


def comparison_picture(
    comparison: Comparison, form: Literal["svg", "png"] = "svg", *, narrow: bool = False
) -> bytes:
    """Draw one comparison, 1200 by 630 pixels.

    Parameters
    ----------
    comparison : Comparison
    form : {"svg", "png"}
    narrow : bool
        With the panels above one another, 420 by 1240 pixels.
    """
    sentence = verdict(comparison).sentence
    over = slope_words(comparison.headline)
    words = "; ".join(f"{d.metric.label} {span_words(d)}" for d in comparison.differences if d.known)
    title = f"{comparison.second.name} against {comparison.first.name}"
    drawn = _stacked(comparison, sentence) if narrow else _drawn(comparison, sentence)
    return rendered(drawn, form, title=title, description=f"{sentence} {over} {words}")


def _drawn(comparison: Comparison, sentence: str) -> Figure:
    known = [d for d in comparison.differences if d.known]
    with styled():
        drawn = figure(WIDTH, HEIGHT)
        drawn.text(0.03, 0.955, fill(sentence, 98), fontsize=14, fontweight="bold", va="top", color=INK)
        if not known:
            return drawn
        head = known[0]
        band = head.band if head.band is not None and head.band.known else None
        if band is None:
            _map(drawn.add_axes((0.075, 0.14, 0.40, 0.66)), comparison, head, None)
        else:
            above = drawn.add_axes((0.075, 0.445, 0.40, 0.355))
            _map(above, comparison, head, band)
            _difference(drawn.add_axes((0.075, 0.14, 0.40, 0.205), sharex=above), comparison, head, band)
        _bands(drawn.add_axes((0.685, 0.14, 0.285, 0.66)), known, comparison.matters)
        reference = comparison.first.runs[0].reference
        shaded = "" if band is None else SHADED
        drawn.text(
            0.03, 0.02,
            f"Dry gas at {reference}. ± U: k = 2. {shaded}Intervals: 95 %, dotted: at any look.",
            fontsize=9, color=QUIET,
        )  # fmt: skip
    return drawn


def _stacked(comparison: Comparison, sentence: str) -> Figure:
    """The same panels, one beneath the other."""
    known = [d for d in comparison.differences if d.known]
    with styled():
        drawn = figure(*NARROW)
        drawn.text(0.04, 0.985, fill(sentence, 42), fontsize=11, fontweight="bold", va="top", color=INK)
        if not known:
            return drawn
        head = known[0]
        band = head.band if head.band is not None and head.band.known else None
        above = drawn.add_axes((0.15, 0.60, 0.80, 0.215))
        _map(above, comparison, head, band)
        if band is not None:
            _difference(drawn.add_axes((0.15, 0.455, 0.80, 0.10), sharex=above), comparison, head, band)
        _bands(drawn.add_axes((0.49, 0.115, 0.46, 0.265)), known, comparison.matters, loc="right")
        reference = comparison.first.runs[0].reference
        shaded = "" if band is None else SHADED
        words = f"Dry gas at {reference}. ± U: k = 2. {shaded}Intervals: 95 %, dotted: at any look."
        drawn.text(0.04, 0.008, fill(words, 62), fontsize=8, color=QUIET)
    return drawn


def _map(axes: Any, comparison: Comparison, d: Difference, band: ConfidenceBand | None) -> None:
    """The headline's blocks over temperature, each build with its curve and the curve's U."""
    unit = unit_words(d.metric.unit)
    for group, colour, pale, shape, k in (
        (comparison.first, FIRST, FIRST_PALE, "o", 0),
        (comparison.second, SECOND, SECOND_PALE, "s", 1),
    ):
        x, y = _points(group, d.metric.key)
        hollow = "none" if k else colour
        axes.plot(x, y, shape, color=colour, markerfacecolor=hollow, markersize=3.0, alpha=0.45, zorder=2)
        if band is not None:
            curve = band.second if k else band.first
            axes.fill_between(
                band.temps, curve.low, curve.high, color=pale, alpha=0.45, linewidth=0, zorder=1
            )
            axes.plot(band.temps, curve.value, "--" if k else "-", color=colour, linewidth=2.0, zorder=3)
        label = f"{group.name}: {level_words(d, k)}"
        at = (d.matched or {}).get("lye_temp")
        if at is not None:
            value, u = d.levels[k]
            axes.errorbar(
                [at], [value], yerr=[u], fmt=shape, color=colour, markerfacecolor=SHEET, markersize=9,
                capsize=6, linewidth=2.0, label=label, zorder=4,
            )  # fmt: skip
        else:
            axes.plot([], [], shape, color=colour, label=label)
    if band is None:
        axes.set_xlabel("Lye temperature [°C]")
    else:
        axes.tick_params(labelbottom=False)
    axes.set_title(f"{d.metric.label} [{unit}]" if unit else d.metric.label)
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, top + 0.32 * (top - bottom))  # room for the legend
    axes.legend(loc="upper left", fontsize=9.5, borderaxespad=0.2)


def _difference(axes: Any, comparison: Comparison, d: Difference, band: ConfidenceBand) -> None:
    """The difference over temperature with both of its bands."""
    factor = 100.0 if d.metric.scale == "ratio" or d.metric.unit == "1" else 1.0
    curve = band.difference
    axes.fill_between(
        band.temps, factor * curve.low, factor * curve.high, color=INK, alpha=0.22, linewidth=0, zorder=2
    )
    for edge in (band.all_low, band.all_high):
        axes.plot(band.temps, factor * edge, ":", color=INK, linewidth=1.4, zorder=3)
    axes.plot(band.temps, factor * curve.value, "-", color=INK, linewidth=2.0, zorder=4)
    axes.axhline(0.0, color=QUIET, linewidth=1.2, zorder=1)
    if d.metric.scale == "ratio":
        axes.axhspan(-100.0 * comparison.matters, 100.0 * comparison.matters, color=PALE, alpha=0.45,
                     linewidth=0, zorder=0)  # fmt: skip
        unit = "% of the first"
    else:
        unit = "percentage points" if d.metric.unit == "1" else unit_words(d.metric.unit)
    axes.set_title(f"Second less first [{unit}]")
    axes.set_xlabel("Lye temperature [°C]")
    axes.margins(y=0.12)


def _points(group: Group, key: str) -> tuple[Any, Any]:
    x = np.concatenate([r.lye_temp for r in group.runs])
    y = np.concatenate([r.responses[key].value for r in group.runs])
    step = max(1, x.size // MOST_POINTS)
    return x[::step], y[::step]


def _bands(axes: Any, known: Sequence[Difference], matters: float, loc: str = "left") -> None:
    """Every difference as a share of the first build's level."""
    rows = [(d, _shares(d)) for d in known]
    rows = [(d, shares) for d, shares in rows if np.isfinite(shares).all()]
    shown_to = max((abs(x) for _, shares in rows for x in shares[1:3]), default=1.0)
    axes.axvspan(-100.0 * matters, 100.0 * matters, color=PALE, alpha=0.45, linewidth=0, zorder=0)
    axes.axvline(0.0, color=QUIET, linewidth=1.2, zorder=1)
    labels = []
    for y, (d, (value, low, high, any_low, any_high)) in enumerate(rows):
        clear = any_low > 0.0 or any_high < 0.0
        axes.plot([any_low, any_high], [y, y], ":", color=INK, linewidth=1.4, zorder=2)
        axes.plot([low, high], [y, y], color=INK, linewidth=3.0 if clear else 1.6, zorder=3)
        axes.plot([low, high], [y, y], "|", color=INK, markersize=13, zorder=3)
        axes.plot([value], [y], "D" if clear else "o", color=INK, markerfacecolor=INK if clear else SHEET,
                  markersize=7, zorder=4)  # fmt: skip
        labels.append(f"{d.metric.label}\n{span_words(d)}")
    axes.set_yticks(range(len(rows)), labels, fontsize=9.5, color=INK)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    # Of a dotted line far longer than all else the end is cut off: the table has it.
    widest = max((abs(x) for _, shares in rows for x in shares[3:]), default=1.0)
    reach = 1.15 * max(min(widest, 2.5 * shown_to), 130.0 * matters)
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("Second build less first, % of first")
    axes.set_title(f"Differences; grey: within ± {100.0 * matters:g} %", loc=loc)
    axes.grid(visible=False, axis="y")


def _shares(d: Difference) -> tuple[float, float, float, float, float]:
    """Value, the interval for one look and that for any look, in percent of the first build's level."""
    level = 1.0 if d.metric.scale == "ratio" else abs(d.levels[0][0])
    if not level:
        return (float("nan"),) * 5
    factor = 100.0 / level
    return (factor * d.value, factor * d.low, factor * d.high, factor * d.any_low, factor * d.any_high)
