"""A review as one self-contained page: no script, no requests, made to print on A4 or Letter."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.frame import Block
from daq.measure import NUMBERS, UNITS, Columns, unit_words
from daq.quantity import shown
from daq.study.render import (
    Line,
    Mark,
    Panel,
    Span,
    cautions,
    clock_words,
    date_words,
    draw,
    duration_words,
    number_words,
    page,
    table,
)
from daq.study.review.run_review import Review
from daq.study.review.summary import TOTALS, WEIGHED, lye_rows, peak_words, total_label, total_words

__all__ = [
    "against_part",
    "alarm_part",
    "forecast_part",
    "forecast_words",
    "heat_part",
    "heat_rows",
    "html_report",
    "load_rows",
    "lye_part",
    "map_part",
    "second_witness_part",
    "spent_part",
]


_MAPS = (
    ("mmw_dry_ref", "MMW dry [mL/min/W]"),
    ("faradaic_efficiency", "Faradaic efficiency"),
    ("energy_efficiency_hhv", "Energy efficiency (HHV)"),
)
FILLED = (
    ("mmw_dry_ref", "MMW dry"),
    ("mmw_as_read", "MMW as read"),
    ("faradaic_efficiency", "Faradaic efficiency"),
    ("flow_dry_ref_lpm", "Dry gas"),
)
_SHADES = 5


def second_witness_part(body: Mapping[str, Any]) -> str:
    """The run's timed fills, and what a balance under the reservoir says."""
    out = ""
    fills, weighing = body["fills"], body["weighing"]
    if fills:
        rows = []
        for key, label in FILLED:
            mean = fills["series"].get(key)
            if mean is not None:
                unit = unit_words(UNITS[key])
                s = mean["repeatability_s"]
                scatter = "–" if s is None else shown(s, None, unit).text
                rows.append([label, shown(mean["value"], mean["u95"], unit).text, scatter, str(mean["n"])])
        of_run = "; the gas of the whole run goes by them" if fills["gas_of_the_run"] else ""
        caption = f"Timed fills of this run, dry gas at {body['reference']}{of_run}"
        out += table(["Number", "Mean", "Scatter of one fill", "Fills"], rows, caption, numeric=3)
    if weighing:
        rows = [[label, number_words(weighing[key])] for key, label in WEIGHED]
        if weighing["flow_meter"]:
            rows.append(["Dry gas by the flow meter", number_words(weighing["flow_meter"])])
        caption = f"The reservoir, weighed over {duration_words(weighing['seconds'])}"
        out += table(["Weighed", "Value, ± U (k = 2)"], rows, caption, numeric=1)
    return f"<section><h2>Fills and balance</h2>{out}</section>" if out else ""


def lye_part(body: Mapping[str, Any]) -> str:
    """The lye at the start and at the end, and what people said of it."""
    lye = body["lye"]
    caption = f"{lye['electrolyte']} in the circuit, ± U (k = 2); strength is by mass, litres at 20 °C"
    out = table(["Lye", "At the start", "At the end"], lye_rows(body), caption, numeric=2)
    rows = [
        [
            clock_words(e["t_s"]),
            e["words"]
            + (" (not what was expected: look for a spill or a wrong reading)" if e["surprising"] else ""),
            f"{e['before_percent']:.1f} %",
            f"{e['after_percent']:.1f} %",
        ]
        for e in lye["entries"]
    ]
    if rows:
        out += table(["At", "Entry", "Before", "After"], rows, "Poured in, drawn off, measured")
    return f"<section><h2>Lye</h2>{out}<p>{escape(lye['words'])}</p></section>"


