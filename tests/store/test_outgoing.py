"""Messages that wait on disk: numbered without a hole, bounded, and there again after a restart."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from daq.store.outgoing import Outgoing


def body(size: int) -> Callable[[int], bytes]:
    return lambda n: f"{n:06d}".encode() + b"x" * (size - 6)


def test_numbered_in_order_and_forgotten_once_sent(tmp_path: Path) -> None:
    box = Outgoing(tmp_path / "outbox.db", 10_000, from_row=7)
    assert (box.row, box.waiting) == (7, 0)
    box.put([(3, body(100)), (2, body(100))], 12, {("r", "s"): 5})
    box.put([(1, body(100))], 13, {("r", "s"): 5})
    assert [(n, b[:6]) for n, b in box.oldest(10, 1000)] == [(1, b"000001"), (2, b"000002"), (3, b"000003")]
    assert [n for n, _ in box.oldest(2, 1000)] == [1, 2]
    assert [n for n, _ in box.oldest(10, 50)] == [1], "one at least"
    assert box.sent([1, 2]) == 5
    assert (box.waiting, box.waiting_bytes) == (1, 100)
    epoch = box.epoch
    box.close()
    again = Outgoing(tmp_path / "outbox.db", 10_000, from_row=99)
    assert again.marks == {("r", "s"): 5}
    assert (again.epoch, again.row, again.waiting, again.waiting_bytes) == (epoch, 13, 1, 100)
    again.sent([3])
    again.put([(1, body(10))], 14, {("r", "s"): 5})
    assert [n for n, _ in again.oldest(10, 1000)] == [4], "a number is never given twice"
    again.shrink()
    again.close()


def test_bounded_and_what_is_given_up_is_counted(tmp_path: Path) -> None:
    box = Outgoing(tmp_path / "outbox.db", 1000, from_row=0)
    for row in range(1, 101):
        box.put([(5, body(100))], row, {("r", "s"): 5})
        assert box.waiting_bytes <= 1000
    assert (box.waiting, box.given_up, box.given_up_rows) == (10, 90, 450)
    assert [n for n, _ in box.oldest(100, 10_000)] == list(range(91, 101)), "the oldest go"
    assert box.sent([5, 91]) == 5
    box.close()
    assert Outgoing(tmp_path / "outbox.db", 1000, from_row=0).given_up == 90


def test_rows_that_were_gone_leave_a_hole_in_the_numbers(tmp_path: Path) -> None:
    box = Outgoing(tmp_path / "outbox.db", 10_000, from_row=0)
    box.put([(1, body(10))], 1, {("r", "s"): 5})
    box.put([(1, body(10))], 9, {("r", "s"): 5}, missed=7)
    assert [n for n, _ in box.oldest(10, 1000)] == [1, 3]
    assert box.missed_rows == 7
    box.close()


def test_one_message_larger_than_the_bound(tmp_path: Path) -> None:
    box = Outgoing(tmp_path / "outbox.db", 100, from_row=0)
    box.put([(1, body(500))], 1, {("r", "s"): 5})
    assert (box.waiting, box.given_up) == (0, 1)
    box.close()
