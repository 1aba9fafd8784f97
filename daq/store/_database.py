"""One SQLite file: write-ahead log, recorded migrations, short transactions, snapshots for readers.

SQLite comes with apsw and not with Python: releases 3.7.0 to 3.51.2 can damage a write-ahead log in which two
connections write or checkpoint at once (https://www.sqlite.org/wal.html#walresetbug), and Python has whatever
the system has. Beside that, one process alone checkpoints a file: the one that was told to.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import apsw

from daq.errors import StoreError
from daq.store._faults import store_faults

__all__ = ["PAGE_BYTES", "SQLITE_VERSION", "Connection", "Database", "Migration", "log_is_safe"]

BUSY_S = 10.0
PAGE_BYTES = 4096
SQLITE_VERSION: str = apsw.sqlite_lib_version()
_LOG_BYTES = 1 << 20  # the log is taken over into the database when it holds so much
_FREE_BYTES = 16 << 20  # free pages that a file keeps: to give them back and ask for them again costs writes
_IDLE_CONNECTIONS = 8
_MENDED = ((3, 44, 6), (3, 50, 7), (3, 51, 3))  # in the branches 3.44 and 3.50, and in all from 3.51.3 on


def log_is_safe(version: str = SQLITE_VERSION) -> bool:
    """Whether a release of SQLite keeps a log whole that several connections write and checkpoint.

    References
    ----------
    https://www.sqlite.org/wal.html#walresetbug
    """
    numbers = tuple(int(n) for n in version.split(".")[:3])
    if numbers < (3, 7, 0) or numbers >= _MENDED[-1]:
        return True
    return any(numbers[:2] == mended[:2] and numbers >= mended for mended in _MENDED)


class Rows(Protocol):
    """What a query answers."""

    def fetchone(self) -> Any: ...
    def fetchall(self) -> list[Any]: ...
    def __iter__(self) -> Iterator[Any]: ...


class Connection(Protocol):
    """What is used of a connection within a transaction."""

    def execute(self, statements: str, bindings: Sequence[Any] = ..., /) -> Rows: ...
    def executemany(self, statements: str, bindings: Iterable[Sequence[Any]], /) -> Rows: ...
    def changes(self) -> int: ...
    def last_insert_rowid(self) -> int: ...


class Migration(NamedTuple):
    """One step of a schema. Steps are never changed once released; a new one is added at the end."""

    name: str
    statements: tuple[str, ...]


class Database:
    """A SQLite file that several threads and processes use.

    Parameters
    ----------
    path : Path
        The file; made with its folder when it is not there.
    migrations : sequence of Migration
        The schema, step by step. Each step and its record are one commit.
    busy_s : float
        How long to wait for another process's transaction [s].
    checkpoints : bool
        Whether this process takes the log over into the database. Of all that have the file open one may.
    page_bytes : int
        Size of a new file's pages. A commit writes at least one page to the log.

    Raises
    ------
    StoreError
        When the file can not be opened or was made by a newer version.
    """

    def __init__(
        self,
        path: Path,
        migrations: Sequence[Migration],
        *,
        busy_s: float = BUSY_S,
        checkpoints: bool = False,
        page_bytes: int = PAGE_BYTES,
    ) -> None:
        self.path = path
        self._busy_s = busy_s
        self._checkpoints = checkpoints
        self._page_bytes = page_bytes
        self._idle: list[apsw.Connection] = []
        self._idle_lock = threading.Lock()
        self._write_lock = threading.RLock()
        self._synchronous = ""
        self._closed = False
        with store_faults(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._writer = self._connect()
            try:
                self._enter_log_mode()
                self._migrate(migrations)
                if checkpoints:
                    self._keep_log()
            except BaseException:
                self._writer.close()
                raise

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees the database as it is at the first SELECT, whatever is written meanwhile."""
        with store_faults(self.path):
            con = self._borrow()
            sound = False
            try:
                con.execute("BEGIN")
                yield con
                sound = True
            finally:
                self._give_back(con, sound)

    @contextmanager
    def writing(self, *, full: bool = False, wait_s: float | None = None) -> Iterator[Connection]:
        """One transaction: committed when the block ends, rolled back when it raises.

        Inside another one of the same thread it is part of that one, and committed with it.

        Parameters
        ----------
        full : bool
            Whether the commit, and every commit before it, must survive a power cut.
        wait_s : float, optional
            How long to wait for another process's transaction [s].
        """
        with store_faults(self.path), self._write_lock:
            if self._closed:
                raise StoreError("is closed already", place=str(self.path), remedy="open the store again")
            con = self._writer
            if _is_open(con):
                # Inside another one of this thread's: part of it, undone alone when it alone fails.
                con.execute("SAVEPOINT part")
                try:
                    yield con
                except BaseException:
                    if _is_open(con):
                        con.execute("ROLLBACK TO part")
                        con.execute("RELEASE part")
                    raise
                con.execute("RELEASE part")
                return
            # The pragma takes effect only between transactions; it is asked for only when it changes.
            wanted = "FULL" if full else "NORMAL"
            if wanted != self._synchronous:
                con.execute(f"PRAGMA synchronous={wanted}")
                self._synchronous = wanted
            if wait_s is not None:
                con.set_busy_timeout(int(wait_s * 1000))
            try:
                con.execute("BEGIN IMMEDIATE")
                try:
                    yield con
                    con.execute("COMMIT")
                except BaseException:
                    if _is_open(con):
                        con.execute("ROLLBACK")
                    raise
            finally:
                if wait_s is not None:
                    con.set_busy_timeout(int(self._busy_s * 1000))

    def shrink(self) -> None:
        """Give the room of an outage back to the file system: when most of the file is free, and much.

        The file is written anew, which takes as long as what is left in it; a few free pages are kept for new
        rows. No file counts its free pages as it goes: that would cost each commit a page.
        """
        with store_faults(self.path), self._write_lock:
            (free,) = _row(self._writer, "PRAGMA freelist_count")
            (pages,) = _row(self._writer, "PRAGMA page_count")
            (size,) = _row(self._writer, "PRAGMA page_size")
            if free * size > _FREE_BYTES and free > 3 * (pages - free):
                self._writer.execute("PRAGMA auto_vacuum=NONE")
                self._writer.execute("VACUUM")

    def checkpoint(self, *, empty: bool = False) -> None:
        """Take the log over into the database as far as readers allow; it waits for none of them.

        Only the process that checkpoints this file may call it.

        Parameters
        ----------
        empty : bool
            Whether to give the log's room back too, so that the database is whole without it.
        """
        with store_faults(self.path), self._write_lock:
            self._checkpoint(empty)

    def _checkpoint(self, empty: bool) -> None:
        self._writer.set_busy_timeout(0)
        try:
            self._writer.execute(f"PRAGMA wal_checkpoint({'TRUNCATE' if empty else 'PASSIVE'})").fetchall()
        finally:
            self._writer.set_busy_timeout(int(self._busy_s * 1000))

    def log_bytes(self) -> int:
        """Size of the log's file [bytes]."""
        try:
            return self._log.stat().st_size
        except OSError:
            return 0

    def close(self) -> None:
        """Close every connection; a second call does nothing."""
        with self._write_lock, self._idle_lock:
            if self._closed:
                return
            self._closed = True
            for con in self._idle:
                con.close()
            self._idle.clear()
            with store_faults(self.path):
                try:
                    if self._checkpoints:
                        self._checkpoint(empty=True)
                finally:
                    self._writer.close()

    # -- connections -------------------------------------------------------------------------------

    @property
    def _log(self) -> Path:
        return self.path.with_name(self.path.name + "-wal")

    def _connect(self) -> apsw.Connection:
        con = apsw.Connection(str(self.path))
        con.set_busy_timeout(int(self._busy_s * 1000))
        # To close is then nothing but to close: apsw would hold Python's lock while SQLite awaits the disk.
        # And the log stays, so that its blocks are written over and not given back and asked for again.
        con.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
        con.wal_autocheckpoint(0)
        return con

    def _borrow(self) -> apsw.Connection:
        with self._idle_lock:
            if self._closed:
                raise StoreError("is closed already", place=str(self.path), remedy="open the store again")
            if self._idle:
                return self._idle.pop()
        con = self._connect()
        con.execute("PRAGMA query_only=ON")
        return con

    def _give_back(self, con: apsw.Connection, sound: bool) -> None:
        try:
            if _is_open(con):
                con.execute("ROLLBACK")
        except apsw.Error:
            sound = False
        with self._idle_lock:
            if sound and not self._closed and len(self._idle) < _IDLE_CONNECTIONS:
                self._idle.append(con)
                return
        con.close()

    # -- opening -----------------------------------------------------------------------------------

    def _enter_log_mode(self) -> None:
        con = self._writer
        (pages,) = _row(con, "PRAGMA page_count")
        if pages == 0:
            # It can be chosen only before the first table.
            con.execute(f"PRAGMA page_size={self._page_bytes}")
        elif self._checkpoints:
            self._resize_pages(pages)
        deadline = time.monotonic() + self._busy_s
        while True:
            try:
                (mode,) = _row(con, "PRAGMA journal_mode=WAL")
                break
            except apsw.BusyError:
                # SQLite does not wait here by itself when two processes make the file at the same time.
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.02)
        if mode != "wal":
            raise StoreError(
                "can not keep a write-ahead log here",
                place=str(self.path),
                value=mode,
                remedy="put the store on a local disk, not on a network share",
            )
        if self._checkpoints:
            (size,) = _row(con, "PRAGMA page_size")
            con.wal_autocheckpoint(max(1, _LOG_BYTES // size))

    def _resize_pages(self, pages: int) -> None:
        """Give a file of an older version the pages of a new one; another time, when somebody has it open."""
        con = self._writer
        (size,) = _row(con, "PRAGMA page_size")
        if size == self._page_bytes or pages * size > _FREE_BYTES:
            return
        con.set_busy_timeout(0)
        with suppress(apsw.BusyError):
            # Only outside of log mode, which whoever is alone with the file may leave.
            if _row(con, "PRAGMA journal_mode=DELETE") == ("delete",):
                con.execute(f"PRAGMA page_size={self._page_bytes}")
                con.execute("PRAGMA auto_vacuum=NONE")
                con.execute("VACUUM")
        con.set_busy_timeout(int(self._busy_s * 1000))

    def _keep_log(self) -> None:
        """Give the log its whole size at once.

        While a file grows, each commit costs the file system several blocks of its own beside the one that is
        written. What is behind the log's end is nothing to SQLite, which knows its frames by their checksums
        (https://www.sqlite.org/fileformat2.html#the_write_ahead_log).
        """
        # A disk without room for it has none for samples either, and says so when they come.
        with suppress(OSError, StoreError), self.writing(), self._log.open("r+b") as log:
            missing = _LOG_BYTES + (_LOG_BYTES >> 2) - log.seek(0, os.SEEK_END)
            if missing > 0:
                log.write(bytes(missing))

    def _migrate(self, migrations: Sequence[Migration]) -> None:
        applied, known = self._applied(), {m.name for m in migrations}
        if applied == known:
            return
        if applied - known:
            raise StoreError(
                "was made by a newer version",
                place=str(self.path),
                value=min(applied - known),
                remedy="update lyewatch, or name another folder for the store",
            )
        with self.writing(full=True) as con:
            con.execute(
                "CREATE TABLE IF NOT EXISTS migrations "
                "(name TEXT PRIMARY KEY, applied_utc_ns INTEGER NOT NULL)"
            )
        for step in migrations:
            with self.writing(full=True) as con:
                # Looked at again inside the transaction: another process may have been quicker.
                if con.execute("SELECT 1 FROM migrations WHERE name = ?", (step.name,)).fetchone():
                    continue
                for statement in step.statements:
                    con.execute(statement)
                con.execute("INSERT INTO migrations VALUES (?, ?)", (step.name, time.time_ns()))

    def _applied(self) -> set[str]:
        con: Connection = self._writer
        if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'migrations'").fetchone():
            return set()
        return {name for (name,) in con.execute("SELECT name FROM migrations").fetchall()}


def _row(con: Connection, query: str) -> tuple[Any, ...]:
    """The one row that a query always answers.

    It is read to its end: a statement that is let go before does the rest then, and apsw holds Python's lock.
    """
    (row,) = con.execute(query).fetchall()
    return tuple(row)


def _is_open(con: apsw.Connection) -> bool:
    """Whether a transaction is: SQLite may have ended it by itself, as on a full disk."""
    return con.in_transaction
