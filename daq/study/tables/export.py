"""A run as one table: the samples of all its sources, or the numbers computed from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv, parquet

from daq.bench import Bench
from daq.errors import UsageError
from daq.frame import Block, Status
from daq.store import Mark
from daq.study.runs import lye_of_blocks, window_numbers

__all__ = ["export_numbers", "export_samples", "samples_table"]

_WORDS = pa.array([s.name.lower() for s in Status])


def samples_table(blocks: Mapping[str, Block], start_utc_ns: int) -> pa.Table:
    """All samples as one table, a row for every instant at which any source spoke.

    Returns
    -------
    pyarrow.Table
        `elapsed_s` [s], `time` (UTC), each channel in its unit (null where it said nothing at that instant),
        and `CHANNEL.status` for the channels that were ever not good.
    """
    blocks = {name: block for name, block in blocks.items() if len(block)}
    empty = np.empty(0, dtype=np.int64)
    times = np.unique(np.concatenate([empty, *(b.t_ns for b in blocks.values())]))
    columns: dict[str, pa.Array[Any]] = {
        "elapsed_s": pa.array(times / 1e9),
        "time": pa.array(times + start_utc_ns, pa.timestamp("ns", "UTC")),
    }
    statuses: dict[str, pa.Array[Any]] = {}
    for block in blocks.values():
        # The last sample counts where a source spoke twice at one instant.
        last = np.append(np.diff(block.t_ns) > 0, True)
        rows = np.searchsorted(times, block.t_ns[last])
        for channel, values in block.values.items():
            columns[channel] = _spread(values[last], rows, times.size)
            status = block.status.get(channel)
            if status is not None and np.any(status):
                codes = np.full(times.size, int(Status.MISSING), dtype=np.uint8)
                codes[rows] = status[last]
                statuses[f"{channel}.status"] = _WORDS.take(codes)
    return pa.table({**columns, **statuses})


def export_samples(blocks: Mapping[str, Block], start_utc_ns: int, file: Path) -> int:
    """Write the samples as one table; returns the number of rows.

    Parameters
    ----------
    blocks : mapping of str to Block
        By source.
    start_utc_ns : int
        Wall time at the run's zero [ns since 1970].
    file : Path
        In .csv or .parquet, which says the format.

    Raises
    ------
    UsageError
        When the file can not be written.
    """
    return _write(samples_table(blocks, start_utc_ns), file)


def export_numbers(
    bench: Bench,
    blocks: Mapping[str, Block],
    start_utc_ns: int,
    file: Path,
    *,
    window_s: float = 30.0,
    marks: Sequence[Mark] = (),
) -> int:
    """Write the computed numbers, a row a window; returns the number of rows.

    Each has its U (k = 2) beside it. Last come the condition at which dry gas is counted, what the window's
    numbers rest on, and what was refused.

    Parameters
    ----------
    bench : Bench
    blocks : mapping of str to Block
        All samples of the run, by source.
    start_utc_ns : int
        Wall time at the run's zero [ns since 1970].
    file : Path
        In .csv or .parquet, which says the format.
    window_s : float
        Width of a window [s].
    marks : sequence of Mark
        What people said of the lye; other marks are passed over.
    """
    lye = lye_of_blocks(bench, list(blocks.values()), marks)
    numbers = window_numbers(bench, blocks, window_s=window_s, lye=lye)
    columns: dict[str, pa.Array[Any]] = {
        "elapsed_s": pa.array(numbers.end_ns / 1e9),
        "time": pa.array(numbers.end_ns + start_utc_ns, pa.timestamp("ns", "UTC")),
    }
    for key, value in numbers.value.items():
        columns[key] = _nullable(value)
        columns[f"{key}.u95"] = _nullable(numbers.u95[key])
    rows = range(len(numbers))
    columns["reference"] = pa.array([numbers.reference] * len(numbers), pa.string())
    columns["assumptions"] = pa.array(["; ".join(numbers.assumptions(i)) for i in rows], pa.string())
    columns["refused"] = pa.array(["; ".join(numbers.refusals(i)) for i in rows], pa.string())
    table = pa.table(columns).replace_schema_metadata(
        {"reference": numbers.reference, "window_s": str(window_s)}
    )
    return _write(table, file)


def _spread(values: NDArray[np.float64], rows: NDArray[np.int64], size: int) -> pa.Array[Any]:
    out = np.full(size, np.nan)
    out[rows] = values
    return _nullable(out)


def _nullable(values: NDArray[np.float64]) -> pa.Array[Any]:
    return pa.array(values, mask=np.isnan(values))


def _write(table: pa.Table, file: Path) -> int:
    try:
        if file.suffix == ".parquet":
            parquet.write_table(table, file, compression="zstd")
        else:
            csv.write_csv(table, file)
    except OSError as exc:
        raise UsageError(
            f"can not be written: {exc.strerror or exc}", place=str(file), remedy="choose another place"
        ) from None
    return table.num_rows
