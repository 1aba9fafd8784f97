"""Thousands of runs in one pass over their Parquet files, on a disk or in object storage, in bounded memory.

The files are scanned lazily: only the wanted columns of rows that pass the filter are read, a batch at a
time, and of each batch only sums are kept. What it says of a run is what columns alone can tell; a review
says more, and with uncertainties.
"""

from __future__ import annotations

import math
import posixpath
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds
from numpy.typing import NDArray
from pyarrow import fs

from daq.errors import StoreCorrupt, UsageError
from daq.store import FillRecord
from daq.study.render import Document, Paragraph, Table

__all__ = [
    "BuildScan",
    "RunScan",
    "Scan",
    "ScanResult",
    "by_build",
    "live_files",
    "named_now",
    "scan_document",
    "scan_runs",
]

CHANNELS: Final = ("volts", "amps", "watts", "gas_flow", "lye_temp")
_RUN_HEADINGS = ("run", "build", "rows", "mean_watts", "mmw_as_read", "mmw_by_fills", "highest_lye_temp")
_BUILD_HEADINGS = ("build", "runs", "mean_watts", "mmw_as_read", "mmw_se", "mmw_by_fills", "highest_lye_temp")
BATCH_ROWS: Final = 65_536
_AHEAD: Final = 2
_PIECE = re.compile(r"^(?:m-)?(?P<first>\d{12})-(?P<source>.+?)(?:-(?P<level>\d)-(?P<last>\d+))?\.parquet$")


@dataclass(slots=True)
class RunningMean:
    """Of one channel of one run: how many values, their sum, and the extremes."""

    count: int = 0
    total: float = 0.0
    lowest: float = math.inf
    highest: float = -math.inf

    def add(self, values: NDArray[np.float64]) -> None:
        """Take values in; what is not finite does not count."""
        values = values[np.isfinite(values)]
        if values.size:
            self.count += int(values.size)
            self.total += float(values.sum())
            self.lowest = min(self.lowest, float(values.min()))
            self.highest = max(self.highest, float(values.max()))

    @property
    def mean(self) -> float | None:
        """None without a value."""
        return self.total / self.count if self.count else None


@dataclass(frozen=True, slots=True)
class RunLine:
    """What the columns of one run come to: means of the rows that count, the highest lye temperature."""

    run: str
    bench: str
    build: str
    rows: int
    mean_volts: float | None
    mean_amps: float | None
    mean_watts: float | None
    mean_gas_flow: float | None
    mean_lye_temp: float | None
    highest_lye_temp: float | None
    mmw_as_read: float | None
    mmw_by_fills: float | None
    fills: int


@dataclass(slots=True)
class RunScan:
    """What the columns of one run say.

    Attributes
    ----------
    run, bench, build : str
    rows : int
        Rows that passed the filter, of all sources.
    channels : dict of str to RunningMean
    gas_ml_min, gas_watts : float
        RunningMean of gas flow [mL/min] and power [W] over the rows that have both.
    gas_rows : int
        How many those are: 0 where meter and supply are different sources, whose rows do not meet in one
        file.
    mmw_by_fills : float or None
        Mean as-read MMW of the run's timed fills, which a logbook beside the archive tells [mL/min/W].
    fills : int
        How many those are.
    """

    run: str
    bench: str = ""
    build: str = ""
    rows: int = 0
    channels: dict[str, RunningMean] = field(default_factory=lambda: {c: RunningMean() for c in CHANNELS})
    gas_ml_min: float = 0.0
    gas_watts: float = 0.0
    gas_rows: int = 0
    mmw_by_fills: float | None = None
    fills: int = 0

    @property
    def mmw_as_read(self) -> float | None:
        """Millilitres per minute per watt, wet, at room conditions, as the meter read [mL/min/W]."""
        return self.gas_ml_min / self.gas_watts if self.gas_rows and self.gas_watts > 0 else None

    @property
    def line(self) -> RunLine:
        """What it comes to."""
        channels = self.channels
        hottest = channels["lye_temp"]
        return RunLine(
            run=self.run,
            bench=self.bench,
            build=self.build,
            rows=self.rows,
            mean_volts=channels["volts"].mean,
            mean_amps=channels["amps"].mean,
            mean_watts=channels["watts"].mean,
            mean_gas_flow=channels["gas_flow"].mean,
            mean_lye_temp=hottest.mean,
            highest_lye_temp=hottest.highest if hottest.count else None,
            mmw_as_read=self.mmw_as_read,
            mmw_by_fills=self.mmw_by_fills,
            fills=self.fills,
        )

    def add_fills(self, fills: Iterable[FillRecord]) -> None:
        """Take in what the run's timed fills came to."""
        values = [f.body["result"]["mmw_as_read"]["value"] for f in fills]
        known = [float(v) for v in values if v is not None]
        self.fills = len(known)
        self.mmw_by_fills = float(np.mean(known)) if known else None


