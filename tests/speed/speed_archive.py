"""What it costs to keep samples, against the loaders that come with the peers, in one run on one machine.

Points are rows of eight channels. The server is influxdb 1.6 behind the test's path map, whose own cost is in
the figures of all who write through it. Only ratios, and the catching up that the archive promises, are
asserted.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np
import pandas as pd  # type: ignore[import-untyped]
import psutil
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point
from influxdb_client.client.write_api import SYNCHRONOUS

from daq.frame import Block, Sample
from daq.store import Archive, ParquetBackend, SegmentAbout, Store
from daq.store.influxdb import InfluxBackend, InfluxPlace, InfluxServer
from tests.influx_daemon import InfluxDaemon, PathMap, path_map_apart
from tests.store.made import segment_for

ROWS, FEW, TURN = 120_000, 12_000, 40_000
CHANNELS = ("volts", "amps", "watts", "lye_temp", "gas_flow", "gas_temp", "room_pressure", "duty")
START_NS = 1_700_000_000_000_000_000
ABOUT = SegmentAbout("torch", "A", START_NS)


@pytest.fixture(scope="module")
def block() -> Block:
    rng = np.random.default_rng(7)
    t_ns = np.arange(ROWS, dtype=np.int64) * 100_000_000
    values = {}
    for k, name in enumerate(CHANNELS):
        drift = 10 * (k + 1) + np.sin(np.arange(ROWS) / 40_000 + k)
        values[name] = np.round(drift + rng.normal(0, 0.05, ROWS), 3)
    return Block("stack", t_ns, np.arange(ROWS, dtype=np.int64), values)


@pytest.fixture
def daemon(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[InfluxDaemon]:
    # Compacts when idle for a second, so that what is on disk can be measured.
    monkeypatch.setenv("INFLUXDB_DATA_CACHE_SNAPSHOT_WRITE_COLD_DURATION", "1s")
    monkeypatch.setenv("INFLUXDB_DATA_COMPACT_FULL_WRITE_COLD_DURATION", "1s")
    made = InfluxDaemon(tmp_path / "influx")
    for name in ("lyewatch", "points", "frame"):
        made.query(f"CREATE DATABASE {name}")
    yield made
    made.kill()


def size(folder: Path) -> int:
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())


def settled(folder: Path) -> int:
    """The folder's size once the server has compacted it."""
    last, since = size(folder), time.monotonic()
    deadline = since + 60
    while time.monotonic() < min(since + 6, deadline):
        time.sleep(0.5)
        now = size(folder)
        if now != last:
            last, since = now, time.monotonic()
    return last


