"""A comparison as JSON and as readable lines."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import Any

import numpy as np

from daq.measure import FloatArray, unit_words
from daq.quantity import shown
from daq.study.compare.band import Curve
from daq.study.compare.comparison import Comparison, Difference, Group
from daq.study.compare.days import STATED_WORDS
from daq.study.compare.looks import left_out, looks_words
from daq.study.compare.verdict import DAY, amount_words, span_words, verdict
from daq.study.render import date_words

__all__ = [
    "SCHEMA",
    "as_dict",
    "band_dict",
    "band_rows",
    "band_words",
    "basis",
    "comparison_text",
    "level_words",
]


ROWS = 5


def band_words(d: Difference) -> str:
    """Whether the difference changes with temperature, and where it is clear of nothing."""
    band = d.band
    if band is None:
        return ""
    if not band.known:
        return f"{d.metric.label} over temperature is not told: {band.reason}."
    change = f"{amount_words(d.metric, *band.slope[1:], fine=True)} for each 10 K at {band.middle:.0f} °C"
    if band.slopes_differ:
        said = f"The builds' slopes differ: the difference in {d.metric.label} changes by {change}."
    else:
        said = f"No change with temperature of the difference in {d.metric.label} was found: {change}."
    clear = [
        f"{'above' if sign > 0 else 'below'} from {a:.0f} to {b:.0f} °C"
        for a, b, sign in band.stretches(band.all_low, band.all_high)
    ]
    here = f"{band.temps[0]:.0f} to {band.temps[-1]:.0f} °C"
    where = f"clear of nothing, {' and '.join(clear)}" if clear else "nowhere clear of nothing"
    return f"{said} Over {here}, all temperatures taken together, it is {where}."


def band_rows(d: Difference) -> list[list[str]]:
    """At some of the band's temperatures: both builds ± U, the pointwise and the simultaneous interval."""
    band = d.band
    if band is None or not band.known:
        return []
    out = []
    for k in np.unique(np.linspace(0, band.temps.size - 1, ROWS).round().astype(int)).tolist():
        levels = [
            shown(float(c.value[k]), float(c.high[k] - c.value[k]), unit_words(d.metric.unit)).text
            for c in (band.first, band.second)
        ]
        spans = [
            amount_words(d.metric, float(low[k]), float(high[k]))
            for low, high in ((band.difference.low, band.difference.high), (band.all_low, band.all_high))
        ]
        out.append([f"{band.temps[k]:.1f} °C", *levels, *spans])
    return out


def band_dict(d: Difference) -> dict[str, Any] | None:
    """For JSON: arrays over the temperatures; differences of a "ratio" are shares [1]."""
    band = d.band
    if band is None:
        return None
    unit = "1" if d.metric.scale == "ratio" else d.metric.unit
    if not band.known:
        return {"reason": band.reason}
    value, low, high = band.slope
    return {
        "reason": None,
        "lye_temp": {"unit": "degC", "value": band.temps.tolist()},
        "levels": [_level(band.first, d.metric.unit), _level(band.second, d.metric.unit)],
        "difference": {
            "unit": unit,
            "value": band.difference.value.tolist(),
            "low95": band.difference.low.tolist(),
            "high95": band.difference.high.tolist(),
            "low95_all": band.all_low.tolist(),
            "high95_all": band.all_high.tolist(),
        },
        "change_per_10_k": {
            "at": {"value": band.middle, "unit": "degC"},
            "value": value,
            "low95": low,
            "high95": high,
            "unit": unit,
        },
        "slopes_differ": band.slopes_differ,
    }


# -- parts -------------------------------------------------------------------------------------------------


def _level(curve: Curve, unit: str) -> dict[str, Any]:
    u95: FloatArray = curve.high - curve.value
    return {"unit": unit, "value": curve.value.tolist(), "u95": u95.tolist()}


SCHEMA = "lyewatch.compare/1"
METHOD = (
    "one look: Student's t of the runs' scatter (Satterthwaite) from two repeats on, else a half-t "
    "distribution of the scatter (Gelman 2006, 10.1214/06-BA117A); any look: Robbins' confidence sequence "
    "with a Cauchy mixture (10.1214/aoms/1177696786; Howard et al. 2021, 10.1214/20-AOS1991)"
)
HAC_APART = 1.6
"""Where the check on the noise gives so much more, it is said."""

_ALWAYS = (
    "Each difference holds for both builds at the same temperature, and the same current where it says so.",
    (
        "Each interval is a 95 % one of its own; the one for one look holds if these runs were decided on "
        "beforehand, the one for any look however often one looks while runs are added. The verdict goes by "
        "that; bands over temperature are for one look."
    ),
    (
        "At one temperature all runs share their slopes; over temperature each build has slopes of its own, "
        "and the interval there is wider."
    ),
    "The noise of neighbouring blocks goes together; the interval counts that.",
    "The interval counts what the meters' errors do not have in common.",
    "A meter that was exchanged or moved between the runs and kept its name is not seen.",
)


