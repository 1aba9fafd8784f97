"""The guard: what it trips on, what it must not trip on, and when it lets itself be reset."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from daq.bench import Bench, LimitSpec, parse_bench
from daq.examples import example_text
from daq.frame import Frame, Sample
from daq.reader import Guard
from daq.reader.guard import TripCause

S = 1_000_000_000


@pytest.fixture
def bench() -> Bench:
    return parse_bench(example_text("water_torch"), Path("torch.toml"))


def sample(**values: float) -> Sample:
    return Sample("head", 0, {"relay": 1.0, "amps": 8.0, "lye_temp": 40.0, **values})


def running(bench: Bench) -> Guard:
    guard = Guard(bench, started_ns=0)
    assert guard.sample(sample(), S) is None
    return guard


def test_a_hard_limit_trips_at_the_very_sample_that_reaches_it(bench: Bench) -> None:
    guard = running(bench)
    assert guard.sample(sample(lye_temp=64.99), 2 * S) is None
    cause = guard.sample(sample(lye_temp=65.0), 3 * S)
    assert cause is not None
    assert cause.code == "lye_temp.trip"
    assert cause.value == 65.0
    assert "65" in cause.words


def test_only_the_first_cause_is_kept(bench: Bench) -> None:
    guard = running(bench)
    first = guard.sample(sample(lye_temp=66.0), 2 * S)
    assert guard.sample(sample(lye_temp=80.0), 3 * S) is None
    assert guard.tick(100 * S) is None
    assert guard.cause is first


def test_the_first_cause_is_kept_and_later_ones_are_listed_once(bench: Bench) -> None:
    guard = running(bench)
    first = guard.sample(sample(lye_temp=66.0), 2 * S)
    for second in range(3, 9):
        guard.tick(second * S)
    assert guard.trip(TripCause("gas_flow.none", "no gas while powered", 0.0, "watch")) is False
    assert guard.trip(TripCause("gas_flow.none", "no gas while powered", 0.0, "watch")) is False
    guard.frame(Frame("head", 9 * S, {"trip": 4.0}))
    guard.frame(Frame("head", 9 * S, {"trip": 4.0}))
    assert guard.cause is first
    assert [c.code for c in guard.later] == ["head.lost", "lye_temp.stale", "gas_flow.none", "device"]
    guard.sample(sample(lye_temp=40.0, relay=0.0, amps=0.0), 10 * S)
    assert guard.reset(10 * S) == []
    assert guard.later == []


def test_a_heartbeat_that_a_tripped_guard_withholds_is_no_later_cause(bench: Bench) -> None:
    guard = running(bench)
    guard.sample(sample(lye_temp=66.0), 2 * S)
    guard.frame(Frame("head", 5 * S, {"trip": 3.0}))
    assert guard.later == []
    alone = running(bench)
    cause = alone.frame(Frame("head", 5 * S, {"trip": 3.0}))
    assert cause is not None
    assert "heartbeat" in cause.words


def test_two_limits_passed_in_one_sample_make_one_first_cause(bench: Bench) -> None:
    limits = {**bench.limits, "amps": LimitSpec(trip=20.0)}
    guard = Guard(bench.model_copy(update={"limits": limits}), started_ns=0)
    cause = guard.sample(sample(lye_temp=66.0, amps=25.0), S)
    assert cause is guard.cause
    assert {c.code for c in (guard.cause, *guard.later) if c} == {"lye_temp.trip", "amps.trip"}


def test_no_good_temperature_while_powered_trips_and_not_before_its_time(bench: Bench) -> None:
    guard = running(bench)
    for tenth in range(11, 30):
        assert guard.sample(sample(lye_temp=math.nan), tenth * S // 10) is None
        assert guard.tick(tenth * S // 10) is None
    guard.sample(sample(lye_temp=math.nan), 3 * S + S // 10)
    cause = guard.tick(3 * S + S // 10)
    assert cause is not None
    assert cause.code == "lye_temp.stale"


def test_a_lost_source_trips_while_powered(bench: Bench) -> None:
    guard = running(bench)
    assert guard.tick(2 * S) is None
    cause = guard.tick(2 * S + S // 100)
    assert cause is not None
    assert cause.code == "head.lost"


def test_nothing_missing_trips_while_the_relay_is_open(bench: Bench) -> None:
    guard = Guard(bench, started_ns=0)
    guard.sample(sample(relay=0.0, amps=0.0, lye_temp=math.nan), S)
    assert not guard.powered
    assert guard.tick(60 * S) is None
    # The hard limit holds all the same.
    assert guard.sample(sample(relay=0.0, amps=0.0, lye_temp=70.0), 61 * S) is not None


def test_what_is_not_known_counts_as_powered(bench: Bench) -> None:
    guard = Guard(bench, started_ns=0)
    assert guard.powered
    assert guard.tick(5 * S) is None, "a device restarting when its port is opened has its grace"
    cause = guard.tick(7 * S)
    assert cause is not None
    assert cause.code == "head.lost"


def test_the_device_cutting_by_itself_is_taken_over(bench: Bench) -> None:
    guard = running(bench)
    assert guard.frame(Frame("head", S, {"trip": 1.0})) is None, "our own command is no new cause"
    cause = guard.frame(Frame("head", 2 * S, {"trip": 2.0}))
    assert cause is not None
    assert cause.code == "device"
    assert "temperature" in cause.words


def test_reset_is_refused_while_the_cause_stands(bench: Bench) -> None:
    guard = running(bench)
    guard.sample(sample(lye_temp=65.5), 2 * S)
    guard.sample(sample(lye_temp=64.5, relay=0.0, amps=0.0), 3 * S)
    refused = guard.reset(3 * S)
    assert refused
    assert "64" in refused[0]
    assert guard.cause is not None
    guard.sample(sample(lye_temp=63.9, relay=0.0, amps=0.0), 4 * S)
    assert guard.reset(4 * S) == []
    assert guard.cause is None


def test_reset_is_refused_while_nothing_is_heard(bench: Bench) -> None:
    guard = running(bench)
    guard.tick(10 * S)
    assert guard.cause is not None
    refused = guard.reset(11 * S)
    assert any("head" in words for words in refused)
    assert any("temperature of the lye" in words for words in refused)


def test_the_heartbeat_is_fed_only_while_all_that_protects_is_heard(bench: Bench) -> None:
    guard = Guard(bench, started_ns=0)
    assert not guard.fresh(S), "nothing has been heard yet"
    guard.sample(sample(), S)
    assert guard.fresh(S + S // 2)
    assert not guard.fresh(4 * S)
    guard.sample(sample(lye_temp=70.0), 4 * S)
    assert not guard.fresh(4 * S), "a tripped guard starves the device's heartbeat too"


def test_a_cut_is_confirmed_only_by_data(bench: Bench) -> None:
    guard = running(bench)
    guard.sample(sample(lye_temp=70.0), 2 * S)
    assert not guard.cut_confirmed
    guard.sample(sample(lye_temp=70.0, relay=0.0, amps=8.0), 3 * S)
    assert not guard.cut_confirmed, "an open relay through which current flows is welded"
    guard.sample(sample(lye_temp=70.0, relay=0.0, amps=0.0), 4 * S)
    assert guard.cut_confirmed
