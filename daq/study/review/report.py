"""A review as one self-contained page: no script, no requests, made to print on A4 or Letter."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.frame import Block
from daq.measure import NUMBERS, UNITS, Columns, unit_words
from daq.quantity import shown
from daq.study.render import (
    Cautions,
    Cell,
    Document,
    Event,
    Facts,
    Heading,
    Inline,
    Items,
    Key,
    KeyFigure,
    KeyFigures,
    Line,
    Mark,
    Number,
    Panel,
    Paragraph,
    Part,
    Picture,
    Section,
    Span,
    Strong,
    Table,
    Title,
    as_html,
    clock_words,
    date_words,
    draw,
    draw_shares,
    duration_words,
    number_words,
)
from daq.study.review.alarm_load import AlarmLoad
from daq.study.review.efficiency_map import Field
from daq.study.review.forecast_verification import JudgedWarning, Stretch
from daq.study.review.heat_balance import HeatBalanceResult
from daq.study.review.interval_coverage import IntervalCoverage
from daq.study.review.run_review import SCHEMA, PhaseResult, Review, ReviewResult, RunFinding
from daq.study.review.summary import WEIGHED, lye_rows, totals_part

__all__ = ["html_report", "load_rows", "percent_words"]


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


def independent_measures_part(result: ReviewResult) -> list[Part]:
    """The run's timed fills, and what a balance under the reservoir says."""
    out: list[Part] = []
    fills, weighing = result.fills, result.weighing
    if fills:
        rows = []
        for key, label in FILLED:
            mean = fills.series.get(key)
            if mean is not None:
                unit = unit_words(UNITS[key])
                s = mean.repeatability_s
                scatter = "–" if math.isnan(s) else shown(s, None, unit).text
                rows.append([label, shown(mean.value, mean.u95, unit).text, scatter, str(mean.n)])
        of_run = "; the gas of the whole run goes by them" if fills.gas_of_the_run else ""
        caption = f"Timed fills of this run, dry gas at {result.reference}{of_run}"
        out.append(Table(["Number", "Mean", "Scatter of one fill", "Fills"], rows, caption, numeric=3))
    if weighing:
        rows = [[label, number_words(getattr(weighing, key))] for key, label in WEIGHED]
        if weighing.flow_meter:
            rows.append(["Dry gas by the flow meter", number_words(weighing.flow_meter)])
        caption = f"The reservoir, weighed over {duration_words(weighing.seconds)}"
        out.append(Table(["Weighed", "Value, ± U (k = 2)"], rows, caption, numeric=1))
    return [Section("Fills and balance", out)] if out else []


def lye_part(result: ReviewResult) -> list[Part]:
    """The lye at the start and at the end, and what people said of it."""
    lye = result.lye
    caption = f"{lye['electrolyte']} in the circuit, ± U (k = 2); strength is by mass, litres at 20 °C"
    out: list[Part] = [Table(["Lye", "At the start", "At the end"], lye_rows(lye), caption, numeric=2)]
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
        out.append(Table(["At", "Entry", "Before", "After"], rows, "Poured in, drawn off, measured"))
    return [Section("Lye", [*out, Paragraph(lye["words"])])]


def map_part(result: ReviewResult) -> list[Part]:
    """Efficiency over temperature and current, as a table whose ground grows darker with the value."""
    fields = result.map.fields
    out: list[Part] = []
    for key, label in _MAPS:
        known = [f for f in fields if f.numbers[key].value is not None]
        if known:
            basis = f", dry gas at {result.reference}" if key == "mmw_dry_ref" else ""
            out.append(_map(known, key, label + basis))
            if key == "mmw_dry_ref" and len(known) < 2:
                break
    if not out:
        return []
    words = (
        "Each field is all gas over all energy (or charge) of its undisturbed time, ± U (k = 2). "
        "Where a field is empty the run was there for less than a minute."
    )
    return [Section("Efficiency over temperature and current", [*out, Paragraph(words)])]


