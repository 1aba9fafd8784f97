"""The guard: what it trips on, what it must not trip on, and when it lets itself be reset."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.bench import Bench, LimitSpec, parse_bench
from daq.examples import example_text
from daq.frame import Frame, Sample
from daq.reader import Calibrator, Guard
from daq.reader.guard import TripCause

S = 1_000_000_000
WORKED = parse_bench(example_text("water_torch"), Path("torch.toml"))


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


# -- beyond the sensor's range ------------------------------------------------------------------------------


def calibrated(bench: Bench, fields: dict[str, float]) -> Sample:
    whole = {"volts": 12.0, "amps": 8.0, "watts": 96.0, "temp": 40.0, "relay": 1.0, **fields}
    return Calibrator(bench)(Frame("head", 0, whole), 0)[0]


def test_a_value_beyond_the_sensors_range_on_the_side_of_the_limit_trips_at_that_sample(bench: Bench) -> None:
    guard = running(bench)
    hot = calibrated(bench, {"temp": 130.0})
    assert math.isnan(hot.values["lye_temp"]), "no value to reckon with"
    cause = guard.sample(hot, 2 * S)
    assert cause is not None
    assert (cause.code, cause.value) == ("lye_temp.trip", 130.0)
    assert "beyond what its sensor can read" in cause.words
    assert any("130" in words for words in guard.standing(2 * S)), "and stands in the way of a reset"


@pytest.mark.parametrize("raw", [-242.0, math.nan, math.inf, -math.inf])
def test_a_broken_lead_is_bad_and_not_hot(bench: Bench, raw: float) -> None:
    guard = running(bench)
    assert guard.sample(calibrated(bench, {"temp": raw}), 2 * S) is None
    assert guard.tick(3 * S) is None
    guard.sample(calibrated(bench, {"temp": raw}), 3 * S + S // 10)
    cause = guard.tick(3 * S + S // 10)
    assert cause is not None
    assert cause.code == "lye_temp.stale"


def test_below_the_range_counts_where_there_is_a_low_limit(bench: Bench) -> None:
    limits = {"lye_temp": LimitSpec(low_trip=5.0, trip=65.0)}
    guard = Guard(bench.model_copy(update={"limits": limits}), started_ns=0)
    cause = guard.sample(calibrated(bench, {"temp": -40.0}), S)
    assert cause is not None
    assert "fell to -40" in cause.words


# -- current through an open relay --------------------------------------------------------------------------


def test_current_means_powered_whatever_the_relay_says(bench: Bench) -> None:
    guard = running(bench)
    guard.sample(sample(relay=0.0, amps=20.0, lye_temp=math.nan), 2 * S)
    assert guard.powered
    assert not guard.cut_confirmed
    guard.sample(sample(relay=0.0, amps=0.1), 3 * S)
    assert not guard.powered


def test_current_beyond_the_meters_range_flows_too(bench: Bench) -> None:
    guard = running(bench)
    guard.sample(calibrated(bench, {"amps": 140.0, "relay": 0.0}), 2 * S)
    assert guard.powered
    guard.sample(calibrated(bench, {"amps": -40.0, "relay": 0.0}), 3 * S)
    assert not guard.powered, "far below its range is a broken lead: the relay's word stands"


def test_a_relay_that_says_open_while_current_flows_trips_after_a_second(bench: Bench) -> None:
    guard = running(bench)
    for tenth in range(20, 30):
        assert guard.sample(sample(relay=0.0, amps=20.0), tenth * S // 10) is None
        assert guard.standing(tenth * S // 10) == []
    cause = guard.sample(sample(relay=0.0, amps=20.0), 3 * S)
    assert cause is not None
    assert cause.code == "supply.current_though_open"
    assert guard.current_though_open
    assert any("20.0 A flow" in words for words in guard.standing(3 * S))
    guard.sample(sample(relay=0.0, amps=0.0), 4 * S)
    assert guard.reset(4 * S) == [], "nothing flows any more"


def test_current_that_dies_away_is_no_welded_relay(bench: Bench) -> None:
    guard = running(bench)
    for tenth, amps in enumerate((8.0, 6.0, 3.0, 1.0, 0.2, 0.0, 0.0, 8.0, 0.0)):
        assert guard.sample(sample(relay=0.0, amps=amps), 2 * S + tenth * S // 5) is None


def test_a_relay_that_lies_and_a_lost_temperature_trip(bench: Bench) -> None:
    guard = running(bench)
    trips = []
    for tenth in range(20, 60):
        now = tenth * S // 10
        cause = guard.sample(sample(relay=0.0, amps=20.0, lye_temp=math.nan), now) or guard.tick(now)
        trips += [] if cause is None else [(now, cause.code)]
    assert trips == [(3 * S, "supply.current_though_open")]
    assert [c.code for c in guard.later] == ["lye_temp.stale"]


def test_a_current_of_another_source_may_come_later() -> None:
    apart = parse_bench(example_text("instruments"), Path("bench.toml"))
    assert apart.though_open_after_s == 1.0 + 2 * 0.5
    guard = Guard(apart, started_ns=0)
    guard.sample(Sample("head", 0, {"relay": 0.0, "lye_temp": 40.0}), S)
    for half in range(2, 6):
        guard.sample(Sample("head", 0, {"relay": 0.0, "lye_temp": 40.0}), half * S // 2)
        assert guard.sample(Sample("psu", 0, {"amps": 9.0}), half * S // 2) is None
    cause = guard.sample(Sample("head", 0, {"relay": 0.0, "lye_temp": 40.0}), 3 * S)
    assert cause is not None
    assert cause.code == "supply.current_though_open"


# -- what is known of a cut ---------------------------------------------------------------------------------


def test_what_is_known_of_a_cut_is_said_and_what_is_not(bench: Bench) -> None:
    guard = Guard(bench, started_ns=0)
    assert guard.cut_words(S) == "the relay has never been heard; the current has never been heard"
    guard.sample(sample(relay=0.0, amps=12.3), 2 * S)
    assert guard.cut_words(2 * S) == "the relay says open, yet 12.3 A flow"
    guard.sample(sample(relay=1.0, amps=math.nan), 3 * S)
    assert guard.cut_words(3 * S) == "the relay says closed; the current has no good value"
    guard.tick(6 * S)
    assert guard.cut_words(6 * S) == (
        "the relay has not been heard for 3 s (it said closed then); the current has no good value"
    )
    guard.sample(sample(relay=0.0, amps=0.0), 7 * S)
    assert guard.cut_words(7 * S) is None
    assert guard.cut_words(7 * S, ["psu"]) == "the supply psu has not answered"


def test_what_is_not_measured_is_said_to_be_not(bench: Bench) -> None:
    fewer = {n: c for n, c in bench.channels.items() if n != "amps"}
    guard = Guard(bench.model_copy(update={"channels": fewer}), started_ns=0)
    guard.sample(Sample("head", 0, {"relay": 1.0, "lye_temp": 40.0}), S)
    guard.tick(4 * S)
    assert guard.cut_words(4 * S, ["psu"]) == (
        "the relay has not been heard for 3 s (it said closed then); the current is not measured; "
        "the supply psu has not answered"
    )


# -- a device that stands tripped ---------------------------------------------------------------------------


def test_a_device_that_stands_tripped_at_the_start_is_a_trip_of_before(bench: Bench) -> None:
    guard = Guard(bench, started_ns=0)
    cause = guard.frame(Frame("head", S, {"trip": 1.0}))
    assert cause is not None
    assert cause.code == "device.tripped"
    assert "a command of before" in cause.words


def test_a_trip_that_is_known_is_no_second_one(bench: Bench) -> None:
    guard = Guard(bench, started_ns=0)
    guard.trip(TripCause("lye_temp.trip", "too hot", 66.0))
    assert guard.frame(Frame("head", S, {"trip": 1.0})) is None
    assert guard.later == []


def test_a_device_is_given_time_to_forget_a_reset_trip(bench: Bench) -> None:
    guard = running(bench)
    guard.frame(Frame("head", S, {"trip": 0.0}))
    guard.sample(sample(lye_temp=66.0), 2 * S)
    guard.frame(Frame("head", 3 * S, {"trip": 1.0}))
    guard.sample(sample(lye_temp=40.0, relay=0.0, amps=0.0), 4 * S)
    assert guard.reset(4 * S) == []
    assert guard.frame(Frame("head", 4 * S + S // 10, {"trip": 1.0})) is None
    assert guard.frame(Frame("head", 4 * S + S // 5, {"trip": 0.0})) is None
    guard.sample(sample(), 9 * S)
    assert guard.frame(Frame("head", 9 * S, {"trip": 1.0})) is None, "one frame may be a hand at the device"
    guard.sample(sample(), 10 * S)
    cause = guard.frame(Frame("head", 10 * S, {"trip": 1.0}))
    assert cause is not None
    assert cause.code == "device.tripped"


# -- sources that repeat themselves -------------------------------------------------------------------------


def noisy(bench: Bench, rng: random.Random, **fixed: float) -> Sample:
    values = {
        "volts": round(13.2 + rng.gauss(0, 0.004), 3),
        "amps": round(8.0 + rng.gauss(0, 0.02), 3),
        "watts": round(105.6 + rng.gauss(0, 0.3), 2),
        "lye_temp": round(40.0 + rng.gauss(0, 0.03), 2),
        "relay": 1.0,
    }
    return Sample("head", 0, {**values, **fixed})


def run_on(guard: Guard, make: Callable[[], Sample], from_s: float, to_s: float) -> float | None:
    """Ten samples a second; when it trips [s]."""
    for tenth in range(round(from_s * 10), round(to_s * 10)):
        if guard.sample(make(), tenth * S // 10) or guard.tick(tenth * S // 10):
            return tenth / 10
    return None


def test_a_source_that_repeats_itself_trips_ten_seconds_later(bench: Bench) -> None:
    rng = random.Random(7)
    guard = Guard(bench, started_ns=0)
    assert run_on(guard, lambda: noisy(bench, rng), 1, 30) is None
    same = noisy(bench, rng)
    at = run_on(guard, lambda: same, 30, 130)
    assert at is not None
    assert at == pytest.approx(40.0, abs=0.2)
    assert guard.cause is not None
    assert guard.cause.code == "head.frozen"
    assert "volts, amps, watts, lye_temp" in guard.cause.words
    assert any("repeats itself" in words for words in guard.standing(int(at * S)))


def test_one_that_never_moved_is_found_by_its_fine_digits(bench: Bench) -> None:
    guard = Guard(bench, started_ns=0)
    same = noisy(bench, random.Random(7))
    at = run_on(guard, lambda: same, 1, 130)
    assert at == pytest.approx(61.0, abs=0.2)


def test_the_bench_file_sets_the_time_and_switches_it_off(bench: Bench) -> None:
    same = noisy(bench, random.Random(7))
    for stated, expected in ((3.0, 4.0), (0.0, None)):
        sources = {"head": bench.sources["head"].model_copy(update={"frozen_after_s": stated})}
        guard = Guard(bench.model_copy(update={"sources": sources}), started_ns=0)
        assert run_on(guard, lambda: same, 1, 200) == expected


def test_a_supply_that_is_off_may_stand_still(bench: Bench) -> None:
    rng = random.Random(7)
    guard = Guard(bench, started_ns=0)
    assert run_on(guard, lambda: noisy(bench, rng), 1, 30) is None
    off = Sample("head", 0, {"volts": 0.0, "amps": 0.0, "watts": 0.0, "lye_temp": 40.0, "relay": 0.0})
    assert run_on(guard, lambda: off, 30, 3600) is None
    # Learned while off, it holds from the first second of being on.
    assert (
        run_on(guard, lambda: noisy(bench, rng, amps=0.0, volts=0.0, watts=0.0, relay=0.0), 3600, 3630)
        is None
    )
    hung = noisy(bench, rng)
    assert run_on(guard, lambda: hung, 3630, 3700) == pytest.approx(3640.0, abs=0.2)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("digits", [0, 1])
def test_coarse_digits_do_not_trip(bench: Bench, seed: int, digits: int) -> None:
    """Whole volts, amps and degrees, or tenths: hours at rest, noise drawn at random below a digit."""
    rng = random.Random(seed)
    channels = {n: c.model_copy(update={"resolution": 10.0**-digits}) for n, c in bench.channels.items()}
    guard = Guard(bench.model_copy(update={"channels": channels}), started_ns=0)
    noise = {c: rng.uniform(0.0, 0.6) * 10.0**-digits for c in ("volts", "amps", "lye_temp")}
    level = {"volts": rng.uniform(12, 14), "amps": rng.uniform(5, 25), "lye_temp": 30.0}
    warms = rng.uniform(0.0, 3.0) / 600.0  # up to 3 K a minute, then at rest

    def make() -> Sample:
        level["lye_temp"] = min(level["lye_temp"] + warms, 52.0)
        values = {c: round(v + rng.gauss(0, noise[c]), digits) for c, v in level.items()}
        return Sample("head", 0, {**values, "relay": 1.0})

    assert run_on(guard, make, 1, 1800) is None


@pytest.mark.parametrize("seed", range(3))
def test_noise_that_falls_to_a_third_does_not_trip(bench: Bench, seed: int) -> None:
    rng = random.Random(100 + seed)
    guard = Guard(bench, started_ns=0)
    scale = 1.0

    def make() -> Sample:
        return Sample(
            "head",
            0,
            {
                "volts": round(13.2 + rng.gauss(0, 0.0015 * scale), 3),
                "amps": round(8.0 + rng.gauss(0, 0.0015 * scale), 3),
                "lye_temp": round(40.0 + rng.gauss(0, 0.015 * scale), 2),
                "relay": 1.0,
            },
        )

    assert run_on(guard, make, 1, 120) is None
    scale = 1.0 / 3.0
    assert run_on(guard, make, 120, 1200) is None


def test_a_supply_that_holds_its_current_alone_proves_nothing() -> None:
    apart = parse_bench(
        example_text("instruments")
        .replace('trip_source = "head"', 'trip_source = "psu"')
        .replace('second_cut = "psu"', ""),
        Path("bench.toml"),
    )
    guard, rng = Guard(apart, started_ns=0), random.Random(3)

    def run_psu(amps: Callable[[], float], from_s: int, to_s: int) -> list[str]:
        codes = []
        for half in range(2 * from_s, 2 * to_s):
            temp = round(40 + rng.gauss(0, 0.03), 2)
            head = Sample("head", 0, {"lye_temp": temp, "relay": 1.0})
            for cause in (
                guard.sample(head, half * S // 2),
                guard.sample(Sample("psu", 0, {"amps": amps()}), half * S // 2),
            ):
                codes += [] if cause is None else [cause.code]
        return codes

    assert run_psu(lambda: round(8 + rng.gauss(0, 0.02), 3), 1, 200) == []
    assert run_psu(lambda: 30.0, 200, 800) == [], "it limits the current now"


# -- whatever comes -----------------------------------------------------------------------------------------

NUMBERS = st.one_of(
    st.sampled_from([math.nan, math.inf, -math.inf, 0.0, 40.0, 64.99, 65.0, 130.0, -242.0, 20.0]),
    st.floats(-300.0, 300.0),
)
STEPS = st.lists(
    st.tuples(
        st.sampled_from(["sample", "sample", "sample", "tick", "device", "trip"]),
        st.integers(0, 30),
        st.dictionaries(st.sampled_from(["temp", "amps", "relay", "volts"]), NUMBERS, max_size=4),
        st.sampled_from([0.0, 1.0, 2.0, 3.0, 4.0, 9.0, math.nan]),
    ),
    max_size=40,
)


@settings(max_examples=300, deadline=None)
@given(steps=STEPS)
def test_a_trip_stands_its_first_cause_is_kept_and_none_is_late(
    steps: list[tuple[str, int, dict[str, float], float]],
) -> None:
    bench = WORKED
    guard, calibrate = Guard(bench, started_ns=0), Calibrator(bench)
    now, first, good_ns, seen_ns = 0, None, None, None
    for kind, tenths, fields, code in steps:
        now += tenths * S // 10
        before = guard.cause
        if kind == "sample":
            guard.sample(calibrate(Frame("head", now, fields), now)[0], now)
            seen_ns = now
            temp = fields.get("temp", math.nan)
            if -10.0 <= temp <= 120.0:
                good_ns = now
            if temp >= 65.0 and math.isfinite(temp):
                assert guard.cause is not None, "hot, within the sensor's range or beyond it, at that sample"
        elif kind == "device":
            guard.frame(Frame("head", now, {"trip": code}, received_ns=now))
            if code in (2.0, 4.0, 9.0):
                assert guard.cause is not None
        elif kind == "trip":
            guard.trip(TripCause("person", "asked for", by="somebody"))
            assert guard.cause is not None
        guard.tick(now)
        if guard.powered:
            since = 5 * S if good_ns is None else good_ns
            silent = 5 * S if seen_ns is None else seen_ns
            if now - since > 2 * S or now - silent > S:
                assert guard.cause is not None, "powered, and what guards it is missing"
        if guard._amps.at_ns == now and abs(guard._amps.value) > 0.3:
            assert guard.powered
        first = first or guard.cause
        assert guard.cause is first, "it never ends by itself, and the first cause is kept"
        assert before is None or guard.cause is before
        codes = [c.code for c in (guard.cause, *guard.later) if c is not None]
        assert len(codes) == len(set(codes)), "each later cause once"
        assert guard.cause is None or not guard.fresh(now)
    assert guard.cut_words(now, ["psu"])
