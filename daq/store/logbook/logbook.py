"""The logbook: runs, marks, fills, calibrations, looks, alarms, trips, requests, facts told among processes.

One SQLite file that the reader, the service and the command line all write to, each in short transactions.
What a person or the guard did is committed so that it survives a power cut; what is said every second is not.
"""

from __future__ import annotations

import time
from collections.abc import Container, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson

from daq.errors import RequestRefused, RunNotFound
from daq.store._database import Database
from daq.store.logbook._sql import added, text_of
from daq.store.logbook.alarms import AlarmBook
from daq.store.logbook.builds import BuildBook, ResultBook
from daq.store.logbook.calibrations import CalibrationBook
from daq.store.logbook.fills import FillBook
from daq.store.logbook.forecasts import ForecastBook
from daq.store.logbook.looks import LookBook
from daq.store.logbook.records import Gap, Mark, RunRecord
from daq.store.logbook.schema import LOGBOOK
from daq.store.logbook.trips import TripBook

__all__ = ["Logbook", "free_run_id", "start_in_id"]

_RUN = (
    "id, bench, kind, name, build, start_utc_ns, mono0_ns, clock_offset_ns, bench_toml, bench_json, "
    "ended_ns, note, rows, touched_utc_ns"
)


class Logbook:
    """Everything about runs but their samples: runs with their marks, gaps and links, and books of the rest.

    Parameters
    ----------
    path : Path
        The file, usually `FOLDER/logbook.db`; made when it is not there.
    busy_s : float
        How long to wait for another process's transaction [s].
    checkpoints : bool
        See `Database`.

    Attributes
    ----------
    alarms : AlarmBook
    builds : BuildBook
    calibrations : CalibrationBook
    fills : FillBook
    forecasts : ForecastBook
    looks : LookBook
    results : ResultBook
    trips : TripBook
    """

    def __init__(self, path: Path, *, busy_s: float = 10.0, checkpoints: bool = False) -> None:
        self._db = Database(path, LOGBOOK, busy_s=busy_s, checkpoints=checkpoints)
        self.alarms = AlarmBook(self._db)
        self.builds = BuildBook(self._db)
        self.calibrations = CalibrationBook(self._db)
        self.fills = FillBook(self._db)
        self.forecasts = ForecastBook(self._db)
        self.looks = LookBook(self._db)
        self.results = ResultBook(self._db)
        self.trips = TripBook(self._db)

    @property
    def db(self) -> Database:
        """The file."""
        return self._db

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
        calibrations: Mapping[str, int] | None = None,
    ) -> RunRecord:
        """Open a new run; its id is made of its start.

        Parameters
        ----------
        bench, kind, name, build : str
            As `RunRecord`.
        start_utc_ns : int, optional
            As `RunRecord`; None for now.
        mono0_ns, clock_offset_ns, bench_toml, bench_json, note : int, int, str, str, str
            As `RunRecord`.
        calibrations : mapping of str to int, optional
            Ids of the calibrations with which it is recorded, by channel.
        """
        start = time.time_ns() if start_utc_ns is None else start_utc_ns
        with self._db.writing(full=True) as con:
            taken = {i for (i,) in con.execute("SELECT id FROM runs WHERE id LIKE ?", (_stem(start) + "%",))}
            record = RunRecord(
                free_run_id(start, taken),
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
            self.add_run(record, calibrations)
        return record

    def add_run(self, record: RunRecord, calibrations: Mapping[str, int] | None = None) -> None:
        """Write down a run that was begun without the logbook; the same run again changes nothing.

        Parameters
        ----------
        record : RunRecord
            See `free_run_id` for its id.
        calibrations : mapping of str to int, optional
            With which of them (channel to id) it is recorded.

        Raises
        ------
        RequestRefused
            When another run has this id.
        """
        r = record
        with self._db.writing(full=True) as con:
            before = con.execute("SELECT bench, start_utc_ns FROM runs WHERE id = ?", (r.id,)).fetchone()
            if before is not None:
                if before != (r.bench, r.start_utc_ns):
                    raise RequestRefused(
                        "another run has this id", place=r.id, remedy="begin the run again, under a free one"
                    )
                return
            con.execute(
                f"INSERT INTO runs ({_RUN}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                (r.id, r.bench, r.kind, r.name, r.build, r.start_utc_ns, r.mono0_ns, r.clock_offset_ns,
                 r.bench_toml, r.bench_json, r.ended_ns, r.note, r.rows, r.touched_utc_ns),
            )  # fmt: skip
            con.executemany(
                "INSERT INTO run_calibrations VALUES (?, ?, ?)",
                [(r.id, channel, given) for channel, given in (calibrations or {}).items()],
            )

    @contextmanager
    def together(self) -> Iterator[None]:
        """Make all that is written within the block, by this thread, one commit that survives a power cut.

        What raises within it and is caught there undoes itself alone; what leaves the block undoes all.
        """
        with self._db.writing(full=True):
            yield

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
        self,
        limit: int = 100,
        kind: str | None = None,
        bench: str | None = None,
        *,
        away: bool | None = False,
    ) -> list[RunRecord]:
        """Records of at most `limit` runs, newest first; of one kind and one bench when given.

        Parameters
        ----------
        limit : int
        kind, bench : str, optional
            Of these alone; None for any.
        away : bool or None
            Those that were put away; None for all, put away or not.
        """
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_RUN} FROM runs WHERE (?1 IS NULL OR kind = ?1) AND (?2 IS NULL OR bench = ?2) "  # noqa: S608
                "AND (?4 IS NULL OR (away_utc_ns IS NOT NULL) = ?4) "
                "ORDER BY start_utc_ns DESC, rowid DESC LIMIT ?3",
                (kind, bench, limit, None if away is None else int(away)),
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
        """Change a run's title, build or note.

        Parameters
        ----------
        run_id : str
        name, build, note : str, optional
            None leaves what is there.

        Raises
        ------
        RunNotFound
        """
        self._change_run(
            run_id,
            "name = coalesce(?, name), build = coalesce(?, build), note = coalesce(?, note)",
            (name, build, note),
        )

    def put_away(self, run_id: str, utc_ns: int) -> None:
        """Take a run out of every list and every study, with all that was recorded kept; see `bring_back`.

        Parameters
        ----------
        run_id : str
        utc_ns : int
            When [ns since 1970-01-01 UTC].

        Raises
        ------
        RunNotFound
        RequestRefused
            While it is being recorded.
        """
        if self.get_run(run_id).ended_ns is None:
            raise RequestRefused("is being recorded", place=run_id, remedy="stop the run first")
        self._change_run(run_id, "away_utc_ns = ?", (utc_ns,))

    def bring_back(self, run_id: str) -> None:
        """Undo `put_away`.

        Raises
        ------
        RunNotFound
        """
        self._change_run(run_id, "away_utc_ns = NULL", ())

    def touch_run(
        self, run_id: str, utc_ns: int, rows: int | None = None, *, wait_s: float | None = None
    ) -> None:
        """Say that samples were stored; an unknown run is ignored.

        Parameters
        ----------
        run_id : str
        utc_ns : int
            When [ns since 1970].
        rows : int, optional
            How many the run has now; None leaves the count.
        wait_s : float, optional
            Gives up with StoreBusy after so long [s]; None waits as any writer does.
        """
        with self._db.writing(wait_s=wait_s) as con:
            con.execute(
                "UPDATE runs SET touched_utc_ns = ?, rows = coalesce(?, rows) WHERE id = ?",
                (utc_ns, rows, run_id),
            )

    def forget_run(self, run_id: str) -> None:
        """Remove a run's record, marks, links and forecasts. Its trips and alarms stay, as a record of
        safety, and its fills, which stand by themselves."""
        with self._db.writing(full=True) as con:
            con.execute("DELETE FROM runs WHERE id = ?", (run_id,))
            con.execute("DELETE FROM marks WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM links WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM gaps WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM run_calibrations WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM forecasts WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM foretold WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM results WHERE run_id = ?", (run_id,))
            con.execute("UPDATE fills SET run_id = NULL, t_ns = NULL WHERE run_id = ?", (run_id,))

    def _change_run(self, run_id: str, what: str, values: tuple[Any, ...]) -> None:
        with self._db.writing(full=True) as con:
            con.execute(f"UPDATE runs SET {what} WHERE id = ?", (*values, run_id))  # noqa: S608
            changed = con.changes()
        if not changed:
            raise _no_run(run_id)

    # -- marks -----------------------------------------------------------------------------------

    def add_mark(
        self,
        run_id: str,
        t_ns: int,
        kind: str,
        text: str,
        who: str = "",
        data: Mapping[str, Any] | None = None,
    ) -> int:
        """Pin words, and what they say as data, to an instant of a run; returns the mark's id.

        Parameters
        ----------
        run_id : str
        t_ns : int
            The instant [ns of the run].
        kind : str
            Such as "note", "lye" or "trip".
        text : str
        who : str
            A person or a part of the system; empty where nobody is named.
        data : mapping of str to object, optional
            As JSON takes it; None for words alone.
        """
        with self._db.writing(full=True) as con:
            return added(
                con,
                "INSERT INTO marks (run_id, t_ns, kind, text, who, data) VALUES (?, ?, ?, ?, ?, ?)",
                (run_id, t_ns, kind, text, who, text_of(data) if data else ""),
            )

    def list_marks(self, run_id: str) -> list[Mark]:
        """The run's marks in order of time."""
        with self._db.reading() as con:
            rows = con.execute(
                "SELECT id, run_id, t_ns, kind, text, who, data FROM marks WHERE run_id = ? ORDER BY "
                "t_ns, id",
                (run_id,),
            ).fetchall()
        return [
            Mark(number, run, t_ns, kind, text, who, orjson.loads(data) if data else None)
            for number, run, t_ns, kind, text, who, data in rows
        ]

    # -- gaps ------------------------------------------------------------------------------------

    def add_gap(self, gap: Gap) -> None:
        """Write down samples that are not kept. A gap may be told while it grows: one of the
        same run, source and start replaces what was said before."""
        with self._db.writing(full=True) as con:
            con.execute(
                "INSERT OR REPLACE INTO gaps (run_id, source, start_ns, end_ns, samples, why) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (gap.run_id, gap.source, gap.start_ns, gap.end_ns, gap.samples, gap.why),
            )

    def list_gaps(self, run_id: str) -> list[Gap]:
        """The run's gaps in order of time."""
        with self._db.reading() as con:
            rows = con.execute(
                "SELECT run_id, start_ns, end_ns, samples, why, source FROM gaps WHERE run_id = ? "
                "ORDER BY start_ns, source",
                (run_id,),
            ).fetchall()
        return [Gap(*row) for row in rows]

    # -- links -------------------------------------------------------------------------------------

    def save_links(self, run_id: str, source: str, counters: Mapping[str, Any]) -> None:
        """Keep a source's counters for a run, in place of what was kept.

        Parameters
        ----------
        run_id, source : str
        counters : mapping of str to object
            As JSON takes them.
        """
        with self._db.writing() as con:
            con.execute("INSERT OR REPLACE INTO links VALUES (?, ?, ?)", (run_id, source, text_of(counters)))

    def load_links(self, run_id: str) -> dict[str, dict[str, Any]]:
        """The counters of a run, by source."""
        with self._db.reading() as con:
            rows = con.execute(
                "SELECT source, body FROM links WHERE run_id = ? ORDER BY source", (run_id,)
            ).fetchall()
            return {source: orjson.loads(body) for source, body in rows}

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


def free_run_id(start_utc_ns: int, taken: Container[str] = ()) -> str:
    """An id for a run that begins then: its second in UTC, and the milliseconds too when that is taken.

    It needs no file. A run that begins a millisecond after one of the same id gets another, so that two have
    the same only if neither knew of the other and both began in the same second.
    """
    stem = _stem(start_utc_ns)
    if stem not in taken:
        return stem
    number = start_utc_ns // 1_000_000 % 1000
    while (run_id := f"{stem}-{number:03d}") in taken:
        number += 1
    return run_id


def start_in_id(run_id: str) -> int:
    """The start that a run's id says, to a second [ns since 1970-01-01 UTC]; 0 for one of another form."""
    try:
        return int(datetime.strptime(run_id[:15] + "Z", "%Y%m%d-%H%M%S%z").timestamp()) * 1_000_000_000
    except ValueError:
        return 0


def _stem(start_utc_ns: int) -> str:
    return datetime.fromtimestamp(start_utc_ns // 1_000_000_000, UTC).strftime("%Y%m%d-%H%M%S")


def _no_run(run_id: str) -> RunNotFound:
    return RunNotFound("no such run", place=run_id, remedy="`lyewatch runs` lists them")
