"""The review of a run: everything about it that a person or a program may want to know afterwards."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from daq.alarms import alarm_units
from daq.bench import Bench
from daq.forecast import Forecaster
from daq.frame import NO_SEQ, Block
from daq.measure import (
    JUDGED,
    Assessor,
    Balance,
    Bins,
    Columns,
    Finding,
    Measured,
    Numbers,
    Setting,
    entries_of,
    judge,
    measure,
    overdue,
)
from daq.store import FillRecord, ForecastLog, Gap, LostSpan, Mark, RunRecord, Transition, TripRecord
from daq.study.compare import AgainstRun
from daq.study.fill import RunFillsResult, fills_result, gas_by_fills, run_fills
from daq.study.render import Count, Magnitude, Number, Share, with_schema
from daq.study.review.alarm_load import AlarmLine, AlarmLoad, alarm_load, alarm_summary
from daq.study.review.efficiency_map import EfficiencyMap, efficiency_map
from daq.study.review.forecast_verification import ForecastVerification, verify_forecasts
from daq.study.review.headline import Headline, NumberSet, headline, numbers_at
from daq.study.review.heat_balance import HeatBalanceResult, heat_balance
from daq.study.review.interval_coverage import IntervalCoverage, check_forecasts
from daq.study.review.totals import (
    SEQ_WRAP,
    BadValues,
    ChannelExtremes,
    LimitTime,
    Silence,
    Totals,
    bad_values,
    channel_extremes,
    gaps,
    limit_times,
    missing_rows,
    run_totals,
)
from daq.study.review.weighing import Weighing, WeighingResult, weigh_run, weighing_finding
from daq.study.runs import PHASES, Phase, bench_then, find_phases, loss_notes, lye_dict, lye_of_bins
from daq.watch import replay_events, suited_to

__all__ = ["SCHEMA", "Review", "ReviewResult", "RunHead", "review"]

SCHEMA = "lyewatch.review/1"
STEP_NS = 1_000_000_000
FORECAST_EVERY_NS, LATE_NS = 60_000_000_000, 2_000_000_000
"""Forecasts are kept so often, and what keeps them is at most so far behind the samples [ns]."""
FINDING_SHARE = 0.1
"""A finding is told of a phase when so much of its windows have it."""
_SEQ_RESTART = 1_000_000

_POWERED = ("warm-up", "steady", "disturbed")
_UNDISTURBED = ("warm-up", "steady")


@dataclass(frozen=True, slots=True)
class RunHead:
    """What a run is called; without an id it is not stored."""

    id: str | None
    name: str
    build: str
    kind: str
    bench: str
    start_utc_ns: int | None
    note: str


@dataclass(frozen=True, slots=True)
class PhaseResult:
    """A phase of the run [s] and the means of its numbers."""

    phase: Annotated[str, Field(json_schema_extra={"enum": list(PHASES)})]
    from_s: Magnitude
    to_s: Magnitude
    duration_s: Magnitude
    numbers: NumberSet | None


@dataclass(frozen=True, slots=True)
class AlarmTransition:
    """A change of an alarm's state, by whom, with the value that caused it."""

    t_s: float
    alarm: str
    state_from: str
    state_to: str
    cause: str
    value: float | None
    who: str
    note: str
    priority: str
    unit: str


@dataclass(frozen=True, slots=True)
class LaterTrip:
    """What would have cut the supply had it not been cut already."""

    t_s: float
    cause: str
    detail: str
    value: float | None
    by: str


@dataclass(frozen=True, slots=True)
class Trip:
    """A cut of the supply, what came after it, and who cleared it."""

    t_s: float
    cause: str
    detail: str
    value: float | None
    by: str
    later: Sequence[LaterTrip]
    cleared_by: str
    cleared_reason: str


@dataclass(frozen=True, slots=True)
class RunMark:
    """What somebody or the bench noted at an instant of the run."""

    t_s: float
    kind: str
    text: str
    who: str


@dataclass(frozen=True, slots=True)
class NotKept:
    """Samples that are not there though they were taken; of some it is not known when."""

    source: str
    from_s: float | None
    to_s: float | None
    samples: Count
    why: str


