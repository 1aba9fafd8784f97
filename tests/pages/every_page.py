"""Every page and state but the live page's, for tests that go through them all and for pictures of each.

`python -m tests.pages.every_page FOLDER` draws them: widths of a phone, a tablet and a screen, light, dark
and forced colours, and at 200 % zoom; it ends with 1 when axe-core finds anything. `--only NAME` takes some.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Literal

import uvicorn
from fastapi import FastAPI
from playwright.sync_api import Browser, Page, Route, expect

from daq.bench import load_bench
from daq.service import create_app
from daq.store import AlarmTransition, Store
from tests.chromium import open_chromium
from tests.study.made_sweep import made_sweep, sweep_text
from tests.study.stored_runs import sent, store_run

__all__ = ["PLACES", "WAYS", "Place", "Way", "open_place", "served_store", "violations"]

FIRST_BUILD, SECOND_BUILD = "A: plates as cut", "B: ports moved"
ANA = "Ana"


@dataclass(frozen=True, slots=True)
class Place:
    """A page in one state: its name, its address, and what is there once it is complete."""

    name: str
    path: str
    ready: str = "main h1"
    press: Sequence[str] = field(default=())
    """What is pressed before it is looked at."""
    answers: Mapping[str, Any] = field(default_factory=dict)
    """What addresses answer that the service of one bench does not have."""


@dataclass(frozen=True, slots=True)
class Way:
    """How a page is looked at."""

    width: int
    scheme: Literal["light", "dark"] = "light"
    forced: bool = False
    zoom: float = 1.0

    @property
    def name(self) -> str:
        """As in a picture's name."""
        forced, zoom = "-forced" if self.forced else "", f"-zoom{self.zoom:g}" if self.zoom != 1.0 else ""
        return f"{self.width}-{self.scheme}{forced}{zoom}"


WAYS: Final = (
    *(Way(width, scheme) for width in (320, 390, 1280, 1920, 3840) for scheme in ("light", "dark")),
    Way(390, forced=True),
    Way(1280, forced=True),
    Way(1280, zoom=2.0),
)
_TORCH: Final[dict[str, Any]] = {
    "bench": "water-torch",
    "name": "Water torch of the workshop by the window",
    "build": "A: plates as cut",
    "run": "20250304-093000",
    "rank": 5,
    "state": "2 alarms, 1 to acknowledge",
    "alarms": ["Lye temperature high: 60.10 °C, limit 60 °C"],
    "age_s": 0.4,
    "utc_ns": 1,
    "rows": 36000,
    "missing_batches": 0,
    "values": {"lye_temp": 60.1, "volts": 13.2, "amps": 10.9, "gas_flow": 0.61},
}
_CALM: Final = {**_TORCH, "bench": "spare", "name": "Spare", "rank": 0, "state": "normal", "alarms": []}
_SILENT: Final = {**_TORCH, "bench": "shed", "name": "Shed", "rank": 4, "state": "silent", "age_s": 340.0}
PLACES: Final = (
    Place(
        "fleet",
        "/pages/fleet.html",
        "#bench-rows tr",
        answers={
            "**/api/fleet": {"utc_ns": 1, "trouble": None, "benches": [_TORCH, _SILENT, _CALM]},
        },
    ),
    Place(
        "fleet-none",
        "/pages/fleet.html",
        "#none-yet",
        answers={
            "**/api/fleet": {"utc_ns": 1, "trouble": "The broker is away.", "benches": []},
        },
    ),
    Place(
        "first-run",
        "/pages/first.html",
        "#write",
        answers={
            "**/api/first-run": {"file": "bench.toml", "example": ""},
        },
    ),
    Place("runs", "/runs", "#run-rows tr"),
    Place("runs-change", "/runs", "#run-rows tr", ["#run-rows button >> nth=0"]),
    Place("builds", "/builds", "#build-rows tr"),
    Place("build", "/build?name=A: plates as cut", "#points svg"),
    Place("build-missing", "/build?name=nothing", "#build-elsewhere a"),
    Place("fills", "/fills", "#how-many"),
    Place("run", "/runs/{first}", "#review dl"),
    Place("run-flood", "/runs/{flood}", "#review dl"),
    Place("run-missing", "/runs/20200101-000000", "#trouble"),
    Place("report", "/api/runs/{first}/report.html"),
    Place("report-flood", "/api/runs/{flood}/report.html"),
    Place("compare", "/api/compare.html?runs={first},{second}"),
    Place("polarisation", "/api/polarisation.html?runs={sweep}"),
    Place("leak", "/api/runs/{first}/leak.html"),
    Place("plan", "/api/plan.html?detect=0.03"),
    Place("refused", "/api/runs/20200101-000000/report.html"),
    Place("docs", "/docs"),
)


