"""A bench on a pseudo-terminal, with a reader in a thread and the service's application beside it."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import pytest
from starlette.testclient import TestClient

from daq.bench import Bench, load_bench
from daq.examples import example_text
from daq.reader import Reader
from daq.service import create_app
from daq.store import Store
from tests.documented import DocumentedClient
from tests.reader.device import PtyDevice

__all__ = ["Rig"]

LONG_S = 60.0
SILENT_S = 5.0

T = TypeVar("T")


@pytest.fixture
def device(tmp_path: Path) -> PtyDevice:
    return PtyDevice(tmp_path / "port")


@pytest.fixture
def tables() -> str:
    """What is added to the bench file; a module may have its own."""
    return ""


@pytest.fixture
def bench(tmp_path: Path, device: PtyDevice, tables: str) -> Bench:
    text = example_text("water_torch").replace("/dev/ttyUSB0", str(device.link), 1)
    text = text.replace("port = 8737", "port = 8737\nwindow_s = 2", 1) + f"\n{tables}\n"
    # A loaded machine stalls for seconds; only the tests of silence may see any.
    text = text.replace("silent_after_s = 1.0", f"silent_after_s = {SILENT_S}", 1)
    text = re.sub(r"(\[channels\.\w+\])", rf"\1\nstale_after_s = {SILENT_S}", text)
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    return load_bench(tmp_path / "bench.toml")


class Rig:
    """Talking device, reader and service."""

    def __init__(self, bench: Bench, device: PtyDevice, client: TestClient) -> None:
        self.bench = bench
        self.device = device
        self.client = client
        self.fields: dict[str, float] = {"flow": 0.6, "room": 21.0, "gastemp": 22.0, "watts": 96.0}
        self.store = Store(bench.store_folder)
        self._stop = threading.Event()
        self._stop_reader = threading.Event()
        reader = Reader(bench, lambda: Store(bench.store_folder, writer=True))
        self._reading = threading.Thread(target=reader.serve, args=(self._stop_reader,))
        self._talking = threading.Thread(target=self._talk, daemon=True)
        self._again: TestClient | None = None
        self._reading.start()
        self._talking.start()

    def _talk(self) -> None:
        while not self._stop.wait(0.05):
            self.device.say(step_ms=50, **self.fields)

    def get(self, path: str, **params: Any) -> Any:
        """JSON of a GET that must succeed."""
        answer = self.client.get(path, params=params)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def health(self) -> dict[str, Any]:
        """What the service says of its health; with 503 where a part of it, or the reader, is away."""
        answer = self.client.get("/api/health")
        assert answer.status_code in (200, 503), answer.text
        body: dict[str, Any] = answer.json()
        return body

    def post(self, path: str, body: dict[str, Any], *, status: int = 200) -> Any:
        """JSON of a POST that must end in `status`."""
        answer = self.client.post(path, json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def until(self, true: Callable[[], T], what: str) -> T:
        """Poll until something is so; what it then was."""
        end = time.monotonic() + LONG_S
        while not (value := true()):
            assert time.monotonic() < end, f"it did not come about: {what}"
            time.sleep(0.05)
        return value

    def recording(self) -> str:
        """Wait for a run that the watch has taken up; its id.

        A service that ends before that has kept nothing of the watch, and the next one begins with the run.
        """
        self.until(lambda: self.get("/api/recent")["assessments"], "a first tick")
        return str(self.get("/api/state")["run"]["id"])

    def last_kept(self, channel: str) -> float:
        """What the newest sample in the store says of a channel."""
        block = self.store.tail(self.store.last_id() - 1)[-1].block
        return float(block.values[channel][-1])

    @contextmanager
    def away(self) -> Iterator[None]:
        """Stop the service for as long as the block lasts, then start another."""
        self.client.__exit__(None, None, None)
        yield
        self.client = self._again = DocumentedClient(create_app(self.bench), base_url="http://127.0.0.1:8737")
        self.client.__enter__()

    def restart(self) -> None:
        """Stop the service and start another."""
        with self.away():
            pass

    def stop_reader(self) -> None:
        """Stop the reader; the device talks on."""
        self._stop_reader.set()
        self._reading.join(LONG_S)

    def close(self) -> None:
        """Stop all."""
        self.stop_reader()
        self._stop.set()
        self._talking.join(LONG_S)
        self.store.close()
        if self._again is not None:
            self._again.__exit__(None, None, None)


@pytest.fixture
def client(bench: Bench) -> Iterator[TestClient]:
    with DocumentedClient(create_app(bench), base_url="http://127.0.0.1:8737") as made:
        yield made


@pytest.fixture
def rig(bench: Bench, device: PtyDevice, client: TestClient) -> Iterator[Rig]:
    made = Rig(bench, device, client)
    yield made
    made.close()
