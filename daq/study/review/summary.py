"""A review as text for a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from daq.measure import NUMBERS
from daq.study.render import clock_words, date_words, duration_words, number_words
from daq.study.review.run_review import Review

__all__ = [
    "date_words",
    "duration_words",
    "lye_rows",
    "peak_words",
    "summary_text",
    "total_label",
    "total_words",
]

MOST_LINES = 12
PHASE_NUMBERS = (
    "power_w",
    "cell_volts",
    "amps",
    "lye_temp",
    "flow_dry_ref_lpm",
    "mmw_as_read",
    "mmw_dry_ref",
    "faradaic_efficiency",
    "energy_efficiency_hhv",
    "watt_hours_per_litre",
    "heat_w",
)
TOTALS = (
    ("energy_wh", "Energy"),
    ("charge_ah", "Charge"),
    ("gas_as_read_l", "Gas as read"),
    ("gas_dry_ref_l", "Gas, dry"),
    ("water_split_ml", "Water split"),
    ("water_vapour_ml", "Water carried off as vapour"),
)
WEIGHED = (
    ("water_lost", "Water that went"),
    ("as_vapour", "... of it as vapour"),
    ("flow_dry_ref", "Dry gas by the balance"),
    ("faradaic_efficiency", "Faradaic efficiency by it"),
)
LINK_ERRORS = ("bad_crc", "malformed", "overlong", "out_of_range", "dropped", "reopened")


def summary_text(review: Review) -> str:
    """The review as readable lines, at most some 100 characters wide."""
    body = review.as_dict()
    run = body["run"]
    lines = [
        f"Run {run['id'] or '(not stored)'}  {run['name']}".rstrip(),
        f"Bench {run['bench']}, build {run['build']}, started {date_words(run['start_utc_ns'])}",
        f"Duration {duration_words(body['duration_s'])}, powered {duration_words(body['powered_s'])}",
        f"Dry gas at {body['reference']}; ± is the expanded uncertainty, k = 2",
        "",
    ]
    lines += _against(body) + _totals(body) + _peaks(body) + _phases(body["phases"]) + _heat(body)
    lines += _lye(body)
    lines += _weighing(body) + _alarms(body) + _data(body) + _findings(body)
    return "\n".join(lines).rstrip()


def _against(body: Mapping[str, Any]) -> list[str]:
    found = body["against"]
    if not found:
        return []
    lines = [f"AGAINST RUN {found['run']}  {found['name']}".rstrip(), f"  {found['sentence']}"]
    lines += [
        f"  {d['label']:<28}{d['words'][0]} then, {d['words'][1]} now: {d['words'][2]}"
        for d in found["differences"]
        if d["words"]
    ]
    lines += [f"  {c['key']}: {c['was']} then, {c['now']} now" for c in found["bench_changes"][:MOST_LINES]]
    return [*lines, ""]


def _weighing(body: Mapping[str, Any]) -> list[str]:
    said = body["weighing"]
    if not said:
        return []
    lines = [f"WEIGHED over {duration_words(said['seconds'])}"]
    for key, label in WEIGHED:
        lines.append(f"  {label:<28}{number_words(said[key])}")
    if said["flow_meter"]:
        lines.append(f"  {'Dry gas by the flow meter':<28}{number_words(said['flow_meter'])}")
    return [*lines, ""]


LYE = (
    ("percent", "Lye strength", "%"),
    ("litres", "Lye, at 20 °C", "L"),
    ("top_up_ml", "Water wanting", "mL"),
)


def lye_rows(body: Mapping[str, Any]) -> list[list[str]]:
    """Strength, amount and water wanting: label, at the start, at the end."""
    lye = body["lye"]
    return [
        [label, *(number_words({**lye[at][key], "unit": unit}) for at in ("start", "end"))]
        for key, label, unit in LYE
    ]


def _lye(body: Mapping[str, Any]) -> list[str]:
    lye = body["lye"]
    lines = [f"LYE, {lye['electrolyte']}: at the start, at the end"]
    lines += [f"  {label:<28}{start}, {end}" for label, start, end in lye_rows(body)]
    lines.append(f"  {lye['words']}")
    for entry in lye["entries"][:MOST_LINES]:
        odd = ": not what was expected" if entry["surprising"] else ""
        lines.append(f"  {clock_words(entry['t_s'])}  {entry['words']}{odd}")
    return [*lines, ""]


def _heat(body: Mapping[str, Any]) -> list[str]:
    balance = body["heat_balance"]
    if balance["capacity"]["value"] is None:
        return ["HEAT BALANCE", f"  C and R can not be told: {balance['reason']}", ""]
    labels = (
        ("capacity", "Heat capacity"),
        ("resistance", "Thermal resistance"),
        ("time_constant", "Time constant"),
        ("room", "Room"),
    )
    return ["HEAT BALANCE", *(f"  {label:<28}{number_words(balance[k])}" for k, label in labels), ""]


def _totals(body: Mapping[str, Any]) -> list[str]:
    lines = ["TOTALS"]
    for key, label in TOTALS:
        if body["totals"][key]["value"] is not None:
            lines.append(f"  {total_label(label, body['totals'][key]):<28}{total_words(body['totals'][key])}")
    return [*lines, ""] if len(lines) > 1 else []


def total_label(label: str, total: Mapping[str, Any]) -> str:
    """What a total is called: water with what it was told by."""
    by = total.get("by")
    return f"{label}, by {by}" if by else label


def total_words(total: Mapping[str, Any]) -> str:
    """A total, and where some of the run is missing of how much of it, and what it comes to with the gaps
    bridged: ``398.6 ± 6.3 Wh of the recorded 1 h 50 min of 2 h 00 min; 435 ± 12 Wh with the gaps bridged``.

    What is bridged is as if the bench had run on as before and after each gap.
    """
    words, whole = number_words(total), total.get("whole")
    if whole is None:
        return words
    recorded, of = _spans(float(total["recorded_s"]), float(total["whole_s"]))
    return f"{words} of the recorded {recorded} of {of}; {number_words(whole)} with the gaps bridged"


def _spans(part: float, whole: float) -> tuple[str, str]:
    """Both in words, fine enough that they differ."""
    words = duration_words(part), duration_words(whole)
    return words if words[0] != words[1] else (f"{part:.0f} s", f"{whole:.0f} s")


def peak_words(channel: Mapping[str, Any]) -> str:
    """A channel's highest value with its U."""
    return number_words({"value": channel["max"], "u95": channel["max_u95"], "unit": channel["unit"]})


