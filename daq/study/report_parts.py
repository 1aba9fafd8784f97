"""Parts of a run's page: the map, the heat balance, where the power went, a reference run."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from daq.quantity import shown
from daq.study.html_parts import table
from daq.study.summary import WEIGHED, duration_words, number_words
from daq.watch.numbers import UNITS, unit_words

__all__ = [
    "against_part",
    "heat_part",
    "heat_rows",
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
