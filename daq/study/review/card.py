"""The result card: one picture of 1200 by 630 pixels that a builder can show beside his work.

Its middle is a ruler of what is possible: from nothing to the gas that no cell can exceed, with the measured
number and its uncertainty on it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

from daq.measure import NUMBERS, unit_words
from daq.quantity import shown
from daq.study.render import (
    FIRST,
    INK,
    PALE,
    QUIET,
    SECOND,
    SHADES,
    SHEET,
    Number,
    date_words,
    duration_words,
    figure,
    number_words,
    rendered,
    styled,
    with_schema,
)
from daq.study.review.headline import Headline, NumberSet, Spent
from daq.study.review.run_review import Review, ReviewResult, RunHead
from daq.theme import colours

__all__ = ["HEIGHT", "SCHEMA", "WIDTH", "CardFacts", "CardResult", "card_dict", "card_facts", "result_card"]


SCHEMA = "lyewatch.card/1"
MOST_LIMITS = 4
FACTS = (
    "mmw_as_read",
    "faradaic_efficiency",
    "energy_efficiency_hhv",
    "watt_hours_per_litre",
    "flow_dry_ref_lpm",
    "leak_amps",
    "power_w",
    "cell_volts",
    "amps",
    "lye_temp",
)
_SHORT = {
    "mmw_as_read": "As read, wet",
    "faradaic_efficiency": "Faradaic efficiency",
    "energy_efficiency_hhv": "Energy efficiency, HHV",
    "flow_dry_ref_lpm": "Dry gas",
    "watt_hours_per_litre": "Energy for dry gas",
    "lye_temp": "Lye",
}
_LABELS = {n.key: n.label for n in NUMBERS}


@dataclass(frozen=True, slots=True)
class CardFacts:
    """The words of a card.

    Attributes
    ----------
    build, stack, when, held : str
        What was measured, when, and over which time.
    headline, unit, basis : str
        Dry MMW with U; empty where gas or power was not measured.
    facts : tuple of (str, str)
        Label and number with U and unit.
    ruler : dict
        For the drawing: `value`, `u95`, `as_read`, `volts` (the ceiling at these volts), `no_heat`, `limit`,
        each in mL/min/W or None.
    spent : dict of str to (float, str)
        Share of the power [1] and in words, of gas, vapour and heat; empty where it is not known.
    limits : tuple of str
        What limits the claim.
    foot : str
    """

    build: str
    stack: str
    when: str
    held: str
    headline: str
    unit: str
    basis: str
    facts: tuple[tuple[str, str], ...]
    ruler: Mapping[str, float | None]
    spent: Mapping[str, tuple[float, str]]
    limits: tuple[str, ...]
    foot: str


@dataclass(frozen=True, slots=True)
class CardResult:
    """What a card shows; `lyewatch.card` as JSON."""

    run: RunHead
    reference: str
    phase: str | None
    duration_s: float | None
    numbers: NumberSet | None
    spent: Spent | None
    limits: Sequence[str]


def card_facts(made: Review) -> CardFacts:
    """The words of a run's card."""
    result = made.result
    run, head = result.run, result.headline
    stack = made.bench.stack
    numbers = head.numbers if head else {}
    mmw = numbers.get("mmw_dry_ref") or Number(None, None, "")
    held = (
        "never powered"
        if head is None
        else f"mean over {duration_words(head.duration_s)} {head.phase}, "
        f"of a run of {duration_words(result.duration_s)}"
    )
    facts = [
        (_SHORT.get(k, _LABELS[k]), number_words(numbers[k]))
        for k in FACTS
        if numbers and numbers[k].value is not None
    ]
    electrolyte = f"{stack.electrolyte} {100.0 * stack.mass_fraction:g} % by mass at the start"
    return CardFacts(
        build=run.build or stack.build,
        stack=f"{stack.name}: {stack.cells} cells, {stack.plate_area_cm2:g} cm² a plate, {electrolyte}",
        when=date_words(run.start_utc_ns),
        held=held,
        headline=shown(mmw.value, mmw.u95, "").text if mmw.value is not None else "",
        unit=unit_words("mL/min/W"),
        basis=f"dry gas at {result.reference}; ± U, k = 2",
        facts=tuple(facts),
        ruler=_ruler(numbers),
        spent=_spent(head),
        limits=_limits(result),
        foot=f"bench {run.bench} · run {run.id or 'not stored'} · lyewatch · no fuel saving is claimed",
    )