def map_part(body: Mapping[str, Any]) -> str:
    """Efficiency over temperature and current, as a table whose ground grows darker with the value."""
    fields = body["map"]["fields"]
    out = []
    for key, label in _MAPS:
        known = [f for f in fields if f["numbers"][key]["value"] is not None]
        if known:
            out.append(_map(body["map"], known, key, label, body["reference"]))
            if key == "mmw_dry_ref" and len(known) < 2:
                break
    if not out:
        return ""
    return (
        "<section><h2>Efficiency over temperature and current</h2>"
        + "".join(out)
        + "<p>Each field is all gas over all energy (or charge) of its undisturbed time, ± U (k = 2). "
        "Where a field is empty the run was there for less than a minute.</p></section>"
    )


def _map(whole: Mapping[str, Any], known: Any, key: str, label: str, reference: str) -> str:
    values = [f["numbers"][key]["value"] for f in known]
    # What differs by less than U is not shaded apart.
    blur = max((f["numbers"][key]["u95"] or 0.0 for f in known), default=0.0)
    low, span = min(values), max(max(values) - min(values), blur) or 1.0
    columns = sorted({(f["temp_from"], f["temp_to"]) for f in known})
    rows = sorted({(f["amps_from"], f["amps_to"]) for f in known}, reverse=True)
    at = {(f["temp_from"], f["amps_from"]): f for f in known}
    head = "".join(f'<th scope="col">{a:g} to {b:g} °C</th>' for a, b in columns)
    lines = []
    for a, b in rows:
        cells = []
        for t, _ in columns:
            f = at.get((t, a))
            if f is None:
                cells.append("<td></td>")
                continue
            n = f["numbers"][key]
            shade = round((_SHADES - 1) * (n["value"] - low) / span)
            words = shown(n["value"], n["u95"], "").text
            cells.append(
                f'<td class="shade{shade}">{words}<small>{duration_words(f["seconds"])}</small></td>'
            )
        lines.append(f'<tr><th scope="row">{a:g} to {b:g} A</th>{"".join(cells)}</tr>')
    basis = f", dry gas at {escape(reference)}" if key == "mmw_dry_ref" else ""
    return (
        f'<table class="map"><caption>{escape(label)}{basis}</caption><thead><tr><th scope="col">Current</th>'
        f"{head}</tr></thead><tbody>{''.join(lines)}</tbody></table>"
    )


def heat_rows(balance: Mapping[str, Any]) -> list[list[str]]:
    """The heat balance's numbers with what each means."""
    rows = [
        ["Heat capacity C", number_words(balance["capacity"]), "what warms one kelvin for each joule"],
        [
            "Thermal resistance R to the room",
            number_words(balance["resistance"]),
            "rise for each watt of heat",
        ],
        ["Time constant R C", number_words(balance["time_constant"]), "63 % of the way to where it settles"],
        ["Scatter about the balance", number_words(balance["scatter"]), "heat that it does not account for"],
    ]
    if balance["capacity"]["value"] is None:
        rows = []
    stated = "by lye and steel of the bench file, hoses and housing left out"
    rows.append(["Heat capacity, stated", number_words(balance["capacity_stated"]), stated])
    if balance["room"]["value"] is not None:
        basis = "mean, measured" if balance["room_measured"] else "from the bench file"
        rows.append(["Room", number_words(balance["room"]), basis])
    return rows


def heat_part(body: Mapping[str, Any]) -> str:
    """The heat balance."""
    balance = body["heat_balance"]
    why = "" if balance["reason"] is None else f"<p>C and R can not be told: {escape(balance['reason'])}.</p>"
    rows = heat_rows(balance)
    out = table(["Heat balance", "Value ± U (k = 2)", "Meaning"], rows, "Heat balance of the whole run")
    return out + why


