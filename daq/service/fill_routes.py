"""/api of timed fills: start, stop, drop, list, forget. The service averages the run over exactly the fill's
time."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Query, Request, Response
from fastapi.concurrency import run_in_threadpool

from daq.bench import Bench
from daq.errors import RequestRefused, UsageError
from daq.service.answers import Done, answer
from daq.service.bodies import FillMarkBody, FillStartBody, FillStopBody, WhoBody
from daq.service.fill_answers import EdgeFills, Fills, KeptFill, StartedFill
from daq.service.live import Live
from daq.service.live_routes import live_of
from daq.store import FillRecord
from daq.utc import iso_utc

__all__ = ["fill_answer", "router"]

router = APIRouter(tags=["fills"])

CATCH_UP_S = 2.0
"""How long a stop waits for the last samples of its time [s]."""
_OURS = ("run", "t_s", "started_utc", "stopped_t_s", "stopped_utc_ns", "who", "note")
"""What an open fill says beside the form."""


@router.get("/fills", response_model=Fills)
async def fills(
    request: Request, limit: int = Query(50, ge=1, le=10_000), run: str | None = Query(None)
) -> Response:
    """The fill that is running, if one is, and those of the logbook, newest first; dry gas counted at the
    bench file's reference. Beside them, for each build that has several of these, their means and
    repeatability.

    \f
    Parameters
    ----------
    request : Request
    limit : int
        How many fills at most, 1 to 10 000.
    run : str, optional
        Fills of this run alone; None takes all runs'.
    """
    live = live_of(request)

    def listed() -> dict[str, Any]:
        kept, reference = (live.store.logbook.fills.find(run_id=run, limit=limit), live.bench.site.reference)
        return {
            "fills": [fill_answer(record, reference) for record in reversed(kept)],
            "series": _series(kept, reference),
            "builds": _builds(kept, reference),
        }

    return answer({"open": live.open_fill, **await run_in_threadpool(listed)})


@router.post("/runs/{run_id}/fills", response_model=KeptFill)
async def mark(request: Request, run_id: str, body: FillMarkBody) -> Response:
    """A fill marked afterwards on a run's trend: worked out over that stretch, and kept.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    body : FillMarkBody
        From when to when, and what is known of the vessel.
    """
    live = live_of(request)
    if body.to_s <= body.from_s:
        raise UsageError(
            "the fill ends before it begins",
            place="fill: to_s",
            value=body.to_s,
            remedy=f"give a second after {body.from_s:g}",
        )

    def keep_fill() -> FillRecord:
        from daq.study.runs import recorded_bench

        run = live.store.logbook.get_run(run_id)
        fields = body.model_dump(exclude={"who", "note", "from_s", "to_s"}, exclude_none=True)
        fill = {
            "run": run_id,
            "t_s": body.from_s,
            "stopped_utc_ns": run.start_utc_ns + round(body.to_s * 1e9),
        }
        bench = recorded_bench(live.store, run)
        fields["seconds"] = body.to_s - body.from_s
        return _kept_fill(live, fill, fields, body.who, body.note, bench)

    fill = fill_answer(await run_in_threadpool(keep_fill), live.bench.site.reference)
    return answer({"ok": True, "fill": fill})


@router.post("/runs/{run_id}/fills/edges", response_model=EdgeFills)
async def edges(request: Request, run_id: str, body: WhoBody | None = None) -> Response:
    """Every fill that the run's level switch timed and that is not kept yet.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    body : WhoBody, optional
        Who asks; None names the level switch.
    """
    live = live_of(request)
    who = body.who if body else "level switch"

    def found() -> tuple[list[FillRecord], list[str]]:
        from daq.study.fill import fills_by_edges

        return fills_by_edges(live.store, live.store.logbook.get_run(run_id), who=who)

    kept, refused = await run_in_threadpool(found)
    fills_kept = [fill_answer(r, live.bench.site.reference) for r in kept]
    return answer({"ok": True, "fills": fills_kept, "refused": refused})


@router.post("/fills/start", response_model=StartedFill)
async def start(request: Request, body: FillStartBody) -> Response:
    """The vessel begins to fill now."""
    live = live_of(request)
    now_ns, utc_ns = live.now_ns, time.time_ns()
    if live.open_fill is not None:
        raise RequestRefused(
            f"a fill has been running since {live.open_fill['started_utc']}",
            place="fill",
            remedy="stop or drop it first",
        )
    if live.run is None or live.age_s is None:
        raise RequestRefused(
            "no data come in, so there is nothing to average",
            place="fill",
            remedy="see that the reader runs; `lyewatch fill` takes a fill timed by hand",
        )
    from daq.study.fill import form_in_run

    fields = body.model_dump(exclude={"who", "note"}, exclude_none=True)
    # A wrong volume is to be told now and not at the stop.
    form_in_run(live.run_bench, {**fields, "seconds": 1.0})
    open_fill = {
        "run": live.run.id,
        "t_s": now_ns / 1e9,
        "started_utc": iso_utc(utc_ns),
        "who": body.who,
        "note": body.note,
        **fields,
    }
    live.set_fill(open_fill)
    return answer({"ok": True, "open": open_fill})


@router.post("/fills/stop", response_model=KeptFill)
async def stop(request: Request, body: FillStopBody) -> Response:
    """The vessel is full now: the fill is worked out and kept.

    Where that is refused (a temperature that can not be), the stop stands, and is asked for again with what
    is right.
    """
    live = live_of(request)
    now_ns, utc_ns = live.now_ns, time.time_ns()
    async with live.fill_lock:
        fill = _open(live)
        if "stopped_t_s" not in fill:
            fill = {**fill, "stopped_t_s": now_ns / 1e9, "stopped_utc_ns": utc_ns}
            live.set_fill(fill)
        fields = {k: v for k, v in fill.items() if k not in _OURS}
        fields |= body.model_dump(exclude={"who", "note"}, exclude_none=True)
        fields["seconds"] = fill["stopped_t_s"] - fill["t_s"]
        await live.caught_up(round(fill["stopped_t_s"] * 1e9), within_s=CATCH_UP_S)
        record = await run_in_threadpool(
            _kept_fill, live, fill, fields, body.who or fill["who"], body.note or fill["note"]
        )
        live.set_fill(None)
    return answer({"ok": True, "fill": fill_answer(record, live.bench.site.reference)})


@router.post("/fills/drop", response_model=Done)
async def drop(request: Request, body: WhoBody | None = None) -> Response:
    """The fill that is running went wrong: nothing is kept of it."""
    live = live_of(request)
    async with live.fill_lock:
        _open(live)
        live.set_fill(None)
    return answer({"ok": True})


@router.post("/fills/{number}/forget", response_model=Done)
async def forget(request: Request, number: int, body: WhoBody | None = None) -> Response:
    """A kept fill went wrong: it is taken out of the logbook again.

    \f
    Parameters
    ----------
    request : Request
    number : int
        The fill's, in the logbook.
    body : WhoBody, optional
        Who asks.
    """
    logbook = live_of(request).store.logbook
    if not await run_in_threadpool(logbook.fills.forget, number):
        raise RequestRefused(
            "no such fill is kept", place=f"fill {number}", remedy="somebody may have taken it out already"
        )
    return answer({"ok": True})


def _open(live: Live) -> dict[str, Any]:
    if live.open_fill is None:
        raise RequestRefused(
            "no fill is running",
            place="fill",
            remedy="it was stopped or dropped already, or its run has ended",
        )
    return live.open_fill


def _kept_fill(
    live: Live,
    fill: dict[str, Any],
    fields: dict[str, Any],
    who: str,
    note: str,
    bench: Bench | None = None,
) -> FillRecord:
    from daq.study.fill import fill_record, form_in_run, made_in_run

    store = live.store
    run = store.logbook.get_run(fill["run"])
    form = form_in_run(bench or live.run_bench, fields)
    fill_made = made_in_run(store, run, form, round(fill["t_s"] * 1e9))
    recorded = run.kind == "run"
    return store.logbook.fills.add(
        fill_record(
            fill_made,
            bench=run.bench,
            build=run.build,
            t_utc_ns=int(fill["stopped_utc_ns"]),
            run_id=run.id if recorded else None,
            t_ns=round(fill["t_s"] * 1e9) if recorded else None,
            who=who,
            note=note,
        )
    )


def _series(kept: Sequence[FillRecord], reference: str) -> list[dict[str, Any]]:
    """Mean and repeatability of the fills of each build that has several."""
    from daq.measure import UNITS
    from daq.study.fill import LABELS, builds_of
    from daq.study.render import as_json

    try:
        builds = builds_of(kept, reference)
    except UsageError:
        return []
    return [
        {
            "build": build,
            "fills": [record.id for record in records],
            "numbers": {
                key: {**as_json(found), "unit": UNITS.get(key, "1"), "label": LABELS[key]}
                for key, found in series.items()
            },
        }
        for build, records, series in builds
        if len(records) > 1
    ]


def _builds(kept: Sequence[FillRecord], reference: str) -> list[dict[str, Any]]:
    """The builds side by side, in the order of their first fill."""
    from daq.measure import UNITS
    from daq.study.fill import LABELS, builds_of, side_by_side
    from daq.study.render import as_json

    try:
        lines: list[dict[str, Any]] = as_json(side_by_side(builds_of(kept, reference)))
    except UsageError:
        return []
    for line in lines:
        line["means"] = {
            key: {**found, "unit": UNITS.get(key, "1"), "label": LABELS[key]}
            for key, found in line["means"].items()
        }
    return lines


def fill_answer(record: FillRecord, reference: str) -> dict[str, Any]:
    """A kept fill as the API gives it: its numbers with units, and the lines for the bench file."""
    from daq.measure import UNITS
    from daq.study.fill import LABELS, bench_file_lines, result_of

    try:
        result = result_of(record, reference)
    except UsageError:
        # Kept by a version that took a condition this one does not: shown as it was.
        result = result_of(record)
    numbers = {
        key: {
            "value": quantity["value"],
            "u95": quantity["u95"],
            "unit": UNITS.get(key, "1"),
            "label": LABELS[key],
        }
        for key, quantity in result.items()
        if key in LABELS
    }
    meter = record.body.get("meter")
    lines = []
    if meter:
        origin = f"the timed fill of {iso_utc(record.t_utc_ns)}"
        lines = list(bench_file_lines(meter["factor"], origin, meter["k_per_l"]))
    return {
        "id": record.id,
        "stopped_utc": iso_utc(record.t_utc_ns),
        "run": record.run_id,
        "t_s": None if record.t_ns is None else record.t_ns / 1e9,
        "build": record.build,
        "who": record.who,
        "note": record.note,
        "volume_ml": record.body["form"]["volume_ml"],
        "seconds": record.body["form"]["seconds"],
        "numbers": numbers,
        "reference": result["reference"],
        "findings": result["findings"],
        "assumptions": result["assumptions"],
        "bench_file": lines,
    }
