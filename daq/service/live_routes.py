"""/api of what is going on now: state, stream, alarms, trip and reset."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import JSONResponse, StreamingResponse

from daq.measure import NUMBERS, entry_of, mark_of, reference_words
from daq.service.bodies import AcknowledgeBody, AsideBody, ResetBody, ShelveBody, TopUpBody, TripBody
from daq.service.cautions import CAUTIONS, RESET_CAUTIONS
from daq.service.live import Live

__all__ = ["router"]

router = APIRouter(tags=["live"])


def live_of(request: Request) -> Live:
    """The application's live task."""
    live: Live = request.app.state.live
    return live


@router.get("/health")
async def health(request: Request) -> JSONResponse:
    """Whether every part works: reader, recording, watch, forecast, messages; 503 with the reason if not."""
    live, failure = live_of(request), request.app.state.failure
    said = live.health()
    if failure is not None:
        dead = f"the live side of this service died: {type(failure).__name__}: {failure}"
        said = {**said, "status": "failed", "why": dead, "troubles": {"service": dead, **said["troubles"]}}
    return JSONResponse(said, status_code=200 if said["status"] == "ok" else 503)


@router.get("/bench")
async def bench(request: Request) -> dict[str, Any]:
    """What the bench is, its channels with limits, the numbers that are computed, and the cautions."""
    b = live_of(request).bench
    limits = {n: limit.model_dump(exclude_none=True) for n, limit in b.limits.items()}
    return {
        "name": b.name,
        "description": b.bench.description,
        "stack": b.stack.model_dump(),
        "supply": b.supply.model_dump(),
        "site": b.site.model_dump(),
        "channels": [
            {"name": n, "unit": c.unit, "source": c.source, "limits": limits.get(n)}
            for n, c in b.channels.items()
        ],
        "numbers": [{"key": n.key, "label": n.label, "unit": n.unit, "help": n.help} for n in NUMBERS],
        "reference": reference_words(b),
        "window_s": b.service.window_s,
        "cautions": list(CAUTIONS),
        "reset_cautions": list(RESET_CAUTIONS),
    }


@router.get("/state")
async def state(request: Request) -> dict[str, Any]:
    """The status band: supply, data, alarms, trip, links."""
    return live_of(request).state()


@router.get("/recent")
async def recent(request: Request, seconds: float = Query(600, gt=0, le=7200)) -> dict[str, Any]:
    """The last seconds of the run, to fill a page's trends."""
    return await live_of(request).recent(seconds)


@router.get("/stream")
async def stream(
    request: Request,
    after: int | None = Query(None, ge=0, description="the number of the last event that was seen"),
    last_event_id: str | None = Header(None),
) -> StreamingResponse:
    """Server-sent events: samples, assessments, state."""
    live = live_of(request)
    if last_event_id is not None and last_event_id.isdigit():
        after = int(last_event_id)
    return StreamingResponse(
        live.hub.stream(after, live.first_events()),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


@router.get("/alarms")
async def alarms(request: Request) -> dict[str, Any]:
    """Every alarm that is not normal, and every alarm that there is."""
    watch = live_of(request).watch
    return {"standing": watch.alarm_states(), "all": watch.all_alarms()}


@router.post("/alarms/{alarm}/acknowledge")
async def acknowledge(request: Request, alarm: str, body: AcknowledgeBody) -> dict[str, Any]:
    """Acknowledge an alarm."""
    return _operate(
        request,
        alarm,
        lambda live: live.watch.acknowledge(alarm, who=body.who, note=body.note, t_ns=live.now_ns),
    )


@router.post("/alarms/{alarm}/reset")
async def reset_alarm(request: Request, alarm: str, body: AcknowledgeBody) -> dict[str, Any]:
    """Reset a latched alarm whose condition has gone."""
    return _operate(
        request,
        alarm,
        lambda live: live.watch.reset_alarm(alarm, who=body.who, note=body.note, t_ns=live.now_ns),
    )


@router.post("/alarms/{alarm}/shelve")
async def shelve(request: Request, alarm: str, body: ShelveBody) -> dict[str, Any]:
    """Put an alarm aside for some minutes."""
    return _operate(
        request,
        alarm,
        lambda live: live.watch.shelve(
            alarm, who=body.who, note=body.note, t_ns=live.now_ns, for_ns=int(body.minutes * 60e9)
        ),
    )


@router.post("/alarms/{alarm}/unshelve")
async def unshelve(request: Request, alarm: str, body: AcknowledgeBody) -> dict[str, Any]:
    """End an alarm's shelving before its time."""
    return _operate(
        request,
        alarm,
        lambda live: live.watch.unshelve(alarm, who=body.who, note=body.note, t_ns=live.now_ns),
    )


@router.post("/alarms/{alarm}/out-of-service")
async def take_out_of_service(request: Request, alarm: str, body: AsideBody) -> dict[str, Any]:
    """Take an alarm out of service, until somebody puts it back."""
    return _operate(
        request,
        alarm,
        lambda live: live.watch.take_out_of_service(alarm, who=body.who, note=body.note, t_ns=live.now_ns),
    )


@router.post("/alarms/{alarm}/into-service")
async def put_back_into_service(request: Request, alarm: str, body: AcknowledgeBody) -> dict[str, Any]:
    """Put an alarm back into service."""
    return _operate(
        request,
        alarm,
        lambda live: live.watch.put_back_into_service(alarm, who=body.who, note=body.note, t_ns=live.now_ns),
    )


@router.post("/top-up")
async def top_up(request: Request, body: TopUpBody) -> dict[str, Any]:
    """Water was added to the lye: its strength and its level follow, and a mark says so."""
    said = body.model_dump(exclude={"who"}, exclude_none=True)
    return await note_lye(live_of(request), {"what": "top_up", **said}, body.who)


async def note_lye(live: Live, said: dict[str, Any], who: str, t_ns: int | None = None) -> dict[str, Any]:
    """Note an entry of the lye in the run that is being recorded."""
    live.need_watch("lye")
    entry = entry_of(said, live.run_bench.stack.electrolyte)
    at_ns, mark = live.now_ns if t_ns is None else t_ns, mark_of(entry)
    # Noted first: where that is refused nothing is counted, and it can be asked for again.
    await live.ask_reader("mark", {**mark, "t_ns": at_ns}, who)
    live.watch.lye_entry(entry, at_ns, mark["data"]["id"])
    live.keep_watch()
    return {"ok": True, "t_s": at_ns / 1e9, "message": entry.words}


@router.post("/trip")
async def trip(request: Request, body: TripBody) -> dict[str, Any]:
    """Cut the supply."""
    said = await live_of(request).ask_reader(
        "trip", {"reason": body.reason}, body.who or "somebody at the page"
    )
    return {"ok": True, "message": said}


@router.post("/reset")
async def reset(request: Request, body: ResetBody) -> dict[str, Any]:
    """Give the supply back after a trip; refused while its cause stands."""
    said = await live_of(request).ask_reader("reset", {"reason": body.reason}, body.who)
    return {"ok": True, "message": said}


def _operate(request: Request, alarm: str, do: Any) -> dict[str, Any]:
    live = live_of(request)
    live.need_watch(alarm)
    do(live)
    live.record_transitions()
    live.keep_watch()
    return {"ok": True, "standing": live.watch.alarm_states()}
