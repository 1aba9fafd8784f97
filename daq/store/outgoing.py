"""Numbered messages on disk that wait to be sent: bounded, counted, and safe from a restart.

Which rows of the journal they hold is kept in the same transaction, so that no row is put in twice and a hole
in the numbers always means a loss.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import orjson

from daq.store._database import Connection, Database, Migration

__all__ = ["Outgoing"]

Marks = Mapping[tuple[str, str], int]

_SCHEMA = (
    Migration(
        "0001 messages, facts",
        (
            # AUTOINCREMENT: a number is never given again, even when every message has gone.
            """CREATE TABLE messages (
                n INTEGER PRIMARY KEY AUTOINCREMENT, rows INTEGER NOT NULL, body BLOB NOT NULL)""",
            "CREATE TABLE facts (key TEXT PRIMARY KEY, value) WITHOUT ROWID",
        ),
    ),
)


class Outgoing:
    """The file of one sender.

    Parameters
    ----------
    path : Path
        Made when it is not there.
    limit_bytes : int
        When more than this waits, the oldest are given up.
    from_row : int
        The journal's row after which a new file begins.
    marks : mapping of (str, str) to int, optional
        What `marks` of a new file is.

    Attributes
    ----------
    row : int
        The journal's row up to which all are in.
    marks : dict of (str, str) to int
        Up to which time of each run and source all samples are in [ns]; the source "*" is all others.
    epoch : str
        Which count the numbers belong to: 16 hexadecimal digits, made with the file.
    waiting, waiting_bytes : int
        What is there now.
    given_up, given_up_rows : int
        Messages, and the samples in them, that were dropped for want of room, since the file was made.
    missed_rows : int
        Rows that had left the journal before they could be put in.
    """

    def __init__(self, path: Path, limit_bytes: int, *, from_row: int, marks: Marks | None = None) -> None:
        self._db = Database(path, _SCHEMA, checkpoints=True)  # one process has it
        self._limit = limit_bytes
        with self._db.writing() as con:
            for key, value in (
                ("epoch", secrets.token_hex(8)),
                ("row", from_row),
                ("marks", _dump(marks or {})),
            ):
                con.execute("INSERT OR IGNORE INTO facts VALUES (?, ?)", (key, value))
            facts = dict(con.execute("SELECT key, value FROM facts").fetchall())
            self.waiting, self.waiting_bytes = con.execute(
                "SELECT count(*), coalesce(sum(length(body)), 0) FROM messages"
            ).fetchone()
        self.epoch = str(facts["epoch"])
        self.row = int(facts["row"])
        self.marks: dict[tuple[str, str], int] = {
            (run, source): t for run, source, t in orjson.loads(facts["marks"])
        }
        self.given_up = int(facts.get("given_up", 0))
        self.given_up_rows = int(facts.get("given_up_rows", 0))
        self.missed_rows = int(facts.get("missed_rows", 0))

    def put(
        self,
        make: Sequence[tuple[int, Callable[[int], bytes]]],
        up_to_row: int,
        marks: Marks,
        *,
        missed: int = 0,
    ) -> None:
        """Add messages, and note the journal's row up to which all are in.

        Parameters
        ----------
        make : sequence of (int, callable)
            Of each message, how many samples it holds, and a function from its number to its bytes.
        up_to_row, marks
            See `row` and `marks`.
        missed : int
            Rows before these that are gone: one number is passed over for them.

        Raises
        ------
        StoreError
            When nothing was put in, as on a full disk; the same can be given again.
        """
        added = added_bytes = dropped = dropped_rows = dropped_bytes = 0
        with self._db.writing() as con:
            n = _last_number(con) + bool(missed)
            for rows, body_of in make:
                n += 1
                body = body_of(n)
                con.execute("INSERT INTO messages VALUES (?, ?, ?)", (n, rows, body))
                added, added_bytes = added + 1, added_bytes + len(body)
            excess = self.waiting_bytes + added_bytes - self._limit
            if excess > 0:
                last = 0
                for n, rows, size in con.execute("SELECT n, rows, length(body) FROM messages ORDER BY n"):
                    last, dropped, dropped_rows = n, dropped + 1, dropped_rows + rows
                    dropped_bytes += size
                    if dropped_bytes >= excess:
                        break
                con.execute("DELETE FROM messages WHERE n <= ?", (last,))
            for key, value in (
                ("row", up_to_row),
                ("marks", _dump(marks)),
                ("given_up", self.given_up + dropped),
                ("given_up_rows", self.given_up_rows + dropped_rows),
                ("missed_rows", self.missed_rows + missed),
            ):
                con.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (key, value))
        self.row, self.marks = up_to_row, dict(marks)
        self.waiting += added - dropped
        self.waiting_bytes += added_bytes - dropped_bytes
        self.given_up += dropped
        self.given_up_rows += dropped_rows
        self.missed_rows += missed

    def oldest(self, most: int, most_bytes: int) -> list[tuple[int, bytes]]:
        """Numbers and messages, the oldest first: at most so many, and so many bytes (but always one)."""
        found: list[tuple[int, bytes]] = []
        size = 0
        with self._db.reading() as con:
            for n, body in con.execute("SELECT n, body FROM messages ORDER BY n LIMIT ?", (most,)):
                size += len(body)
                if found and size > most_bytes:
                    break
                found.append((n, body))
        return found

    def sent(self, numbers: Sequence[int]) -> int:
        """Forget messages that the other end has acknowledged; returns how many samples were in them."""
        gone = gone_rows = gone_bytes = 0
        with self._db.writing() as con:
            for n in numbers:
                row = con.execute("SELECT rows, length(body) FROM messages WHERE n = ?", (n,)).fetchone()
                if row is not None:  # it may have been given up meanwhile
                    con.execute("DELETE FROM messages WHERE n = ?", (n,))
                    gone, gone_rows, gone_bytes = gone + 1, gone_rows + row[0], gone_bytes + row[1]
        self.waiting -= gone
        self.waiting_bytes -= gone_bytes
        return int(gone_rows)

    def shrink(self) -> None:
        """Give room on the disk back after an outage."""
        self._db.shrink()

    def close(self) -> None:
        """Close the file."""
        self._db.close()


def _dump(marks: Marks) -> str:
    return orjson.dumps([[run, source, t] for (run, source), t in marks.items()]).decode()


def _last_number(con: Connection) -> int:
    row = con.execute("SELECT seq FROM sqlite_sequence WHERE name = 'messages'").fetchone()
    return 0 if row is None else int(row[0])
