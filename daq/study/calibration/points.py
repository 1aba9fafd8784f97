"""Calibration points from a CSV file."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daq.bench import ChannelSpec, convert
from daq.errors import LogFileError

__all__ = ["Points", "read_points"]

_SQRT3: Final = math.sqrt(3.0)
_SPREAD: Final = {"u": 1.0, "u95": 0.5, "limit": 1.0 / _SQRT3}
"""Column of a reference value's uncertainty to what makes it a standard one (JCGM 100, 4.3)."""
_MOST_ROWS: Final = 100_000


@dataclass(frozen=True, slots=True)
class Points:
    """Calibration points.

    Attributes
    ----------
    raw : float64[n]
        What the device said.
    reference : float64[n]
        What was true, in the channel's unit.
    u : float64[n] or None
        Standard uncertainty of `reference`, in the channel's unit.
    """

    raw: NDArray[np.float64]
    reference: NDArray[np.float64]
    u: NDArray[np.float64] | None

    def rows(self) -> tuple[tuple[float, ...], ...]:
        """One tuple a point, for the logbook."""
        columns = [self.raw, self.reference] if self.u is None else [self.raw, self.reference, self.u]
        return tuple(tuple(map(float, row)) for row in zip(*columns, strict=True))


def read_points(path: Path, spec: ChannelSpec, *, unit: str | None = None) -> Points:
    """Read a CSV of calibration points.

    Parameters
    ----------
    path : Path
        Its header names `raw`, the number in the device's frames, or `shown`, the number that lyewatch shows
        by the bench file's scale and offset; `reference`, what was true; and, where known, its uncertainty as
        `u` (standard), `u95` (expanded, k = 2) or `limit` (limit of error, as on a data sheet). A row a
        point. Fields are parted by commas or semicolons; lines that begin with # are left out.
    spec : ChannelSpec
        The channel as the bench file has it.
    unit : str, optional
        Of `shown`, `reference` and their uncertainty, when that is not the channel's.

    Raises
    ------
    LogFileError
        Naming the row, the column, what was found and what would be right.
    """
    factor, offset = 1.0, 0.0
    if unit is not None:
        turned = convert(unit, spec.unit)
        if turned is None:
            raise LogFileError(
                f"is no unit of this channel, whose unit is {spec.unit}", place="--unit", value=unit
            )
        factor, offset = turned
    rows = _rows(path)
    head = rows[0][1]
    column = _one_of(head, ("raw", "shown"), path)
    spread = [name for name in _SPREAD if name in head]
    if len(spread) > 1:
        raise LogFileError(
            "says the uncertainty twice", place=str(path), value=", ".join(spread), remedy="keep one column"
        )
    _one_of(head, ("reference",), path)
    columns = {n: [_number(path, line, row, n) for line, row in rows] for n in (column, "reference", *spread)}
    reference = np.array(columns["reference"]) * factor + offset
    raw = np.array(columns[column])
    if column == "shown":
        raw = spec.start_of(raw * factor + offset)
    elif spec.thermometer is not None and spec.thermometer.cold_channel is not None:
        raise LogFileError(
            "tells no temperature without its cold junction's",
            place=f"{path}, raw",
            remedy="write the temperature that lyewatch shows, in a column shown",
        )
    else:
        raw = spec.before_calibration(raw)
        if not np.isfinite(raw).all():
            raise LogFileError(
                f"lies beyond what the {spec.thermometer.kind if spec.thermometer else 'sensor'} can tell",
                place=f"{path}, raw",
                remedy="give the device's number, or the temperature that lyewatch shows in a column shown",
            )
    u = np.array(columns[spread[0]]) * _SPREAD[spread[0]] * abs(factor) if spread else None
    return Points(raw, reference, u)


def _rows(path: Path) -> list[tuple[int, Mapping[str, str | None]]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as exc:
        raise LogFileError(
            f"can not be read: {getattr(exc, 'strerror', None) or exc}",
            place=str(path),
            remedy="give the path of a CSV file",
        ) from None
    lines = [
        (i, line)
        for i, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if len(lines) < 2 or len(lines) > _MOST_ROWS:
        raise LogFileError(
            "holds no points",
            place=str(path),
            value=f"{len(lines)} lines",
            remedy="write a header, as in raw,reference,u, and a row for each point",
        )
    delimiter = ";" if ";" in lines[0][1] else ","
    reader = csv.DictReader([line for _, line in lines], delimiter=delimiter, skipinitialspace=True)
    out: list[tuple[int, Mapping[str, str | None]]] = []
    for (number, _), row in zip(lines[1:], reader, strict=False):
        out.append((number, {(k or "").strip().lower(): v for k, v in row.items()}))
    return out


def _one_of(head: Mapping[str, object], names: tuple[str, ...], path: Path) -> str:
    found = [n for n in names if n in head]
    if len(found) != 1:
        words = " or ".join(names)
        raise LogFileError(
            f"lacks a column {words}" if not found else f"has more than one of {words}",
            place=str(path),
            value=", ".join(head),
            remedy="write the header as raw,reference or shown,reference, with u, u95 or limit where known",
        )
    return found[0]


def _number(path: Path, line: int, row: Mapping[str, str | None], name: str) -> float:
    text = (row.get(name) or "").strip()
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise LogFileError(
            "is no number",
            place=f"{path}, line {line}, {name}",
            value=text,
            remedy="write it with a decimal point, as in 12.34",
        )
    return value
