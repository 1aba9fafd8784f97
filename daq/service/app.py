"""The FastAPI application: the API under /api, the pages, and one live task behind both."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from typing import Any

from fastapi import FastAPI, Request, Response
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
    StoreError,
    UsageError,
)
from daq.service import build_routes, fill_routes, glossary, live_routes, pages, run_routes, study_routes
from daq.service.access import Access
from daq.service.answers import REFUSALS
from daq.service.apart import end_all
from daq.service.feed import Connect
from daq.service.fill_gates import FillGates
from daq.service.live import Live
from daq.service.notify import Notifier, addresses
from daq.service.publisher import Publisher
from daq.service.results import Results
from daq.service.shown import error_page, wants_page
from daq.store import Store

__all__ = ["create_app", "on_error", "on_invalid"]

OPEN_WITHIN_S = 2.0
"""A start waits no longer for the disk than this [s]."""


def create_app(
    bench: Bench,
    *,
    host: str | None = None,
    token: str | None = None,
    connect: Connect | None = None,
    open_store: Callable[[], Store] | None = None,
) -> FastAPI:
    """The service of one bench.

    Parameters
    ----------
    bench : Bench
        The bench; its store is opened for reading, its logbook for writing.
    host, token : str, optional
        In place of the bench file's host and of `LYEWATCH_TOKEN`.
    connect, open_store : callable, optional
        In place of the bench's own channel and store; see `Live`.

    Raises
    ------
    UsageError
        When it would listen beyond this computer without a token.
    """
    access = Access(bench, host=host, token=token)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        notifier = Notifier(bench.notify, addresses())
        live = Live(bench, notifier, connect=connect, open_store=open_store)
        if bench.broker is not None:
            courier = _Courier(bench)
            live.publisher = courier
            live.opened.append(courier.begin)
            live.hub.taps.append(lambda name, data: courier.tell(name, data, live.reader_age_s))
        app.state.live = live
        gates = FillGates(live) if "fill_level" in bench.channels else None
        gating = None
        if gates is not None:
            live.hub.taps.append(gates.tell)
            gating = asyncio.create_task(gates.serve(app.state.closing), name="fill gates")
            gating.add_done_callback(lambda done: _say_why(app, done))
        task = asyncio.create_task(live.serve(app.state.closing), name="live")
        task.add_done_callback(lambda done: _say_why(app, done))
        await asyncio.sleep(0.0)  # the task begins
        # Whoever asks for a run at once should not be told that the store is not open yet.
        await asyncio.to_thread(live.keeper.wait_tried, OPEN_WITHIN_S)
        try:
            yield
        finally:
            app.state.closing.set()
            end_all()
            if isinstance(live.publisher, _Courier):
                await asyncio.to_thread(live.publisher.close)
            with suppress(asyncio.CancelledError, Exception):
                await task
            with suppress(asyncio.CancelledError, Exception):
                if gating is not None:
                    await gating
            notifier.close()

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
    app.state.failure = None
    app.state.results = Results()
    app.middleware("http")(access)
    app.add_exception_handler(LyewatchError, on_error)
    app.add_exception_handler(RequestValidationError, on_invalid)
    for part in (live_routes, run_routes, build_routes, fill_routes, study_routes, glossary):
        app.include_router(part.router, prefix="/api", responses=REFUSALS)
    pages.add_pages(app)
    return app


def _say_why(app: FastAPI, task: asyncio.Task[None]) -> None:
    """A live task that died must be heard: `serve_app` ends with its cause, and `lyewatch up` starts another.

    Until then the health page says why.
    """
    if task.cancelled() or (task.exception() is None and app.state.closing.is_set()):
        return
    app.state.failure = task.exception() or RuntimeError("the live task ended by itself")


class _Courier:
    """Publishes once the store can be opened, whose folder holds what waits to be published."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._publisher: Publisher | None = None
        self._wrong: str | None = None

    def begin(self, store: Store) -> None:
        """The store is open."""
        try:
            publisher = Publisher(self._bench, store)
            publisher.start()
        except Exception as exc:  # noqa: BLE001 - told as an alarm; a courtesy must not end the service
            self._wrong = f"{type(exc).__name__}: {exc}" if not isinstance(exc, LyewatchError) else str(exc)
            return
        self._publisher = publisher

    def tell(self, event: str, data: Mapping[str, Any], reader_age_s: float | None) -> None:
        """Take what the pages are told."""
        if self._publisher is not None:
            self._publisher.tell(event, data, reader_age_s)

    @property
    def failing(self) -> str | None:
        """What is wrong with it here, as opposed to with the broker; None while it works."""
        return self._wrong if self._publisher is None else self._publisher.failing

    def status(self) -> dict[str, Any]:
        """How it fares."""
        if self._publisher is None:
            return {"state": "opening" if self._wrong is None else "failed", "last_error": self._wrong}
        return self._publisher.status()

    def close(self) -> None:
        """End it."""
        if self._publisher is not None:
            self._publisher.close()


def on_error(request: Request, exc: Exception) -> Response:
    """One of our errors as an answer."""
    assert isinstance(exc, LyewatchError)
    status = 500
    if isinstance(exc, StoreError):
        status = 503  # the disk's fault, and perhaps not for long; what is live goes on
    elif isinstance(exc, RunNotFound):
        status = 404
    elif isinstance(exc, RequestRefused):
        status = 409
    elif isinstance(exc, UsageError | BenchFileError | PhysicsRangeError):
        status = 422
    return _error_answer(request, exc.as_dict(), status)


def on_invalid(request: Request, exc: Exception) -> Response:
    """A request that does not hold what it must, as an answer."""
    assert isinstance(exc, RequestValidationError)
    first = exc.errors()[0]
    place = ".".join(str(part) for part in first["loc"])
    shown = first.get("input")
    error = {
        "place": place,
        "message": first["msg"],
        "value": None if shown is None else str(shown)[:200],
        "remedy": "see /docs for what this address takes",
    }
    return _error_answer(request, error, 422)


def _error_answer(request: Request, error: dict[str, Any], status: int) -> Response:
    """As JSON, and to a person's browser as a page."""
    if wants_page(request):
        return error_page(error, status)
    return JSONResponse({"error": error}, status_code=status)
