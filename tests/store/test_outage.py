"""The server dies and comes back while samples are taken: every point is there once, and what can not be is
said.

Outside check: what the server holds is asked of influxdb itself, not of the archive that wrote it. The
figures of 20 kills at 100 samples a second: LYEWATCH_OUTAGES=20 python -m pytest tests/store/test_outage.py
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path

import orjson
import pytest

from daq.errors import StoreError
from daq.store import ARCHIVE_STATE, Archive, ParquetBackend, Store
from daq.store.archive import ArchivePlaces
from daq.store.influxdb import TOKEN_VARIABLE, InfluxBackend, InfluxPlace, InfluxServer, ServerAway
from daq.store.journal import segments_of
from tests.influx_daemon import InfluxDaemon, PathMap
from tests.store.made import assert_same, expected, sample
from tests.waiting import wait_until

pytestmark = pytest.mark.server

OUTAGES = int(os.environ.get("LYEWATCH_OUTAGES", "4"))
STEP_NS = 10_000_000
RUN = "20231114-221320"


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[InfluxDaemon]:
    made = InfluxDaemon(tmp_path / "influx")
    made.query("CREATE DATABASE lyewatch")
    yield made
    made.kill()


@pytest.fixture
def store(tmp_path: Path, daemon: InfluxDaemon) -> Iterator[Store]:
    front = PathMap(daemon.port)
    folder = tmp_path / "store"
    server = InfluxServer(InfluxPlace(front.url, "lyewatch"), token="t", timeout_s=20.0)
    remote = InfluxBackend(server, "bench", folder / "refused")
    archive = Archive(ParquetBackend(folder / "segments"), remote, new_in="influxdb", spool_rows=20_000)
    with Store(folder, archive=archive, writer=True) as made:
        assert made.logbook.create_run(bench="bench", start_utc_ns=1_700_000_000_000_000_000).id == RUN
        yield made
    archive.close()
    front.close()


def numbers_on(daemon: InfluxDaemon) -> list[int]:
    """The sequence numbers of every point on the server, as the server says them."""
    answer = json.loads(daemon.query('SELECT "seq" FROM "sample"', db="lyewatch"))
    return sorted(v[1] for s in answer["results"][0].get("series", []) for v in s["values"])


def commit(store: Store, first: int, rows: int) -> None:
    made = [
        (RUN, sample("stack", k, k * STEP_NS, volts=11.0 + k, amps=0.5 * k))
        for k in range(first, first + rows)
    ]
    store.commit(made, full=False)


@pytest.mark.timeout(900)
def test_every_point_is_there_once_however_often_the_server_dies(store: Store, daemon: InfluxDaemon) -> None:
    rng = random.Random(6)
    done, written, refused = threading.Event(), 0, 0

    def take_samples() -> None:
        nonlocal written
        while not done.is_set():
            commit(store, written, 10)
            written += 10
            time.sleep(0.1)

    def seal() -> None:
        nonlocal refused
        while not done.is_set():
            try:
                store.seal(RUN, all_rows=True)
            except StoreError:
                refused += 1
            time.sleep(rng.random() * 0.05)

    threads = [threading.Thread(target=take_samples), threading.Thread(target=seal)]
    for thread in threads:
        thread.start()
    try:
        for number in range(OUTAGES):
            before = refused
            time.sleep(rng.random() * 0.3)
            daemon.kill()
            wait_until(lambda: refused > before, f"outage {number} to be noticed", timeout_s=60)  # noqa: B023
            assert store.logbook.get_state(ARCHIVE_STATE)["away_since_ns"] is not None
            time.sleep(rng.random() * 0.2)
            daemon.start()
    finally:
        done.set()
        for thread in threads:
            thread.join()
    store.seal(RUN, all_rows=True)
    assert store.journal.count() == 0
    state = store.logbook.get_state(ARCHIVE_STATE)
    assert (state["away_since_ns"], state["error"], state["refused_rows"]) == (None, None, 0)
    assert numbers_on(daemon) == list(range(written))
    found = store.read(RUN)["stack"]
    assert_same(
        found,
        expected(sample("stack", k, k * STEP_NS, volts=11.0 + k, amps=0.5 * k) for k in range(written))[
            "stack"
        ],
    )
    print(
        f"{OUTAGES} outages, {written} points, {refused} sealings refused meanwhile, every point there once"
    )


def test_a_full_journal_goes_on_into_segments_and_nothing_is_lost(store: Store, daemon: InfluxDaemon) -> None:
    archive = store.archive
    archive.spool_rows = 500
    commit(store, 0, 300)
    store.seal(RUN, all_rows=True)
    daemon.kill()
    commit(store, 300, 400)
    with pytest.raises(ServerAway, match="does not answer"):
        store.seal(RUN, all_rows=True)
    assert store.journal.count() == 400, "fewer than the bound wait"
    commit(store, 700, 400)
    with pytest.raises(ServerAway):
        store.seal(RUN, all_rows=True)
    assert store.journal.count() <= 500
    daemon.start()
    commit(store, 1100, 50)
    store.seal(RUN, all_rows=True)
    assert store.journal.count() == 0
    with store.journal.db.reading() as con:
        segments = segments_of(con, RUN)
    assert {s.backend for s in segments} == {"segments", "influxdb"}
    assert store.read(RUN)["stack"].seq.tolist() == list(range(1150))
    assert numbers_on(daemon) == [*range(300), *range(1100, 1150)]


def test_a_server_that_is_away_keeps_no_reader_from_opening(store: Store, daemon: InfluxDaemon) -> None:
    commit(store, 0, 10)
    daemon.kill()
    with suppress(ServerAway):
        store.seal(RUN, all_rows=True)
    with Store(store.folder, archive=store.archive) as other:
        assert other.read(RUN)["stack"].seq.tolist() == list(range(10))


def test_a_journal_that_is_lost_finds_what_the_server_has(store: Store, daemon: InfluxDaemon) -> None:
    commit(store, 0, 40)
    store.seal(RUN, all_rows=True)
    folder, archive = store.folder, store.archive
    store.close()
    for path in folder.glob("journal.db*"):
        path.unlink()
    with Store(folder, archive=archive, writer=True) as again:
        commit(again, 40, 10)
        again.seal(RUN, all_rows=True)
        assert again.read(RUN)["stack"].seq.tolist() == list(range(50))
    assert numbers_on(daemon) == list(range(50))


def test_sealing_that_is_killed_between_its_requests_loses_and_doubles_nothing(
    tmp_path: Path, daemon: InfluxDaemon, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sealing process of the product, killed while two requests are under way and rows are read ahead."""
    monkeypatch.setenv(TOKEN_VARIABLE, "t")
    folder, rows = tmp_path / "store", 25_000
    sealing: list[subprocess.Popen[bytes]] = []
    deadly = ("", 0)
    met: Counter[str] = Counter()
    counting = threading.Lock()

    def on_write(what: str) -> None:
        with counting:
            met[what] += 1
            if (what, met[what]) == deadly:
                sealing[-1].kill()

    def seal() -> int:
        met.clear()
        words = [sys.executable, "-m", "daq.store.archive.seal_now", str(folder), RUN, str(rows), "1"]
        sealing.append(subprocess.Popen(words, stdout=subprocess.DEVNULL))
        return sealing[-1].wait(100)

    front = PathMap(daemon.port, on_write)
    folder.mkdir()
    places = ArchivePlaces("influxdb", InfluxPlace(front.url, "lyewatch"), "bench")
    (folder / "archive.json").write_bytes(orjson.dumps(asdict(places)))
    with Store(folder, writer=True) as store:
        assert store.logbook.create_run(bench="bench", start_utc_ns=1_700_000_000_000_000_000).id == RUN
        for first in range(0, rows, 10):
            commit(store, first, 10)
        # A segment is its record, four requests of rows and its record again; what was left over by the one
        # that was killed before is struck off with another: so among the rows, after all and before it is
        # noted here, and in the second segment.
        for deadly in (("done", 1), ("asked", 4), ("done", 7), ("asked", 9)):
            assert seal() == -signal.SIGKILL
            assert met[deadly[0]] >= deadly[1]
        assert 0 < store.journal.count() < rows, "killed within the second segment at last"
        assert store.read(RUN)["stack"].seq.tolist() == list(range(rows))
        deadly = ("", 0)
        assert seal() == 0
        assert store.journal.count() == 0
        assert store.read(RUN)["stack"].seq.tolist() == list(range(rows))
    assert numbers_on(daemon) == list(range(rows))
    front.close()
