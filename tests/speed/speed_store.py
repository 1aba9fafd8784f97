"""The store against plain peers on the same data in the same run: 24 h at 10 Hz, 8 channels.

Each test prints a table of times and ratios. Only ratios are asserted, with wide margins.
"""

from __future__ import annotations

import csv
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import pytest

from daq.frame import Block, Sample
from daq.store import Store

ROWS = 864_000
CHANNELS = ("volts", "amps", "watts", "lye_temp", "gas_flow", "gas_temp", "room_pressure", "duty")
POINTS = 2000
_T = TypeVar("_T")


def best_of(times: int, work: Callable[[], _T]) -> tuple[float, _T]:
    """The shortest of `times` runs [s], and what the last one returned."""
    shortest = float("inf")
    for _ in range(times):
        started = time.perf_counter()
        result = work()
        shortest = min(shortest, time.perf_counter() - started)
    return shortest, result


def table(title: str, rows: list[tuple[str, float]]) -> None:
    """Print times, and each as a ratio to the first."""
    print(f"\n{title}")
    for name, seconds in rows:
        print(f"  {name:<44}{seconds * 1e3:>10.1f} ms{seconds / rows[0][1]:>10.2f} x")


@pytest.fixture(scope="module")
def day() -> Block:
    """A day of a torch's readings: slow drifts, noise, quantised as a converter does, one spike."""
    rng = np.random.default_rng(7)
    t_ns = np.arange(ROWS, dtype=np.int64) * 100_000_000
    values = {}
    for k, name in enumerate(CHANNELS):
        drift = 10 * (k + 1) + np.sin(np.arange(ROWS) / 40_000 + k)
        values[name] = np.round(drift + rng.normal(0, 0.05, ROWS), 3)
    values["volts"][123_456] = 99.0
    return Block("stack", t_ns, np.arange(ROWS, dtype=np.int64), values)


@pytest.fixture(scope="module")
def store(day: Block, tmp_path_factory: pytest.TempPathFactory) -> Store:
    made = Store(tmp_path_factory.mktemp("store"), writer=True)
    made.add_blocks("day", [day])
    return made


@pytest.fixture(scope="module")
def peer(day: Block, tmp_path_factory: pytest.TempPathFactory) -> sqlite3.Connection:
    """The same rows in one SQLite table."""
    con = sqlite3.connect(tmp_path_factory.mktemp("peer") / "peer.db")
    con.execute(f"CREATE TABLE samples (t_ns INTEGER PRIMARY KEY, {' REAL, '.join(CHANNELS)} REAL)")
    fill(con, day)
    return con


def fill(con: sqlite3.Connection, day: Block) -> None:
    """Insert a block's rows."""
    columns = [day.t_ns.tolist(), *(day.values[c].tolist() for c in CHANNELS)]
    con.executemany(f"INSERT INTO samples VALUES ({', '.join('?' * 9)})", zip(*columns, strict=True))
    con.commit()


def test_envelope_of_a_day(store: Store, peer: sqlite3.Connection) -> None:
    """2,000 points of all 8 channels with their extremes, against SQL's GROUP BY with min and max."""
    width = ROWS * 100_000_000 // POINTS
    both = ", ".join(f"min({c}), max({c})" for c in CHANNELS)
    cold, _ = best_of(1, lambda: store.envelope("day", CHANNELS, points=POINTS))
    ours, found = best_of(3, lambda: store.envelope("day", CHANNELS, points=POINTS))
    theirs, rows = best_of(
        2,
        lambda: peer.execute(f"SELECT t_ns / {width}, {both} FROM samples GROUP BY 1 ORDER BY 1").fetchall(),
    )
    hour, _ = best_of(
        3, lambda: store.envelope("day", CHANNELS, points=POINTS, start_ns=36 * 10**12, end_ns=396 * 10**11)
    )
    table(
        "min/max series of 24 h, 8 channels, 2,000 points",
        [
            ("store.envelope", ours),
            ("store.envelope, first (imports Arrow)", cold),
            ("store.envelope, one hour of it", hour),
            ("SQL GROUP BY min, max", theirs),
        ],
    )
    assert len(rows) == POINTS
    for k, name in enumerate(CHANNELS):
        assert found[name].lo.min() == min(row[1 + 2 * k] for row in rows)
        assert found[name].hi.max() == max(row[2 + 2 * k] for row in rows)
    assert ours < 0.5 * theirs


