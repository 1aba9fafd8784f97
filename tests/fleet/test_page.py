"""The page of all benches in a real browser: the worst first, and every value of one bench with its unit."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson
import pytest
import uvicorn
from playwright.sync_api import Page, expect

from daq.broker import Topics
from daq.fleet import load_fleet
from daq.fleet.app import create_fleet_app
from daq.fleet.digest import Digest, digest_topic
from daq.fleet.series import Series
from tests.fleet.test_overview import batch
from tests.waiting import wait_until

pytestmark = pytest.mark.browser


def last_minutes(*_: Any, **__: Any) -> dict[str, Any]:
    """What the server of samples would say."""
    t = [600.0 * k / 99 for k in range(100)]
    return {
        "channels": {"volts": {"utc_s": t, "lo": [11.8 + k / 200 for k in range(100)], "hi": [12.6] * 100}}
    }


@pytest.fixture
def address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """The real service; no broker and no server of samples behind it."""
    monkeypatch.setattr(Series, "last", last_minutes)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        nobody = free.getsockname()[1]
    (tmp_path / "fleet.toml").write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = {nobody}\ntls = false\n'
        f'[influxdb]\nurl = "http://127.0.0.1:{nobody}"\nbucket = "b"\norg = "o"\n',
        encoding="utf-8",
    )
    app = create_fleet_app(load_fleet(tmp_path / "fleet.toml"))
    digest = Digest()
    for name in ("torch-1", "torch-2"):
        digest.add(batch(name, 1, volts=12.34))
    payload = digest.take()
    assert payload is not None
    app.state.overview.hear(digest_topic("lyewatch", "1"), payload)
    alarm = {
        "alarm": "lye_temp.high",
        "title": "Lye too hot",
        "priority": "critical",
        "state": "unacknowledged",
    }
    document = {"v": 1, "run": None, "count": {"standing": 1}, "alarms": [alarm]}
    app.state.overview.hear(Topics("torch-2").of("alarms"), orjson.dumps(document))
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    wait_until(lambda: server.started, "the service to start", timeout_s=60)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join(timeout=30)


def test_the_worst_bench_leads_and_opens_with_its_units(page: Page, address: str) -> None:
    page.goto(address)
    rows = page.locator("#bench-rows tr")
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text("torch-2")
    expect(rows.first).to_contain_text("Lye too hot")
    expect(page.locator("body")).to_contain_text("cuts no supply and guards nothing")
    rows.first.get_by_role("link").click()
    expect(page.locator("#one-name")).to_have_text("torch-2")
    expect(page.locator("#one-alarms")).to_have_text("Lye too hot")
    expect(page.locator("#one-values")).to_contain_text("12.3\u202fV")
    expect(page.locator("#one-charts figcaption")).to_have_text("volts 11.8 to 12.6\u202fV")
