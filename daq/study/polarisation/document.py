"""A polarisation said and drawn: every settled step on its curve, and a cell's volts taken apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from daq.quantity import shown
from daq.study.polarisation.result import BuildCurve, Polarisation
from daq.study.polarisation.words import PART_LABELS, difference_words, listed_steps, part_words, unused_words
from daq.study.render import (
    FIRST,
    FOURTH,
    INK,
    PALE,
    QUIET,
    SECOND,
    SHADES,
    SHEET,
    THIRD,
    Cautions,
    Document,
    Items,
    Part,
    Picture,
    Section,
    Table,
    Title,
    clock_words,
    date_words,
    figure,
    rendered,
    styled,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["polarisation_document", "polarisation_picture"]

WIDTH, HEIGHT = 1200, 630
_LOOKS = ((FIRST, "o", "-"), (SECOND, "s", "--"), (THIRD, "D", "-."), (FOURTH, "^", ":"))
_FILLS = (("reversible", SHADES[1], ""), ("activation", SHADES[3], "///"), ("ohmic", SHADES[0], "..."))


def polarisation_picture(made: Polarisation, form: Literal["svg", "png"] = "svg") -> bytes:
    """Draw it, 1200 by 630 pixels."""
    words = " ".join(c.sentence for c in made.comparisons) or _of_one(made.builds[0])
    return rendered(_drawn(made, words), form, title=_title(made), description=words)


def polarisation_document(made: Polarisation) -> Document:
    """The builds' parts side by side, the steps that they come from, and what they rest on."""
    title = _title(made)
    parts: list[Part] = [Title(title, sentences=[c.sentence for c in made.comparisons]), Cautions()]
    fitted = [b for b in made.builds if b.fit is not None]
    if fitted:
        parts += [Picture(lambda: polarisation_picture(made), style="picture"), _parts(made, fitted)]
    bounds = [f"{b.name}: {text}" for b in made.builds for text in b.at_bounds]
    if bounds:
        parts.append(Section("At its bound", [Items(bounds)]))
    for comparison in made.comparisons:
        rows = [[PART_LABELS[d.part], difference_words(d)] for d in comparison.differences]
        caption = f"{comparison.second} less {comparison.first}, 95 % intervals"
        parts.append(Table(["Part", "Difference"], rows, caption, numeric=1))
    missing = [[b.name, b.reason] for b in made.builds if b.fit is None]
    many = [[b.name, text] for b in made.builds for r in b.runs for text in unused_words(r.sweep)]
    runs = [
        [b.name, r.run_id or "–", r.name or "–", date_words(r.start_utc_ns), str(len(r.sweep.used))]
        for b in made.builds
        for r in b.runs
    ]
    headings = ["Build", "Run", "Name", "Started", "Settled steps"]
    return Document(
        title,
        [
            *parts,
            _steps(made),
            Table(["Build", "Not used"], many, "Stretches that are no steps"),
            Table(["Build", "Why it has no curve"], missing, "Without a curve"),
            Table(headings, runs, "Runs", numeric=1),
            Section("What this holds for", [Items(made.rests_on)]),
        ],
    )


# -- parts -------------------------------------------------------------------------------------------------


def _title(made: Polarisation) -> str:
    return f"Polarisation of {', '.join(b.name for b in made.builds)}"


def _parts(made: Polarisation, fitted: Sequence[BuildCurve]) -> Table:
    fits = [b.fit for b in fitted if b.fit is not None]
    rows = [[label, *(part_words(b, key) for b in fitted)] for key, label in PART_LABELS.items()]
    rows.append(["Reversible voltage, by thermodynamics", *(f"{fit.reversible_at:.3f} V" for fit in fits)])
    rows.append(["Scatter of the steps about the curve", *(f"{1e3 * fit.rms:.2g} mV" for fit in fits)])
    if any(leak is not None for b in fitted for leak in b.leaks):
        leaks = [
            ", ".join(shown(x.siemens, x.u95, "S").text for x in b.leaks if x is not None) for b in fitted
        ]
        rows.append(["Leak, taken out, a cell in lye of 25 °C", *(text or "–" for text in leaks)])
    caption = f"Parts at {made.at_density:g} mA/cm² and {made.reference_c:.0f} °C, ± U for 95 %"
    return Table(["Part", *(b.name for b in fitted)], rows, caption, numeric=len(fitted))


