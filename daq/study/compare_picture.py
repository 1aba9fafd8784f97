"""A comparison as a picture: both builds' maps over temperature, and every difference with its band."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from daq.study.compare import Comparison, Difference, Group
from daq.study.compare_form import level_words
from daq.study.compare_verdict import span_words, verdict
from daq.study.pictures import FIRST, INK, PALE, QUIET, SECOND, figure, rendered, styled
from daq.watch.numbers import unit_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["comparison_picture"]

WIDTH, HEIGHT = 1200, 630
MOST_POINTS = 1500


def comparison_picture(comparison: Comparison, form: Literal["svg", "png"] = "svg") -> bytes:
    """Draw one comparison, 1200 by 630 pixels.

    Parameters
    ----------
    comparison : Comparison
    form : {"svg", "png"}
    """
    said = verdict(comparison).sentence
    words = "; ".join(f"{d.metric.label} {span_words(d)}" for d in comparison.differences if d.known)
    title = f"{comparison.second.name} against {comparison.first.name}"
    return rendered(_drawn(comparison, said), form, title=title, description=f"{said} {words}")


def _drawn(comparison: Comparison, said: str) -> Figure:
    known = [d for d in comparison.differences if d.known]
    with styled():
        drawn = figure(WIDTH, HEIGHT)
        drawn.text(0.03, 0.95, fill(said, 98), fontsize=14, fontweight="bold", va="top", color=INK)
        if not known:
            return drawn
        left = drawn.add_axes((0.075, 0.14, 0.40, 0.64))
        _map(left, comparison, known[0])
        right = drawn.add_axes((0.665, 0.14, 0.30, 0.64))
        _bands(right, known, comparison.matters)
        reference = comparison.first.runs[0].reference
        drawn.text(
            0.03, 0.025, f"Dry gas at {reference}. Levels ± U (k = 2); differences with their 95 % interval.",
            fontsize=9.5, color=QUIET,
        )  # fmt: skip
    return drawn


def _map(axes: Any, comparison: Comparison, d: Difference) -> None:
    """The headline's blocks over temperature."""
    unit = unit_words(d.metric.unit)
    for group, colour, shape, k in (
        (comparison.first, FIRST, "o", 0),
        (comparison.second, SECOND, "s", 1),
    ):
        x, y = _points(group, d.metric.key)
        hollow = "none" if k else colour
        axes.plot(x, y, shape, color=colour, markerfacecolor=hollow, markersize=3.5, alpha=0.55, zorder=2)
        label = f"{group.name}: {level_words(d, k)}"
        at = (d.matched or {}).get("lye_temp")
        if at is not None:
            value, u = d.levels[k]
            axes.errorbar(
                [at], [value], yerr=[u], fmt=shape, color=colour, markerfacecolor="white", markersize=10,
                capsize=6, linewidth=2.2, label=label, zorder=4,
            )  # fmt: skip
        else:
            axes.plot([], [], shape, color=colour, label=label)
    axes.set_xlabel("Lye temperature [°C]")
    axes.set_title(f"{d.metric.label} [{unit}]" if unit else d.metric.label)
    axes.margins(y=0.18)
    axes.legend(loc="upper left", fontsize=9.5, borderaxespad=0.2)


def _points(group: Group, key: str) -> tuple[Any, Any]:
    x = np.concatenate([r.lye_temp for r in group.runs])
    y = np.concatenate([r.responses[key].value for r in group.runs])
    step = max(1, x.size // MOST_POINTS)
    return x[::step], y[::step]


def _bands(axes: Any, known: Sequence[Difference], matters: float) -> None:
    """Every difference as a share of the first build's level."""
    rows = [(d, *_shares(d)) for d in known]
    rows = [row for row in rows if np.isfinite(row[1:]).all()]
    axes.axvspan(-100.0 * matters, 100.0 * matters, color=PALE, alpha=0.45, linewidth=0, zorder=0)
    axes.axvline(0.0, color=QUIET, linewidth=1.2, zorder=1)
    labels = []
    for y, (d, value, low, high) in enumerate(rows):
        clear = low > 0.0 or high < 0.0
        axes.plot([low, high], [y, y], color=INK, linewidth=3.0 if clear else 1.6, zorder=3)
        axes.plot([low, high], [y, y], "|", color=INK, markersize=13, zorder=3)
        axes.plot([value], [y], "D" if clear else "o", color=INK, markerfacecolor=INK if clear else "white",
                  markersize=7, zorder=4)  # fmt: skip
        labels.append(f"{d.metric.label}\n{span_words(d)}")
    axes.set_yticks(range(len(rows)), labels, fontsize=9.5, color=INK)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    widest = max((abs(x) for row in rows for x in row[2:]), default=1.0)
    axes.set_xlim(-1.15 * max(widest, 130.0 * matters), 1.15 * max(widest, 130.0 * matters))
    axes.set_xlabel("Second build less first, % of first")
    axes.set_title(f"Differences; grey: within ± {100.0 * matters:g} %")
    axes.grid(visible=False, axis="y")


def _shares(d: Difference) -> tuple[float, float, float]:
    """Value and interval in percent of the first build's level."""
    if d.metric.scale == "ratio":
        return 100.0 * d.value, 100.0 * d.low, 100.0 * d.high
    level = abs(d.levels[0][0])
    if level == 0.0:
        return (float("nan"),) * 3
    return 100.0 * d.value / level, 100.0 * d.low / level, 100.0 * d.high / level
