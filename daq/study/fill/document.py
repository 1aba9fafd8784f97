"""Timed fills said: one with its way to dry gas, a series, and all that a logbook holds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from daq.measure import NUMBERS, Finding, unit_words
from daq.quantity import shown, shown_time
from daq.store import FillRecord, RunRecord
from daq.study.fill.book import FillMade, result_of
from daq.study.fill.result import FILL_NUMBERS, TimedFill
from daq.study.fill.series import METER_FACTOR, BuildFills, Repeated
from daq.study.render import Document, Facts, Items, Paragraph, Part, Section, Table, Title

__all__ = ["LABELS", "bench_file_lines", "fill_document", "fills_document", "number_text"]

LABELS: Final = {**{n.key: n.label for n in NUMBERS}, METER_FACTOR: "Meter factor"}
UNITS: Final = {**{n.key: unit_words(n.unit) for n in NUMBERS}, METER_FACTOR: ""}
_LISTED = ("flow_dry_ref_lpm", "mmw_as_read", "mmw_dry_ref", "faradaic_efficiency", METER_FACTOR)
_COMPARED = ("mmw_dry_ref", "mmw_as_read", "faradaic_efficiency", "flow_dry_ref_lpm")
_BUDGET_LEAST = 0.02
"""Parts below this share of the variance are not worth a line."""


def number_text(name: str, number: Mapping[str, Any] | Repeated | None) -> str:
    """A number with its expanded uncertainty, rounded by it; a dash where it is not known."""
    if isinstance(number, Repeated):
        number = {"value": number.value, "u95": number.u95}
    if number is None or number["value"] is None:
        return "–"
    return shown(number["value"], number["u95"], UNITS[name]).text


def fill_document(
    fills: Sequence[FillMade],
    series: Mapping[str, Repeated] | None,
    record: RunRecord | None,
    kept: Sequence[FillRecord],
) -> Document:
    """A fill, or the first of several with their means.

    Parameters
    ----------
    fills : sequence of FillMade
    series : mapping of str to Repeated, optional
        Of several.
    record : RunRecord, optional
        The run in which it was made.
    kept : sequence of FillRecord
        As the logbook keeps them.
    """
    fill, meter = fills[0].fill, fills[0].meter
    title = f"Timed fill: {fill.form.volume_ml:g} mL in {fill.form.seconds:g} s, {fill.form.cells} cells"
    body = fill.as_dict()
    parts: list[Part] = [
        Title(title, sentences=[f"Dry gas at {fill.reference}; ± is the expanded uncertainty, k = 2"]),
        Section("Numbers", [Facts([(LABELS[n], number_text(n, body[n])) for n in FILL_NUMBERS])]),
        *_way(fill, body["mmw_as_read"]["value"]),
    ]
    if fill.findings:
        parts.append(Section("Findings", [_finding(f) for f in fill.findings]))
    parts.append(Section("These numbers rest on", [Items(fill.assumptions)]))
    if series is not None:
        parts += _series(f"Series of {len(fills)}, the first of which is shown above", series)
    if meter is not None and record is not None:
        found = meter.as_dict()
        lines = bench_file_lines(found["factor"], f"a timed fill in run {record.id}", found["k_per_l"])
        last = "The meter's own accuracy line then only has to cover what a factor does not take out."
        parts.append(Section("The run's flow meter", [Items([*lines, last])], note=", for the bench file"))
    if kept:
        numbers = ", ".join(str(k.id) for k in kept)
        parts.append(Paragraph(f"kept as {'fill' if len(kept) == 1 else 'fills'} {numbers}"))
    return Document(title, parts)


def fills_document(
    records: Sequence[FillRecord],
    reference: str,
    builds: Sequence[tuple[str, Sequence[FillRecord], Mapping[str, Repeated]]],
    beside: Sequence[BuildFills],
) -> Document:
    """The fills of a logbook, the builds side by side, and the series of each.

    Parameters
    ----------
    records : sequence of FillRecord
    reference : str
        The condition at which dry gas is counted.
    builds : sequence of (str, sequence of FillRecord, mapping of str to Repeated)
        As `daq.study.fill.book.builds_of` gives them.
    beside : sequence of BuildFills
        As `daq.study.fill.series.side_by_side` gives them.
    """
    results = {r.id: result_of(r, reference) for r in records}
    rows = [
        [
            str(r.id),
            shown_time(r.t_utc_ns),
            r.run_id or "–",
            r.build,
            r.who,
            *(number_text(n, results[r.id].get(n)) for n in _LISTED),
            r.note,
        ]
        for r in records
    ]
    headings = ["no.", "stopped", "run", "build", "by", *(LABELS[n] for n in _LISTED), "note"]
    counted = results[records[-1].id]["reference"]
    parts: list[Part] = [
        Table(headings, rows, "Timed fills"),
        Paragraph(f"Dry gas at {counted}; ± is the expanded uncertainty, k = 2"),
        Table(
            ["build", "fills", "days", *(LABELS[n] for n in _COMPARED), "dry MMW against the first"],
            [
                [
                    b.build or "–",
                    str(len(b.fills)),
                    str(b.days),
                    *(number_text(n, b.means.get(n)) for n in _COMPARED),
                    "" if b.difference is None else b.difference.words,
                ]
                for b in beside
            ],
            "Builds side by side",
        ),
    ]
    for build, kept, series in builds:
        if len(kept) > 1:
            parts += _series(f"{build or 'no build named'}: {len(kept)} fills", series)
            factor = series.get(METER_FACTOR)
            if factor is not None:
                found = {"value": factor.value, "u95": factor.u95}
                parts.append(
                    Section("For the bench file", [Items(bench_file_lines(found, f"{factor.n} timed fills"))])
                )
    return Document("Timed fills", parts)


def bench_file_lines(
    factor: Mapping[str, Any], origin: str, k_per_l: Mapping[str, Any] | None = None
) -> Sequence[str]:
    """A meter's factor as the lines to put into the bench file.

    Parameters
    ----------
    factor : mapping
        `value` and `u95` of the factor.
    origin : str
        By what: ``the fill of 2025-03-04``.
    k_per_l : mapping, optional
        The same as a K-factor [counts/L].
    """
    value, u = float(factor["value"]), 0.5 * float(factor["u95"])
    places = max(2, 1 - math.floor(math.log10(u))) if u > 0.0 else 4
    lines = [
        "[gas]",
        f"meter_factor = {value:.{places}f}     # by {origin}: {shown(value, 2.0 * u).text}",
        f"meter_factor_u = {u:.{places}f}",
    ]
    if k_per_l is not None:
        lines.append(
            f"# or scale the channel by it: {shown(k_per_l['value'], k_per_l['u95']).text} counts a litre, "
            "where the field counts a second"
        )
    return lines


# -- parts -------------------------------------------------------------------------------------------------


def _way(fill: TimedFill, mmw: float | None) -> list[Part]:
    """From the gas as it stood to dry gas at the reference, and where the uncertainty comes from."""
    rows = [
        [
            c.words,
            "" if c.factor == 1.0 else f"× {c.factor:.4f}",
            f"{c.lpm:.3f} L/min",
            "" if mmw is None else f"{mmw * c.lpm / fill.corrections[0].lpm:.2f} mL/min/W",
        ]
        for c in fill.corrections
    ]
    name = "flow_dry_ref_lpm" if mmw is None else "mmw_dry_ref"
    shares = [(p.label, float(np.asarray(p.share).ravel()[0])) for p in fill.budget(name)]
    budget = [[label, f"{100.0 * share:.0f} %"] for label, share in shares if share >= _BUDGET_LEAST]
    return [
        Table(["Gas", "Factor", "Flow", "By the power"], rows, "What remains", numeric=3),
        Table(["From", "Share"], budget, f"Where the uncertainty of {LABELS[name]} comes from", numeric=1),
    ]


def _finding(finding: Finding) -> Section:
    return Section(finding.text, [Items(finding.causes, ordered=True)])


def _series(caption: str, series: Mapping[str, Repeated]) -> list[Part]:
    """Mean and repeatability of several fills."""
    rows = [
        [
            LABELS[name],
            number_text(name, found),
            "–"
            if math.isnan(found.repeatability_s)
            else f"{found.repeatability_s:.2g} ({100.0 * found.repeatability_s / abs(found.value):.1f} %)",
            str(found.n),
        ]
        for name, found in series.items()
    ]
    basis = "± is the expanded uncertainty of the mean: Student's t for its scatter, and what all fills share"
    return [Table(["", "mean", "repeatability", "fills"], rows, caption, numeric=3), Paragraph(basis)]
