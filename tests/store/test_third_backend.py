"""A store over a backend that the product has never heard of: nothing in it asks which one it is."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from daq.errors import RequestRefused, StoreError
from daq.frame import Block
from daq.store import ARCHIVE_STATE, Archive, BackendAway, ParquetBackend, Store
from tests.store.made import assert_same, block, expected, sample
from tests.store.toy_backend import ToyBackend

START_NS = 1_700_000_000_000_000_000


@pytest.fixture
def toy(tmp_path: Path) -> ToyBackend:
    return ToyBackend(tmp_path / "toy")


@pytest.fixture
def store(tmp_path: Path, toy: ToyBackend) -> Iterator[Store]:
    with opened(tmp_path, toy) as made:
        yield made


def opened(folder: Path, toy: ToyBackend, spool_rows: int = 1000) -> Store:
    archive = Archive(ParquetBackend(folder / "segments"), toy, new_in="toy", spool_rows=spool_rows)
    return Store(folder, archive=archive, writer=True)


def fill(store: Store, run: str, first: int, rows: int) -> None:
    store.commit([(run, sample("stack", k)) for k in range(first, first + rows)], full=False)


def backends(store: Store, run: str) -> set[str]:
    return {s.backend for s in store.segments.of(run)}


def test_samples_are_sealed_to_it_and_read_from_it(store: Store) -> None:
    run = store.logbook.create_run(bench="torch").id
    fill(store, run, 0, 100)
    assert store.seal(run, all_rows=True) == 100
    fill(store, run, 100, 20)
    (segment,) = store.segments.of(run)
    assert (segment.backend, segment.name.startswith("toy-")) == ("toy", True)
    assert list(store.folder.rglob("*.parquet")) == []
    assert_same(store.read(run)["stack"], expected(sample("stack", k) for k in range(120))["stack"])
    assert store.extreme(run, "amps") == (11_900_000_000, 119.0)
    assert store.segments.rows_by_backend(run) == {
        "journal": 20,
        "segments": 0,
        "influxdb": 0,
        "toy": 100,
        "refused": 0,
    }


def test_while_it_is_away_the_journal_is_its_spool_and_a_full_one_goes_on_beside_it(
    tmp_path: Path, toy: ToyBackend
) -> None:
    with opened(tmp_path, toy, spool_rows=50) as store:
        run = store.logbook.create_run(bench="torch").id
        toy.away = True
        fill(store, run, 0, 40)
        with pytest.raises(BackendAway):
            store.seal(run, all_rows=True)
        assert store.journal.count() == 40, "they wait"
        state = store.logbook.get_state(ARCHIVE_STATE)
        assert (state["server"], state["away_since_ns"] is None) == (str(toy.folder), False)
        fill(store, run, 40, 40)
        with pytest.raises(BackendAway):
            store.seal(run, all_rows=True)
        assert (store.journal.count(), backends(store, run)) == (0, {"segments"})
        toy.away = False
        fill(store, run, 80, 40)
        store.seal(run, all_rows=True)
        assert store.logbook.get_state(ARCHIVE_STATE)["away_since_ns"] is None
        assert backends(store, run) == {"segments", "toy"}
        assert store.read(run)["stack"].seq.tolist() == list(range(120))


def test_a_store_opens_and_sweeps_while_it_is_away(tmp_path: Path, toy: ToyBackend) -> None:
    with opened(tmp_path, toy) as store:
        run = store.logbook.create_run(bench="torch").id
        fill(store, run, 0, 10)
        store.seal(run, all_rows=True)
    toy.away = True
    with opened(tmp_path, toy) as store:
        fill(store, run, 10, 5)
        with pytest.raises(BackendAway):
            store.read(run)
        lost: list[object] = []
        with pytest.raises(BackendAway):
            store.read(run, lost=lost)  # type: ignore[arg-type]
        assert lost == [], "what is away is not lost"


def test_runs_are_moved_to_it_and_back(store: Store) -> None:
    run = store.logbook.create_run(bench="torch", start_utc_ns=START_NS).id
    store.add_blocks(run, [block("stack", 300), block("me:ter/1", 50)])
    wanted = store.read(run, raw=True)
    assert backends(store, run) == {"toy"}
    assert store.segments.move(run, to="segments") == 350
    assert backends(store, run) == {"segments"}
    assert store.segments.move(run, to="toy") == 350
    assert store.segments.elsewhere(run, "toy") == []
    for source, made in store.read(run, raw=True).items():
        assert_same(made, wanted[source])
    assert list(store.folder.rglob("*.parquet")) == []
    with pytest.raises(RequestRefused):
        store.segments.move(run, to="influxdb")


def test_it_downsamples_and_the_journals_rows_come_in(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    t_ns = np.arange(21_000, dtype=np.int64) * 100_000_000
    volts = rng.normal(12.0, 1.0, t_ns.size)
    run = store.logbook.create_run(bench="torch", start_utc_ns=START_NS).id
    store.add_blocks(run, [Block("stack", t_ns, np.arange(t_ns.size), {"volts": volts})])
    store.commit([(run, sample("stack", 21_000, volts=40.0))], full=False)
    there = store.envelope(run, ["volts"], points=100)["volts"]
    monkeypatch.setattr(ToyBackend, "downsamples", False)
    here = store.envelope(run, ["volts"], points=100)["volts"]
    assert there.hi.max() == 40.0
    for column in ("t_ns", "lo", "hi", "t_lo_ns", "t_hi_ns", "count"):
        np.testing.assert_array_equal(getattr(there, column), getattr(here, column), err_msg=column)
    np.testing.assert_allclose(there.mean, here.mean, rtol=1e-12)


def test_a_lost_journal_and_a_lost_logbook_find_again_what_it_has(tmp_path: Path, toy: ToyBackend) -> None:
    with opened(tmp_path, toy) as store:
        run = store.logbook.create_run(bench="torch", name="first flame", start_utc_ns=START_NS)
        fill(store, run.id, 0, 30)
        store.seal(run.id, all_rows=True)
    for path in tmp_path.glob("journal.db*"):
        path.unlink()
    with opened(tmp_path, toy) as store:
        fill(store, run.id, 30, 10)
        store.seal(run.id, all_rows=True)
        assert store.read(run.id)["stack"].seq.tolist() == list(range(40))
    for path in tmp_path.glob("logbook.db*"):
        path.unlink()
    with opened(tmp_path, toy) as store:
        (made,) = store.rebuild_runs()
        assert (made.id, made.name, made.bench) == (run.id, "first flame", "torch")


def test_a_run_that_is_deleted_is_deleted_there(store: Store, toy: ToyBackend) -> None:
    run = store.logbook.create_run(bench="torch").id
    fill(store, run, 0, 10)
    store.seal(run, all_rows=True)
    store.delete_run(run)
    assert [p for p in toy.folder.rglob("*") if p.is_file()] == []


def test_a_backend_that_the_store_knows_no_more(tmp_path: Path, toy: ToyBackend) -> None:
    with opened(tmp_path, toy) as store:
        run = store.logbook.create_run(bench="torch").id
        fill(store, run, 0, 10)
        store.seal(run, all_rows=True)
    with Store(tmp_path) as store, pytest.raises(StoreError, match="no longer knows"):
        store.read(run)
