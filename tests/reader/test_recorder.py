"""The recorder: what becomes of samples and notes when the store is slow, full, away or broken."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from daq.bench import Bench, load_bench
from daq.errors import RunNotFound, StoreError
from daq.examples import example_text
from daq.frame import Sample
from daq.reader import recorder as module
from daq.reader.recorder import Opened, Recorder
from daq.reader.runs import ActiveRun, begin
from daq.reader.timebase import SYSTEM_CLOCKS
from daq.store import Store
from tests.waiting import wait_until


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    (tmp_path / "bench.toml").write_text(example_text("water_torch"), encoding="utf-8")
    return load_bench(tmp_path / "bench.toml")


class Disk:
    """Opens the store, unless it is told not to; and holds up or refuses commits."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.away: BaseException | None = None
        self.refuse: BaseException | None = None
        self.free = threading.Event()
        self.free.set()
        self.opened = 0

    def __call__(self) -> Store:
        self.free.wait(30)
        if self.away is not None:
            raise self.away
        self.opened += 1
        store = Store(self.bench.store_folder, writer=True)
        commit = store.commit

        def slowly(samples: Sequence[tuple[str, Sample]], **how: Any) -> int:
            self.free.wait(30)
            if self.refuse is not None:
                raise self.refuse
            return commit(samples, **how)

        store.commit = slowly  # type: ignore[method-assign]
        return store


class Desk:
    """A recorder, what it said, and a run."""

    def __init__(self, bench: Bench, disk: Disk) -> None:
        self.bench = bench
        self.disk = disk
        self.messages: list[str] = []
        self.found: list[Opened] = []
        self.recorder = Recorder(bench, disk, SYSTEM_CLOCKS, self.messages.append, self.found.append)
        self.recorder.start()

    def run(self) -> ActiveRun:
        """Begin a run as the reader does once the store is open."""
        assert self.recorder.ready.wait(20)
        run = begin(self.bench, SYSTEM_CLOCKS, {}, taken=self.recorder.ids)
        self.recorder.begin(run)
        return run

    def take(self, run: ActiveRun, first: int, count: int) -> None:
        for k in range(first, first + count):
            t_ns = run.t_ns(SYSTEM_CLOCKS.mono_ns())
            self.recorder.take(run, Sample("head", t_ns, {"lye_temp": 20.0 + k}, {}, k))

    def close(self) -> bool:
        return self.recorder.close(20.0)


@pytest.fixture
def disk(bench: Bench) -> Disk:
    return Disk(bench)


@pytest.fixture
def desk(bench: Bench, disk: Disk) -> Iterator[Desk]:
    it = Desk(bench, disk)
    yield it
    disk.free.set()
    it.close()


def seqs(bench: Bench, run_id: str) -> list[int]:
    with Store(bench.store_folder) as store, suppress(RunNotFound):
        blocks = store.read(run_id)
        return blocks["head"].seq.tolist() if blocks else []
    return []  # a run is written down after it has begun


def marks(bench: Bench, run_id: str) -> list[tuple[str, str]]:
    with Store(bench.store_folder) as store:
        return [(m.kind, m.text) for m in store.logbook.list_marks(run_id)]


def test_samples_and_notes_are_stored_in_order(desk: Desk, bench: Bench) -> None:
    run = desk.run()
    desk.take(run, 0, 50)
    desk.recorder.mark(run, 1, "note", "topped up")
    desk.recorder.end(run, run.last_ns)
    assert desk.close()
    assert seqs(bench, run.id) == list(range(50))
    assert marks(bench, run.id) == [("note", "topped up")]
    with Store(bench.store_folder) as store:
        assert store.logbook.get_run(run.id).ended_ns == run.last_ns


def test_handing_over_never_waits_for_a_disk_that_hangs(desk: Desk, disk: Disk, bench: Bench) -> None:
    run = desk.run()
    desk.take(run, 0, 1)
    wait_until(lambda: seqs(bench, run.id), "the first sample")
    disk.free.clear()
    longest = 0.0
    for k in range(1, 2000):
        before = time.perf_counter()
        desk.take(run, k, 1)
        desk.recorder.mark(run, k, "note", f"{k}")
        longest = max(longest, time.perf_counter() - before)
    assert longest < 5.0, "a wait for this disk would have been one of 30 s"
    assert desk.recorder.waiting >= 1999
    disk.free.set()
    wait_until(lambda: desk.recorder.waiting == 0, "everything stored")
    assert seqs(bench, run.id) == list(range(2000))