@pytest.mark.timeout(600)
def test_writing(block: Block, daemon: InfluxDaemon, tmp_path: Path) -> None:
    front = PathMap(daemon.port)
    archive = InfluxBackend(
        InfluxServer(InfluxPlace(front.url, "lyewatch"), token="t"), "torch", tmp_path / "refused"
    )
    small = Block("stack", block.t_ns[:FEW], block.seq[:FEW], {n: v[:FEW] for n, v in block.values.items()})
    archive.write("warm", segment_for(small), small, ABOUT)  # imports, connections
    rates: dict[str, float] = {}

    started = time.perf_counter()
    for at in range(0, ROWS, 20_000):
        part = slice(at, at + 20_000)
        cut = Block("stack", block.t_ns[part], block.seq[part], {n: v[part] for n, v in block.values.items()})
        archive.write("run", segment_for(cut, name=f"p{at}"), cut, ABOUT)
    rates["lyewatch to the server"] = ROWS / (time.perf_counter() - started)

    client = InfluxDBClient(front.url, token="t", org="", enable_gzip=True, timeout=60_000)
    api = client.write_api(write_options=SYNCHRONOUS)
    started = time.perf_counter()
    for at in range(0, FEW, 5000):
        points = []
        for k in range(at, min(at + 5000, FEW)):
            point = Point("sample").tag("bench", "torch").time(START_NS + int(block.t_ns[k]))  # type: ignore[no-untyped-call]
            for name, values in block.values.items():
                point.field(name, float(values[k]))
            points.append(point)
        api.write(bucket="points", record=points)
    rates["the client's Point objects"] = FEW / (time.perf_counter() - started)

    frame = pd.DataFrame(block.values, index=pd.to_datetime(START_NS + block.t_ns, utc=True))
    started = time.perf_counter()
    for at in range(0, ROWS, 5000):
        api.write(bucket="frame", record=frame.iloc[at : at + 5000], data_frame_measurement_name="sample")
    rates["the client's data frames"] = ROWS / (time.perf_counter() - started)
    client.close()  # type: ignore[no-untyped-call]

    segments = ParquetBackend(tmp_path / "segments")
    started = time.perf_counter()
    segments.write("run", segment_for(block), block, ABOUT)
    rates["lyewatch to segments"] = ROWS / (time.perf_counter() - started)

    started = time.perf_counter()
    table = pa.table({"t_ns": block.t_ns, **block.values})
    pq.write_table(table, tmp_path / "peer.parquet", compression="zstd")
    rates["pyarrow's write_table"] = ROWS / (time.perf_counter() - started)

    con = sqlite3.connect(tmp_path / "peer.db")
    con.execute(f"CREATE TABLE samples (t_ns INTEGER PRIMARY KEY, {' REAL, '.join(CHANNELS)} REAL)")
    started = time.perf_counter()
    rows = zip(block.t_ns.tolist(), *(v.tolist() for v in block.values.values()), strict=True)
    con.executemany(f"INSERT INTO samples VALUES ({', '.join('?' * 9)})", rows)
    con.commit()
    rates["sqlite3's executemany"] = ROWS / (time.perf_counter() - started)
    con.close()

    started = time.perf_counter()
    (again,) = archive.read("run", [segment_for(small, name="p0")])
    rates["lyewatch from the server"] = len(again) / (time.perf_counter() - started)

    print("\npoints a second")
    for name, rate in rates.items():
        print(f"  {name:<32}{rate:>12,.0f}")
    on_disk = {
        "segments": size(tmp_path / "segments") / ROWS,
        "pyarrow's write_table": (tmp_path / "peer.parquet").stat().st_size / ROWS,
        "sqlite": (tmp_path / "peer.db").stat().st_size / ROWS,
        "server, as lyewatch writes": settled(tmp_path / "influx" / "data" / "lyewatch") / (ROWS + FEW),
        "server, as the data frame": settled(tmp_path / "influx" / "data" / "frame") / ROWS,
    }
    print("bytes on disk a row of eight channels, and a value")
    for name, taken in on_disk.items():
        print(f"  {name:<32}{taken:>8.1f}{taken / 8:>8.2f}")
    front.close()
    print(f"load of this machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    assert rates["lyewatch to the server"] > 1.5 * rates["the client's Point objects"]
    assert on_disk["server, as lyewatch writes"] < 1.3 * on_disk["server, as the data frame"]
    assert on_disk["segments"] < 1.3 * on_disk["pyarrow's write_table"]


@pytest.mark.timeout(600)
def test_catching_up(block: Block, daemon: InfluxDaemon, tmp_path: Path) -> None:
    """A full journal into the server by the sealing of the product, beside the client's own loaders.

    In turns, a share each at a time, so that what else this machine does falls on both of them. The loader
    has its points in memory, and fewer fields; ours reads them from the journal, and deletes them there. What
    the machine leaves them differs from run to run: processor time a point says what one that has nothing
    else to do would reach.
    """
    folder = tmp_path / "store"
    wall: defaultdict[str, float] = defaultdict(float)
    own: defaultdict[str, float] = defaultdict(float)
    servers: defaultdict[str, float] = defaultdict(float)
    points: Counter[str] = Counter()

    @contextmanager
    def timed(name: str, rows: int) -> Iterator[None]:
        at, cpu, server = time.perf_counter(), time.process_time(), cpu_s(daemon.pid)
        yield
        wall[name] += time.perf_counter() - at
        own[name] += time.process_time() - cpu
        servers[name] += cpu_s(daemon.pid) - server
        points[name] += rows

    frame = pd.DataFrame(block.values, index=pd.to_datetime(START_NS + block.t_ns, utc=True))
    with path_map_apart(daemon.port) as url, ExitStack() as stack:
        remote = InfluxBackend(InfluxServer(InfluxPlace(url, "lyewatch"), token="t"), "torch", folder / "no")
        archive = Archive(ParquetBackend(folder / "segments"), remote, new_in="influxdb")
        stack.callback(archive.close)
        store = stack.enter_context(Store(folder, archive=archive, writer=True))
        run = store.logbook.create_run(bench="torch", start_utc_ns=START_NS).id
        client = InfluxDBClient(url, token="t", org="", enable_gzip=True, timeout=60_000)
        api = client.write_api(write_options=SYNCHRONOUS)
        store.commit(samples(run, block, 0, 10), full=True)
        store.seal(run, all_rows=True)  # imports, connections
        api.write(bucket="frame", record=frame.iloc[:10], data_frame_measurement_name="sample")
        for at in range(10, ROWS - TURN, TURN):
            store.commit(samples(run, block, at, TURN), full=False)
            with timed("lyewatch", TURN):
                assert store.seal(run, all_rows=True) == TURN
            with timed("the client's data frames", TURN):
                for first in range(at, at + TURN, 5000):
                    api.write(
                        bucket="frame",
                        record=frame.iloc[first : min(first + 5000, at + TURN)],
                        data_frame_measurement_name="sample",
                    )
        client.close()  # type: ignore[no-untyped-call]
        (answer,) = json.loads(daemon.query('SELECT count("seq") FROM "sample"', "lyewatch"))["results"]
        assert answer["series"][0]["values"][0][1] == points["lyewatch"] + 10
    print(
        "\npoints of eight channels a second, values a second, processor time a point here and in the server"
    )
    rates = {name: n / wall[name] for name, n in points.items()}
    for name, n in points.items():
        print(
            f"  {name:<28}{rates[name]:>10,.0f}{8 * rates[name]:>12,.0f}"
            f"{own[name] / n * 1e6:>8.1f} us{servers[name] / n * 1e6:>8.1f} us"
        )
    print(f"load of this machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    assert rates["lyewatch"] > 0.9 * rates["the client's data frames"]
    assert own["lyewatch"] < own["the client's data frames"]


def samples(run: str, block: Block, first: int, rows: int) -> list[tuple[str, Sample]]:
    """Rows as a reader commits them."""
    columns = {n: v[first : first + rows].tolist() for n, v in block.values.items()}
    return [
        (
            run,
            Sample("stack", 100_000_000 * (first + k), {n: c[k] for n, c in columns.items()}, seq=first + k),
        )
        for k in range(rows)
    ]


def cpu_s(pid: int) -> float:
    times = psutil.Process(pid).cpu_times()
    return float(times.user + times.system)
