"""A review as one self-contained page: no script, no requests, made to print on A4 or Letter."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.frame import Block
from daq.study.charts import Line, Mark, Panel, Span, draw
from daq.study.html_parts import cautions, page, table
from daq.study.report_alarms import alarm_part, forecast_part
from daq.study.report_parts import against_part, heat_part, map_part, second_witness_part, spent_part
from daq.study.review import Review
from daq.study.summary import (
    TOTALS,
    clock_words,
    date_words,
    duration_words,
    number_words,
    peak_words,
    total_label,
    total_words,
)
from daq.watch import NUMBERS, Columns
from daq.watch.numbers import unit_words

__all__ = ["html_report"]

_LEVELS = (("warn", "warn"), ("high", "high"), ("trip", "trip"), ("low_warn", "warn"), ("low_trip", "trip"))


def html_report(review: Review, series: Mapping[str, Block] | Iterable[Block]) -> str:
    """The page.

    Parameters
    ----------
    review : Review
    series : mapping of str to Block, or blocks
        The run's samples, for the trends.
    """
    body = review.as_dict()
    run = body["run"]
    title = f"Run {run['id'] or ''} {run['name']}".strip() or "Run"
    columns = Columns.from_blocks(series)
    parts = [
        _head(body, title),
        cautions(),
        _key_facts(body),
        spent_part(body),
        against_part(body),
        _findings(body["findings"]),
        "<h2>Trends</h2>",
        _trends(review, columns, body),
        _totals(body),
        map_part(body),
        _phases(body["phases"]),
        heat_part(body),
        second_witness_part(body),
        _limits(body),
        alarm_part(body),
        forecast_part(body),
        _events(body),
        _data(body),
        _rests_on(body),
    ]
    return page(title, parts)


# -- head --------------------------------------------------------------------------------------------------


def _head(body: Mapping[str, Any], title: str) -> str:
    run = body["run"]
    facts = (
        ("Bench", run["bench"]),
        ("Build", run["build"]),
        ("Started", date_words(run["start_utc_ns"])),
        ("Duration", duration_words(body["duration_s"])),
        ("Powered", duration_words(body["powered_s"])),
        ("Reference for dry gas", body["reference"]),
    )
    listed = "".join(f"<div><dt>{escape(k)}</dt><dd>{escape(str(v))}</dd></div>" for k, v in facts)
    note = f"<p>{escape(run['note'])}</p>" if run["note"] else ""
    return f'<header><h1>{escape(title)}</h1><dl class="facts">{listed}</dl>{note}</header>'


def _key_facts(body: Mapping[str, Any]) -> str:
    numbers = _best_numbers(body)
    temp = body["channels"].get("lye_temp")
    raised = len(body["alarm_summary"])
    cards: list[tuple[str, str, str]] = []
    if temp is not None:
        worst = _worst_level(body)
        cards.append(("Peak lye temperature", peak_words(temp), worst))
    for key in ("mmw_dry_ref", "mmw_as_read", "faradaic_efficiency", "energy_efficiency_hhv"):
        if numbers is not None and numbers[key]["value"] is not None:
            label = next(n.label for n in NUMBERS if n.key == key)
            cards.append((label, number_words(numbers[key]), ""))
    cards.append(("Alarms", str(raised) if raised else "none", "" if not raised else "abnormal"))
    if body["trips"]:
        cards.append(("Supply cut", clock_words(body["trips"][0]["t_s"]), "abnormal"))
    return '<section class="cards" aria-label="Key figures">' + "".join(
        f'<div class="card {style}"><span class="label">{escape(k)}</span>'
        f'<span class="value">{escape(v)}</span></div>'
        for k, v, style in cards
    ) + "</section>"  # fmt: skip


def _best_numbers(body: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The longest steady phase's numbers, or those of all the time that was powered."""
    steady = [p for p in body["phases"] if p["phase"] == "steady" and p["numbers"]]
    if steady:
        best: Mapping[str, Any] = max(steady, key=lambda p: float(p["duration_s"]))["numbers"]
        return best
    numbers: Mapping[str, Any] | None = body["numbers"]
    return numbers


def _worst_level(body: Mapping[str, Any]) -> str:
    beyond = any(
        limit["samples_beyond"] and limit["channel"] == "lye_temp" and limit["level"] in ("high", "trip")
        for limit in body["limits"]
    )
    return "abnormal" if beyond else ""


