"""The newest samples in memory, the queue before them, and what is written to the logbook after the act."""

from __future__ import annotations

import asyncio
import math
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.errors import StoreError
from daq.frame import Block, Sample, Status
from daq.service import feed as feed_module
from daq.service import keeper as keeper_module
from daq.service import ring as ring_module
from daq.service.feed import Feed
from daq.service.keeper import Keeper
from daq.service.ring import Ring, merge_blocks
from daq.store import Logbook, Store
from tests.waiting import wait_until

S = 1_000_000_000


def sample(k: int, source: str = "head", **values: float) -> Sample:
    return Sample(source, k * S // 10, values or {"amps": float(k)}, seq=k)


def test_the_ring_gives_back_what_a_block_of_the_same_samples_holds() -> None:
    nan = float("nan")
    samples = [
        Sample("head", 100, {"amps": 1.0}, seq=1),
        Sample("head", 300, {"amps": nan, "volts": 12.0}, {"amps": Status.BAD}, seq=3),
        Sample("head", 200, {"amps": 2.0, "volts": 11.0}, {"volts": Status.UNCERTAIN}, seq=2),
    ]
    ring = Ring()
    for one in samples:
        ring.add(one)
    kept, whole = ring.blocks()["head"], Block.from_samples("head", samples)
    np.testing.assert_array_equal(kept.t_ns, whole.t_ns)
    np.testing.assert_array_equal(kept.seq, whole.seq)
    for name in ("amps", "volts"):
        np.testing.assert_array_equal(kept.values[name], whole.values[name])
        np.testing.assert_array_equal(kept.status[name], whole.status[name])
    assert ring.last_ns("head") == 300
    assert ring.first_ns() == {"head": 100}
    assert ring.blocks(150, 250)["head"].seq.tolist() == [2]
    assert ring.blocks(400) == {}


def test_the_ring_is_bounded_and_keeps_the_newest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ring_module, "MOST_ROWS", 2000)
    ring = Ring()
    for k in range(10_000):
        ring.add(sample(k))
    seq = ring.blocks()["head"].seq
    assert 1500 <= len(ring) <= 2000
    assert seq.tolist() == list(range(10_000 - len(seq), 10_000))


def test_the_ring_lets_go_of_what_is_older_than_two_hours() -> None:
    ring = Ring()
    for k in range(0, 40 * 3600, 10):  # four hours, one a second
        ring.add(sample(k))
    first_s = ring.first_ns()["head"] / S
    assert 4 * 3600 - 1.6 * 7200 < first_s <= 4 * 3600 - 7200


def test_samples_of_store_and_ring_come_once() -> None:
    stored = Block.from_samples("head", [sample(k, amps=float(k), volts=1.0) for k in range(100)])
    ring = {"head": Block.from_samples("head", [sample(k) for k in range(60, 150)])}
    other = Block.from_samples("meter", [sample(1, "meter")])
    whole = merge_blocks({"head": stored, "meter": other}, ring)
    assert whole["head"].seq.tolist() == list(range(150))
    assert whole["head"].values["volts"][:60].tolist() == [1.0] * 60
    assert all(math.isnan(v) for v in whole["head"].values["volts"][60:])
    assert set(whole["head"].status["volts"][60:].tolist()) == {int(Status.MISSING)}
    assert whole["meter"] is other


