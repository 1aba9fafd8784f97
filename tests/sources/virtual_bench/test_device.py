"""The devices' firmware, in lockstep: time is what the test says it is."""

from __future__ import annotations

import math

import pytest

from daq.errors import UsageError
from daq.sources.virtual_bench import (
    FRAME_S,
    HEARTBEAT_S,
    RELAY_S,
    BenchParameters,
    SupplyParameters,
    VirtualDevice,
    VirtualMeter,
    VirtualStack,
)
from daq.sources.wire import TripCause, decode_line, encode_command
from tests.sources.virtual_bench.helpers import closed, frames, hellos, replies, tell, trip_of


class Clock:
    """A wall clock that a test moves."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def make(**more: object) -> tuple[VirtualDevice, Clock]:
    clock = Clock()
    return VirtualDevice(VirtualStack(), clock=clock, **more), clock  # type: ignore[arg-type]


def test_it_says_hello_and_then_ten_frames_a_second() -> None:
    device, _ = make()
    device.advance(3.0)
    lines = device.take_output()
    hello = decode_line(lines[0])
    assert hellos(lines) == [hello]
    readings = frames(lines)
    assert [f.seq for f in readings] == list(range(30))
    assert [f.ms for f in readings] == list(range(100, 3100, 100))
    assert set(readings[0].fields) == {
        "volts",
        "amps",
        "watts",
        "temp",
        "room",
        "flow",
        "gastemp",
        "relay",
        "trip",
    }
    assert all(f.checked for f in readings)
    assert device.take_output() == []


def test_frames_do_not_depend_on_how_time_is_cut() -> None:
    whole, parts = make()[0], make()[0]
    whole.advance(12.0)
    for k in range(400):
        parts.advance(0.02 if k % 2 else 0.04)
    lines, pieces = whole.take_output(), parts.take_output()
    assert len(lines) == len(pieces) == 121
    for one, other in zip(frames(lines), frames(pieces), strict=True):
        assert one.seq == other.seq
        assert one.fields["temp"] == pytest.approx(other.fields["temp"], abs=0.011)
        # The bubbles build up within seconds, and a step sees those of the step before.
        assert one.fields["amps"] == pytest.approx(other.fields["amps"], rel=1e-2)


def test_frames_show_the_stack() -> None:
    device, _ = make()
    device.advance(60.0)
    fields = frames(device.take_output())[-1].fields
    truth = device.stack.truth()
    for field, key, tolerance in (
        ("volts", "volts", 0.02),
        ("amps", "amps", 0.1),
        ("watts", "watts", 1.2),
        ("flow", "gas_flow", 0.03),
        ("room", "room_temp", 0.1),
    ):
        assert fields[field] == pytest.approx(truth[key], abs=tolerance)
    assert fields["temp"] < truth["lye_temp"]  # the well lags


def test_a_chopped_supply_sends_true_watts_and_the_duty() -> None:
    stack = VirtualStack(BenchParameters(supply=SupplyParameters(volts=14.0, amps=60.0, duty=0.5)))
    device = VirtualDevice(stack)
    device.advance(10.0)
    fields = frames(device.take_output())[-1].fields
    assert fields["duty"] == 0.5
    assert fields["volts"] * fields["amps"] < 0.97 * fields["watts"]


# ---- commands


def test_trip_opens_the_relay_after_its_travel() -> None:
    device, _ = make()
    device.advance(5.0)
    assert tell(device, "trip", 17).ok
    assert trip_of(device) is TripCause.HOST_COMMAND
    device.advance(RELAY_S - 0.005)
    assert closed(device)
    device.advance(0.010)
    assert not closed(device)
    device.advance(0.2)
    last = frames(device.take_output())[-1].fields
    assert (last["relay"], last["trip"]) == (0.0, 1.0)
    assert last["amps"] == pytest.approx(0.0, abs=0.15)


def test_trip_latches_until_reset() -> None:
    device, _ = make()
    tell(device, "trip")
    device.advance(60.0)
    assert not closed(device)
    assert tell(device, "reset", 2).ok
    device.advance(0.1)
    assert closed(device)
    assert trip_of(device) is TripCause.NONE


def test_doing_either_twice_is_harmless() -> None:
    device, _ = make()
    assert tell(device, "reset", 1).ok
    assert tell(device, "trip", 2).ok
    assert tell(device, "trip", 2).ok
    device.advance(1.0)
    assert trip_of(device) is TripCause.HOST_COMMAND
    assert tell(device, "reset", 3).ok
    assert tell(device, "reset", 3).ok
    device.advance(1.0)
    assert closed(device)


def test_a_reset_before_the_contact_has_moved_wins() -> None:
    device, _ = make()
    tell(device, "trip", 1)
    device.advance(0.01)
    tell(device, "reset", 2)
    device.advance(1.0)
    assert closed(device)


@pytest.mark.parametrize("size", [1, 3, 7, 64])
def test_commands_come_in_pieces_of_any_size(size: int) -> None:
    device, _ = make()
    device.take_output()
    data = encode_command("beat", 1) + b"\r\n" + encode_command("trip", 2)
    for at in range(0, len(data), size):
        device.feed(data[at : at + size])
    assert [(r.number, r.ok) for r in replies(device.take_output())] == [(1, True), (2, True)]


def test_what_is_no_sound_command_is_not_acted_on_and_not_answered() -> None:
    device, _ = make()
    device.take_output()
    good = encode_command("trip", 9)
    for bit in range(8 * (len(good) - 1)):
        flipped = bytearray(good)
        flipped[bit // 8] ^= 1 << (bit % 8)
        device.feed(bytes(flipped))
    device.feed(
        b"do=trip n=9\n" + b"x" * 200 + b"\n" + bytes(range(14, 256)) + b"\n" + b"seq=1 ms=2 a=3 *0000\n"
    )
    device.feed(good[:-1])  # no line end yet
    assert trip_of(device) is TripCause.NONE
    assert device.take_output() == []
    assert device.bad_lines > 130
    device.feed(b"\n")
    assert trip_of(device) is TripCause.HOST_COMMAND


def test_an_unknown_command_is_refused_in_a_word() -> None:
    device, _ = make()
    reply = tell(device, "dance", 3)
    assert (reply.ok, reply.why) == (False, "unknown")


# ---- its own protection


def test_its_own_limit_opens_the_relay_without_a_host() -> None:
    device, _ = make(limit_c=30.0)
    device.stack.warmth.lye_c = 33.0
    device.advance(30.0)
    readings = frames(device.take_output())
    tripped = next(f for f in readings if f.fields["trip"] == 2.0)
    before = [f.fields["temp"] for f in readings if f.seq < tripped.seq]
    assert max(before) < 30.0 <= tripped.fields["temp"]
    assert readings[tripped.seq + 1].fields["relay"] == 0.0
    reply = tell(device, "reset")
    assert (reply.ok, reply.why) == (False, "hot")
    device.stack.warmth.lye_c = 22.0
    device.advance(60.0)
    assert trip_of(device) is TripCause.DEVICE_OVER_TEMPERATURE  # it latches
    assert tell(device, "reset").ok


def test_a_sensor_that_says_nothing_opens_the_relay() -> None:
    device, _ = make()
    device.advance(1.0)
    device.fail_sensor("temp", "open")
    device.advance(0.3)
    last = frames(device.take_output())[-1]
    assert math.isnan(last.fields["temp"])
    assert (last.fields["trip"], last.fields["relay"]) == (4.0, 0.0)
    reply = tell(device, "reset")
    assert (reply.ok, reply.why) == (False, "sensor")
    device.heal_sensor("temp")
    device.advance(0.1)
    assert tell(device, "reset").ok


def test_the_first_cause_stays() -> None:
    device, _ = make()
    tell(device, "trip")
    device.fail_sensor("temp", "open")
    device.advance(1.0)
    assert trip_of(device) is TripCause.HOST_COMMAND
    assert tell(device, "reset").why == "sensor"


def test_heartbeat_begins_with_the_first_beat() -> None:
    device, clock = make()
    clock.now += 3600.0
    device.advance(10.0)
    assert trip_of(device) is TripCause.NONE
    assert tell(device, "beat").ok
    clock.now += HEARTBEAT_S
    device.advance(0.1)
    assert trip_of(device) is TripCause.NONE
    clock.now += 0.001
    device.advance(0.2)
    assert trip_of(device) is TripCause.HEARTBEAT_LOST
    assert not closed(device)


def test_reset_after_a_lost_heartbeat_needs_beats_again() -> None:
    device, clock = make()
    tell(device, "beat")
    clock.now += 5.0
    device.advance(0.2)
    reply = tell(device, "reset", 2)
    assert (reply.ok, reply.why) == (False, "beat")
    tell(device, "beat", 3)
    assert trip_of(device) is TripCause.HEARTBEAT_LOST
    assert tell(device, "reset", 4).ok


def test_heartbeat_is_timed_by_the_wall_and_not_by_the_benchs_own_time() -> None:
    device, clock = make()
    tell(device, "beat")
    clock.now += 1.0
    device.advance(30.0)  # one second at --speed 30
    assert trip_of(device) is TripCause.NONE


def test_heartbeat_in_lockstep() -> None:
    device: VirtualDevice
    device = VirtualDevice(VirtualStack(), clock=lambda: device.elapsed_s)
    tell(device, "beat")
    device.advance(2.0)
    assert trip_of(device) is TripCause.NONE
    device.advance(0.2)
    assert trip_of(device) is TripCause.HEARTBEAT_LOST


# ---- restarts


def test_a_restart_begins_anew_and_keeps_the_latch() -> None:
    device, _ = make()
    device.advance(5.0)
    tell(device, "trip")
    device.advance(1.0)
    device.take_output()
    device.restart()
    device.advance(1.0)
    lines = device.take_output()
    assert len(hellos(lines)) == 1
    readings = frames(lines)
    assert [f.seq for f in readings] == list(range(10))
    assert readings[0].ms == 100
    assert {f.fields["relay"] for f in readings} == {0.0}
    assert {f.fields["trip"] for f in readings} == {1.0}


def test_it_can_start_open() -> None:
    device, _ = make(closed_at_start=False)
    device.advance(2.0)
    last = frames(device.take_output())[-1].fields
    assert (last["relay"], last["trip"]) == (0.0, 0.0)
    assert tell(device, "reset").ok
    device.advance(0.2)
    assert closed(device)


def test_a_hung_device_loses_frames_and_their_numbers() -> None:
    device, _ = make()
    device.advance(1.0)
    device.silent = True
    device.advance(1.0)
    device.feed(encode_command("beat", 1))
    device.silent = False
    device.advance(1.0)
    seqs = [f.seq for f in frames(device.take_output())]
    assert seqs == [*range(10), *range(20, 30)]


def test_numbers_wrap_on_the_wire() -> None:
    device, _ = make()
    device.seq = 2**32 - 2
    device._booted_s = -(2**32 - 150) / 1000.0
    device.advance(0.4)
    readings = frames(device.take_output())
    assert [f.seq for f in readings] == [2**32 - 2, 2**32 - 1, 0, 1]
    assert [f.ms for f in readings] == [2**32 - 50, 50, 150, 250]


# ---- the meter


def test_the_meter_follows_a_stack_that_the_head_advances() -> None:
    stack = VirtualStack()
    head, meter = VirtualDevice(stack), VirtualMeter(stack)
    for _ in range(50):
        head.advance(FRAME_S)
        meter.advance(FRAME_S)
    theirs, ours = frames(meter.take_output()), frames(head.take_output())
    assert [f.seq for f in theirs] == [f.seq for f in ours] == list(range(50))
    assert set(theirs[0].fields) == {"volts", "amps", "room", "pressure"}
    assert theirs[-1].fields["amps"] == pytest.approx(ours[-1].fields["amps"], abs=0.2)
    assert theirs[-1].fields["amps"] != ours[-1].fields["amps"]  # noise of its own
    assert theirs[-1].fields["pressure"] == pytest.approx(98.5, abs=0.1)
    meter.feed(encode_command("trip", 1))
    assert meter.take_output() == []


def test_faults_that_make_no_sense_are_refused() -> None:
    device, _ = make()
    with pytest.raises(UsageError, match=r"no such field.*'humidity'.*use one of volts"):
        device.fail_sensor("humidity", "open")
    with pytest.raises(UsageError, match="no such sensor fault"):
        device.fail_sensor("temp", "sulking")