def as_dict(comparisons: Sequence[Comparison]) -> dict[str, Any]:
    """For JSON; `schema` names its version. Differences of a "ratio" are shares [1]."""
    groups = [comparisons[0].first, *(c.second for c in comparisons)]
    return {
        "schema": SCHEMA,
        "reference": groups[0].runs[0].reference,
        "matters": comparisons[0].matters,
        "groups": [_group(g) for g in groups],
        "comparisons": [
            {
                "first": c.first.name,
                "second": c.second.name,
                "verdict": _verdict(c),
                "repeated": c.repeated,
                "bench_differences": [
                    {
                        "key": b.key,
                        "label": b.label,
                        "first": b.first,
                        "second": b.second,
                        "effect": b.effect,
                        "bears_on_gas_per_watt": b.bears,
                    }
                    for b in c.benches
                ],
                "lye": {
                    "brought_to_percent": None if c.lye.strength is None else 100.0 * c.lye.strength,
                    "ranges_percent": [
                        [None if math.isnan(x) else 100.0 * x for x in some] for some in c.lye.ranges
                    ],
                    "gas_per_watt_moved": list(c.lye.moved),
                    "words": c.lye.words,
                },
                "looks": _looks(c),
                "differences": [_difference(d) for d in c.differences],
            }
            for c in comparisons
        ],
        "rests_on": basis(comparisons),
    }


def comparison_text(comparisons: Sequence[Comparison]) -> str:
    """Readable lines."""
    lines: list[str] = []
    for c in comparisons:
        lines += [verdict(c).sentence, ""]
        for k, group in enumerate((c.first, c.second)):
            what = f"{len(group.runs)} run{'s' if len(group.runs) > 1 else ''}, {group.hours:.1f} h compared"
            lines.append(f"{'AB'[k]}  {group.name}: {what}")
            lines += [
                f"   {r.run_id}  {r.name}  {date_words(r.start_utc_ns)}" for r in group.runs if r.run_id
            ]
        lines += ["", f"{'':<22}{'A':<24}{'B':<24}{'B - A, 95 %, one look':<26}{'at any look'}"]
        for d in c.differences:
            if not d.known:
                continue
            a, b = (level_words(d, k) for k in (0, 1))
            spans = f"{span_words(d):<26}{span_words(d, often=True)}"
            lines.append(f"{d.metric.label:<22}{a:<24}{b:<24}{spans}")
        lines += [f"{d.metric.label:<22}{d.reason}" for d in c.differences if not d.known and d.reason]
        lines.append("")
        head = c.headline
        if head.known:
            over = band_words(head)
            lines += [*(wrap(over, 110) if over else []), "", *_budget(head)]
        if c.lye.words:
            lines += ["THE LYES", *wrap(c.lye.words, 108, initial_indent="  ", subsequent_indent="  "), ""]
        if c.benches:
            lines.append("THE BENCH FILES DIFFER")
            for other in c.benches:
                lines.append(f"  {other.label}: {other.first}; {other.second}")
                lines += wrap(other.effect, 106, initial_indent="    ", subsequent_indent="    ")
            lines.append("")
    lines += ["THIS RESTS ON", *(f"  {text}" for text in basis(comparisons))]
    return "\n".join(lines)


def level_words(d: Difference, side: int) -> str:
    """A build's own level with its uncertainty."""
    value, u = d.levels[side]
    return shown(value, u, unit_words(d.metric.unit)).text


def basis(comparisons: Sequence[Comparison]) -> list[str]:
    """What the comparison rests on, in plain words."""
    out = [
        f"Dry gas is counted at {comparisons[0].first.runs[0].reference}; ± is U, k = 2.",
        *_ALWAYS,
    ]
    if not all(c.repeated for c in comparisons):
        out.append(DAY)
    out += [_days(c) for c in comparisons if c.headline.known]
    for c in comparisons:
        out += looks_words(c)
        for d in c.differences:
            if not d.known:
                continue
            if d.matched:
                out.append(f"{d.metric.label}: compared at {_matched(d)}.")
            out += [f"{d.metric.label}: {text}." for text in d.unmatched]
            if math.isfinite(d.hac) and d.hac > HAC_APART * d.noise:
                out.append(
                    f"{d.metric.label}: the noise has a slow part; by cosine scores its share of the "
                    f"interval would be {d.hac / d.noise:.1f} times as wide."
                )
    runs = [r for c in comparisons for g in (c.first, c.second) for r in g.runs]
    out += [f"Assumed: {text}." for r in runs for text in r.assumed]
    return list(dict.fromkeys(out))


# -- parts -------------------------------------------------------------------------------------------------


def _matched(d: Difference) -> str:
    units = {"lye_temp": ("lye at", "°C"), "density": ("", "mA/cm²"), "cell_volts": ("", "V a cell")}
    return ", ".join(f"{units[k][0]} {v:.3g} {units[k][1]}".strip() for k, v in (d.matched or {}).items())