def _map(known: Sequence[Field], key: str, caption: str) -> Table:
    values = [value for f in known if (value := f.numbers[key].value) is not None]
    # What differs by less than U is not shaded apart.
    blur = max((f.numbers[key].u95 or 0.0 for f in known), default=0.0)
    low, span = min(values), max(max(values) - min(values), blur) or 1.0
    columns = sorted({(f.temp_from, f.temp_to) for f in known})
    rows = sorted({(f.amps_from, f.amps_to) for f in known}, reverse=True)
    at = {(f.temp_from, f.amps_from): f for f in known}

    def cell(f: Field | None) -> Cell:
        if f is None or (value := f.numbers[key].value) is None:
            return Cell()
        shade = round((_SHADES - 1) * (value - low) / span)
        return Cell(shown(value, f.numbers[key].u95, "").text, duration_words(f.seconds), f"shade{shade}")

    return Table(
        ["Current", *(f"{a:g} to {b:g} °C" for a, b in columns)],
        [[f"{a:g} to {b:g} A", *(cell(at.get((t, a))) for t, _ in columns)] for a, b in rows],
        caption,
        style="map",
    )


def heat_rows(balance: HeatBalanceResult) -> list[list[str]]:
    """The heat balance's numbers with what each means."""
    rows = [
        ["Heat capacity C", number_words(balance.capacity), "what warms one kelvin for each joule"],
        [
            "Thermal resistance R to the room",
            number_words(balance.resistance),
            "rise for each watt of heat",
        ],
        ["Time constant R C", number_words(balance.time_constant), "63 % of the way to where it settles"],
        ["Scatter about the balance", number_words(balance.scatter), "heat that it does not account for"],
    ]
    if balance.capacity.value is None:
        rows = []
    stated = "by lye and steel of the bench file, hoses and housing left out"
    rows.append(["Heat capacity, stated", number_words(balance.capacity_stated), stated])
    if balance.room.value is not None:
        basis = "mean, measured" if balance.room_measured else "from the bench file"
        rows.append(["Room", number_words(balance.room), basis])
    return rows


def heat_part(result: ReviewResult) -> list[Part]:
    """The heat balance."""
    balance = result.heat_balance
    why = "" if balance.reason is None else f"C and R can not be told: {balance.reason}."
    headings = ["Heat balance", "Value ± U (k = 2)", "Meaning"]
    return [Table(headings, heat_rows(balance), "Heat balance of the whole run"), Paragraph(why)]


def spent_part(result: ReviewResult) -> list[Part]:
    """Where a hundred watts went, as a bar of three parts with their words beneath."""
    head = result.headline
    if head is None or not head.spent.known:
        return []
    label = f"Of every 100 W, {head.phase}"
    spent = head.spent
    caption: list[Inline] = [Strong(label), ":"]
    for key, name, share in (
        ("spent-gas", "energy of the gas (HHV)", spent.gas),
        ("spent-vapour", "steam that it carries", spent.vapour),
        ("spent-heat", "heat", spent.heat),
    ):
        caption += [" ", Key(key), f"{name} {number_words(share.times(100.0, 'W'))}"]
    bar = draw_shares(label, {f"spent-{key}": share.value or 0.0 for key, share in spent.shares.items()})
    return [Picture(bar, caption, "spent")]


def against_part(result: ReviewResult) -> list[Part]:
    """What changed against the reference run."""
    found = result.against
    if not found:
        return []
    rows = [[d.label, *d.words] for d in found.differences if d.words]
    headings = ["Result", "Reference run", "This run", "Difference, 95 %"]
    title = f"Against run {found.run} {found.name}".strip()
    changes = [[c.key, _plain(c.was), _plain(c.now)] for c in found.bench_changes]
    return [
        Table(headings, rows, title, numeric=3) if rows else Section(title),
        Paragraph([Strong(found.sentence)]),
        Table(["Key of the bench file", "Was", "Is"], changes, "What was changed in the bench file"),
    ]


def _plain(value: Any) -> str:
    return "–" if value is None else str(value)


def alarm_part(result: ReviewResult) -> list[Part]:
    """The alarms of a review, and their rates."""
    rows = [
        [
            clock_words(line.first_at_s),
            line.priority,
            line.cause,
            duration_words(line.standing_s),
            str(line.raised),
            line.state.replace("_", " "),
        ]
        for line in result.alarm_summary
    ]
    caption = "Alarms" + (", computed from the samples" if result.alarms_recomputed else "")
    if not rows:
        return [Section(caption, [Paragraph("None.")])]
    headings = ["First at", "Priority", "Cause", "Stood for", "Raised", "At the end"]
    rates = load_rows(result.alarm_load)
    return [
        Table(headings, rows, caption, numeric=3),
        Table(["Measure", "This run", "Aim"], rates, "Alarm rates by EEMUA 191"),
    ]


