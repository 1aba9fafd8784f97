"""Sealing in a process of its own, `_seal_now`.

Arrow takes 40 MB of memory on import and more when it merges, which a process that runs for weeks on a small
computer should not keep; and whoever watches a temperature should not wait for a disk. The process is safe to
kill: what it had not recorded is still in the journal.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from pathlib import Path

import orjson

import daq
from daq.errors import StoreError
from daq.store._faults import store_faults

__all__ = ["SealProcess"]

_log = logging.getLogger(__name__)


class SealProcess:
    """Runs one sealing process after another. Safe to use from several threads.

    Parameters
    ----------
    folder : Path
        The store's.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._running: subprocess.Popen[bytes] | None = None
        self._waiting: dict[str, tuple[int, bool]] = {}
        self._failed: StoreError | None = None

    def ask(self, run_id: str, up_to_id: int, *, close: bool) -> None:
        """Seal a run's rows soon: at once, or after what is being sealed.

        Parameters
        ----------
        run_id : str
        up_to_id : int
            Id of the last sample to seal.
        close : bool
            Whether the run has ended.
        """
        with self._lock:
            _, closing = self._waiting.get(run_id, (0, False))
            self._waiting[run_id] = (up_to_id, close or closing)
            self._go_on()

    def look(self) -> None:
        """Notice a process that has ended and start the next. Cheap."""
        if self._running is not None and self._lock.acquire(blocking=False):
            try:
                self._go_on()
            finally:
                self._lock.release()

    def take_failure(self) -> StoreError | None:
        """What the last process that failed said, once."""
        failed, self._failed = self._failed, None
        return failed

    def finish(self, timeout_s: float) -> bool:
        """Wait until all that was asked is done; False, and it goes on alone, when that takes too long."""
        with self._lock:
            while self._running is not None:
                try:
                    self._running.wait(timeout_s)
                except subprocess.TimeoutExpired:
                    return False
                self._go_on()
        return True

    def _go_on(self) -> None:
        if self._running is not None:
            if self._running.poll() is None:
                return
            output = self._running.communicate()[0]
            if self._running.returncode != 0:
                self._failed = _failure(output, self._running.returncode, self._folder)
                _log.warning("%s", self._failed)
            self._running = None
        if self._waiting:
            run_id = next(iter(self._waiting))
            up_to_id, close = self._waiting.pop(run_id)
            with store_faults(sys.executable):
                self._running = _start(self._folder, run_id, up_to_id, close)


def _start(folder: Path, run_id: str, up_to_id: int, close: bool) -> subprocess.Popen[bytes]:
    room = str(Path(daq.__file__).resolve().parent.parent)
    path = os.pathsep.join(p for p in (room, os.environ.get("PYTHONPATH", "")) if p)
    return subprocess.Popen(
        [
            sys.executable,
            "-P",
            "-m",
            "daq.store.archive.seal_now",
            str(folder),
            run_id,
            str(up_to_id),
            str(int(close)),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1"},
        # Ctrl-C at the terminal is for the reader, which then has its last samples sealed.
        start_new_session=True,
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
    )


def _failure(output: bytes, code: int, folder: Path) -> StoreError:
    try:
        parts = orjson.loads(output)
        return StoreError(
            parts["message"], place=parts["place"], value=parts["value"], remedy=parts["remedy"]
        )
    except (ValueError, TypeError, KeyError):
        return StoreError(
            "the sealing process died",
            place=str(folder),
            value=f"exit {code}",
            remedy="the samples are safe in the journal; sealing is tried again",
        )
