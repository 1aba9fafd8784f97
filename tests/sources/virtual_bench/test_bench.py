"""Scenarios and events: what happens, when, and that it happens the same again."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from daq.errors import UsageError
from daq.sources.virtual_bench import (
    EVENTS,
    SCENARIOS,
    Event,
    Scenario,
    StackParameters,
    VirtualBench,
    load_scenario,
    parse_event,
)
from daq.sources.wire import TripCause
from tests.sources.virtual_bench.helpers import frames, hellos, next_frames, tell


def still() -> float:
    """A wall clock that stands."""
    return 0.0


# ---- events


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("fan@90", Event("fan", 90.0)),
        ("unplug@60+5", Event("unplug", 60.0, lasts_s=5.0)),
        ("volts=14.5@300", Event("volts", 300.0, 14.5)),
        ("stuck.temp@120+30", Event("stuck", 120.0, field="temp", lasts_s=30.0)),
        ("glitch.temp=85@10", Event("glitch", 10.0, 85.0, "temp")),
        ("meter:unplug@7", Event("unplug", 7.0, device="meter")),
        ("room=-3.5", Event("room", 42.0, -3.5)),
        (" top_up=0.25 ", Event("top_up", 42.0, 0.25)),
    ],
)
def test_events_are_read(text: str, event: Event) -> None:
    assert parse_event(text, now_s=42.0) == event


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("fann@90", "no such event"),
        ("unplug@", "not an event"),
        ("", "not an event"),
        ("unplug@1.2.3", "a number is wrong"),
        ("stuck@5", "needs field"),
        ("fan.temp@5", "takes no field"),
        ("volts@5", "volts needs a value"),
        ("top_up=1@5+5", "takes no duration"),
    ],
)
def test_what_is_no_event_is_refused_with_what_would_be_right(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parse_event(text)


def test_every_event_can_happen() -> None:
    values = {"volts": 12.0, "amps": 9.0, "duty": 0.5, "room": 2.0, "leak": 3.0, "top_up": 0.1}
    bench = VirtualBench(clock=still)
    for k, what in enumerate(EVENTS):
        field = "flow" if what in ("stuck", "open", "dead", "glitch", "drift", "heal") else ""
        bench.schedule(Event(what, k * 1.0, values.get(what), field))
    bench.advance(len(EVENTS) + 1.0)
    stack = bench.stack
    assert (stack.volts_set, stack.amps_set, stack.duty) == (12.0, 9.0, 0.5)
    assert (stack.room_shift_k, stack.leak_factor, stack.fan) == (2.0, 3.0, False)
    assert bench.plugged == {"head": True}


def test_a_lasting_event_is_undone() -> None:
    bench = VirtualBench(SCENARIOS["settles"], clock=still)
    for text in ("fan@1+1", "volts=9@1+1", "dead.flow@1+1", "unplug@1+1", "silent@1+1", "leak=4@1+1"):
        bench.schedule(text)
    bench.advance(1.5)
    stack = bench.stack
    assert (stack.fan, stack.volts_set, stack.leak_factor) == (False, 9.0, 4.0)
    assert bench.plugged == {"head": False}
    bench.head.take_output()
    bench.advance(1.0)
    assert (stack.fan, stack.volts_set, stack.leak_factor) == (True, 13.2, 1.0)
    assert bench.plugged == {"head": True}
    (*_, last) = frames(bench.head.take_output())
    assert last.fields["flow"] > 0.1


def test_events_happen_when_they_are_due_and_not_on_the_grid_of_frames() -> None:
    bench = VirtualBench(SCENARIOS["settles"], clock=still)
    bench.schedule("volts=11@0.25")
    bench.advance(0.2)
    assert bench.stack.volts_set == 13.2
    bench.advance(0.1)
    assert bench.stack.volts_set == 11.0
    bench.advance(0.7)
    assert [f.seq for f in frames(bench.head.take_output())] == list(range(10))


def test_noise_and_restart_on_the_line() -> None:
    bench = VirtualBench(clock=still)
    bench.schedule("noise=64@0.5")
    bench.schedule("restart@1")
    bench.advance(2.0)
    lines = bench.head.take_output()
    assert [len(line) for line in lines if not line.endswith(b"\n") or len(line) == 64][:1] == [64]
    sound = [line for line in lines if len(line) != 64]
    assert len(hellos(sound)) == 2


def test_events_for_what_is_not_there_are_refused() -> None:
    bench = VirtualBench(clock=still)
    with pytest.raises(UsageError, match="no such device"):
        bench.schedule("meter:unplug@5")
    with pytest.raises(UsageError, match="the head has no such field"):
        bench.schedule("stuck.humidity@5")


# ---- scenarios


def test_runaway_tells_its_story() -> None:
    bench = VirtualBench(SCENARIOS["runaway"], clock=still)
    passed: dict[float, float] = {}
    first = next_frames(bench, 1.0)[-1].fields
    assert first["temp"] == pytest.approx(bench.stack.room_c, abs=0.3)
    while bench.elapsed_s < 600.0:
        for frame in next_frames(bench, 1.0):
            assert frame.ms is not None
            for limit in (50.0, 60.0, 65.0):
                if frame.fields["temp"] >= limit:
                    passed.setdefault(limit, frame.ms / 1000.0)
        if 65.0 in passed:
            break
    # At --speed 30 this is a warning after 11 s on the clock and a trip after 16 s.
    assert 300.0 < passed[50.0] < 400.0
    assert 400.0 < passed[60.0] < 480.0
    assert 450.0 < passed[65.0] < 540.0
    tell(bench.head, "trip")
    frames_after = next_frames(bench, 360.0)
    assert max(f.fields["temp"] for f in frames_after) < 66.5
    assert frames_after[-1].fields["temp"] < 60.0
    assert bench.head.trip is TripCause.HOST_COMMAND


def test_runaway_without_a_host_ends_at_the_devices_own_limit() -> None:
    bench = VirtualBench(SCENARIOS["runaway"], clock=still)
    bench.advance(900.0)
    assert bench.head.trip is TripCause.DEVICE_OVER_TEMPERATURE
    assert not bench.stack.relay_closed
    assert bench.stack.warmth.lye_c < 77.0


def test_settles_settles() -> None:
    stack = VirtualBench(SCENARIOS["settles"]).stack
    stack.step(5400.0)
    warm = stack.truth()["lye_temp"]
    stack.step(600.0)
    after = stack.truth()["lye_temp"]
    assert warm == pytest.approx(51.5, abs=1.0)
    assert abs(after - warm) < 0.6


def test_equal_seeds_give_equal_bytes() -> None:
    def bytes_sent(seed: int) -> list[bytes]:
        bench = VirtualBench(SCENARIOS["runaway"].with_events(Event("noise", 3.0)), seed=seed, meter=True)
        bench.advance(5.0)
        assert bench.meter is not None
        return bench.head.take_output() + bench.meter.take_output()

    assert bytes_sent(7) == bytes_sent(7)
    assert bytes_sent(7) != bytes_sent(8)


def test_a_meter_does_not_change_what_the_head_says() -> None:
    alone, beside = VirtualBench(seed=3), VirtualBench(seed=3, meter=True)
    alone.advance(10.0)
    beside.advance(10.0)
    assert alone.head.take_output() == beside.head.take_output()


def test_a_scenario_goes_to_tables_and_back() -> None:
    scenario = SCENARIOS["runaway"].with_events(parse_event("stuck.temp@120+30"))
    assert Scenario.from_dict(scenario.as_dict()) == scenario


def test_a_scenario_is_read_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "cold-shed.toml"
    file.write_text(
        'words = "A shed in winter"\ndevice_limit_c = 70\n'
        "[stack]\ncells = 5\nlitres = 0.9\n[site]\nroom_c = 4.0\n[sensors]\nnoise = { temp = 0.1 }\n"
        '[[events]]\nwhat = "fan"\nat_s = 30\n',
        encoding="utf-8",
    )
    scenario = load_scenario(file)
    assert scenario.name == "cold-shed"
    assert scenario.stack == StackParameters(cells=5, litres=0.9)
    assert scenario.site.room_c == 4.0
    assert scenario.events == (Event("fan", 30.0),)
    assert math.isclose(VirtualBench(scenario).stack.warmth.lye_c, 4.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[stack]\ncels = 5\n", r"stack\.cels"),
        ("[stack]\ncells = 0\n", r"stack\.cells.*found 0"),
        ('[supply]\nvolts = "much"\n', r"supply\.volts"),
        ('[[events]]\nwhat = "fann"\n', "no such event"),
        ("[stack\n", "not TOML"),
    ],
)
def test_a_wrong_scenario_file_is_refused_by_key_and_value(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "wrong.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=words) as caught:
        load_scenario(file)
    assert caught.value.exit_code == 2


def test_a_scenario_that_is_not_there() -> None:
    with pytest.raises(UsageError, match="use one of runaway, settles"):
        load_scenario("run-away")
