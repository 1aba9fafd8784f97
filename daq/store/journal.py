"""The journal: every sample lands here first; and the catalogue of what has moved on to the archive.

Both are in one file, because recording a segment and deleting its rows must be one commit: that is what makes
a reader see every sample once, at any instant.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson

from daq.errors import StoreError
from daq.frame import Block, Sample
from daq.store._database import Connection, Database, Migration
from daq.store._faults import store_faults
from daq.store._rows import Pack, block_of, packed
from daq.store.protocol import ChannelSpan, Segment

__all__ = ["Head", "Journal", "TailBlock"]

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
    Migration(
        "0002 samples of a commit packed, heads of what has left the journal",
        (
            # No index and no counter beside it: a commit writes the last page of this table and no other.
            """CREATE TABLE packs (
                id INTEGER PRIMARY KEY, run_id TEXT NOT NULL, source TEXT NOT NULL, count INTEGER NOT NULL,
                t_min_ns INTEGER NOT NULL, t_max_ns INTEGER NOT NULL, body BLOB NOT NULL,
                layout INTEGER NOT NULL)""",
            # The names of a row's columns, which are the same in nearly all.
            "CREATE TABLE layouts (id INTEGER PRIMARY KEY, names TEXT NOT NULL UNIQUE)",
            """INSERT INTO packs SELECT id, run_id, source, 1, t_ns, t_ns,
                CAST('{"t":[' || t_ns || '],"s":[' || seq || '],"one":' || CAST(body AS TEXT) || '}' AS BLOB),
                0 FROM samples ORDER BY id""",
            """INSERT OR REPLACE INTO facts
                SELECT 'last_id', seq FROM sqlite_sequence WHERE name = 'samples'""",
            """UPDATE heads SET rows = rows -
                (SELECT count(*) FROM samples WHERE samples.run_id = heads.run_id)""",
            "DROP TABLE samples",
        ),
    ),
    Migration(
        "0003 segments by name, and the backend that each is in",
        (
            "ALTER TABLE pieces RENAME TO segments",
            "ALTER TABLE segments ADD COLUMN backend TEXT NOT NULL DEFAULT 'segments'",
            "ALTER TABLE strays ADD COLUMN backend TEXT NOT NULL DEFAULT 'segments'",
            # Until then a name said where its segment was.
            "UPDATE segments SET backend = 'influxdb' WHERE name LIKE 'db-%'",
            "UPDATE strays SET backend = 'influxdb' WHERE name LIKE 'db-%'",
            "UPDATE facts SET key = 'adopted_segments' WHERE key = 'adopted'",
            "UPDATE facts SET key = 'adopted_influxdb' WHERE key = 'adopted_remote'",
        ),
    ),
)
_PAGE_BYTES = 512
_PACKS = (
    "SELECT packs.id, run_id, source, count, t_min_ns, t_max_ns, body, coalesce(names, '') "
    "FROM packs LEFT JOIN layouts ON layouts.id = layout"
)
_SEGMENT = "run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, level, spans, backend, id"


@dataclass(frozen=True, slots=True)
class TailBlock:
    """Samples of one run and source as they follow the journal's end, in the order of their commit.

    Attributes
    ----------
    first_id : int
        The id of the first; the others follow it one by one.
    run_id : str
    block : Block
    """

    first_id: int
    run_id: str
    block: Block

    @property
    def last_id(self) -> int:
        """The id of the last, by which to go on."""
        return self.first_id + len(self.block) - 1


@dataclass(frozen=True, slots=True)
class Head:
    """How far a run has come: samples stored, and the latest one's time [ns]."""

    rows: int
    last_t_ns: int


