"""Reading a CSV log, in pieces of bounded memory, with errors that name the row and the column.

Commas, semicolons or tabs part the columns, and decimals are parted by points or by commas: a file tells
which. A cell that is no number is a bad value and a row without a time is left out, both told in a note; a
table that is wrong in more than that is refused.
"""

from __future__ import annotations

import csv as table
import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv

from daq.bench import KNOWN_CHANNELS, Bench, convert, unit_named
from daq.errors import LogFileError

__all__ = ["LogFile", "LogPiece", "open_log"]

TIME_COLUMNS = ("elapsed_s", "time")
NOT_A_NUMBER = ["", "nan", "NaN", "NAN", "NA", "N/A", "null", "None", "OL", "ol", "OVLD", "---", "--", "-"]
"""Words by which meters and spreadsheets say that they have no value."""

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
"""What may part columns, by name."""
MOST_LEFT_OUT = 0.1
"""Rows without a time or of another number of columns are left out up to this share of all (judgement)."""
MOST_BAD = 0.5
"""A column with more cells than this share that are no numbers is no column of numbers (judgement)."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_WITH_COMMA = r"^\s*[+-]?\d*,\d+([eE][+-]?\d+)?\s*$"
_WITH_POINT = r"^\s*[+-]?\d*\.\d+([eE][+-]?\d+)?\s*$"
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
    bad: dict[str, NDArray[np.bool_]]
    """Where a cell was no number, of the channels that have such cells."""
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
    separator: str = ","
    decimal: str = "."

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that it fills."""
        return tuple(c.channel for c in self.columns)

    def pieces(self, notes: list[str] | None = None) -> Iterator[tuple[int | None, LogPiece]]:
        """Pieces in order, each with the UTC time of the log's first row [ns] where the log tells it.

        Parameters
        ----------
        notes : list of str, optional
            What was left out or taken as bad is added to it after the last piece.

        Raises
        ------
        LogFileError
            Naming the row, the column, the value and the remedy.
        """
        return _read(self, [] if notes is None else notes)


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
    separator, headings = _headings(path, text)
    time_column = next((name for name in TIME_COLUMNS if name in headings), None)
    if time_column is None:
        raise LogFileError(
            "has no time column",
            place=f"{path}: row 1",
            value=text[:80],
            remedy="name one column elapsed_s (seconds) or time (ISO 8601, or 28.03.2026 14:05:09)",
        )
    columns, notes = _columns(path, headings, bench)
    log = LogFile(path, tuple(headings), time_column, columns, notes, separator)
    decimal = _decimal(log)
    if separator != "," or decimal != ".":
        note = f"{path.name}: columns parted by {SEPARATORS[separator]}, decimals by {_MARKS[decimal]}s"
        log = replace(log, decimal=decimal, notes=(*notes, note))
    return log


_MARKS = {".": "point", ",": "comma"}


def _headings(path: Path, text: str) -> tuple[str, list[str]]:
    """What parts the columns, and their names: what finds the time, else what finds most columns."""
    found: list[tuple[bool, int, str, list[str]]] = []
    problem = ""
    for separator in SEPARATORS:
        try:
            row = next(table.reader([text], delimiter=separator, skipinitialspace=True))
        except table.Error as exc:
            problem = str(exc)
            continue
        names = [h.strip() for h in row]
        timed = any(name in names for name in TIME_COLUMNS)
        found.append((timed, len(names), separator, names))
    if not found:
        raise LogFileError(
            f"is no row of headings: {problem}",
            place=f"{path}: row 1",
            value=text[:60],
            remedy="save it as CSV with one row a line",
        )
    _, _, separator, names = max(found, key=lambda f: f[:2])
    return separator, names


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
        turned = (1.0, 0.0) if unit is None else convert(unit_named(unit.strip()), kept)
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


# -- the rows ----------------------------------------------------------------------------------------------


