"""Sealing while others read, sealing that dies half way, segments that are merged, a journal that is lost."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import apsw
import pytest

from daq.errors import StoreBusy, StoreCorrupt, StoreError
from daq.frame import Block
from daq.store import ParquetBackend, Segment, Store, reading
from daq.store._lock import seal_lock
from daq.store.archive import sealing
from daq.store.journal import add_stray, segments_of
from tests.store.made import assert_same, block, expected, sample
from tests.waiting import wait_until

WRITER = Path(__file__).with_name("writer_child.py")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store", writer=True)


def files(store: Store) -> list[str]:
    return sorted(p.name for p in store.folder.rglob("*.parquet*"))


def fill(store: Store, rows: int, first: int = 0) -> None:
    store.commit([("r", sample("stack", first + k)) for k in range(rows)], full=False)


@pytest.mark.parametrize("grace_ns", [60_000_000_000, 0])
def test_a_reader_sees_every_row_once_at_any_instant(tmp_path: Path, grace_ns: int) -> None:
    """Read as fast as can be while another process commits, seals and merges.

    Without the grace, files vanish under the reader's hands once they are merged, and it must look again.
    """
    child = subprocess.Popen(
        [
            sys.executable,
            str(WRITER),
            str(tmp_path),
            "--seal-every",
            "3",
            "--grace-ns",
            str(grace_ns),
            "--fan",
            "4",
        ],
        stdout=subprocess.PIPE,
    )
    looked = 0
    seen_sealed = seen_both = 0
    try:
        with Store(tmp_path) as store:
            wait_until(lambda: store.last_id() > 0, "the first commit", timeout_s=60)
            started = time.monotonic()
            # For a while, and until enough looks have met sealed rows, and sealed rows beside unsealed ones.
            while time.monotonic() < started + 2.0 or min(looked, seen_sealed, 5 * seen_both) < 50:
                assert time.monotonic() < started + 90.0, (looked, seen_sealed, seen_both)
                at_least = store.last_id()
                found = store.read("r")
                at_most = store.last_id()
                rows = sum(map(len, found.values()))
                assert at_least <= rows <= at_most
                for source, made in found.items():
                    assert made.seq.tolist() == list(range(len(made))), source
                looked += 1
                left = store.journal.count()
                seen_sealed += left < at_least
                seen_both += 0 < left < at_least
    finally:
        child.kill()
        child.communicate()


def test_a_seal_between_catalogue_and_rows_is_not_seen(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(store, 100)
    sealed = []

    def look_slowly(con: apsw.Connection, run_id: str) -> list[Segment]:
        found = segments_of(con, run_id)
        sealed.append(store.seal("r", all_rows=True))
        return found

    monkeypatch.setattr(reading, "segments_of", look_slowly)
    assert store.read("r")["stack"].seq.tolist() == list(range(100))
    assert store.read("r")["stack"].seq.tolist() == list(range(100))
    assert sealed == [100, 0]
    store.close()


def test_pieces_merged_and_deleted_between_catalogue_and_files_are_looked_for_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sealing, "_GRACE_NS", 0)
    for k in range(3):
        fill(store, 10, first=10 * k)
        store.seal_here("r", up_to_id=None, close=False)
    read = ParquetBackend.read
    calls: list[Any] = []

    def read_late(self: ParquetBackend, *args: Any, **options: Any) -> list[Block]:
        if not calls:
            store.seal_here("r", up_to_id=None, close=True)  # merges
            store.seal_here("r", up_to_id=None, close=True)  # and removes what was merged
        calls.append(args)
        return read(self, *args, **options)

    monkeypatch.setattr(ParquetBackend, "read", read_late)
    assert store.read("r")["stack"].seq.tolist() == list(range(30))
    assert [len(segments) for _, segments in calls] == [3, 1]
    store.close()


def test_one_at_a_time_seals_and_the_others_piece_is_left_alone(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sealing process may outlive the reader that began it, and write while the next reader opens."""
    fill(store, 10)
    monkeypatch.setattr(sealing, "_SEAL_WAIT_S", 0.05)
    with seal_lock(store.folder, 1.0):
        with store.journal.db.writing() as con:
            add_stray(
                con, Segment("r", "stack", "000000000001-stack", 0, 0, 0, 0, 0, backend="segments"), "sealing"
            )
        path = store.folder / "segments" / "r" / "000000000001-stack.parquet"
        path.parent.mkdir(parents=True)
        path.write_bytes(b"being written by the other one")
        with pytest.raises(StoreBusy, match="another process is sealing samples of this store"):
            store.seal("r", all_rows=True)
        store.close()
        with Store(store.folder, writer=True):
            assert path.exists()
    with Store(store.folder, writer=True) as again:
        assert not path.exists()
        assert again.seal("r", all_rows=True) == 10
        assert len(again.read("r")["stack"]) == 10