class Journal:
    """The journal's file.

    Parameters
    ----------
    path : Path
        Usually `FOLDER/journal.db`; made when it is not there.
    busy_s : float
        How long to wait for another process's transaction [s].
    checkpoints : bool
        See `Database`.
    """

    def __init__(self, path: Path, *, busy_s: float = 10.0, checkpoints: bool = False) -> None:
        self.db = Database(path, _SCHEMA, busy_s=busy_s, checkpoints=checkpoints, page_bytes=_PAGE_BYTES)
        self._synced = True

    @property
    def path(self) -> Path:
        """The file."""
        return self.db.path

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        self.db.close()

    # -- samples -----------------------------------------------------------------------------------

    def commit(self, samples: Sequence[tuple[str, Sample]], *, full: bool) -> int:
        """Add samples in one transaction.

        Parameters
        ----------
        samples : sequence of (str, Sample)
            Each with its run's id.
        full : bool
            Whether the samples, and all that were committed before them, must survive a power cut. Without
            samples a full commit still does that for the earlier ones.

        Returns
        -------
        int
            The id of the last sample ever added.
        """
        if not samples and (self._synced or not full):
            return self.last_id()
        with self.db.writing(full=full) as con:
            packs = packed(samples, _last_id(con) + 1)
            con.executemany(
                "INSERT INTO packs (id, run_id, source, count, t_min_ns, t_max_ns, body, layout) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [(*pack[:-1], _layout(con, pack.names)) for pack in packs],
            )
            if not packs:
                put_fact(con, "synced_utc_ns", time.time_ns())  # a commit that writes nothing syncs nothing
            last_id = packs[-1].last_id if packs else _last_id(con)
        self._synced = full
        return last_id

    def tail(self, after_id: int, limit: int = 5000) -> list[TailBlock]:
        """At most `limit` samples after sample `after_id`, by their ids: in the order of their commits, and
        within a commit those of one run and source after each other.
        """
        with self.db.reading() as con:
            rows = con.execute(
                # The row in which the sample after it may be, and those behind.
                _PACKS + " WHERE packs.id >= "  # noqa: S608
                "coalesce((SELECT max(id) FROM packs WHERE id <= ?1), 0) "
                "AND packs.id + count - 1 > ?1 ORDER BY packs.id LIMIT ?2",
                (after_id, limit),
            ).fetchall()
        found: list[TailBlock] = []
        with store_faults(self.path, decoding=True):
            for pack in map(Pack._make, rows):
                if limit <= 0:
                    break
                first = max(0, after_id + 1 - pack.id)
                block = block_of(pack.source, [pack]).rows(slice(first, first + limit))
                found.append(TailBlock(pack.id + first, pack.run_id, block))
                limit -= len(block)
        return found

    def last_id(self) -> int:
        """The id of the last sample ever added, 0 before the first; those that were sealed count."""
        with self.db.reading() as con:
            return _last_id(con)

    def count(self, run_id: str | None = None) -> int:
        """How many samples are in the journal now, of one run or of all."""
        with self.db.reading() as con:
            (number,) = con.execute(
                "SELECT coalesce(sum(count), 0) FROM packs WHERE ?1 IS NULL OR run_id = ?1", (run_id,)
            ).fetchone()
        return int(number)

    def runs(self) -> list[str]:
        """Runs of which there are rows in the journal now."""
        with self.db.reading() as con:
            found = con.execute("SELECT DISTINCT run_id FROM packs ORDER BY run_id").fetchall()
        return [run_id for (run_id,) in found]

    def sealed_runs(self) -> list[str]:
        """Runs of which there are samples in the archive."""
        with self.db.reading() as con:
            found = con.execute(
                "SELECT run_id FROM segments GROUP BY run_id ORDER BY min(first_id)"
            ).fetchall()
        return [run_id for (run_id,) in found]

    def runs_sealed_after(self, row_id: int) -> list[str]:
        """Runs of which rows later than that have moved to the archive, in the order of their rows."""
        with self.db.reading() as con:
            found = con.execute(
                "SELECT run_id FROM segments WHERE last_id > ? GROUP BY run_id ORDER BY min(first_id)",
                (row_id,),
            ).fetchall()
        return [run_id for (run_id,) in found]

    def head(self, run_id: str) -> Head | None:
        """How far a run has come, sealed samples included; None before its first sample."""
        with self.db.reading() as con:
            rows, last, known = con.execute(
                "SELECT coalesce(sum(rows), 0), max(last_t_ns), count(*) FROM ("
                "SELECT rows, last_t_ns FROM heads WHERE run_id = ?1 "
                "UNION ALL SELECT count, t_max_ns FROM packs WHERE run_id = ?1)",
                (run_id,),
            ).fetchone()
        return Head(rows, last) if known else None

    def prune(self, run_id: str, keep_after_ns: int) -> int:
        """Delete the run's rows that end before `keep_after_ns` [ns]; returns how many samples."""
        with self.db.writing() as con:
            old = "run_id = ? AND t_max_ns < ?"
            gone, last = con.execute(
                f"SELECT coalesce(sum(count), 0), max(t_max_ns) FROM packs WHERE {old}",  # noqa: S608
                (run_id, keep_after_ns),
            ).fetchone()
            if gone:
                keep_last_id(con)
                add_to_head(con, run_id, 0, last)
                con.execute(f"DELETE FROM packs WHERE {old}", (run_id, keep_after_ns))  # noqa: S608
        return int(gone)


