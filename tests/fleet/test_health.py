"""The overview's own health: a link that dies ends the service with its cause."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daq.cli.serve import serve_app
from daq.fleet import app as fleet_app
from daq.fleet import load_fleet
from daq.fleet.app import create_fleet_app
from daq.fleet.listener import Listener
from daq.fleet.overview import Overview
from daq.fleet.settings import Fleet
from tests.documented import DocumentedClient
from tests.waiting import wait_until


@pytest.fixture
def fleet(tmp_path: Path, free_ports: Callable[[], int]) -> Fleet:
    """A fleet whose broker is not there."""
    nobody = free_ports()
    file = tmp_path / "fleet.toml"
    file.write_text(
        f'[broker]\nhost = "127.0.0.1"\nport = {nobody}\n[influxdb]\nurl = "http://127.0.0.1:{nobody}"\n',
        encoding="utf-8",
    )
    return load_fleet(file)


@pytest.fixture
def listeners(monkeypatch: pytest.MonkeyPatch) -> list[Listener]:
    """The listeners that are made."""
    made: list[Listener] = []

    class Kept(Listener):
        def __init__(self, *args: Any) -> None:
            super().__init__(*args)
            made.append(self)

    monkeypatch.setattr(fleet_app, "Listener", Kept)
    return made


def test_a_broker_that_is_away_is_impaired_and_a_dead_link_is_a_failure(
    fleet: Fleet, listeners: list[Listener]
) -> None:
    with DocumentedClient(create_fleet_app(fleet), base_url="http://127.0.0.1:8738") as client:
        answer = client.get("/api/health")
        assert (answer.status_code, answer.json()["status"]) == (503, "impaired")
        state = client.app.state  # type: ignore[attr-defined]
        assert state.failure is None
        listeners[0]._client.loop_stop()
        wait_until(lambda: state.failure, "the failure")
        answer = client.get("/api/health")
        assert (answer.status_code, answer.json()["status"]) == (503, "failed")
        assert "link to the broker has died" in answer.json()["why"]


def test_a_dead_link_ends_the_command(
    fleet: Fleet, listeners: list[Listener], free_port: int, capfd: pytest.CaptureFixture[str]
) -> None:
    app = create_fleet_app(fleet)
    real = Listener.start

    def start(self: Listener) -> None:
        real(self)
        self._client.loop_stop()

    patch = pytest.MonkeyPatch()
    patch.setattr(Listener, "start", start)
    try:
        assert serve_app(app, "127.0.0.1", free_port, until_stdin_closes=False) == 1
    finally:
        patch.undo()
    assert "the service ends: the overview's link to the broker has died" in capfd.readouterr().err


def test_a_message_that_fails_ends_no_thread(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    overview = Overview(stale_after_s=5.0, prefix=fleet.broker.prefix)
    listener = Listener(fleet, overview)

    def fail(_topic: str, _payload: bytes) -> None:
        raise ZeroDivisionError

    class Message:
        topic, payload = "lyewatch/a/about", b"{}"

    monkeypatch.setattr(overview, "hear", fail)
    on_message: Any = listener._client.on_message
    on_message(None, None, Message())
    assert listener.faults == 1
