"""What opens the relay, and what closes it again. All times are virtual: nothing here waits for a clock."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import pytest

from daq.sources.reading import Hello
from daq.sources.wire import TripCause, encode_command
from tests.firmware.board import BOARD
from tests.firmware.emulator import Emulator
from tests.firmware.talk import Talk

LIMIT_C = BOARD["LIMIT_C"]


def closed(talk: Talk) -> None:
    """A warm stack with its relay closed."""
    talk.emulator.set_temperature("lye", 60.0)
    talk.run(250.0)
    assert talk.ask("reset").ok
    assert talk.emulator.closed


def opened_us(board: Emulator) -> int:
    """When the relay opened, once."""
    assert [move.closed for move in board.moves] == [True, False]
    return board.moves[-1].us


def test_the_relay_is_open_until_it_is_asked_for(board: Emulator, talk: Talk) -> None:
    talk.run(1050.0)
    assert board.moves == []
    assert {(f.fields["relay"], f.fields["trip"]) for f in talk.frames()} == {(0.0, 0.0)}


def test_over_temperature_opens_it_with_the_host_dead(board: Emulator) -> None:
    """Nobody holds the port, nothing was ever said to the board but by its button."""
    board.set_temperature("lye", 72.5)
    board.run(250.0)
    board.close_relay()
    celsius, crossed_us = 74.0, 0
    while celsius < LIMIT_C + 0.4:
        celsius += 0.1
        board.set_temperature("lye", celsius)
        if not crossed_us and celsius > LIMIT_C + 0.2:  # beyond what the converter's steps blur
            crossed_us = board.us
        board.run(50.0)
    board.run(300.0)
    assert opened_us(board) - crossed_us < 250_000
    board.set_temperature("lye", 25.0)
    board.run(800.0)
    assert not board.closed, "a trip latches"


@pytest.mark.parametrize("celsius", [20.0, 45.0, 60.0, 74.6])
def test_below_the_limit_it_stays_closed(board: Emulator, talk: Talk, celsius: float) -> None:
    closed(talk)
    board.set_temperature("lye", celsius + 0.5 * (60.0 - celsius))
    talk.run(100.0)
    board.set_temperature("lye", celsius)
    frame = talk.frame_after(700.0)
    assert frame.fields["temp"] == pytest.approx(celsius, abs=0.25)
    assert board.closed
    assert frame.fields["trip"] == TripCause.NONE


def test_a_hot_stack_is_refused_until_it_has_cooled(board: Emulator, talk: Talk) -> None:
    closed(talk)
    board.set_temperature("lye", 70.0)
    talk.run(200.0)
    board.set_temperature("lye", 76.0)
    assert talk.frame_after(300.0).fields["trip"] == TripCause.DEVICE_OVER_TEMPERATURE
    assert not board.closed
    for celsius, why in ((76.0, "hot"), (LIMIT_C - BOARD["LIMIT_DEADBAND_K"] + 0.5, "hot"), (72.0, None)):
        board.set_temperature("lye", celsius)
        talk.run(300.0)
        reply = talk.ask("reset")
        assert (reply.ok, reply.why) == (why is None, why)
        assert board.closed is (why is None)
    assert talk.frame_after(200.0).fields["trip"] == TripCause.NONE


@pytest.mark.parametrize("how", ["open", "short"])
def test_a_failed_thermistor_opens_it(board: Emulator, talk: Talk, how: Literal["open", "short"]) -> None:
    closed(talk)
    broke_us = board.us
    board.break_thermistor("lye", how)
    frame = talk.frame_after(600.0)
    assert math.isnan(frame.fields["temp"])
    assert frame.fields["trip"] == TripCause.SENSOR_FAULT
    assert opened_us(board) - broke_us < 500_000
    assert talk.ask("reset").why == "sensor"
    board.set_temperature("lye", 60.0)
    talk.run(300.0)
    assert talk.frames()[-1].fields["trip"] == TripCause.SENSOR_FAULT, "a trip latches"
    assert talk.ask("reset").ok
    assert board.closed


def test_a_disturbed_window_is_nan_and_cuts_nothing(board: Emulator, talk: Talk) -> None:
    closed(talk)
    board.break_thermistor("lye", "open")
    talk.run(30.0)
    board.set_temperature("lye", 60.0)
    talk.run(500.0)
    assert sum(math.isnan(frame.fields["temp"]) for frame in talk.frames()) in (1, 2)
    assert board.closed


def test_no_thermistor_but_the_lye_s_matters(board: Emulator, talk: Talk) -> None:
    closed(talk)
    board.break_thermistor("room", "open")
    board.break_thermistor("gas", "short")
    fields = talk.frame_after(700.0).fields
    assert math.isnan(fields["room"])
    assert math.isnan(fields["gastemp"])
    assert fields["temp"] == pytest.approx(60.0, abs=0.1)
    assert board.closed


def test_before_the_first_beat_no_host_is_needed(board: Emulator, talk: Talk) -> None:
    closed(talk)
    talk.run(3000.0)
    assert board.closed


def test_a_silent_host_opens_it_within_2_s(board: Emulator, talk: Talk) -> None:
    closed(talk)
    for _ in range(2):
        talk.run(950.0)
        assert talk.ask("beat").ok
    last_us = board.us
    talk.run(1800.0)
    assert len(board.moves) == 1, "one beat that is late is none that is lost"
    talk.run(400.0)
    assert 1_800_000 < opened_us(board) - last_us <= 2_000_000
    assert talk.frame_after(100.0).fields["trip"] == TripCause.HEARTBEAT_LOST
    assert talk.ask("reset").why == "beat"
    assert talk.ask("beat").ok
    talk.run(300.0)
    assert not board.closed, "beats alone close nothing"
    assert talk.ask("reset").ok
    assert board.closed


def test_the_host_s_trip_opens_it_at_once(board: Emulator, talk: Talk) -> None:
    closed(talk)
    talk.run(333.0)
    command = encode_command("trip", 400)
    asked_us = board.us
    talk.send(command)
    talk.run(60.0)
    # The line itself takes 10 bits a byte.
    assert opened_us(board) - asked_us < len(command) * 10 / 115_200 * 1e6 + 30_000
    assert talk.frame_after(200.0).fields["trip"] == TripCause.HOST_COMMAND


def test_the_first_cause_stays(board: Emulator, talk: Talk) -> None:
    closed(talk)
    assert talk.ask("trip").ok
    board.set_temperature("lye", 70.0)
    talk.run(200.0)
    board.set_temperature("lye", 78.0)
    assert talk.frame_after(300.0).fields["trip"] == TripCause.HOST_COMMAND
    assert talk.ask("reset").why == "hot"
    assert talk.ask("trip").ok
    assert talk.frame_after(200.0).fields["trip"] == TripCause.HOST_COMMAND


@pytest.mark.parametrize(
    ("why", "latch"), [("power", 0), ("brownout", 1), ("pin", 1), ("watchdog", 1)], ids=lambda v: str(v)
)
def test_no_restart_closes_it(
    board: Emulator, talk: Talk, why: Literal["power", "brownout", "pin", "watchdog"], latch: int
) -> None:
    """A latched trip outlives every reset but that of the power, and then too the relay waits to be asked."""
    closed(talk)
    before_us = board.us
    board.reset(why)
    talk.run(1.0)
    assert opened_us(board) - before_us < 1000, "the pin floats from the reset on"
    talk.run(400.0)
    assert talk.ask("trip").ok
    board.reset(why)
    talk.run(1000.0)
    assert len(board.moves) == 2
    assert talk.frames()[-1].fields["trip"] == latch
    assert talk.frames()[-1].seq < 10
    hello = [line for line in talk.lines if isinstance(line, Hello)]
    assert [line.extra["reset"] for line in hello] == ["power", why, why]


TIMSK0, TIMSK2 = 0x6E, 0x70  # data-space addresses, ATmega328P data sheet, register summary


@pytest.mark.parametrize("register", [TIMSK0, TIMSK2], ids=["converter", "clock"])
def test_a_chip_that_no_longer_measures_is_reset(board: Emulator, talk: Talk, register: int) -> None:
    """The watchdog is fed only while converter and clock go on. Nominal 0.25 s."""
    closed(talk)
    talk.run(500.0)
    stopped_us = board.us
    board.poke(register, 0)
    talk.run(900.0)
    assert opened_us(board) - stopped_us < 500_000
    hello = [line for line in talk.lines if isinstance(line, Hello)]
    assert [line.extra["reset"] for line in hello] == ["power", "watchdog"]


def spoil_supply(board: Emulator) -> None:
    board.set_supply_mv(3900)


def spoil_amps(board: Emulator) -> None:
    board.set_amps(3.0)


@pytest.mark.parametrize(
    ("spoil", "fault", "why"), [(spoil_supply, 12, "sensor"), (spoil_amps, 8, None)], ids=["supply", "amps"]
)
def test_the_self_test_finds(
    board: Emulator, talk: Talk, spoil: Callable[[Emulator], None], fault: int, why: str | None
) -> None:
    """A bad 5 V keeps the relay open, and shifts the amps' zero; a current through an open relay is told."""
    board.set_temperature("lye", 40.0)
    spoil(board)
    board.reset("power")
    talk.run(350.0)
    hello = [line for line in talk.lines if isinstance(line, Hello)]
    assert hello[-1].extra["test"] == "failed"
    assert talk.frames()[-1].fields["fault"] == fault
    assert talk.ask("reset").why == why
    assert board.closed is (why is None)


def test_current_through_an_open_relay_is_told(board: Emulator, talk: Talk) -> None:
    closed(talk)
    board.set_amps(8.0)
    assert talk.frame_after(700.0).fields["fault"] == 0.0
    assert talk.ask("trip").ok
    assert talk.frame_after(600.0).fields["fault"] == 0.0, "a contactor takes its time"
    assert talk.frame_after(800.0).fields["fault"] == 32.0
    board.set_amps(0.0)
    assert talk.frame_after(200.0).fields["fault"] == 32.0, "kept until the relay is closed again"