# What follows works inside a transaction that the caller holds.


def get_fact(con: Connection, key: str) -> int | None:
    """A number that the journal keeps about itself."""
    row = con.execute("SELECT value FROM facts WHERE key = ?", (key,)).fetchone()
    return None if row is None else int(row[0])


def put_fact(con: Connection, key: str, value: int) -> None:
    """Keep a number about the journal itself.

    Parameters
    ----------
    con : Connection
        In a transaction that writes.
    key : str
    value : int
    """
    con.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (key, value))


def keep_last_id(con: Connection, at_least: int = 0) -> None:
    """Give no id again that was given, or up to `at_least`; to be called before rows are deleted."""
    put_fact(con, "last_id", max(_last_id(con), at_least))


def add_to_head(con: Connection, run_id: str, rows: int, last_t_ns: int) -> None:
    """Count samples of a run that are in the archive.

    Parameters
    ----------
    con : Connection
        In a transaction that writes.
    run_id : str
    rows : int
        How many more there are.
    last_t_ns : int
        Time of the latest of them [ns of the run].
    """
    con.execute(
        "INSERT INTO heads VALUES (?, ?, ?, ?) ON CONFLICT (run_id) DO UPDATE SET "
        "rows = rows + excluded.rows, last_t_ns = max(last_t_ns, excluded.last_t_ns), "
        "touched_utc_ns = excluded.touched_utc_ns",
        (run_id, rows, last_t_ns, time.time_ns()),
    )


def packs_of(
    con: Connection,
    run_id: str,
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    after_id: int = 0,
    up_to_id: int | None = None,
    limit: int = -1,
) -> list[Pack]:
    """Rows of a run that are in the journal, in the order in which they were committed.

    Parameters
    ----------
    con : Connection
    run_id : str
    start_ns, end_ns : int, optional
        Those whose span touches this one [ns of the run]; None for no such end.
    after_id, up_to_id : int
        Those whose samples' ids all lie above the one and not above the other; None for no such end.
    limit : int
        At most so many rows; -1 for all.
    """
    found = con.execute(
        _PACKS + " WHERE run_id = ?1 AND (?2 IS NULL OR t_max_ns >= ?2) "
        "AND (?3 IS NULL OR t_min_ns <= ?3) AND (?4 IS NULL OR packs.id + count - 1 <= ?4) AND packs.id > ?6 "
        "ORDER BY packs.id LIMIT ?5",
        (run_id, start_ns, end_ns, up_to_id, limit, after_id),
    ).fetchall()
    return [Pack._make(row) for row in found]


