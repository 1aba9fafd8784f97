"""Commands on their way: repeated, replaced, expired, and always the trip first."""

from __future__ import annotations

import pytest

from daq.sources.backoff import Backoff
from daq.sources.outbox import Command, Outbox

MS = 1_000_000


def send_due(box: Outbox, now: int) -> list[str]:
    """Write what is due."""
    due = box.due(now)
    for command in due:
        box.sent(command, now)
    return [command.action for command in due]


def test_numbers_count_up_wrap_and_may_be_given() -> None:
    box = Outbox()
    assert [box.put(Command("beat"), 0) for _ in range(3)] == [1, 2, 3]
    assert box.put(Command("beat", 65_535), 0) == 65_535
    assert box.put(Command("beat"), 0) == 1


def test_a_trip_goes_first_and_is_repeated_until_answered() -> None:
    box = Outbox()
    box.put(Command("beat"), 0)
    number = box.put(Command("trip"), 0)
    assert send_due(box, 0) == ["trip", "beat"]
    assert send_due(box, 240 * MS) == []
    assert box.next_due_ns() == 250 * MS
    assert send_due(box, 250 * MS) == ["trip"]
    box.answered(number)
    assert send_due(box, 500 * MS) == []


def test_a_trip_that_is_never_answered_is_given_up_and_counted() -> None:
    box = Outbox()
    box.put(Command("trip"), 0)
    sent = sum(len(send_due(box, t * 250 * MS)) for t in range(20))
    assert (sent, box.unanswered, len(box)) == (8, 1, 0)


def test_a_trip_takes_back_a_reset() -> None:
    box = Outbox()
    box.put(Command("reset"), 0)
    box.put(Command("trip"), 1)
    assert send_due(box, 2) == ["trip"]
    assert box.dropped == 1


def test_a_late_reset_or_beat_is_worse_than_none() -> None:
    box = Outbox()
    box.put(Command("reset"), 0)
    box.put(Command("beat"), 0)
    assert box.due(2001 * MS) == []
    assert (box.dropped, box.unanswered) == (2, 0)


def test_a_port_that_is_lost_keeps_the_trip_alone() -> None:
    box = Outbox()
    for action in ("beat", "trip", "reset"):
        box.put(Command(action), 0)
    send_due(box, 0)
    box.lost(10)
    assert send_due(box, 3_600_000 * MS) == ["trip"]
    assert box.unanswered == 2


def test_a_newer_command_replaces_the_older_of_its_action() -> None:
    box = Outbox()
    for _ in range(1000):
        last = box.put(Command("beat"), 0)
    due = box.due(0)
    assert [command.number for command in due] == [last]


def test_it_is_bounded_and_never_drops_a_trip() -> None:
    box = Outbox()
    box.put(Command("trip"), 0)
    for n in range(100):
        box.put(Command(f"word{n}"), 0)
    assert len(box) == 16
    assert box.due(0)[0].action == "trip"
    assert box.dropped == 85


def test_a_command_that_could_not_be_written_is_tried_later() -> None:
    box = Outbox()
    box.put(Command("trip"), 0)
    (command,) = box.due(0)
    box.refused(command, 0)
    assert box.due(100 * MS) == []
    assert box.due(250 * MS) == [command]
    box.answered(999)
    assert len(box) == 1


class Edges:
    """Randomness at its ends: 0 gives the least, 1 the most."""

    def __init__(self, at: float) -> None:
        self.at = at

    def uniform(self, a: float, b: float) -> float:
        return a + (b - a) * self.at


@pytest.mark.parametrize(
    ("at", "expected"),
    [(1.0, [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0]), (0.0, [0.2, 0.2, 0.4, 0.8, 1.6, 2.5, 2.5])],
)
def test_back_off_doubles_and_is_capped(at: float, expected: list[float]) -> None:
    backoff = Backoff(rng=Edges(at))  # type: ignore[arg-type]
    assert [backoff.next_s() for _ in expected] == pytest.approx(expected)
    backoff.reset()
    assert backoff.next_s() == pytest.approx(0.2)


def test_back_off_is_jittered_within_its_bounds_for_ever() -> None:
    backoff = Backoff()
    delays = [backoff.next_s() for _ in range(5000)]
    assert all(0.2 <= delay <= 5.0 for delay in delays)
    assert len(set(delays[10:])) > 4900