def card_dict(made: Review) -> dict[str, Any]:
    """For JSON; `schema` names its version."""
    result, head = made.result, made.result.headline
    card = CardResult(
        run=result.run,
        reference=result.reference,
        phase=None if head is None else head.phase,
        duration_s=None if head is None else head.duration_s,
        numbers=None if head is None else head.numbers,
        spent=None if head is None else head.spent,
        limits=_limits(result),
    )
    return with_schema(card, SCHEMA)


# -- parts -------------------------------------------------------------------------------------------------


def _ruler(numbers: Mapping[str, Number]) -> dict[str, float | None]:
    def of(key: str) -> float | None:
        return numbers[key].value if numbers else None

    return {
        "value": of("mmw_dry_ref"),
        "u95": numbers["mmw_dry_ref"].u95 if numbers else None,
        "as_read": of("mmw_as_read"),
        "volts": of("mmw_ceiling_faraday"),
        "no_heat": of("mmw_ceiling_thermoneutral"),
        "limit": of("mmw_ceiling_reversible"),
    }


def _spent(head: Headline | None) -> dict[str, tuple[float, str]]:
    if head is None or not head.spent.known:
        return {}
    return {k: (s.value or 0.0, number_words(s.times(100.0, "W"))) for k, s in head.spent.shares.items()}


def _limits(result: ReviewResult) -> tuple[str, ...]:
    """The worst first: what can not be, what the number was not measured over, what most of U comes from."""
    head = result.headline
    out = [f"Finding: {f.text}" for f in result.findings]
    if head is None:
        return (*out, "The stack was never powered and undisturbed.")
    out.append("One run: another day may differ by more than U.")
    if head.phase != "steady":
        out.append("The temperature never held steady: the numbers hold for the warm-up's mean only.")
    if head.budget:
        most = head.budget[0]
        out.append(f"{100.0 * most.share:.0f} % of the variance behind U comes from {_words(most.from_)}.")
    out += [text[:1].upper() + text[1:] + "." for text in result.assumptions]
    gaps = result.gaps
    if gaps.count:
        out.append(f"{gaps.count} gaps in the data, {duration_words(gaps.seconds)} in all.")
    return tuple(out[:MOST_LIMITS])


def _words(label: str) -> str:
    """``gas_flow: accuracy`` as people say it."""
    channel, _, kind = label.partition(": ")
    return f"{channel.replace('_', ' ')} ({kind})" if kind else label


if TYPE_CHECKING:
    from matplotlib.figure import Figure


WIDTH, HEIGHT = 1200, 630
_RULE, _WARN = PALE, colours()["medium"]
_SHARES = (("gas", FIRST, SHEET), ("vapour", SHADES[4], INK), ("heat", SHADES[1], INK))
_LEFT, _RIGHT = 56.0, 1144.0
_CHARACTER = 7.6
"""Width of a letter of 13 pixels, about."""


def result_card(made: Review, form: Literal["png", "svg"] = "png") -> bytes:
    """Draw a run's card.

    Parameters
    ----------
    made : Review
    form : {"png", "svg"}
    """
    facts = card_facts(made)
    text = ", ".join(f"{label} {number}" for label, number in facts.facts)
    headline = f"{facts.headline} {facts.unit}, {facts.basis}. " if facts.headline else ""
    words = f"{headline}{text}. {' '.join(facts.limits)}"
    return rendered(_drawn(facts), form, title=f"{facts.build}: result", description=words)