@contextmanager
def served_store(folder: Path) -> Iterator[tuple[str, Mapping[str, str]]]:
    """The real service over a store that holds a run of each of two builds, a sweep and a flood of alarms.

    Nobody records, so that the band says so. Gives the address and the runs' ids by name.
    """
    text = sweep_text()
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    bench = load_bench(folder / "bench.toml")
    ids: dict[str, str] = {}
    with Store(bench.store_folder, writer=True) as store:
        for day, (name, build, leak) in enumerate(
            [("first", FIRST_BUILD, 0.5), ("second", SECOND_BUILD, 0.25)]
        ):
            _, block = sent(text, seconds=1800, seed=day, leak_siemens=leak)
            ids[name] = store_run(store, text, block, build=build, day=day)
        _, swept = made_sweep(levels=(2.0, 3.5, 6.0, 10.0, 16.0), hold_s=70)
        ids["sweep"] = store_run(store, text, swept, build=FIRST_BUILD, day=2, name="sweep of the current")
        ids["flood"] = store_run(
            store, text, block, build=SECOND_BUILD, day=3, name="a night of chattering alarms"
        )
        _flood(store, ids["flood"])
        for run_id in (ids["first"], ids["flood"]):
            store.logbook.add_mark(run_id, 400 * 10**9, "note", "Topped up 200 mL", ANA)
            store.logbook.add_mark(run_id, 1100 * 10**9, "note", "Turned the volts up, gas looks wetter", ANA)
    with _listening(create_app(bench)) as url:
        yield url, ids


def _flood(store: Store, run_id: str) -> None:
    """An alarm that comes and goes every four seconds for twenty minutes, and one that stands a while."""
    rows = []
    for n in range(300):
        t, back = n % 2, 300.0 + 4.0 * n
        states = ("normal", "unacknowledged") if t == 0 else ("unacknowledged", "normal")
        rows.append(("gas_flow.low", "low", *states, back, "Gas flow low"))
    rows.append(("lye_temp.high", "high", "normal", "unacknowledged", 900.0, "Lye temperature high"))
    rows.append(("lye_temp.high", "high", "unacknowledged", "acknowledged", 960.0, "Lye temperature high"))
    rows.append(("lye_temp.high", "high", "acknowledged", "normal", 1300.0, "Lye temperature high"))
    for alarm, priority, before, after, at, cause in sorted(rows, key=lambda r: r[4]):
        store.logbook.alarms.add(
            run_id,
            AlarmTransition(run_id, int(at * 1e9), alarm, before, after, cause, 1.0, ANA, "", priority),
        )


@contextmanager
def _listening(app: FastAPI) -> Iterator[str]:
    config = uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", timeout_graceful_shutdown=1)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + 60
    while not server.started:
        if time.monotonic() > deadline or not thread.is_alive():
            raise RuntimeError("the service did not start")
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        app.state.closing.set()
        server.should_exit = True
        thread.join(timeout=30)


def _always(body: Any) -> Callable[[Route], None]:
    return lambda route: route.fulfill(json=body)


def open_place(browser: Browser, url: str, ids: Mapping[str, str], place: Place, way: Way) -> Page:
    """The page, complete; the caller closes its context."""
    context = browser.new_context(
        viewport={"width": round(way.width / way.zoom), "height": round(900 / way.zoom)},
        device_scale_factor=way.zoom,
        color_scheme=way.scheme,
        forced_colors="active" if way.forced else "none",
    )
    page = context.new_page()
    page.set_default_timeout(120_000)
    for address, body in place.answers.items():
        page.route(address, _always(body))
    page.goto(url + place.path.format(**ids))
    expect(page.locator(place.ready).first).to_be_visible(timeout=120_000)
    for pressed in place.press:
        page.locator(pressed).first.click()
    page.wait_for_load_state("networkidle" if place.path.startswith("/api") else "load")
    return page


@cache
def _axe() -> str:
    return files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


def violations(page: Page) -> list[str]:
    """What axe-core finds, of any impact, a line each; and whether the page runs over its side."""
    page.evaluate(_axe())
    found: list[dict[str, Any]] = page.evaluate("axe.run()")["violations"]
    lines = [
        f"{v['impact']} {v['id']}: {n['html'][:160]} {n['failureSummary'][:300]}"
        for v in found
        for n in v["nodes"]
    ]
    over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return [*lines, *([f"runs {over} px over the side"] if over > 0 else [])]


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw them all."""
    parser = argparse.ArgumentParser(prog="python -m tests.pages.every_page", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="*", default=[place.name for place in PLACES])
    parser.add_argument("--ways", nargs="*", default=[way.name for way in WAYS])
    args = parser.parse_args(arguments)
    args.folder.mkdir(parents=True, exist_ok=True)
    wrong = 0
    with (
        tempfile.TemporaryDirectory() as made,
        served_store(Path(made)) as (url, ids),
        open_chromium() as browser,
    ):
        for place in PLACES:
            for way in WAYS:
                if place.name not in args.only or way.name not in args.ways:
                    continue
                page = open_place(browser, url, ids, place, way)
                page.screenshot(path=args.folder / f"{place.name}-{way.name}.png", full_page=True)
                for words in violations(page):
                    wrong += 1
                    print(f"{place.name} {way.name}: {words}", flush=True)
                page.context.close()
    print(f"{wrong} violations")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
