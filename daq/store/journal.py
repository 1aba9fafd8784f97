"""The journal: every sample lands here first; and the catalogue of what has moved on to the archive.

Both are in one file, because recording a piece and deleting its rows must be one commit: that is what makes a
reader see every sample once, at any instant.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson

from daq.errors import StoreError
from daq.frame import Sample
from daq.store._database import Database, Migration
from daq.store._faults import store_faults
from daq.store._rows import Row, body_of, sample_of
from daq.store.home import ChannelSpan, Piece

__all__ = ["Head", "Journal", "TailRow"]

_SCHEMA = (
    Migration(
        "0001 samples, pieces, heads, strays, facts",
        (
            # AUTOINCREMENT: an id is never given again, even when every row has moved to the archive.
            """CREATE TABLE samples (
                id INTEGER PRIMARY KEY AUTOINCREMENT, run_id TEXT NOT NULL, source TEXT NOT NULL,
                t_ns INTEGER NOT NULL, seq INTEGER NOT NULL, body BLOB NOT NULL)""",
            """CREATE TABLE pieces (
                id INTEGER PRIMARY KEY AUTOINCREMENT, run_id TEXT NOT NULL, source TEXT NOT NULL,
                name TEXT NOT NULL, rows INTEGER NOT NULL, first_id INTEGER NOT NULL,
                last_id INTEGER NOT NULL, t_min_ns INTEGER NOT NULL, t_max_ns INTEGER NOT NULL,
                level INTEGER NOT NULL, spans TEXT NOT NULL,
                UNIQUE (run_id, name))""",
            """CREATE TABLE heads (
                run_id TEXT PRIMARY KEY, rows INTEGER NOT NULL, last_t_ns INTEGER NOT NULL,
                touched_utc_ns INTEGER NOT NULL) WITHOUT ROWID""",
            # Names in the archive that are no pieces: being written, or not needed now. No other is deleted.
            """CREATE TABLE strays (
                run_id TEXT NOT NULL, name TEXT NOT NULL, why TEXT NOT NULL, since_utc_ns INTEGER NOT NULL,
                PRIMARY KEY (run_id, name)) WITHOUT ROWID""",
            "CREATE TABLE facts (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID",
        ),
    ),
)
_PIECE = "run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, level, spans, id"


@dataclass(frozen=True, slots=True)
class TailRow:
    """A sample as it follows the journal's end, with the row's id, by which to go on."""

    id: int
    run_id: str
    sample: Sample


@dataclass(frozen=True, slots=True)
class Head:
    """How far a run has come: samples stored, the latest one's time [ns], wall time of the last commit."""

    rows: int
    last_t_ns: int
    touched_utc_ns: int