def spans_in_journal(con: Connection, run_id: str, source: str) -> list[tuple[int, int]]:
    """The spans of the rows and segments in which a run's samples of a source are [ns].

    Parameters
    ----------
    con : Connection
    run_id, source : str
    """
    return con.execute(
        "SELECT t_min_ns, t_max_ns FROM packs WHERE run_id = ?1 AND source = ?2 "
        "UNION ALL SELECT t_min_ns, t_max_ns FROM segments WHERE run_id = ?1 AND source = ?2",
        (run_id, source),
    ).fetchall()


def segments_of(con: Connection, run_id: str) -> list[Segment]:
    """The recorded segments of a run, in the order of their rows."""
    rows = con.execute(
        f"SELECT {_SEGMENT} FROM segments WHERE run_id = ? ORDER BY first_id, id",  # noqa: S608
        (run_id,),
    ).fetchall()
    return [_segment(row) for row in rows]


def add_segments(con: Connection, segments: Iterable[Segment]) -> None:
    """Record segments; their names stray no longer."""
    for p in segments:
        con.execute("DELETE FROM strays WHERE run_id = ? AND name = ?", (p.run_id, p.name))
        con.execute(
            "INSERT INTO segments (run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, level, "
            "spans, backend) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (p.run_id, p.source, p.name, p.rows, p.first_id, p.last_id, p.t_min_ns, p.t_max_ns, p.level,
             _text_of(p.spans), p.backend),
        )  # fmt: skip


def drop_segments(con: Connection, segments: Iterable[Segment]) -> None:
    """Strike segments from the catalogue; their files are removed when no reader can need them."""
    for p in segments:
        con.execute("DELETE FROM segments WHERE run_id = ? AND name = ?", (p.run_id, p.name))
        if con.changes() != 1:
            # Raised inside the caller's transaction, so that nothing changes.
            raise StoreError(
                "a segment was struck from the catalogue while it was merged",
                place=f"{p.run_id}/{p.name}",
                remedy="nothing was changed; it is tried again",
            )
        add_stray(con, p, "dropped")


def add_stray(con: Connection, segment: Segment, why: str) -> None:
    """Note a name in the archive that is no segment.

    Parameters
    ----------
    con : Connection
        In a transaction that writes.
    segment : Segment
    why : {"sealing", "importing", "dropped"}
    """
    s = segment
    con.execute(
        "INSERT OR REPLACE INTO strays (run_id, name, why, since_utc_ns, backend) VALUES (?, ?, ?, ?, ?)",
        (s.run_id, s.name, why, time.time_ns(), s.backend),
    )


def _layout(con: Connection, names: str) -> int:
    row = con.execute("SELECT id FROM layouts WHERE names = ?", (names,)).fetchone()
    if row is not None:
        return int(row[0])
    con.execute("INSERT INTO layouts (names) VALUES (?)", (names,))
    return con.last_insert_rowid()


def _last_id(con: Connection) -> int:
    row = con.execute("SELECT id + count - 1 FROM packs ORDER BY id DESC LIMIT 1").fetchone()
    # What has left the journal had ids too.
    return max(0 if row is None else int(row[0]), get_fact(con, "last_id") or 0)


def _segment(row: tuple[Any, ...]) -> Segment:
    run_id, source, name, rows, first_id, last_id, t_min_ns, t_max_ns, level, spans, backend, number = row
    return Segment(
        run_id,
        source,
        name,
        rows,
        first_id,
        last_id,
        t_min_ns,
        t_max_ns,
        level,
        _spans(spans),
        backend,
        number,
    )


def _text_of(spans: Mapping[str, ChannelSpan | None]) -> str:
    return orjson.dumps({n: None if s is None else list(s) for n, s in spans.items()}).decode()


def _spans(text: str) -> dict[str, ChannelSpan | None]:
    return {n: None if s is None else ChannelSpan(*s) for n, s in orjson.loads(text).items()}
