"""Whole-system tests: lyewatch's own commands as child processes, over real ports, files and sockets."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from daq.bench import Bench, load_bench
from daq.cli.common import STOP_LINE
from daq.examples import example_text
from daq.store import Store

__all__ = ["Command", "lyewatch", "two_port_bench", "wait_until"]

LONG_S = 40.0


def wait_until(true: Callable[[], object], what: str, *, within_s: float = LONG_S) -> None:
    """Poll until something is so."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, f"it did not come about: {what}"
        time.sleep(0.05)


class Command:
    """A running `lyewatch ...`, its standard error collected."""

    def __init__(self, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daq", *arguments, "--until-stdin-closes"],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        self.lines: list[str] = []
        self._reading = threading.Thread(target=self._collect, daemon=True)
        self._reading.start()

    def _collect(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line.decode(errors="replace").rstrip())

    def says(self, pattern: str) -> re.Match[str]:
        """Wait for a line that matches."""
        found: list[re.Match[str]] = []

        def look() -> bool:
            found.extend(m for line in list(self.lines) if (m := re.search(pattern, line)))
            assert found or self.process.poll() is None, "\n".join(self.lines)
            return bool(found)

        wait_until(look, f"{pattern!r} in {self.lines}")
        return found[0]

    def stop(self) -> int:
        """Let it end by itself; its exit status."""
        assert self.process.stdin is not None
        if not self.process.stdin.closed:
            with suppress(OSError):  # it has ended by itself, or was killed
                self.process.stdin.write(STOP_LINE)
                self.process.stdin.flush()
            with suppress(OSError):
                self.process.stdin.close()
        status = self.process.wait(LONG_S)
        self._reading.join(LONG_S)
        assert self.process.stderr is not None
        self.process.stderr.close()
        return status

    def kill(self) -> None:
        """End it as a crash would."""
        self.process.kill()
        self.stop()


@contextmanager
def lyewatch(*arguments: str) -> Iterator[Command]:
    """Run a command for as long as the block lasts."""
    command = Command(*arguments)
    try:
        yield command
    finally:
        if command.process.poll() is None:
            command.stop()


def two_port_bench(folder: Path, head: Path, meter: Path) -> tuple[Bench, Path]:
    """The worked example, its gas flow and room moved to a second port."""
    text = example_text("water_torch").replace("/dev/ttyUSB0", str(head), 1)
    for channel in ("gas_flow", "room_temp", "gas_temp"):
        before, name, after = text.partition(f"[channels.{channel}]\n")
        text = before + name + after.replace('source = "head"', 'source = "meter"', 1)
    text = text.replace(
        "[channels.volts]", f'[sources.meter]\nport = "{meter}"\nrate_hz = 10\n\n[channels.volts]', 1
    )
    file = folder / "bench.toml"
    file.write_text(text, encoding="utf-8")
    return load_bench(file), file


def newest_run(bench: Bench) -> str:
    """The id of the newest run that is or was recorded."""
    with Store(bench.store_folder) as store:
        return max(r.id for r in store.logbook.list_runs(limit=100) if r.kind == "run")
