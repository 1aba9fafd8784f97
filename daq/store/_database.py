"""One SQLite file: write-ahead log, recorded migrations, short transactions, snapshots for readers."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from daq.errors import StoreError
from daq.store._faults import store_faults

__all__ = ["Database", "Migration"]

BUSY_S = 10.0
_LOG_LIMIT_BYTES = 4 << 20  # what the log file is cut back to once all of it is in the database
_IDLE_CONNECTIONS = 8


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

    Raises
    ------
    StoreError
        When the file can not be opened or was made by a newer version.
    """

    def __init__(self, path: Path, migrations: Sequence[Migration], *, busy_s: float = BUSY_S) -> None:
        self.path = path
        self.created = False
        self._busy_s = busy_s
        self._idle: list[sqlite3.Connection] = []
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
            except BaseException:
                self._writer.close()
                raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
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
    def writing(self, *, full: bool = False, wait_s: float | None = None) -> Iterator[sqlite3.Connection]:
        """One transaction: committed when the block ends, rolled back when it raises.

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
            # The pragma takes effect only between transactions; it is asked for only when it changes.
            wanted = "FULL" if full else "NORMAL"
            if wanted != self._synchronous:
                con.execute(f"PRAGMA synchronous={wanted}")
                self._synchronous = wanted
            if wait_s is not None:
                con.execute(f"PRAGMA busy_timeout={int(wait_s * 1000)}")
            try:
                con.execute("BEGIN IMMEDIATE")
                try:
                    yield con
                    con.execute("COMMIT")
                except BaseException:
                    if con.in_transaction:
                        con.execute("ROLLBACK")
                    raise
            finally:
                if wait_s is not None:
                    con.execute(f"PRAGMA busy_timeout={int(self._busy_s * 1000)}")

    def shrink(self) -> None:
        """Give freed pages back to the file system and the log's content to the database."""
        with store_faults(self.path), self._write_lock:
            (free,) = self._writer.execute("PRAGMA freelist_count").fetchone()
            if free > 256:
                self._writer.execute(f"PRAGMA incremental_vacuum({free - 64})").fetchall()
            # PASSIVE never waits for a reader; what it can not do now the next one does.
            self._writer.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()

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
                self._writer.close()

    # -- connections -------------------------------------------------------------------------------

    def _connect(self) -> sqlite3.Connection:
        return sqlite3.connect(
            self.path,
            timeout=self._busy_s,
            isolation_level=None,
            check_same_thread=False,
            cached_statements=64,
        )

    def _borrow(self) -> sqlite3.Connection:
        with self._idle_lock:
            if self._closed:
                raise StoreError("is closed already", place=str(self.path), remedy="open the store again")
            if self._idle:
                return self._idle.pop()
        con = self._connect()
        con.execute("PRAGMA query_only=ON")
        return con

    def _give_back(self, con: sqlite3.Connection, sound: bool) -> None:
        try:
            if con.in_transaction:
                con.execute("ROLLBACK")
        except sqlite3.Error:
            sound = False
        with self._idle_lock:
            if sound and not self._closed and len(self._idle) < _IDLE_CONNECTIONS:
                self._idle.append(con)
                return
        con.close()

    # -- opening -----------------------------------------------------------------------------------

    def _enter_log_mode(self) -> None:
        con = self._writer
        (pages,) = con.execute("PRAGMA page_count").fetchone()
        if pages == 0:
            self.created = True
            con.execute("PRAGMA auto_vacuum=INCREMENTAL")  # can be chosen only before the first table
        deadline = time.monotonic() + self._busy_s
        while True:
            try:
                (mode,) = con.execute("PRAGMA journal_mode=WAL").fetchone()
                break
            except sqlite3.OperationalError as exc:
                # SQLite does not wait here by itself when two processes make the file at the same time.
                if (exc.sqlite_errorcode & 0xFF) != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                    raise
                time.sleep(0.02)
        if mode != "wal":
            raise StoreError(
                "can not keep a write-ahead log here",
                place=str(self.path),
                value=mode,
                remedy="put the store on a local disk, not on a network share",
            )
        con.execute(f"PRAGMA journal_size_limit={_LOG_LIMIT_BYTES}")

    def _migrate(self, migrations: Sequence[Migration]) -> None:
        if self._applied() == {m.name for m in migrations}:
            return
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
        unknown = self._applied() - {m.name for m in migrations}
        if unknown:
            raise StoreError(
                "was made by a newer version",
                place=str(self.path),
                value=min(unknown),
                remedy="update lyewatch, or name another folder for the store",
            )

    def _applied(self) -> set[str]:
        con = self._writer
        if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'migrations'").fetchone():
            return set()
        return {name for (name,) in con.execute("SELECT name FROM migrations").fetchall()}
