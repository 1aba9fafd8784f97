"""The logbook's builds: what people wrote of them, and what their runs came to."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

import orjson

from daq.store._database import Database
from daq.store.logbook._sql import text_of
from daq.store.logbook.records import BuildRecord

__all__ = ["BuildBook", "ResultBook"]


class BuildBook:
    """Descriptions of builds."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def describe(self, bench: str, build: str, description: str, who: str = "") -> BuildRecord:
        """Keep what a build is, in words; replaces what was written before.

        Parameters
        ----------
        bench, build : str
        description : str
        who : str
            Whose words they are.
        """
        record = BuildRecord(bench, build, description, who, time.time_ns())
        with self._db.writing(full=True) as con:
            con.execute(
                "INSERT OR REPLACE INTO builds (bench, build, description, who, t_utc_ns) "
                "VALUES (?, ?, ?, ?, ?)",
                (bench, build, description, who, record.t_utc_ns),
            )
        return record

    def of(self, bench: str) -> dict[str, BuildRecord]:
        """What was written of the bench's builds, by build."""
        with self._db.reading() as con:
            rows = con.execute(
                "SELECT bench, build, description, who, t_utc_ns FROM builds WHERE bench = ?", (bench,)
            ).fetchall()
        return {row[1]: BuildRecord(*row) for row in rows}


class ResultBook:
    """What runs came to, so that a list of them need not work it out again.

    A result stands for as long as its `basis`, words made of all that it rests on, is the same.
    """

    def __init__(self, db: Database) -> None:
        self._db = db

    def keep(self, run_id: str, basis: str, body: Mapping[str, Any]) -> None:
        """Keep a run's result; replaces the one before.

        Parameters
        ----------
        run_id : str
        basis : str
            Words made of all that it rests on.
        body : mapping
            The result, as anything JSON can say.
        """
        with self._db.writing() as con:
            con.execute("INSERT OR REPLACE INTO results VALUES (?, ?, ?)", (run_id, basis, text_of(body)))

    def all(self) -> dict[str, tuple[str, dict[str, Any]]]:
        """Basis and result of every run that has one, by the run's id."""
        with self._db.reading() as con:
            rows = con.execute("SELECT run_id, basis, body FROM results").fetchall()
        return {run_id: (basis, orjson.loads(body)) for run_id, basis, body in rows}
