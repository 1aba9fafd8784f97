"""The FastAPI application: the API under /api, the pages, and one live task behind both."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse

import daq
from daq.bench import Bench
from daq.errors import (
    BenchFileError,
    LyewatchError,
    PhysicsRangeError,
    RequestRefused,
    RunNotFound,
    UsageError,
)
from daq.service import fill_routes, live_routes, pages, run_routes, study_routes
from daq.service.access import Access
from daq.service.fill_gates import FillGates
from daq.service.live import Live
from daq.service.notify import Notifier, addresses
from daq.service.publisher import Publisher
from daq.store import Store

__all__ = ["create_app"]


def create_app(bench: Bench, *, host: str | None = None, token: str | None = None) -> FastAPI:
    """The service of one bench.

    Parameters
    ----------
    bench : Bench
        The bench; its store is opened for reading, its logbook for writing.
    host, token : str, optional
        In place of the bench file's host and of `LYEWATCH_TOKEN`.

    Raises
    ------
    UsageError
        When it would listen beyond this computer without a token.
    """
    access = Access(bench, host=host, token=token)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        store = Store.of(bench)
        notifier = Notifier(bench.notify, addresses())
        live = Live(bench, store, notifier)
        publisher = None if bench.broker is None else Publisher(bench, store)
        if publisher is not None:
            live.publishing = publisher.status
            live.hub.taps.append(lambda name, data: publisher.tell(name, data, live.reader_age_s))
            publisher.start()
        app.state.live = live
        gates = FillGates(live) if "fill_level" in bench.channels else None
        gating = None
        if gates is not None:
            live.hub.taps.append(gates.tell)
            gating = asyncio.create_task(gates.serve(app.state.closing), name="fill gates")
            gating.add_done_callback(lambda done: _say_why(app, done))
        task = asyncio.create_task(live.serve(app.state.closing), name="live")
        task.add_done_callback(lambda done: _say_why(app, done))
        try:
            yield
        finally:
            app.state.closing.set()
            with suppress(asyncio.CancelledError, Exception):
                await task
            with suppress(asyncio.CancelledError, Exception):
                if gating is not None:
                    await gating
            notifier.close()
            if publisher is not None:
                await asyncio.to_thread(publisher.close)
            store.close()

    app = FastAPI(
        title="lyewatch",
        version=daq.__version__,
        description=f"The bench {bench.name}: live data, runs, alarms, the trip.",
        lifespan=lifespan,
        # The usual page would load scripts from elsewhere; /docs is our own and works with no internet.
        docs_url=None,
        redoc_url=None,
    )
    app.state.closing = threading.Event()
    app.middleware("http")(access)
    app.add_exception_handler(LyewatchError, _on_error)
    app.add_exception_handler(RequestValidationError, _on_invalid)
    app.include_router(live_routes.router, prefix="/api")
    app.include_router(run_routes.router, prefix="/api")
    app.include_router(fill_routes.router, prefix="/api")
    app.include_router(study_routes.router, prefix="/api")
    pages.add_pages(app)
    return app


def _say_why(app: FastAPI, task: asyncio.Task[None]) -> None:
    """A live task that died must be heard: the service ends, and `lyewatch up` starts another."""
    if task.cancelled() or task.exception() is None:
        return
    app.state.failure = task.exception()
    app.state.closing.set()


def _on_error(_request: Request, exc: Exception) -> JSONResponse:
    assert isinstance(exc, LyewatchError)
    status = 500
    if isinstance(exc, RunNotFound):
        status = 404
    elif isinstance(exc, RequestRefused):
        status = 409
    elif isinstance(exc, UsageError | BenchFileError | PhysicsRangeError):
        status = 422
    return JSONResponse({"error": exc.as_dict()}, status_code=status)


def _on_invalid(_request: Request, exc: Exception) -> JSONResponse:
    assert isinstance(exc, RequestValidationError)
    first = exc.errors()[0]
    place = ".".join(str(part) for part in first["loc"])
    shown = first.get("input")
    return JSONResponse(
        {
            "error": {
                "place": place,
                "message": first["msg"],
                "value": None if shown is None else str(shown)[:200],
                "remedy": "see /docs for what this address takes",
            }
        },
        status_code=422,
    )