def _steps(made: Polarisation) -> Table:
    steps = [
        [
            b.name,
            clock_words(s.from_s),
            shown(s.density, s.u95[0], "mA/cm²").text,
            shown(s.cell_volts, s.u95[1], "V").text,
            shown(s.lye_temp, s.u95[2], "°C").text,
            s.reason or "used",
        ]
        for b in made.builds
        for r in b.runs
        for s in listed_steps(r.sweep)
    ]
    headings = ["Build", "At", "Current density", "Volts per cell", "Lye", "Used"]
    return Table(headings, steps, "Steps, as measured, ± U (k = 2)")


# -- drawing -----------------------------------------------------------------------------------------------


def _of_one(curve: BuildCurve) -> str:
    if curve.fit is None:
        return f"No curve: {curve.reason}."
    return (
        f"{curve.name}: activation {part_words(curve, 'activation_volts')}, "
        f"ohmic {part_words(curve, 'ohmic_volts')} of {part_words(curve, 'cell_volts')} a cell."
    )


def _drawn(made: Polarisation, words: str) -> Figure:
    with styled():
        drawn = figure(WIDTH, HEIGHT)
        drawn.text(0.03, 0.955, fill(words, 104), fontsize=13, fontweight="bold", va="top", color=INK)
        fitted = [b for b in made.builds if b.fit is not None]
        if not fitted:
            return drawn
        _curves(drawn.add_axes((0.075, 0.14, 0.50, 0.62)), made)
        _stack(drawn.add_axes((0.665, 0.14, 0.31, 0.62)), made, fitted)
        drawn.text(
            0.03, 0.025,
            "Steps held until settled; current through the plates, less what leaks past them where gas was "
            f"measured. Curves at {made.reference_c:.0f} °C. ± U for 95 %.",
            fontsize=9.5, color=QUIET,
        )  # fmt: skip
    return drawn


def _curves(axes: Any, made: Polarisation) -> None:
    for curve, (colour, shape, dash) in zip(made.builds, _LOOKS * len(made.builds), strict=False):
        if curve.points is None:
            continue
        p = curve.points
        if curve.fit is not None:
            j = np.geomspace(0.7 * p.density.min(), 1.1 * p.density.max(), 120)
            axes.plot(j, sum(curve.fit.volts(j)), dash, color=colour, linewidth=2.0, zorder=2)
            # each step moved to the reference along its own curve
            moved = p.cell_volts - curve.fit.fitted + sum(curve.fit.volts(p.density))
        else:
            moved = p.cell_volts
        axes.plot(p.density, moved, shape, color=colour, markerfacecolor=SHEET, markeredgewidth=1.8,
                  markersize=7, label=f"{curve.name} ({len(p)} steps)", zorder=3)  # fmt: skip
    axes.axvline(made.at_density, color=QUIET, linewidth=1.0, linestyle=(0, (2, 3)), zorder=1)
    axes.set_xlabel("Current density through the plates [mA/cm²]")
    axes.set_title(f"Volts per cell [V] at {made.reference_c:.0f} °C")
    axes.legend(loc="lower right", fontsize=10)
    axes.margins(y=0.12)


def _stack(axes: Any, made: Polarisation, fitted: list[BuildCurve]) -> None:
    """Each build's volts at the common current density, taken apart."""
    for y, curve in enumerate(fitted):
        fit = curve.fit
        assert fit is not None
        sizes = (fit.reversible_at, fit.part("activation_volts")[0], fit.part("ohmic_volts")[0])
        left = 0.0
        words = (f"{sizes[0]:.3f} V", part_words(curve, "activation_volts"), part_words(curve, "ohmic_volts"))
        for (name, colour, hatch), size, text in zip(_FILLS, sizes, words, strict=True):
            axes.barh(y, size, left=left, height=0.36, color=colour, edgecolor=INK, linewidth=0.9,
                      hatch=hatch,
                      zorder=2)  # fmt: skip
            above = name != "ohmic"
            axes.text(
                left + 0.5 * size if name != "ohmic" else left + size, y - 0.24 if above else y + 0.24,
                f"{name}\n{text}", ha="center" if above else "right", va="bottom" if above else "top",
                fontsize=9.5, color=INK, zorder=4,
            )  # fmt: skip
            left += size
        axes.text(
            0.0, y + 0.24, f"{curve.name}", ha="left", va="top", fontsize=10.5, fontweight="bold", color=INK
        )
    axes.set_ylim(len(fitted) - 0.35, -0.75)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlim(0.0, 1.06 * max(b.fit.part("cell_volts")[0] for b in fitted if b.fit))
    axes.set_xlabel("V per cell")
    axes.set_title(f"Where the volts go at {made.at_density:g} mA/cm²")
    axes.grid(visible=False, axis="y")
    axes.grid(visible=True, axis="x", color=PALE)
    assert math.isfinite(made.at_density)
