"""A full disk: a clear error, nothing lost that was taken, and it goes on when there is room."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from daq.errors import StoreError
from daq.store import Store, TripRecord
from daq.store._database import Database
from tests.store.made import sample


def fill_up(db: Database) -> Callable[[], None]:
    """Let the database's file grow no more (SQLite then answers SQLITE_FULL); returns how to make room."""
    con = db._writer
    pages = con.pragma("page_count")
    con.execute(f"PRAGMA max_page_count={pages}")
    return lambda: con.execute("PRAGMA max_page_count=1073741823").close()


def test_samples_stay_with_the_caller_and_are_taken_later(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        store.commit([("r", sample("stack", k)) for k in range(100)], full=True)
        make_room = fill_up(store.journal.db)
        pending = [("r", sample("stack", 100 + k)) for k in range(2000)]
        for _ in range(3):
            with pytest.raises(StoreError) as caught:
                store.commit(pending, full=True)
            assert str(caught.value).startswith(f"{tmp_path / 'journal.db'}: the disk is full; make room")
        assert store.read("r")["stack"].seq.tolist() == list(range(100))
        assert [s for r in store.tail(98) for s in r.block.seq.tolist()] == [98, 99]
        make_room()
        store.commit(pending, full=True)
        assert store.read("r")["stack"].seq.tolist() == list(range(2100))
    with Store(tmp_path) as again:
        assert again.read("r")["stack"].seq.tolist() == list(range(2100))


def test_a_logbook_that_can_not_grow_keeps_what_it_has(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        run = store.logbook.create_run(bench="b")
        store.logbook.trips.add(TripRecord(1, run.id, 2, "high", "lye_temp above 80", 80.1, "guard"))
        make_room = fill_up(store.logbook._db)
        with pytest.raises(StoreError, match=r"logbook\.db: the disk is full"):
            store.logbook.add_mark(run.id, 0, "note", "x" * 100_000)
        assert store.logbook.trips.current() is not None
        assert store.logbook.list_marks(run.id) == []
        make_room()
        store.logbook.add_mark(run.id, 0, "note", "x" * 100_000)


def test_rows_stay_in_the_journal_when_the_archive_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from daq.store.parquet import files as _parquet

    def full(path: Path, *_: object) -> None:
        path.write_bytes(b"PAR1")
        raise OSError(28, "No space left on device", str(path))

    with Store(tmp_path, writer=True) as store:
        store.commit([("r", sample("stack", k)) for k in range(100)], full=True)
        with monkeypatch.context() as patched:
            patched.setattr(_parquet, "write_file", full)
            with pytest.raises(StoreError, match="the disk is full"):
                store.seal("r", all_rows=True)
        assert list(tmp_path.rglob("*.part")) == []
        assert store.journal.count() == 100
        store.commit([("r", sample("stack", 100))], full=True)
        assert store.seal("r", all_rows=True) == 101
        assert store.read("r")["stack"].seq.tolist() == list(range(101))
