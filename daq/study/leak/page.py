"""A leak test as one self-contained page and as a picture: estimates side by side, what a change gains."""

from __future__ import annotations

from html import escape
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from daq.study.leak.evaluate import LeakTest
from daq.study.leak.words import each_said, said
from daq.study.render import (
    FIRST,
    FIRST_PALE,
    INK,
    PALE,
    QUIET,
    SECOND,
    SECOND_PALE,
    cautions,
    figure,
    page,
    plain,
    rendered,
    styled,
    table,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["leak_page", "leak_picture"]

WIDTH, HEIGHT = 1200, 630
_KINDS = {
    "geometry": "from the geometry",
    "slow rise": "from the slow rise",
    "missing gas": "by the missing gas",
}
MOST_CHANGES = 7


def leak_picture(test: LeakTest, form: Literal["svg", "png"] = "svg") -> bytes:
    """Draw it, 1200 by 630 pixels."""
    title = f"Leak of {test.stack}, {test.build}"
    words = "; ".join(f"{_KINDS[e.kind]} {said(e.leak)}" for e in test.estimates) or "nothing to tell it by"
    return rendered(
        _drawn(test, title), form, title=title, description=f"Mean leak current per cell: {words}."
    )


def leak_page(test: LeakTest) -> str:
    """The page."""
    c = test.conditions
    title = f"Leak of {test.stack}, build {test.build}"
    at = f"At {conditions_said(test)} ({c.words})."
    parts = [
        f"<header><h1>{escape(title)}</h1><p>{escape(at)}</p></header>",
        cautions(),
    ]
    if test.estimates:
        parts.append(f'<figure class="picture">{leak_picture(test).decode("utf-8")}</figure>')
    rows = [[_KINDS[e.kind], said(e.leak), e.words] for e in test.estimates]
    parts.append(table(["Estimate", "Value ± U (k = 2)", "How"], rows, "Mean leak current per cell"))
    pairs = [
        [f"{p.a} and {p.b}", f"{p.normalised_error:.2f}", "agree" if p.agree else "do not agree"]
        for p in test.agreement
    ]
    parts.append(table(["Pair", "Normalised error", "Up to 1 they agree"], pairs, "Do they agree?"))
    p = test.prediction
    if p is not None:
        facts = [
            ["Lye without bubbles", said(p.kappa)],
            ["Drives the leak past each plate", said(p.step_volts)],
            [f"Gas not made, dry at {test.reference}", said(p.lost_gas)],
            ["Heat", said(p.heat)],
        ]
        if p.lost_share is not None:
            facts.append(["Share of the gas", said(p.lost_share, percent=True)])
        parts.append(table(["Predicted", "Value ± U (k = 2)"], facts, "From the geometry", numeric=1))
        gaps = [[str(k + 1), text] for k, text in enumerate(each_said(p.by_gap))]
        headings = ["Gap, from the positive end", "Makes no gas, ± U (k = 2)"]
        parts.append(table(headings, gaps, "Current lost in each gap", numeric=1))
    changes = [
        [
            v.words,
            said(v.leak),
            said(v.saves),
            "–" if v.gains is None else said(v.gains, percent=True),
        ]
        for v in test.variants
    ]
    parts.append(
        table(["Change", "Leaks then", "Less", "Gas more"], changes, "What a change would gain", numeric=3)
    )
    if changes and test.not_to_be_had:
        parts.append(f"<p>Not to be had by {escape(test.not_to_be_had)}.</p>")
    limits = [f"{e.kind}: {text}" for e in test.estimates for text in e.limits]
    limits += [f"{v.words}: {text}" for v in test.variants for text in v.limits]
    limits += [f"not told by {m}" for m in test.missing]
    items = "".join(f"<li>{escape(text)}</li>" for text in dict.fromkeys(limits))
    parts.append(f"<section><h2>What this holds for</h2><ul>{items}</ul></section>")
    return page(title, parts)


def conditions_said(test: LeakTest) -> str:
    """Volts, amps where they are known, and temperature."""
    c = test.conditions
    return ", ".join(said(q) for q in (c.volts, c.amps, c.lye_temp) if q is not None)


# -- drawing -----------------------------------------------------------------------------------------------


def _drawn(test: LeakTest, title: str) -> Figure:
    with styled():
        drawn = figure(WIDTH, HEIGHT)
        drawn.text(0.03, 0.95, fill(title, 80), fontsize=15, fontweight="bold", va="top", color=INK)
        if not test.estimates:
            drawn.text(0.03, 0.8, fill("; ".join(test.missing), 110), fontsize=12, va="top", color=INK)
            return drawn
        changed = test.prediction is not None and test.variants
        _estimates(drawn.add_axes((0.17, 0.62, 0.79, 0.20)), test)
        if changed:
            _gains(drawn.add_axes((0.33, 0.13, 0.26, 0.36)), test)
        if test.prediction is not None:
            _gaps(drawn.add_axes((0.69, 0.13, 0.27, 0.36)), test)
        drawn.text(
            0.03, 0.022,
            f"At {conditions_said(test)} ({test.conditions.words}). ± U, k = 2.",
            fontsize=9.5, color=QUIET,
        )  # fmt: skip
    return drawn


def _estimates(axes: Any, test: LeakTest) -> None:
    labels = []
    for y, e in enumerate(test.estimates):
        value, u = plain(e.leak.value), plain(e.leak.u95)
        axes.plot([value - u, value + u], [y, y], color=FIRST, linewidth=9, solid_capstyle="butt", alpha=0.35)
        axes.plot([value], [y], "D", color=FIRST, markersize=8)
        axes.text(value, y - 0.28, said(e.leak), ha="center", va="bottom", fontsize=11, color=INK)
        labels.append(_KINDS[e.kind])
    axes.set_yticks(range(len(labels)), labels, fontsize=11, color=INK)
    axes.set_ylim(len(labels) - 0.4, -0.85)
    axes.set_xlim(left=min(0.0, axes.get_xlim()[0]))
    axes.set_title("Mean leak current per cell [A]")
    axes.grid(visible=False, axis="y")


def _gains(axes: Any, test: LeakTest) -> None:
    best = sorted(test.variants, key=lambda v: -plain(v.saves.value))[:MOST_CHANGES]
    for y, v in enumerate(best):
        value, u = plain(v.saves.value), plain(v.saves.u95)
        axes.barh(y, value, height=0.55, color=SECOND_PALE, edgecolor=SECOND, linewidth=1.0)
        axes.plot([value - u, value + u], [y, y], color=INK, linewidth=1.6)
    axes.set_yticks(range(len(best)), [fill(v.words, 38) for v in best], fontsize=9, color=INK)
    axes.set_ylim(len(best) - 0.5, -0.5)
    axes.set_title("A change would save [A]")
    axes.grid(visible=False, axis="y")


def _gaps(axes: Any, test: LeakTest) -> None:
    assert test.prediction is not None
    lost, u95 = (np.asarray(x) for x in (test.prediction.by_gap.value, test.prediction.by_gap.u95))
    at = np.arange(1, lost.size + 1)
    axes.bar(at, lost, width=0.7, color=FIRST_PALE, edgecolor=FIRST, linewidth=1.0)
    axes.errorbar(
        at, lost, yerr=u95, fmt="none", ecolor=INK, elinewidth=1.4, capsize=0 if at.size > 24 else 3
    )
    axes.set_xlabel("Gap, from the positive end")
    axes.set_title("Predicted: makes no gas [A]")
    axes.grid(visible=False, axis="x")
    axes.grid(visible=True, axis="y", color=PALE)
