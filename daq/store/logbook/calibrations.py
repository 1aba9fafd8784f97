"""The logbook's calibrations, and which of them each run was recorded with."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import orjson

from daq.errors import RequestRefused
from daq.store._database import Database
from daq.store.logbook._sql import added, text_of
from daq.store.logbook.records import CalibrationRecord

__all__ = ["CalibrationBook"]

_CALIBRATION = "bench, channel, t_utc_ns, who, reference, due_utc_ns, body"
_STANDS: dict[str, Any] = {"withdrawn_utc_ns": None, "withdrawn_by": "", "withdrawn_reason": ""}
_WITHDRAWN = "id, withdrawn_utc_ns, withdrawn_by, withdrawn_reason"


class CalibrationBook:
    """Calibrations of channels."""

    def __init__(self, db: Database) -> None:
        self._db = db

    def add(self, calibration: CalibrationRecord) -> CalibrationRecord:
        """Keep a calibration; returns it with its id. Runs that begin from now on use it."""
        c = calibration
        with self._db.writing(full=True) as con:
            given = added(
                con,
                f"INSERT INTO calibrations ({_CALIBRATION}) VALUES (?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                (c.bench, c.channel, c.t_utc_ns, c.who, c.reference, c.due_utc_ns, text_of(c.body)),
            )
        return replace(c, id=given)

    def restore(self, calibration: CalibrationRecord) -> CalibrationRecord:
        """Keep a calibration again that was lost, under its id unless another has it; returns it as kept."""
        given_before = self.of_bench(calibration.bench, calibration.channel)
        unnumbered = replace(calibration, id=0, **_STANDS)
        same = [c for c in given_before if replace(c, id=0, **_STANDS) == unnumbered]
        if same:
            return same[0]
        c = calibration
        with self._db.writing(full=True) as con:
            taken = con.execute("SELECT 1 FROM calibrations WHERE id = ?", (c.id,)).fetchone() is not None
            given = added(
                con,
                f"INSERT INTO calibrations ({_CALIBRATION}, {_WITHDRAWN}) "  # noqa: S608
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (c.bench, c.channel, c.t_utc_ns, c.who, c.reference, c.due_utc_ns, text_of(c.body),
                 None if taken else c.id, c.withdrawn_utc_ns, c.withdrawn_by, c.withdrawn_reason),
            )  # fmt: skip
        return replace(c, id=given)

    def get(self, calibration_id: int) -> CalibrationRecord:
        """One calibration, whether it stands or not.

        Raises
        ------
        RequestRefused
            When there is none of that id.
        """
        found = self._calibrations("WHERE id = ?", (calibration_id,))
        if not found:
            raise RequestRefused(
                "no such calibration",
                place="calibrations",
                value=calibration_id,
                remedy="`lyewatch calibrate BENCH --list` lists them",
            )
        return found[0]

    def of_bench(self, bench: str, channel: str | None = None) -> list[CalibrationRecord]:
        """All calibrations of a bench, or of one of its channels, by their dates, withdrawn ones too."""
        return self._calibrations(
            "WHERE bench = ?1 AND (?2 IS NULL OR channel = ?2) ORDER BY t_utc_ns, id", (bench, channel)
        )

    def newest(self, bench: str) -> dict[str, CalibrationRecord]:
        """The newest standing calibration of each channel that has one."""
        return {c.channel: c for c in self.of_bench(bench) if c.withdrawn_utc_ns is None}

    def withdraw(self, calibration_id: int, who: str, reason: str) -> bool:
        """Say that a calibration was wrong: no later run uses it, runs that did still say so.

        False when it had been withdrawn already or there is none.

        Parameters
        ----------
        calibration_id : int
        who, reason : str
            The person's name, and what was wrong.
        """
        with self._db.writing(full=True) as con:
            con.execute(
                "UPDATE calibrations SET withdrawn_utc_ns = ?, withdrawn_by = ?, withdrawn_reason = ? "
                "WHERE id = ? AND withdrawn_utc_ns IS NULL",
                (time.time_ns(), who, reason, calibration_id),
            )
            done = con.changes()
        return done > 0

    def of_run(self, run_id: str) -> dict[str, CalibrationRecord]:
        """The calibrations that a run was recorded with, by channel."""
        found = self._calibrations(
            "JOIN run_calibrations AS pinned ON pinned.calibration_id = calibrations.id "
            "WHERE pinned.run_id = ? ORDER BY calibrations.id",
            (run_id,),
        )
        return {c.channel: c for c in found}

    def _calibrations(self, which: str, values: tuple[Any, ...]) -> list[CalibrationRecord]:
        columns = ", ".join(f"calibrations.{c}" for c in f"{_CALIBRATION}, {_WITHDRAWN}".split(", "))
        with self._db.reading() as con:
            rows = con.execute(f"SELECT {columns} FROM calibrations {which}", values).fetchall()  # noqa: S608
        return [_calibration(row) for row in rows]


def _calibration(row: tuple[Any, ...]) -> CalibrationRecord:
    bench, channel, t_utc_ns, who, reference, due_utc_ns, body, *rest = row
    return CalibrationRecord(bench, channel, t_utc_ns, who, reference, due_utc_ns, orjson.loads(body), *rest)
