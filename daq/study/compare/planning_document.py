"""A plan said and drawn: runs and hours against the difference they tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from daq.study.compare.days import STATED_WORDS
from daq.study.compare.planning import MOST_RUNS, WARM_UP_H, Plan, order
from daq.study.render import (
    FIRST,
    INK,
    QUIET,
    SECOND,
    SHEET,
    Cautions,
    Document,
    Items,
    Part,
    Picture,
    Section,
    Table,
    Title,
    figure,
    rendered,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["plan_document", "plan_picture"]

WIDTH, HEIGHT = 1200, 630
_HOLDS_FOR = (
    "Two builds at the same supply and temperature; nothing else changed between their runs.",
    "Take each run from the same start: same lye, same level, cooled down to the room.",
    f"Half an hour ({WARM_UP_H:g} h) a run is counted for warming up and cooling down.",
)


def plan_picture(made: Plan, form: Literal["svg", "png"] = "svg") -> bytes:
    """Draw it, 1200 by 630 pixels."""
    title = _sentences(made)[0]
    return rendered(_drawn(made, title), form, title="Plan of a comparison", description=title)


def plan_document(made: Plan) -> Document:
    """What is proposed, and what it rests on."""
    parts: list[Part] = [Title("Plan of a comparison", sentences=_sentences(made)), Cautions()]
    if made.best is not None:
        parts.append(Picture(lambda: plan_picture(made), style="picture"))
        steps = order(made.best.runs_each, "build A", "build B")
        parts.append(Section("Order of the runs", [Items(steps, ordered=True)]))
    parts += [_choices(made), _scatter(made), Section("What this holds for", [Items(_HOLDS_FOR)])]
    return Document("Plan of a comparison", parts)


# -- parts -------------------------------------------------------------------------------------------------


def _sentences(made: Plan) -> list[str]:
    share, best = f"{100 * made.detect:g} %", made.best
    if best is None:
        return [
            f"More than {MOST_RUNS} runs of each build would be needed to tell {share}.",
            "Make the runs more alike first."
            if made.meters < made.day_sd
            else f"The meters are in the way, most of all {made.meters_from}: measure that better first.",
        ]
    effort = f"up to {best.runs_each} runs of each build, {best.hours:g} h each once warm"
    return [
        f"To tell a difference of {share} in gas per watt: {effort}.",
        f"In the order {' '.join(best.order)}, with a look after each pair.",
        f"The chance of telling it by then is {100 * best.power:.0f} %, in {best.total_hours:.0f} h.",
        f"On average {best.expected:.1f} runs of each will do.",
    ]


def _choices(made: Plan) -> Table:
    rows = [
        [
            f"{c.hours:g} h",
            str(c.runs_each),
            f"{c.total_hours:.0f} h",
            f"{100 * c.power:.0f} %",
            f"{c.expected:.1f}",
        ]
        for c in made.choices
    ]
    headings = [
        "Each run, once warm",
        "Up to so many runs of each build",
        "In all, with warm-ups",
        "Chance of telling by then",
        "Runs of each it takes on average",
    ]
    return Table(headings, rows, "Length and number", numeric=4)


def _scatter(made: Plan) -> Table:
    between = (
        f"from {made.repeats} repeats; may be up to {100 * made.day_sd_high:.1f} %"
        if made.repeats
        else f"{STATED_WORDS[made.day_sd_stated_by]}: no build was run twice. Run one twice without changing "
        "anything, and plan again."
    )
    rows = [
        ["a run's own noise, over 1 h", f"{100 * made.noise_1h:.2f} %", f"{made.runs} runs looked at"],
        ["from run to run", f"{100 * made.day_sd:.2f} %", between],
    ]
    if made.meters > 0.0:
        meters = f"{100 * made.meters:.2f} %"
        rows.append(["a run's meters, on its day", meters, f"most of it: {made.meters_from}"])
    headings = ["Scatter of gas per watt", "Standard deviation", "From"]
    return Table(headings, rows, "What this bench has scattered so far")


# -- drawing -----------------------------------------------------------------------------------------------


def _drawn(made: Plan, title: str) -> Figure:
    with styled():
        drawn = figure(WIDTH, HEIGHT)
        drawn.text(0.03, 0.95, title, fontsize=14, fontweight="bold", va="top", color=INK)
        best = made.best
        if best is None:
            return drawn
        _chances(drawn.add_axes((0.07, 0.13, 0.52, 0.68)), made)
        _order(drawn.add_axes((0.66, 0.13, 0.31, 0.68)), made)
        drawn.text(
            0.03, 0.022,
            "Chance of telling, with a look after each pair of runs and a false call in no more than 5 of "
            f"100 series; scatter from run to run {100 * made.day_sd:.2f} %"
            f"{'' if made.repeats else f' {STATED_WORDS[made.day_sd_stated_by]}'}. Simulated.",
            fontsize=9.5, color=QUIET,
        )  # fmt: skip
    return drawn


def _chances(axes: Any, made: Plan) -> None:
    best = made.best
    assert best is not None
    sizes = np.linspace(0.2, 2.5, 12) * made.detect
    series = [made.calls(float(x), best.hours) for x in sizes]
    counts = sorted({2, max(2, best.runs_each // 2), best.runs_each, 2 * best.runs_each})
    others = iter((":", "--", "-."))
    for n in counts:
        dash = "-" if n == best.runs_each else next(others)
        chance = [100.0 * s.by(n) for s in series]
        bold = n == best.runs_each
        axes.plot(100.0 * sizes, chance, dash, color=FIRST if bold else SECOND,
                  linewidth=3.0 if bold else 1.8, label=f"within {n} runs of each")  # fmt: skip
    axes.plot([100.0 * made.detect], [100.0 * best.power], "D", color=FIRST, markersize=9)
    axes.axhline(100.0 * made.power, color=QUIET, linewidth=1.0, linestyle=(0, (2, 3)))
    axes.set_xlabel("True difference in gas per watt [%]")
    axes.set_title(f"Chance of telling it [%], runs of {best.hours:g} h")
    axes.set_ylim(0.0, 102.0)
    axes.legend(loc="lower right", fontsize=10)


def _order(axes: Any, made: Plan) -> None:
    """The runs as blocks in the order to take them."""
    best = made.best
    assert best is not None
    names = best.order[:24]
    per_row = 4
    for k, name in enumerate(names):
        x, y = k % per_row, k // per_row
        first = name == "A"
        axes.add_patch(_box(x, y, FIRST if first else SHEET))
        axes.text(x + 0.45, y + 0.45, name, ha="center", va="center", fontsize=15, fontweight="bold",
                  color=SHEET if first else INK)  # fmt: skip
        axes.text(x + 0.08, y + 0.16, str(k + 1), ha="left", va="center", fontsize=8,
                  color=SHEET if first else QUIET)  # fmt: skip
    axes.set_xlim(-0.1, per_row)
    axes.set_ylim(max(3.2, -(-len(names) // per_row) + 0.2), -0.1)
    axes.set_aspect("equal", anchor="NW")
    axes.axis("off")
    more = len(best.order) - len(names)
    axes.set_title("Order, against drift" + (f" (and {more} more)" if more else ""))


def _box(x: float, y: float, colour: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), 0.9, 0.9, facecolor=colour, edgecolor=INK, linewidth=1.2)
