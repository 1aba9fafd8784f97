"""The logbook: runs, marks, fills, calibrations, looks, alarms, trips, requests, facts told among processes.

One SQLite file that the reader, the service and the command line all write to, each in short transactions.
What a person or the guard did is committed so that it survives a power cut; what is said every second is not.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import orjson

from daq.store.logbook.looks import LookBook
from daq.store.logbook.records import AlarmTransition, Transition, TripRecord
from daq.store.logbook.runs import text_of

__all__ = ["Logbook"]

_TRIP = (
    "t_utc_ns, run_id, t_ns, cause, detail, value, by, "
    "cleared_utc_ns, cleared_by, cleared_reason, id, after_id"
)
_TRANSITION = "run_id, t_ns, alarm, state_from, state_to, cause, value, who, note, priority"


class Logbook(LookBook):
    """Everything about runs but their samples.

    Parameters
    ----------
    path : Path
        The file, usually `FOLDER/logbook.db`; made when it is not there.
    busy_s : float
        How long to wait for another process's transaction [s].
    checkpoints : bool
        See `Database`.
    """

    # -- alarms ----------------------------------------------------------------------------------

    def add_transition(self, run_id: str, transition: Transition) -> None:
        """Write down an alarm's change of state, of the watch or as an `AlarmTransition`."""
        t = transition
        with self._db.writing(full=True) as con:
            con.execute(
                f"INSERT INTO transitions ({_TRANSITION}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                (run_id, t.t_ns, t.alarm, t.state_from, t.state_to, t.cause, _real(t.value), t.who or "",
                 t.note or "", t.priority),
            )  # fmt: skip

    def list_transitions(self, run_id: str | None = None, limit: int = 10_000) -> list[AlarmTransition]:
        """The newest `limit` changes of alarms' states, of one run or of all, oldest first."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_TRANSITION} FROM transitions WHERE ?1 IS NULL OR run_id = ?1 "  # noqa: S608
                "ORDER BY id DESC LIMIT ?2",
                (run_id, limit),
            ).fetchall()
        return [AlarmTransition(*row) for row in reversed(rows)]

    # -- trip --------------------------------------------------------------------------------------

    def set_trip(self, trip: TripRecord) -> bool:
        """Write down that the supply was cut. It stands until `clear_trip`.

        False when a trip stood already: the first cause is kept, and this one is listed after it.
        """
        with self._db.writing(full=True) as con:
            (first,) = con.execute("SELECT min(id) FROM trips WHERE cleared_utc_ns IS NULL").fetchone()
            con.execute(
                "INSERT INTO trips (t_utc_ns, run_id, t_ns, cause, detail, value, by, after_id) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (trip.t_utc_ns, trip.run_id, trip.t_ns, trip.cause, trip.detail, _real(trip.value), trip.by,
                 first),
            )  # fmt: skip
        return first is None

    def current_trip(self) -> TripRecord | None:
        """The trip that stands, with its first cause and those that came later; None when there is none."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_TRIP} FROM trips WHERE cleared_utc_ns IS NULL ORDER BY id"  # noqa: S608
            ).fetchall()
        return next(iter(_trips(rows)), None)

    def clear_trip(self, who: str, reason: str) -> bool:
        """Write down who took the reset on himself, and why; False when no trip stood."""
        with self._db.writing(full=True) as con:
            con.execute(
                "UPDATE trips SET cleared_utc_ns = ?, cleared_by = ?, cleared_reason = ? "
                "WHERE cleared_utc_ns IS NULL",
                (time.time_ns(), who, reason),
            )
            done = con.changes()
        return done > 0

    def list_trips(self, run_id: str | None = None) -> list[TripRecord]:
        """Trips of a run, or of all, oldest first, each with the causes that came later."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_TRIP} FROM trips WHERE ?1 IS NULL OR (run_id = ?1 AND after_id IS NULL) "  # noqa: S608
                "OR after_id IN (SELECT id FROM trips WHERE run_id = ?1) ORDER BY id",
                (run_id,),
            ).fetchall()
        return _trips(rows)

    # -- state -------------------------------------------------------------------------------------

    def put_state(self, key: str, value: Any) -> None:
        """Say a small fact to the other processes, as anything JSON can say; replaces the one before."""
        with self._db.writing() as con:
            con.execute(
                "INSERT OR REPLACE INTO state VALUES (?, ?, ?)", (key, text_of(value), time.time_ns())
            )

    def get_state(self, key: str) -> Any:
        """What was said last under `key`; None when nothing was."""
        with self._db.reading() as con:
            row = con.execute("SELECT body FROM state WHERE key = ?", (key,)).fetchone()
            return None if row is None else orjson.loads(row[0])


def _real(value: float | None) -> float | None:
    return None if value is None else float(value)


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