def load_rows(load: AlarmLoad) -> list[list[str]]:
    """Measure, this run's, and what EEMUA 191 and ANSI/ISA-18.2 aim at."""
    rate = "shorter than ten minutes"
    if load.per_10_min is not None:
        rate = f"{load.per_10_min:.2g}: {load.rating}"
    shares = load.priority_share
    split = " / ".join(f"{100 * shares.get(p, 0.0):.0f}" for p in ("low", "medium", "high", "critical"))
    loudest = ", ".join(f"{x.alarm} ({x.raised})" for x in load.loudest[:5])
    return [
        ["Raised in ten minutes, on average", rate, "1 very likely acceptable, 2 manageable at most"],
        ["Most in any ten minutes", str(load.most_in_10_min), "10; more are a flood"],
        ["Time in flood", percent_words(load.flood_share), "below 1 %"],
        ["Chattering: three or more in a minute", ", ".join(load.chattering) or "none", "none"],
        ["Standing for more than a day", ", ".join(load.stale) or "none", "fewer than 5"],
        ["Low / medium / high / critical, %", split, "about 80 / 15 / 5, high and critical together"],
        ["Most frequent", loudest, "ten together below 5 %; a bench of few alarms can not reach it"],
    ]


def percent_words(share: float) -> str:
    """A share in percent, to two digits and never as a power of ten: ``0.85 %``, ``12 %``, ``100 %``."""
    percent = 100.0 * share
    return f"{percent:.0f} %" if percent >= 9.95 else f"{percent:.2g} %"


def forecast_part(result: ReviewResult) -> list[Part]:
    """What was forecast against what happened: did the bands hold, did warnings come, how far off it was."""
    verification = result.verification
    if not verification.stretches:
        return []
    lead = (
        "A forecast speaks of present conditions, so it is judged only for as long as nobody changed them. "
        "Bands are the 5 and 95 % points."
    )
    bands = forecast_words(result.forecasts_checked)
    warned = ["Warned at", "What came of it", "Lead"]
    out: list[Part] = [
        Section("Forecasts against what happened", [Paragraph(lead), Paragraph(bands)]),
        Table(warned, _warning_rows(verification.warnings), "Warnings", numeric=1),
    ]
    if verification.missed:
        at = ", ".join(clock_words(t) for t in verification.missed)
        out.append(Paragraph([Strong(f"No warning stood before the limit was crossed at {at}.")]))
    times, ends = _stretch_rows(verification.stretches)
    headings = ["At", "Time to the limit, said", "Band", "It was", "Error"]
    out.append(Table(headings, times, "Time to the limit", numeric=4))
    headings = ["At", "Of the rise", "Settles at, said", "Band", "It settled at", "Error"]
    out.append(Table(headings, ends, "Settling temperature", numeric=5))
    if not (times or ends or verification.warnings):
        out.append(Paragraph("In no stretch of it did the lye cross its limit or settle."))
    return out


def forecast_words(checked: IntervalCoverage) -> str:
    """How often the bands of all forecasts held."""
    if not checked.made:
        return ""
    if not checked.checked:
        return f"Of {checked.made} forecasts none could be checked: something was changed before."
    return (
        f"Of {checked.made} forecasts of the time to the limit {checked.checked} could be checked; in "
        f"{checked.held} of them what came lay in the band, which should hold {100 * checked.band:.0f} "
        "of a hundred."
    )


def _warning_rows(warnings: Sequence[JudgedWarning]) -> list[list[str]]:
    return [
        [clock_words(w.raised_s), w.words, "–" if w.lead_s is None else duration_words(w.lead_s)]
        for w in warnings
    ]


