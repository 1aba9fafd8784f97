"""A review as text for a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from daq.measure import NUMBERS
from daq.study.render import (
    Document,
    Facts,
    Items,
    Number,
    Paragraph,
    Part,
    Section,
    Table,
    Title,
    as_json,
    as_text,
    clock_words,
    date_words,
    duration_words,
    number_words,
)
from daq.study.review.run_review import PhaseResult, Review, ReviewResult
from daq.study.review.totals import Total

__all__ = ["lye_rows", "summary_text", "total_words", "totals_part"]

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
    result = review.result
    run = result.run
    title = f"Run {run.id or '(not stored)'}  {run.name}".rstrip()
    facts = [
        f"Bench {run.bench}, build {run.build}, started {date_words(run.start_utc_ns)}",
        f"Duration {duration_words(result.duration_s)}, powered {duration_words(result.powered_s)}",
        f"Dry gas at {result.reference}; ± is the expanded uncertainty, k = 2",
    ]
    parts: list[Part] = [Title(title, sentences=facts)]
    parts += [*_against(result), totals_part(result), *_peaks(result), *_phases(result.phases), _heat(result)]
    parts.append(_lye(result))
    parts += [*_weighing(result), _alarms(result), _data(result), *_findings(result)]
    return as_text(Document(title, parts))


def _against(result: ReviewResult) -> list[Part]:
    found = result.against
    if not found:
        return []
    facts = [
        (d.label, f"{d.words[0]} then, {d.words[1]} now: {d.words[2]}") for d in found.differences if d.words
    ]
    changes = [f"{c.key}: {c.was} then, {c.now} now" for c in found.bench_changes[:MOST_LINES]]
    parts: list[Part] = [Paragraph(found.sentence), Facts(facts), Items(changes)]
    return [Section("Against run", parts, note=f" {found.run}  {found.name}".rstrip())]


def _weighing(result: ReviewResult) -> list[Part]:
    found = result.weighing
    if not found:
        return []
    facts = [(label, number_words(getattr(found, key))) for key, label in WEIGHED]
    if found.flow_meter:
        facts.append(("Dry gas by the flow meter", number_words(found.flow_meter)))
    return [Section("Weighed", [Facts(facts)], note=f" over {duration_words(found.seconds)}")]


LYE = (
    ("percent", "Lye strength", "%"),
    ("litres", "Lye, at 20 °C", "L"),
    ("top_up_ml", "Water wanting", "mL"),
)


def lye_rows(lye: Mapping[str, Any]) -> list[list[str]]:
    """Strength, amount and water wanting: label, at the start, at the end."""
    return [
        [
            label,
            *(
                number_words(Number(lye[at][key]["value"], lye[at][key]["u95"], unit))
                for at in ("start", "end")
            ),
        ]
        for key, label, unit in LYE
    ]


def _lye(result: ReviewResult) -> Section:
    lye = result.lye
    parts: list[Part] = [Facts([(label, f"{start}, {end}") for label, start, end in lye_rows(lye)])]
    parts.append(Paragraph(lye["words"]))
    for entry in lye["entries"][:MOST_LINES]:
        odd = ": not what was expected" if entry["surprising"] else ""
        parts.append(Paragraph(f"{clock_words(entry['t_s'])}  {entry['words']}{odd}"))
    return Section(f"Lye, {lye['electrolyte']}: at the start, at the end", parts)


def _heat(result: ReviewResult) -> Section:
    balance = result.heat_balance
    if balance.capacity.value is None:
        return Section("Heat balance", [Paragraph(f"C and R can not be told: {balance.reason}")])
    labels = (
        ("capacity", "Heat capacity"),
        ("resistance", "Thermal resistance"),
        ("time_constant", "Time constant"),
        ("room", "Room"),
    )
    return Section(
        "Heat balance", [Facts([(label, number_words(getattr(balance, k))) for k, label in labels])]
    )


def totals_part(result: ReviewResult) -> Table:
    """The totals of a review."""
    rows = [
        [f"{label}, by {total.by}" if total.by else label, total_words(total)]
        for key, label in TOTALS
        if (total := getattr(result.totals, key)).value is not None
    ]
    return Table(["Total", "Value ± U (k = 2)"], rows, "Totals", numeric=1)


def total_words(total: Total) -> str:
    """A total, and where some of the run is missing of how much of it, and what it comes to with the gaps
    bridged: ``398.6 ± 6.3 Wh of the recorded 1 h 50 min of 2 h 00 min; 435 ± 12 Wh with the gaps bridged``.

    What is bridged is as if the bench had run on as before and after each gap.
    """
    words = number_words(total.number)
    if total.whole is None or total.recorded_s is None or total.whole_s is None:
        return words
    recorded, of = _spans(total.recorded_s, total.whole_s)
    return f"{words} of the recorded {recorded} of {of}; {number_words(total.whole)} with the gaps bridged"


def _spans(part: float, whole: float) -> tuple[str, str]:
    """Both in words, fine enough that they differ."""
    words = duration_words(part), duration_words(whole)
    return words if words[0] != words[1] else (f"{part:.0f} s", f"{whole:.0f} s")


def _peaks(result: ReviewResult) -> list[Part]:
    temp = result.channels.get("lye_temp")
    if temp is None:
        return []
    facts = [("Peak lye temperature", f"{number_words(temp.highest)} at {clock_words(temp.max_at_s)}")]
    for limit in result.limits:
        if limit.channel != "lye_temp":
            continue
        side = "Below" if limit.level.startswith("low") else "Above"
        spent = duration_words(limit.seconds_beyond) if limit.samples_beyond else "never"
        first = "" if limit.first_at_s is None else f", first at {clock_words(limit.first_at_s)}"
        facts.append((f"{side} {limit.level} {limit.limit:g} °C", f"{spent}{first}"))
    return [Section("Temperature", [Facts(facts)])]


def _phases(phases: Sequence[PhaseResult]) -> list[Part]:
    out = []
    for phase in phases:
        span = f"{clock_words(phase.from_s)} to {clock_words(phase.to_s)}"
        facts = []
        if phase.phase in ("warm-up", "steady") and phase.numbers:
            for spec in NUMBERS:
                number = phase.numbers[spec.key]
                if spec.key in PHASE_NUMBERS and number.value is not None:
                    facts.append((spec.label, number_words(number)))
        heading = f"{phase.phase}, {span} ({duration_words(phase.duration_s)})"
        out.append(Section(heading, [Facts(facts)]))
    return [Section("Phases", out)] if out else []


def _alarms(result: ReviewResult) -> Section:
    summary, trips = result.alarm_summary, result.trips
    lines = []
    for line in summary[:MOST_LINES]:
        often = "" if line.raised == 1 else f", raised {line.raised} times"
        lines.append(
            f"{clock_words(line.first_at_s)}  {line.priority:<8} {line.cause}"
            f" (stood {duration_words(line.standing_s)}{often}, now {line.state})"
        )
    if len(summary) > MOST_LINES:
        lines.append(f"and {len(summary) - MOST_LINES} more")
    if not summary:
        lines.append("none")
    lines += [
        f"{clock_words(t.t_s)}  TRIP     {t.detail or t.cause} (by {t.by or 'the guard'})" for t in trips
    ]
    judged = result.verification.warnings
    for i, warning in enumerate(result.warnings[:MOST_LINES]):
        lines.append(f"{clock_words(warning['raised_s'])}  warning  {warning['reason']}")
        if i < len(judged):
            lead = judged[i].lead_s
            after = "" if lead is None else f", {duration_words(lead)} later"
            lines.append(f"                  it came to: {judged[i].words}{after}")
    checked = result.forecasts_checked
    if checked.checked:
        lines.append(
            f"In {checked.held} of {checked.checked} forecasts that could be checked what came lay "
            f"in the band, which should hold {100 * checked.band:.0f} of a hundred"
        )
    load = result.alarm_load
    if load.per_10_min is not None and load.raised:
        lines.append(f"{load.per_10_min:.2g} in ten minutes on average, {load.rating} (EEMUA 191)")
    return Section(
        "Alarms", [Items(lines)], note=" (computed from the samples)" if result.alarms_recomputed else ""
    )


def _data(result: ReviewResult) -> Section:
    gaps, marks = result.gaps, result.marks
    facts = [
        ("Samples", ", ".join(f"{s} {n}" for s, n in result.samples.items())),
        ("Gaps", f"{gaps.count}, {duration_words(gaps.seconds)} in all" if gaps.count else "none"),
    ]
    missing = {s: n for s, n in gaps.missing_frames.items() if n}
    if missing:
        facts.append(("Frames that never came", ", ".join(f"{s} {n}" for s, n in missing.items())))
    for channel, counts in result.bad_values.items():
        facts.append((channel, ", ".join(f"{n} {word}" for word, n in as_json(counts).items() if n)))
    for source, link in result.links.items():
        errors = {k: link[k] for k in LINK_ERRORS if link.get(k)}
        words = ", ".join(f"{v} {k.replace('_', ' ')}" for k, v in errors.items()) or "no errors"
        facts.append((f"Link {source}", words))
    lines = [f"{clock_words(m.t_s)}  {m.kind}: {m.text}" for m in marks[:MOST_LINES]]
    if len(marks) > MOST_LINES:
        lines.append(f"and {len(marks) - MOST_LINES} more marks")
    return Section("Data", [Facts(facts), Items(lines)])


def _findings(result: ReviewResult) -> list[Part]:
    found = [Section(f.text, [Items(f.causes, ordered=True)]) for f in result.findings]
    rests_on = [*result.assumptions, *result.notes]
    out: list[Part] = [Section("Findings", found)] if found else []
    return [*out, Section("These numbers rest on", [Items(rests_on)])] if rests_on else out