def test_a_store_that_refuses_keeps_samples_in_memory_and_is_told(
    desk: Desk, disk: Disk, bench: Bench
) -> None:
    run = desk.run()
    disk.refuse = StoreError("the disk is full", place="journal.db", remedy="make room")
    desk.take(run, 0, 100)
    wait_until(lambda: desk.recorder.impaired, "the words")
    assert "the disk is full" in str(desk.recorder.impaired)
    assert desk.recorder.state()["held"] == 100
    disk.refuse = None
    wait_until(lambda: desk.recorder.impaired is None, "recovery")
    assert seqs(bench, run.id) == list(range(100))
    wait_until(lambda: ("recovered", "the store takes samples again") in marks(bench, run.id), "the mark")


@pytest.mark.parametrize(
    "fault", [ValueError("a fault of ours"), MemoryError(), KeyError("x"), OSError(5, "EIO")]
)
def test_no_exception_of_the_store_ends_it(desk: Desk, disk: Disk, bench: Bench, fault: Exception) -> None:
    run = desk.run()
    disk.refuse = fault
    desk.take(run, 0, 10)
    wait_until(lambda: desk.recorder.impaired, "the words")
    assert type(fault).__name__ in str(desk.recorder.impaired)
    disk.refuse = None
    wait_until(lambda: desk.recorder.waiting == 0, "everything stored")
    assert seqs(bench, run.id) == list(range(10))


def test_a_sample_that_no_row_holds_is_a_gap_and_keeps_no_other_back(desk: Desk, bench: Bench) -> None:
    run = desk.run()
    desk.take(run, 0, 5)
    desk.recorder.take(run, Sample("head", run.last_ns, {"lye_temp": 20.0}, {}, 2**80))
    desk.take(run, 5, 5)
    wait_until(lambda: seqs(bench, run.id) == list(range(10)), "the others")
    wait_until(lambda: any(kind == "gap" for kind, _ in marks(bench, run.id)), "the gap")
    assert desk.recorder.dropped == 1
    assert desk.recorder.impaired is None


def test_a_note_that_raises_is_tried_again_behind_the_others(desk: Desk, bench: Bench) -> None:
    run = desk.run()
    tries: list[int] = []

    def wrong_once(store: Store) -> None:
        tries.append(1)
        if len(tries) < 2:
            raise ZeroDivisionError("a fault of ours")
        store.logbook.add_mark(run.id, 0, "note", "at last", "")

    desk.recorder.do(wrong_once)
    desk.recorder.mark(run, 0, "note", "before it")
    wait_until(lambda: len(marks(bench, run.id)) == 2, "both marks")
    assert [text for _, text in marks(bench, run.id)] == ["before it", "at last"]


def test_a_note_that_raises_is_told_and_those_behind_it_are_written(desk: Desk, bench: Bench) -> None:
    run = desk.run()

    def wrong(_: Store) -> None:
        raise ZeroDivisionError("a fault of ours")

    desk.recorder.do(wrong)
    desk.recorder.mark(run, 0, "note", "after it")
    wait_until(lambda: marks(bench, run.id), "the mark")
    assert any("ZeroDivisionError" in line for line in desk.messages)