@dataclass(frozen=True, slots=True)
class Scan:
    """Every run that was found, in order of their ids; how many files; Arrow's largest use of memory
    [bytes].
    """

    runs: list[RunScan]
    files: int
    rows: int
    peak_bytes: int


@dataclass(frozen=True, slots=True)
class BuildScan:
    """Runs of one build: how many, and the mean of their means with its standard error (None below two
    runs).
    """

    build: str
    runs: int
    mmw_as_read: float | None
    mmw_se: float | None
    mean_watts: float | None
    highest_lye_temp: float | None
    mmw_by_fills: float | None = None
    fills: int = 0


@dataclass(frozen=True, slots=True)
class ScanResult:
    """A scan, with a line for each build or each run; how many files and rows, and Arrow's largest use of
    memory [bytes].
    """

    files: int
    rows: int
    peak_bytes: int
    lines: Sequence[BuildScan | RunLine]


def scan_document(result: ScanResult, runs: int) -> Document:
    """The lines as a table.

    Parameters
    ----------
    result : ScanResult
    runs : int
        How many runs were scanned.
    """
    by_run = isinstance(next(iter(result.lines), None), RunLine)
    headings = _RUN_HEADINGS if by_run else _BUILD_HEADINGS
    rows = [[_shown(getattr(line, h)) for h in headings] for line in result.lines]
    counted = (
        f"{runs} runs, {result.rows:,} rows of {result.files} files; "
        f"at most {result.peak_bytes / 1e6:.0f} MB held at a time"
    )
    return Document("Scan", [Table(headings, rows, "Scan"), Paragraph(counted)])


def scan_runs(
    location: Path | str, *, powered_above_amps: float | None = 0.3, runs: Iterable[str] | None = None
) -> Scan:
    """Scan the runs of an archive.

    Parameters
    ----------
    location : Path or str
        A store's `segments` folder, or a URI of one: ``file:///...``, ``s3://bucket/segments`` and what else
        Arrow's file systems take; what a URI needs to log in comes from the environment, as its maker
        documents it.
    powered_above_amps : float, optional
        Rows below do not count [A]; rows of a source without `amps` all do. None takes every row.
    runs : iterable of str, optional
        Only these runs; their folders alone are then listed.

    Raises
    ------
    UsageError
        When there is nothing to scan there.
    StoreCorrupt
        When a file can not be read, naming it.
    """
    system, root = _system(location)
    paths = _files(system, root, runs)
    if not paths:
        raise UsageError(
            "holds no runs", place=str(location), remedy="name a store's folder `segments`, or a URI of one"
        )
    schema = pa.schema([(name, pa.float64()) for name in CHANNELS])
    data = ds.FileSystemDataset.from_paths(
        paths, schema=schema, format=ds.ParquetFileFormat(), filesystem=system
    )
    pool = pa.default_memory_pool()
    before = peak = pool.bytes_allocated()
    amps = pc.field("amps")
    wanted = None if powered_above_amps is None else amps.is_null() | (amps > powered_above_amps)
    scanner = data.scanner(
        columns=list(CHANNELS),
        filter=wanted,
        batch_size=BATCH_ROWS,
        batch_readahead=_AHEAD,
        fragment_readahead=_AHEAD,
        cache_metadata=False,
    )
    found: dict[str, RunScan] = {}
    rows = 0
    try:
        for tagged in scanner.scan_batches():
            fragment: Any = tagged.fragment
            batch, path = tagged.record_batch, str(fragment.path)
            run = posixpath.basename(posixpath.dirname(path))
            scan = found.get(run)
            if scan is None:
                scan = found[run] = _begun(run, fragment.physical_schema.metadata or {})
            rows += batch.num_rows
            _add(scan, batch)
            peak = max(peak, pool.bytes_allocated())
    except (pa.ArrowException, OSError) as exc:
        raise StoreCorrupt(
            f"can not be scanned: {str(exc).splitlines()[0][:200]}",
            place=str(location),
            remedy="restore the file from a copy, or move it out of the folder",
        ) from exc
    ordered = [found[run] for run in sorted(found)]
    return Scan(ordered, len(paths), rows, peak - before)


def named_now(runs: Iterable[RunScan], builds: Mapping[str, str]) -> list[RunScan]:
    """The runs under the builds that a logbook has them in now, by run id; others as their files say.

    A run's files carry the build that it was recorded as; renaming it later is a line in the logbook.
    """
    return [replace(run, build=builds.get(run.run, run.build)) for run in runs]


