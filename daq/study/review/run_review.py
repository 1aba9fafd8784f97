"""The review of a run: everything about it that a person or a program may want to know afterwards."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

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
from daq.store import FillRecord, Foretold, Gap, LostSpan, Mark, RunRecord, Transition, TripRecord
from daq.study.fill import fills_dict, gas_by_fills, run_fills
from daq.study.review.alarm_load import alarm_load, alarm_summary
from daq.study.review.efficiency_map import efficiency_map
from daq.study.review.forecast_verification import hindsight
from daq.study.review.headline import headline
from daq.study.review.heat_balance import heat_balance
from daq.study.review.interval_coverage import check_forecasts
from daq.study.review.totals import (
    SEQ_WRAP,
    bad_values,
    channel_extremes,
    gaps,
    limit_times,
    missing_rows,
    run_totals,
)
from daq.study.review.weighing import Weighing, weigh_run, weighing_finding
from daq.study.runs import Phase, bench_then, find_phases, loss_notes, lye_dict, lye_of_bins
from daq.watch import suited_to, watch_again

__all__ = ["SCHEMA", "Review", "review"]

SCHEMA = "lyewatch.review/1"
STEP_NS = 1_000_000_000
FORETOLD_EVERY_NS, LATE_NS = 60_000_000_000, 2_000_000_000
"""Forecasts are kept so often, and what keeps them is at most so far behind the samples [ns]."""
FINDING_SHARE = 0.1
"""A finding is told of a phase when so much of its windows have it."""
_SEQ_RESTART = 1_000_000

_POWERED = ("warm-up", "steady", "disturbed")
_UNDISTURBED = ("warm-up", "steady")


@dataclass(frozen=True, slots=True)
class Review:
    """A run, reviewed.

    Attributes
    ----------
    bench : Bench
        The bench, suited to the log's pace.
    body : dict
        What `as_dict` gives.
    windows : Numbers
        The numbers of every window of the run, for trends.
    phases : tuple of Phase
    """

    bench: Bench
    body: dict[str, Any] = field(repr=False)
    windows: Numbers = field(repr=False)
    phases: tuple[Phase, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """For JSON; `schema` names its version."""
        return self.body


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
    foretold: Foretold | None = None,
    window_s: float | None = None,
    calibrated_as: Bench | None = None,
    against: Mapping[str, Any] | None = None,
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
    foretold : Foretold, optional
        Those that were made at the time: if they are of the whole run the watch followed all of it, its
        `alarms` are whole too, and nothing is made again.
    window_s : float, optional
        Width of the windows [s] (default: the bench file's).
    calibrated_as : Bench, optional
        With the calibrations that the run was recorded with, where `bench` has others.
    against : mapping, optional
        What changed against a reference run, see `daq.study.compare.against`.
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
    if foretold is not None and alarms is not None and _tells_all(foretold, columns):
        if forecaster is not None:
            forecasts, warnings = list(foretold.forecasts), list(foretold.warnings)
    elif not recorded or forecaster is not None:
        again = watch_again(
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
    body: dict[str, Any] = {
        "schema": SCHEMA,
        "run": _run(record, bench),
        "duration_s": end_s - start_s,
        "from_s": start_s,
        "to_s": end_s,
        "reference": assessor.reference.words,
        "window_s": min(steps * STEP_NS / 1e9, end_s - start_s),
        "samples": {source: int(t.size) for source, t in columns.frames.items()},
        "lye": lye_dict(lye, *span),
        "totals": run_totals(suited, balance, assessor.ratios, columns),
        "powered_s": min(_seconds_of(phases, _POWERED), end_s - start_s),
        "numbers": _numbers(assessor, balance, powered),
        "fills": fills_dict(filled, gas is not None),
        "weighing": None if weighed is None else {**weighed.as_dict(), "flow_meter": metered},
        "headline": headline(assessor, balance, phases),
        "map": efficiency_map(assessor, balance, _windows_of(phases, _UNDISTURBED, len(windows))),
        "heat_balance": heat_balance(suited, measured, balance).as_dict(),
        "phases": [_phase(assessor, balance, p, len(windows)) for p in phases],
        "channels": channel_extremes(suited, columns),
        "limits": limit_times(suited, columns),
        "alarms": [{**_transition(t), "unit": units.get(t.alarm, "")} for t in recorded],
        "alarms_recomputed": recorded_again,
        "alarm_summary": alarm_summary(recorded, end_s),
        "alarm_load": alarm_load(recorded, end_s - start_s),
        "warnings": warnings,
        "forecasts": forecasts,
        "forecasts_checked": check_forecasts(
            forecasts, windows.end_ns / 1e9, windows.value["lye_temp"], phases
        ),
        "hindsight": hindsight(windows, phases, forecasts, warnings),
        "trips": [_trip(t) for t in trips],
        "marks": [{"t_s": m.t_ns / 1e9, "kind": m.kind, "text": m.text, "who": m.who} for m in marks],
        "gaps": {
            **gaps(suited, columns),
            "missing_frames": _missing_frames(blocks),
            "not_kept": _not_kept(not_kept, lost, missing),
        },
        "bad_values": bad_values(columns),
        "links": dict(links or {}),
        "clock_steps": [{"t_s": m.t_ns / 1e9, "text": m.text} for m in marks if m.kind == "clock_step"],
        "against": against,
        "findings": _weighed_findings(weighed, metered)
        + _findings(suited, windows, phases)
        + [_of_the_run(found) for found in missing_rows(blocks)]
        + _overdue(bench, record, end_s),
        "calibrations": {n: c.as_dict() for n, c in bench.calibrations.items()},
        "assumptions": sorted(windows.assumed, key=lambda t: -int(windows.assumed[t].sum())),
        "notes": [*notes, *_recalibrated(bench, calibrated_as), *loss_notes(not_kept, lost, missing)],
    }
    return Review(suited, body, windows, tuple(phases))


def _bins(bench: Bench, columns: Columns) -> Bins:
    bins = Bins(bench, step_ns=STEP_NS, first=((columns.span_ns or (0, 0))[0] - 1) // STEP_NS)
    bins.add(columns)
    return bins


def _measured(bench: Bench, bins: Bins, columns: Columns, steps: int) -> Measured:
    start, last = bins.first, (columns.span_ns or (0, 0))[1]
    count = max(1, -(-(-(-last // STEP_NS) - start) // steps))
    ends = start + steps * np.arange(1, count + 1, dtype=np.int64)
    return measure(bench, bins, ends, steps)


def _tells_all(foretold: Foretold, columns: Columns) -> bool:
    """Whether it goes from the run's first sample to its last minute."""
    first, last = columns.span_ns or (0, 0)
    return foretold.from_ns <= first and foretold.until_ns > last - FORETOLD_EVERY_NS - LATE_NS


