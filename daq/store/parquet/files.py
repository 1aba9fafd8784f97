"""Blocks as Parquet files. Arrow, imported only from here, takes 40 MB of memory."""

from __future__ import annotations

import zlib
from base64 import b64decode, b64encode
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pyarrow as pa
import pyarrow.parquet as pq

from daq.frame import NO_SEQ, Block, Status, plain_status
from daq.store._arrow import arrow_of, numpy_of
from daq.store._blocks import spans_of
from daq.store.logbook import CalibrationRecord, RunRecord
from daq.store.protocol import Segment, SegmentAbout

__all__ = ["ROW_GROUP", "about_in", "merge_files", "read_file", "segment_in", "write_file"]

ROW_GROUP = 32_768
_FORMAT = b"lyewatch.samples.1"
_NAN = np.float64("nan")
_MISSING = np.uint8(Status.MISSING)  # a channel that was not there when the rows were sealed
_OWN = ("t_ns", "seq")


def write_file(path: Path, block: Block, segment: Segment, about: SegmentAbout) -> None:
    """Write a block as one Parquet file: `t_ns`, `seq`, a column a channel, `CHANNEL.status`, `CHANNEL.raw`.

    NaN is written as null, so that other tools leave it out of their sums. A status column is there only
    where it says more than null does, a raw column only where it says anything.

    Parameters
    ----------
    path : Path
        Written over if it is there.
    block : Block
    segment, about : Segment, SegmentAbout
        What the file says of itself, and the channels' units.
    """
    arrays: list[pa.Array[Any]] = [arrow_of(block.t_ns), arrow_of(block.seq)]
    fields: list[pa.Field[Any]] = [
        pa.field("t_ns", pa.int64(), nullable=False, metadata={"unit": "ns"}),
        pa.field("seq", pa.int64(), nullable=False),
    ]
    for name, values in block.values.items():
        arrays.append(arrow_of(values))
        unit = {"unit": about.units[name]} if name in about.units else {}
        fields.append(
            pa.field(_column(name), pa.float64(), metadata={"channel": name, "part": "value", **unit})
        )
        status = block.status.get(name)
        if status is not None and not np.array_equal(status, plain_status(values)):
            arrays.append(arrow_of(status))
            fields.append(
                pa.field(f"{name}.status", pa.uint8(), metadata={"channel": name, "part": "status"})
            )
    for name, raw in block.raw.items():
        if np.isfinite(raw).any():
            arrays.append(arrow_of(raw))
            fields.append(pa.field(f"{name}.raw", pa.float64(), metadata={"channel": name, "part": "raw"}))
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=_metadata(segment, about)))
    pq.write_table(table, path, row_group_size=ROW_GROUP, compression="zstd", write_page_checksum=True)


def merge_files(paths: Sequence[Path], into: Path, segment: Segment, about: SegmentAbout) -> None:
    """Write one file of the rows of several, in their order, a row group at a time to keep memory small.

    Parameters
    ----------
    paths : sequence of Path
        Of one source, in the order of their rows.
    into : Path
        Written over if it is there.
    segment, about : Segment, SegmentAbout
        What the new file says of itself.
    """
    files = [pq.ParquetFile(p, page_checksum_verification=True) for p in paths]
    try:
        schema = pa.unify_schemas([f.schema_arrow.remove_metadata() for f in files]).with_metadata(
            _metadata(segment, about)
        )
        with pq.ParquetWriter(into, schema, compression="zstd", write_page_checksum=True) as writer:
            pending: list[pa.Table] = []
            rows = 0
            for table in _tables(files, schema):
                pending.append(table)
                rows += table.num_rows
                if rows >= ROW_GROUP:
                    writer.write_table(pa.concat_tables(pending), row_group_size=ROW_GROUP)
                    pending, rows = [], 0
            if pending:
                writer.write_table(pa.concat_tables(pending), row_group_size=ROW_GROUP)
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
                    columns.append(
                        pa.chunked_array([arrow_of(plain_status(numpy_of(table.column(values), _NAN)))])
                    )
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
    """The block in a file.

    Parameters
    ----------
    path : Path
    source : str
    channels : sequence of str, optional
        Which channels; None takes all.
    start_ns, end_ns : int, optional
        Only row groups that can hold rows between are read [ns of the run]; None for no such end.
    raw : bool
        Whether to read the raw numbers too.
    """
    with pq.ParquetFile(path, page_checksum_verification=True) as file:
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
        numpy_of(table.column("t_ns"), np.int64(0)),
        numpy_of(table.column("seq"), np.int64(NO_SEQ)),
        {channel: numpy_of(table.column(column), _NAN) for channel, column in parts["value"]},
        {channel: numpy_of(table.column(column), _MISSING) for channel, column in parts["status"]},
        {channel: numpy_of(table.column(column), _NAN) for channel, column in parts["raw"]},
    )


