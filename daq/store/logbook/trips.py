"""The logbook's trips: when the supply was cut, why, and who reset it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from daq.store._database import Database
from daq.store.logbook._sql import real
from daq.store.logbook.records import TripRecord

__all__ = ["TripBook"]

_TRIP = (
    "t_utc_ns, run_id, t_ns, cause, detail, value, by, "
    "cleared_utc_ns, cleared_by, cleared_reason, id, after_id"
)


class TripBook:
    """Trips. Those of a run that is deleted stay."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def add(self, trip: TripRecord) -> bool:
        """Write down that the supply was cut. It stands until `clear_trip`.

        False when a trip stood already: the first cause is kept, and this one is listed after it.
        """
        with self._db.writing(full=True) as con:
            (first,) = con.execute("SELECT min(id) FROM trips WHERE cleared_utc_ns IS NULL").fetchone()
            con.execute(
                "INSERT INTO trips (t_utc_ns, run_id, t_ns, cause, detail, value, by, after_id) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (trip.t_utc_ns, trip.run_id, trip.t_ns, trip.cause, trip.detail, real(trip.value), trip.by,
                 first),
            )  # fmt: skip
        return first is None

    def current(self) -> TripRecord | None:
        """The trip that stands, with its first cause and those that came later; None when there is none."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_TRIP} FROM trips WHERE cleared_utc_ns IS NULL ORDER BY id"  # noqa: S608
            ).fetchall()
        return next(iter(_trips(rows)), None)

    def clear(self, who: str, reason: str) -> bool:
        """Write down who took the reset on himself, and why; False when no trip stood."""
        with self._db.writing(full=True) as con:
            con.execute(
                "UPDATE trips SET cleared_utc_ns = ?, cleared_by = ?, cleared_reason = ? "
                "WHERE cleared_utc_ns IS NULL",
                (time.time_ns(), who, reason),
            )
            done = con.changes()
        return done > 0

    def of(self, run_id: str | None = None) -> list[TripRecord]:
        """Trips of a run, or of all, oldest first, each with the causes that came later."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_TRIP} FROM trips WHERE ?1 IS NULL OR (run_id = ?1 AND after_id IS NULL) "  # noqa: S608
                "OR after_id IN (SELECT id FROM trips WHERE run_id = ?1) ORDER BY id",
                (run_id,),
            ).fetchall()
        return _trips(rows)


def _trips(rows: Sequence[tuple[Any, ...]]) -> list[TripRecord]:
    """Trips by their first cause, in order, each with what came after it."""
    firsts: dict[int, TripRecord] = {}
    for *values, after_id in rows:
        trip = TripRecord(*values)
        first = firsts.get(after_id)
        if first is None:
            firsts[trip.id] = trip
        else:
            firsts[after_id] = replace(first, later=(*first.later, trip))
    return list(firsts.values())
