"""/api of what is made of runs: the result card, comparison, polarisation, leak test, plan; and schemas."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final, Literal

from fastapi import APIRouter, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse

from daq.errors import UsageError
from daq.service.answers import PAGE, answer, document
from daq.service.build_routes import runs_of_builds
from daq.service.live import Live
from daq.service.live_routes import live_of
from daq.service.shown import run_links, study_page
from daq.store import RunRecord, Store

if TYPE_CHECKING:
    from daq.study.compare import Comparison, Plan
    from daq.study.leak import LeakTest
    from daq.study.polarisation import Polarisation

__all__ = ["router"]

router = APIRouter(tags=["studies"])
RUNS = Query("", description="ids of the runs, parted by commas; the first one's build comes first")
BUILDS = Query((), alias="build", description="builds, all of whose runs are meant; given once for each")
BY = Query("build", description="what is compared: builds, or runs one by one")
MATTERS = Query(0.03, gt=0, le=1, description="from which share of gas per watt on a difference matters")
DAY_SD = Query(
    None,
    gt=0,
    le=0.5,
    description="scatter of gas per watt from run to run where no repeats on the bench tell it",
)
DETECT = Query(..., gt=0, le=1, description="the share of gas per watt that is to be told, as 0.03")
POWER = Query(0.8, gt=0, lt=1, description="the chance of telling it")
CARD: Final[dict[str, Any]] = {
    "description": "The picture.",
    "content": {"image/png": {"schema": {"type": "string"}}},
}
NEWEST = 40
MOST_RUNS = 200
"""So many runs are compared at the page's request; the command line takes any number."""


@router.get("/runs/{run_id}/card.png", response_class=Response, responses={200: CARD})
async def card(request: Request, run_id: str) -> Response:
    """The run's result as one picture, 1200 by 630 pixels."""
    store = live_of(request).store

    def make_card() -> bytes:
        from daq.study.review import result_card, review_run

        return result_card(review_run(store, store.logbook.get_run(run_id), forecasts=False).review)

    return Response(
        await run_in_threadpool(make_card),
        media_type="image/png",
        headers={"Content-Disposition": f'inline; filename="card-{run_id}.png"'},
    )


@router.get("/compare", responses={200: document("compare")})
async def compare(
    request: Request,
    runs: str = RUNS,
    builds: list[str] = BUILDS,
    by: Literal["build", "run"] = BY,
    matters: float = MATTERS,
    day_sd: float | None = DAY_SD,
) -> Response:
    """Builds compared by their runs, as `lyewatch compare --json` prints it. It counts as a look at them.

    \f
    Parameters
    ----------
    request : Request
    runs : str
        Ids, parted by commas; the first one's build comes first.
    builds : list of str
        Tags of builds, in place of `runs`: all their runs are taken.
    by : {"build", "run"}
        What is compared.
    matters : float
        From which share of gas per watt on a difference matters, above 0 to 1.
    day_sd : float, optional
        Scatter of gas per watt from run to run, as a share; None takes what the bench file states.
    """
    from daq.study.compare import as_dict

    live = live_of(request)
    return answer(
        await run_in_threadpool(lambda: as_dict(_compared(live, runs, builds, by, matters, day_sd)))
    )


@router.get("/compare.html", response_class=Response, responses={200: PAGE})
async def compare_page(
    request: Request,
    runs: str = RUNS,
    builds: list[str] = BUILDS,
    by: Literal["build", "run"] = BY,
    matters: float = MATTERS,
    day_sd: float | None = DAY_SD,
) -> HTMLResponse:
    """The same as one self-contained page.

    \f
    Parameters
    ----------
    request, runs, builds, by, matters, day_sd
        As `compare`.
    """
    from daq.study.compare import comparison_document
    from daq.study.render import as_html

    live = live_of(request)
    return study_page(
        await run_in_threadpool(
            lambda: as_html(comparison_document(_compared(live, runs, builds, by, matters, day_sd)))
        )
    )


@router.get("/polarisation", responses={200: document("polarisation")})
async def polarisation(
    request: Request,
    runs: str = RUNS,
    builds: list[str] = BUILDS,
    by: Literal["build", "run"] = BY,
) -> Response:
    """Cells' volts taken apart, as `lyewatch polarisation --json` prints it.

    \f
    Parameters
    ----------
    request : Request
    runs : str
        Ids, parted by commas; the first one's build comes first.
    builds : list of str
        Tags of builds, in place of `runs`: all their runs are taken.
    by : {"build", "run"}
        What is compared.
    """
    live = live_of(request)
    return answer(await run_in_threadpool(lambda: _polarised(live, runs, builds, by).as_dict()))


@router.get("/polarisation.html", response_class=Response, responses={200: PAGE})
async def polarisation_page(
    request: Request,
    runs: str = RUNS,
    builds: list[str] = BUILDS,
    by: Literal["build", "run"] = BY,
) -> HTMLResponse:
    """The same as one self-contained page.

    \f
    Parameters
    ----------
    request, runs, builds, by
        As `polarisation`.
    """
    from daq.study.polarisation import polarisation_document
    from daq.study.render import as_html

    live = live_of(request)
    return study_page(
        await run_in_threadpool(lambda: as_html(polarisation_document(_polarised(live, runs, builds, by))))
    )


