"""The logbook's changes of alarms' states."""

from __future__ import annotations

from daq.store._database import Database
from daq.store.logbook._sql import real
from daq.store.logbook.records import AlarmTransition, Transition

__all__ = ["AlarmBook"]

_TRANSITION = "run_id, t_ns, alarm, state_from, state_to, cause, value, who, note, priority"


class AlarmBook:
    """Changes of alarms' states. Those of a run that is deleted stay."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def add(self, run_id: str, transition: Transition) -> None:
        """Write down an alarm's change of state, of the watch or as an `AlarmTransition`."""
        t = transition
        with self._db.writing(full=True) as con:
            con.execute(
                f"INSERT INTO transitions ({_TRANSITION}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                (run_id, t.t_ns, t.alarm, t.state_from, t.state_to, t.cause, real(t.value), t.who or "",
                 t.note or "", t.priority),
            )  # fmt: skip

    def transitions(self, run_id: str | None = None, limit: int = 10_000) -> list[AlarmTransition]:
        """The newest `limit` changes of alarms' states, of one run or of all, oldest first."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_TRANSITION} FROM transitions WHERE ?1 IS NULL OR run_id = ?1 "  # noqa: S608
                "ORDER BY id DESC LIMIT ?2",
                (run_id, limit),
            ).fetchall()
        return [AlarmTransition(*row) for row in reversed(rows)]
