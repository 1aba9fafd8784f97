"""A publisher that dies is begun anew and told; the service, its alarms and its page go on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from daq.bench import Bench
from daq.service import create_app
from daq.service.publisher import Publisher
from tests.documented import DocumentedClient
from tests.service.fake_reader import FakeReader
from tests.waiting import wait_until


@pytest.fixture
def tables(free_ports: Callable[[], int]) -> str:
    return f'[broker]\nhost = "127.0.0.1"\nport = {free_ports()}\nbench_id = "torch-1"\n'


def fail(*_args: Any) -> Any:
    raise ZeroDivisionError("float division by zero")


def test_a_publisher_that_dies_is_an_alarm_and_begun_anew(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs: list[str] = []

    def run(publisher: Publisher) -> None:
        runs.append("begun")
        if len(runs) == 1:
            fail()
        publisher._stopping.wait(60.0)

    monkeypatch.setattr(Publisher, "_run", run)
    reader = FakeReader(bench)
    reader.talk()
    try:
        with DocumentedClient(
            create_app(bench, connect=reader.connect), base_url="http://127.0.0.1:8737"
        ) as client:

            def standing() -> dict[str, str]:
                return {a["alarm"]: a["state"] for a in client.get("/api/state").json()["standing"]}

            wait_until(lambda: "publish.failed" in standing(), "the alarm", timeout_s=60.0)
            wait_until(lambda: len(runs) == 2, "the next")
            health = client.get("/api/health")
            assert health.status_code == 503
            assert "ZeroDivisionError" in health.json()["troubles"]["publishing"]
            assert client.get("/api/state").json()["data"]["state"] == "fresh"
    finally:
        reader.stop()


def test_one_that_can_not_even_begin_ends_no_service(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Publisher, "_open_outbox", fail)
    reader = FakeReader(bench)
    reader.talk()
    try:
        with DocumentedClient(
            create_app(bench, connect=reader.connect), base_url="http://127.0.0.1:8737"
        ) as client:
            wait_until(lambda: "publishing" in client.get("/api/health").json()["troubles"], "it to be told")
            assert client.get("/api/health").json()["publishing"]["state"] == "failed"
            wait_until(lambda: client.get("/api/state").json()["data"]["state"] == "fresh", "data")
    finally:
        reader.stop()
