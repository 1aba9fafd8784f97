"""The logbook: runs, marks, alarms, trips, requests, and small facts that processes tell each other.

One SQLite file that the reader, the service and the command line all write to, each in short transactions.
What a person or the guard did is committed so that it survives a power cut; what is said every second is not.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson

from daq.errors import RequestRefused, RunNotFound
from daq.store._database import Database
from daq.store._logbook_schema import LOGBOOK
from daq.store.records import AlarmTransition, Mark, Request, RunRecord, Transition, TripRecord

__all__ = ["Logbook"]

_RUN = (
    "id, bench, kind, name, build, start_utc_ns, mono0_ns, clock_offset_ns, bench_toml, bench_json, "
    "ended_ns, note, rows, touched_utc_ns"
)
_TRIP = "t_utc_ns, run_id, t_ns, cause, detail, value, by, cleared_utc_ns, cleared_by, cleared_reason, id"
_REQUEST = "id, kind, body, who, t_utc_ns, state, ok, message"
_TRANSITION = "run_id, t_ns, alarm, state_from, state_to, cause, value, who, note, priority"


class Logbook:
    """Everything about runs but their samples.

    Parameters
    ----------
    path : Path
        The file, usually `FOLDER/logbook.db`; made when it is not there.
    busy_s : float
        How long to wait for another process's transaction [s].
    """

    def __init__(self, path: Path, *, busy_s: float = 10.0) -> None:
        self._db = Database(path, LOGBOOK, busy_s=busy_s)

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        self._db.close()

    # -- runs --------------------------------------------------------------------------------------

    def create_run(
        self,
        *,
        bench: str,
        kind: str = "run",
        name: str = "",
        build: str = "",
        start_utc_ns: int | None = None,
        mono0_ns: int = 0,
        clock_offset_ns: int = 0,
        bench_toml: str = "",
        bench_json: str = "{}",
        note: str = "",
    ) -> RunRecord:
        """Open a new run; its id is made of its start, which is now unless given. See `RunRecord`."""
        start = time.time_ns() if start_utc_ns is None else start_utc_ns
        stem = datetime.fromtimestamp(start // 1_000_000_000, UTC).strftime("%Y%m%d-%H%M%S")
        with self._db.writing(full=True) as con:
            taken = {
                i for (i,) in con.execute("SELECT id FROM runs WHERE id >= ? AND id < ?", (stem, stem + "."))
            }
            run_id, number = stem, 1
            while run_id in taken:
                number += 1
                run_id = f"{stem}-{number}"
            record = RunRecord(
                run_id,
                bench,
                kind,
                name,
                build,
                start,
                mono0_ns,
                clock_offset_ns,
                bench_toml,
                bench_json,
                None,
                note,
            )
            con.execute(
                f"INSERT INTO runs ({_RUN}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, ?, 0, NULL)",  # noqa: S608
                (
                    run_id,
                    bench,
                    kind,
                    name,
                    build,
                    start,
                    mono0_ns,
                    clock_offset_ns,
                    bench_toml,
                    bench_json,
                    note,
                ),
            )
        return record

    def get_run(self, run_id: str) -> RunRecord:
        """The run's record.

        Raises
        ------
        RunNotFound
        """
        with self._db.reading() as con:
            row = con.execute(f"SELECT {_RUN} FROM runs WHERE id = ?", (run_id,)).fetchone()  # noqa: S608
        if row is None:
            raise _no_run(run_id)
        return RunRecord(*row)

    def list_runs(
        self, limit: int = 100, kind: str | None = None, bench: str | None = None
    ) -> list[RunRecord]:
        """Records of at most `limit` runs, newest first; of one kind and one bench when given."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_RUN} FROM runs WHERE (?1 IS NULL OR kind = ?1) AND (?2 IS NULL OR bench = ?2) "  # noqa: S608
                "ORDER BY start_utc_ns DESC, rowid DESC LIMIT ?3",
                (kind, bench, limit),
            ).fetchall()
        return [RunRecord(*row) for row in rows]

    def open_run(self, bench: str) -> RunRecord | None:
        """The run or standby of the bench that has not ended; the newest when there are several."""
        with self._db.reading() as con:
            row = con.execute(
                f"SELECT {_RUN} FROM runs WHERE bench = ? AND ended_ns IS NULL "  # noqa: S608
                "AND kind IN ('run', 'standby') ORDER BY start_utc_ns DESC, rowid DESC LIMIT 1",
                (bench,),
            ).fetchone()
        return None if row is None else RunRecord(*row)

    def stop_run(self, run_id: str, ended_ns: int) -> None:
        """End a run at its own time `ended_ns` [ns]; a run that has ended keeps its end.

        Raises
        ------
        RunNotFound
        """
        self._change_run(run_id, "ended_ns = coalesce(ended_ns, ?)", (ended_ns,))

    def rename_run(
        self, run_id: str, *, name: str | None = None, build: str | None = None, note: str | None = None
    ) -> None:
        """Change a run's title, build or note; None leaves what is there.

        Raises
        ------
        RunNotFound
        """
        self._change_run(
            run_id,
            "name = coalesce(?, name), build = coalesce(?, build), note = coalesce(?, note)",
            (name, build, note),
        )

    def touch_run(
        self, run_id: str, utc_ns: int, rows: int | None = None, *, wait_s: float | None = None
    ) -> None:
        """Say that samples were stored at `utc_ns`, and how many the run has now; an unknown run is ignored.

        With `wait_s` it gives up with StoreBusy after so long [s].
        """
        with self._db.writing(wait_s=wait_s) as con:
            con.execute(
                "UPDATE runs SET touched_utc_ns = ?, rows = coalesce(?, rows) WHERE id = ?",
                (utc_ns, rows, run_id),
            )

    def forget_run(self, run_id: str) -> None:
        """Remove a run's record, marks and links. Its trips and alarms stay, as a record of safety."""
        with self._db.writing(full=True) as con:
            con.execute("DELETE FROM runs WHERE id = ?", (run_id,))
            con.execute("DELETE FROM marks WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM links WHERE run_id = ?", (run_id,))

    def _change_run(self, run_id: str, what: str, values: tuple[Any, ...]) -> None:
        with self._db.writing(full=True) as con:
            changed = con.execute(f"UPDATE runs SET {what} WHERE id = ?", (*values, run_id)).rowcount  # noqa: S608
        if not changed:
            raise _no_run(run_id)

    # -- marks and alarms --------------------------------------------------------------------------

    def add_mark(self, run_id: str, t_ns: int, kind: str, text: str, who: str = "") -> int:
        """Pin words to an instant of a run; returns the mark's id."""
        with self._db.writing(full=True) as con:
            return _id_of(
                con.execute(
                    "INSERT INTO marks (run_id, t_ns, kind, text, who) VALUES (?, ?, ?, ?, ?)",
                    (run_id, t_ns, kind, text, who),
                )
            )

    def list_marks(self, run_id: str) -> list[Mark]:
        """The run's marks in order of time."""
        with self._db.reading() as con:
            rows = con.execute(
                "SELECT id, run_id, t_ns, kind, text, who FROM marks WHERE run_id = ? ORDER BY t_ns, id",
                (run_id,),
            ).fetchall()
        return [Mark(*row) for row in rows]

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

    def save_alarm_states(self, states: Mapping[str, Any]) -> None:
        """Keep each alarm's state for a restart, as anything JSON can say; replaces all that was kept."""
        rows = [(alarm, _text(body)) for alarm, body in states.items()]
        with self._db.writing() as con:
            con.execute("DELETE FROM alarm_states")
            con.executemany("INSERT INTO alarm_states VALUES (?, ?)", rows)

    def load_alarm_states(self) -> dict[str, Any]:
        """What `save_alarm_states` kept."""
        with self._db.reading() as con:
            rows = con.execute("SELECT alarm, body FROM alarm_states ORDER BY alarm").fetchall()
            return {alarm: orjson.loads(body) for alarm, body in rows}

    # -- links -------------------------------------------------------------------------------------

    def save_links(self, run_id: str, source: str, counters: Mapping[str, Any]) -> None:
        """Keep a source's counters for a run; replaces what was kept."""
        with self._db.writing() as con:
            con.execute("INSERT OR REPLACE INTO links VALUES (?, ?, ?)", (run_id, source, _text(counters)))

    def load_links(self, run_id: str) -> dict[str, dict[str, Any]]:
        """The counters of a run, by source."""
        with self._db.reading() as con:
            rows = con.execute(
                "SELECT source, body FROM links WHERE run_id = ? ORDER BY source", (run_id,)
            ).fetchall()
            return {source: orjson.loads(body) for source, body in rows}

    # -- requests to the reader --------------------------------------------------------------------

    def post_request(self, kind: str, body: Mapping[str, Any], who: str = "") -> int:
        """Ask something of the reader; returns the request's id."""
        with self._db.writing(full=True) as con:
            return _id_of(
                con.execute(
                    "INSERT INTO requests (kind, body, who, t_utc_ns) VALUES (?, ?, ?, ?)",
                    (kind, _text(body), who, time.time_ns()),
                )
            )

    def pending_requests(self) -> list[Request]:
        """What nobody has taken or answered yet, oldest first."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_REQUEST} FROM requests WHERE state = 'pending' ORDER BY id"  # noqa: S608
            ).fetchall()
            return [_request(row) for row in rows]

    def take_request(self, request_id: int) -> bool:
        """Say that the answer will take a while; False when it was taken or answered already."""
        with self._db.writing() as con:
            done = con.execute(
                "UPDATE requests SET state = 'taken' WHERE id = ? AND state = 'pending'", (request_id,)
            ).rowcount
        return done > 0

    def answer_request(self, request_id: int, ok: bool, message: str = "") -> bool:
        """Answer a request. The first answer stands: False when there was one already."""
        with self._db.writing(full=True) as con:
            done = con.execute(
                "UPDATE requests SET state = 'done', ok = ?, message = ? WHERE id = ? AND state <> 'done'",
                (int(ok), message, request_id),
            ).rowcount
        return done > 0

    def get_request(self, request_id: int) -> Request:
        """A request and its answer.

        Raises
        ------
        RequestRefused
            When there is no such request.
        """
        with self._db.reading() as con:
            row = con.execute(f"SELECT {_REQUEST} FROM requests WHERE id = ?", (request_id,)).fetchone()  # noqa: S608
            if row is None:
                raise RequestRefused(
                    "no such request", place="requests", value=request_id, remedy="post it again"
                )
            return _request(row)

    # -- trip --------------------------------------------------------------------------------------

    def set_trip(self, trip: TripRecord) -> None:
        """Write down that the supply was cut. It stands until `clear_trip`."""
        with self._db.writing(full=True) as con:
            con.execute(
                "INSERT INTO trips (t_utc_ns, run_id, t_ns, cause, detail, value, by) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (trip.t_utc_ns, trip.run_id, trip.t_ns, trip.cause, trip.detail, _real(trip.value), trip.by),
            )

    def current_trip(self) -> TripRecord | None:
        """The trip that stands, the first of them when there are several; None when there is none."""
        with self._db.reading() as con:
            row = con.execute(
                f"SELECT {_TRIP} FROM trips WHERE cleared_utc_ns IS NULL ORDER BY id LIMIT 1"  # noqa: S608
            ).fetchone()
        return None if row is None else TripRecord(*row)

    def clear_trip(self, who: str, reason: str) -> bool:
        """Write down who took the reset on himself, and why; False when no trip stood."""
        with self._db.writing(full=True) as con:
            done = con.execute(
                "UPDATE trips SET cleared_utc_ns = ?, cleared_by = ?, cleared_reason = ? "
                "WHERE cleared_utc_ns IS NULL",
                (time.time_ns(), who, reason),
            ).rowcount
        return done > 0

    def list_trips(self, run_id: str | None = None) -> list[TripRecord]:
        """Trips of a run, or of all, oldest first."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_TRIP} FROM trips WHERE ?1 IS NULL OR run_id = ?1 ORDER BY id",  # noqa: S608
                (run_id,),
            ).fetchall()
        return [TripRecord(*row) for row in rows]

    # -- state -------------------------------------------------------------------------------------

    def put_state(self, key: str, value: Any) -> None:
        """Say a small fact to the other processes, as anything JSON can say; replaces the one before."""
        with self._db.writing() as con:
            con.execute("INSERT OR REPLACE INTO state VALUES (?, ?, ?)", (key, _text(value), time.time_ns()))

    def get_state(self, key: str) -> Any:
        """What was said last under `key`; None when nothing was."""
        with self._db.reading() as con:
            row = con.execute("SELECT body FROM state WHERE key = ?", (key,)).fetchone()
            return None if row is None else orjson.loads(row[0])


def _text(value: Any) -> str:
    return orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS).decode()


def _real(value: float | None) -> float | None:
    return None if value is None else float(value)


def _id_of(cursor: sqlite3.Cursor) -> int:
    return int(cursor.lastrowid or 0)


def _request(row: tuple[Any, ...]) -> Request:
    number, kind, body, who, t_utc_ns, state, ok, message = row
    return Request(number, kind, orjson.loads(body), who, t_utc_ns, state, bool(ok), message)


def _no_run(run_id: str) -> RunNotFound:
    return RunNotFound("no such run", place=run_id, remedy="`lyewatch runs` lists them")