def _stretch_rows(stretches: Sequence[Stretch]) -> tuple[list[list[str]], list[list[str]]]:
    times: list[list[str]] = []
    ends: list[list[str]] = []
    for stretch in stretches:
        for x in stretch.time_errors:
            times.append(
                [
                    clock_words(x.at_s),
                    "not reached" if x.predicted_s is None else duration_words(x.predicted_s),
                    _band(x.low_s, x.high_s, duration_words, "never"),
                    duration_words(x.true_s),
                    "–" if x.error is None else f"{100 * x.error:+.0f} %",
                ]
            )
        for y in stretch.settling:
            ends.append(
                [
                    clock_words(y.at_s),
                    f"{100 * y.share:.0f} %",
                    "does not settle" if y.predicted_c is None else f"{y.predicted_c:.1f} °C",
                    _band(y.low_c, y.high_c, lambda v: f"{v:.1f} °C", "beyond"),
                    f"{stretch.settled_c:.1f} °C",
                    "–" if y.error_c is None else f"{y.error_c:+.1f} K",
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
    result = review.result
    run = result.run
    title = f"Run {run.id or ''} {run.name}".strip() or "Run"
    columns = Columns.from_blocks(series)
    parts: list[Part] = [
        _head(result, title),
        Cautions(),
        _key_facts(result),
        *spent_part(result),
        *against_part(result),
        *_findings(result.findings),
        Heading("Trends"),
        _trends(review, columns, result),
        totals_part(result),
        *map_part(result),
        *_phases(result.phases),
        *heat_part(result),
        *lye_part(result),
        *independent_measures_part(result),
        _limits(result),
        *alarm_part(result),
        *forecast_part(result),
        _events(result),
        *_data(result),
        _rests_on(result),
    ]
    return as_html(Document(title, parts))


# -- head --------------------------------------------------------------------------------------------------


def _head(result: ReviewResult, title: str) -> Title:
    run = result.run
    facts = (
        ("Bench", run.bench),
        ("Build", run.build),
        ("Started", date_words(run.start_utc_ns)),
        ("Duration", duration_words(result.duration_s)),
        ("Powered", duration_words(result.powered_s)),
        ("Reference for dry gas", result.reference),
    )
    return Title(title, Facts(facts), [run.note] if run.note else [])


def _key_facts(result: ReviewResult) -> KeyFigures:
    numbers = _best_numbers(result)
    temp = result.channels.get("lye_temp")
    raised = len(result.alarm_summary)
    figures = []
    if temp is not None:
        figures.append(KeyFigure("Peak lye temperature", number_words(temp.highest), _worst_level(result)))
    for key in ("mmw_dry_ref", "mmw_as_read", "faradaic_efficiency", "energy_efficiency_hhv"):
        if numbers is not None and numbers[key].value is not None:
            label = next(n.label for n in NUMBERS if n.key == key)
            figures.append(KeyFigure(label, number_words(numbers[key])))
    figures.append(KeyFigure("Alarms", str(raised) if raised else "none", "abnormal" if raised else ""))
    if result.trips:
        figures.append(KeyFigure("Supply cut", clock_words(result.trips[0].t_s), "abnormal"))
    return KeyFigures("Key figures", figures)


def _best_numbers(result: ReviewResult) -> Mapping[str, Number] | None:
    """The longest steady phase's numbers, or those of all the time that was powered."""
    steady = [p for p in result.phases if p.phase == "steady" and p.numbers]
    if steady:
        return max(steady, key=lambda p: p.duration_s).numbers
    return result.numbers


def _worst_level(result: ReviewResult) -> str:
    beyond = any(
        limit.samples_beyond and limit.channel == "lye_temp" and limit.level in ("high", "trip")
        for limit in result.limits
    )
    return "abnormal" if beyond else ""


# -- trends ------------------------------------------------------------------------------------------------


def _trends(review: Review, columns: Columns, result: ReviewResult) -> Part:
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
    spans = [Span(p.from_s, p.to_s, _SHADED.get(p.name, "bare"), p.name) for p in review.phases]
    spans += [Span(g.from_s, g.from_s + g.seconds, "gap") for g in result.gaps.list_]
    events = [Event(a.t_s, a.priority) for a in result.alarms if a.state_to == "unacknowledged"]
    events += [Event(m.t_s, "note") for m in result.marks]
    svg = draw(panels, result.from_s, result.to_s, spans, events)
    if not svg:
        return Paragraph("No samples to draw.")
    words = (
        "gap in the data. Channels: mean of each stretch, with its lowest and highest sample shaded. "
        f"Numbers: means over {result.window_s:g} s, shaded by ± U (k = 2)."
    )
    return Picture(svg, [Key("off"), "no current ", Key("odd"), "disturbed ", Key("gap"), words])


_SHADED = {"supply off": "off", "cool-down": "off", "disturbed": "odd"}


def _marks(bench: Bench, channel: str) -> list[Mark]:
    limit = bench.limits.get(channel)
    if limit is None:
        return []
    unit = unit_words(bench.channels[channel].unit)
    found = ((level, style, getattr(limit, level)) for level, style in _LEVELS)
    return [Mark(f"{n.replace('_', ' ')} {at:g} {unit}", at, s) for n, s, at in found if at is not None]


# -- tables ------------------------------------------------------------------------------------------------


def _phases(phases: Sequence[PhaseResult]) -> list[Part]:
    rows = [
        [p.phase, clock_words(p.from_s), clock_words(p.to_s), duration_words(p.duration_s)] for p in phases
    ]
    out: list[Part] = [Table(["Phase", "From", "To", "Duration"], rows, "Phases", numeric=3)]
    # The longest powered phases, as many as stand side by side on a page.
    picked = sorted(
        sorted(
            (p for p in phases if p.numbers and p.phase in ("warm-up", "steady")),
            key=lambda p: -float(p.duration_s),
        )[:3],
        key=lambda p: float(p.from_s),
    )
    if not picked:
        return out
    headings = ["Number", *(f"{p.phase} from {clock_words(p.from_s)}" for p in picked)]
    lines = []
    for spec in NUMBERS:
        numbers = [p.numbers[spec.key] for p in picked if p.numbers]
        if any(n.value is not None for n in numbers):
            lines.append([spec.label, *(number_words(n) for n in numbers)])
    return [*out, Table(headings, lines, "Means of each number, ± U (k = 2)", numeric=len(picked))]


def _limits(result: ReviewResult) -> Table:
    rows = []
    for x in result.limits:
        side = "below" if x.level.startswith("low") else "above"
        spent = duration_words(x.seconds_beyond) if x.samples_beyond else "never"
        first = "–" if x.first_at_s is None else clock_words(x.first_at_s)
        limit = f"{x.limit:g} {unit_words(x.unit)}"
        rows.append([x.channel, x.level.replace("_", " "), f"{side} {limit}", spent, first])
    return Table(["Channel", "Limit", "Beyond", "For", "First at"], rows, "Time beyond limits", numeric=2)


def _events(result: ReviewResult) -> Table:
    events = [(t.t_s, "trip", f"{t.detail or t.cause}; by {t.by or 'the guard'}") for t in result.trips]
    events += [
        (m.t_s, m.kind.replace("_", " "), m.text + (f" ({m.who})" if m.who else "")) for m in result.marks
    ]
    events += [(w["raised_s"], "warning", w["reason"]) for w in result.warnings]
    rows = [[clock_words(t), kind, text] for t, kind, text in sorted(events)]
    return Table(["At", "What", "Words"], rows, "Trips, warnings and marks")


def _data(result: ReviewResult) -> list[Part]:
    rows = []
    for source, count in result.samples.items():
        link = result.links.get(source, {})
        own = [g for g in result.gaps.list_ if g.source == source]
        errors = sum(int(link.get(k, 0) or 0) for k in ("bad_crc", "malformed", "overlong", "out_of_range"))
        missing = result.gaps.missing_frames.get(source, 0)
        longest = duration_words(max((g.seconds for g in own), default=0.0)) if own else "–"
        rows.append([source, str(count), str(missing), str(len(own)), longest, str(errors) if link else "–"])
    headings = ["Source", "Samples", "Frames missing", "Gaps", "Longest gap", "Link errors"]
    steps = [[clock_words(s.t_s), s.text] for s in result.clock_steps]
    bad = [[c, str(n.uncertain), str(n.bad), str(n.missing)] for c, n in result.bad_values.items()]
    return [
        Table(headings, rows, "Data", numeric=5),
        Table(["At", "What"], steps, "Steps of the computer's clock; the run's own time went on"),
        Table(["Channel", "Uncertain", "Bad", "Missing"], bad, "Values that were not good", numeric=3),
    ]


def _findings(findings: Sequence[RunFinding]) -> list[Part]:
    out: list[Part] = []
    for f in findings:
        where = ", ".join(f"{p.phase} from {clock_words(p.from_s)} ({100 * p.share:.0f} %)" for p in f.phases)
        seen = f"Seen in: {where}. " if where else ""
        causes = Items(f.causes, ordered=True)
        out.append(Section(f.text, [Paragraph(f"{seen}Likely causes:"), causes]))
    return [Section("Findings", out, style="findings")] if out else []


def _rests_on(result: ReviewResult) -> Section:
    words = (
        "± U is the expanded uncertainty, k = 2 (JCGM 100:2008): accuracy as the bench file states it, "
        "resolution, and noise with its autocorrelation. Schema of the data behind this page: "
        f"{SCHEMA}."
    )
    conditions = Items([*result.assumptions, *result.notes])
    return Section("What these numbers rest on", [conditions, Paragraph(words)])
