"""`lyewatch up` with its children and itself killed: how soon they are back, and that the run stays one."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest

from daq.bench import Bench, load_bench
from daq.examples import example_text
from daq.reader import ChannelAddress, ChannelClient
from daq.store import Store
from tests.bench.rig import LONG_S, wait_until
from tests.reader.device import PtyDevice

BACK_WITHIN_S = float(os.environ.get("LYEWATCH_BACK_WITHIN_S", "20"))
"""A machine that runs tests is loaded; an idle one keeps the two seconds that are wanted."""


class Up:
    """A running `lyewatch up`, a talking device, and an ear on the reader."""

    def __init__(self, file: Path, bench: Bench, port: int) -> None:
        self.file, self.bench, self.port = file, bench, port
        self.log = file.with_suffix(".log")
        self.pids: list[int] = []
        self._ear = ChannelClient(ChannelAddress.of(bench), self._hear)
        self._ear.start()
        self.process = self._started()

    def _started(self) -> subprocess.Popen[bytes]:
        with self.log.open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "daq", "up", str(self.file), "--port", str(self.port)],
                stdout=log,
                stderr=log,
                stdin=subprocess.DEVNULL,
            )

    def _hear(self, message: dict[str, Any]) -> None:
        if message["type"] == "hello":
            self.pids.append(int(message["pid"]))

    def another(self) -> None:
        """Start it again, as systemd does."""
        self.process = self._started()

    def get(self, path: str) -> Any:
        """JSON of the service; None while it does not answer."""
        try:
            return httpx.get(f"http://127.0.0.1:{self.port}{path}", timeout=5.0).json()
        except (httpx.HTTPError, ValueError):
            return None

    def fresh(self) -> bool:
        """Whether the page has data."""
        state = self.get("/api/state")
        return state is not None and state["data"]["state"] == "fresh"

    def close(self) -> None:
        """End all of it."""
        self._ear.close()
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        self.process.wait(LONG_S)


@contextmanager
def talking(device: PtyDevice) -> Iterator[None]:
    """The device says a frame ten times a second."""
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(0.1):
            device.say(step_ms=100, flow=0.6, room=21.0, gastemp=22.0, watts=96.0)

    thread = threading.Thread(target=talk, daemon=True)
    thread.start()
    yield
    stop.set()
    thread.join()


@pytest.fixture
def up(tmp_path: Path, free_port: int) -> Iterator[Up]:
    device = PtyDevice(tmp_path / "head")
    text = example_text("water_torch").replace("/dev/ttyUSB0", str(device.link), 1)
    text = re.sub(r"silent_after_s = [\d.]+", "silent_after_s = 5.0", text)
    file = tmp_path / "bench.toml"
    file.write_text(text, encoding="utf-8")
    with talking(device):
        made = Up(file, load_bench(file), free_port)
        try:
            wait_until(made.fresh, "data", within_s=LONG_S)
            yield made
        finally:
            made.close()


def runs(bench: Bench) -> list[tuple[str, bool]]:
    """The runs that there are, and whether each is open."""
    with Store(bench.store_folder) as store:
        return [(r.id, r.ended_ns is None) for r in store.logbook.list_runs(limit=100) if r.kind == "run"]


def test_a_killed_reader_is_back_three_times_and_goes_on_with_its_run(up: Up) -> None:
    (before,) = runs(up.bench)
    for _ in range(3):
        pid, heard = up.pids[-1], len(up.pids)
        killed_s = time.monotonic()
        os.kill(pid, signal.SIGKILL)
        wait_until(lambda n=heard: len(up.pids) > n, "the next reader")  # type: ignore[misc]
        back_s = time.monotonic() - killed_s
        print(f"\nreader killed; the next one is heard after {back_s:.2f} s")
        assert back_s < BACK_WITHIN_S
        wait_until(up.fresh, "data again")
    assert runs(up.bench) == [before]
    assert "the reader ended with status -9" in up.log.read_text(errors="replace")


def test_a_killed_service_is_back(up: Up) -> None:
    children = subprocess.run(
        ["ps", "-o", "pid=,args=", "--ppid", str(up.process.pid)], capture_output=True, text=True, check=True
    ).stdout
    found = re.search(r"(\d+) .* serve ", children)
    assert found is not None, children
    killed_s = time.monotonic()
    os.kill(int(found[1]), signal.SIGKILL)
    wait_until(lambda: up.get("/api/state") is None, "it to be gone")
    wait_until(up.fresh, "the page again")
    print(f"\nservice killed; the page has data again after {time.monotonic() - killed_s:.2f} s")


def test_when_up_itself_is_killed_the_run_stays_one(up: Up) -> None:
    (before,) = runs(up.bench)
    for _ in range(2):
        heard = len(up.pids)
        up.process.kill()
        up.process.wait(LONG_S)
        up.another()
        wait_until(lambda n=heard: len(up.pids) > n, "the next reader")  # type: ignore[misc]
        wait_until(up.fresh, "data again")
        assert runs(up.bench) == [before]
    assert f"run {before[0]} stays open" in up.log.read_text(errors="replace")
    up.process.send_signal(signal.SIGTERM)
    up.process.wait(LONG_S)
    assert runs(up.bench) == [(before[0], False)], "told to stop, it ends the run"
