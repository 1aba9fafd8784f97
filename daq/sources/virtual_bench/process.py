"""A virtual bench as a child process: for the demo, and for tests that want real ports and real processes."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from daq.errors import PortError
from daq.sources.virtual_bench.serve import has_pty

__all__ = ["VirtualBenchProcess"]

_START_S = 30.0
_END_S = 5.0


class VirtualBenchProcess:
    """Starts ``python -m daq.sources.virtual_bench`` and ends it; a context manager.

    Parameters
    ----------
    scenario : str or path
        Name or TOML file.
    seed : int
    speed : float
        Seconds of the bench for each on the clock.
    link, meter_link : path, optional
        Symbolic links for the ports, see `PtyPort`; left out where there are no pseudo-terminals, so that the
        same call runs anywhere. Open what `port` says.
    meter : bool
        Whether there is a separate meter.
    tcp : int, optional
        Serve over TCP, from this port; 0 takes a free one.
    faults : sequence of str
        Events to come, as ``unplug@60+5``.
    more : sequence of str
        Further arguments of the command.

    Attributes
    ----------
    port : str
        What a reader of the head opens.
    ports : dict of str to str
        The same by the device's name.
    """

    def __init__(
        self,
        scenario: str | Path = "runaway",
        *,
        seed: int = 1,
        speed: float = 1.0,
        link: str | Path | None = None,
        meter: bool = False,
        meter_link: str | Path | None = None,
        tcp: int | None = None,
        faults: Sequence[str] = (),
        more: Sequence[str] = (),
    ) -> None:
        command = [sys.executable, "-m", "daq.sources.virtual_bench", "--scenario", str(scenario)]
        command += ["--seed", str(seed), "--speed", str(speed)]
        linked = has_pty()
        command += ["--link", str(link)] if link is not None and linked else []
        command += ["--meter"] if meter or meter_link is not None else []
        command += ["--meter-link", str(meter_link)] if meter_link is not None and linked else []
        command += ["--tcp", str(tcp)] if tcp is not None else []
        for fault in faults:
            command += ["--fault", fault]
        self._command = [*command, *more]
        self._process: subprocess.Popen[str] | None = None
        self.port = ""
        self.ports: dict[str, str] = {}

    @property
    def pid(self) -> int:
        """The child's process id."""
        return self._child.pid

    @property
    def running(self) -> bool:
        """Whether the child lives."""
        return self._process is not None and self._process.poll() is None

    @property
    def _child(self) -> subprocess.Popen[str]:
        if self._process is None:
            raise PortError("the virtual bench has not been started", remedy="call start() first")
        return self._process

    def start(self) -> Self:
        """Start, and wait until the ports can be opened.

        Raises
        ------
        PortError
            The child ended or said nothing; its own words went to standard error.
        """
        self._process = subprocess.Popen(
            self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
        )
        first: queue.SimpleQueue[str] = queue.SimpleQueue()
        out = self._process.stdout
        assert out is not None  # a pipe was asked for
        threading.Thread(target=lambda: first.put(out.readline()), daemon=True).start()
        try:
            line = first.get(timeout=_START_S)
            hello: dict[str, Any] = json.loads(line)
        except (queue.Empty, json.JSONDecodeError):
            self.stop()
            raise PortError(
                "the virtual bench did not start",
                place=" ".join(self._command),
                value=self._process.returncode,
            ) from None
        self.port, self.ports = hello["port"], hello["ports"]
        return self

    def happen(self, event: str) -> None:
        """Let an event happen, now where it names no time, as ``unplug+5`` or ``volts=14``."""
        pipe = self._child.stdin
        assert pipe is not None  # a pipe was asked for
        try:
            pipe.write(event + "\n")
            pipe.flush()
        except (OSError, ValueError) as error:
            raise PortError(f"the virtual bench has ended: {error}", place=event) from None

    def stop(self) -> int:
        """End the child, politely and then not; returns its exit status."""
        child = self._child
        if child.stdin is not None and not child.stdin.closed:
            try:
                child.stdin.close()
            except OSError:  # it has ended already
                child.poll()
        try:
            status = child.wait(_END_S)
        except subprocess.TimeoutExpired:
            child.kill()
            status = child.wait(_END_S)
        if child.stdout is not None:
            child.stdout.close()
        return status

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