@router.get("/runs/{run_id}/leak", responses={200: document("leak")})
async def leak(request: Request, run_id: str) -> Response:
    """The run's leak, told three ways, as `lyewatch leak --run RUN --json` prints it."""
    store = live_of(request).store
    return answer(await run_in_threadpool(lambda: _leaked(store, run_id).as_dict()))


@router.get("/runs/{run_id}/leak.html", response_class=Response, responses={200: PAGE})
async def leak_page(request: Request, run_id: str) -> HTMLResponse:
    """The same as one self-contained page."""
    from daq.study.leak import leak_document
    from daq.study.render import as_html

    store = live_of(request).store
    return study_page(
        await run_in_threadpool(lambda: as_html(leak_document(_leaked(store, run_id)))), run_links(run_id)
    )


@router.get("/plan", responses={200: document("plan")})
async def plan(
    request: Request, detect: float = DETECT, power: float = POWER, day_sd: float | None = DAY_SD
) -> Response:
    """How many runs of which length would tell two builds apart, as `lyewatch plan --json` prints it.

    \f
    Parameters
    ----------
    request : Request
    detect : float
        The share of gas per watt that is to be told, above 0 to 1.
    power : float
        The chance of telling it, between 0 and 1.
    day_sd : float, optional
        Scatter of gas per watt from run to run, as a share; None takes what the bench file states.
    """
    store = live_of(request).store
    return answer(await run_in_threadpool(lambda: _planned(store, detect, power, day_sd).as_dict()))


@router.get("/plan.html", response_class=Response, responses={200: PAGE})
async def plan_page(
    request: Request, detect: float = DETECT, power: float = POWER, day_sd: float | None = DAY_SD
) -> HTMLResponse:
    """The same as one self-contained page.

    \f
    Parameters
    ----------
    request, detect, power, day_sd
        As `plan`.
    """
    from daq.study.compare import plan_document
    from daq.study.render import as_html

    store = live_of(request).store
    return study_page(
        await run_in_threadpool(lambda: as_html(plan_document(_planned(store, detect, power, day_sd))))
    )


@router.get("/schemas/{name}", response_model=dict[str, Any])
async def schema(name: str) -> Response:
    """The JSON Schema of a study's machine form: review, card, compare, polarisation, leak or plan."""
    from daq.study.schemas import schema_of

    return answer(schema_of(name))


# -- parts -------------------------------------------------------------------------------------------------


def _records(live: Live, runs: str, builds: list[str], least: int) -> list[RunRecord]:
    if builds:
        return runs_of_builds(live, builds)[:MOST_RUNS]
    ids = list(dict.fromkeys(r.strip() for r in runs.split(",") if r.strip()))
    if not least <= len(ids) <= MOST_RUNS:
        raise UsageError(
            f"{least} to {MOST_RUNS} runs are needed",
            place="runs",
            value=len(ids),
            remedy="choose them in the list of runs; the command line takes any number",
        )
    return [live.store.logbook.get_run(i) for i in ids]


def _compared(
    live: Live,
    runs: str,
    builds: list[str],
    by: Literal["build", "run"],
    matters: float,
    day_sd: float | None,
) -> Sequence[Comparison]:
    from daq.study.compare import (
        block_seconds,
        compare_groups,
        days_of,
        group_runs,
        read_run,
        recorded_seconds,
        with_looks,
    )

    store, records = live.store, _records(live, runs, builds, 2)
    block_s = block_seconds(recorded_seconds(store, r) for r in records)
    groups = group_runs([read_run(store, r, block_s) for r in records], by)
    days = days_of(store, records, block_s, sd=day_sd)
    return with_looks(store, compare_groups(groups, matters=matters, days=days))


def _polarised(live: Live, runs: str, builds: list[str], by: str) -> Polarisation:
    from daq.study.polarisation import polarise, swept_run

    return polarise([swept_run(live.store, r) for r in _records(live, runs, builds, 1)], by=by)


def _leaked(store: Store, run_id: str) -> LeakTest:
    from daq.study.leak import leak_test, run_conditions, stated_conditions
    from daq.study.runs import recorded_bench

    record = store.logbook.get_run(run_id)
    bench = recorded_bench(store, record)
    blocks = list(store.read(run_id).values())
    marks = store.logbook.list_marks(run_id)
    found = run_conditions(bench, blocks, marks)
    conditions, deficit = found if found is not None else (stated_conditions(bench), None)
    return leak_test(bench, conditions, deficit=deficit, ramp_blocks=blocks, ramp_marks=marks, run_given=True)


def _planned(store: Store, detect: float, power: float, day_sd: float | None) -> Plan:
    from daq.study.compare import block_seconds, read_run, recorded_seconds, stated_days
    from daq.study.compare import plan as planned

    known = [r for r in store.logbook.list_runs(limit=100_000) if r.kind != "standby"]
    records = sorted(known, key=lambda r: -r.start_utc_ns)[:NEWEST]
    block_s = block_seconds(recorded_seconds(store, r) for r in records)
    runs = [read_run(store, r, block_s) for r in records]
    return planned(runs, detect, wanted=power, days=stated_days(store, records, day_sd))