@dataclass
class _Defects:
    """What was not as it should be, over the whole log."""

    short: int = 0
    """Rows of another number of columns."""
    short_text: str = ""
    """The first of them."""
    timeless: int = 0
    """Rows without a time."""
    first_timeless: tuple[int, str] = (0, "")
    """The first: which row of those of full length, from 0, and what stood there."""
    bad: dict[str, int] = field(default_factory=dict)
    """Cells that are no numbers, by heading."""
    filled: dict[str, int] = field(default_factory=dict)
    """Cells with anything in them, by heading."""
    first: dict[str, tuple[int, str]] = field(default_factory=dict)
    """The first such cell of each: which row of those of full length, from 0, and its text."""

    def no_time(self, row: int, text: str | None) -> None:
        """Count a row without a time."""
        if not self.timeless:
            self.first_timeless = row, _text(text)
        self.timeless += 1


def _table(log: LogFile, defects: _Defects, wanted: list[str]) -> Any:
    """Arrow's reader of the wanted columns, by position, as text."""

    def shorter(row: Any) -> Literal["skip"]:
        defects.short_text = defects.short_text or _text(row.text)
        defects.short += 1
        return "skip"

    names = [str(i) for i in range(len(log.headings))]
    return csv.open_csv(
        log.path,
        # Latin-1 takes any byte: one that is no UTF-8 spoils its own cell and no other. `_text` goes back.
        csv.ReadOptions(block_size=4 << 20, column_names=names, skip_rows=1, encoding="latin-1"),
        csv.ParseOptions(delimiter=log.separator, invalid_row_handler=shorter),
        csv.ConvertOptions(
            column_types=dict.fromkeys(wanted, pa.string()),
            include_columns=wanted,
            null_values=NOT_A_NUMBER,
            strings_can_be_null=True,
        ),
    )


def _positions(log: LogFile) -> list[str]:
    # By position and not by name: headings may be quoted, spaced, or carry units.
    return [str(log.headings.index(h)) for h in (log.time_column, *(c.heading for c in log.columns))]


def _decimal(log: LogFile) -> str:
    """The decimal mark of a log in which a comma may be one: that which its numbers have.

    Raises
    ------
    LogFileError
        When some numbers have a comma and some a point: 1,234 may then be either.
    """
    with log.path.open("rb") as file:
        quoted = b'"' in file.read(1 << 16).partition(b"\n")[2]
    if log.separator == "," and not quoted:
        return "."
    numbers = _positions(log)[1 if log.time_column == "time" else 0 :]
    seen: dict[str, tuple[int, str]] = {}
    rows = 0
    try:
        for batch in _table(log, _Defects(), numbers):
            for mark, pattern in ((",", _WITH_COMMA), (".", _WITH_POINT)):
                for column in batch.columns if mark not in seen else ():
                    at = pc.index(pc.match_substring_regex(column, pattern), True).as_py()
                    if at >= 0 and (mark not in seen or rows + at < seen[mark][0]):
                        seen[mark] = rows + at, _text(column[at].as_py())
            if len(seen) == 2:
                mark = max(seen, key=lambda m: seen[m][0])
                row, text = seen[mark]
                other = _MARKS[".,".replace(mark, "")]
                raise LogFileError(
                    f"has a decimal {_MARKS[mark]} where other numbers have a {other}",
                    place=f"{log.path}: row {_physical(log, row)}",
                    value=text,
                    remedy="write all numbers with the same mark, and none with thousands parted",
                )
            rows += batch.num_rows
    except pa.ArrowInvalid as exc:
        raise _no_table(log, str(exc)) from None
    return "," if "," in seen else "."


def _read(log: LogFile, notes: list[str]) -> Iterator[tuple[int | None, LogPiece]]:
    size = max(1, log.path.stat().st_size)
    defects = _Defects()
    start_utc: int | None = None
    last_ns = -1
    rows = done = 0
    try:
        for batch in _table(log, defects, _positions(log)):
            if log.time_column == "elapsed_s":
                t_ns, timed = _elapsed(log, batch.column(0), rows, defects)
            else:
                utc_ns, timed = _utc(batch.column(0), rows, defects)
                if start_utc is None and timed.any():
                    start_utc = int(utc_ns[timed][0])
                t_ns = utc_ns - (start_utc or 0)
            t_ns = t_ns[timed]
            _in_order(log, t_ns, last_ns, rows + np.flatnonzero(timed))
            if t_ns.size:
                last_ns = int(t_ns[-1])
            values, bad = {}, {}
            for c, column in zip(log.columns, batch.columns[1:], strict=True):
                numbers, wrong = _numbers(column, log.decimal)
                defects.filled[c.heading] = defects.filled.get(c.heading, 0) + len(column) - column.null_count
                if wrong.any():
                    at = int(np.flatnonzero(wrong)[0])
                    defects.first.setdefault(c.heading, (rows + at, _text(column[at].as_py())))
                    defects.bad[c.heading] = defects.bad.get(c.heading, 0) + int(wrong.sum())
                    bad[c.channel] = wrong[timed]
                values[c.channel] = (numbers * c.factor + c.offset)[timed]
            rows += batch.num_rows
            done += batch.nbytes
            # The text's size is unknown until it is read; that of its cells is near enough for a progress
            # bar.
            if t_ns.size:
                yield start_utc, LogPiece(t_ns, values, bad, min(1.0, done / size))
    except pa.ArrowInvalid as exc:
        raise _no_table(log, str(exc)) from None
    notes += _defect_notes(log, defects, rows)


