"""The logbook's forecast logs: what a watch forecast of each run while it was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import orjson

from daq.store._database import Database
from daq.store.logbook._sql import text_of
from daq.store.logbook.records import ForecastLog

__all__ = ["ForecastBook"]


class ForecastBook:
    """Forecasts and warnings as they were made."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def begin(self, run_id: str, from_ns: int) -> None:
        """A watch begins to tell of a run, from samples of `from_ns` on [ns]. What another told of it goes:
        one that comes later has not learned the same."""
        with self._db.writing() as con:
            con.execute("DELETE FROM forecasts WHERE run_id = ?", (run_id,))
            con.execute(
                "INSERT OR REPLACE INTO foretold VALUES (?, ?, ?, ?)", (run_id, from_ns, from_ns, "[]")
            )

    def add(
        self,
        run_id: str,
        forecasts: Sequence[Mapping[str, Any]],
        warnings: Sequence[Mapping[str, Any]],
        until_ns: int,
    ) -> None:
        """Keep what a watch forecast of a run.

        Parameters
        ----------
        run_id : str
        forecasts : sequence of mapping
            New ones, each with `at_s` [s of the run].
        warnings : sequence of mapping
            All of the run so far.
        until_ns : int
            Up to when that tells of the run [ns].
        """
        rows = [(run_id, round(f["at_s"] * 1e9), text_of(f)) for f in forecasts]
        with self._db.writing() as con:
            con.executemany("INSERT OR REPLACE INTO forecasts VALUES (?, ?, ?)", rows)
            con.execute(
                "UPDATE foretold SET until_ns = ?, warnings = ? WHERE run_id = ?",
                (until_ns, text_of(list(warnings)), run_id),
            )

    def load(self, run_id: str) -> ForecastLog | None:
        """The forecast log of a run; None where nobody kept it."""
        with self._db.reading() as con:
            row = con.execute(
                "SELECT from_ns, until_ns, warnings FROM foretold WHERE run_id = ?", (run_id,)
            ).fetchone()
            if row is None:
                return None
            rows = con.execute(
                "SELECT body FROM forecasts WHERE run_id = ? ORDER BY t_ns", (run_id,)
            ).fetchall()
        return ForecastLog(
            row[0], row[1], tuple(orjson.loads(body) for (body,) in rows), tuple(orjson.loads(row[2]))
        )

    def forget(self, run_id: str) -> None:
        """Remove the forecast log of a run."""
        with self._db.writing() as con:
            con.execute("DELETE FROM forecasts WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM foretold WHERE run_id = ?", (run_id,))