def segment_in(path: Path, name: str) -> Segment | None:
    """The segment in a file as the file itself describes it; None when it is not a file of samples."""
    with pq.ParquetFile(path) as file:
        metadata = file.schema_arrow.metadata or {}
    if metadata.get(b"lyewatch.format") != _FORMAT:
        return None
    source = metadata[b"lyewatch.source"].decode()
    block = read_file(path, source)
    if not len(block):
        return None
    return Segment(
        run_id=metadata[b"lyewatch.run"].decode(),
        source=source,
        name=name,
        rows=len(block),
        first_id=int(metadata[b"lyewatch.first_id"]),
        last_id=int(metadata[b"lyewatch.last_id"]),
        t_min_ns=int(block.t_ns.min()),
        t_max_ns=int(block.t_ns.max()),
        level=int(metadata[b"lyewatch.level"]),
        spans=spans_of(block),
    )


def about_in(path: Path) -> SegmentAbout:
    """What a file says of its run; a file of an older version says no record."""
    with pq.ParquetFile(path) as file:
        metadata = file.schema_arrow.metadata or {}
        units = {_channel(f): str(unit) for f in file.schema_arrow if (unit := _unit(f)) is not None}
    start = metadata.get(b"lyewatch.start_utc_ns", b"")
    record: RunRecord | None = None
    calibrations: tuple[CalibrationRecord, ...] = ()
    if b"lyewatch.record" in metadata:
        kept = orjson.loads(zlib.decompress(b64decode(metadata[b"lyewatch.record"])))
        record = RunRecord(**kept["run"])
        calibrations = tuple(CalibrationRecord(**c) for c in kept["calibrations"])
    return SegmentAbout(
        metadata.get(b"lyewatch.bench", b"").decode(),
        metadata.get(b"lyewatch.build", b"").decode(),
        int(start) if start else None,
        units,
        record,
        calibrations,
    )


def _record_text(record: RunRecord, calibrations: Sequence[CalibrationRecord]) -> str:
    kept = {"run": asdict(record), "calibrations": [asdict(c) for c in calibrations]}
    return b64encode(zlib.compress(orjson.dumps(kept), 9)).decode()


def _unit(field: pa.Field[Any]) -> str | None:
    unit = (field.metadata or {}).get(b"unit")
    return None if unit is None or _part(field) != "value" else unit.decode()


def _metadata(segment: Segment, about: SegmentAbout) -> dict[bytes | str, bytes | str]:
    metadata: dict[str, str | int] = {
        "format": _FORMAT.decode(),
        "run": segment.run_id,
        "source": segment.source,
        "bench": about.bench,
        "build": about.build,
        "start_utc_ns": "" if about.start_utc_ns is None else about.start_utc_ns,
        "first_id": segment.first_id,
        "last_id": segment.last_id,
        "level": segment.level,
    }
    if about.record is not None:
        metadata["record"] = _record_text(about.record, about.calibrations)
    return {f"lyewatch.{k}": str(v) for k, v in metadata.items()}


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