def spent_part(body: Mapping[str, Any]) -> str:
    """Where a hundred watts went, as a bar of three parts with their words beneath."""
    head = body["headline"]
    if head is None or any(head["spent"][k]["value"] is None for k in ("gas", "vapour", "heat")):
        return ""
    names = {"gas": "energy of the gas (HHV)", "vapour": "steam that it carries", "heat": "heat"}
    x, parts, words = 0.0, [], []
    for key, name in names.items():
        share = head["spent"][key]
        width = 1000.0 * max(0.0, float(share["value"]))
        parts.append(f'<rect class="spent-{key}" x="{x:.1f}" y="0" width="{width:.1f}" height="26"/>')
        x += width
        number = {
            "value": 100 * share["value"],
            "u95": 100 * share["u95"] if share["u95"] else None,
            "unit": "W",
        }
        words.append(f'<span class="key spent-{key}"></span>{escape(name)} {number_words(number)}')
    label = f"Of every 100 W, {head['phase']}"
    return (
        f'<figure class="spent"><svg role="img" aria-label="{escape(label)}" viewBox="0 0 1000 26" '
        f'preserveAspectRatio="none">{"".join(parts)}</svg><figcaption><strong>{escape(label)}</strong>: '
        f"{' '.join(words)}</figcaption></figure>"
    )


def against_part(body: Mapping[str, Any]) -> str:
    """What changed against the reference run."""
    found = body["against"]
    if not found:
        return ""
    rows = [[d["label"], *d["words"]] for d in found["differences"] if d["words"]]
    headings = ["Result", "Reference run", "This run", "Difference, 95 %"]
    title = f"Against run {found['run']} {found['name']}".strip()
    out = table(headings, rows, title, numeric=3) or f"<section><h2>{escape(title)}</h2></section>"
    out += f"<p><strong>{escape(found['sentence'])}</strong></p>"
    changes = [[c["key"], _plain(c["was"]), _plain(c["now"])] for c in found["bench_changes"]]
    return out + table(["Key of the bench file", "Was", "Is"], changes, "What was changed in the bench file")


def _plain(value: Any) -> str:
    return "–" if value is None else str(value)


def alarm_part(body: Mapping[str, Any]) -> str:
    """The alarms of a review, and their rates."""
    rows = [
        [
            clock_words(line["first_at_s"]),
            line["priority"],
            line["cause"],
            duration_words(line["standing_s"]),
            str(line["raised"]),
            line["state"].replace("_", " "),
        ]
        for line in body["alarm_summary"]
    ]
    caption = "Alarms" + (", computed from the samples" if body["alarms_recomputed"] else "")
    if not rows:
        return f"<section><h2>{caption}</h2><p>None.</p></section>"
    headings = ["First at", "Priority", "Cause", "Stood for", "Raised", "At the end"]
    out = table(headings, rows, caption, numeric=3)
    return out + table(
        ["Measure", "This run", "Aim"], load_rows(body["alarm_load"]), "Alarm rates by EEMUA 191"
    )


def load_rows(load: Mapping[str, Any]) -> list[list[str]]:
    """Measure, this run's, and what EEMUA 191 and ANSI/ISA-18.2 aim at."""
    rate = "shorter than ten minutes"
    if load["per_10_min"] is not None:
        rate = f"{load['per_10_min']:.2g}: {load['rating']}"
    shares = load["priority_share"]
    split = " / ".join(f"{100 * shares.get(p, 0.0):.0f}" for p in ("low", "medium", "high", "critical"))
    loudest = ", ".join(f"{x['alarm']} ({x['raised']})" for x in load["loudest"][:5])
    return [
        ["Raised in ten minutes, on average", rate, "1 very likely acceptable, 2 manageable at most"],
        ["Most in any ten minutes", str(load["most_in_10_min"]), "10; more are a flood"],
        ["Time in flood", percent_words(load["flood_share"]), "below 1 %"],
        ["Chattering: three or more in a minute", ", ".join(load["chattering"]) or "none", "none"],
        ["Standing for more than a day", ", ".join(load["stale"]) or "none", "fewer than 5"],
        ["Low / medium / high / critical, %", split, "about 80 / 15 / 5, high and critical together"],
        ["Most frequent", loudest, "ten together below 5 %; a bench of few alarms can not reach it"],
    ]


