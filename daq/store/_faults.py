"""Every failure of SQLite, Arrow and the file system, turned into this project's errors in one place."""

from __future__ import annotations

import errno
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import apsw

from daq.errors import LyewatchError, StoreBusy, StoreCorrupt, StoreError

__all__ = ["fault", "store_faults"]

_ROOM = "make room on the disk; what was stored before is safe"
_ASIDE = "stop lyewatch and move it aside with its -wal and -shm: "
_DAMAGED = {
    "journal.db": _ASIDE + "sealed samples are found again without it, the last minutes are lost",
    "logbook.db": _ASIDE + "`lyewatch runs --rebuild` makes the runs again from their segments; marks, fills "
    "and alarms are lost, so put a copy of the file in its place where there is one",
    "outbox.db": _ASIDE + "what is still in the journal is sent again",
    "writer.lock": "stop lyewatch and remove it: nothing is in it",
    "import.lock": "remove it: nothing is in it",
    "seal.lock": "stop lyewatch and remove it: nothing is in it",
}
"""What to do about a damaged file, by its name."""

# SQLite's primary result codes, https://www.sqlite.org/rescode.html
_SQLITE: dict[int, tuple[type[StoreError], str, str]] = {
    apsw.SQLITE_BUSY: (
        StoreBusy,
        "is held by another process",
        "wait, or end that process, then try again",
    ),
    apsw.SQLITE_LOCKED: (StoreBusy, "is held by another task", "wait, then try again"),
    apsw.SQLITE_FULL: (StoreError, "the disk is full", _ROOM),
    apsw.SQLITE_IOERR: (StoreError, "the disk failed to read or write", "look at the disk and its cable"),
    apsw.SQLITE_READONLY: (StoreError, "can not be written", "give this user the right to write there"),
    apsw.SQLITE_PERM: (StoreError, "may not be used", "give this user the right to read and write there"),
    apsw.SQLITE_CANTOPEN: (
        StoreError,
        "can not be opened",
        "see that the folder exists and that this user may write there",
    ),
    apsw.SQLITE_CORRUPT: (StoreCorrupt, "is damaged", ""),
    apsw.SQLITE_NOTADB: (StoreCorrupt, "is not a database", ""),
    apsw.SQLITE_NOMEM: (StoreError, "there is not enough memory", "end other programs, then try again"),
    apsw.SQLITE_TOOBIG: (StoreError, "a row is too big", "store fewer or shorter values in one row"),
    apsw.SQLITE_PROTOCOL: (StoreBusy, "its lock can not be had", "wait, then try again"),
    apsw.SQLITE_INTERRUPT: (StoreError, "was interrupted", "try again"),
}

_ERRNO: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", _ROOM),
    errno.EFBIG: ("the file has grown to the size that this user may write", "raise the limit on file size"),
    errno.EACCES: ("may not be used", "give this user the right to read and write there"),
    errno.EPERM: ("may not be used", "give this user the right to read and write there"),
    errno.EROFS: ("is on a disk that can not be written", "put the store on another disk"),
    errno.ENOTDIR: ("is not a folder", "name a folder for the store"),
    errno.EEXIST: ("is in the way", "move it, or name another folder for the store"),
    errno.EIO: ("the disk failed to read or write", "look at the disk and its cable"),
}
if hasattr(errno, "EDQUOT"):
    _ERRNO[errno.EDQUOT] = ("this user's share of the disk is used up", _ROOM)


def fault(exc: BaseException, place: str) -> LyewatchError | None:
    """This project's error for a failure of the layers below; None when it is none of theirs.

    Parameters
    ----------
    exc : BaseException
        What SQLite, Arrow, orjson or the file system raised.
    place : str
        The file it happened to.
    """
    if isinstance(exc, LyewatchError):
        return exc
    if isinstance(exc, apsw.Error):
        return _of_sqlite(exc, place)
    if isinstance(exc, OSError):
        return _of_system(exc, place)
    if isinstance(exc, MemoryError):
        return StoreError(
            "there is not enough memory", place=place, remedy="ask for a shorter span or fewer channels"
        )
    if type(exc).__module__.partition(".")[0] == "pyarrow" or isinstance(exc, json.JSONDecodeError):
        return _damaged(exc, place)
    if isinstance(exc, OverflowError):
        return StoreError(
            f"a number does not fit: {_first_line(exc)}",
            place=place,
            remedy="times and sequence numbers must fit 64 bits",
        )
    return None


@contextmanager
def store_faults(place: Path | str, *, decoding: bool = False) -> Iterator[None]:
    """Let no foreign exception of the layers below out of a `with` block.

    Parameters
    ----------
    place : Path or str
        The file it is about.
    decoding : bool
        Whether the block makes sense of a file's bytes: then whatever it raises says that they are damaged,
        be it a column that is not there or a length that is not one.

    Raises
    ------
    StoreError, StoreBusy, StoreCorrupt
        In place of what was raised inside.
    """
    try:
        yield
    except Exception as exc:
        found = fault(exc, str(place))
        if found is None and decoding:
            found = _damaged(exc, str(place))
        if found is None or found is exc:
            raise
        raise found from exc


def _of_sqlite(exc: Exception, place: str) -> StoreError:
    code = getattr(exc, "result", None)
    if code is not None and (known := _SQLITE.get(code & 0xFF)) is not None:
        kind, words, remedy = known
        if kind is StoreCorrupt:
            name = place.replace("\\", "/").rpartition("/")[2]
            remedy = _DAMAGED.get(name, "stop lyewatch and restore the file from a copy")
        return kind(words, place=place, remedy=remedy)
    if isinstance(exc, apsw.ConnectionClosedError | apsw.CursorClosedError):
        return StoreError("is closed already", place=place, remedy="open the store again")
    return StoreError(
        f"the database refused: {_first_line(exc)}",
        place=place,
        remedy="see the message; the rows are unchanged",
    )


def _of_system(exc: OSError, place: str) -> StoreError:
    named = str(exc.filename) if exc.filename else place
    if exc.errno is None:
        # Arrow reports bytes that do not decompress as an OSError without a number.
        return _damaged(exc, named)
    if exc.errno == errno.ENOENT:
        return StoreCorrupt("is missing", place=named, remedy="restore the file from a copy")
    words, remedy = _ERRNO.get(
        exc.errno, (f"the system refused: {_first_line(exc)}", "see the message, then try again")
    )
    return StoreError(words, place=named, remedy=remedy)


def _damaged(exc: BaseException, place: str) -> StoreCorrupt:
    return StoreCorrupt(
        f"can not be read: {_first_line(exc)}",
        place=place,
        remedy="restore the file from a copy; the rest of the run is in the other files beside it",
    )


def _first_line(exc: BaseException) -> str:
    lines = str(exc).strip().splitlines()
    return lines[0][:200] if lines else type(exc).__name__