def _peaks(body: Mapping[str, Any]) -> list[str]:
    temp = body["channels"].get("lye_temp")
    if temp is None:
        return []
    lines = [
        "TEMPERATURE",
        f"  Peak lye temperature        {peak_words(temp)} at {clock_words(temp['max_at_s'])}",
    ]
    for limit in body["limits"]:
        if limit["channel"] != "lye_temp":
            continue
        label = f"{limit['level']} {limit['limit']:g} °C"
        side = "Below" if limit["level"].startswith("low") else "Above"
        spent = duration_words(limit["seconds_beyond"]) if limit["samples_beyond"] else "never"
        first = "" if limit["first_at_s"] is None else f", first at {clock_words(limit['first_at_s'])}"
        lines.append(f"  {side + ' ' + label:<28}{spent}{first}")
    return [*lines, ""]


def _phases(phases: Sequence[Mapping[str, Any]]) -> list[str]:
    if not phases:
        return []
    lines = ["PHASES"]
    for phase in phases:
        span = f"{clock_words(phase['from_s'])} to {clock_words(phase['to_s'])}"
        lines.append(f"  {phase['phase']}, {span} ({duration_words(phase['duration_s'])})")
        if phase["phase"] in ("warm-up", "steady") and phase["numbers"]:
            for spec in NUMBERS:
                number = phase["numbers"][spec.key]
                if spec.key in PHASE_NUMBERS and number["value"] is not None:
                    lines.append(f"    {spec.label:<26}{number_words(number)}")
    return [*lines, ""]


