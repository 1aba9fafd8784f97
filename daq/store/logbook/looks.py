"""The logbook's looks: the comparisons that were asked for."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import orjson

from daq.store._database import Database
from daq.store.logbook._sql import text_of
from daq.store.logbook.records import LookRecord

__all__ = ["LookBook"]

_LOOK = "bench, first, second, metric, runs, t_utc_ns, kind, low, high"


class LookBook:
    """Looks at two builds."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def add(self, look: LookRecord) -> LookRecord:
        """Keep a look; returns it with its id. One at the same data is kept once, as it was first taken."""
        key = look.bench, look.first, look.second, look.metric, text_of([list(r) for r in look.runs])
        with self._db.writing(full=True) as con:
            con.execute(
                f"INSERT INTO looks ({_LOOK}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) "  # noqa: S608
                "ON CONFLICT DO NOTHING",
                (*key, look.t_utc_ns, look.kind, look.low, look.high),
            )
            (given,) = con.execute(
                "SELECT id FROM looks WHERE bench = ? AND first = ? AND second = ? AND metric = ? "
                "AND runs = ?",
                key,
            ).fetchone()
        return replace(look, id=int(given))

    def of(self, bench: str, first: str, second: str, metric: str) -> list[LookRecord]:
        """Every look at two builds, oldest first.

        Parameters
        ----------
        bench : str
        first, second : str
            The builds, in either order.
        metric : str
            Key of the result that the verdict was on.
        """
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_LOOK}, id FROM looks WHERE bench = ?4 AND metric = ?3 "  # noqa: S608
                "AND ((first = ?1 AND second = ?2) OR (first = ?2 AND second = ?1)) ORDER BY id",
                (first, second, metric, bench),
            ).fetchall()
        return [_look(row) for row in rows]

    def newest_of(self, bench: str, build: str) -> list[LookRecord]:
        """The newest look at a build beside each other one, newest first."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_LOOK}, id FROM looks WHERE bench = ?1 AND (first = ?2 OR second = ?2) "  # noqa: S608
                "ORDER BY id DESC",
                (bench, build),
            ).fetchall()
        found: dict[frozenset[str], LookRecord] = {}
        for row in rows:
            look = _look(row)
            found.setdefault(frozenset((look.first, look.second)), look)
        return list(found.values())


def _look(row: tuple[Any, ...]) -> LookRecord:
    bench, first, second, metric, runs, *rest = row
    return LookRecord(
        bench, first, second, metric, tuple((str(i), int(n)) for i, n in orjson.loads(runs)), *rest
    )
