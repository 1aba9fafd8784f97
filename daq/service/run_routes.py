"""/api of runs: start, stop, list, series, marks, review, export."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, HTMLResponse
from starlette.background import BackgroundTask

from daq.alarms import alarm_units
from daq.errors import LogFileError, RequestRefused, UsageError
from daq.service.answers import PAGE, Done, LyeNoted, answer, document
from daq.service.apart import apart
from daq.service.bodies import LyeBody, MarkBody, RenameBody, StartBody, WhoBody
from daq.service.live import Live
from daq.service.live_routes import live_of, note_lye
from daq.service.run_answers import (
    Imported,
    Marked,
    Marks,
    Run,
    RunOrder,
    RunRecordAnswer,
    RunResult,
    Runs,
    Series,
    Transitions,
)
from daq.service.series import run_series, run_summary
from daq.service.shown import run_links, study_page
from daq.store import Store
from daq.study.runs import recorded_bench

if TYPE_CHECKING:
    from daq.study.review import Recorded
    from daq.study.tables import Imported as TheImport

__all__ = ["router"]

MEDIA: Final = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}

router = APIRouter(tags=["runs"])
MOST_BYTES: Final = 512 * 2**20
"""A log of this length is two days at ten samples a second."""
LOG: Final[dict[str, Any]] = {
    "requestBody": {"required": True, "content": {"text/csv": {"schema": {"type": "string"}}}}
}
TABLE: Final[dict[str, Any]] = {
    "description": "The table, as CSV or as Parquet.",
    "content": {media: {"schema": {"type": "string"}} for media in MEDIA.values()},
}


@router.get("/runs", response_model=Runs)
async def runs(
    request: Request,
    limit: int = Query(100, ge=1, le=10_000),
    deleted: bool = Query(False, description="those that were deleted and can be had back"),
) -> Response:
    """The runs, newest first.

    \f
    Parameters
    ----------
    request : Request
    limit : int
        How many at most, 1 to 10 000.
    deleted : bool
        Those that were deleted, in place of those that were not.
    """
    store = live_of(request).store

    def listed() -> list[dict[str, Any]]:
        found, kept = store.logbook.list_runs(limit=limit, away=deleted), store.logbook.results.all()
        return [run_summary(store, r, kept=kept) for r in found if r.kind != "standby"]

    return answer({"runs": await run_in_threadpool(listed)})


@router.post("/runs", response_model=RunOrder)
async def start(request: Request, body: StartBody) -> Response:
    """Start a run; one that is open ends."""
    reply = await live_of(request).ask_reader("start", {"name": body.name, "build": body.build}, body.who)
    return answer({"ok": True, "run": reply})


@router.post("/runs/current/stop", response_model=RunOrder)
async def stop(request: Request, body: WhoBody | None = None) -> Response:
    """End the run that is being recorded."""
    reply = await live_of(request).ask_reader("stop", {}, body.who if body else "")
    return answer({"ok": True, "run": reply})


@router.get("/runs/{run_id}", response_model=RunRecordAnswer)
async def run(request: Request, run_id: str) -> Response:
    """One run: who, what, when, its channels and its limits."""
    store = live_of(request).store
    summary = await run_in_threadpool(lambda: run_summary(store, store.logbook.get_run(run_id), whole=True))
    return answer(summary)


@router.patch("/runs/{run_id}", response_model=Run)
async def rename(request: Request, run_id: str, body: RenameBody) -> Response:
    """Give a run another name, build tag or note.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    body : RenameBody
        What is None there stays as it is.
    """
    live = live_of(request)
    store = live.store

    def renamed() -> dict[str, Any]:
        store.logbook.rename_run(run_id, name=body.name, build=body.build, note=body.note)
        return run_summary(store, store.logbook.get_run(run_id))

    summary = await run_in_threadpool(renamed)
    await live.refresh_run()
    return answer(summary)


@router.get("/runs/{run_id}/result", response_model=RunResult)
async def result(request: Request, run_id: str) -> Response:
    """What the run came to; worked out, which may take a while, when it is asked for the first time."""
    return answer(await request.app.state.results.of(live_of(request).store, run_id))


@router.post("/runs/{run_id}/delete", response_model=Done)
async def delete(request: Request, run_id: str, body: WhoBody) -> Response:
    """Take a run out of every list and study. Nothing that was recorded is lost: `restore` has it back.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    body : WhoBody
        Who asks.
    """
    logbook = live_of(request).store.logbook
    await run_in_threadpool(logbook.put_away, run_id, time.time_ns())
    return answer({"ok": True, "message": f"{run_id} deleted by {body.who}"})


@router.post("/runs/{run_id}/restore", response_model=Done)
async def restore(request: Request, run_id: str, body: WhoBody) -> Response:
    """Have a deleted run back.

    \f
    Parameters
    ----------
    request, run_id, body
        As `delete`.
    """
    logbook = live_of(request).store.logbook
    await run_in_threadpool(logbook.bring_back, run_id)
    return answer({"ok": True, "message": f"{run_id} restored by {body.who}"})


@router.post("/import", response_model=Imported, openapi_extra=LOG)
async def import_csv(
    request: Request,
    name: str = Query("", max_length=120, description="the run's name; the file's unless given"),
    build: str = Query("", max_length=80, description="the build; the bench file's unless given"),
    file: str = Query("log.csv", max_length=200, description="the file's name, for what is said of it"),
) -> Response:
    """A run made of a CSV log, as `lyewatch import` makes it. The body is the log itself, as `text/csv`.

    \f
    Parameters
    ----------
    request : Request
    name, build : str
        The run's; empty takes the file's and the bench file's.
    file : str
        The file's name, for what is said of it.
    """
    live = live_of(request)
    with tempfile.TemporaryDirectory(prefix="lyewatch-") as folder:
        path = Path(folder) / (Path(file.replace("\\", "/")).name or "log.csv")
        size = 0
        with path.open("wb") as out:
            async for piece in request.stream():
                size += len(piece)
                if size > MOST_BYTES:
                    raise UsageError(
                        "is longer than a browser may send",
                        place=path.name,
                        value=f"more than {MOST_BYTES // 2**20} MiB",
                        remedy="use `lyewatch import`, which takes any length",
                    )
                await run_in_threadpool(out.write, piece)
        made = await run_in_threadpool(_imported, live, path, name, build)
    return answer(
        {
            "ok": True,
            "run": made.run_id,
            "rows": made.rows,
            "duration_s": made.duration_s,
            "alarms": made.alarms,
            "channels": list(made.channels),
            "notes": list(made.notes),
        }
    )


@router.get("/runs/{run_id}/series", response_model=Series)
async def series(
    request: Request,
    run_id: str,
    channels: str = Query(..., description="channels and numbers, parted by commas"),
    points: int = Query(1000, ge=10, le=20_000),
    from_s: float | None = Query(None, ge=0),
    to_s: float | None = Query(None, ge=0),
) -> Response:
    """Channels against time, as the lowest and the highest value of each of at most `points` spans.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    channels : str
        Channels and numbers, parted by commas.
    points : int
        How many spans at most, 10 to 20 000.
    from_s, to_s : float, optional
        From and to which second of the run; None for its start and its end.
    """
    store = live_of(request).store
    record = await run_in_threadpool(store.logbook.get_run, run_id)
    names = [n.strip() for n in channels.split(",") if n.strip()]
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise UsageError("is not after from_s", place="to_s", value=to_s, remedy="give a later end")
    body = await run_in_threadpool(run_series, store, record, names, points=points, from_s=from_s, to_s=to_s)
    return answer(body)


@router.get("/runs/{run_id}/marks", response_model=Marks)
async def marks(request: Request, run_id: str) -> Response:
    """The run's marks."""
    store = live_of(request).store

    def listed() -> list[dict[str, Any]]:
        store.logbook.get_run(run_id)
        found = store.logbook.list_marks(run_id)
        return [
            {
                "t_s": m.t_ns / 1e9,
                "kind": m.kind,
                "text": m.text,
                "who": m.who,
                **({"data": m.data} if m.data else {}),
            }
            for m in found
        ]

    return answer({"marks": await run_in_threadpool(listed)})