def _alarms(body: Mapping[str, Any]) -> list[str]:
    summary, trips = body["alarm_summary"], body["trips"]
    lines = ["ALARMS" + (" (computed from the samples)" if body["alarms_recomputed"] else "")]
    for line in summary[:MOST_LINES]:
        often = "" if line["raised"] == 1 else f", raised {line['raised']} times"
        lines.append(
            f"  {clock_words(line['first_at_s'])}  {line['priority']:<8} {line['cause']}"
            f" (stood {duration_words(line['standing_s'])}{often}, now {line['state']})"
        )
    if len(summary) > MOST_LINES:
        lines.append(f"  and {len(summary) - MOST_LINES} more")
    if not summary:
        lines.append("  none")
    lines += [
        f"  {clock_words(t['t_s'])}  TRIP     {t['detail'] or t['cause']} (by {t['by'] or 'the guard'})"
        for t in trips
    ]
    judged = body["hindsight"]["warnings"]
    for i, warning in enumerate(body["warnings"][:MOST_LINES]):
        lines.append(f"  {clock_words(warning['raised_s'])}  warning  {warning['reason']}")
        if i < len(judged):
            lead = judged[i]["lead_s"]
            after = "" if lead is None else f", {duration_words(lead)} later"
            lines.append(f"                    it came to: {judged[i]['words']}{after}")
    checked = body["forecasts_checked"]
    if checked["checked"]:
        lines.append(
            f"  In {checked['held']} of {checked['checked']} forecasts that could be checked what came lay "
            f"in the band, which should hold {100 * checked['band']:.0f} of a hundred"
        )
    load = body["alarm_load"]
    if load["per_10_min"] is not None and load["raised"]:
        lines.append(f"  {load['per_10_min']:.2g} in ten minutes on average, {load['rating']} (EEMUA 191)")
    return [*lines, ""]


def _data(body: Mapping[str, Any]) -> list[str]:
    gaps, bad = body["gaps"], body["bad_values"]
    lines = [
        "DATA",
        "  Samples                     " + ", ".join(f"{s} {n}" for s, n in body["samples"].items()),
    ]
    gap_words = f"{gaps['count']}, {duration_words(gaps['seconds'])} in all" if gaps["count"] else "none"
    lines.append(f"  Gaps                        {gap_words}")
    missing = {s: n for s, n in gaps["missing_frames"].items() if n}
    if missing:
        lines.append("  Frames that never came      " + ", ".join(f"{s} {n}" for s, n in missing.items()))
    for channel, counts in bad.items():
        lines.append(f"  {channel:<28}" + ", ".join(f"{n} {word}" for word, n in counts.items() if n))
    for source, link in body["links"].items():
        errors = {k: link[k] for k in LINK_ERRORS if link.get(k)}
        words = ", ".join(f"{v} {k.replace('_', ' ')}" for k, v in errors.items()) or "no errors"
        lines.append(f"  Link {source:<23}{words}")
    for mark in body["marks"][:MOST_LINES]:
        lines.append(f"  {clock_words(mark['t_s'])}  {mark['kind']}: {mark['text']}")
    if len(body["marks"]) > MOST_LINES:
        lines.append(f"  and {len(body['marks']) - MOST_LINES} more marks")
    return [*lines, ""]


def _findings(body: Mapping[str, Any]) -> list[str]:
    lines: list[str] = []
    if body["findings"]:
        lines.append("FINDINGS")
        for finding in body["findings"]:
            lines.append(f"  {finding['text']}")
            lines += [f"    {i}. {cause}" for i, cause in enumerate(finding["causes"], 1)]
        lines.append("")
    said = [*body["assumptions"], *body["notes"]]
    if said:
        lines.append("THESE NUMBERS REST ON")
        lines += [f"  {text}" for text in said]
    return lines