# -- parts -------------------------------------------------------------------------------------------------


def _run(record: RunRecord | None, bench: Bench) -> dict[str, Any]:
    if record is None:
        return {"id": None, "name": "", "build": bench.stack.build, "kind": "run", "bench": bench.name,
                "start_utc_ns": None, "note": ""}  # fmt: skip
    return {
        "id": record.id,
        "name": record.name,
        "build": record.build,
        "kind": record.kind,
        "bench": record.bench,
        "start_utc_ns": record.start_utc_ns,
        "note": record.note,
    }


def _windows_of(phases: Sequence[Phase], names: Sequence[str], size: int) -> NDArray[np.bool_]:
    where = np.zeros(size, dtype=bool)
    for phase in phases:
        if phase.name in names:
            where[phase.first : phase.last + 1] = True
    return where


def _seconds_of(phases: Sequence[Phase], names: Sequence[str]) -> float:
    return sum(p.to_s - p.from_s for p in phases if p.name in names)


def _numbers(
    assessor: Assessor, balance: Balance, where: NDArray[np.bool_]
) -> dict[str, dict[str, Any]] | None:
    return assessor.numbers(balance.averaged(where)).at(0) if where.any() else None


def _phase(assessor: Assessor, balance: Balance, phase: Phase, size: int) -> dict[str, Any]:
    where = np.zeros(size, dtype=bool)
    where[phase.first : phase.last + 1] = True
    return {
        "phase": phase.name,
        "from_s": phase.from_s,
        "to_s": phase.to_s,
        "duration_s": phase.to_s - phase.from_s,
        "numbers": _numbers(assessor, balance, where),
    }


