"""Timed fills as text for a terminal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from daq.measure import NUMBERS, unit_words
from daq.quantity import shown
from daq.store import FillRecord
from daq.study.fill.result import FILL_NUMBERS, TimedFill
from daq.study.fill.series import METER_FACTOR, Repeated

__all__ = [
    "LABELS",
    "UNITS",
    "bench_file_lines",
    "fill_text",
    "number_text",
    "series_text",
    "side_by_side",
]

LABELS: Final = {**{n.key: n.label for n in NUMBERS}, METER_FACTOR: "Meter factor"}
UNITS: Final = {**{n.key: unit_words(n.unit) for n in NUMBERS}, METER_FACTOR: ""}
DAY_NS: Final = 86_400_000_000_000
_BUDGET_LEAST = 0.02
"""Parts below this share of the variance are not worth a line."""


def number_text(name: str, said: Mapping[str, Any]) -> str:
    """A number with its expanded uncertainty, rounded by it; a dash where it is not known."""
    if said["value"] is None:
        return "–"
    return shown(said["value"], said["u95"], UNITS[name]).text


def fill_text(fill: TimedFill) -> str:
    """A fill as readable lines: its numbers, the way to them, and what they rest on."""
    form, said = fill.form, fill.as_dict()
    lines = [
        f"Timed fill: {form.volume_ml:g} mL in {form.seconds:g} s, {form.cells} cells",
        f"Dry gas at {fill.reference}; ± is the expanded uncertainty, k = 2",
        "",
        *(f"  {LABELS[n]:<24}{number_text(n, said[n])}" for n in FILL_NUMBERS),
        "",
        "WHAT REMAINS",
    ]
    mmw = said["mmw_as_read"]["value"]
    for step in fill.steps:
        per_watt = "" if mmw is None else f"{mmw * step.lpm / fill.steps[0].lpm:>8.2f} mL/min/W"
        times = "" if step.factor == 1.0 else f"× {step.factor:.4f}"
        lines.append(f"  {step.words:<40}{times:<10}{step.lpm:>7.3f} L/min{per_watt}")
    name = "flow_dry_ref_lpm" if mmw is None else "mmw_dry_ref"
    lines += ["", f"WHERE THE UNCERTAINTY OF {LABELS[name]} COMES FROM"]
    parts = [(p.label, float(np.asarray(p.share).ravel()[0])) for p in fill.budget(name)]
    lines += [f"  {label:<28}{100.0 * share:>4.0f} %" for label, share in parts if share >= _BUDGET_LEAST]
    if fill.findings:
        lines += ["", "FINDINGS"]
        for finding in fill.findings:
            lines.append(f"  {finding.text}")
            lines += [f"    {i}. {cause}" for i, cause in enumerate(finding.causes, 1)]
    lines += ["", "THESE NUMBERS REST ON", *(f"  {text}" for text in fill.assumptions)]
    return "\n".join(lines)


def series_text(series: Mapping[str, Repeated]) -> str:
    """Mean and repeatability of several fills."""
    lines = [f"  {'':<24}{'mean':<28}{'repeatability':<20}fills"]
    for name, found in series.items():
        mean = shown(found.mean, found.u95, UNITS[name]).text
        spread = "–" if math.isnan(found.s) else f"{found.s:.2g} ({100.0 * found.s / abs(found.mean):.1f} %)"
        lines.append(f"  {LABELS[name]:<24}{mean:<28}{spread:<20}{found.n}")
    lines.append(
        "  ± is the expanded uncertainty of the mean: Student's t for its scatter, and what all fills share"
    )
    return "\n".join(lines)


def side_by_side(
    builds: Sequence[tuple[str, Sequence[FillRecord], Mapping[str, Repeated]]],
) -> list[dict[str, Any]]:
    """The builds with their means, and of dry MMW the difference from the first build that has one.

    The difference's U counts both means' whole: what the fills of both share, such as the vessel, is not
    taken out, since nobody says that it was the same. A difference is told where it stands beyond its U *and*
    each build was filled on two days or more; fills of one day each can not tell the build from the day.
    """
    out: list[dict[str, Any]] = []
    first: tuple[str, Repeated, int] | None = None
    for build, records, series in builds:
        days = len({r.t_utc_ns // DAY_NS for r in records})
        mmw = series.get("mmw_dry_ref")
        line: dict[str, Any] = {
            "build": build,
            "fills": [r.id for r in records],
            "days": days,
            "means": {name: found.as_dict() for name, found in series.items()},
            "difference": None,
        }
        if mmw is not None and first is None:
            first = build, mmw, days
        elif mmw is not None and first is not None and first[1].mean:
            value, u = mmw.mean / first[1].mean - 1.0, math.hypot(mmw.u95, first[1].u95) / first[1].mean
            beyond, repeated = abs(value) > u, min(days, first[2]) > 1
            line["difference"] = {
                "from": first[0],
                "value": value,
                "u95": u,
                "told": beyond and repeated,
                "words": _difference_words(value, u, first[0], beyond=beyond, repeated=repeated),
            }
        out.append(line)
    return out


def _difference_words(value: float, u: float, first: str, *, beyond: bool, repeated: bool) -> str:
    share = shown(100.0 * value, 100.0 * u, "%").text
    against = f"{share} against {first or 'no build named'}"
    if not beyond:
        return f"{against}: not told apart"
    if not repeated:
        return f"{against}: one day each can not tell the build from the day"
    return against


def bench_file_lines(
    factor: Mapping[str, Any], told: str, k_per_l: Mapping[str, Any] | None = None
) -> Sequence[str]:
    """A meter's factor as the lines to put into the bench file.

    Parameters
    ----------
    factor : mapping
        `value` and `u95` of the factor.
    told : str
        By what: ``the fill of 2025-03-04``.
    k_per_l : mapping, optional
        The same as a K-factor [counts/L].
    """
    value, u = float(factor["value"]), 0.5 * float(factor["u95"])
    places = max(2, 1 - math.floor(math.log10(u))) if u > 0.0 else 4
    lines = [
        "[gas]",
        f"meter_factor = {value:.{places}f}     # by {told}: {shown(value, 2.0 * u).text}",
        f"meter_factor_u = {u:.{places}f}",
    ]
    if k_per_l is not None:
        lines.append(
            f"# or scale the channel by it: {shown(k_per_l['value'], k_per_l['u95']).text} counts a litre, "
            "where the field counts a second"
        )
    return lines
