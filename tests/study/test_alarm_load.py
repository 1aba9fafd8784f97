"""What alarms ask of a person: EEMUA 191 and ANSI/ISA-18.2 measures, as trade check lists repeat them."""

from __future__ import annotations

import pytest

from daq.alarms import Transition
from daq.study.review.alarm_load import AlarmCount, alarm_load, alarm_summary
from daq.study.review.report import percent_words

S = 1_000_000_000


def change(t_s: float, alarm: str, to: str, priority: str = "high") -> Transition:
    return Transition(round(t_s * S), alarm, "", to, f"{alarm} at {t_s:g}", None, "", "", priority)


def test_the_arithmetic_of_a_day() -> None:
    """144 in a day are 1.000 in ten minutes, 150 are 1.0417, 300 are 2.0833."""
    for count, rate in ((144, 1.0), (150, 1.0417), (300, 2.0833)):
        made = [change(i * 86400.0 / count, f"a{i}", "unacknowledged") for i in range(count)]
        load = alarm_load(made, 86400.0)
        assert load.per_10_min == pytest.approx(rate, abs=5e-5)
        assert load.raised == count
        assert load.flood_share == 0.0


@pytest.mark.parametrize(
    ("count", "rating"),
    [
        (144, "very likely acceptable"),  # 1 in 10 min
        (150, "manageable at most"),
        (288, "manageable at most"),  # 1 in 5 min
        (300, "more than a person can answer"),
        (1440, "more than a person can answer"),  # 1 a minute
        (1500, "unacceptable"),
    ],
)
def test_the_ratings_of_eemua_191(count: int, rating: str) -> None:
    """Bounds as check lists of the trade repeat them: 1 in 10 min, 1 in 5 min, 1 a minute."""
    made = [change(i * 86400.0 / count, f"a{i}", "unacknowledged") for i in range(count)]
    assert alarm_load(made, 86400.0).rating == rating


def test_shares_of_priorities_and_of_the_loudest() -> None:
    made = [change(60.0 * i, f"a{i}", "unacknowledged", "low") for i in range(16)]
    made += [change(60.0 * i, "b", "unacknowledged", "medium") for i in range(20, 23)]
    made += [change(3000.0, "c", "unacknowledged", "high")]
    load = alarm_load(made, 6000.0)
    assert load.priority_share == {"low": 0.8, "medium": 0.15, "high": 0.05}
    assert load.loudest[0] == AlarmCount("b", 3)
    assert load.loudest_share == pytest.approx(12 / 20)
    assert alarm_load([], 600.0).loudest_share == 0.0


def test_more_than_ten_in_ten_minutes_are_a_flood() -> None:
    made = [change(600.0 + i, f"a{i}", "unacknowledged") for i in range(11)]
    load = alarm_load(made, 6000.0)
    assert load.most_in_10_min == 11
    assert load.flood_share == pytest.approx(0.1)
    assert alarm_load(made[:10], 6000.0).flood_share == 0.0


def test_three_in_a_minute_are_chattering() -> None:
    made = [change(t, "amps.high", "unacknowledged") for t in (100.0, 120.0, 159.9)]
    made += [change(t, "volts.high", "unacknowledged") for t in (100.0, 130.0, 160.0)]
    assert alarm_load(made, 600.0).chattering == ["amps.high"]


def test_standing_for_more_than_a_day_is_stale() -> None:
    made = [
        change(0.0, "a", "unacknowledged"),
        change(10.0, "a", "acknowledged"),
        change(0.0, "b", "unacknowledged"),
        change(80_000.0, "b", "returned"),
    ]
    load = alarm_load(made, 90_000.0)
    assert load.stale == ["a"]
    assert load.by_priority == {"high": 2}
    assert load.loudest == [AlarmCount("a", 1), AlarmCount("b", 1)]


def test_a_line_an_alarm() -> None:
    made = [
        change(10.0, "a", "unacknowledged"),
        change(20.0, "a", "returned"),
        change(30.0, "a", "unacknowledged"),
        change(35.0, "a", "acknowledged"),
        change(50.0, "b", "suppressed"),
    ]
    (line,) = alarm_summary(made, 100.0)
    assert line.raised == 2
    assert line.first_at_s == 10.0
    assert line.standing_s == 10.0 + 70.0
    assert line.state == "acknowledged"


def test_no_alarms() -> None:
    load = alarm_load([], 60.0)
    assert (load.raised, load.per_10_min, load.most_in_10_min) == (0, None, 0)


@pytest.mark.parametrize(
    ("share", "words"), [(1.0, "100 %"), (0.995, "100 %"), (0.12, "12 %"), (0.0085, "0.85 %"), (0.0, "0 %")]
)
def test_time_in_flood_is_no_power_of_ten(share: float, words: str) -> None:
    """A run that was a flood throughout said "1e+02 %"."""
    assert percent_words(share) == words
