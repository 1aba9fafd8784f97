"""The logbook's timed fills."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import orjson

from daq.store._database import Database
from daq.store.logbook._sql import added, text_of
from daq.store.logbook.records import FillRecord

__all__ = ["FillBook"]

_FILL = "bench, build, t_utc_ns, body, run_id, t_ns, who, note"


class FillBook:
    """Timed fills, which stand by themselves: a run that is deleted leaves them."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def add(self, fill: FillRecord) -> FillRecord:
        """Keep a timed fill; returns it with its id."""
        with self._db.writing(full=True) as con:
            given = added(con, f"INSERT INTO fills ({_FILL}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                    (fill.bench, fill.build, fill.t_utc_ns, text_of(fill.body), fill.run_id, fill.t_ns,
                 fill.who, fill.note),
            )  # fmt: skip
        return replace(fill, id=given)

    def find(
        self,
        *,
        bench: str | None = None,
        run_id: str | None = None,
        build: str | None = None,
        since_utc_ns: int | None = None,
        until_utc_ns: int | None = None,
        limit: int = 1000,
    ) -> list[FillRecord]:
        """The newest fills that fit all that is given, oldest first.

        Parameters
        ----------
        bench, run_id, build : str, optional
            Of these alone; None for any.
        since_utc_ns, until_utc_ns : int, optional
            Made at the one or later, and before the other [ns since 1970]; None for any time.
        limit : int
            How many at most.
        """
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_FILL}, id FROM fills WHERE (?1 IS NULL OR bench = ?1) "  # noqa: S608
                "AND (?2 IS NULL OR run_id = ?2) AND (?3 IS NULL OR build = ?3) "
                "AND (?4 IS NULL OR t_utc_ns >= ?4) AND (?5 IS NULL OR t_utc_ns < ?5) "
                "ORDER BY t_utc_ns DESC, id DESC LIMIT ?6",
                (bench, run_id, build, since_utc_ns, until_utc_ns, limit),
            ).fetchall()
        return [_fill(row) for row in reversed(rows)]

    def forget(self, fill_id: int) -> bool:
        """Remove a fill that went wrong; False when there is none of that id."""
        with self._db.writing(full=True) as con:
            con.execute("DELETE FROM fills WHERE id = ?", (fill_id,))
            return con.changes() > 0


def _fill(row: tuple[Any, ...]) -> FillRecord:
    bench, build, t_utc_ns, body, *rest = row
    return FillRecord(bench, build, t_utc_ns, orjson.loads(body), *rest)