def _days(c: Comparison) -> str:
    """What the scatter from day to day was taken from."""
    d = c.headline
    if d.outlook is None or d.days is None:
        return ""
    seen, stated = d.outlook.scatter, f"{100.0 * d.days.sd:g} %"
    if d.days.sd == 0.0:
        return "Days are taken as alike: as was asked, the interval holds the runs' own noise alone."
    who = STATED_WORDS[d.days.stated]
    if not d.between_dof:
        return (
            f"No build was run twice: from day to day {stated} is {who}, a half-t scale that holds up to "
            f"{100.0 * seen.quantile(0.95):.1f} % for possible. Repeats take its place; --day-sd states "
            "another."
        )
    return (
        f"Runs of one build scatter by {100.0 * seen.sd:.2f} % from day to day "
        f"({100.0 * seen.quantile(0.05):.2f} to {100.0 * seen.quantile(0.95):.2f} %), from {d.between_dof} "
        "repeats on this bench."
    )


def _looks(c: Comparison) -> dict[str, Any]:
    return {
        "count": len(c.looks),
        "left_out": left_out(c),
        "taken": [
            {
                "t_utc_ns": k.t_utc_ns,
                "runs": [i for i, _ in k.runs],
                "kind": k.kind,
                "low95": k.low,
                "high95": k.high,
            }
            for k in c.looks
        ],
    }


def _budget(d: Difference) -> list[str]:
    def words(x: float) -> str:
        if d.metric.scale == "ratio" or d.metric.unit == "1":
            return f"± {100.0 * x:.2f} %"
        return f"± {x:.2g} {unit_words(d.metric.unit)}"

    lines = [f"What the interval of {d.metric.label} is made of, each alone"]
    if math.isfinite(d.between):
        of_runs = f"{d.between_dof} repeats" if d.between_dof else "stated, not seen"
        lines.append(f"  scatter from run to run     {words(d.between)} ({of_runs}; noise within)")
    lines.append(f"  noise of the blocks         {words(d.noise)}")
    of = f" (most of it: {d.calibration_from})" if d.calibration_from else ""
    lines.append(f"  calibrations, not cancelled {words(d.calibration)}{of}")
    return [*lines, ""]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _group(group: Group) -> dict[str, Any]:
    return {
        "name": group.name,
        "hours": group.hours,
        "runs": [
            {
                "id": r.run_id,
                "name": r.name,
                "build": r.build,
                "bench": r.bench,
                "start_utc_ns": r.start_utc_ns,
                "blocks": len(r),
                "block_s": r.block_s,
                "notes": list(r.notes),
            }
            for r in group.runs
        ],
    }


def _verdict(comparison: Comparison) -> dict[str, Any]:
    v = verdict(comparison)
    return {
        "kind": v.kind,
        "sentence": v.sentence,
        "metric": comparison.headline.metric.key,
        "more_hours": v.more_hours,
        "runs_each": v.runs_each,
        "more_runs_each": v.more_runs_each,
        "answer": v.answer,
    }


def _difference(d: Difference) -> dict[str, Any]:
    m = d.metric
    out: dict[str, Any] = {
        "metric": m.key,
        "label": m.label,
        "scale": m.scale,
        "unit": "1" if m.scale == "ratio" else m.unit,
        "better": m.better or None,
        "value": _number(d.value),
        "low95": _number(d.low),
        "high95": _number(d.high),
        "low95_any_look": _number(d.any_low),
        "high95_any_look": _number(d.any_high),
        "reason": d.reason or None,
    }
    if not d.known:
        return out
    return {
        **out,
        "levels": [{"value": v, "u95": u, "unit": m.unit} for v, u in d.levels],
        "half_width_alone": {
            "noise": d.noise,
            "between_runs": _number(d.between),
            "calibration": d.calibration,
            "calibration_mostly_from": d.calibration_from or None,
            "calibration_of_each_run": _number(d.own),
            "noise_by_cosine_scores": _number(d.hac),
        },
        "between_dof": d.between_dof,
        "days": _days_dict(d),
        "day_sd": _number(d.day_sd),
        "matched": dict(_matched_numbers(d)),
        "not_adjusted": list(d.unmatched),
        "blocks": list(d.blocks),
        "hours": list(d.hours),
        "noise_correlation": _number(d.rho),
        "over_temperature": band_dict(d),
    }


def _days_dict(d: Difference) -> dict[str, Any] | None:
    """What is known of the scatter from run to run, on the scale of the differences."""
    if d.days is None or d.outlook is None:
        return None
    seen = d.outlook.scatter
    return {
        "sd": seen.sd,
        "sd_low90": seen.quantile(0.05),
        "sd_high90": seen.quantile(0.95),
        "from": "repeats" if d.between_dof else "stated",
        "stated_share": d.days.sd,
        "stated_by": d.days.stated,
        "method": METHOD,
    }


def _matched_numbers(d: Difference) -> Mapping[str, dict[str, Any]]:
    units = {"lye_temp": "degC", "density": "mA/cm2", "cell_volts": "V"}
    return {k: {"value": v, "unit": units[k]} for k, v in (d.matched or {}).items()}
