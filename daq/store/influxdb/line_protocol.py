"""Blocks as lines of line protocol, and a server's columns as blocks again.

A row is one point of the measurement `sample`: tags `bench`, `run`, `source`, `lane`; a field a channel,
`CHANNEL.status` where that says more than the value does, `CHANNEL.raw`; and of our own `row` (its place in
the segment), `seq`, `part` (which writing of which segment it belongs to), and `t_ns` only where the point's
time does not tell it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from daq.errors import StoreError
from daq.frame import NO_SEQ, Block, Status, plain_status
from daq.store._arrow import numpy_of
from daq.store.influxdb.lines import Lines

__all__ = [
    "MAX_NS",
    "MIN_NS",
    "PointTimes",
    "block_from",
    "channel_of",
    "escaped",
    "field_names",
    "kinds_of",
    "lines_of",
    "part_of",
    "point_times",
    "record_line",
    "value_field",
]

MIN_NS = -(2**63) + 2
MAX_NS = 2**63 - 2
"""The first and last instant that a server can hold [ns since 1970]."""

_TAGS = ("bench", "run", "source", "lane")
_OWN = ("row", "seq", "part", "t_ns")
_TAKEN = {*_TAGS, *_OWN, "time", "name", "tags"}
_NAN = np.float64("nan")
_GOOD, _MISSING = np.uint8(Status.GOOD), np.uint8(Status.MISSING)
_FEW = 64  # rows from which on Arrow is quicker

_Columns = Sequence[tuple[str, NDArray[Any], NDArray[np.bool_] | None, str]]
"""What stands before each number, the numbers, which of them are told (all when None), what follows."""


class PointTimes(NamedTuple):
    """When each row's point is, in order of time.

    Attributes
    ----------
    order : intp[n]
        The rows in the order of their points.
    time : int64[n]
        Each point's own time, rising [ns since 1970].
    moved : bool[n]
        Whether that is not the run's start plus the row's time.
    """

    order: NDArray[np.intp]
    time: NDArray[np.int64]
    moved: NDArray[np.bool_]


def point_times(t_ns: NDArray[np.int64], base_ns: int) -> PointTimes:
    """A time of its own for each row: two points of one series at one instant would be one.

    Of rows at the same instant the later ones are moved by nanoseconds, as are those that no server can hold.
    """
    order = np.argsort(t_ns, kind="stable")
    t = t_ns[order]
    low, high = max(MIN_NS - base_ns, -(2**63)), min(MAX_NS - base_ns, 2**63 - 1)
    wished = np.clip(t, low, high) + base_ns
    place = np.arange(t.size, dtype=np.int64)
    time = np.maximum.accumulate(wished - place) + place
    time = np.minimum(time, MAX_NS - (t.size - 1 - place))
    return PointTimes(order, time, (time != wished) | (t < low) | (t > high))


def part_of(name: str, block: Block) -> int:
    """A number that tells this writing of a segment from one of other rows: the same for the same rows."""
    digest = hashlib.blake2b(name.encode(), digest_size=8)
    for label, column in _columns_of(block):
        digest.update(label.encode())
        digest.update(np.ascontiguousarray(column).view(np.uint8).data)
    return int.from_bytes(digest.digest(), "big") >> 1


def field_names(block: Block) -> list[str]:
    """The fields of the block's points, but for our own."""
    names = []
    for channel, values in block.values.items():
        names.append(_field(channel))
        if _speaks(block.status.get(channel), values):
            names.append(f"{channel}.status")
    names.extend(f"{channel}.raw" for channel, raw in block.raw.items() if np.isfinite(raw).any())
    return names


def lines_of(
    block: Block,
    times: PointTimes,
    *,
    tags: Mapping[str, str],
    part: int,
    rows: slice = slice(None),
) -> Sequence[bytes]:
    """A line for each row, in the order of `times`. What is not finite is left out.

    Parameters
    ----------
    block : Block
    times : PointTimes
        Of all rows of the block.
    tags : mapping of str to str
        Tags of every point.
    part : int
        Which writing of the segment it is.
    rows : slice
        Which of the points, in their order.
    """
    order = times.order[rows]
    fields: list[tuple[str, NDArray[Any], NDArray[np.bool_] | None, str]] = []
    for channel, values in block.values.items():
        own = values[order]
        finite = np.isfinite(own)
        fields.append((_field(channel), own, None if finite.all() else finite, ""))
        status = block.status.get(channel)
        if status is not None:
            codes = status[order]
            fields.append((f"{channel}.status", codes, codes != np.where(finite, _GOOD, _MISSING), "i"))
    for channel, raw in block.raw.items():
        own = raw[order]
        fields.append((f"{channel}.raw", own, np.isfinite(own), ""))
    if times.moved[rows].any():
        fields.append(("t_ns", block.t_ns[order], times.moved[rows], "i"))
    head = f"{_head('sample', tags)} part={part}i,row="
    columns: _Columns = [
        (head, order.astype(np.int64), None, "i,seq="),
        ("", block.seq[order], None, "i"),
        *(
            (_key(name), values, present, after)
            for name, values, present, after in fields
            if present is None or present.any()
        ),
        (" ", times.time[rows], None, ""),
    ]
    return _few_lines(columns) if order.size < _FEW else _many_lines(columns)


def _few_lines(columns: _Columns) -> list[bytes]:
    texts = [
        [
            f"{before}{value!r}{after}" if there else ""
            for value, there in zip(
                values.tolist(), [True] * values.size if present is None else present.tolist(), strict=True
            )
        ]
        for before, values, present, after in columns
    ]
    return ["".join(parts).encode() for parts in zip(*texts, strict=True)]