class Journal:
    """The journal's file.

    Parameters
    ----------
    path : Path
        Usually `FOLDER/journal.db`; made when it is not there.
    busy_s : float
        How long to wait for another process's transaction [s].
    """

    def __init__(self, path: Path, *, busy_s: float = 10.0) -> None:
        self.db = Database(path, _SCHEMA, busy_s=busy_s)

    @property
    def path(self) -> Path:
        """The file."""
        return self.db.path

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        self.db.close()

    # -- samples -----------------------------------------------------------------------------------

    def commit(self, samples: Sequence[tuple[str, Sample]], *, full: bool) -> int:
        """Add samples (run id and sample) in one transaction.

        Parameters
        ----------
        full : bool
            Whether the samples, and all that were committed before them, must survive a power cut. Without
            samples a full commit still does that for the earlier ones.

        Returns
        -------
        int
            The id of the last row ever added.
        """
        with store_faults(self.path):
            rows = [(run_id, s.source, int(s.t_ns), int(s.seq), body_of(s)) for run_id, s in samples]
        heads: dict[str, tuple[int, int]] = {}
        for run_id, _, t_ns, _, _ in rows:
            count, last = heads.get(run_id, (0, t_ns))
            heads[run_id] = (count + 1, max(last, t_ns))
        with self.db.writing(full=full) as con:
            con.executemany(
                "INSERT INTO samples (run_id, source, t_ns, seq, body) VALUES (?, ?, ?, ?, ?)", rows
            )
            for run_id, (count, last) in heads.items():
                add_to_head(con, run_id, count, last)
            if full and not rows:
                put_fact(con, "synced_utc_ns", time.time_ns())  # a commit that writes nothing syncs nothing
            return _last_id(con)

    def tail(self, after_id: int, limit: int = 5000) -> list[TailRow]:
        """At most `limit` rows after row `after_id`, in the order in which they were committed."""
        with self.db.reading() as con:
            rows = con.execute(
                "SELECT id, run_id, source, t_ns, seq, body FROM samples WHERE id > ? ORDER BY id LIMIT ?",
                (after_id, limit),
            ).fetchall()
        with store_faults(self.path, decoding=True):
            return [TailRow(row[0], row[1], sample_of(row[2:])) for row in rows]

    def last_id(self) -> int:
        """The id of the last row ever added, 0 before the first; rows that were sealed count."""
        with self.db.reading() as con:
            return _last_id(con)

    def count(self, run_id: str | None = None) -> int:
        """How many rows are in the journal now, of one run or of all."""
        with self.db.reading() as con:
            if run_id is None:
                (number,) = con.execute("SELECT count(*) FROM samples").fetchone()
            else:
                (number,) = con.execute("SELECT count(*) FROM samples WHERE run_id = ?", (run_id,)).fetchone()
        return int(number)

    def runs(self) -> list[str]:
        """Runs of which there are rows in the journal now."""
        with self.db.reading() as con:
            return [
                r for (r,) in con.execute("SELECT DISTINCT run_id FROM samples ORDER BY run_id").fetchall()
            ]

    def runs_sealed_after(self, row_id: int) -> list[str]:
        """Runs of which rows later than that have moved to the archive, in the order of their rows."""
        with self.db.reading() as con:
            found = con.execute(
                "SELECT run_id FROM pieces WHERE last_id > ? GROUP BY run_id ORDER BY min(first_id)",
                (row_id,),
            ).fetchall()
        return [run_id for (run_id,) in found]

    def head(self, run_id: str) -> Head | None:
        """How far a run has come, sealed samples included; None before its first sample."""
        with self.db.reading() as con:
            row = con.execute(
                "SELECT rows, last_t_ns, touched_utc_ns FROM heads WHERE run_id = ?", (run_id,)
            ).fetchone()
        return None if row is None else Head(*row)

    def prune(self, run_id: str, keep_after_ns: int) -> int:
        """Delete the run's rows of before `keep_after_ns` [ns]; returns how many."""
        with self.db.writing() as con:
            gone = con.execute(
                "DELETE FROM samples WHERE run_id = ? AND t_ns < ?", (run_id, keep_after_ns)
            ).rowcount
            con.execute("UPDATE heads SET rows = rows - ? WHERE run_id = ?", (gone, run_id))
        return int(gone)


# What follows works inside a transaction that the caller holds.


def get_fact(con: sqlite3.Connection, key: str) -> int | None:
    """A number that the journal keeps about itself."""
    row = con.execute("SELECT value FROM facts WHERE key = ?", (key,)).fetchone()
    return None if row is None else int(row[0])


def put_fact(con: sqlite3.Connection, key: str, value: int) -> None:
    """Keep a number about the journal itself."""
    con.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (key, value))


def pass_ids(con: sqlite3.Connection, up_to: int) -> None:
    """Give no id up to `up_to` to a sample any more."""
    con.execute("DELETE FROM sqlite_sequence WHERE name = 'samples' AND seq < ?", (up_to,))
    con.execute(
        "INSERT INTO sqlite_sequence (name, seq) SELECT 'samples', ?1 WHERE NOT EXISTS "
        "(SELECT 1 FROM sqlite_sequence WHERE name = 'samples')",
        (up_to,),
    )


