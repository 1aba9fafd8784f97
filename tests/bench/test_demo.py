"""The whole job as a newcomer meets it: `lyewatch demo`, its page in a real browser, the trip, the review."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page

from daq.bench import load_bench
from daq.store import Store
from tests.bench.rig import wait_until

LONG_S = 90.0


def _lyewatch(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "daq", *arguments], capture_output=True, text=True, timeout=LONG_S, check=False
    )


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_demo_from_its_start_to_the_review(tmp_path: Path, page: Page, free_port: int) -> None:
    folder = tmp_path / "demo"
    log = (tmp_path / "demo.log").open("w")
    flags = [
        "--speed",
        "30",
        "--no-browser",
        "--folder",
        str(folder),
        "--port",
        str(free_port),
    ]
    demo = subprocess.Popen(
        [sys.executable, "-m", "daq", "demo", *flags],
        stdout=log,
        stderr=subprocess.STDOUT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    began = time.monotonic()
    try:
        _open(page, f"http://127.0.0.1:{free_port}/")
        chart = page.locator("canvas").first
        chart.wait_for(timeout=LONG_S * 1000)
        opened = time.monotonic() - began
        before = chart.screenshot()
        _until(page, lambda: chart.screenshot() != before, "the trends move")
        moved = time.monotonic() - began
        print(f"\npage after {opened:.1f} s, trends moving after {moved:.1f} s")
        _until(page, lambda: "Simulated bench" in _text(page), "it is said that nothing of it is real")
        _until(page, lambda: "near its limit" in _text(page), "the warning")
        _until(page, lambda: "temperature high" in _text(page), "the over-temperature alarm")
        _until(page, lambda: "Supply was cut by a trip" in _text(page), "the trip")
        _until(page, lambda: "65 °C" in _text(page), "the trip says its limit")
        _until(page, lambda: "has cut the supply by itself" in _text(page), "what one is seeing")
        page.goto(f"http://127.0.0.1:{free_port}/runs", wait_until="load")
        _until(page, lambda: "A: plates as cut, 20" in _text(page), "the run is listed")
        page.goto(f"http://127.0.0.1:{free_port}/", wait_until="load")
        lye = page.locator("#now-row-temp .now-value")
        _until(page, lambda: float(lye.inner_text().replace("–", "inf")) < 59.0, "it cools")
        demo.terminate()
        assert demo.wait(LONG_S) == 0
    finally:
        if demo.poll() is None:
            demo.terminate()
            demo.wait(LONG_S)
        log.close()
    text = (tmp_path / "demo.log").read_text()
    assert "lyewatch review" in text
    assert "fan stops after 90 s" in text, "what will happen"
    # What came before may be over when the service is there: it is slow to come on a machine under load.
    assert "has cut the supply by itself" in " ".join(text.split())
    bench_file = str(folder / "bench.toml")

    reviewed = _lyewatch(
        "review", "latest", "--bench", bench_file, "--json", "--html", str(tmp_path / "r.html")
    )
    assert reviewed.returncode == 0, reviewed.stderr
    review = json.loads(reviewed.stdout)
    assert review["schema"] == "lyewatch.review/1"
    assert "<script" not in (tmp_path / "r.html").read_text()
    words = _lyewatch("review", "latest", "--bench", bench_file)
    assert words.returncode == 0, words.stderr
    assert "65" in words.stdout

    bench = load_bench(bench_file)
    with Store(bench.store_folder) as store:
        record = next(r for r in store.logbook.list_runs(limit=10) if r.kind == "run")
        head = store.read(record.id)["head"]
        transitions = {t.alarm for t in store.logbook.alarms.transitions(record.id)}
    assert {"lye_temp.warn", "lye_temp.high", "lye_temp.trip", "supply.tripped"} <= transitions
    opened_at = int((head.values["relay"] < 0.5).argmax())
    assert head.values["relay"][opened_at] == 0.0
    peak = head.values["lye_temp"].max()
    assert 65.0 <= peak < 68.0
    assert head.values["lye_temp"][-1] < 60.0, "it cools once the relay is open"
    listed = _lyewatch("runs", "--bench", bench_file, "--json")
    assert json.loads(listed.stdout)[0]["id"] == record.id
    table = _lyewatch("export", record.id, str(tmp_path / "run.csv"), "--bench", bench_file)
    assert table.returncode == 0, table.stderr
    again = _lyewatch("import", str(tmp_path / "run.csv"), "--bench", bench_file, "--json")
    assert again.returncode == 0, again.stderr
    assert json.loads(again.stdout)["rows"] == len(head)


def _open(page: Page, url: str) -> None:
    from playwright.sync_api import Error

    end = time.monotonic() + LONG_S
    while True:
        try:
            page.goto(url, wait_until="load")
            return
        except Error:
            assert time.monotonic() < end, "the page never came"
            time.sleep(0.2)


def _text(page: Page) -> str:
    return page.locator("body").inner_text()


def _until(page: Page, true: Callable[[], object], what: str) -> None:
    def look() -> bool:
        page.wait_for_timeout(50)  # lets the page's own events through
        return bool(true())

    wait_until(look, what, within_s=LONG_S)