def test_what_finds_no_room_is_dropped_and_counted_but_no_word_of_the_reader(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(feed_module, "MOST_ROWS", 10)
    feed = Feed()
    for k in range(8):
        feed.take({"type": "samples", "rows": [{}] * 3, "k": k})
    feed.take({"type": "state"})
    feed.lost("the reader has ended")
    assert [m.get("k", m["type"]) for m in feed.drain()] == [0, 1, 2, "state", "lost"]
    assert feed.dropped == 15
    feed.take({"type": "samples", "rows": [{}] * 3})
    assert len(feed.drain()) == 1


def test_while_nobody_follows_only_what_is_due_wakes_the_loop() -> None:
    feed = Feed()

    def samples(*t_ns: int) -> dict[str, Any]:
        return {"type": "samples", "rows": [{"t_ns": t} for t in t_ns]}

    async def woken(*messages: dict[str, Any], until_ns: int | None) -> bool:
        """Whether the loop is woken at once by these; in any case it finds them."""
        feed.attach(asyncio.get_running_loop())
        feed.drain()
        feed.patient_until_ns = until_ns
        for message in messages:
            feed.take(message)
        try:
            await asyncio.wait_for(feed.wait(3600.0), 0.05)
            at_once = True
        except TimeoutError:
            at_once = False
        assert feed.drain() == list(messages)
        return at_once

    second = 1_000_000_000
    assert not asyncio.run(woken(samples(second - 2), samples(second - 1), until_ns=second))
    assert asyncio.run(woken(samples(second - 1), samples(second), until_ns=second)), "the tick is due"
    assert asyncio.run(woken(samples(second - 1), {"type": "state"}, until_ns=second)), "the reader says so"
    assert asyncio.run(woken(samples(second - 1), until_ns=None)), "somebody follows"
    flood = [samples(*range(100)) for _ in range(6)]
    assert asyncio.run(woken(*flood, until_ns=second)), "too many to lie about"


async def _wait(feed: Feed, within_s: float) -> float:
    feed.attach(asyncio.get_running_loop())
    began = time.monotonic()
    await feed.wait(within_s)
    return time.monotonic() - began


def test_the_loop_comes_by_where_nothing_wakes_it() -> None:
    assert 0.04 < asyncio.run(_wait(Feed(), 0.05)) < 30.0


class Refusing:
    """Opens a store, but not before it may."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.may, self.asked = folder, threading.Event(), 0

    def __call__(self) -> Store:
        self.asked += 1
        if not self.may.is_set():
            raise StoreError("disk I/O error", place="logbook.db")
        return Store(self.folder)


def test_what_is_to_be_written_waits_until_the_store_opens(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper_module, "AGAIN_S", (0.05,))
    opening = Refusing(tmp_path)
    keeper = Keeper(opening)
    keeper.start()
    keeper.write(lambda logbook: logbook.put_state("watch", {"n": 1}), key="watch")
    keeper.write(lambda logbook: logbook.put_state("watch", {"n": 2}), key="watch")
    keeper.write(lambda logbook: logbook.put_state("other", {"n": 3}))
    assert keeper.waiting == 2, "of one key the newest alone is written"
    wait_until(lambda: opening.asked > 2, "it to be tried again")
    with pytest.raises(StoreError, match=r"the store is not open: logbook\.db: disk I/O error"):
        _ = keeper.store
    opening.may.set()
    assert keeper.wait_open(60.0) is not None
    keeper.close(60.0)
    with Store(tmp_path) as store:
        assert store.logbook.get_state("watch") == {"n": 2}
        assert store.logbook.get_state("other") == {"n": 3}


def test_a_write_that_fails_is_tried_again_in_its_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper_module, "AGAIN_S", (0.05,))
    full = threading.Event()
    full.set()
    written: list[int] = []

    def write(n: int) -> Any:
        def do(_logbook: Logbook) -> None:
            if full.is_set():
                raise StoreError("the disk is full", place="logbook.db")
            written.append(n)

        return do

    keeper = Keeper(lambda: Store(tmp_path))
    keeper.start()
    assert keeper.wait_open(60.0) is not None
    for n in range(3):
        keeper.write(write(n))
    wait_until(lambda: "the disk is full" in (keeper.impaired or ""), "that it is told")
    full.clear()
    wait_until(lambda: written == [0, 1, 2], "all in their order")
    wait_until(lambda: keeper.impaired is None, "that all is well again")
    keeper.write(lambda logbook: 1 // 0)
    wait_until(lambda: "ZeroDivisionError" in (keeper.impaired or ""), "a fault of ours to be told")
    keeper.write(write(3))
    wait_until(lambda: written[-1] == 3, "that it lives on")
    keeper.close()


def test_what_waits_is_bounded_and_a_slow_disk_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper_module, "MOST_JOBS", 5)
    monkeypatch.setattr(keeper_module, "SLOW_AFTER_S", 0.2)
    let = threading.Event()
    keeper = Keeper(lambda: Store(tmp_path))
    keeper.start()
    assert keeper.wait_open(60.0) is not None
    keeper.write(lambda logbook: let.wait(60.0))
    wait_until(lambda: keeper.waiting == 0, "it to be under way")
    for _ in range(8):
        keeper.write(lambda logbook: None)
    assert (keeper.waiting, keeper.dropped) == (5, 3)
    wait_until(lambda: "for one write to the logbook" in (keeper.impaired or ""), "that it is slow")
    let.set()
    wait_until(lambda: keeper.waiting == 0 and keeper.impaired is None, "the rest")
    keeper.close()
