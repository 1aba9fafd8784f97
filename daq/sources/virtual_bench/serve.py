"""Serving a virtual bench: its devices on ports that any program opens, in real time or faster."""

from __future__ import annotations

import math
import queue
import select
import socket
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from daq.errors import LyewatchError, PortError
from daq.sources.virtual_bench.bench import VirtualBench
from daq.sources.virtual_bench.device import FRAME_S
from daq.sources.virtual_bench.events import Event
from daq.sources.virtual_bench.ports import ServedPort, TcpPort

__all__ = ["BenchServer", "has_pty", "serve"]

_SHORTEST_WAIT_S = 0.02  # at high speed frames go out a few at a time: waking for each would cost a core
_MOST_LATE_S = 0.5  # after a stall of the machine the bench goes on from there and does not sprint
_STOP_S = 5.0
_MOST_READS = 16  # a host that never stops talking must not stop the bench's clock


def has_pty() -> bool:
    """Whether this system has pseudo-terminals."""
    try:
        import pty  # noqa: F401 - POSIX only, so asked for here and nowhere else
        import termios  # noqa: F401
    except ImportError:
        return False
    return True


class BenchServer:
    """Runs a bench against the clock and carries bytes between its devices and their ports.

    Parameters
    ----------
    bench : VirtualBench
    links : mapping of str to path, optional
        Symbolic link for each device, by name. Only with pseudo-terminals.
    tcp : mapping of str to int, optional
        TCP port for each device that is to be served so, by name; 0 takes a free one. A device named in
        neither gets a pseudo-terminal, or where there are none a free TCP port.
    speed : float
        Seconds of the bench's own time for each second of the clock.
    duration_s : float
        Ends by itself after so much of the bench's own time [s], at the frame before.

    Attributes
    ----------
    addresses : dict of str to str
        What a reader opens, by the device's name.
    late_s : float
        Time of the clock that was given up because the machine could not keep the speed [s].
    """

    def __init__(
        self,
        bench: VirtualBench,
        *,
        links: Mapping[str, str | Path] | None = None,
        tcp: Mapping[str, int] | None = None,
        speed: float = 1.0,
        duration_s: float = math.inf,
    ) -> None:
        if not (0.0 < speed <= 1000.0):
            raise LyewatchError("the speed is not above 0 and at most 1000", place="speed", value=speed)
        self.bench = bench
        self.speed = speed
        self.duration_s = duration_s
        self.late_s = 0.0
        self.error: BaseException | None = None
        self._ports: dict[str, ServedPort] = {}
        self._asked: queue.SimpleQueue[Event | str] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._wake_in, self._wake_out = socket.socketpair()
        for end in (self._wake_in, self._wake_out):
            end.setblocking(False)
        try:
            for name in bench.devices:
                self._ports[name] = _make_port((links or {}).get(name), (tcp or {}).get(name))
        except LyewatchError:
            self._give_back()
            raise

    @property
    def addresses(self) -> dict[str, str]:
        """What a reader opens, by the device's name."""
        return {name: port.address for name, port in self._ports.items()}

    @property
    def port(self) -> str:
        """What a reader of the head opens."""
        return self._ports["head"].address

    @property
    def dropped(self) -> dict[str, int]:
        """Lines dropped because a reader was too slow, by the device's name."""
        return {name: port.dropped for name, port in self._ports.items()}

    def happen(self, event: Event | str) -> None:
        """Let an event happen, now where it names no time. From any thread."""
        self._asked.put(event)
        self._wake()

    def start(self) -> Self:
        """Run in a thread of its own; does nothing when it runs already."""
        if self._thread is not None:
            return self
        self._thread = threading.Thread(target=self._run_kept, name="virtual-bench", daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        """Stop, from any thread or signal handler; `close` waits for it."""
        self._stopping.set()
        self._wake()

    def close(self) -> None:
        """Stop, wait and give the ports back; raises what ended the bench, if something did."""
        self.stop()
        if self._thread is not None:
            self._thread.join(_STOP_S)
        else:
            self._give_back()
        if self.error is not None:
            raise self.error

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def run(self) -> None:
        """Run in this thread until `stop`, or until the duration is over."""
        try:
            started = time.monotonic() - self.bench.elapsed_s / self.speed
            while not self._stopping.is_set() and self.duration_s - self.bench.elapsed_s > FRAME_S - 1e-6:
                started += self._catch_up(started)
                self._carry()
                self._wait(started)
        finally:
            self._give_back()

    def _run_kept(self) -> None:
        try:
            self.run()
        except BaseException as error:  # noqa: BLE001 - kept for `close`, which raises it where it is heard
            self.error = error

    def _catch_up(self, started: float) -> float:
        """Advance the bench to now; returns by how much the clock is to be shifted [s]."""
        while True:
            try:
                self.bench.schedule(self._asked.get_nowait())
            except queue.Empty:
                break
            except LyewatchError as error:
                self._complain(error)
        behind = time.monotonic() - started - self.bench.elapsed_s / self.speed
        slipped = max(behind - max(_MOST_LATE_S, 2.0 * FRAME_S / self.speed), 0.0)
        self.late_s += slipped
        left = min((behind - slipped) * self.speed, self.duration_s - self.bench.elapsed_s)
        frames = math.floor(left / FRAME_S + 1e-6)
        if frames > 0:
            self.bench.advance(frames * FRAME_S)
        return slipped

    def _complain(self, error: LyewatchError) -> None:
        print(f"virtual bench: {error}", file=sys.stderr, flush=True)

    def _carry(self) -> None:
        for name, device in self.bench.devices.items():
            port = self._ports[name]
            if self.bench.plugged[name]:
                port.plug()
            else:
                port.unplug()
            for _ in range(_MOST_READS):
                if not (data := port.read()):
                    break
                device.feed(data)
            port.write(device.take_output())

    def _wait(self, started: float) -> None:
        due = started + (self.bench.elapsed_s + FRAME_S) / self.speed
        wait = max(due - time.monotonic(), _SHORTEST_WAIT_S if self.speed > 1.0 else 0.0)
        watched: list[socket.socket | int] = [self._wake_out]
        for port in self._ports.values():
            watched.extend(port.watch())
        ready, _, _ = select.select(watched, [], [], wait)
        if self._wake_out in ready:
            try:
                self._wake_out.recv(64)
            except BlockingIOError:
                return

    def _wake(self) -> None:
        try:
            self._wake_in.send(b"!")
        except OSError:  # full, and so awake already; or closed, and so over
            return

    def _give_back(self) -> None:
        for port in self._ports.values():
            port.close()
        self._wake_in.close()
        self._wake_out.close()


def serve(
    bench: VirtualBench,
    link: str | Path | None = None,
    *,
    speed: float = 1.0,
    duration_s: float = math.inf,
    tcp: int | None = None,
) -> BenchServer:
    """Serve a bench's head, and its meter if it has one, from a thread; a context manager.

    Parameters
    ----------
    bench : VirtualBench
    link : path, optional
        Symbolic link that keeps pointing at the head's pseudo-terminal.
    speed, duration_s
        As `BenchServer`.
    tcp : int, optional
        Serve over TCP, the head on this port (0 takes a free one) and the meter on a free one.

    Returns
    -------
    BenchServer
        Running; its `port` is what a reader opens.
    """
    numbers = {} if tcp is None else {name: tcp if name == "head" else 0 for name in bench.devices}
    links = {} if link is None else {"head": link}
    return BenchServer(bench, links=links, tcp=numbers, speed=speed, duration_s=duration_s).start()


def _make_port(link: str | Path | None, tcp: int | None) -> ServedPort:
    if tcp is None and has_pty():
        from daq.sources.virtual_bench.pty_port import PtyPort  # POSIX only

        return PtyPort(link)
    if link is not None:
        raise PortError(
            "a link needs a pseudo-terminal",
            place=str(link),
            remedy="leave out the link, or serve on a system that has pseudo-terminals, without --tcp",
        )
    return TcpPort(tcp or 0)
