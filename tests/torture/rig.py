"""`lyewatch up` on a numbered head, its store where a fault can reach it, its page asked over HTTP."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import httpx2 as httpx
import psutil

from daq.errors import LyewatchError
from daq.examples import example_text
from daq.frame import Block
from daq.store import Store
from tests.waiting import wait_until

__all__ = ["LIMIT_C", "Up", "bench_file", "loss_of", "stored"]

LIMIT_C = 65.0
"""Of the worked example: here the reader cuts."""
HOT_C = 70.0
SILENT_S = 5.0
"""A loaded machine stalls: a head may be silent for so long before anything trips."""


def bench_file(folder: Path, link: Path, store: Path, *, seal_every_s: float = 120.0) -> Path:
    """The worked example's bench file, on the head at `link` and the store's folder `store`."""
    text = example_text("water_torch")
    for old, new in (
        ('port = "/dev/ttyUSB0"', f'port = "{link}"'),
        ("silent_after_s = 1.0", f"silent_after_s = {SILENT_S}"),
        ('folder = "lyewatch-data"', f'folder = "{store}"\nseal_every_s = {seal_every_s}'),
    ):
        assert old in text, f"the worked example no longer says {old}"
        text = text.replace(old, new, 1)
    file = folder / "bench.toml"
    file.write_text(text, encoding="utf-8")
    return file


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Up:
    """A running `lyewatch up`, its output collected, and the page that it serves.

    Parameters
    ----------
    bench : Path
        The bench file.
    environment : mapping
        Added to this process's own.
    arguments : sequence of str
        The command in place of `up`.
    """

    def __init__(
        self,
        bench: Path,
        environment: Mapping[str, str] | None = None,
        arguments: Sequence[str] | None = None,
    ) -> None:
        self.port = _free_port()
        self.began_s = time.monotonic()
        command = arguments or ["up", str(bench), "--port", str(self.port)]
        runtime = bench.parent / "run"
        runtime.mkdir(mode=0o700, exist_ok=True)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daq", *command],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={
                **os.environ,
                "PYTHONUNBUFFERED": "1",
                # A machine that tests many benches at once keeps their sockets apart.
                "LYEWATCH_RUNTIME_DIR": str(runtime),
                **(environment or {}),
            },
        )
        self.lines: list[str] = []
        self._reading = threading.Thread(target=self._collect, daemon=True)
        self._reading.start()
        self.http = httpx.Client(base_url=f"http://127.0.0.1:{self.port}", timeout=20.0, trust_env=False)

    def _collect(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line.decode(errors="replace").rstrip())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def child(self, name: str) -> psutil.Process | None:
        """The reader ("read") or the service ("serve")."""
        with suppress(psutil.Error):
            for child in psutil.Process(self.process.pid).children():
                with suppress(psutil.Error):
                    if name in child.cmdline():
                        return child
        return None

    def wait_child(
        self, name: str, *, other_than: int | None = None, within_s: float = 20.0
    ) -> psutil.Process:
        """The child, once there is one whose process id is another."""

        def look() -> psutil.Process | None:
            found = self.child(name)
            return found if found is not None and found.pid != other_than else None

        found = wait_until(look, f"a child {name}", timeout_s=within_s, poll_s=0.005)
        assert found is not None
        return found

    def ask(self, method: str, path: str, body: Any = None, *, timeout_s: float = 20.0) -> tuple[int, Any]:
        """What the page's API answers: status and body; status 0 when nobody answers."""
        try:
            answer = self.http.request(method, path, json=body, timeout=timeout_s)
        except httpx.HTTPError as exc:
            return 0, repr(exc)
        try:
            return answer.status_code, answer.json()
        except ValueError:
            return answer.status_code, answer.text

    def wait_served(self, within_s: float = 40.0) -> bool:
        """Whether the service answers, and follows the reader, within that time."""
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            status, answer = self.ask("GET", "/api/state", timeout_s=3.0)
            if status == 200 and answer["data"]["state"] == "fresh":
                return True
            time.sleep(0.05)
        return False

    def standing(self) -> set[str]:
        """Which alarms the page shows; empty when it says nothing."""
        status, answer = self.ask("GET", "/api/alarms", timeout_s=3.0)
        return {a["alarm"] for a in answer["standing"]} if status == 200 else set()

    def impaired(self) -> str | None:
        """What the page says of a recording that is impaired; None when it is not, or nothing is heard."""
        status, answer = self.ask("GET", "/api/state", timeout_s=3.0)
        return answer.get("impaired") if status == 200 else None

    def stop(self, within_s: float = 60.0) -> None:
        """End it as a person would; what does not end is ended."""
        self.http.close()
        children = [c for c in (self.child("read"), self.child("serve")) if c is not None]
        for child in children:
            with suppress(psutil.Error):
                child.send_signal(signal.SIGCONT)
        with suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(within_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10.0)
        _, left = psutil.wait_procs(children, timeout=20.0)
        for child in left:
            with suppress(psutil.Error):
                child.kill()
        self._close()

    def kill(self) -> None:
        """Kill `up` itself, and wait until its children have gone with it."""
        self.http.close()
        children = [c for c in (self.child("read"), self.child("serve")) if c is not None]
        self.process.kill()
        self.process.wait(10.0)
        psutil.wait_procs(children, timeout=60.0)
        self._close()

    def _close(self) -> None:
        self._reading.join(20.0)
        for stream in (self.process.stdin, self.process.stderr):
            if stream is not None:
                with suppress(OSError):
                    stream.close()


def stored(folder: Path) -> dict[str, list[int]]:
    """The sequence numbers of the head's samples in a store, by run, in the order of time."""
    with Store(folder) as store:
        found: dict[str, list[int]] = {}
        for record in store.logbook.list_runs(limit=10_000):
            try:
                blocks: Mapping[str, Block] = store.read(record.id)
            except LyewatchError as exc:
                raise AssertionError(f"run {record.id} can not be read: {exc}") from exc
            if "head" in blocks:
                found[record.id] = blocks["head"].seq.tolist()
        return found


def loss_of(wanted: Iterable[int], runs: Mapping[str, list[int]]) -> tuple[list[int], list[int]]:
    """Which of the wanted numbers no run has, and which numbers there are twice."""
    count = Counter(seq for seqs in runs.values() for seq in seqs)
    return [seq for seq in wanted if seq not in count], [seq for seq, n in count.items() if n > 1]
