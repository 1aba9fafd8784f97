"""The page of the first run, while there is no bench file: what to do, and a bench file checked and kept."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel, ConfigDict, Field

import daq
from daq.alarms import check_alarms
from daq.bench import ServiceSpec, load_bench
from daq.errors import BenchFileError, LyewatchError, RequestRefused
from daq.examples import example_text
from daq.service.access import Access
from daq.service.answers import REFUSALS, Answer, answer
from daq.service.app import on_error, on_invalid
from daq.theme import pages_dir

__all__ = ["create_first_run_app", "keep_bench_file"]

MOST = 200_000
"""A bench file is shorter than this [characters]."""


@dataclass(frozen=True, slots=True)
class _Nobody:
    """In place of a bench: where its file is to be, and this computer alone."""

    path: Path
    service: ServiceSpec


class FirstRun(Answer):
    """Where the bench file is looked for, and one to start from."""

    file: str
    example: str


class Kept(Answer):
    """The bench file was right and is kept."""

    ok: Literal[True]
    file: str
    bench: str


class BenchFileBody(BaseModel):
    """A bench file as text."""

    model_config = ConfigDict(extra="forbid")
    text: Annotated[str, Field(min_length=1, max_length=MOST)]


def keep_bench_file(file: Path, text: str) -> str:
    """Check a bench file and keep it at `file`; the bench's name.

    Parameters
    ----------
    file : Path
        Where it is to be. One that is there is never replaced.
    text : str

    Raises
    ------
    BenchFileError
        Naming the key, the value and what would be right; nothing is then kept.
    RequestRefused
        When a bench file is there already.
    """
    tried = file.with_name(f".{file.name}.tried")
    try:
        tried.write_text(text, encoding="utf-8")
        bench = load_bench(tried)
        check_alarms(bench)
        with file.open("x", encoding="utf-8") as kept:
            kept.write(text)
    except FileExistsError:
        raise RequestRefused(
            "there is a bench file already", place=str(file), remedy="change it with an editor"
        ) from None
    except BenchFileError as exc:
        words = exc.place
        exc.place = None if words is None else words.replace(str(tried), file.name)
        exc.message = exc.message.replace(str(tried), file.name)
        raise
    finally:
        tried.unlink(missing_ok=True)
    return bench.name


def create_first_run_app(file: Path, *, port: int = 0) -> FastAPI:
    """The page of the first run, for this computer alone; `app.state.done` is set once the file is kept.

    Parameters
    ----------
    file : Path
        Where the bench file is to be.
    port : int
        Where it listens.
    """
    app = FastAPI(
        title="lyewatch", version=daq.__version__, description="The first run.", docs_url=None, redoc_url=None
    )
    app.state.closing, app.state.done = threading.Event(), threading.Event()
    app.middleware("http")(Access(_Nobody(file, ServiceSpec(port=port))))
    app.add_exception_handler(LyewatchError, on_error)
    app.add_exception_handler(RequestValidationError, on_invalid)

    @app.get("/api/first-run", response_model=FirstRun, responses=REFUSALS)
    async def first_run() -> Response:
        """Where the bench file is looked for, and one to start from."""
        return answer({"file": str(file), "example": example_text("water_torch")})

    @app.post("/api/first-run", response_model=Kept, responses=REFUSALS)
    async def keep(request: Request, body: BenchFileBody) -> Response:
        """Check a bench file and keep it."""
        name: Any = await run_in_threadpool(keep_bench_file, file, body.text)
        request.app.state.done.set()
        return answer({"ok": True, "file": str(file), "bench": name})

    async def page() -> Response:
        return FileResponse(pages_dir() / "first.html", headers={"Cache-Control": "no-cache"})

    for path in ("/", "/runs", "/builds", "/fills"):
        app.add_api_route(path, page, include_in_schema=False)
    app.mount("/pages", StaticFiles(directory=pages_dir()), name="pages")
    return app