@dataclass(frozen=True, slots=True)
class Gaps:
    """Silences of the sources: how many, how long in all [s], the longest; frames that never came."""

    count: Count
    seconds: Magnitude
    list_: Annotated[Sequence[Silence], Field(serialization_alias="list")]
    missing_frames: Mapping[str, Count]
    not_kept: Sequence[NotKept]


@dataclass(frozen=True, slots=True)
class ClockStep:
    """A step of the computer's clock."""

    t_s: float
    text: str


@dataclass(frozen=True, slots=True)
class FindingPhase:
    """A phase in which a finding was seen, and in which share of its windows."""

    phase: str
    from_s: float
    share: Share


@dataclass(frozen=True, slots=True)
class RunFinding:
    """Something that can not be, why it may seem so, likely causes first, and where it was seen."""

    code: str
    text: str
    causes: Sequence[str]
    phases: Sequence[FindingPhase]
    windows: Count


def _with(**keys: str) -> Any:
    """What has these keys at least, each of a type of JSON."""
    properties: Any = {key: {"type": kind} for key, kind in keys.items()}
    return Field(json_schema_extra={"properties": properties, "required": list(keys)})


_Warning = Annotated[Mapping[str, Any], _with(raised_s="number", reason="string")]
_Forecast = Annotated[Mapping[str, Any], _with(at_s="number")]


@dataclass(frozen=True, slots=True)
class ReviewResult:
    """Everything that is told of a run; `lyewatch.review` as JSON.

    Times are seconds of the run. `lye`, `links`, `calibrations`, `warnings` and
    `forecasts` are as what made them wrote them.
    """

    run: RunHead
    duration_s: Magnitude
    from_s: float
    to_s: float
    reference: str
    window_s: Magnitude
    samples: Mapping[str, Count]
    lye: Mapping[str, Any]
    totals: Totals
    powered_s: Magnitude
    numbers: NumberSet | None
    fills: RunFillsResult | None
    weighing: WeighingResult | None
    headline: Headline | None
    map: EfficiencyMap
    heat_balance: HeatBalanceResult
    phases: Sequence[PhaseResult]
    channels: Mapping[str, ChannelExtremes]
    limits: Sequence[LimitTime]
    alarms: Sequence[AlarmTransition]
    alarms_recomputed: bool
    alarm_summary: Sequence[AlarmLine]
    alarm_load: AlarmLoad
    warnings: Sequence[_Warning]
    forecasts: Sequence[_Forecast]
    forecasts_checked: IntervalCoverage
    verification: Annotated[ForecastVerification, Field(serialization_alias="hindsight")]
    trips: Sequence[Trip]
    marks: Sequence[RunMark]
    gaps: Gaps
    bad_values: Mapping[str, BadValues]
    links: Mapping[str, Any]
    clock_steps: Sequence[ClockStep]
    against: AgainstRun | None
    findings: Sequence[RunFinding]
    calibrations: Mapping[str, Any]
    assumptions: Sequence[str]
    notes: Sequence[str]


