"""A thousand runs compared: time, and memory that does not grow with what the runs hold.

Each run is read two hours at a time and kept as its blocks, of which there are some 24 a run when runs are so
many. The peer in the same process is a tenth of the runs: ten times as many may take some memory for their
blocks, but no more samples at once. `LYEWATCH_COMPARE_RUNS` sets another number.
"""

from __future__ import annotations

import os
import resource
import time
from pathlib import Path

import numpy as np

from daq.frame import Block
from daq.store import RunRecord, Store
from daq.study.compare.comparison import compare_groups, group_runs
from daq.study.compare.result import as_dict
from daq.study.compare.run_blocks import block_seconds, read_run, recorded_seconds
from tests.study.stored_runs import bench_text, store_run
from tests.watch.workshop import LPM_PER_AMP

RUNS = int(os.environ.get("LYEWATCH_COMPARE_RUNS", "1000"))
SECONDS = 3600
BETTER = 0.02


def made(rng: np.random.Generator, gas: float) -> Block:
    """An hour at 1 Hz, warming from a room of its own."""
    t = np.arange(1, SECONDS + 1)
    room = rng.normal(20.0, 2.0)
    lye = room + 30.0 * (1.0 - np.exp(-t / 1200.0)) + 0.03 * rng.standard_normal(t.size)
    amps = 15.0 * (1.0 + 0.01 * (lye - 40.0))
    flow = gas * (0.93 - 0.001 * (lye - 40.0)) * LPM_PER_AMP * amps * np.exp(rng.normal(0.0, 0.01))
    values = {
        "volts": 13.2 + 0.004 * rng.standard_normal(t.size),
        "amps": amps + 0.02 * rng.standard_normal(t.size),
        "lye_temp": lye,
        "gas_flow": flow + 0.004 * rng.standard_normal(t.size),
        "room_temp": np.full(t.size, room),
        "gas_temp": np.full(t.size, room + 1.0),
        "relay": np.ones(t.size),
    }
    return Block("head", t.astype(np.int64) * 1_000_000_000, t.astype(np.int64), values)


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def compared(store: Store, records: list[RunRecord]) -> tuple[float, float]:
    """Seconds, and the most memory of the process so far [MB]."""
    started = time.perf_counter()
    block_s = block_seconds(recorded_seconds(store, r) for r in records)
    seen: list[float] = []
    runs = [read_run(store, r, block_s, seen.append) for r in records]
    (found,) = compare_groups(group_runs(runs))
    d = found.difference("mmw_dry_ref")
    assert d.low <= BETTER <= d.high
    assert found.repeated
    as_dict([found])
    assert len(seen) >= len(records), "each run moves the bar"
    return time.perf_counter() - started, peak_mb()


def test_a_thousand_runs_take_little_more_memory_than_a_hundred(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    text = bench_text(**{"altitude_m = 240 ": "pressure_kpa = 98.5 "})
    with Store(tmp_path / "store", writer=True) as store:
        for day in range(RUNS):
            second = day % 4 in (1, 2)
            store_run(store, text, made(rng, 1.0 + BETTER * second), build="B" if second else "A", day=day)
    with Store(tmp_path / "store") as store:
        records = sorted(store.logbook.list_runs(limit=RUNS), key=lambda r: r.start_utc_ns)
        few_s, few_mb = compared(store, records[: RUNS // 10])
        all_s, all_mb = compared(store, records)
    print(f"\n{RUNS // 10} runs: {few_s:.1f} s, peak {few_mb:.0f} MB")
    print(f"{RUNS} runs, {RUNS * SECONDS / 1e6:.1f} million rows: {all_s:.1f} s, peak {all_mb:.0f} MB")
    assert all_mb - few_mb < 150.0
