"""/api of what is going on now: state, stream, alarms, trip and reset."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from fastapi import APIRouter, Header, Query, Request, Response
from fastapi.responses import JSONResponse, StreamingResponse

from daq.alarms import Alarm
from daq.measure import NUMBERS, entry_of, mark_of, reference_words
from daq.service.answers import Alarms, BenchAnswer, Done, Health, LyeNoted, Operated, Recent, State, answer
from daq.service.bodies import AcknowledgeBody, AsideBody, ResetBody, ShelveBody, TopUpBody, TripBody
from daq.service.live import Live

__all__ = ["router"]

router = APIRouter(tags=["live"])
STREAM: Final[dict[str, Any]] = {
    "description": "Events named samples, assessment (as in /api/recent), state (as /api/state answers) and "
    "alarm, each with JSON as its data.",
    "content": {"text/event-stream": {"schema": {"type": "string"}}},
}

# The cautions shown with the live page, at a trip and before a reset: words, not advice for one bench.
_CAUTIONS = (
    (
        "The gas is hydrogen and oxygen already mixed: it can detonate from a spark too small to see. "
        "Keep volumes small, vent to the open, fit a flashback arrestor and a bubbler tested for this gas, "
        "and keep flames away."
    ),
    (
        "Lye burns skin and blinds eyes, more so when hot: goggles and gloves on, water and an eye-wash at "
        "hand; add the hydroxide to water, never the other way."
    ),
    "The supply can start fires: fuse it, size the leads, and wire a thermal cut-out in series with it.",
    (
        "This program is one layer of protection and never the only one. Do not leave a stack running on "
        "the strength of software alone."
    ),
    (
        "Codes for gas, pressure and wiring where you are come first; have a licensed electrician check "
        "mains work."
    ),
)
_RESET_CAUTIONS = (
    "Look at the bench before you restore the supply: leaks, boiling, foam, soft plastic, lye level.",
    "Know why it tripped. A trip that comes back is a fault, not a nuisance.",
    "Air the room: gas may have gathered while nobody watched.",
)


def live_of(request: Request) -> Live:
    """The application's live task."""
    live: Live = request.app.state.live
    return live


@router.get("/health", response_model=Health, responses={503: {"model": Health}})
async def health(request: Request) -> Response:
    """Whether every part works: reader, recording, watch, forecast, messages; 503 with the reason if not."""
    live, failure = live_of(request), request.app.state.failure
    body = live.health()
    if failure is not None:
        dead = f"the live side of this service died: {type(failure).__name__}: {failure}"
        body = {**body, "status": "failed", "why": dead, "troubles": {"service": dead, **body["troubles"]}}
    return JSONResponse(body, status_code=200 if body["status"] == "ok" else 503)


@router.get("/bench", response_model=BenchAnswer)
async def bench(request: Request) -> Response:
    """What the bench is, its channels with limits, the numbers that are computed, and the cautions."""
    b = live_of(request).bench
    limits = {n: limit.model_dump(exclude_none=True) for n, limit in b.limits.items()}
    body = {
        "name": b.name,
        "description": b.bench.description,
        "simulated": b.bench.simulated,
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
        "cautions": list(_CAUTIONS),
        "reset_cautions": list(_RESET_CAUTIONS),
    }
    return answer(body)


@router.get("/state", response_model=State)
async def state(request: Request) -> Response:
    """The status band: supply, data, alarms, trip, links."""
    return answer(live_of(request).state())


@router.get("/recent", response_model=Recent)
async def recent(request: Request, seconds: float = Query(600, gt=0, le=7200)) -> Response:
    """The last seconds of the run, to fill a page's trends."""
    return answer(await live_of(request).recent(seconds))


