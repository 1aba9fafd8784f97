"""Every journalled row goes into the outbox once, wherever the store has moved it meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.broker import Batch, decode_batch
from daq.service.publish_rows import Filler
from daq.store import Outgoing, Store
from tests.store.made import sample


class Desk:
    """A store, an outbox, and what fills it; whoever fills can be begun anew as after a restart."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = Store(folder, writer=True)
        self.started = 10**18
        self.begin()

    def begin(self) -> None:
        self.box = Outgoing(self.folder / "outbox.db", 10**8, from_row=self.store.last_id())
        self.filler = Filler("torch-1", self.store, self.box)

    def again(self) -> None:
        self.box.close()
        self.begin()

    def run(self, kind: str = "run") -> str:
        self.started += 2_000_000_000
        return self.store.logbook.create_run(bench="torch", kind=kind, start_utc_ns=self.started).id

    def commit(self, run: str, seqs: range, source: str = "head") -> None:
        self.store.commit([(run, sample(source, seq)) for seq in seqs], full=False)

    def fill(self) -> None:
        while self.filler.fill():
            pass

    def batches(self) -> list[Batch]:
        return [decode_batch(body) for _, body in self.box.oldest(10**6, 10**9)]

    def seqs(self, run: str, source: str = "head") -> list[int]:
        return [
            int(n)
            for batch in self.batches()
            if batch.run == run
            for block in batch.blocks
            if block.source == source
            for n in block.seq
        ]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path / "store")
    yield made
    made.box.close()
    made.store.close()


def test_rows_in_order(desk: Desk) -> None:
    run = desk.run()
    desk.commit(run, range(2500))
    desk.fill()
    assert desk.seqs(run) == list(range(2500))
    assert [b.n for b in desk.batches()] == [1, 2, 3]
    desk.again()
    desk.commit(run, range(2500, 2600))
    desk.fill()
    assert desk.seqs(run) == list(range(2600))


def test_a_run_that_is_sealed_before_its_last_rows_were_taken(desk: Desk) -> None:
    run = desk.run()
    desk.commit(run, range(100))
    desk.commit(run, range(50), "meter")
    desk.fill()
    desk.commit(run, range(100, 130))
    desk.commit(run, range(50, 60), "meter")
    desk.store.seal(run, all_rows=True)
    later = desk.run()
    desk.commit(later, range(20))
    desk.fill()
    assert desk.seqs(run) == list(range(130))
    assert desk.seqs(run, "meter") == list(range(60))
    assert desk.seqs(later) == list(range(20))
    assert desk.box.missed_rows == 0


def test_whole_runs_went_by_while_the_service_was_away(desk: Desk) -> None:
    first = desk.run()
    desk.commit(first, range(10))
    desk.fill()
    runs = [desk.run() for _ in range(3)]
    desk.commit(first, range(10, 20))
    desk.store.seal(first, all_rows=True)
    for run in runs:
        desk.commit(run, range(1500))
        desk.store.seal(run, all_rows=True)
    desk.again()
    desk.fill()
    assert desk.seqs(first) == list(range(20))
    assert [desk.seqs(run) for run in runs] == [list(range(1500))] * 3
    assert [b.n for b in desk.batches()] == list(range(1, len(desk.batches()) + 1))
    assert desk.box.missed_rows == 0


def test_rows_beside_what_was_sealed_come_once(desk: Desk) -> None:
    run, other = desk.run(), desk.run()
    desk.commit(run, range(10))
    desk.commit(other, range(5))
    desk.commit(run, range(10, 20))
    desk.store.seal(run, all_rows=True)
    desk.commit(run, range(20, 30))
    desk.fill()
    assert desk.seqs(run) == list(range(30))
    assert desk.seqs(other) == list(range(5))


def test_an_outbox_made_during_a_run_begins_there(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "store")
    run = desk.run()
    desk.commit(run, range(10))
    desk.box.close()
    (desk.folder / "outbox.db").unlink()
    for rest in desk.folder.glob("outbox.db-*"):
        rest.unlink()
    last = desk.store.last_t_ns(run)
    assert last is not None
    desk.box = Outgoing(
        desk.folder / "outbox.db", 10**8, from_row=desk.store.last_id(), marks={(run, "*"): last}
    )
    desk.filler = Filler("torch-1", desk.store, desk.box)
    desk.commit(run, range(10, 20))
    desk.store.seal(run, all_rows=True)
    desk.fill()
    assert desk.seqs(run) == list(range(10, 20))
    desk.box.close()
    desk.store.close()


def test_the_standbys_rows_may_go_and_others_are_missed(desk: Desk) -> None:
    standby = desk.run("standby")
    desk.commit(standby, range(10))
    desk.fill()
    desk.commit(standby, range(10, 20))
    desk.store.delete_run(standby)
    run = desk.run()
    desk.commit(run, range(5))
    desk.fill()
    assert (desk.seqs(run), desk.box.missed_rows) == (list(range(5)), 0)
    desk.commit(run, range(5, 9))
    desk.store.delete_run(run)
    last = desk.run()
    desk.commit(last, range(3))
    desk.fill()
    assert desk.seqs(last) == list(range(3))
