"""Timed fills in the logbook: kept, read back, put side by side."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from daq.errors import UsageError
from daq.store import FillRecord, RunRecord, Store
from daq.study.fill.gas import is_known, number
from daq.study.fill.interval import LEAD_IN_NS, FillInterval, MeterCheck, check_meter, interval_of
from daq.study.fill.result import FillForm, TimedFill, timed_fill
from daq.study.fill.series import METER_FACTOR, Repeated, at_reference, series_of
from daq.study.runs import bench_then, recorded_bench, stored_lye

__all__ = ["FillMade", "builds_of", "fill_record", "made_in_run", "result_of"]


@dataclass(frozen=True, slots=True)
class FillMade:
    """A fill worked out, with the meter that it calibrated where a run had one."""

    fill: TimedFill
    meter: MeterCheck | None = None
    interval: FillInterval | None = None


def made_in_run(store: Store, record: RunRecord, form: FillForm, start_ns: int) -> FillMade:
    """Work out a fill that was made during a run.

    Volts, amps, power and temperatures are the run's own, over exactly the fill's time, where the form does
    not say them.

    Parameters
    ----------
    store : Store
    record : RunRecord
    form : FillForm
    start_ns : int
        When it began [ns of the run].

    Raises
    ------
    UsageError
        When the run holds no samples of that time, or the supply was off in it.
    """
    bench = recorded_bench(store, record)
    end_ns = start_ns + round(form.seconds * 1e9)
    blocks = store.read(record.id, start_ns=max(0, start_ns - LEAD_IN_NS), end_ns=end_ns)
    last_ns = store.last_t_ns(record.id)
    if last_ns is None or start_ns > last_ns:
        raise UsageError(
            "lies after the run's last sample",
            place=f"fill in run {record.id}",
            value=f"{start_ns / 1e9:.1f} s",
            remedy=f"the run ends at {(last_ns or 0) / 1e9:.1f} s; give the second at which the fill began",
        )
    if form.seal == "lye" and form.mass_fraction == bench.stack.mass_fraction:
        # Nobody said otherwise for this fill: the lye is as strong as it was then.
        then = bench_then(bench, stored_lye(store, record, until_ns=end_ns), end_ns).stack
        form = replace(form, mass_fraction=min(then.mass_fraction, 0.5), mass_fraction_u=then.mass_fraction_u)
    interval = interval_of(bench, blocks, start_ns, end_ns)
    if form.amps is None:
        _refuse_unpowered(interval, start_ns, end_ns)
    fill = timed_fill(form, interval.during)
    return FillMade(fill, check_meter(fill, interval), interval)


def _refuse_unpowered(interval: FillInterval, start_ns: int, end_ns: int) -> None:
    """A fill in which the supply was off says nothing of the stack."""
    amps = interval.during.amps
    above = interval.bench.supply.powered_above_amps
    if amps is None or not is_known(amps) or number(amps.value) > above:
        return
    raise UsageError(
        "the supply was off in that time: no gas was made that could be set against it",
        place=f"fill from {start_ns / 1e9:.1f} to {end_ns / 1e9:.1f} s of the run",
        value=f"{number(amps.value):.2g} A",
        remedy=f"fill while more than {above:g} A flow (supply.powered_above_amps); or drop this fill",
    )


def fill_record(
    made: FillMade,
    *,
    bench: str,
    build: str,
    t_utc_ns: int,
    run_id: str | None = None,
    t_ns: int | None = None,
    who: str = "",
    note: str = "",
) -> FillRecord:
    """The fill as the logbook keeps it: the form as written down, and what it came to.

    Parameters
    ----------
    made : FillMade
    bench, build, t_utc_ns, run_id, t_ns, who, note
        As `FillRecord`.
    """
    body = {
        "form": made.fill.form.as_dict(),
        "result": made.fill.as_dict(shared=True),
        "meter": None if made.meter is None else made.meter.as_dict(),
    }
    return FillRecord(bench, build, t_utc_ns, body, run_id, t_ns, who, note)


def result_of(record: FillRecord, reference: str | None = None) -> dict[str, Any]:
    """What a kept fill came to, its dry gas counted at `reference` where that is given; with the meter's
    factor where it told one."""
    result = dict(record.body["result"])
    if reference is not None:
        result = at_reference(result, reference)
    if record.body.get("meter"):
        result[METER_FACTOR] = record.body["meter"]["factor"]
    return result


def builds_of(
    records: Iterable[FillRecord], reference: str | None = None
) -> list[tuple[str, Sequence[FillRecord], dict[str, Repeated]]]:
    """Kept fills by build of the stack, in order of their first, each with the mean and repeatability of all
    its numbers.

    Raises
    ------
    UsageError
        When the fills of a build count dry gas at differing references, and none is given.
    """
    by_build: dict[str, list[FillRecord]] = defaultdict(list)
    for record in records:
        by_build[record.build].append(record)
    return [
        (build, kept, series_of([result_of(r, reference) for r in kept])) for build, kept in by_build.items()
    ]