@dataclass(frozen=True, slots=True)
class Review:
    """A run, reviewed.

    Attributes
    ----------
    bench : Bench
        The bench, suited to the log's pace.
    result : ReviewResult
        What is told of it.
    windows : Numbers
        The numbers of every window of the run, for trends.
    phases : tuple of Phase
    """

    bench: Bench
    result: ReviewResult = field(repr=False)
    windows: Numbers = field(repr=False)
    phases: tuple[Phase, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """For JSON; `schema` names its version."""
        return with_schema(self.result, SCHEMA)


def review(
    bench: Bench,
    blocks: Sequence[Block],
    *,
    record: RunRecord | None = None,
    marks: Sequence[Mark] = (),
    alarms: Sequence[Transition] | None = None,
    links: Mapping[str, Any] | None = None,
    trips: Sequence[TripRecord] = (),
    forecaster: Callable[[Bench], Forecaster | None] | None = None,
    forecast_log: ForecastLog | None = None,
    window_s: float | None = None,
    calibrated_as: Bench | None = None,
    against: AgainstRun | None = None,
    not_kept: Sequence[Gap] = (),
    lost: Sequence[LostSpan] = (),
    missing: int = 0,
    fills: Sequence[FillRecord] = (),
) -> Review:
    """Review one run.

    Parameters
    ----------
    bench : Bench
        As it was when the run was made.
    blocks : sequence of Block
        All samples.
    record : RunRecord, optional
        What the run is called.
    marks, alarms, links, trips
        What the logbook has of it. Without alarm transitions the run goes through the watch again.
    forecaster : callable, optional
        Makes what foresees, for the `forecasts` and `warnings`.
    forecast_log : ForecastLog, optional
        Those that were made at the time: if they are of the whole run the watch followed all of it, its
        `alarms` are whole too, and nothing is made again.
    window_s : float, optional
        Width of the windows [s] (default: the bench file's).
    calibrated_as : Bench, optional
        With the calibrations that the run was recorded with, where `bench` has others.
    against : AgainstRun, optional
        What changed against a reference run.
    not_kept : sequence of Gap
        Samples that were taken and not kept, as the logbook has it.
    lost : sequence of LostSpan
        Samples that were kept and can not be read.
    missing : int
        Samples that the logbook has counted and the store has no more.
    fills : sequence of FillRecord
        Timed fills of this run: on a bench without a flow meter its gas is theirs.
    """
    suited, notes = suited_to(bench, blocks)
    columns = Columns.from_blocks(blocks)
    width_s = suited.service.window_s if window_s is None else window_s
    steps = max(1, round(width_s * 1e9 / STEP_NS))
    bins = _bins(suited, columns)
    lye = lye_of_bins(suited, bins, marks)
    assessor = Assessor(suited, lye)
    measured = _measured(suited, bins, columns, steps)
    filled = run_fills(suited, fills)
    gas = None if filled is None else gas_by_fills(suited, measured, fills, filled)
    balance = assessor.balance(measured, gas)
    windows = assessor.numbers(balance)
    start_s, end_s = (t / 1e9 for t in columns.span_ns or (0, 0))
    phases = find_phases(suited, windows, until_s=end_s)
    recorded = list(alarms or ())
    recorded_again = False
    forecasts: list[dict[str, Any]] = []
    warnings: list[dict[str, Any]] = []
    if forecast_log is not None and alarms is not None and _tells_all(forecast_log, columns):
        if forecaster is not None:
            forecasts, warnings = list(forecast_log.forecasts), list(forecast_log.warnings)
    elif not recorded or forecaster is not None:
        again = replay_events(
            suited,
            blocks,
            None if forecaster is None else forecaster(suited),
            entries=entries_of(marks, suited.stack.electrolyte),
        )
        forecasts, warnings = list(again.forecasts), list(again.warnings)
        recorded_again = not recorded
        recorded = recorded or list(again.transitions)
    span = columns.span_ns or (0, 0)
    weighed = weigh_run(bench_then(suited, lye, *span), columns, marks)
    metered = None if weighed is None or gas is not None else _metered(assessor, balance, weighed)
    powered = _windows_of(phases, _POWERED, len(windows))
    units = alarm_units(suited)
    count, silent_s, silences = gaps(suited, columns)
    result = ReviewResult(
        run=_run(record, bench),
        duration_s=end_s - start_s,
        from_s=start_s,
        to_s=end_s,
        reference=assessor.reference.words,
        window_s=min(steps * STEP_NS / 1e9, end_s - start_s),
        samples={source: int(t.size) for source, t in columns.frames.items()},
        lye=lye_dict(lye, *span),
        totals=run_totals(suited, balance, assessor.ratios, columns),
        powered_s=min(_seconds_of(phases, _POWERED), end_s - start_s),
        numbers=_numbers(assessor, balance, powered),
        fills=fills_result(filled, gas is not None),
        weighing=None if weighed is None else weighed.result(metered),
        headline=headline(assessor, balance, phases),
        map=efficiency_map(assessor, balance, _windows_of(phases, _UNDISTURBED, len(windows))),
        heat_balance=heat_balance(suited, measured, balance).result(),
        phases=[_phase(assessor, balance, p, len(windows)) for p in phases],
        channels=channel_extremes(suited, columns),
        limits=limit_times(suited, columns),
        alarms=[_transition(t, units.get(t.alarm, "")) for t in recorded],
        alarms_recomputed=recorded_again,
        alarm_summary=alarm_summary(recorded, end_s),
        alarm_load=alarm_load(recorded, end_s - start_s),
        warnings=warnings,
        forecasts=forecasts,
        forecasts_checked=check_forecasts(forecasts, windows.end_ns / 1e9, windows.value["lye_temp"], phases),
        verification=verify_forecasts(windows, phases, forecasts, warnings),
        trips=[_trip(t) for t in trips],
        marks=[RunMark(m.t_ns / 1e9, m.kind, m.text, m.who) for m in marks],
        gaps=Gaps(count, silent_s, silences, _missing_frames(blocks), _not_kept(not_kept, lost, missing)),
        bad_values=bad_values(columns),
        links=dict(links or {}),
        clock_steps=[ClockStep(m.t_ns / 1e9, m.text) for m in marks if m.kind == "clock_step"],
        against=against,
        findings=[
            *_weighed_findings(weighed, metered),
            *_findings(suited, windows, phases),
            *map(_of_the_run, missing_rows(blocks)),
            *_overdue(bench, record, end_s),
        ],
        calibrations={n: c.as_dict() for n, c in bench.calibrations.items()},
        assumptions=sorted(windows.assumed, key=lambda t: -int(windows.assumed[t].sum())),
        notes=[*notes, *_recalibrated(bench, calibrated_as), *loss_notes(not_kept, lost, missing)],
    )
    return Review(suited, result, windows, tuple(phases))


def _bins(bench: Bench, columns: Columns) -> Bins:
    bins = Bins(bench, step_ns=STEP_NS, first=((columns.span_ns or (0, 0))[0] - 1) // STEP_NS)
    bins.add(columns)
    return bins


def _measured(bench: Bench, bins: Bins, columns: Columns, steps: int) -> Measured:
    start, last = bins.first, (columns.span_ns or (0, 0))[1]
    count = max(1, -(-(-(-last // STEP_NS) - start) // steps))
    ends = start + steps * np.arange(1, count + 1, dtype=np.int64)
    return measure(bench, bins, ends, steps)


def _tells_all(forecast_log: ForecastLog, columns: Columns) -> bool:
    """Whether it goes from the run's first sample to its last minute."""
    first, last = columns.span_ns or (0, 0)
    return forecast_log.from_ns <= first and forecast_log.until_ns > last - FORECAST_EVERY_NS - LATE_NS


# -- parts -------------------------------------------------------------------------------------------------


def _run(record: RunRecord | None, bench: Bench) -> RunHead:
    if record is None:
        return RunHead(None, "", bench.stack.build, "run", bench.name, None, "")
    return RunHead(
        record.id, record.name, record.build, record.kind, record.bench, record.start_utc_ns, record.note
    )


def _windows_of(phases: Sequence[Phase], names: Sequence[str], size: int) -> NDArray[np.bool_]:
    where = np.zeros(size, dtype=bool)
    for phase in phases:
        if phase.name in names:
            where[phase.first : phase.last + 1] = True
    return where


def _seconds_of(phases: Sequence[Phase], names: Sequence[str]) -> float:
    return sum(p.to_s - p.from_s for p in phases if p.name in names)


def _numbers(assessor: Assessor, balance: Balance, where: NDArray[np.bool_]) -> dict[str, Number] | None:
    return numbers_at(assessor.numbers(balance.averaged(where))) if where.any() else None


def _phase(assessor: Assessor, balance: Balance, phase: Phase, size: int) -> PhaseResult:
    where = np.zeros(size, dtype=bool)
    where[phase.first : phase.last + 1] = True
    return PhaseResult(
        phase=phase.name,
        from_s=phase.from_s,
        to_s=phase.to_s,
        duration_s=phase.to_s - phase.from_s,
        numbers=_numbers(assessor, balance, where),
    )


def _transition(t: Transition, unit: str) -> AlarmTransition:
    return AlarmTransition(
        t_s=t.t_ns / 1e9,
        alarm=t.alarm,
        state_from=str(t.state_from),
        state_to=str(t.state_to),
        cause=t.cause,
        value=None if t.value is None or not math.isfinite(t.value) else t.value,
        who=t.who or "",
        note=t.note or "",
        priority=str(t.priority),
        unit=unit,
    )


def _trip(trip: TripRecord) -> Trip:
    return Trip(
        t_s=trip.t_ns / 1e9,
        cause=trip.cause,
        detail=trip.detail,
        value=trip.value,
        by=trip.by,
        later=[LaterTrip(t.t_ns / 1e9, t.cause, t.detail, t.value, t.by) for t in trip.later],
        cleared_by=trip.cleared_by,
        cleared_reason=trip.cleared_reason,
    )


def _missing_frames(blocks: Sequence[Block]) -> dict[str, int]:
    """Frames that never came, by the holes in each source's sequence numbers; a restart is no hole."""
    out: dict[str, int] = {}
    for block in blocks:
        seq = block.seq[block.seq != NO_SEQ]
        if seq.size:
            steps = np.diff(seq) % SEQ_WRAP
            holes = steps[(steps > 1) & (steps < _SEQ_RESTART)] - 1
            out[block.source] = out.get(block.source, 0) + int(holes.sum())
    return out


def _not_kept(gaps: Sequence[Gap], lost: Sequence[LostSpan], missing: int) -> list[NotKept]:
    """In order of time, last that of which it is not known."""
    out = [NotKept(g.source, g.start_ns / 1e9, g.end_ns / 1e9, g.samples, g.why) for g in gaps]
    out += [NotKept(s.source, s.start_ns / 1e9, s.end_ns / 1e9, s.samples, str(s.error)) for s in lost]
    out.sort(key=lambda g: g.from_s or 0.0)
    if missing:
        why = "the logbook has counted them and the store has lost them"
        out.append(NotKept("", None, None, missing, why))
    return out


def _findings(bench: Bench, windows: Numbers, phases: Sequence[Phase]) -> list[RunFinding]:
    """What can not be, by code, if a tenth of a phase's windows have it; with the phases and the share."""
    where: dict[str, tuple[Finding, list[FindingPhase]]] = {}
    counts: Counter[str] = Counter()
    setting, numbers = Setting.of(bench), list(windows.every(JUDGED))
    for phase in phases:
        if phase.name in ("no data", "disturbed"):
            continue
        size = phase.last - phase.first + 1
        seen: dict[str, tuple[int, Finding]] = {}
        for i in range(phase.first, phase.last + 1):
            settled = phase.first < i < phase.last
            for found in judge(setting, numbers[i], refusals=windows.refusals(i), settled=settled):
                count, _ = seen.get(found.code, (0, None))
                seen[found.code] = (count + 1, found)
        for code, (count, found) in seen.items():
            if count < FINDING_SHARE * size:
                continue
            _, listed = where.setdefault(code, (found, []))
            listed.append(FindingPhase(phase.name, phase.from_s, count / size))
            counts[code] += count
    return [
        RunFinding(code, where[code][0].text, where[code][0].causes, where[code][1], count)
        for code, count in counts.most_common()
    ]


def _metered(assessor: Assessor, balance: Balance, weighed: Weighing) -> Number | None:
    """Dry gas by the flow meter over the very time that was weighed [L/min]."""
    middle = balance.end_ns / 1e9 - 0.5e-9 * balance.window_ns
    at = np.clip(np.searchsorted(weighed.at_s, middle), 0, weighed.at_s.size - 1)
    here = weighed.used[at] & np.isfinite(np.asarray(balance.flows["dry"].value))
    return numbers_at(assessor.numbers(balance.averaged(here)))["flow_dry_ref_lpm"] if here.any() else None


def _weighed_findings(weighed: Weighing | None, metered: Number | None) -> list[RunFinding]:
    """Where balance and flow meter tell different gas."""
    found = None if weighed is None or metered is None else weighing_finding(weighed, metered)
    return [] if found is None else [_of_the_run(found)]


def _overdue(bench: Bench, record: RunRecord | None, end_s: float) -> list[RunFinding]:
    """Calibrations that were due before the run's end."""
    end_ns = None if record is None else record.start_utc_ns + round(end_s * 1e9)
    return [_of_the_run(found) for found in overdue(bench, end_ns)]


def _of_the_run(found: Finding) -> RunFinding:
    """A finding of the whole run, and of no phase."""
    return RunFinding(found.code, found.text, found.causes, (), 0)


def _recalibrated(bench: Bench, was: Bench | None) -> list[str]:
    """What is otherwise than when the run was recorded."""
    if was is None:
        return []
    out = []
    for channel in bench.channels:
        now, then = bench.calibrations.get(channel), was.calibrations.get(channel)
        if now != then:
            words = [c.words if c is not None else "the bench file's scale" for c in (now, then)]
            out.append(f"{channel} worked out again with {words[0]}; it was recorded with {words[1]}")
    if out:
        out.append("alarms and trips stand as they were raised, by the values of that time")
    return out
