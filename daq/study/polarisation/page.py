"""A polarisation as one self-contained page."""

from __future__ import annotations

from html import escape

from daq.quantity import shown
from daq.study.polarisation.picture import polarisation_picture
from daq.study.polarisation.result import Polarisation
from daq.study.polarisation.words import (
    MOST_UNUSED,
    PART_LABELS,
    difference_words,
    part_words,
    unused_words,
)
from daq.study.render import cautions, clock_words, date_words, page, table

__all__ = ["polarisation_page"]


def polarisation_page(made: Polarisation) -> str:
    """The page."""
    title = f"Polarisation of {', '.join(b.name for b in made.builds)}"
    parts = [f"<header><h1>{escape(title)}</h1></header>", cautions()]
    for comparison in made.comparisons:
        parts.append(f"<p><strong>{escape(comparison.sentence)}</strong></p>")
    fitted = [b for b in made.builds if b.fit is not None]
    if fitted:
        picture = polarisation_picture(made, "svg").decode("utf-8")
        parts.append(f'<figure class="picture">{picture}</figure>')
        rows = [[label, *(part_words(b, key) for b in fitted)] for key, label in PART_LABELS.items()]
        rows.append(
            [
                "Reversible voltage, by thermodynamics",
                *(f"{b.fit.reversible_at:.3f} V" for b in fitted if b.fit),
            ]
        )
        rows.append(["Scatter of the steps", *(f"{1e3 * b.fit.rms:.2g} mV" for b in fitted if b.fit)])
        caption = f"Parts at {made.at_density:g} mA/cm² and {made.reference_c:.0f} °C, ± U for 95 %"
        parts.append(table(["Part", *(b.name for b in fitted)], rows, caption, numeric=len(fitted)))
    for comparison in made.comparisons:
        rows = [[PART_LABELS[d.part], difference_words(d)] for d in comparison.differences]
        caption = f"{comparison.second} less {comparison.first}, 95 % intervals"
        parts.append(table(["Part", "Difference"], rows, caption, numeric=1))
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
        for s in (r.sweep.used if sum(bool(x.reason) for x in r.sweep.steps) > MOST_UNUSED else r.sweep.steps)
    ]
    headings = ["Build", "At", "Current density", "Volts per cell", "Lye", "Used"]
    parts.append(table(headings, steps, "Steps, as measured, ± U (k = 2)"))
    many = [
        [b.name, text]
        for b in made.builds
        for r in b.runs
        if sum(bool(x.reason) for x in r.sweep.steps) > MOST_UNUSED
        for text in unused_words(r.sweep)
    ]
    parts.append(table(["Build", "Not used"], many, "Stretches that are no steps"))
    missing = [[b.name, b.reason] for b in made.builds if b.fit is None]
    parts.append(table(["Build", "Why it has no curve"], missing, "Without a curve"))
    runs = [
        [b.name, r.run_id or "–", r.name or "–", date_words(r.start_utc_ns)]
        for b in made.builds
        for r in b.runs
    ]
    parts.append(table(["Build", "Run", "Name", "Started"], runs, "Runs"))
    said = "".join(f"<li>{escape(text)}</li>" for text in made.rests_on)
    parts.append(f"<section><h2>What this holds for</h2><ul>{said}</ul></section>")
    return page(title, parts)
