"""/api of builds: which there are, one of them with its runs, and what it is in words."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Query, Request, Response
from fastapi.concurrency import run_in_threadpool

from daq.errors import RunNotFound
from daq.service.answers import Done, answer
from daq.service.bodies import DescribeBody
from daq.service.build_answers import Builds, WholeBuild
from daq.service.fill_routes import fill_answer
from daq.service.live import Live
from daq.service.live_routes import live_of
from daq.service.series import run_summary
from daq.store import FillRecord, LookRecord, RunRecord
from daq.utc import iso_utc

__all__ = ["router", "runs_of_builds"]

router = APIRouter(tags=["builds"])
MOST = 100_000


@router.get("/builds", response_model=Builds)
async def builds(request: Request) -> Response:
    """The bench's builds, the one that was run last first."""
    live = live_of(request)

    def listed() -> list[dict[str, Any]]:
        logbook = live.store.logbook
        kept, written = logbook.results.all(), logbook.builds.of(live.bench.name)
        runs, fills = _by_build(_runs(live)), _by_build(_fills(live))
        # A build that only has been described, or is in the supply's clamps now, has no run yet.
        names = dict.fromkeys([*runs, *fills, live.bench.stack.build, *written])
        return [
            {
                "build": name,
                "description": written[name].description if name in written else "",
                "runs": len(runs.get(name, [])),
                "fills": len(fills.get(name, [])),
                "first_utc": iso_utc(min((r.start_utc_ns for r in runs.get(name, [])), default=None)),
                "last_utc": iso_utc(max((r.start_utc_ns for r in runs.get(name, [])), default=None)),
                "newest": run_summary(live.store, runs[name][0], kept=kept) if runs.get(name) else None,
            }
            for name in names
            if name
        ]

    return answer({"builds": await run_in_threadpool(listed)})


@router.get("/builds/one", response_model=WholeBuild)
async def build(request: Request, build: str = Query(..., max_length=200)) -> Response:
    """All of a build."""
    live = live_of(request)
    return answer(await run_in_threadpool(_whole, live, build))


@router.post("/builds/describe", response_model=Done)
async def describe(request: Request, body: DescribeBody) -> Response:
    """Write what a build is; replaces what was written before."""
    live = live_of(request)
    describe = live.store.logbook.builds.describe
    await run_in_threadpool(describe, live.bench.name, body.build, body.description, body.who)
    return answer({"ok": True, "message": "kept"})


def runs_of_builds(live: Live, names: list[str]) -> list[RunRecord]:
    """The ended runs of some of the bench's builds, newest first.

    Parameters
    ----------
    live : Live
    names : list of str

    Raises
    ------
    RunNotFound
        When one of them has none.
    """
    runs = _by_build([r for r in _runs(live) if r.ended_ns is not None])
    for name in names:
        if name not in runs:
            known = ", ".join(runs) or "none"
            raise RunNotFound(
                "no run of this build has ended", place="build", value=name, remedy=f"there are {known}"
            )
    return [record for name in dict.fromkeys(names) for record in runs[name]]


# -- parts -------------------------------------------------------------------------------------------------


def _runs(live: Live) -> list[RunRecord]:
    found = live.store.logbook.list_runs(limit=MOST, bench=live.bench.name)
    return [record for record in found if record.kind != "standby"]


def _fills(live: Live) -> list[FillRecord]:
    return live.store.logbook.fills.find(bench=live.bench.name, limit=MOST)


def _by_build(records: list[Any]) -> dict[str, list[Any]]:
    out: dict[str, list[Any]] = {}
    for record in records:
        out.setdefault(record.build, []).append(record)
    return out


def _whole(live: Live, name: str) -> dict[str, Any]:
    logbook = live.store.logbook
    written = logbook.builds.of(live.bench.name).get(name)
    runs = [r for r in _runs(live) if r.build == name]
    fills = [f for f in _fills(live) if f.build == name]
    if not runs and not fills and written is None and name != live.bench.stack.build:
        raise RunNotFound(
            "no such build", place="build", value=name, remedy="`/builds` lists those that there are"
        )
    kept = logbook.results.all()
    return {
        "build": name,
        "bench": live.bench.name,
        "description": "" if written is None else written.description,
        "described_by": "" if written is None else written.who,
        "described_utc": None if written is None else iso_utc(written.t_utc_ns),
        "runs": [run_summary(live.store, record, kept=kept) for record in runs],
        "fills": [fill_answer(record, live.bench.site.reference) for record in reversed(fills)],
        "calibrations": [
            {
                "channel": c.channel,
                "calibration": c.id,
                "utc": iso_utc(c.t_utc_ns),
                "reference": c.reference,
                "who": c.who,
                "due_utc": iso_utc(c.due_utc_ns),
            }
            for c in logbook.calibrations.newest(live.bench.name).values()
        ],
        "comparisons": [_standing(look) for look in logbook.looks.newest_of(live.bench.name, name)],
    }


def _standing(look: LookRecord) -> dict[str, Any]:
    return {
        "first": look.first,
        "second": look.second,
        "metric": look.metric,
        "kind": look.kind,
        "low": look.low,
        "high": look.high,
        "utc": iso_utc(look.t_utc_ns),
        "runs": len(look.runs),
    }
