"""The logbook's part on what people measure beside the runs: timed fills and calibrations."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import orjson

from daq.errors import RequestRefused
from daq.store.logbook.forecasts import ForetoldBook
from daq.store.logbook.records import CalibrationRecord, FillRecord
from daq.store.logbook.runs import added, text_of

__all__ = ["MeasureBook"]

_FILL = "bench, build, t_utc_ns, body, run_id, t_ns, who, note"
_CALIBRATION = "bench, channel, t_utc_ns, who, reference, due_utc_ns, body"
_STANDS: dict[str, Any] = {"withdrawn_utc_ns": None, "withdrawn_by": "", "withdrawn_reason": ""}
_WITHDRAWN = "id, withdrawn_utc_ns, withdrawn_by, withdrawn_reason"


class MeasureBook(ForetoldBook):
    """Fills and calibrations. See `Logbook`, which is one."""

    # -- fills -----------------------------------------------------------------------------------

    def add_fill(self, fill: FillRecord) -> FillRecord:
        """Keep a timed fill; returns it with its id."""
        with self._db.writing(full=True) as con:
            given = added(con, f"INSERT INTO fills ({_FILL}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                    (fill.bench, fill.build, fill.t_utc_ns, text_of(fill.body), fill.run_id, fill.t_ns,
                 fill.who, fill.note),
            )  # fmt: skip
        return replace(fill, id=given)

    def list_fills(
        self,
        *,
        bench: str | None = None,
        run_id: str | None = None,
        build: str | None = None,
        since_utc_ns: int | None = None,
        until_utc_ns: int | None = None,
        limit: int = 1000,
    ) -> list[FillRecord]:
        """The newest `limit` fills that fit all that is given, oldest first."""
        with self._db.reading() as con:
            rows = con.execute(
                f"SELECT {_FILL}, id FROM fills WHERE (?1 IS NULL OR bench = ?1) "  # noqa: S608
                "AND (?2 IS NULL OR run_id = ?2) AND (?3 IS NULL OR build = ?3) "
                "AND (?4 IS NULL OR t_utc_ns >= ?4) AND (?5 IS NULL OR t_utc_ns < ?5) "
                "ORDER BY t_utc_ns DESC, id DESC LIMIT ?6",
                (bench, run_id, build, since_utc_ns, until_utc_ns, limit),
            ).fetchall()
        return [_fill(row) for row in reversed(rows)]

    def forget_fill(self, fill_id: int) -> bool:
        """Remove a fill that went wrong; False when there is none of that id."""
        with self._db.writing(full=True) as con:
            con.execute("DELETE FROM fills WHERE id = ?", (fill_id,))
            return con.changes() > 0

    # -- calibrations ----------------------------------------------------------------------------

    def add_calibration(self, calibration: CalibrationRecord) -> CalibrationRecord:
        """Keep a calibration; returns it with its id. Runs that begin from now on use it."""
        c = calibration
        with self._db.writing(full=True) as con:
            given = added(
                con,
                f"INSERT INTO calibrations ({_CALIBRATION}) VALUES (?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
                (c.bench, c.channel, c.t_utc_ns, c.who, c.reference, c.due_utc_ns, text_of(c.body)),
            )
        return replace(c, id=given)

    def restore_calibration(self, calibration: CalibrationRecord) -> CalibrationRecord:
        """Keep a calibration again that was lost, under its id unless another has it; returns it as kept."""
        given_before = self.list_calibrations(calibration.bench, calibration.channel)
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

    def get_calibration(self, calibration_id: int) -> CalibrationRecord:
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

    def list_calibrations(self, bench: str, channel: str | None = None) -> list[CalibrationRecord]:
        """All calibrations of a bench, or of one of its channels, by their dates, withdrawn ones too."""
        return self._calibrations(
            "WHERE bench = ?1 AND (?2 IS NULL OR channel = ?2) ORDER BY t_utc_ns, id", (bench, channel)
        )

    def newest_calibrations(self, bench: str) -> dict[str, CalibrationRecord]:
        """The newest standing calibration of each channel that has one."""
        return {c.channel: c for c in self.list_calibrations(bench) if c.withdrawn_utc_ns is None}

    def withdraw_calibration(self, calibration_id: int, who: str, reason: str) -> bool:
        """Say that a calibration was wrong: no later run uses it, runs that did still say so.

        False when it had been withdrawn already or there is none.
        """
        with self._db.writing(full=True) as con:
            con.execute(
                "UPDATE calibrations SET withdrawn_utc_ns = ?, withdrawn_by = ?, withdrawn_reason = ? "
                "WHERE id = ? AND withdrawn_utc_ns IS NULL",
                (time.time_ns(), who, reason, calibration_id),
            )
            done = con.changes()
        return done > 0

    def run_calibrations(self, run_id: str) -> dict[str, CalibrationRecord]:
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


def _fill(row: tuple[Any, ...]) -> FillRecord:
    bench, build, t_utc_ns, body, *rest = row
    return FillRecord(bench, build, t_utc_ns, orjson.loads(body), *rest)


def _calibration(row: tuple[Any, ...]) -> CalibrationRecord:
    bench, channel, t_utc_ns, who, reference, due_utc_ns, body, *rest = row
    return CalibrationRecord(bench, channel, t_utc_ns, who, reference, due_utc_ns, orjson.loads(body), *rest)
