"""Reading a CSV log, in pieces of bounded memory, with errors that name the row and the column."""

from __future__ import annotations

import csv as table
import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv

from daq.bench import KNOWN_CHANNELS, Bench, convert
from daq.errors import LogFileError

__all__ = ["LogFile", "LogPiece", "open_log"]

TIME_COLUMNS = ("elapsed_s", "time")
NOT_A_NUMBER = ["", "nan", "NaN", "NAN", "NA", "N/A", "null", "None", "OL", "ol", "OVLD", "---", "--", "-"]
"""Words by which meters and spreadsheets say that they have no value."""

_HEADING = re.compile(r"^(?P<name>[^\[\]()]+?)\s*(?:[\[(](?P<unit>[^\])]*)[\])])?$")


@dataclass(frozen=True, slots=True)
class _Column:
    heading: str
    channel: str
    factor: float
    offset: float


@dataclass(frozen=True, slots=True)
class LogPiece:
    """Some rows of the log: run time [ns] and each channel's values in lyewatch's unit (NaN where there is
    none)."""

    t_ns: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]
    fraction: float
    """How much of the file has been read, 0 to 1."""


@dataclass(frozen=True, slots=True)
class LogFile:
    """An opened log: its channels, its start where it has one, and notes on what was left aside."""

    path: Path
    headings: tuple[str, ...]
    time_column: str
    columns: tuple[_Column, ...]
    notes: tuple[str, ...]

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that it fills."""
        return tuple(c.channel for c in self.columns)

    def pieces(self) -> Iterator[tuple[int | None, LogPiece]]:
        """Pieces in order, each with the UTC time of the log's first row [ns] where the log tells it.

        Raises
        ------
        LogFileError
            Naming the row, the column, the value and the remedy.
        """
        return _read(self)


def open_log(path: Path, bench: Bench) -> LogFile:
    """Read the header and find the bench's channels in it.

    Raises
    ------
    LogFileError
        When the file can not be read, has no time column or names no channel of the bench.
    """
    try:
        with path.open("rb") as file:
            first = file.readline(100_000)
    except OSError as exc:
        raise LogFileError(
            f"can not be read: {exc.strerror or exc}", place=str(path), remedy="check the path"
        ) from None
    try:
        text = first.decode("utf-8-sig").strip()
    except UnicodeDecodeError:
        raise LogFileError(
            "is not UTF-8 text", place=f"{path}: row 1", remedy="save it as UTF-8 CSV"
        ) from None
    if not text:
        raise LogFileError("is empty", place=str(path), remedy="the first row must name time and channels")
    if "," not in text and ";" in text:
        raise LogFileError(
            "is parted by semicolons",
            place=f"{path}: row 1",
            value=text[:60],
            remedy="save it with commas between columns and points in numbers",
        )
    try:
        headings = [h.strip() for h in next(table.reader([text], skipinitialspace=True))]
    except table.Error as exc:
        raise LogFileError(
            f"is no row of headings: {exc}",
            place=f"{path}: row 1",
            value=text[:60],
            remedy="save it as CSV with one row a line",
        ) from None
    time_column = next((name for name in TIME_COLUMNS if name in headings), None)
    if time_column is None:
        raise LogFileError(
            "has no time column",
            place=f"{path}: row 1",
            value=text[:80],
            remedy="name one column elapsed_s (seconds) or time (ISO 8601)",
        )
    columns, notes = _columns(path, headings, bench)
    return LogFile(path, tuple(headings), time_column, columns, notes)


def _columns(path: Path, headings: list[str], bench: Bench) -> tuple[tuple[_Column, ...], tuple[str, ...]]:
    columns: list[_Column] = []
    notes: list[str] = []
    repeated = {h for h in headings if headings.count(h) > 1}
    if repeated:
        raise LogFileError(
            "names a column twice",
            place=f"{path}: row 1",
            value=", ".join(sorted(repeated)),
            remedy="give each column a name of its own",
        )
    for heading in headings:
        match = _HEADING.match(heading)
        name, unit = (match["name"].strip(), match["unit"]) if match else (heading, None)
        if heading in TIME_COLUMNS or name.endswith((".status", ".raw")):
            continue
        if name not in bench.channels:
            near = difflib.get_close_matches(name, list(bench.channels), n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            notes.append(f"{path.name}: column {heading!r} is no channel of the bench and was left out{hint}")
            continue
        if any(c.channel == name for c in columns):
            raise LogFileError(
                "names a channel twice",
                place=f"{path}: row 1",
                value=heading,
                remedy="keep one column for it",
            )
        kept = bench.channels[name].unit
        turned = (1.0, 0.0) if unit is None else convert(unit.strip(), kept)
        if turned is None:
            words = KNOWN_CHANNELS[name].words if name in KNOWN_CHANNELS else f"channel {name}"
            raise LogFileError(
                f"is no unit of {words}",
                place=f"{path}: row 1: {heading}",
                value=unit,
                remedy=f"write the column in {kept}, or leave the unit away if it is",
            )
        columns.append(_Column(heading, name, *turned))
    if not columns:
        raise LogFileError(
            "names no channel of the bench",
            place=f"{path}: row 1",
            value=", ".join(headings)[:80],
            remedy=f"name columns {', '.join(bench.channels)}",
        )
    return tuple(columns), tuple(notes)


def _read(log: LogFile) -> Iterator[tuple[int | None, LogPiece]]:
    # By position and not by name: headings may be quoted, spaced, or carry units.
    positions = [log.headings.index(h) for h in (log.time_column, *(c.heading for c in log.columns))]
    names = [str(i) for i in range(len(log.headings))]
    wanted = [names[i] for i in positions]
    types: dict[str, pa.DataType] = dict.fromkeys(wanted, pa.float64())
    if log.time_column == "time":
        types[wanted[0]] = pa.string()
    size = max(1, log.path.stat().st_size)
    convert_options = csv.ConvertOptions(
        column_types=types, include_columns=wanted, null_values=NOT_A_NUMBER, strings_can_be_null=True
    )
    read_options = csv.ReadOptions(block_size=4 << 20, column_names=names, skip_rows=1)
    start_utc: int | None = None
    last_ns = -1
    rows = 1  # the header
    done = 0
    try:
        reader = csv.open_csv(log.path, read_options, csv.ParseOptions(), convert_options)
        for batch in reader:
            if log.time_column == "elapsed_s":
                t_ns = _elapsed(log, batch.column(0), rows)
            else:
                utc_ns = _utc(log, batch.column(0), rows)
                if start_utc is None and utc_ns.size:
                    start_utc = int(utc_ns[0])
                t_ns = utc_ns - (start_utc or 0)
            _in_order(log, t_ns, last_ns, rows)
            if t_ns.size:
                last_ns = int(t_ns[-1])
            rows += batch.num_rows
            done += batch.nbytes
            values = {
                c.channel: batch.column(i + 1).to_numpy(zero_copy_only=False) * c.factor + c.offset
                for i, c in enumerate(log.columns)
            }
            # The text's size is unknown until it is read; the numbers' size is near enough for a progress
            # bar.
            yield start_utc, LogPiece(t_ns, values, min(1.0, done / size))
    except pa.ArrowInvalid as exc:
        raise _said_plainly(log, str(exc), rows) from None


def _elapsed(log: LogFile, column: pa.Array[Any], rows: int) -> NDArray[np.int64]:
    seconds = column.to_numpy(zero_copy_only=False).astype(np.float64)
    wrong = np.flatnonzero(~np.isfinite(seconds) | (seconds < 0) | (seconds > 1e9))
    if wrong.size:
        row = rows + int(wrong[0]) + 1
        raise LogFileError(
            "is no time since the start",
            place=f"{log.path}: row {row}: elapsed_s",
            value=float(seconds[wrong[0]]),
            remedy="write seconds from 0 upwards",
        )
    return np.rint(seconds * 1e9).astype(np.int64)


def _utc(log: LogFile, column: pa.Array[Any], rows: int) -> NDArray[np.int64]:
    out = np.empty(len(column), dtype=np.int64)
    try:
        # The quick way for text that Arrow's parser takes; a mixed or zoned column goes value by value.
        fast = pc.cast(column, pa.timestamp("ns", "UTC"))
        if fast.null_count == 0:
            return fast.to_numpy(zero_copy_only=False).astype("datetime64[ns]").astype(np.int64)
    except pa.ArrowInvalid:
        pass
    for i, text in enumerate(column.to_pylist()):
        try:
            moment = datetime.fromisoformat(str(text).strip())
            if moment.tzinfo is None:
                moment = moment.replace(tzinfo=UTC)
            whole = moment.replace(microsecond=0)
            out[i] = int(whole.timestamp()) * 1_000_000_000 + moment.microsecond * 1000
        except (ValueError, OverflowError):  # the latter beyond the year 2262
            raise LogFileError(
                "is no ISO 8601 time",
                place=f"{log.path}: row {rows + i + 1}: time",
                value=text,
                remedy="write 2026-03-01T14:05:09.5Z",
            ) from None
    return out


def _in_order(log: LogFile, t_ns: NDArray[np.int64], last_ns: int, rows: int) -> None:
    steps = np.diff(
        t_ns, prepend=np.int64(max(last_ns, 0) if last_ns >= 0 else (t_ns[0] if t_ns.size else 0))
    )
    back = np.flatnonzero(steps < 0)
    if back.size:
        row = rows + int(back[0]) + 1
        raise LogFileError(
            "goes back in time",
            place=f"{log.path}: row {row}: {log.time_column}",
            value=f"{steps[back[0]] / 1e9:.3f} s after the row before",
            remedy="sort the rows by time, or cut the log where the clock was set",
        )


def _said_plainly(log: LogFile, text: str, rows: int) -> LogFileError:
    """Arrow names no row; a second, slow look finds it, in a file that is not taken anyway."""
    try:
        found = _first_wrong_cell(log, rows)
    except table.Error as exc:  # a cell beyond all measure, or a NUL
        text = str(exc)
    else:
        if found is not None:
            return found
    return LogFileError(
        f"is no CSV table: {text.splitlines()[0]}", place=str(log.path), remedy="save it as CSV with commas"
    )


def _first_wrong_cell(log: LogFile, rows: int) -> LogFileError | None:
    wanted = {log.headings.index(h): h for h in (*(c.heading for c in log.columns), log.time_column)}
    if log.time_column == "time":
        del wanted[log.headings.index("time")]
    with log.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        for row, cells in enumerate(table.reader(file), start=1):
            if row <= rows or not cells:
                continue
            if len(cells) != len(log.headings):
                return LogFileError(
                    f"has {len(cells)} columns where the header has {len(log.headings)}",
                    place=f"{log.path}: row {row}",
                    remedy="give every row the same columns",
                )
            for i, heading in wanted.items():
                if cells[i].strip() not in NOT_A_NUMBER and not _is_number(cells[i]):
                    return LogFileError(
                        "is no number",
                        place=f"{log.path}: row {row}: {heading}",
                        value=cells[i],
                        remedy="write a number with a point, or leave the cell empty",
                    )
    return None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