def _drawn(facts: CardFacts) -> Figure:
    with styled():
        card = _Card(figure(WIDTH, HEIGHT))
        card.head(facts)
        card.numbers(facts)
        if facts.ruler["value"] is not None:
            card.ruler(facts)
        if facts.spent:
            card.spent(facts)
        card.foot(facts)
    return card.figure


class _Card:
    """A figure measured in pixels from its top left."""

    def __init__(self, empty: Figure) -> None:
        self.figure = empty
        empty.set_facecolor(SHEET)
        axes = empty.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(0.0, WIDTH)
        axes.set_ylim(HEIGHT, 0.0)
        axes.axis("off")
        self.axes: Any = axes

    def text(self, x: float, y: float, words: str, size: float, **style: Any) -> None:
        """`size` is in pixels."""
        style = {"color": INK, "va": "baseline", **style}
        self.axes.text(x, y, words, fontsize=0.72 * size, **style)

    def box(self, x: float, y: float, width: float, height: float, **style: Any) -> None:
        from matplotlib.patches import Rectangle

        self.axes.add_patch(Rectangle((x, y), width, height, **style))

    def line(self, x: tuple[float, float], y: tuple[float, float], **style: Any) -> None:
        self.axes.plot(x, y, solid_capstyle="butt", **style)

    def head(self, facts: CardFacts) -> None:
        self.box(0.0, 0.0, 16.0, HEIGHT, color=FIRST, linewidth=0)
        self.text(_LEFT, 62.0, _short(facts.build, 46), 36.0, fontweight="bold")
        self.text(_LEFT, 92.0, _short(facts.stack, 92), 17.0, color=QUIET)
        self.text(_LEFT, 116.0, _short(f"{facts.held}; {facts.when}", 110), 17.0, color=QUIET)

    def numbers(self, facts: CardFacts) -> None:
        if facts.headline:
            self.text(_LEFT, 210.0, facts.headline, 64.0, fontweight="bold", color=FIRST)
            self.text(_LEFT, 246.0, facts.unit, 23.0, fontweight="bold")
            self.text(_LEFT, 270.0, facts.basis, 16.0)
        else:
            self.text(_LEFT, 210.0, "gas per watt not measured", 30.0, fontweight="bold", color=_WARN)
        half = (len(facts.facts) + 1) // 2
        for k, (label, number) in enumerate(facts.facts):
            left, right = (520.0, 838.0) if k < half else (872.0, _RIGHT)
            y = 164.0 + 26.0 * (k if k < half else k - half)
            self.text(left, y, label, 13.0, color=QUIET)
            self.text(right, y, number, 14.5, ha="right", fontweight="bold")
            self.line((left, right), (y + 8.0, y + 8.0), color=_RULE, linewidth=0.6)

    def ruler(self, facts: CardFacts) -> None:
        """From nothing to beyond the limit, with what was measured on it."""
        r = facts.ruler
        value, u = float(r["value"] or 0.0), float(r["u95"] or 0.0)
        marks = [float(v) for v in r.values() if v is not None]
        top = 1.06 * max(marks)
        y = 350.0

        def at(x: float) -> float:
            return _LEFT + (_RIGHT - _LEFT) * x / top

        limit = float(r["limit"]) if r["limit"] is not None else top
        beyond = _RIGHT - at(limit)
        self.box(
            at(limit), y - 26.0, beyond, 26.0, facecolor="none", edgecolor=QUIET, hatch="////", linewidth=0
        )
        self.box(_LEFT, y - 13.0, at(max(value - u, 0.0)) - _LEFT, 13.0, color=SHADES[2], linewidth=0)
        self.line((_LEFT, _RIGHT), (y, y), color=INK, linewidth=1.6)
        step = 1.0 if top < 14.0 else 2.0
        ticks = int(top / step)
        for k in range(ticks + 1):
            self.line((at(k * step),) * 2, (y, y + 7.0), color=INK, linewidth=1.2)
            self.text(at(k * step), y + 23.0, f"{k * step:g}", 13.0, ha="center", color=QUIET)
        self.text(_RIGHT, y + 44.0, "mL/min/W", 13.0, ha="right", color=QUIET)
        self._ceilings(facts, at, y)
        self.box(
            at(value - u), y - 18.0, at(value + u) - at(value - u), 18.0, color=FIRST, linewidth=0, zorder=3
        )
        self.axes.plot(
            [at(value)], [y - 9.0], "D", color=SHEET, markeredgecolor=FIRST, markersize=7, zorder=4
        )
        if r["as_read"] is not None:
            x = at(float(r["as_read"]))
            self.axes.plot([x], [y - 9.0], "o", color=SHEET, markeredgecolor=SECOND, markeredgewidth=2.0,
                           markersize=9, zorder=3)  # fmt: skip

    def _ceilings(self, facts: CardFacts, at: Any, y: float) -> None:
        words = (
            ("no_heat", "no heat left over"),
            ("limit", "no cell can pass"),
            ("volts", "all current to gas"),
        )
        taken: list[tuple[float, float]] = []
        for key, label in words:
            found = facts.ruler[key]
            if found is None:
                continue
            x, text = at(float(found)), f"{label} {float(found):.2f}"
            half = 0.5 * _CHARACTER * len(text)
            middle = min(x, _RIGHT - half)
            clear = all(middle + half < low or middle - half > high for low, high in taken)
            row = y - 40.0 if clear else y - 58.0
            taken.append((middle - half, middle + half))
            self.line((x, x), (row + 4.0, y), color=QUIET, linewidth=1.3, linestyle=(0, (4, 2)))
            self.text(middle, row, text, 13.0, ha="center", color=QUIET)
        value = float(facts.ruler["value"] or 0.0)
        self.text(at(value), y + 44.0, "measured, dry ± U", 13.0, ha="center", color=FIRST, fontweight="bold")
        if facts.ruler["as_read"] is not None:
            x = at(float(facts.ruler["as_read"]))
            self.text(x if x - at(value) > 170.0 else at(value) + 170.0, y + 44.0, "○ as read, wet", 13.0,
                      ha="center", color=SECOND, fontweight="bold")  # fmt: skip

    def spent(self, facts: CardFacts) -> None:
        """Where a hundred watts went."""
        y, height = 436.0, 30.0
        self.text(_LEFT, y - 9.0, "Of every 100 W", 15.0, fontweight="bold")
        total = sum(max(s, 0.0) for s, _ in facts.spent.values()) or 1.0
        x = _LEFT
        names = {"gas": "gas", "vapour": "steam", "heat": "heat"}
        for name, colour, ink in _SHARES:
            share, words = facts.spent[name]
            width = (_RIGHT - _LEFT) * max(share, 0.0) / total
            self.box(x, y, width, height, facecolor=colour, edgecolor=INK, linewidth=0.8)
            text = f"{names[name]} {words}"
            if width > 9.0 * len(text):
                self.text(x + 0.5 * width, y + 21.0, text, 15.0, ha="center", color=ink, fontweight="bold")
            else:
                self.text(x + 0.5 * width, y - 9.0, text, 13.0, ha="center")
                self.line((x + 0.5 * width,) * 2, (y - 5.0, y), color=INK, linewidth=0.8)
            x += width

    def foot(self, facts: CardFacts) -> None:
        self.line((_LEFT, _RIGHT), (488.0, 488.0), color=_RULE, linewidth=0.8)
        self.text(_LEFT, 512.0, "What limits this", 15.0, fontweight="bold", color=_WARN)
        half = (len(facts.limits) + 1) // 2
        for k, text in enumerate(facts.limits):
            x = 210.0 if k < half else 690.0
            y = 512.0 + 38.0 * (k if k < half else k - half)
            lines = fill(_short(text, 124), 62).split("\n")
            for row, line in enumerate(lines[:2]):
                self.text(x, y + 17.0 * row, line, 13.5)
        self.text(_LEFT, 608.0, _short(facts.foot, 130), 13.0, color=QUIET)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
