"""A leak test said and drawn: the estimates side by side, what was predicted, what a change would gain."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from daq.measure import unit_words
from daq.quantity import Quantity, shown
from daq.study.leak.evaluate import LeakTest
from daq.study.leak.predict import Prediction
from daq.study.leak.ramp import Ramp
from daq.study.render import (
    FIRST,
    FIRST_PALE,
    INK,
    PALE,
    QUIET,
    SECOND,
    SECOND_PALE,
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
    figure,
    plain,
    rendered,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["leak_document", "leak_picture"]

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
    words = "; ".join(f"{_KINDS[e.kind]} {_number(e.leak)}" for e in test.estimates)
    description = f"Mean leak current per cell: {words or 'nothing to tell it by'}."
    return rendered(_drawn(test, title), form, title=title, description=description)


def leak_document(test: LeakTest) -> Document:
    """The estimates, the prediction, what a change would gain, and what all of it holds for."""
    title = f"Leak of {test.stack}, build {test.build}"
    at = f"At {_conditions(test)} ({test.conditions.words}), on bench {test.bench}; ± is U, k = 2."
    rows = [[_KINDS[e.kind], _number(e.leak), e.words] for e in test.estimates]
    pairs = [
        [f"{p.a} and {p.b}", f"{p.normalised_error:.2f}", "agree" if p.agree else "do not agree"]
        for p in test.agreement
    ]
    changes = [
        [
            v.words,
            _number(v.leak),
            _number(v.saves),
            "–" if v.gains is None else _number(v.gains, percent=True),
        ]
        for v in test.variants
    ]
    parts: list[Part] = [Title(title, sentences=[at]), Cautions()]
    if test.estimates:
        parts.append(Picture(lambda: leak_picture(test), style="picture"))
    parts += [
        Table(["Estimate", "Value ± U (k = 2)", "How"], rows, "Mean leak current per cell"),
        Table(["Pair", "Normalised error", "Up to 1 they agree"], pairs, "Do they agree?"),
        *([] if test.prediction is None else _prediction(test.prediction, test.reference)),
        Table(["Change", "Leaks then", "Less", "Gas more"], changes, "What a change would gain", numeric=3),
    ]
    if changes and test.not_to_be_had:
        parts.append(Section("Not to be had", [Paragraph(f"{test.not_to_be_had}.")]))
    parts += [_rise(ramp) for ramp in test.ramps]
    limits = [f"{e.kind}: {text}" for e in test.estimates for text in e.limits]
    limits += [f"{v.words}: {text}" for v in test.variants for text in v.limits]
    limits += [f"not told by {m}" for m in test.missing]
    parts.append(Section("What this holds for", [Items(list(dict.fromkeys(limits)))]))
    return Document(title, parts)


# -- parts -------------------------------------------------------------------------------------------------


def _number(quantity: Quantity, *, percent: bool = False) -> str:
    """With U and unit."""
    factor = 100.0 if percent else 1.0
    unit = "%" if percent else unit_words(quantity.unit)
    return shown(factor * plain(quantity.value), factor * plain(quantity.u95), unit).text


def _numbers(quantity: Quantity) -> list[str]:
    """Each element with U and unit."""
    values, u95 = (np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (quantity.value, quantity.u95))
    unit = unit_words(quantity.unit)
    return [shown(float(v), float(u), unit).text for v, u in zip(values, u95, strict=True)]


def _conditions(test: LeakTest) -> str:
    """Volts, amps where they are known, and temperature."""
    c = test.conditions
    return ", ".join(_number(q) for q in (c.volts, c.amps, c.lye_temp) if q is not None)


def _prediction(p: Prediction, reference: str) -> list[Part]:
    facts = [
        ["Lye without bubbles", _number(p.kappa)],
        ["Drives the leak past each plate", _number(p.step_volts)],
        [f"Gas not made, dry at {reference}", _number(p.lost_gas)],
        ["Heat", _number(p.heat)],
    ]
    if p.lost_share is not None:
        facts.append(["Share of the gas", _number(p.lost_share, percent=True)])
    past, lost = _numbers(p.past), _numbers(p.by_gap)
    gaps = [[str(k), *cells] for k, cells in enumerate(zip([*past, "–"], lost, strict=True), start=1)]
    headings = ["From the positive end", "Passes the plate after it", "Makes no gas in the gap"]
    return [
        Table(["Predicted", "Value ± U (k = 2)"], facts, "From the geometry", numeric=1),
        Table(headings, gaps, "Current past each plate and lost in each gap, ± U (k = 2)", numeric=2),
    ]


def _rise(ramp: Ramp) -> Section:
    when = f" from {ramp.from_s / 60:.1f} to {ramp.to_s / 60:.1f} min"
    facts = [
        ("Rose by", f"about {ramp.volts_per_min:.2g} V/min"),
        ("Lye", _number(ramp.lye_temp)),
        ("Conductance end to end", _number(ramp.conductance)),
        ("Taken by the end plates", _number(ramp.offset_volts)),
    ]
    return Section("Slow rise", [Facts(facts)], note=when)


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
            f"At {_conditions(test)} ({test.conditions.words}). ± U, k = 2.",
            fontsize=9.5, color=QUIET,
        )  # fmt: skip
    return drawn


def _estimates(axes: Any, test: LeakTest) -> None:
    labels = []
    for y, e in enumerate(test.estimates):
        value, u = plain(e.leak.value), plain(e.leak.u95)
        axes.plot([value - u, value + u], [y, y], color=FIRST, linewidth=9, solid_capstyle="butt", alpha=0.35)
        axes.plot([value], [y], "D", color=FIRST, markersize=8)
        axes.text(value, y - 0.28, _number(e.leak), ha="center", va="bottom", fontsize=11, color=INK)
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