def test_a_chore_that_raises_keeps_no_sample_from_being_stored(
    desk: Desk, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = desk.run()
    store = desk.recorder._store
    assert store is not None

    def wrong(_bench: str) -> None:
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr(store.logbook.calibrations, "newest", wrong)
    desk.recorder.refresh_calibrations()
    wait_until(lambda: "a fault of ours" in str(desk.recorder.impaired), "the words")
    desk.take(run, 0, 10)
    wait_until(lambda: seqs(bench, run.id) == list(range(10)), "the samples")


def test_notes_wait_for_a_logbook_that_refuses(
    desk: Desk, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = desk.run()
    tries: list[int] = []

    def first(store: Store) -> None:
        tries.append(1)
        if len(tries) < 2:
            raise StoreError("is held by another process", place="logbook.db", remedy="wait")
        store.logbook.add_mark(run.id, 0, "note", "first", "")

    desk.recorder.do(first)
    desk.recorder.mark(run, 0, "note", "second")
    wait_until(lambda: len(marks(bench, run.id)) == 2, "both marks")
    assert [text for _, text in marks(bench, run.id)] == ["first", "second"]


def test_what_finds_no_room_is_a_gap_with_its_count(
    desk: Desk, disk: Disk, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_WAITING", 100)
    run = desk.run()
    wait_until(lambda: marks(bench, run.id) == [], "the run")
    disk.free.clear()
    desk.take(run, 0, 250)
    lost = desk.recorder.dropped
    assert 140 <= lost <= 150
    disk.free.set()
    wait_until(lambda: any(kind == "gap" for kind, _ in marks(bench, run.id)), "the gap")
    (words,) = [text for kind, text in marks(bench, run.id) if kind == "gap"]
    assert words.startswith(f"{lost} samples lost within ")
    wait_until(lambda: desk.recorder.waiting == 0, "the rest")
    assert len(seqs(bench, run.id)) == 250 - lost


def early(desk: Desk) -> ActiveRun:
    """A run that begins while the store is not open."""
    found = desk.recorder.found(lambda: begin(desk.bench, SYSTEM_CLOCKS, {}))
    assert isinstance(found, ActiveRun)
    return found


def test_a_run_that_began_without_the_store_is_written_when_it_opens(
    bench: Bench, disk: Disk, desk: Desk
) -> None:
    # A disk that is away from the start: another desk, since this one has opened its store.
    assert desk.recorder.ready.wait(20)
    desk.close()
    disk.away = StoreError("is on a disk that can not be written", place="store", remedy="put it elsewhere")
    late = Desk(bench, disk)
    run = early(late)
    late.take(run, 0, 30)
    late.recorder.mark(run, 5, "note", "early")
    wait_until(lambda: late.recorder.impaired, "the words")
    assert "the store can not be opened" in str(late.recorder.impaired)
    disk.away = None
    wait_until(lambda: late.recorder.waiting == 0 and late.found, "the store")
    assert late.found[-1].resumed is None
    assert late.recorder.impaired is None
    late.close()
    assert seqs(bench, run.id) == list(range(30))
    assert ("note", "early") in marks(bench, run.id)


def test_what_was_read_before_the_store_opened_belongs_to_the_run_that_was_open(
    bench: Bench, disk: Disk, desk: Desk
) -> None:
    first = desk.run()
    desk.take(first, 0, 10)
    desk.close()  # the run stays open, as after kill -9
    disk.free.clear()
    late = Desk(bench, disk)
    run = early(late)
    assert run.zero_ns is not None
    late.take(run, 100, 5)
    disk.free.set()
    wait_until(lambda: late.recorder.waiting == 0 and late.found, "the store")
    resumed = late.found[-1].resumed
    assert resumed is not None
    assert resumed.id == first.id
    late.close()
    assert seqs(bench, first.id) == [*range(10), *range(100, 105)]
    with Store(bench.store_folder) as store:
        t_ns = store.read(first.id)["head"].t_ns.tolist()
        assert t_ns == sorted(t_ns)
        assert [r.id for r in store.logbook.list_runs()] == [first.id]
    # The run's clock goes on: one instant has one time in both.
    now = SYSTEM_CLOCKS.mono_ns()
    assert resumed.zero_ns is not None
    assert abs((now - resumed.zero_ns) - (now - first.record.mono0_ns)) < 1_000_000_000


def test_closing_gives_up_on_a_disk_that_hangs(bench: Bench, disk: Disk, desk: Desk) -> None:
    run = desk.run()
    desk.take(run, 0, 10)
    disk.free.clear()
    desk.take(run, 10, 10)
    wait_until(lambda: desk.recorder.waiting, "samples that wait")
    assert not desk.recorder.close(0.3)
