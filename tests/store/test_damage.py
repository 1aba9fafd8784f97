"""Damaged and lost files: each costs its own span, is named, and its remedy works when it is followed."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.errors import StoreBusy, StoreCorrupt, StoreError
from daq.store import CalibrationRecord, LostSpan, RunRecord, Store
from tests.store.made import block, sample

START = 1_736_953_800_000_000_000  # 2025-01-15 15:10:00 UTC, by `date -u -d @1736953800`


def commits(store: Store, run_id: str, first: int, count: int) -> None:
    for k in range(first, first + count, 5):
        store.commit([(run_id, sample("stack", n)) for n in range(k, k + 5)], full=True)


def recorded(folder: Path) -> RunRecord:
    """A run of three segments of 100 samples with a calibration, titled later than it began."""
    with Store(folder, writer=True) as store:
        made = CalibrationRecord("b", "volts", 1, "Ada", "reference", None, {"points": [1.5]})
        given = store.logbook.calibrations.add(made)
        run = store.logbook.create_run(
            bench="b", build="B", start_utc_ns=START, bench_toml="[bench]\n", calibrations={"volts": given.id}
        )
        for k in range(3):
            commits(store, run.id, 100 * k, 100)
            store.seal_here(run.id, up_to_id=None, close=False)
            store.logbook.rename_run(run.id, name=f"title {k}")
            store._abouts.clear()  # as in a sealing process, which asks anew
        store.logbook.stop_run(run.id, 29_900_000_000)
        commits(store, run.id, 300, 10)
        store.seal_here(run.id, up_to_id=None, close=False)
        return store.logbook.get_run(run.id)


def aside(path: Path) -> None:
    """What the remedy says: moved aside with its -wal and -shm."""
    for end in ("", "-wal", "-shm"):
        file = path.with_name(path.name + end)
        if file.exists():
            file.rename(file.with_name("aside-" + file.name))


def spoil(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 4 : len(content) // 2] = bytes(len(content) // 2 - len(content) // 4)
    path.write_bytes(content)


def segment(folder: Path, run_id: str, number: int) -> Path:
    return sorted((folder / "segments" / run_id).glob("*.parquet"))[number]


@pytest.mark.parametrize("how", ["spoilt", "gone", "empty"])
def test_a_damaged_segment_costs_its_own_span(tmp_path: Path, how: str) -> None:
    run = recorded(tmp_path)
    path = segment(tmp_path, run.id, 1)
    kept = path.read_bytes()
    if how == "gone":
        path.unlink()
    elif how == "empty":
        path.write_bytes(b"")
    else:
        spoil(path)
    with Store(tmp_path) as store:
        with pytest.raises(StoreCorrupt, match=path.name):
            store.read(run.id)
        lost: list[LostSpan] = []
        found = store.read(run.id, lost=lost)["stack"]
        assert found.seq.tolist() == [*range(100), *range(200, 310)]
        (span,) = lost
        assert (span.source, span.samples) == ("stack", 100)
        assert (span.start_ns, span.end_ns) == (100 * 100_000_000, 199 * 100_000_000)
        assert path.name in str(span.error)
        assert "restore the file from a copy" in str(span.error)
        path.write_bytes(kept)  # the remedy
        lost.clear()
        assert store.read(run.id, lost=lost)["stack"].seq.tolist() == list(range(310))
        assert lost == []


def test_a_damaged_row_of_the_journal_costs_its_own_span(tmp_path: Path) -> None:
    with Store(tmp_path, writer=True) as store:
        commits(store, "r", 0, 20)
        with store.journal.db.writing() as con:
            con.execute("UPDATE packs SET body = ? WHERE id = 6", (b'{"t": [',))
        lost: list[LostSpan] = []
        assert store.read("r", lost=lost)["stack"].seq.tolist() == [*range(5), *range(10, 20)]
        assert [(s.start_ns, s.end_ns, s.samples) for s in lost] == [(500_000_000, 900_000_000, 5)]


def test_the_remedy_for_a_damaged_logbook(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    (tmp_path / "logbook.db").write_bytes(b"this is no database at all " * 1000)
    with pytest.raises(StoreCorrupt) as caught:
        Store(tmp_path)
    assert "logbook.db" in str(caught.value)
    assert "`lyewatch runs --rebuild`" in str(caught.value)
    assert "sealed samples are found again" not in str(caught.value)
    aside(tmp_path / "logbook.db")
    with Store(tmp_path) as store:
        assert store.logbook.list_runs() == []
        (made,) = store.rebuild_runs()
        again = store.logbook.get_run(run.id)
        assert made == again
        assert (again.name, again.build, again.bench, again.start_utc_ns) == ("title 2", "B", "b", START)
        assert (again.bench_toml, again.ended_ns, again.rows) == ("[bench]\n", 29_900_000_000, 310)
        pinned = store.logbook.calibrations.of_run(run.id)["volts"]
        assert (pinned.who, pinned.body) == ("Ada", {"points": [1.5]})
        assert store.rebuild_runs() == []
        assert store.read(run.id)["stack"].seq.tolist() == list(range(310))


def test_the_remedy_for_a_damaged_journal(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    (tmp_path / "journal.db").write_bytes(b"this is no database at all " * 1000)
    with pytest.raises(StoreCorrupt) as caught:
        Store(tmp_path, writer=True)
    assert "journal.db" in str(caught.value)
    assert "sealed samples are found again" in str(caught.value)
    aside(tmp_path / "journal.db")
    with Store(tmp_path, writer=True) as store:
        assert store.read(run.id)["stack"].seq.tolist() == list(range(310))


@pytest.mark.parametrize("name", ["writer.lock", "seal.lock"])
def test_the_remedy_for_a_damaged_lock(tmp_path: Path, name: str) -> None:
    Store(tmp_path, writer=True).close()
    (tmp_path / name).write_bytes(b"this is no database at all " * 1000)
    with pytest.raises(StoreCorrupt, match="remove it: nothing is in it"):
        Store(tmp_path, writer=True)
    (tmp_path / name).unlink()
    Store(tmp_path, writer=True).close()


def test_the_remedy_for_an_archive_that_is_not_told(tmp_path: Path) -> None:
    (tmp_path / "archive.json").write_text("{")
    with pytest.raises(StoreCorrupt, match="remove it and start the reader"):
        Store(tmp_path, writer=True)
    (tmp_path / "archive.json").unlink()
    Store(tmp_path, writer=True).close()


def test_runs_of_segments_that_say_no_record(tmp_path: Path) -> None:
    """As versions wrote them that put bench, build and start beside the samples, and no more."""
    with Store(tmp_path, writer=True) as store:
        run = store.logbook.create_run(bench="b", build="B", start_utc_ns=START)
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr("daq.store.store.SegmentAbout", _without_record)
            store.add_blocks(run.id, [block("stack", 50)])
        about = store.archive.local.about(run.id, store.segments.of(run.id)[0].name)
        assert about is not None
        assert about.record is None
        store.logbook.forget_run(run.id)
        (made,) = store.rebuild_runs()
        assert (made.id, made.bench, made.build, made.start_utc_ns) == (run.id, "b", "B", START)
        assert (made.ended_ns, made.rows, made.bench_toml) == (49 * 100_000_000, 50, "")


def _without_record(*values: object, **named: object) -> object:
    from daq.store import SegmentAbout

    return SegmentAbout(*values[:4])  # type: ignore[arg-type]


@pytest.fixture
def cut(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """A store as it is when its log is lost: 100 samples taken over, 100 sealed and 50 kept since."""
    folder, copy = tmp_path / "store", tmp_path / "copy"
    with Store(folder, writer=True) as store:
        run = store.logbook.create_run(bench="b", start_utc_ns=START, bench_toml="[bench]\n")
        commits(store, run.id, 0, 100)
        store.seal_here(run.id, up_to_id=None, close=False)
        store.journal.db.checkpoint()
        commits(store, run.id, 100, 100)
        store.seal_here(run.id, up_to_id=None, close=False)
        commits(store, run.id, 200, 50)
        store._touched.clear()
        commits(store, run.id, 250, 5)
        shutil.copytree(folder, copy)
        for path in copy.glob("journal.db-*"):
            path.unlink()
        yield copy, run.id


def test_a_lost_log_shows_what_is_missing(cut: tuple[Path, str]) -> None:
    folder, run_id = cut
    with Store(folder) as store:
        assert store.read(run_id)["stack"].seq.tolist() == list(range(100))
        assert store.missing_samples(run_id) == 155
        # What had been sealed since is in no catalogue, and found again.
        store.rebuild_runs()
        assert store.read(run_id)["stack"].seq.tolist() == list(range(200))
        assert store.missing_samples(run_id) == 55
        store.rebuild_runs()
        assert store.missing_samples(run_id) == 55


def test_a_reader_that_goes_on_after_a_lost_log_writes_it_down(cut: tuple[Path, str]) -> None:
    folder, run_id = cut
    for _ in range(2):
        with Store(folder, writer=True) as store:
            (gap,) = store.logbook.list_gaps(run_id)
            assert (gap.samples, gap.start_ns) == (155, 99 * 100_000_000)
            assert store.missing_samples(run_id) == 0
    with Store(folder, writer=True) as store:
        # Ids that are given again do not hide what is found.
        commits(store, run_id, 255, 50)
        store.rebuild_runs()
        assert store.read(run_id)["stack"].seq.tolist() == [*range(200), *range(255, 305)]


def test_a_store_that_fails_to_open_leaves_nothing_open(tmp_path: Path) -> None:
    """A reader that can not open its store tries again and again, for weeks."""
    Store(tmp_path, writer=True).close()
    sound = (tmp_path / "logbook.db").read_bytes()
    (tmp_path / "logbook.db").write_bytes(b"this is no database at all " * 1000)
    for _ in range(3):
        with pytest.raises(StoreError):
            Store(tmp_path, writer=True)
    if sys.platform == "linux":
        held = [os.path.realpath(fd) for fd in Path("/proc/self/fd").iterdir()]
        assert [name for name in held if name.startswith(str(tmp_path))] == []
    (tmp_path / "logbook.db").write_bytes(sound)
    with Store(tmp_path, writer=True) as store:
        store.commit([("r", sample("stack", 1))], full=True)
        with pytest.raises(StoreBusy):
            Store(tmp_path, writer=True)