def _numbers(column: pa.Array[Any], decimal: str) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Cells as numbers, NaN where there is none, and where something stands that is no number."""
    try:
        text = pc.ascii_trim_whitespace(column)
        if decimal == ",":
            text = pc.replace_substring(text, ",", ".")
        quick = text.cast(pa.float64()).to_numpy(zero_copy_only=False)
        numbers = np.asarray(quick, dtype=np.float64)
        wrong = ~np.isfinite(numbers) & ~np.asarray(column.is_null().to_numpy(zero_copy_only=False))
    except pa.ArrowInvalid:  # cell by cell: one of them is no number
        numbers, wrong = np.full(len(column), np.nan), np.zeros(len(column), dtype=bool)
        for i, cell in enumerate(column.to_pylist()):
            word = _text(cell).strip()
            plain = word.replace(",", ".") if decimal == "," else word
            if _NUMBER.fullmatch(plain) and np.isfinite(float(plain)):
                numbers[i] = float(plain)
            else:
                wrong[i] = word not in NOT_A_NUMBER
    return np.where(np.isfinite(numbers), numbers, np.nan), wrong


def _elapsed(
    log: LogFile, column: pa.Array[Any], rows: int, defects: _Defects
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    seconds, _ = _numbers(column, log.decimal)
    timed = np.isfinite(seconds) & (seconds >= 0) & (seconds <= 1e9)
    for i in np.flatnonzero(~timed):
        defects.no_time(rows + int(i), column[int(i)].as_py())
    return np.rint(np.where(timed, seconds, 0.0) * 1e9).astype(np.int64), timed


def _utc(column: pa.Array[Any], rows: int, defects: _Defects) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    timed = np.ones(len(column), dtype=bool)
    try:
        # The quick way for text that Arrow's parser takes; a mixed or zoned column goes value by value.
        text = _day_first(pc.ascii_trim_whitespace(column))
        fast = pc.cast(text, pa.timestamp("ns", "UTC"))
        if fast.null_count == 0:
            return fast.to_numpy(zero_copy_only=False).astype("datetime64[ns]").astype(np.int64), timed
        cells = text.to_pylist()
    except pa.ArrowInvalid:
        cells = _day_first(pa.array([_text(cell).strip() for cell in column.to_pylist()])).to_pylist()
    out = np.zeros(len(column), dtype=np.int64)
    for i, cell in enumerate(cells):
        try:
            moment = datetime.fromisoformat(str(cell))
            if moment.tzinfo is None:
                moment = moment.replace(tzinfo=UTC)
            whole = moment.replace(microsecond=0)
            out[i] = int(whole.timestamp()) * 1_000_000_000 + moment.microsecond * 1000
        except (ValueError, OverflowError):  # the latter beyond the year 2262
            timed[i] = False
            defects.no_time(rows + i, column[i].as_py())
    return out, timed


def _day_first(text: pa.Array[Any]) -> pa.Array[Any]:
    """``28.03.2026 14:05:09,5`` and ``1.3.2026 9:05`` as ISO 8601; anything else as it is."""
    for pattern, by in (
        (r"^(\d)\.", r"0\1."),
        (r"^(\d\d)\.(\d)\.", r"\1.0\2."),
        (r"^(\d\d)\.(\d\d)\.(\d{4}),?[ T]+", r"\3-\2-\1T"),
        (r"T(\d):", r"T0\1:"),
        (r"(:\d\d),(\d)", r"\1.\2"),
    ):
        text = pc.replace_substring_regex(text, pattern, by)
    return text


def _in_order(log: LogFile, t_ns: NDArray[np.int64], last_ns: int, rows: NDArray[np.intp]) -> None:
    if not t_ns.size:
        return
    steps = np.diff(t_ns, prepend=np.int64(last_ns if last_ns >= 0 else t_ns[0]))
    back = np.flatnonzero(steps < 0)
    if back.size:
        raise LogFileError(
            "goes back in time",
            place=f"{log.path}: row {_physical(log, int(rows[back[0]]))}: {log.time_column}",
            value=f"{steps[back[0]] / 1e9:.3f} s after the row before",
            remedy="sort the rows by time, or cut the log where the clock was set",
        )


# -- what was wrong ----------------------------------------------------------------------------------------


def _defect_notes(log: LogFile, defects: _Defects, rows: int) -> list[str]:
    """What was left out or taken as bad, in words.

    Raises
    ------
    LogFileError
        Where that is too much to be a slip.
    """
    notes: list[str] = []
    name = log.path.name
    if defects.short:
        row, cells = _short_row(log)
        if defects.short > MOST_LEFT_OUT * (rows + defects.short):
            raise LogFileError(
                f"has {cells} columns where the header has {len(log.headings)}",
                place=f"{log.path}: row {row}",
                value=defects.short_text[:60],
                remedy="give every row the same columns; numbers with a decimal comma need semicolons or "
                "tabs between columns",
            )
        notes.append(
            f"{name}: {_rows(defects.short)} of another number of columns than the header left out: "
            f"row {row} first, with {cells}"
        )
    if defects.timeless:
        at, text = defects.first_timeless
        row = _physical(log, at)
        if defects.timeless > MOST_LEFT_OUT * rows:
            elapsed = log.time_column == "elapsed_s"
            raise LogFileError(
                "is no time since the start" if elapsed else "is no time of day and date",
                place=f"{log.path}: row {row}: {log.time_column}",
                value=text,
                remedy="write seconds from 0 upwards"
                if elapsed
                else "write ISO 8601, as 2026-03-28T14:05:09.5Z, or 28.03.2026 14:05:09",
            )
        notes.append(
            f"{name}: {_rows(defects.timeless)} without a time left out: row {row} first, with {text!r}"
        )
    for heading, count in defects.bad.items():
        at, text = defects.first[heading]
        row = _physical(log, at)
        if count > MOST_BAD * defects.filled[heading]:
            raise LogFileError(
                "is no number, as most of its column",
                place=f"{log.path}: row {row}: {heading}",
                value=text,
                remedy="write numbers without units and without thousands parted, or leave cells empty",
            )
        notes.append(
            f"{name}: {count} of {defects.filled[heading]} cells of column {heading!r} are no numbers and "
            f"were taken as bad values: row {row} first, with {text[:40]!r}"
        )
    return notes


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _text(cell: str | None) -> str:
    """What was read as Latin-1 as the UTF-8 that it is."""
    return "" if cell is None else cell.encode("latin-1", "replace").decode("utf-8", "replace")


def _no_table(log: LogFile, text: str) -> LogFileError:
    return LogFileError(
        f"is no CSV table: {text.splitlines()[0]}",
        place=str(log.path),
        remedy=f"save it as CSV, columns parted by {SEPARATORS[log.separator]}",
    )


def _cells(log: LogFile) -> Iterator[tuple[int, list[str]]]:
    """Rows after the header that are not empty, with their number; a slow look, where something is wrong."""
    with log.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        try:
            for row, cells in enumerate(table.reader(file, delimiter=log.separator), start=1):
                if row > 1 and cells:
                    yield row, cells
        except table.Error:  # a cell beyond all measure, or a NUL: Arrow took it, Python's reader does not
            return


def _physical(log: LogFile, kept: int) -> int:
    """The file's row, the header the first, of a row counted from 0 among those of full length."""
    count = -1
    for row, cells in _cells(log):
        count += len(cells) == len(log.headings)
        if count == kept:
            return row
    return kept + 2


def _short_row(log: LogFile) -> tuple[int, int]:
    """The first row of another number of columns than the header, and its number of columns."""
    n = len(log.headings)
    return next(((row, len(cells)) for row, cells in _cells(log) if len(cells) != n), (0, 0))
