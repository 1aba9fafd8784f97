"""Rights that one process at a time holds, let go by the system when that process dies."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

import apsw

from daq.errors import StoreBusy
from daq.store._faults import store_faults

__all__ = ["FileLock", "import_lock", "seal_lock", "writer_lock"]


class FileLock:
    """An exclusive lock on a SQLite file of its own: the same on every operating system.

    kill -9 leaves nothing behind that a person would have to delete.

    Parameters
    ----------
    path : Path
        The file; made when it is not there. Its owner's process id is written beside it.
    doing : str
        What only one process at a time may do, for the message.
    remedy : str
        What to do when another one does.
    wait_s : float
        How long to wait for the other one [s].

    Raises
    ------
    StoreBusy
        When another process holds it.
    """

    def __init__(self, path: Path, *, doing: str, remedy: str, wait_s: float) -> None:
        # Beside the lock and not in it: what is locked can not be read.
        self._owner = path.with_suffix(".pid")
        with store_faults(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._con = apsw.Connection(str(path))
            try:
                self._con.set_busy_timeout(int(wait_s * 1000))
                self._con.execute("PRAGMA journal_mode=MEMORY")  # nothing is ever written: no file for it
                self._con.execute("BEGIN EXCLUSIVE")
            except apsw.BusyError as exc:
                self._con.close()
                raise StoreBusy(
                    f"another process is {doing}", place=str(path.parent), value=self._who(), remedy=remedy
                ) from exc
            except BaseException:
                self._con.close()
                raise

        with suppress(OSError):  # only for a message: a full disk must not keep a reader from starting
            self._owner.write_text(str(os.getpid()), encoding="ascii")

    def release(self) -> None:
        """Let go; a second call does nothing."""
        self._con.close()

    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        self.release()

    def _who(self) -> str | None:
        try:
            return f"process {int(self._owner.read_text(encoding='ascii'))}"
        except (OSError, ValueError):
            return None  # it has just taken the lock and not said so yet


def writer_lock(folder: Path, wait_s: float = 1.0) -> FileLock:
    """The right to commit samples to the store in `folder`."""
    return FileLock(
        folder / "writer.lock",
        doing="writing to this store",
        remedy="stop it first (`lyewatch read`, `lyewatch up`), or name another folder",
        wait_s=wait_s,
    )


def import_lock(folder: Path) -> FileLock:
    """The right to import a log into the store in `folder`: two at once might choose the same id."""
    return FileLock(
        folder / "import.lock",
        doing="importing a log into this store",
        remedy="wait until it is done, then import again",
        wait_s=60.0,
    )


def seal_lock(folder: Path, wait_s: float) -> FileLock:
    """The right to seal samples of the store in `folder`; who holds it knows that nobody else is sealing."""
    return FileLock(
        folder / "seal.lock",
        doing="sealing samples of this store",
        remedy="nothing: it is tried again, and the samples are safe in the journal",
        wait_s=wait_s,
    )
