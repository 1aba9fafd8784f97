"""A service that answers as the real one does, with a bench that a test holds in its hand.

Nothing here reads a port or a store: readings are functions of time, and every write that a page sends is
kept in `FakeBench.requests` for the test to look at.
"""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Awaitable, Callable
from contextlib import aclosing
from pathlib import Path
from typing import Any, Self

import uvicorn
from fastapi import FastAPI, Request, Response
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, StreamingResponse
from fastapi.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

from daq.service.glossary import glossary_dict
from tests.pages import bench_facts as facts
from tests.pages.fake_bench import RUN, FakeBench, events
from tests.pages.past_runs import (
    alarms_of,
    builds_of,
    flood_of,
    result_of,
    review_of,
    series_of,
    whole_build,
)

__all__ = ["RUN", "FakeBench", "Serving", "make_app"]

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "dashboards"
CHARTS = ROOT / "daq" / "_built" / "uplot"
POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
"""As the real service sends it."""


class _Stream(StreamingResponse):
    """Ends its events as soon as the page has gone, however the framework lets go of them."""

    def __init__(self, bench: FakeBench) -> None:
        self._events = events(bench)
        super().__init__(self._events, media_type="text/event-stream")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async with aclosing(self._events):
            await super().__call__(scope, receive, send)


