"""A run made of a CSV log, through the same watch as live data."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from daq.bench import Bench
from daq.errors import LogFileError
from daq.frame import NO_SEQ, Block, Status
from daq.store import RunRecord, Store, free_run_id
from daq.study.tables.log_file import LogFile, LogPiece, open_log
from daq.watch import make_forecaster, replay_events

__all__ = ["Imported", "import_into", "import_log"]


@dataclass(frozen=True, slots=True)
class Imported:
    """What came of an import."""

    run_id: str
    rows: int
    duration_s: float
    alarms: int
    channels: tuple[str, ...]
    notes: tuple[str, ...]


def import_log(
    store: Store,
    bench: Bench,
    path: Path,
    *,
    name: str = "",
    build: str = "",
    progress: Callable[[float, str], None] = lambda done, what: None,
) -> Imported:
    """Make a run of a log.

    The log is read twice: once to see that all of it is right, so that a wrong row leaves no half run behind,
    and once to store it.

    Parameters
    ----------
    store : Store
    bench : Bench
        What the log's columns are, and the run's bench file.
    path : Path
        The CSV file.
    name : str
        The run's title; empty takes the file's name.
    build : str
        The stack's build; empty takes the bench file's.
    progress : callable
        Told the share that is done, 0 to 1, and what is being done.

    Raises
    ------
    LogFileError
        Naming the row, the column, the value and the remedy; nothing is then stored.
    """
    log = open_log(path, bench)
    rows = 0
    start_utc: int | None = None
    last_ns = 0
    notes: list[str] = []
    for stated_utc, piece in log.pieces(notes):
        start_utc = stated_utc
        rows += piece.t_ns.size
        last_ns = int(piece.t_ns[-1]) if piece.t_ns.size else last_ns
        progress(0.2 * piece.fraction, f"checking {path.name}")
    if rows == 0:
        raise LogFileError(
            "has a header and no rows", place=str(path), remedy="give it at least one row of data"
        )
    log = replace(log, notes=(*log.notes, *notes))
    if start_utc is None:
        start_utc = int(path.stat().st_mtime_ns) - last_ns
        note = f"{path.name}: has no wall time; the file's own date was taken as the run's end"
        log = replace(log, notes=(*log.notes, note))
    with store.importing():
        record = RunRecord(
            free_run_id(start_utc, {r.id for r in store.logbook.list_runs(limit=1_000_000, away=None)}),
            bench=bench.name,
            kind="import",
            name=name or path.stem,
            build=build or bench.stack.build,
            start_utc_ns=start_utc,
            clock_offset_ns=start_utc,
            ended_ns=last_ns,
            touched_utc_ns=time.time_ns(),
            bench_toml=bench.text,
            bench_json=json.dumps(bench.model_dump(mode="json")),
            note=f"imported from {path.name} at {time.strftime('%Y-%m-%d %H:%M:%S', time.gmtime())} UTC",
        )
        try:
            store.add_blocks(
                record, _blocks(log, bench, lambda f: progress(0.2 + 0.3 * f, f"storing {path.name}"))
            )
            blocks = store.read(record.id)
            again = replay_events(
                bench,
                blocks,
                make_forecaster(bench),
                progress=lambda f: progress(0.5 + 0.5 * f, f"watching {path.name}"),
            )
            # The run is there at once and whole, or not at all: an import that dies leaves none.
            with store.logbook.together():
                store.logbook.add_run(replace(record, rows=sum(map(len, blocks.values()))))
                for transition in again.transitions:
                    store.logbook.alarms.add(record.id, transition)
                store.logbook.forecasts.begin(record.id, 0)
                store.logbook.forecasts.add(record.id, again.forecasts, again.warnings, last_ns)
        except BaseException:
            store.delete_run(record.id)
            raise
    alarms = len({t.alarm for t in again.transitions})
    return Imported(record.id, rows, last_ns / 1e9, alarms, log.channels, log.notes)


def import_into(bench: Bench, path: Path, name: str = "", build: str = "") -> Imported:
    """Make a run of the log at `path` in the bench's own store; see `import_log`.

    Parameters
    ----------
    bench : Bench
    path : Path
    name, build : str
        In place of the file's name and of the bench file's build.

    Raises
    ------
    LogFileError
    """
    with Store.of(bench) as store:
        return import_log(store, bench, path, name=name, build=build)


def _blocks(log: LogFile, bench: Bench, progress: Callable[[float], None]) -> Iterator[Block]:
    """The log's pieces as blocks, one a source, with the bench's valid ranges applied."""
    for _, piece in log.pieces():
        for source in bench.sources:
            channels = [c for c in log.channels if bench.channels[c].source == source]
            if channels:
                yield _block(piece, source, channels, bench)
        progress(piece.fraction)


def _block(piece: LogPiece, source: str, channels: list[str], bench: Bench) -> Block:
    values, status, raw = {}, {}, {}
    for channel in channels:
        column = piece.values[channel]
        codes = np.where(np.isfinite(column), int(Status.GOOD), int(Status.MISSING)).astype(np.uint8)
        if channel in piece.bad:
            codes[piece.bad[channel]] = int(Status.BAD)
        valid = bench.channels[channel].valid
        if valid is not None:
            wrong = (column < valid[0]) | (column > valid[1])
            if wrong.any():
                raw[channel] = np.where(wrong, column, np.nan)
                column = np.where(wrong, np.nan, column)
                codes[wrong] = int(Status.BAD)
        values[channel] = np.where(np.isfinite(column), column, np.nan)
        status[channel] = codes
    return Block(source, piece.t_ns, np.full(piece.t_ns.size, NO_SEQ, dtype=np.int64), values, status, raw)