def test_a_piece_that_was_written_and_not_recorded_is_as_if_it_were_not_there(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(store, 100)

    def die(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(sealing, "add_segments", die)
        with pytest.raises(KeyboardInterrupt):
            store.seal("r", all_rows=True)
    assert files(store) == ["000000000001-stack.parquet"]
    assert store.read("r")["stack"].seq.tolist() == list(range(100))
    fill(store, 50, first=100)
    assert store.seal("r", all_rows=True) == 150
    assert store.read("r")["stack"].seq.tolist() == list(range(150))
    assert files(store) == ["000000000001-stack.parquet"]
    store.close()


def test_what_a_dead_sealing_process_wrote_is_cleaned_at_open(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(store, 100)

    def die(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(sealing, "add_segments", die)
        with pytest.raises(KeyboardInterrupt):
            store.seal("r", all_rows=True)
    store.close()
    part = store.folder / "segments" / "r" / "000000000001-stack.parquet.part"
    part.write_bytes(b"half")
    with Store(store.folder, writer=True) as again:
        assert files(again) == []
        assert len(again.read("r")["stack"]) == 100


def test_nothing_is_deleted_that_the_catalogue_does_not_name(store: Store) -> None:
    fill(store, 10)
    store.seal("r", all_rows=True)
    mine = store.folder / "segments" / "r" / "my own notes.parquet"
    mine.write_bytes(b"kept by somebody")
    store.close()
    with Store(store.folder, writer=True) as again:
        fill(again, 10, first=10)
        again.seal("r", all_rows=True)
        assert mine.read_bytes() == b"kept by somebody"


def test_rows_that_vanish_while_they_are_sealed_change_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    for k in range(100):
        fill(store, 1, first=k)
    write = ParquetBackend.write

    def meddle(self: ParquetBackend, *args: object) -> None:
        write(self, *args)  # type: ignore[arg-type]
        with store.journal.db.writing() as con:
            con.execute("DELETE FROM packs WHERE id = 50")

    with monkeypatch.context() as patched:
        patched.setattr(ParquetBackend, "write", meddle)
        with pytest.raises(StoreError, match="rows changed while they were sealed"):
            store.seal("r", all_rows=True)
    assert store.journal.count() == 99
    assert store.seal("r", all_rows=True) == 99
    assert len(store.read("r")["stack"]) == 99
    store.close()


def test_a_big_backlog_is_sealed_in_batches(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sealing, "_BATCH_ROWS", 70)
    samples = [sample("stack" if k % 3 else "meter", k) for k in range(500)]
    store.commit([("r", s) for s in samples], full=False)
    assert store.seal("r", all_rows=True) == 500
    for source, wanted in expected(samples).items():
        assert_same(store.read("r")[source], wanted)
    store.close()


def test_small_pieces_become_big_ones_and_the_old_files_go_after_a_while(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sealing, "_FAN", 3)
    for k in range(20):
        fill(store, 10, first=10 * k)
        store.seal_here("r", up_to_id=None, close=False)
        assert store.read("r")["stack"].seq.tolist() == list(range(10 * k + 10))
    with store.journal.db.reading() as con:
        segments = segments_of(con, "r")
    assert [p.level for p in segments] == [2, 2, 0, 0]
    assert sum(p.rows for p in segments) == 200
    assert [p.first_id for p in segments] == [1, 91, 181, 191]
    span = segments[0].spans["amps"]
    assert span is not None
    assert (span.low, span.low_ns, span.high, span.high_ns, span.finite) == (0.0, 0, 89.0, 8_900_000_000, 90)
    assert len(files(store)) > 4
    monkeypatch.setattr(sealing, "_GRACE_NS", 0)
    store.seal_here("r", up_to_id=None, close=True)
    store.seal_here("r", up_to_id=None, close=True)
    assert len(files(store)) == 3
    assert store.read("r")["stack"].seq.tolist() == list(range(200))
    store.close()


def test_a_long_run_is_few_segments(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sealing, "_FAN", 4)
    for k in range(48):
        fill(store, 5, first=5 * k)
        store.seal_here("r", up_to_id=None, close=False)
    with store.journal.db.reading() as con:
        assert len(segments_of(con, "r")) <= 6
    assert store.read("r")["stack"].seq.tolist() == list(range(240))
    store.close()


def test_sealing_apart_does_not_load_arrow_here(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from daq.store import Store; from daq.frame import Sample\n"
        "with Store(Path(sys.argv[1]), writer=True) as store:\n"
        "    store.commit([('r', Sample('stack', k, {'volts': 1.0}, seq=k)) for k in range(50)], full=True)\n"
        "    store.seal_apart('r', all_rows=True)\n"
        "assert 'pyarrow' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True, timeout=60)
    with Store(tmp_path) as store:
        assert store.journal.count() == 0
        assert store.read("r")["stack"].seq.tolist() == list(range(50))


def test_what_is_asked_while_another_run_is_sealed_is_done_after_it(store: Store) -> None:
    for run in ("a", "b", "c"):
        store.commit([(run, sample("stack", k)) for k in range(20)], full=False)
        store.seal_apart(run, all_rows=True)
    store.commit([("a", sample("stack", 20))], full=False)
    store.close()
    with Store(store.folder) as again:
        assert again.journal.count() == 1
        assert [len(again.read(run)["stack"]) for run in ("a", "b", "c")] == [21, 20, 20]


def test_a_sealing_process_that_fails_is_heard(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    fill(store, 20)
    (store.folder / "segments").write_text("in the way")
    store.seal_apart("r", all_rows=True)
    assert store._apart.finish(60)
    assert "segments" in caplog.text
    with pytest.raises(StoreError, match="segments"):
        store.seal_apart("r", all_rows=True)
    assert store.read("r")["stack"].seq.tolist() == list(range(20))
    (store.folder / "segments").unlink()
    assert store._apart.finish(60)
    store._apart.take_failure()
    store.seal_apart("r", all_rows=True)
    store.close()
    with Store(store.folder) as again:
        assert again.journal.count() == 0


def test_a_piece_that_is_lost_is_named(store: Store) -> None:
    fill(store, 20)
    store.seal("r", all_rows=True)
    (file,) = (store.folder / "segments" / "r").iterdir()
    file.unlink()
    with pytest.raises(StoreCorrupt) as caught:
        store.read("r")
    assert str(file) in str(caught.value)
    assert store.extreme("r", "amps") == (1_900_000_000, 19.0)
    store.close()


def test_sealed_samples_are_found_again_without_the_journal(store: Store) -> None:
    run = store.logbook.create_run(bench="b")
    for k in range(4):
        store.commit([(run.id, sample("stack", 10 * k + n)) for n in range(10)], full=True)
        store.seal_here(run.id, up_to_id=None, close=k == 2)
    store.add_blocks("imported", [block("meter", 30)])
    store.commit([(run.id, sample("stack", 40))], full=True)
    # The merged segment and those it was merged of are both still there: the same rows twice.
    assert len(list((store.folder / "segments" / run.id).iterdir())) == 5
    store.close()
    for path in store.folder.glob("journal.db*"):
        path.unlink()
    with Store(store.folder, writer=True) as again:
        assert again.read(run.id)["stack"].seq.tolist() == list(range(40))
        assert_same(again.read("imported", raw=True)["meter"], block("meter", 30))
        assert again.last_t_ns(run.id) == 3_900_000_000
        assert again.extreme(run.id, "amps") == (3_900_000_000, 39.0)
        assert again.commit([(run.id, sample("stack", 41))], full=True) > 41
        again.seal(run.id, all_rows=True)
        assert len(again.read(run.id)["stack"]) == 41
    with Store(store.folder) as once_more:
        assert len(once_more.read(run.id)["stack"]) == 41
