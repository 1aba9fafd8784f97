"""Blocks as Parquet files. The only module of the store that imports Arrow, which takes 35 MB of memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from daq.frame import Block, Status
from daq.store._rows import plain_status
from daq.store.home import Piece, PieceAbout

__all__ = ["ROW_GROUP", "merge_files", "read_file", "said_of", "write_file"]

ROW_GROUP = 32_768
_FORMAT = b"lyewatch.samples.1"
_OWN = ("t_ns", "seq")


def write_file(path: Path, block: Block, piece: Piece, about: PieceAbout) -> None:
    """Write a block as one Parquet file: `t_ns`, `seq`, a column a channel, `CHANNEL.status`, `CHANNEL.raw`.

    NaN is written as null, so that other tools leave it out of their sums. A status column is there only
    where it says more than null does, a raw column only where it says anything.
    """
    arrays: list[pa.Array[Any]] = [pa.array(block.t_ns), pa.array(block.seq)]
    fields: list[pa.Field[Any]] = [
        pa.field("t_ns", pa.int64(), nullable=False, metadata={"unit": "ns"}),
        pa.field("seq", pa.int64(), nullable=False),
    ]
    for name, values in block.values.items():
        arrays.append(pa.array(values, from_pandas=True))
        unit = {"unit": about.units[name]} if name in about.units else {}
        fields.append(
            pa.field(_column(name), pa.float64(), metadata={"channel": name, "part": "value", **unit})
        )
        status = block.status.get(name)
        if status is not None and not np.array_equal(status, plain_status(values)):
            arrays.append(pa.array(status))
            fields.append(
                pa.field(f"{name}.status", pa.uint8(), metadata={"channel": name, "part": "status"})
            )
    for name, raw in block.raw.items():
        if np.isfinite(raw).any():
            arrays.append(pa.array(raw, from_pandas=True))
            fields.append(pa.field(f"{name}.raw", pa.float64(), metadata={"channel": name, "part": "raw"}))
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=_metadata(piece, about)))
    pq.write_table(table, path, compression="zstd", row_group_size=ROW_GROUP)


def merge_files(paths: Sequence[Path], into: Path, piece: Piece, about: PieceAbout) -> None:
    """Write one file of the rows of several, in their order, a row group at a time to keep memory small."""
    files = [pq.ParquetFile(p) for p in paths]
    try:
        schema = pa.unify_schemas([f.schema_arrow.remove_metadata() for f in files]).with_metadata(
            _metadata(piece, about)
        )
        with pq.ParquetWriter(into, schema, compression="zstd") as writer:
            held: list[pa.Table] = []
            rows = 0
            for table in _tables(files, schema):
                held.append(table)
                rows += table.num_rows
                if rows >= ROW_GROUP:
                    writer.write_table(pa.concat_tables(held), row_group_size=ROW_GROUP)
                    held, rows = [], 0
            if held:
                writer.write_table(pa.concat_tables(held), row_group_size=ROW_GROUP)
    finally:
        for file in files:
            file.close()


def _tables(files: Sequence[pq.ParquetFile], schema: pa.Schema) -> Iterator[pa.Table]:
    """Each row group of each file with all columns of `schema`; a status that is not there is spelled out."""
    for file in files:
        for group in range(file.num_row_groups):
            table = file.read_row_group(group)
            have = set(table.column_names)
            columns = []
            for field in schema:
                if field.name in have:
                    columns.append(table.column(field.name))
                elif _part(field) == "status" and (values := _column(_channel(field))) in have:
                    columns.append(pa.chunked_array([pa.array(plain_status(_floats(table.column(values))))]))
                else:
                    columns.append(pa.chunked_array([pa.nulls(table.num_rows, field.type)]))
            yield pa.Table.from_arrays(columns, schema=schema)


def read_file(
    path: Path,
    source: str,
    *,
    channels: Sequence[str] | None = None,
    start_ns: int | None = None,
    end_ns: int | None = None,
    raw: bool = False,
) -> Block:
    """The block in a file; only the row groups that can hold rows from `start_ns` to `end_ns` are read."""
    with pq.ParquetFile(path) as file:
        parts: dict[str, list[tuple[str, str]]] = {"value": [], "status": [], "raw": []}
        for field in file.schema_arrow:
            part, channel = _part(field), _channel(field)
            if part in parts and (channels is None or channel in channels) and (raw or part != "raw"):
                parts[part].append((channel, field.name))
        names = [*_OWN, *(column for found in parts.values() for _, column in found)]
        groups = [
            g for g in range(file.num_row_groups) if _may_hold(file.metadata.row_group(g), start_ns, end_ns)
        ]
        table = file.read_row_groups(groups, columns=names)
    return Block(
        source,
        _ints(table.column("t_ns")),
        _ints(table.column("seq")),
        {channel: _floats(table.column(column)) for channel, column in parts["value"]},
        {channel: _codes(table.column(column)) for channel, column in parts["status"]},
        {channel: _floats(table.column(column)) for channel, column in parts["raw"]},
    )


def said_of(path: Path) -> dict[str, str]:
    """What a file says of itself: run, source, bench, build, start_utc_ns, first_id, last_id, level.

    Empty when it is not a file of samples.
    """
    with pq.ParquetFile(path) as file:
        said = file.schema_arrow.metadata or {}
    if said.get(b"lyewatch.format") != _FORMAT:
        return {}
    return {k.decode().partition(".")[2]: v.decode() for k, v in said.items() if k.startswith(b"lyewatch.")}


def _metadata(piece: Piece, about: PieceAbout) -> dict[bytes | str, bytes | str]:
    said: dict[str, str | int] = {
        "format": _FORMAT.decode(),
        "run": piece.run_id,
        "source": piece.source,
        "bench": about.bench,
        "build": about.build,
        "start_utc_ns": "" if about.start_utc_ns is None else about.start_utc_ns,
        "first_id": piece.first_id,
        "last_id": piece.last_id,
        "level": piece.level,
    }
    return {f"lyewatch.{k}": str(v) for k, v in said.items()}


def _column(channel: str) -> str:
    """The column of a channel; a channel may be called as one of our own columns is."""
    return f"{channel}.value" if channel in _OWN else channel


def _part(field: pa.Field[Any]) -> str:
    return str((field.metadata or {}).get(b"part", b"").decode())


def _channel(field: pa.Field[Any]) -> str:
    return str((field.metadata or {}).get(b"channel", b"").decode())


def _may_hold(group: pq.RowGroupMetaData, start_ns: int | None, end_ns: int | None) -> bool:
    if start_ns is None and end_ns is None:
        return True
    statistics = group.column(0).statistics
    if statistics is None or not statistics.has_min_max:
        return True
    first, last = int(statistics.min or 0), int(statistics.max or 0)
    return (end_ns is None or first <= end_ns) and (start_ns is None or last >= start_ns)


def _ints(column: pa.ChunkedArray[Any]) -> NDArray[np.int64]:
    return np.asarray(column.to_numpy(), dtype=np.int64)


def _floats(column: pa.ChunkedArray[Any]) -> NDArray[np.float64]:
    return np.asarray(column.to_numpy(), dtype=np.float64)


def _codes(column: pa.ChunkedArray[Any]) -> NDArray[np.uint8]:
    if column.null_count:
        # The channel was not there when these rows were sealed.
        column = column.fill_null(pa.scalar(int(Status.MISSING), pa.uint8()))
    return np.asarray(column.to_numpy(), dtype=np.uint8)
