"""The right to write samples to a store."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from daq.errors import StoreBusy
from daq.store._faults import store_faults

__all__ = ["WriterLock"]


class WriterLock:
    """The right to write samples, held by one process at a time and let go by the system when it dies.

    An exclusive lock on a SQLite file of its own: the same on every operating system, and kill -9 leaves
    nothing behind that a person would have to delete.

    Raises
    ------
    StoreBusy
        When another process holds it.
    """

    def __init__(self, path: Path, *, wait_s: float = 1.0) -> None:
        self.path = path
        with store_faults(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._con = sqlite3.connect(path, timeout=wait_s, isolation_level=None, check_same_thread=False)
            try:
                self._con.execute("BEGIN EXCLUSIVE")
            except sqlite3.OperationalError as exc:
                self._con.close()
                if (exc.sqlite_errorcode & 0xFF) != sqlite3.SQLITE_BUSY:
                    raise
                raise StoreBusy(
                    "another reader is writing to this store",
                    place=str(path.parent),
                    remedy="stop it first (`lyewatch read`, `lyewatch up`), or name another folder",
                ) from exc

    def release(self) -> None:
        """Let go; a second call does nothing."""
        self._con.close()
