"""Runs moved between segments and a server: the same to the last bit, never twice, and gone on with after a
stop.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import orjson
import pytest

from daq.bench import load_bench
from daq.cli import main
from daq.errors import RequestRefused, StoreCorrupt
from daq.examples import example_text
from daq.frame import Block
from daq.store import Archive, ParquetBackend, SegmentAbout, Store
from daq.store.archive import ArchivePlaces, difference
from daq.store.influxdb import InfluxBackend, InfluxPlace, ServerAway
from tests.influx_daemon import shared_server
from tests.store.made import assert_same, block, sample, segment_for

START_NS = 1_700_000_000_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    folder = tmp_path / "store"
    remote = InfluxBackend(shared_server(), f"bench {uuid4().hex}", folder / "refused")
    with Store(folder, archive=Archive(ParquetBackend(folder / "segments"), remote), writer=True) as made:
        yield made


def filled(store: Store) -> tuple[str, dict[str, Block]]:
    """A run of several batches of two sources, and what it says."""
    run = store.logbook.create_run(bench="b", start_utc_ns=START_NS).id
    for k in range(2):
        store.add_blocks(run, [block("stack", 300, first=300 * k), block("me:ter/1", 50, first=50 * k)])
    return run, store.read(run, raw=True)


def same(store: Store, run: str, wanted: dict[str, Block]) -> None:
    found = store.read(run, raw=True)
    assert set(found) == set(wanted)
    for source, made in found.items():
        assert_same(made, wanted[source])


@pytest.mark.server
def test_there_and_back_again(store: Store) -> None:
    run, wanted = filled(store)
    collected: list[Any] = []
    assert store.segments.move(run, to="influxdb", tell=collected.append) == 700
    assert len(collected) == 4
    assert store.segments.rows_by_backend(run) == {"journal": 0, "segments": 0, "influxdb": 700, "refused": 0}
    assert list(store.folder.rglob("*.parquet")) == []
    same(store, run, wanted)
    assert store.segments.move(run, to="influxdb") == 0

    assert store.segments.move(run, to="segments") == 700
    assert store.segments.rows_by_backend(run)["segments"] == 700
    same(store, run, wanted)
    assert list(store.archive.backend("influxdb").survey()) == []


@pytest.mark.server
def test_a_move_that_is_interrupted_goes_on(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    run, wanted = filled(store)
    write = InfluxBackend.write
    calls = 0

    def fails(self: InfluxBackend, *args: Any) -> None:
        nonlocal calls
        calls += 1
        write(self, *args)
        if calls == 3:
            raise ServerAway("gone after it had written")

    monkeypatch.setattr(InfluxBackend, "write", fails)
    with pytest.raises(ServerAway):
        store.segments.move(run, to="influxdb")
    same(store, run, wanted)
    assert len(store.segments.elsewhere(run, "influxdb")) == 2
    store.segments.move(run, to="influxdb")
    assert store.segments.elsewhere(run, "influxdb") == []
    same(store, run, wanted)


@pytest.mark.server
def test_what_does_not_read_back_the_same_is_not_taken_over(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, wanted = filled(store)
    read = InfluxBackend.read

    def wrong(self: InfluxBackend, *args: Any, **how: Any) -> list[Block]:
        found = read(self, *args, **how)
        found[0].values["volts"][7] += 1e-15
        return found

    monkeypatch.setattr(InfluxBackend, "read", wrong)
    with pytest.raises(StoreCorrupt, match="volts"):
        store.segments.move(run, to="influxdb")
    monkeypatch.undo()
    assert store.segments.rows_by_backend(run)["influxdb"] == 0
    same(store, run, wanted)


def test_without_a_server_nothing_moves(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        run, wanted = filled(store)
        with pytest.raises(RequestRefused, match="knows no server"):
            store.segments.move(run, to="influxdb")
        same(store, run, wanted)


def test_a_difference_is_named() -> None:
    one = block("stack", 30)
    assert difference(one, block("stack", 30)) is None
    assert difference(one, block("stack", 29)) == "29 rows of 30"
    assert difference(one, block("stack", 30, first=1)) == "time"
    volts = {**one.values, "volts": one.values["volts"] + 1}
    flat = {"amps": np.zeros(30, np.uint8)}
    for other, words in (
        (replace(one, values=volts), "volts"),
        (replace(one, status=flat), "the status of amps"),
        (replace(one, raw={}), "the raw numbers of amps"),
    ):
        assert difference(one, other) == words


@pytest.mark.server
def test_the_command_moves_and_lists(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    server = shared_server()
    monkeypatch.setenv("LYEWATCH_INFLUX_TOKEN", server._token)
    text = example_text("water_torch").replace('name = "', f'name = "{uuid4().hex[:8]} ', 1)
    path = tmp_path / "bench.toml"
    path.write_text(
        f'{text}\n[store.influxdb]\nurl = "{server.place.url}"\nbucket = "{server.place.bucket}"\n'
        f'org = "{server.place.org}"\n'
    )
    bench = load_bench(path)
    with Store.of(bench, writer=True) as store:
        run, wanted = filled(store)
        store.commit([(run, sample("stack", 5000))], full=True)
        store.seal(run, all_rows=True)
        wanted = store.read(run, raw=True)
        refused = main(["archive", run, "--to", "influxdb", "--bench", str(path)])
        assert refused == 2, "an open run stays where it is recorded"
        store.logbook.stop_run(run, 10**12)
    assert main(["archive", "--to", "influxdb", "--bench", str(path)]) == 0
    out = capsys.readouterr()
    assert "1 runs moved to influxdb: 701 samples" in out.out
    assert "is being recorded" in out.err
    assert main(["archive", "--store", str(bench.store_folder), "--json"]) == 0
    (result,) = orjson.loads(capsys.readouterr().out)["runs"]
    assert (result["id"], result["influxdb"], result["segments"], result["journal"]) == (run, 701, 0, 0)
    with Store(bench.store_folder) as store:
        same(store, run, wanted)
    assert main(["archive", run, "--to", "segments", "--store", str(bench.store_folder), "--json"]) == 0
    assert orjson.loads(capsys.readouterr().out)["moved"] == [{"id": run, "rows": 701}]


def test_what_a_server_refused_is_listed_with_its_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    places = ArchivePlaces("influxdb", InfluxPlace("http://127.0.0.1:1", "bucket"), "bench")
    (tmp_path / "archive.json").write_bytes(orjson.dumps(asdict(places)))
    with Store(tmp_path, writer=True) as store:
        run = store.logbook.create_run(bench="b", start_utc_ns=START_NS).id
        remote = store.archive.backend("influxdb")
        assert isinstance(remote, InfluxBackend)
        made = block("stack", 9)
        reasons = ["field type conflict"] * 2 + ["outside the retention policy"]
        remote.letters.keep(segment_for(made, run), made, SegmentAbout(), [1, 4, 8], reasons)
    assert main(["archive", "--store", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert f"refused of {run}: 2 samples: field type conflict" in out
    assert f"refused of {run}: 1 samples: outside the retention policy" in out
