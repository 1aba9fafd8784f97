"""The bench of a recorded run, as its file was at the time."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from daq.bench import Bench, parse_bench, read_calibrations
from daq.errors import BenchFileError
from daq.store import RunRecord, Store

__all__ = ["recorded_bench"]


def recorded_bench(store: Store, record: RunRecord) -> Bench:
    """The bench as its file was when the run was made, with the calibrations that the run was recorded with;
    its path is a name only, for messages.

    Raises
    ------
    BenchFileError
        When a later lyewatch no longer takes what was written then.
    """
    path = store.folder / f"{record.id}.toml"
    try:
        bench = _parsed(record.bench_toml).named(path)
    except BenchFileError:
        bench = parse_bench(record.bench_toml, path)  # says it of this run's file
    return bench.calibrated(read_calibrations(store.logbook.calibrations.of_run(record.id)))


@lru_cache(maxsize=16)
def _parsed(text: str) -> Bench:
    """Runs of a series have one and the same text, and to take it apart is most of reading a short run."""
    return parse_bench(text, Path("bench.toml"))
