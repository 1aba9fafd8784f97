"""Sources that repeat themselves, and current through an open relay, as the watch tells of them."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.bench import Bench
from daq.frame import Block
from daq.sources.reading import Reading
from daq.sources.virtual_bench import VirtualDevice, VirtualStack, load_scenario
from daq.sources.wire import decode_line, encode_command
from daq.stillness import Stillness, StillnessRule, stillness_rule
from daq.watch import Watch, replay
from tests.study.stored_runs import bench_text, sent
from tests.watch.test_watch import live
from tests.watch.workshop import ALL, HZ, S, bench, block, raised, run_of


def hung(whole: Block, from_s: float, to_s: float) -> Block:
    """The same, but its readings stand still for a while; its frames come on."""
    rows = np.arange(len(whole))
    rows[round(from_s * HZ) : round(to_s * HZ)] = round(from_s * HZ)
    return replace(whole, values={n: v[rows] for n, v in whole.values.items()})


def frozen_at(made: Bench, whole: Block) -> list[tuple[float, str]]:
    return [(t.t_ns / S, t.state_to) for t in replay(made, [whole]).transitions if t.alarm == "head.frozen"]


def test_a_source_that_hangs_is_told_after_ten_seconds_and_back_when_it_moves() -> None:
    made = bench(ALL)
    whole = hung(run_of(200.0), 100.0, 150.0)
    frozen = frozen_at(made, whole)
    assert [state for _, state in frozen] == ["unacknowledged", "returned"]
    assert frozen[0][0] == pytest.approx(110.0, abs=0.5)
    assert frozen[1][0] == pytest.approx(150.0, abs=0.5)


@pytest.mark.parametrize("seed", range(3))
def test_live_in_any_pieces_is_the_replay(seed: int) -> None:
    made = bench(ALL)
    amps = np.where(np.arange(2400) < 2000, 10.0, 0.0)
    whole = hung(run_of(240.0, amps=amps), 100.0, 130.0)
    whole.values["relay"] = np.where((np.arange(2400) > 1700) & (np.arange(2400) < 1800), 0.0, 1.0)
    watch = live(made, [whole], seed=seed)
    transitions = watch.take_transitions()
    assert transitions == list(replay(made, [whole]).transitions)
    assert {"head.frozen", "supply.current_though_open"} <= {t.alarm for t in transitions}


def test_a_watch_that_starts_again_goes_on_where_it_was() -> None:
    made = bench(ALL)
    whole = hung(run_of(200.0), 100.0, 150.0)
    first = Watch(made)
    first.feed([replace_rows(whole, 0, 1050)])
    first.tick(105 * S)
    again = Watch(made)
    again.load(first.save())
    again.feed([replace_rows(whole, 1050, 2000)])
    again.tick(200 * S)
    transitions = [t.t_ns / S for t in again.take_transitions() if t.alarm == "head.frozen"]
    assert transitions[0] == pytest.approx(110.0, abs=0.5)


def replace_rows(whole: Block, first: int, last: int) -> Block:
    rows = slice(first, last)
    return Block(
        whole.source, whole.t_ns[rows], whole.seq[rows], {n: v[rows] for n, v in whole.values.items()}
    )


def test_the_supply_off_is_no_fault() -> None:
    made = bench(ALL)
    amps = np.where(np.arange(3000) < 1000, 10.0, 0.0)
    whole = run_of(300.0, amps=amps)
    off = slice(1010, 3000)
    for name in whole.values:
        whole.values[name][off] = whole.values[name][1010]
    whole.values["amps"][off] = 0.0
    assert frozen_at(made, whole) == []


def test_the_simulated_bench_hangs_nowhere_until_it_does() -> None:
    """Half an hour of the reference head's own noise and digits, then a standstill."""
    made, whole = sent(bench_text(), seconds=1800, seed=3, every=1)
    assert frozen_at(made, whole) == []
    rows = np.arange(len(whole))
    rows[9000:10200] = 9000
    whole = replace(whole, values={n: v[rows] for n, v in whole.values.items()})
    frozen = frozen_at(made, whole)
    assert frozen[0][0] == pytest.approx(whole.t_ns[9000] / S + 10.0, abs=0.5)


def test_guard_and_watch_see_the_same_instant() -> None:
    made = bench(ALL)
    whole = hung(run_of(200.0), 100.0, 150.0)
    rule = stillness_rule(made, "head")
    assert rule is not None
    alone = Stillness(rule)
    alone.power(0, True)
    rows = zip(*(whole.values[c].tolist() for c in rule.channels), strict=True)
    first = next(t for t, row in zip(whole.t_ns.tolist(), rows, strict=True) if alone.step(t, row))
    assert frozen_at(made, whole)[0][0] == first / S