@router.post("/runs/{run_id}/marks", response_model=Marked)
async def add_mark(request: Request, run_id: str, body: MarkBody) -> Response:
    """Pin a note to an instant of the run.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    body : MarkBody
        Without a time it is of now, if the run is being recorded.
    """
    live = live_of(request)
    if live.run is not None and live.run.id == run_id:
        # Over the reader, who writes it down when the disk lets him.
        t_ns = live.now_ns if body.t_s is None else int(body.t_s * 1e9)
        await live.ask_reader("mark", {"kind": "note", "text": body.text, "t_ns": t_ns}, body.who)
        return answer({"ok": True, "t_s": t_ns / 1e9})
    store, t_s = live.store, body.t_s

    def added() -> None:
        record = store.logbook.get_run(run_id)
        if t_s is None:
            raise RequestRefused(
                "is not being recorded, so it has no now", place=record.id, remedy="give t_s"
            )
        store.logbook.add_mark(run_id, int(t_s * 1e9), "note", body.text, body.who)

    await run_in_threadpool(added)
    return answer({"ok": True, "t_s": t_s})


@router.post("/runs/{run_id}/lye", response_model=LyeNoted)
async def add_lye(request: Request, run_id: str, body: LyeBody) -> Response:
    """What was poured into the run's lye, drawn off it or measured of it: its strength follows from there.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    body : LyeBody
        Without a time it is of now, if the run is being recorded.
    """
    live = live_of(request)
    entry = body.model_dump(exclude={"who", "t_s"}, exclude_none=True)
    t_ns = None if body.t_s is None else int(body.t_s * 1e9)
    if live.run is not None and live.run.id == run_id:
        return answer(await note_lye(live, entry, body.who, t_ns))

    def added() -> dict[str, Any]:
        from daq.study.runs import note_entry

        return note_entry(live.store, live.store.logbook.get_run(run_id), entry, body.who, t_ns)

    return answer({"ok": True, **await run_in_threadpool(added)})