def by_build(runs: Iterable[RunScan]) -> list[BuildScan]:
    """The builds, each as the mean of its runs: a run counts once however long it was."""
    groups: dict[str, list[RunScan]] = {}
    for run in runs:
        groups.setdefault(run.build, []).append(run)
    return [_build(build, own) for build, own in sorted(groups.items())]


def live_files(names: Iterable[str]) -> list[str]:
    """Of a run's file names those that count: not the small pieces whose rows are in a merged one beside
    them.

    Both are there for a while after merging; the names alone tell.
    """
    names = sorted(names)
    merged: list[tuple[str, int, int, int]] = []
    for name in names:
        found = _PIECE.match(name)
        if found and found["level"]:
            merged.append((found["source"], int(found["first"]), int(found["last"]), int(found["level"])))
    out = []
    for name in names:
        found = _PIECE.match(name)
        if found:
            first, level = int(found["first"]), int(found["level"] or 0)
            if any(s == found["source"] and a <= first <= b and level < of for s, a, b, of in merged):
                continue
        if name.endswith(".parquet"):
            out.append(name)
    return out


# -- helpers -----------------------------------------------------------------------------------------------


def _system(location: Path | str) -> tuple[fs.FileSystem, str]:
    if isinstance(location, Path) or "://" not in location:
        path = Path(location)
        return fs.LocalFileSystem(), path.resolve().as_posix()
    try:
        system, root = fs.FileSystem.from_uri(location)
    except (pa.ArrowException, OSError, ValueError) as exc:
        raise UsageError(
            f"is no place to read from: {str(exc).splitlines()[0][:200]}",
            place=location,
            remedy="write it as file:///folder or s3://bucket/folder",
        ) from exc
    return system, str(root)


def _files(system: fs.FileSystem, root: str, runs: Iterable[str] | None) -> list[str]:
    folders = [root] if runs is None else [posixpath.join(root, run) for run in runs]
    by_folder: dict[str, list[str]] = {}
    try:
        for folder in folders:
            selector = fs.FileSelector(folder, recursive=runs is None, allow_not_found=True)
            for info in system.get_file_info(selector):
                if info.type == fs.FileType.File:
                    by_folder.setdefault(posixpath.dirname(info.path), []).append(
                        posixpath.basename(info.path)
                    )
    except (pa.ArrowException, OSError) as exc:
        raise UsageError(
            f"can not be listed: {str(exc).splitlines()[0][:200]}",
            place=root,
            remedy="see that it is there and may be read",
        ) from exc
    return [
        posixpath.join(folder, name) for folder in sorted(by_folder) for name in live_files(by_folder[folder])
    ]


def _begun(run: str, metadata: dict[bytes, bytes]) -> RunScan:
    return RunScan(
        run, metadata.get(b"lyewatch.bench", b"").decode(), metadata.get(b"lyewatch.build", b"").decode()
    )


def _add(scan: RunScan, batch: pa.RecordBatch) -> None:
    columns: dict[str, NDArray[np.float64]] = {
        name: batch.column(name).to_numpy(zero_copy_only=False) for name in CHANNELS
    }
    scan.rows += batch.num_rows
    for name, values in columns.items():
        scan.channels[name].add(values)
    watts = columns["watts"]
    # Power is the mean of the product, never the product of means.
    watts = np.where(np.isfinite(watts), watts, columns["volts"] * columns["amps"])
    both = np.isfinite(watts) & np.isfinite(columns["gas_flow"])
    scan.gas_rows += int(np.count_nonzero(both))
    scan.gas_ml_min += 1000.0 * float(columns["gas_flow"][both].sum())
    scan.gas_watts += float(watts[both].sum())


def _build(build: str, runs: list[RunScan]) -> BuildScan:
    mmw = list(_known(r.mmw_as_read for r in runs))
    watts = list(_known(r.channels["watts"].mean for r in runs))
    hottest = [r.channels["lye_temp"].highest for r in runs if r.channels["lye_temp"].count]
    return BuildScan(
        build,
        len(runs),
        float(np.mean(mmw)) if mmw else None,
        float(np.std(mmw, ddof=1) / math.sqrt(len(mmw))) if len(mmw) > 1 else None,
        float(np.mean(watts)) if watts else None,
        max(hottest, default=None),
        float(np.mean(by_fills)) if (by_fills := list(_known(r.mmw_by_fills for r in runs))) else None,
        sum(r.fills for r in runs),
    )


def _shown(value: object) -> str:
    if value is None:
        return "–"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _known(values: Iterable[float | None]) -> Iterator[float]:
    return (v for v in values if v is not None)
