"""The fleet's page and API: all benches, the worst first, and each of them."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated, Any

import orjson
from fastapi import FastAPI, Query, Request, Response
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles

import daq
from daq.bench import KNOWN_CHANNELS
from daq.errors import LyewatchError, RunNotFound, SourceError
from daq.fleet.answers import FleetAnswer, FleetBench, FleetHealth, FleetSeries
from daq.fleet.listener import Listener
from daq.fleet.overview import Overview
from daq.fleet.series import Series
from daq.fleet.settings import Fleet
from daq.service.access import COOKIE, Access
from daq.service.answers import REFUSALS, answer
from daq.theme import chart_dir, pages_dir

__all__ = ["create_fleet_app"]

LOOK_S = 0.5


def create_fleet_app(fleet: Fleet, *, host: str | None = None, token: str | None = None) -> FastAPI:
    """The service that shows all benches.

    Parameters
    ----------
    fleet : Fleet
    host, token : str, optional
        In place of the fleet file's host and of `LYEWATCH_TOKEN`.

    Raises
    ------
    UsageError
        When it would listen beyond this computer without a token.
    """
    access = Access(fleet, host=host, token=token)
    overview = Overview(stale_after_s=fleet.stale_after_s, prefix=fleet.broker.prefix)
    listener = Listener(fleet, overview)
    series = Series(fleet)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        listener.start()
        task = asyncio.create_task(_look_after(app, listener), name="look-after")
        try:
            yield
        finally:
            app.state.closing.set()
            task.cancel()
            await asyncio.to_thread(listener.close)
            series.close()

    app = FastAPI(
        title="lyewatch fleet",
        version=daq.__version__,
        description="All benches that publish to one broker.",
        responses=REFUSALS,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
    )
    app.state.closing = threading.Event()
    app.state.failure = None
    app.state.overview = overview
    app.middleware("http")(access)
    app.add_exception_handler(LyewatchError, _on_error)

    def heard_of(bench: str) -> dict[str, Any]:
        found = overview.bench(bench)
        if found is None:
            raise RunNotFound(
                "has not been heard of", place=bench, remedy="see /api/fleet for those that have"
            )
        return found

    @app.get("/api/health", response_model=FleetHealth, responses={503: {"model": FleetHealth}})
    async def health() -> JSONResponse:
        """Whether the overview hears the broker; 503 with the reason where it does not."""
        failure: BaseException | None = app.state.failure
        why = str(failure) if failure is not None else listener.trouble
        if why is None and listener.faults:
            why = f"{listener.faults} messages could not be taken: a fault of this program"
        body = {
            "status": "failed" if failure is not None else "ok" if why is None else "impaired",
            "why": why,
            "spoilt_messages": overview.spoilt,
            "faults": listener.faults,
        }
        return JSONResponse(body, status_code=200 if why is None else 503)

    @app.get("/api/fleet", response_model=FleetAnswer)
    async def benches() -> Response:
        """All benches, the worst first, as of `utc_ns`."""
        now = time.time_ns()
        body = {"utc_ns": now, "trouble": listener.trouble, "benches": overview.rows(now)}
        # As bytes: the framework's own way takes fifty times as long, several times a second for each page.
        return Response(orjson.dumps(body), media_type="application/json")

    @app.get("/api/fleet/{bench}", response_model=FleetBench)
    async def bench(bench: str) -> Response:
        """One bench with what it says of itself."""
        found = heard_of(bench)
        units = {c: KNOWN_CHANNELS[c].unit for c in found["values"] if c in KNOWN_CHANNELS}
        return answer({**found, "units": units})

    @app.get("/api/fleet/{bench}/series", response_model=FleetSeries)
    async def last(
        bench: str,
        seconds: Annotated[float, Query(gt=0, le=86_400, description="how far back [s]")] = 600.0,
    ) -> Response:
        """The last minutes of a bench, lowest and highest value in spans of equal time."""
        channels = sorted(heard_of(bench)["values"])
        return answer(await asyncio.to_thread(series.last, bench, channels, seconds=seconds))

    _add_pages(app)
    return app


async def _look_after(app: FastAPI, listener: Listener) -> None:
    """A link whose thread has died must be heard: `serve_app` ends with the cause."""
    while not listener.dead:  # noqa: ASYNC110 - a thread's end sets no event
        await asyncio.sleep(LOOK_S)
    app.state.failure = SourceError(
        "the overview's link to the broker has died", remedy="start it again, and report what it printed"
    )


def _add_pages(app: FastAPI) -> None:
    folder = pages_dir()

    async def page(request: Request) -> Response:
        token = request.query_params.get("token")
        if token:
            # Once in the address, then in a cookie: an address is kept in histories and shown on screens.
            answer = RedirectResponse(request.url.path, status_code=303)
            answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", max_age=30 * 86400)
            return answer
        return FileResponse(folder / "fleet.html", headers={"Cache-Control": "no-cache"})

    for path in ("/", "/benches/{bench}"):
        app.add_api_route(path, page, include_in_schema=False, response_class=HTMLResponse)
    app.mount("/pages/uplot", StaticFiles(directory=chart_dir(), check_dir=False), name="chart")
    app.mount("/pages", StaticFiles(directory=folder), name="pages")


def _on_error(_request: Request, exc: Exception) -> JSONResponse:
    assert isinstance(exc, LyewatchError)
    return JSONResponse({"error": exc.as_dict()}, status_code=404 if isinstance(exc, RunNotFound) else 502)