def _many_lines(columns: _Columns) -> Lines:
    """As `_few_lines`, whole columns at a time by Arrow: text by text of Python it would cost more than the
    server's own work does.
    """
    join: Any = pc.binary_join_element_wise
    texts: list[Any] = []
    for before, values, present, after in columns:
        # The shortest text that gives a number back to the last bit, as Python's is.
        text = pc.cast(pa.array(values, mask=None if present is None else ~present), pa.string())
        if present is None:
            texts += [before, text, after]
        else:
            texts.append(join(before, text, after, ""))
    lines = join(*texts, "\n", "", null_handling="skip")
    _, offsets, data = lines.buffers()
    return Lines(data, np.frombuffer(offsets, np.int32, len(lines) + 1))


def record_line(tags: Mapping[str, str], fields: Mapping[str, int | str], time_ns: int) -> bytes:
    """The line of a segment's record in the measurement `piece`.

    Parameters
    ----------
    tags : mapping of str to str
    fields : mapping of str to (int or str)
        At least one.
    time_ns : int
        The point's time [ns since 1970].
    """
    field_set = ",".join(
        f"{k}={v}i" if isinstance(v, int) else k + '="' + v.replace("\\", "\\\\").replace('"', '\\"') + '"'
        for k, v in fields.items()
    )
    return f"{_head('piece', tags)} {field_set} {time_ns}".encode()


def kinds_of(fields: Sequence[str]) -> dict[str, pa.DataType]:
    """Types of the columns of an answer."""
    kinds: dict[str, pa.DataType] = dict.fromkeys(_OWN, pa.int64())
    kinds |= {f: pa.uint8() if f.endswith(".status") else pa.float64() for f in fields}
    return kinds


def block_from(table: pa.Table, source: str, base_ns: int, fields: Sequence[str], *, raw: bool) -> Block:
    """The rows of one part of an answer as a block, in stored order.

    Parameters
    ----------
    table : pa.Table
        Columns `time`, `row`, `seq`, those of `fields`, and `t_ns` where times were moved.
    source : str
    base_ns : int
        The run's start [ns since 1970].
    fields : sequence of str
        Columns of values, of status codes and of raw numbers.
    raw : bool
        Whether to take the raw numbers too.
    """
    order = np.argsort(numpy_of(table.column("row"), np.int64(0)), kind="stable")
    t_ns = numpy_of(table.column("time"), np.int64(0)) - base_ns
    if "t_ns" in table.column_names:
        own = table.column("t_ns")
        known = own.is_valid().to_numpy()
        t_ns = np.where(known, numpy_of(own, np.int64(0)), t_ns)
    values: dict[str, NDArray[np.float64]] = {}
    status: dict[str, NDArray[np.uint8]] = {}
    raws: dict[str, NDArray[np.float64]] = {}
    for field in fields:
        channel, kind = _channel(field)
        if kind == "raw":
            if raw:
                raws[channel] = numpy_of(table.column(field), _NAN)[order]
        elif kind == "value":
            values[channel] = numpy_of(table.column(field), _NAN)[order]
    for field in fields:
        channel, kind = _channel(field)
        if kind == "status":
            codes = numpy_of(table.column(field), np.uint8(255))[order]
            plain = plain_status(values[channel]) if channel in values else np.uint8(Status.MISSING)
            status[channel] = np.where(codes == 255, plain, codes).astype(np.uint8)
    seq = numpy_of(table.column("seq"), np.int64(NO_SEQ))
    return Block(source, t_ns[order], seq[order], values, status, raws)


def channel_of(field: str) -> str:
    """The channel that a field is of."""
    return _channel(field)[0]


def value_field(channel: str) -> str:
    """The field that holds a channel's values."""
    return _field(channel)


def escaped(text: str, place: str) -> str:
    """A tag's value or a field's name as line protocol writes it.

    Raises
    ------
    StoreError
        When line protocol can not write it.
    """
    if not text or text.endswith("\\") or any(c in text for c in "\n\r\t"):
        raise StoreError(
            "can not be a name on the server",
            place=place,
            value=text,
            remedy="use a name that is not empty, has no line break and does not end in a backslash",
        )
    return text.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


@lru_cache(4096)
def _key(field: str) -> str:
    return f",{escaped(field, 'channel')}="


def _head(measurement: str, tags: Mapping[str, str]) -> str:
    return ",".join([measurement, *(f"{k}={escaped(v, k)}" for k, v in sorted(tags.items()))])


def _field(channel: str) -> str:
    """The field of a channel; a channel may be called as one of our own fields is, or have a dot in its
    name.
    """
    return f"{channel}.value" if "." in channel or channel in _TAKEN else channel


def _channel(field: str) -> tuple[str, str]:
    """The channel of a field, and whether that is its value, status or raw number."""
    name, dot, kind = field.rpartition(".")
    return (name, kind) if dot else (field, "value")


def _speaks(status: NDArray[np.uint8] | None, values: NDArray[np.float64]) -> bool:
    return status is not None and not np.array_equal(status, plain_status(values))


def _columns_of(block: Block) -> Iterable[tuple[str, NDArray[Any]]]:
    yield "t_ns", block.t_ns
    yield "seq", block.seq
    for kind, columns in (("v", block.values), ("s", block.status), ("r", block.raw)):
        for name, column in columns.items():
            yield f"{kind} {name}", column