def add_to_head(con: sqlite3.Connection, run_id: str, rows: int, last_t_ns: int) -> None:
    """Count `rows` more samples of a run, the latest at `last_t_ns`."""
    con.execute(
        "INSERT INTO heads VALUES (?, ?, ?, ?) ON CONFLICT (run_id) DO UPDATE SET "
        "rows = rows + excluded.rows, last_t_ns = max(last_t_ns, excluded.last_t_ns), "
        "touched_utc_ns = excluded.touched_utc_ns",
        (run_id, rows, last_t_ns, time.time_ns()),
    )


def rows_of(
    con: sqlite3.Connection,
    run_id: str,
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    after_id: int = 0,
    up_to_id: int | None = None,
    limit: int = -1,
) -> list[tuple[int, Row]]:
    """Ids and rows of a run that are in the journal, in the order in which they were committed."""
    found = con.execute(
        "SELECT id, source, t_ns, seq, body FROM samples WHERE run_id = ?1 AND (?2 IS NULL OR t_ns >= ?2) "
        "AND (?3 IS NULL OR t_ns <= ?3) AND (?4 IS NULL OR id <= ?4) AND id > ?6 ORDER BY id LIMIT ?5",
        (run_id, start_ns, end_ns, up_to_id, limit, after_id),
    ).fetchall()
    return [(row[0], row[1:]) for row in found]


def pieces_of(con: sqlite3.Connection, run_id: str) -> list[Piece]:
    """The recorded pieces of a run, in the order of their rows."""
    rows = con.execute(
        f"SELECT {_PIECE} FROM pieces WHERE run_id = ? ORDER BY first_id, id",  # noqa: S608
        (run_id,),
    ).fetchall()
    return [_piece(row) for row in rows]


def add_pieces(con: sqlite3.Connection, pieces: Iterable[Piece]) -> None:
    """Record pieces; their names stray no longer."""
    for p in pieces:
        con.execute("DELETE FROM strays WHERE run_id = ? AND name = ?", (p.run_id, p.name))
        con.execute(
            "INSERT INTO pieces (run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, level, "
            "spans) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (p.run_id, p.source, p.name, p.rows, p.first_id, p.last_id, p.t_min_ns, p.t_max_ns, p.level,
             _text_of(p.spans)),
        )  # fmt: skip


def drop_pieces(con: sqlite3.Connection, pieces: Iterable[Piece]) -> None:
    """Strike pieces from the catalogue; their files are removed when no reader can need them."""
    for p in pieces:
        gone = con.execute("DELETE FROM pieces WHERE run_id = ? AND name = ?", (p.run_id, p.name)).rowcount
        if gone != 1:
            # Raised inside the caller's transaction, so that nothing changes.
            raise StoreError(
                "a piece was struck from the catalogue while it was merged",
                place=f"{p.run_id}/{p.name}",
                remedy="nothing was changed; it is tried again",
            )
        add_stray(con, p.run_id, p.name, "dropped")


def add_stray(con: sqlite3.Connection, run_id: str, name: str, why: str) -> None:
    """Note a name in the archive that is no piece: "sealing", "importing" or "dropped"."""
    con.execute("INSERT OR REPLACE INTO strays VALUES (?, ?, ?, ?)", (run_id, name, why, time.time_ns()))


def _last_id(con: sqlite3.Connection) -> int:
    row = con.execute("SELECT seq FROM sqlite_sequence WHERE name = 'samples'").fetchone()
    return 0 if row is None else int(row[0])


def _piece(row: tuple[Any, ...]) -> Piece:
    run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, level, spans, number = row
    return Piece(
        run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, level, _spans(spans), number
    )


def _text_of(spans: Mapping[str, ChannelSpan | None]) -> str:
    return orjson.dumps({n: None if s is None else list(s) for n, s in spans.items()}).decode()


def _spans(text: str) -> dict[str, ChannelSpan | None]:
    return {n: None if s is None else ChannelSpan(*s) for n, s in orjson.loads(text).items()}
