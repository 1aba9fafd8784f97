"""Workers as processes, each started again when it dies."""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections.abc import Callable
from multiprocessing import connection
from multiprocessing.context import BaseContext
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Final

from daq.fleet.settings import Fleet
from daq.fleet.worker import run_worker

__all__ = ["Supervisor"]

_LOOK_S: Final = 0.1
_AGAIN_S: Final = 1.0
_END_S: Final = 10.0


class Supervisor:
    """Keeps a fleet's workers running.

    The broker goes on giving a dead worker its share, which waits in its session: so it is replaced within a
    fraction of a second. Where the system can fork, from a process that has everything loaded.

    Parameters
    ----------
    fleet : Fleet
    say : callable
        Takes lines for people, from any process.
    heartbeat : Path, optional
        Touched each second while all workers live, each for longer than one that dies at once does.
    """

    def __init__(self, fleet: Fleet, *, say: Callable[[str], None], heartbeat: Path | None = None) -> None:
        self.fleet = fleet
        self._say = say
        self._context = _context(say.__module__)
        self._stop = self._context.Event()
        self._running: dict[str, BaseProcess] = {}
        self._started_s: dict[str, float] = {}
        self._heartbeat = heartbeat
        self._beat_s = 0.0
        self._beat_trouble: str | None = None

    @property
    def pids(self) -> dict[str, int]:
        """Process ids by worker."""
        return {name: p.pid for name, p in self._running.items() if p.pid is not None and p.is_alive()}

    def run(self, stop: threading.Event) -> None:
        """Run until told to stop."""
        names = [str(k + 1) for k in range(self.fleet.gather.workers)]
        for name in names:
            self._start(name)
        try:
            while not stop.is_set():
                self._await_an_end(stop)
                for name in names:
                    process = self._running[name]
                    # One that dies at once is not started again at once.
                    if not process.is_alive() and time.monotonic() - self._started_s[name] > _AGAIN_S:
                        self._say(f"worker {name} ended with {process.exitcode}; started again")
                        self._start(name)
                self._beat()
        finally:
            self._end()

    def _await_an_end(self, stop: threading.Event) -> None:
        """Until a worker ends, at once, but no longer than one look."""
        alive = [p.sentinel for p in self._running.values() if p.is_alive()]
        if len(alive) == len(self._running):
            connection.wait(alive, _LOOK_S)
        else:
            stop.wait(_LOOK_S)

    def _beat(self) -> None:
        now = time.monotonic()
        if self._heartbeat is None or now - self._beat_s < 1.0:
            return
        # One that has just been started may be one that dies at once, again and again.
        if not all(p.is_alive() and now - self._started_s[n] > _AGAIN_S for n, p in self._running.items()):
            return
        self._beat_s = now
        trouble = None
        try:
            self._heartbeat.touch()
        except OSError as exc:
            trouble = exc.strerror or str(exc)
        if trouble is not None and trouble != self._beat_trouble:
            self._say(f"{self._heartbeat}: the heartbeat can not be written: {trouble}")
        self._beat_trouble = trouble

    def _start(self, name: str) -> None:
        process = self._context.Process(  # type: ignore[attr-defined]
            target=run_worker,
            args=(self.fleet, name, self._stop, self._say),
            name=f"gather-{name}",
            daemon=True,
        )
        process.start()
        self._started_s[name] = time.monotonic()
        self._running[name] = process
        self._say(f"worker {name} is process {process.pid}")

    def _end(self) -> None:
        self._stop.set()
        until = time.monotonic() + _END_S
        for process in self._running.values():
            process.join(max(0.1, until - time.monotonic()))
            if process.is_alive():
                process.terminate()
                process.join(1.0)


def _context(*modules: str) -> BaseContext:
    """Where processes come from; `modules` are what a worker needs besides its own."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["daq.fleet.preload", *modules])
    return context
