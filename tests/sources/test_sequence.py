"""What sequence numbers and device milliseconds say."""

from __future__ import annotations

import pytest

from daq.frame import NO_SEQ
from daq.sources.sequence import SequenceTracker, Verdict

TOP = 2**32

Seen = tuple[int, int | None]


def verdicts(*seen: Seen) -> list[str]:
    """The kind of each verdict, with what is missing; every frame has values of its own."""
    tracker = SequenceTracker()
    out = []
    for i, (seq, ms) in enumerate(seen):
        verdict = tracker.see(seq, ms, {"volts": float(i)})
        out.append(f"gap {verdict.missing}" if verdict.missing else verdict.kind)
    return out


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        ([(0, 0), (1, 100), (2, 200)], ["first", "next", "next"]),
        ([(5, 500), (6, 600), (9, 900), (10, 1000)], ["first", "next", "gap 2", "next"]),
        # both wrap
        ([(TOP - 1, 100), (0, 200), (1, 300)], ["first", "next", "next"]),
        ([(TOP - 2, 100), (3, 600)], ["first", "gap 4"]),
        ([(7, TOP - 50), (8, 50)], ["first", "next"]),
        ([(TOP - 1, TOP - 50), (0, 50)], ["first", "next"]),
        ([(7, TOP - 50), (10, 250)], ["first", "gap 2"]),
        # begun anew, early and late in its life, and with a number that is by chance the next
        ([(500, 50_000), (0, 80)], ["first", "restarted"]),
        ([(500, 50_000), (3, 380), (4, 480)], ["first", "restarted", "next"]),
        ([(3_000_000_000, 50_000), (0, 80)], ["first", "restarted"]),
        ([(0, 50_000), (1, 80)], ["first", "restarted"]),
        ([(10, 50_000), (15, 1580)], ["first", "restarted"]),
        ([(10, 1000), (2, 5000)], ["first", "restarted"]),
        # a count that is not this one
        ([(10, 1000), (5_000_000, 1100), (5_000_001, 1200)], ["first", "restarted", "next"]),
        # foreign devices: no number, no clock, or neither
        ([(NO_SEQ, None), (NO_SEQ, None)], ["first", "first"]),
        ([(NO_SEQ, 100), (NO_SEQ, 200), (NO_SEQ, 50)], ["first", "next", "restarted"]),
        ([(4, None), (5, None), (8, None), (0, None)], ["first", "next", "gap 2", "restarted"]),
    ],
)
def test_what_is_made_of_numbers(seen: list[Seen], expected: list[str]) -> None:
    assert verdicts(*seen) == expected


def test_a_frame_that_comes_twice_is_a_duplicate_only_if_all_of_it_is_the_same() -> None:
    tracker = SequenceTracker()
    for seq in range(5):
        tracker.see(seq, 100 * seq, {"volts": float(seq), "temp": float("nan")})
    for seq in (4, 2, 3):
        again = tracker.see(seq, 100 * seq, {"volts": float(seq), "temp": float("nan")})
        assert again == Verdict("duplicate")
    assert tracker.see(5, 500, {"volts": 5.0, "temp": 1.0}).kind == "next"
    # A restarted device may send the same number at the same time of its clock, but not the same noise.
    assert tracker.see(2, 200, {"volts": 7.0, "temp": float("nan")}).kind == "restarted"


def test_the_memory_is_bounded_and_a_hello_empties_it() -> None:
    tracker = SequenceTracker()
    for seq in range(100_000):
        tracker.see(seq, seq, {"volts": 1.0})
    assert len(tracker._recent) == 256
    tracker.restart()
    assert tracker.see(99_999, 99_999, {"volts": 1.0}) == Verdict("first")


def test_what_is_missing_adds_up_over_a_long_run() -> None:
    tracker, missing, kept = SequenceTracker(), 0, 0
    for seq in range(TOP - 5000, TOP + 5000):
        if seq % 7 and seq % 11:
            missing += tracker.see(seq % TOP, seq * 100 % TOP, {"volts": seq / 7}).missing
            kept += 1
    first = next(s for s in range(TOP - 5000, TOP) if s % 7 and s % 11)
    last = next(s for s in range(TOP + 4999, TOP, -1) if s % 7 and s % 11)
    assert kept + missing == last - first + 1