@router.get("/stream", response_class=StreamingResponse, responses={200: STREAM})
async def stream(
    request: Request,
    after: int | None = Query(None, ge=0, description="the number of the last event that was seen"),
    last_event_id: str | None = Header(None),
) -> StreamingResponse:
    """Server-sent events: samples, assessments, state.

    \f
    Parameters
    ----------
    request : Request
    after : int, optional
        Number of the last event that was seen; None begins with what stands now.
    last_event_id : str, optional
        The same from a browser that comes back; it counts before `after`.
    """
    live = live_of(request)
    if last_event_id is not None and last_event_id.isdigit():
        after = int(last_event_id)
    return StreamingResponse(
        live.hub.stream(after, live.first_events()),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


@router.get("/alarms", response_model=Alarms)
async def alarms(request: Request) -> Response:
    """Every alarm that is not normal, and every alarm that there is."""
    watch = live_of(request).watch
    return answer({"standing": watch.alarm_states(), "all": watch.all_alarms()})


@router.post("/alarms/{alarm}/acknowledge", response_model=Operated)
async def acknowledge(request: Request, alarm: str, body: AcknowledgeBody) -> Response:
    """Acknowledge an alarm.

    \f
    Parameters
    ----------
    request : Request
    alarm : str
        Its name.
    body : AcknowledgeBody
    """
    return _operate(request, alarm, lambda a, t_ns: a.acknowledge(t_ns, body.who, body.note))


@router.post("/alarms/{alarm}/reset", response_model=Operated)
async def reset_alarm(request: Request, alarm: str, body: AcknowledgeBody) -> Response:
    """Reset a latched alarm whose condition has gone.

    \f
    Parameters
    ----------
    request : Request
    alarm : str
        Its name.
    body : AcknowledgeBody
    """
    return _operate(request, alarm, lambda a, t_ns: a.reset(t_ns, body.who, body.note))


@router.post("/alarms/{alarm}/shelve", response_model=Operated)
async def shelve(request: Request, alarm: str, body: ShelveBody) -> Response:
    """Put an alarm aside for some minutes.

    \f
    Parameters
    ----------
    request : Request
    alarm : str
        Its name.
    body : ShelveBody
        With the reason, and for how many minutes.
    """
    return _operate(request, alarm, lambda a, t_ns: a.shelve(t_ns, body.who, body.note, body.minutes * 60.0))


@router.post("/alarms/{alarm}/unshelve", response_model=Operated)
async def unshelve(request: Request, alarm: str, body: AcknowledgeBody) -> Response:
    """End an alarm's shelving before its time.

    \f
    Parameters
    ----------
    request : Request
    alarm : str
        Its name.
    body : AcknowledgeBody
    """
    return _operate(request, alarm, lambda a, t_ns: a.unshelve(t_ns, body.who, body.note))


@router.post("/alarms/{alarm}/out-of-service", response_model=Operated)
async def take_out_of_service(request: Request, alarm: str, body: AsideBody) -> Response:
    """Take an alarm out of service, until somebody puts it back.

    \f
    Parameters
    ----------
    request : Request
    alarm : str
        Its name.
    body : AsideBody
        With the reason.
    """
    return _operate(request, alarm, lambda a, t_ns: a.take_out(t_ns, body.who, body.note))


@router.post("/alarms/{alarm}/into-service", response_model=Operated)
async def put_back_into_service(request: Request, alarm: str, body: AcknowledgeBody) -> Response:
    """Put an alarm back into service.

    \f
    Parameters
    ----------
    request : Request
    alarm : str
        Its name.
    body : AcknowledgeBody
    """
    return _operate(request, alarm, lambda a, t_ns: a.put_back(t_ns, body.who, body.note))


@router.post("/top-up", response_model=LyeNoted)
async def top_up(request: Request, body: TopUpBody) -> Response:
    """Water was added to the lye: its strength and its level follow, and a mark says so."""
    entry = body.model_dump(exclude={"who"}, exclude_none=True)
    return answer(await note_lye(live_of(request), {"what": "top_up", **entry}, body.who))


async def note_lye(live: Live, fields: dict[str, Any], who: str, t_ns: int | None = None) -> dict[str, Any]:
    """Note an entry of the lye in the run that is being recorded.

    Parameters
    ----------
    live : Live
    fields : dict of str to object
        As `entry_of` takes it.
    who : str
        The person's name; empty where none is given.
    t_ns : int, optional
        When it was so [ns of the run]; None for now.
    """
    live.need_watch("lye")
    entry = entry_of(fields, live.run_bench.stack.electrolyte)
    at_ns, mark = live.now_ns if t_ns is None else t_ns, mark_of(entry)
    # Noted first: where that is refused nothing is counted, and it can be asked for again.
    await live.ask_reader("mark", {**mark, "t_ns": at_ns}, who)
    live.watch.lye_entry(entry, at_ns, mark["data"]["id"])
    live.keep_watch()
    return {"ok": True, "t_s": at_ns / 1e9, "message": entry.words}


@router.post("/trip", response_model=Done)
async def trip(request: Request, body: TripBody) -> Response:
    """Cut the supply."""
    reply = await live_of(request).ask_reader(
        "trip", {"reason": body.reason}, body.who or "somebody at the page"
    )
    return answer({"ok": True, "message": reply})


@router.post("/reset", response_model=Done)
async def reset(request: Request, body: ResetBody) -> Response:
    """Give the supply back after a trip; refused while its cause stands."""
    reply = await live_of(request).ask_reader("reset", {"reason": body.reason}, body.who)
    return answer({"ok": True, "message": reply})


def _operate(request: Request, name: str, do: Callable[[Alarm, int], None]) -> Response:
    live = live_of(request)
    live.need_watch(name)
    do(live.watch.alarm(name), live.now_ns)
    live.record_transitions()
    live.keep_watch()
    return answer({"ok": True, "standing": live.watch.alarm_states()})
