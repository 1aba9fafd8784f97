"""The bench of a recorded run, as its file was at the time."""

from __future__ import annotations

from daq.bench import Bench, parse_bench, read_calibrations
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
    bench = parse_bench(record.bench_toml, store.folder / f"{record.id}.toml")
    return bench.calibrated(read_calibrations(store.logbook.run_calibrations(record.id)))