def percent_words(share: float) -> str:
    """A share in percent, to two digits and never as a power of ten: ``0.85 %``, ``12 %``, ``100 %``."""
    percent = 100.0 * share
    return f"{percent:.0f} %" if percent >= 9.95 else f"{percent:.2g} %"


def forecast_part(body: Mapping[str, Any]) -> str:
    """What was foreseen against what happened: did the bands hold, did warnings come, how far off it was."""
    told = body["hindsight"]
    if not told["stretches"]:
        return ""
    lead = (
        "A forecast speaks of present conditions, so it is judged only for as long as nobody changed them. "
        "Bands are the 5 and 95 % points."
    )
    bands = forecast_words(body["forecasts_checked"])
    out = [
        f"<section><h2>Forecasts against what happened</h2><p>{lead}</p><p>{escape(bands)}</p></section>",
        table(
            ["Warned at", "What came of it", "Lead"], _warning_rows(told["warnings"]), "Warnings", numeric=1
        ),
    ]
    if told["missed"]:
        at = ", ".join(clock_words(t) for t in told["missed"])
        out.append(f"<p><strong>No warning stood before the limit was crossed at {escape(at)}.</strong></p>")
    times, ends = _stretch_rows(told["stretches"])
    headings = ["At", "Time to the limit, said", "Band", "It was", "Error"]
    out.append(table(headings, times, "Time to the limit", numeric=4))
    headings = ["At", "Of the rise", "Settles at, said", "Band", "It settled at", "Error"]
    out.append(table(headings, ends, "Settling temperature", numeric=5))
    if not (times or ends or told["warnings"]):
        out.append("<p>In no stretch of it did the lye cross its limit or settle.</p>")
    return "".join(out)


def forecast_words(checked: Mapping[str, Any]) -> str:
    """How often the bands of all forecasts held."""
    if not checked["made"]:
        return ""
    if not checked["checked"]:
        return f"Of {checked['made']} forecasts none could be checked: something was changed before."
    return (
        f"Of {checked['made']} forecasts of the time to the limit {checked['checked']} could be checked; in "
        f"{checked['held']} of them what came lay in the band, which should hold {100 * checked['band']:.0f} "
        "of a hundred."
    )


def _warning_rows(warnings: list[Mapping[str, Any]]) -> list[list[str]]:
    return [
        [clock_words(w["raised_s"]), w["words"], "–" if w["lead_s"] is None else duration_words(w["lead_s"])]
        for w in warnings
    ]


def _stretch_rows(stretches: list[Mapping[str, Any]]) -> tuple[list[list[str]], list[list[str]]]:
    times: list[list[str]] = []
    ends: list[list[str]] = []
    for stretch in stretches:
        for x in stretch["said"]:
            known = x["said_s"] is not None
            times.append(
                [
                    clock_words(x["at_s"]),
                    duration_words(x["said_s"]) if known else "not reached",
                    _band(x["low_s"], x["high_s"], duration_words, "never"),
                    duration_words(x["true_s"]),
                    f"{100 * x['error']:+.0f} %" if known else "–",
                ]
            )
        for x in stretch["settling"]:
            known = x["said_c"] is not None
            ends.append(
                [
                    clock_words(x["at_s"]),
                    f"{100 * x['share']:.0f} %",
                    f"{x['said_c']:.1f} °C" if known else "does not settle",
                    _band(x["low_c"], x["high_c"], lambda v: f"{v:.1f} °C", "beyond"),
                    f"{stretch['settled_c']:.1f} °C",
                    f"{x['error_c']:+.1f} K" if known else "–",
                ]
            )
    return times, ends


def _band(low: float | None, high: float | None, words: Any, without: str) -> str:
    if low is None:
        return "–"
    return f"{words(low)} to {without if high is None else words(high)}"


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
        lye_part(body),
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