@router.get("/runs/{run_id}/alarms", response_model=Transitions)
async def alarms(request: Request, run_id: str) -> Response:
    """Every transition of every alarm of the run."""
    store = live_of(request).store

    def listed() -> list[dict[str, Any]]:
        units = alarm_units(recorded_bench(store, store.logbook.get_run(run_id)))
        return [
            {**transition_dict(t), "unit": units.get(t.alarm, "")}
            for t in store.logbook.alarms.transitions(run_id)
        ]

    return answer({"alarms": await run_in_threadpool(listed)})


@router.get("/runs/{run_id}/review", responses={200: document("review")})
async def review(
    request: Request,
    run_id: str,
    calibration: str | None = Query(None, description="work it out again with one: its number, newest, none"),
    against: str | None = Query(None, description="a reference run: what changed against it"),
) -> Response:
    """The run's review, as `lyewatch review --json` prints it.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    calibration : str, optional
        Work it out again with one, see `recalibrated_bench`; None takes the numbers as they were recorded.
    against : str, optional
        Id of a reference run; None compares with none.
    """
    store = live_of(request).store
    return answer(
        await run_in_threadpool(lambda: _reviewed(store, run_id, calibration, against).review.as_dict())
    )


@router.get("/runs/{run_id}/report.html", response_class=Response, responses={200: PAGE})
async def report(
    request: Request,
    run_id: str,
    against: str | None = Query(None, description="a reference run: what changed against it"),
) -> HTMLResponse:
    """The run's review as one self-contained page.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    against : str, optional
        Id of a reference run; None compares with none.
    """
    from daq.study.review import html_report

    def make_report() -> str:
        reviewed = _reviewed(live_of(request).store, run_id, against=against)
        return html_report(reviewed.review, reviewed.blocks)

    return study_page(await run_in_threadpool(make_report), run_links(run_id))


@router.get("/runs/{run_id}/export.{suffix}", response_class=FileResponse, responses={200: TABLE})
async def export(request: Request, run_id: str, suffix: str) -> FileResponse:
    """The run's samples as one table: export.csv or export.parquet.

    \f
    Parameters
    ----------
    request : Request
    run_id : str
    suffix : {"csv", "parquet"}
    """
    from daq.study.tables import export_samples

    if suffix not in MEDIA:
        raise UsageError(
            "is no format to write", place="export", value=suffix, remedy="ask for csv or parquet"
        )
    store = live_of(request).store
    record = await run_in_threadpool(store.logbook.get_run, run_id)
    folder = tempfile.TemporaryDirectory(prefix="lyewatch-")
    file = Path(folder.name) / f"{run_id}.{suffix}"
    await run_in_threadpool(lambda: export_samples(store.read(run_id), record.start_utc_ns, file))
    return FileResponse(
        file, media_type=MEDIA[suffix], filename=file.name, background=BackgroundTask(folder.cleanup)
    )


def _imported(live: Live, path: Path, name: str, build: str) -> TheImport:
    from daq.study.tables import import_into

    try:
        return apart(import_into, live.bench, path, name, build)
    except LogFileError as exc:
        # Whoever sent it knows the file by its name.
        exc.place = None if exc.place is None else exc.place.replace(str(path), path.name)
        raise


def transition_dict(transition: Any) -> dict[str, Any]:
    """An alarm's transition as the API gives it."""
    return {
        "t_s": transition.t_ns / 1e9,
        "alarm": transition.alarm,
        "from": transition.state_from,
        "to": transition.state_to,
        "cause": transition.cause,
        "value": transition.value,
        "who": transition.who,
        "note": transition.note,
        "priority": transition.priority,
    }


def _reviewed(
    store: Store, run_id: str, calibration: str | None = None, against: str | None = None
) -> Recorded:
    from daq.study.review import review_run

    record = store.logbook.get_run(run_id)
    reference = None if against is None else store.logbook.get_run(against)
    return review_run(store, record, calibration=calibration, against=reference)