@pytest.mark.parametrize(
    ("keys", "expected"), [({"frozen_after_s": 3.0}, 103.0), ({"frozen_after_s": 0.0}, None)]
)
def test_the_bench_file_says_after_how_long(keys: dict[str, float], expected: float | None) -> None:
    made = bench(ALL)
    made = made.model_copy(update={"sources": {"head": made.sources["head"].model_copy(update=keys)}})
    frozen = frozen_at(made, hung(run_of(200.0), 100.0, 150.0))
    assert ([] if expected is None else [expected]) == [pytest.approx(at, abs=0.5) for at, _ in frozen[:1]]


def test_current_through_an_open_relay_is_critical_after_a_second() -> None:
    made = bench(ALL)
    whole = run_of(60.0)
    whole.values["relay"] = np.where(np.arange(600) < 300, 1.0, 0.0)
    transitions = [t for t in replay(made, [whole]).transitions if t.alarm == "supply.current_though_open"]
    assert transitions[0].t_ns / S == pytest.approx(31.1, abs=0.15)
    assert str(transitions[0].priority) == "critical"


def test_a_current_of_another_source_is_held_against_the_relays_last_word() -> None:
    made = bench({**ALL, "amps": "psu"})
    slow = made.sources["psu"].model_copy(update={"rate_hz": 2.0, "silent_after_s": 3.0})
    made = made.model_copy(update={"sources": {**made.sources, "psu": slow}})
    whole = run_of(60.0)
    amps = block(np.arange(0.5, 60.0, 0.5), {"amps": np.full(119, 9.0)}, source="psu")
    del whole.values["amps"]
    whole.values["relay"] = np.where(np.arange(600) < 300, 1.0, 0.0)
    transitions = raised(replay(made, [whole, amps]).transitions)["supply.current_though_open"]
    assert transitions == 30.5 + 1.0 + 2 * 0.5
    watch = live(made, [whole, amps], seed=4)
    assert raised(watch.take_transitions())["supply.current_though_open"] == transitions


@pytest.mark.parametrize("scenario", ["settles", "runaway"])
def test_a_relay_that_opens_stops_the_current_in_time(scenario: str) -> None:
    """The virtual head's relay takes its time and its readings lag; that is no welded relay."""
    device = VirtualDevice(VirtualStack(load_scenario(scenario).parameters), seed=2, clock=lambda: 0.0)
    frames: list[Reading] = []
    for second in range(120):
        if second in (40, 90):
            device.feed(encode_command("trip", second))
        if second == 60:
            device.feed(encode_command("reset", 60))
        device.advance(1.0)
        messages = [decode_line(line) for line in b"".join(device.take_output()).splitlines()]
        frames += [f for f in messages if isinstance(f, Reading)]
    made = bench(ALL)
    names = {"volts": "volts", "amps": "amps", "lye_temp": "temp", "gas_flow": "flow", "relay": "relay"}
    whole = block(
        np.array([f.ms for f in frames], dtype=np.float64) / 1e3,
        {n: np.array([f.fields[field] for f in frames]) for n, field in names.items()},
    )
    assert (whole.values["relay"] < 0.5).any()
    assert "supply.current_though_open" not in raised(replay(made, [whole]).transitions)


@given(
    seed=st.integers(0, 10_000),
    cuts=st.lists(st.integers(1, 4000), max_size=6),
    noise=st.sampled_from([0.0, 0.4, 3.0]),
    gaps=st.booleans(),
)
def test_many_frames_at_once_are_as_one_after_another(
    seed: int, cuts: list[int], noise: float, gaps: bool
) -> None:
    rng = np.random.default_rng(seed)
    rows = np.round(rng.normal(0.0, noise, (4000, 2)) + np.linspace(0, 20, 4000)[:, None])
    for _ in range(3):
        first, length = int(rng.integers(0, 3800)), int(rng.integers(20, 200))
        rows[first : first + length] = rows[first]
    if gaps:
        rows[rng.random(rows.shape) < 0.001] = np.nan
    t_ns = (np.arange(4000, dtype=np.int64) + 1) * (S // HZ)
    rule = StillnessRule("head", ("lye_temp", "amps"), 10.0, False, 1, False)
    one, many = Stillness(rule), Stillness(rule)
    collected: list[tuple[int, bool]] = []
    for each in (one, many):
        each.power(0, True)
    for t, row in zip(t_ns.tolist(), rows.tolist(), strict=True):
        was = one.active
        if one.step(t, row) != was:
            collected.append((t, not was))
    bounds = sorted({0, 4000, *(c for c in cuts if c < 4000)})
    assert [c for i, j in pairwise(bounds) for c in many.steps(t_ns[i:j], rows[i:j])] == collected
    assert (many.since_ns, many.active) == (one.since_ns, one.active)