def _transition(t: Transition) -> dict[str, Any]:
    return {
        "t_s": t.t_ns / 1e9,
        "alarm": t.alarm,
        "state_from": str(t.state_from),
        "state_to": str(t.state_to),
        "cause": t.cause,
        "value": None if t.value is None or not math.isfinite(t.value) else t.value,
        "who": t.who or "",
        "note": t.note or "",
        "priority": str(t.priority),
    }


def _trip(trip: TripRecord) -> dict[str, Any]:
    return {
        "t_s": trip.t_ns / 1e9,
        "cause": trip.cause,
        "detail": trip.detail,
        "value": trip.value,
        "by": trip.by,
        "later": [
            {"t_s": t.t_ns / 1e9, "cause": t.cause, "detail": t.detail, "value": t.value, "by": t.by}
            for t in trip.later
        ],
        "cleared_by": trip.cleared_by,
        "cleared_reason": trip.cleared_reason,
    }


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


def _not_kept(gaps: Sequence[Gap], lost: Sequence[LostSpan], missing: int) -> list[dict[str, Any]]:
    """Samples that are not there though they were taken, in order of time; of some it is not known when."""
    out: list[dict[str, Any]] = [
        {"source": g.source, "from_s": g.start_ns / 1e9, "to_s": g.end_ns / 1e9, "samples": g.samples,
         "why": g.why}
        for g in gaps
    ]  # fmt: skip
    out += [
        {"source": s.source, "from_s": s.start_ns / 1e9, "to_s": s.end_ns / 1e9, "samples": s.samples,
         "why": str(s.error)}
        for s in lost
    ]  # fmt: skip
    out.sort(key=lambda g: float(g["from_s"]))
    if missing:
        why = "the logbook has counted them and the store has lost them"
        out.append({"source": "", "from_s": None, "to_s": None, "samples": missing, "why": why})
    return out


def _findings(bench: Bench, windows: Numbers, phases: Sequence[Phase]) -> list[dict[str, Any]]:
    """What can not be, by code, if a tenth of a phase's windows have it; with the phases and the share."""
    out: dict[str, dict[str, Any]] = {}
    setting, numbers = Setting.of(bench), list(windows.every(JUDGED))
    for phase in phases:
        if phase.name in ("no data", "disturbed"):
            continue
        size = phase.last - phase.first + 1
        seen: dict[str, tuple[int, Any]] = {}
        for i in range(phase.first, phase.last + 1):
            settled = phase.first < i < phase.last
            for found in judge(setting, numbers[i], refusals=windows.refusals(i), settled=settled):
                count, _ = seen.get(found.code, (0, None))
                seen[found.code] = (count + 1, found)
        for code, (count, found) in seen.items():
            if count < FINDING_SHARE * size:
                continue
            line = out.setdefault(code, {**found.as_dict(), "phases": [], "windows": 0})
            line["phases"].append({"phase": phase.name, "from_s": phase.from_s, "share": count / size})
            line["windows"] += count
    return sorted(out.values(), key=lambda line: -int(line["windows"]))


def _metered(assessor: Assessor, balance: Balance, weighed: Weighing) -> dict[str, Any] | None:
    """Dry gas by the flow meter over the very time that was weighed [L/min]."""
    middle = balance.end_ns / 1e9 - 0.5e-9 * balance.window_ns
    at = np.clip(np.searchsorted(weighed.at_s, middle), 0, weighed.at_s.size - 1)
    here = weighed.used[at] & np.isfinite(np.asarray(balance.flows["dry"].value))
    if not here.any():
        return None
    said: dict[str, Any] = assessor.numbers(balance.averaged(here)).at(0)["flow_dry_ref_lpm"]
    return said


def _weighed_findings(weighed: Weighing | None, metered: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Where balance and flow meter tell different gas."""
    if weighed is None or metered is None:
        return []
    found = weighing_finding(weighed, metered)
    return [] if found is None else [{**found.as_dict(), "phases": [], "windows": 0}]


def _overdue(bench: Bench, record: RunRecord | None, end_s: float) -> list[dict[str, Any]]:
    """Calibrations that were due before the run's end."""
    end_ns = None if record is None else record.start_utc_ns + round(end_s * 1e9)
    return [_of_the_run(found) for found in overdue(bench, end_ns)]


def _of_the_run(found: Finding) -> dict[str, Any]:
    """A finding of the whole run, and of no phase."""
    return {**found.as_dict(), "phases": [], "windows": 0}


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