def test_reading_a_day(store: Store, peer: sqlite3.Connection, day: Block, tmp_path: Path) -> None:
    """Everything to arrays, against SQLite's fetchall and the csv module on a tenth of it."""
    part = ROWS // 10
    with (tmp_path / "part.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerows(
            zip(day.t_ns[:part].tolist(), *(v[:part].tolist() for v in day.values.values()), strict=True)
        )

    def by_csv() -> int:
        with (tmp_path / "part.csv").open(newline="") as file:
            return len(np.array([[float(x) for x in row] for row in csv.reader(file)]))

    ours, blocks = best_of(3, lambda: store.read("day"))
    sql, rows = best_of(1, lambda: np.array(peer.execute("SELECT * FROM samples").fetchall()))
    text, count = best_of(1, by_csv)
    table(
        "reading 24 h, 8 channels",
        [("store.read", ours), ("sqlite3 fetchall", sql), ("csv module, from a tenth", 10 * text)],
    )
    assert (len(blocks["stack"]), len(rows), count) == (ROWS, ROWS, part)
    assert ours < 0.5 * min(sql, 10 * text)


def test_writing_a_day(day: Block, tmp_path: Path) -> None:
    """An import, against the same rows into one SQLite table; and the room they take."""
    store = Store(tmp_path / "store")
    ours, _ = best_of(1, lambda: store.add_blocks("day", [day]))
    con = sqlite3.connect(tmp_path / "peer.db")
    con.execute(f"CREATE TABLE samples (t_ns INTEGER PRIMARY KEY, {' REAL, '.join(CHANNELS)} REAL)")
    theirs, _ = best_of(1, lambda: fill(con, day))
    con.close()
    store.close()
    table("writing 24 h, 8 channels", [("store.add_blocks", ours), ("sqlite3 executemany", theirs)])
    parquet = sum(p.stat().st_size for p in (tmp_path / "store").rglob("*.parquet"))
    print(
        f"  {parquet / 1e6:.1f} MB of Parquet, {(tmp_path / 'peer.db').stat().st_size / 1e6:.1f} MB of SQLite"
    )
    assert ours < theirs
    assert parquet < 0.6 * (tmp_path / "peer.db").stat().st_size


def test_committing_as_the_reader_does(tmp_path: Path) -> None:
    """A commit every 0.1 s of two sources at 10 Hz, every fifth one full: the CPU it takes of that 0.1 s."""
    commits = 3000
    with Store(tmp_path, writer=True) as store:
        run = store.logbook.create_run(bench="b")
        batches = [
            [
                (run.id, Sample("stack", k * 10**8, dict.fromkeys(CHANNELS[:4], k / 7), seq=k)),
                (run.id, Sample("meter", k * 10**8, dict.fromkeys(CHANNELS[4:], k / 3), seq=k)),
            ]
            for k in range(commits)
        ]
        started, cpu = time.perf_counter(), time.process_time()
        for k, batch in enumerate(batches):
            store.commit(batch, full=k % 5 == 4)
        wall, cpu = time.perf_counter() - started, time.process_time() - cpu
    share = cpu / (commits * 0.1)
    print(f"\n{commits} commits: {wall / commits * 1e6:.0f} us each, {cpu / commits * 1e6:.0f} us of CPU")
    print(f"  {100 * share:.2f} % of one core at 10 Hz")
    assert share < 0.05


def test_memory_of_a_process_that_journals_and_seals(tmp_path: Path) -> None:
    """Against one that has only imported numpy: what the store holds in memory after an hour of data."""
    code = (
        "import sys; import numpy; import psutil; from pathlib import Path\n"
        "rss = lambda: psutil.Process().memory_info().rss / 2**20\n"
        "bare = rss()\n"
        "from daq.frame import Sample; from daq.store import Store\n"
        "with Store(Path(sys.argv[1]), writer=True) as store:\n"
        "    for k in range(36_000):\n"
        "        pair = [('r', Sample(s, k * 10**8, {'volts': k / 7, 'amps': k / 3}, seq=k)) for s in 'ab']\n"
        "        store.commit(pair, full=k % 50 == 0)\n"
        "        if k % 1200 == 1199: store.seal_apart('r', all_rows=True)\n"
        "    print(bare, rss())\n"
    )
    output = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], check=True, capture_output=True, timeout=300, text=True
    )
    bare, whole = map(float, output.stdout.split())
    print(
        f"\n{bare:.1f} MB with numpy alone, {whole:.1f} MB with the store after an hour: {whole / bare:.2f} x"
    )
    assert whole < 1.6 * bare
    with Store(tmp_path) as store:
        assert len(store.read("r")["a"]) == 36_000