# -- trends ------------------------------------------------------------------------------------------------


def _trends(review: Review, columns: Columns, body: Mapping[str, Any]) -> str:
    bench, w = review.bench, review.windows
    u, v, t = w.u95, w.value, w.end_ns

    def raw(channel: str, label: str, style: str = "one") -> Line:
        times, values = columns.good(channel)
        return Line(label, times, values, style, samples=True)

    # While the supply is being switched, gas and current do not belong together: no ratio is drawn.
    apart = np.zeros(len(w), dtype=bool)
    for phase in review.phases:
        apart[phase.first : phase.last + 1] = phase.name == "disturbed"

    def ratio(key: str, label: str, style: str = "one") -> Line:
        return Line(label, t, np.where(apart, np.nan, v[key]), style, u95=u[key] if style == "one" else None)

    panels = [
        Panel("Temperature", "°C", [raw("lye_temp", "lye"), raw("room_temp", "room", "two")],
              _marks(bench, "lye_temp"), height=170.0),
        Panel("Current", "A", [raw("amps", "amps")], _marks(bench, "amps"), from_zero=True),
        Panel("Voltage", "V", [raw("volts", "volts")], _marks(bench, "volts")),
        Panel("Power", "W", [Line("power", t, v["power_w"], u95=u["power_w"])], from_zero=True),
        Panel("Gas flow", "L/min", [raw("gas_flow", "as read", "two"),
              Line("dry at the reference", t, v["flow_dry_ref_lpm"], u95=u["flow_dry_ref_lpm"])],
              _marks(bench, "gas_flow"), from_zero=True),
        Panel("MMW", "mL/min/W", [ratio("mmw_as_read", "as read", "two"),
              ratio("mmw_dry_ref", "dry at the reference")]),
        Panel("Efficiency", "", [ratio("energy_efficiency_hhv", "energy (HHV)", "two"),
              ratio("faradaic_efficiency", "Faradaic")]),
    ]  # fmt: skip
    spans = [Span(p.from_s, p.to_s, "off") for p in review.phases if p.name in ("supply off", "cool-down")]
    spans += [Span(p.from_s, p.to_s, "odd") for p in review.phases if p.name == "disturbed"]
    spans += [Span(g["from_s"], g["from_s"] + g["seconds"], "gap") for g in body["gaps"]["list"]]
    svg = draw(panels, body["from_s"], body["to_s"], spans)
    if not svg:
        return "<p>No samples to draw.</p>"
    return (
        f'<figure>{svg}<figcaption><span class="key off"></span>no current '
        '<span class="key odd"></span>disturbed <span class="key gap"></span>gap in the data. Channels: mean '
        "of each stretch, with its lowest and highest sample shaded. Numbers: means over "
        f"{body['window_s']:g} s, shaded by ± U (k = 2).</figcaption></figure>"
    )


def _marks(bench: Bench, channel: str) -> list[Mark]:
    limit = bench.limits.get(channel)
    if limit is None:
        return []
    unit = unit_words(bench.channels[channel].unit)
    found = ((level, style, getattr(limit, level)) for level, style in _LEVELS)
    return [Mark(f"{n.replace('_', ' ')} {at:g} {unit}", at, s) for n, s, at in found if at is not None]


# -- tables ------------------------------------------------------------------------------------------------


def _totals(body: Mapping[str, Any]) -> str:
    rows = [
        [total_label(label, body["totals"][key]), total_words(body["totals"][key])]
        for key, label in TOTALS
        if body["totals"][key]["value"] is not None
    ]
    return table(["Total", "Value ± U (k = 2)"], rows, "Totals", numeric=1)


def _phases(phases: Sequence[Mapping[str, Any]]) -> str:
    if not phases:
        return ""
    rows = [
        [p["phase"], clock_words(p["from_s"]), clock_words(p["to_s"]), duration_words(p["duration_s"])]
        for p in phases
    ]
    out = table(["Phase", "From", "To", "Duration"], rows, "Phases", numeric=3)
    # The longest powered phases, as many as stand side by side on a page.
    picked = sorted(
        sorted(
            (p for p in phases if p["numbers"] and p["phase"] in ("warm-up", "steady")),
            key=lambda p: -float(p["duration_s"]),
        )[:3],
        key=lambda p: float(p["from_s"]),
    )
    if not picked:
        return out
    headings = ["Number", *(f"{p['phase']} from {clock_words(p['from_s'])}" for p in picked)]
    lines = []
    for spec in NUMBERS:
        numbers = [p["numbers"][spec.key] for p in picked]
        if any(n["value"] is not None for n in numbers):
            lines.append([spec.label, *(number_words(n) for n in numbers)])
    return out + table(headings, lines, "Means of each number, ± U (k = 2)", numeric=len(picked))