def make_app(bench: FakeBench, *, charts: Path | None = None) -> FastAPI:
    """The API of the contract and the pages, over `bench`."""
    app = FastAPI()
    pages = PAGES

    @app.middleware("http")
    async def _policy(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        response = await call_next(request)
        if not request.url.path.endswith("report.html"):
            response.headers["Content-Security-Policy"] = POLICY
        response.headers["Cache-Control"] = "no-store"
        return response

    async def _keep(request: Request) -> tuple[dict[str, Any], JSONResponse | None]:
        body: dict[str, Any] = json.loads(await request.body())
        bench.requests.append((request.method, request.url.path, body))
        if request.headers.get("content-type") != "application/json":
            return body, JSONResponse({"error": {"message": "must be application/json"}}, status_code=415)
        if request.url.path in bench.refuse:
            status, error = bench.refuse[request.url.path]
            return body, JSONResponse({"error": error}, status_code=status)
        return body, None

    @app.get("/api/health")
    def health() -> dict[str, Any]:
        return {
            "status": "ok",
            "reader": {"alive": True, "heartbeat_age_s": 0.2},
            "journal_rows": 10,
            "watch_lag_s": 0.1,
            "links": bench.state()["links"],
        }

    @app.get("/api/bench")
    def about() -> dict[str, Any]:
        return bench.about()

    @app.get("/api/state")
    def state() -> dict[str, Any]:
        return bench.state()

    @app.get("/api/stream")
    def stream(request: Request, after: str = "") -> StreamingResponse:
        bench.streams_after.append(request.headers.get("last-event-id", after))
        return _Stream(bench)

    @app.get("/api/recent")
    def recent(seconds: float = 600) -> dict[str, Any]:
        t, run = bench.now(), bench.run["id"] if bench.run else "standby"
        times = [round(t - s / 2, 3) for s in range(int(2 * min(seconds, t)), 0, -1)]
        return {
            "run": run,
            "start_utc": facts.stamp(0),
            "t": dict.fromkeys(facts.CHANNELS, times),
            "v": {name: [round(facts.channel_value(name, at), 4) for at in times] for name in facts.CHANNELS},
            "assessments": [facts.assessment(run, at) for at in times[::4]],
        }

    @app.get("/api/runs")
    def runs(limit: int = 200, deleted: bool = False) -> dict[str, Any]:
        return {"runs": (bench.deleted if deleted else bench.past)[:limit]}

    @app.get("/api/runs/{run}/result")
    def result(run: str) -> Any:
        bench.results_asked.append(run)
        found = next(i for i, row in enumerate(reversed(bench.past)) if row["id"] == run)
        if f"/api/runs/{run}/result" in bench.refuse:
            status, error = bench.refuse[f"/api/runs/{run}/result"]
            return JSONResponse({"error": error}, status_code=status)
        return result_of(found)

    @app.post("/api/runs/{run}/delete")
    async def delete(run: str, request: Request) -> Any:
        _body, no = await _keep(request)
        if no is None:
            bench.deleted += [row for row in bench.past if row["id"] == run]
            bench.past = [row for row in bench.past if row["id"] != run]
        return no or {"ok": True}

    @app.post("/api/runs/{run}/restore")
    async def restore(run: str, request: Request) -> Any:
        _body, no = await _keep(request)
        if no is None:
            back = [row for row in bench.deleted if row["id"] == run]
            bench.deleted = [row for row in bench.deleted if row["id"] != run]
            bench.past = sorted([*bench.past, *back], key=lambda row: str(row["id"]), reverse=True)
        return no or {"ok": True}

    @app.post("/api/import")
    async def take_log(request: Request) -> Any:
        bench.logs.append((dict(request.query_params), await request.body()))
        if "/api/import" in bench.refuse:
            status, error = bench.refuse["/api/import"]
            return JSONResponse({"error": error}, status_code=status)
        return {
            "ok": True,
            "run": "20250303-120000",
            "rows": 600,
            "duration_s": 600.0,
            "alarms": 1,
            "channels": ["volts", "amps"],
            "notes": ["old.csv: column `remarks` is no channel and was left out"],
        }

    @app.get("/api/glossary")
    def glossary() -> dict[str, Any]:
        return glossary_dict()

    @app.get("/api/builds")
    def builds() -> dict[str, Any]:
        return {"builds": builds_of(bench.past)}

    @app.get("/api/builds/one")
    def one_build(build: str) -> Any:
        if not any(row["build"] == build for row in bench.past):
            return JSONResponse({"error": {"message": "no such build"}}, status_code=404)
        return whole_build(build, bench.past, bench.fills)

    @app.post("/api/builds/describe")
    async def describe(request: Request) -> Any:
        _body, no = await _keep(request)
        return no or {"ok": True, "message": "kept"}

    @app.post("/api/runs")
    async def start(request: Request) -> Any:
        body, no = await _keep(request)
        if no is None:
            bench.t0, bench.began = 0.0, time.monotonic()
            bench.run = {
                "id": "20250304-101500",
                "name": body["name"],
                "build": body["build"],
                "kind": "run",
                "start_utc": facts.stamp(0),
            }
        return no or {"id": "20250304-101500"}

    @app.post("/api/runs/current/stop")
    async def stop(request: Request) -> Any:
        _body, no = await _keep(request)
        if no is None:
            bench.run = None
        return no or {"ok": True}

    @app.patch("/api/runs/{run}")
    async def rename(run: str, request: Request) -> Any:
        body, no = await _keep(request)
        for row in bench.past:
            if no is None and row["id"] == run:
                row.update({key: value for key, value in body.items() if key != "who"})
        return no or {"ok": True}

    @app.get("/api/runs/{run}")
    def one(run: str) -> Any:
        for row in bench.past:
            if row["id"] == run:
                return row
        return JSONResponse(
            {
                "error": {
                    "place": "run",
                    "message": "is not in this store",
                    "value": run,
                    "remedy": "choose one from /runs",
                }
            },
            status_code=404,
        )

    @app.get("/api/runs/{run}/series")
    def series(run: str, request: Request) -> dict[str, Any]:
        asked = dict(request.query_params)
        bench.series_asked.append(asked)
        return series_of(run, asked)

    @app.get("/api/runs/{run}/marks")
    def marks(run: str) -> dict[str, Any]:
        return {"marks": bench.marks}

    @app.post("/api/runs/{run}/marks")
    async def mark(run: str, request: Request) -> Any:
        body, no = await _keep(request)
        if no is None:
            bench.marks.append(
                {
                    "t_s": body.get("t_s", bench.now()),
                    "kind": "note",
                    "text": body["text"],
                    "who": body["who"],
                }
            )
        return no or {"ok": True}

    @app.get("/api/runs/{run}/alarms")
    def alarms(run: str) -> dict[str, Any]:
        return {"alarms": flood_of() if bench.flood else alarms_of()}

    @app.get("/api/runs/{run}/review")
    def review(run: str) -> dict[str, Any]:
        return review_of(run, cooled=bench.cooled)

    @app.get("/api/runs/{run}/report.html")
    def report(run: str) -> HTMLResponse:
        return HTMLResponse("<!doctype html><title>Report</title><p>Report")

    @app.get("/api/runs/{run}/export.csv")
    def export(run: str) -> PlainTextResponse:
        return PlainTextResponse("elapsed_s,volts\n0,13.2\n")

    @app.get("/api/alarms")
    def alarms_now() -> dict[str, Any]:
        return {"standing": bench.standing, "all": bench.alarms()}

    @app.post("/api/alarms/{alarm}/{act}")
    async def alarm_act(alarm: str, act: str, request: Request) -> Any:
        body, no = await _keep(request)
        if no is None:
            bench.alarm_act(alarm, act, body)
        return no or {"ok": True}

    @app.get("/api/fills")
    def fills(limit: int = 50) -> dict[str, Any]:
        return {
            "open": bench.fill,
            "fills": bench.fills[:limit],
            "series": facts.series_of(bench.fills),
            "builds": facts.builds_of(bench.fills),
        }

    @app.post("/api/runs/{run}/fills")
    async def fill_mark(run: str, request: Request) -> Any:
        body, no = await _keep(request)
        if no is not None:
            return no
        made = facts.fill(len(bench.fills) + 1, body["volume_ml"], body["to_s"] - body["from_s"])
        bench.fills.insert(0, made)
        return {"ok": True, "fill": made}

    @app.post("/api/fills/start")
    async def fill_start(request: Request) -> Any:
        body, no = await _keep(request)
        if no is None:
            bench.fill = {"run": RUN, "t_s": bench.now(), "started_utc": facts.stamp(bench.now()), **body}
        return no or {"ok": True, "open": bench.fill}

    @app.post("/api/fills/stop")
    async def fill_stop(request: Request) -> Any:
        body, no = await _keep(request)
        if no is not None:
            if bench.fill is not None:
                bench.fill = {**bench.fill, "stopped_t_s": bench.now()}
            return no
        assert bench.fill is not None
        seconds = max(0.1, bench.now() - bench.fill["t_s"])
        bench.fills.insert(0, facts.fill(len(bench.fills) + 1, body["volume_ml"], seconds))
        bench.fill = None
        return {"ok": True, "fill": bench.fills[0]}

    @app.post("/api/fills/{number}/forget")
    async def fill_forget(number: int, request: Request) -> Any:
        _body, no = await _keep(request)
        if no is None:
            bench.fills = [f for f in bench.fills if f["id"] != number]
        return no or {"ok": True}

    @app.post("/api/fills/drop")
    async def fill_drop(request: Request) -> Any:
        _body, no = await _keep(request)
        if no is None:
            bench.fill = None
        return no or {"ok": True}

    @app.post("/api/top-up")
    async def top_up(request: Request) -> Any:
        body, no = await _keep(request)
        return no or {"ok": True, "message": f"Topped up {body['millilitres']:g} mL"}

    @app.post("/api/trip")
    async def trip(request: Request) -> Any:
        body, no = await _keep(request)
        if no is None:
            bench.trip_now(by=body["who"])
        return no or {"ok": True}

    @app.post("/api/reset")
    async def reset(request: Request) -> Any:
        _body, no = await _keep(request)
        if no is None:
            bench.trip = None
            bench.supply = {"state": "on", "words": "Supply is on, 10.9 A"}
        return no or {"ok": True}

    for path, name in (
        ("/", "index.html"),
        ("/runs", "runs.html"),
        ("/builds", "builds.html"),
        ("/build", "build.html"),
        ("/fills", "fills.html"),
        ("/runs/{run}", "run.html"),
    ):
        app.add_api_route(path, _page(pages / name), methods=["GET"], include_in_schema=False)
    app.mount("/pages/uplot", StaticFiles(directory=charts or CHARTS))
    app.mount("/pages", StaticFiles(directory=pages))
    return app


def _page(path: Path) -> Callable[[], FileResponse]:
    return lambda: FileResponse(path, media_type="text/html")


class Serving:
    """The fake service on a free loopback port, in a thread of this process; a context manager."""

    def __init__(self, bench: FakeBench, *, port: int = 0, charts: Path | None = None) -> None:
        self._bench = bench
        self._socket = socket.socket()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind(("127.0.0.1", port))
        self.port: int = self._socket.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        config = uvicorn.Config(
            make_app(bench, charts=charts), log_level="warning", timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, daemon=True
        )

    def __enter__(self) -> Self:
        self._thread.start()
        deadline = time.monotonic() + 20
        while not self._server.started:
            if time.monotonic() > deadline or not self._thread.is_alive():
                raise RuntimeError("the fake service did not start")
            time.sleep(0.02)
        return self

    def __exit__(self, *_exc: object) -> None:
        self.stop()

    def stop(self) -> None:
        """End the server and wait for it."""
        self._bench.closing = True  # lets the streams end by themselves
        self._server.should_exit = True
        self._thread.join(timeout=20)