def _limits(body: Mapping[str, Any]) -> str:
    rows = []
    for x in body["limits"]:
        side = "below" if x["level"].startswith("low") else "above"
        spent = duration_words(x["seconds_beyond"]) if x["samples_beyond"] else "never"
        first = "–" if x["first_at_s"] is None else clock_words(x["first_at_s"])
        limit = f"{x['limit']:g} {unit_words(x['unit'])}"
        rows.append([x["channel"], x["level"].replace("_", " "), f"{side} {limit}", spent, first])
    return table(["Channel", "Limit", "Beyond", "For", "First at"], rows, "Time beyond limits", numeric=2)


def _events(body: Mapping[str, Any]) -> str:
    events = [
        (t["t_s"], "trip", f"{t['detail'] or t['cause']}; by {t['by'] or 'the guard'}") for t in body["trips"]
    ]
    events += [
        (m["t_s"], m["kind"].replace("_", " "), m["text"] + (f" ({m['who']})" if m["who"] else ""))
        for m in body["marks"]
    ]
    events += [(w["raised_s"], "warning", w["reason"]) for w in body["warnings"]]
    rows = [[clock_words(t), kind, text] for t, kind, text in sorted(events)]
    return table(["At", "What", "Words"], rows, "Trips, warnings and marks")


def _data(body: Mapping[str, Any]) -> str:
    rows = []
    for source, count in body["samples"].items():
        link = body["links"].get(source, {})
        own = [g for g in body["gaps"]["list"] if g["source"] == source]
        errors = sum(int(link.get(k, 0) or 0) for k in ("bad_crc", "malformed", "overlong", "out_of_range"))
        missing = body["gaps"]["missing_frames"].get(source, 0)
        longest = duration_words(max((g["seconds"] for g in own), default=0.0)) if own else "–"
        rows.append([source, str(count), str(missing), str(len(own)), longest, str(errors) if link else "–"])
    headings = ["Source", "Samples", "Frames missing", "Gaps", "Longest gap", "Link errors"]
    out = table(headings, rows, "Data", numeric=5)
    if body["clock_steps"]:
        steps = [[clock_words(s["t_s"]), s["text"]] for s in body["clock_steps"]]
        out += table(["At", "What"], steps, "Steps of the computer's clock; the run's own time went on")
    bad = [[c, *(str(n[k]) for k in ("uncertain", "bad", "missing"))] for c, n in body["bad_values"].items()]
    return out + table(
        ["Channel", "Uncertain", "Bad", "Missing"], bad, "Values that were not good", numeric=3
    )


def _findings(findings: Sequence[Mapping[str, Any]]) -> str:
    if not findings:
        return ""
    out = ["<section class='findings'><h2>Findings</h2>"]
    for f in findings:
        where = ", ".join(
            f"{p['phase']} from {clock_words(p['from_s'])} ({100 * p['share']:.0f} %)" for p in f["phases"]
        )
        seen = f"Seen in: {escape(where)}. " if where else ""
        causes = "".join(f"<li>{escape(c)}</li>" for c in f["causes"])
        out.append(f"<h3>{escape(f['text'])}</h3><p>{seen}Likely causes:</p><ol>{causes}</ol>")
    return "".join(out) + "</section>"


def _rests_on(body: Mapping[str, Any]) -> str:
    said = [*body["assumptions"], *body["notes"]]
    items = "".join(f"<li>{escape(text)}</li>" for text in said)
    listed = f"<ul>{items}</ul>" if said else ""
    return (
        f"<section><h2>What these numbers rest on</h2>{listed}<p>± U is the expanded uncertainty, k = 2 "
        "(JCGM 100:2008): accuracy as the bench file states it, resolution, and noise with its "
        f"autocorrelation. Schema of the data behind this page: {escape(body['schema'])}.</p></section>"
    )
