"""What speaks on a port: text made out, devices asked, and nothing sent that acts."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daq.sources.modbus_probe import find_units, read_table
from daq.sources.recognise import ask_scpi, hear, identify
from daq.sources.text_guess import guess_text
from tests.sources.asked_peer import ModbusDevice, ScpiInstrument
from tests.sources.peers import PtyPeer


@pytest.mark.parametrize(
    ("lines", "values", "units"),
    [
        (["DC 12.5 V", "DC OL V", "DC 12.6 V"], {"volts": 12.6}, {"volts": "V"}),
        (["1.234 mV DC", "12.3 V DC", "250 mV DC"], {"volts": 0.25}, {"volts": "V"}),
        (["+12.5V", "-3.2V"], {"volts": -3.2}, {"volts": "V"}),
        (["T1: 24.5 °C T2: 25.1 °C"] * 2, {"t1": 24.5, "t2": 25.1}, {"t1": "degC", "t2": "degC"}),
        (
            ["2024-03-05 12:00:01 23.5 C 45.2 %RH"] * 2,
            {"temp": 23.5, "humidity": 45.2},
            {"temp": "degC", "humidity": "%"},
        ),
        (["Flow=1.20 L/min", "Flow=1.25 L/min"], {"flow": 1.25}, {"flow": "L/min"}),
        (["12.5,3.2,25.1"] * 2, {"value1": 12.5, "value2": 3.2, "value3": 25.1}, {}),
        (["12,5;3,2"] * 2, {"value1": 12.5, "value2": 3.2}, {}),
        (["12,5 V", "13,2 V"], {"volts": 13.2}, {"volts": "V"}),
        (["1.0e+00\t-2.5"] * 2, {"value1": 1.0, "value2": -2.5}, {}),
        (["CH1 12.3", "CH2 4.4"] * 2, {"ch1": 12.3, "ch2": 4.4}, {}),
        (["*** Maker meter v1.2 ready ***", *["U 12.3 I 4.5"] * 4], {"u": 12.3, "i": 4.5}, {}),
    ],
)
def test_a_meters_lines_are_made_out(
    lines: list[str], values: dict[str, float], units: dict[str, str]
) -> None:
    guess = guess_text(lines)
    assert guess is not None
    assert guess.values == pytest.approx(values)
    assert guess.units == units


@pytest.mark.parametrize("lines", [[], [""], ["hello world"] * 3, ["ready", "12.3", "go on", "no"]])
def test_where_there_is_no_order_nothing_is_guessed(lines: list[str]) -> None:
    assert guess_text(lines) is None


@settings(max_examples=40, deadline=None)
@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\r\n"), max_size=60), max_size=6))
@example(["\0" * 3, "1,\0,2"])
@example(["1_prefix 2", "seq 3 ms 4"])
@example(["a 1 a 2 a 3"])
def test_no_text_breaks_the_guessing(lines: list[str]) -> None:
    guess = guess_text(lines)
    assert guess is None or guess.matched > 0


@contextmanager
def saying(peer: PtyPeer, data: bytes, every_s: float = 0.05) -> Iterator[None]:
    """The device says `data` over and over."""
    done = threading.Event()

    def say() -> None:
        while not done.wait(every_s):
            peer.say(data)

    peer.plug()
    thread = threading.Thread(target=say)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()
        peer.close()


def test_garbage_is_no_device(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    with saying(peer, bytes(range(128, 256)) + b"\n"):
        found = hear(peer.url, 0.2, bauds=(9600, 115200))
        assert peer.heard() == b""
    assert found.kind == "unknown"
    assert "no text at 9600 baud" in found.about


def test_unchecked_lines_are_taken_as_such(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    with saying(peer, b"volts=12.3 amps=4.25\n"):
        found = hear(peer.url, 0.4)
    assert (found.kind, found.keys) == ("line", {"crc": "optional", "clock": "host"})
    assert found.decimals == {"volts": 1, "amps": 2}


def test_a_slow_meter_is_listened_to_for_longer(tmp_path: Path) -> None:
    peer = PtyPeer(tmp_path / "port")
    with saying(peer, b"23.4 C\n", every_s=0.45):
        found = hear(peer.url, 0.6)
    assert (found.kind, found.values) == ("text", {"temp": 23.4})


def test_whoever_answers_idn_with_no_name_is_asked_nothing_else(tmp_path: Path) -> None:
    device = ScpiInstrument(PtyPeer(tmp_path / "port"), identity="ERROR")
    device.plug()
    try:
        assert hear(device.peer.url, 0.1).kind == "silent"
        found = identify(device.peer.url, bauds=(9600,))
    finally:
        device.close()
    assert (found.kind, set(device.heard)) == ("unknown", {"*IDN?"})
    assert "'ERROR', which is no SCPI instrument's name" in found.about


def test_a_query_that_acts_is_never_sent(tmp_path: Path) -> None:
    device = ScpiInstrument(PtyPeer(tmp_path / "port"))
    device.plug()
    try:
        found = identify(device.peer.url, bauds=(9600,))
        assert found.keys == {"identity": "Maker,Model 1,0", "line_end": "\n"}
        for wrong in ("OUTP ON", "MEAS:VOLT?;OUTP ON", "*RST", "*TST?", "MEAS:VOLT?\nOUTP ON"):
            with pytest.raises(ValueError, match="is "):
                ask_scpi(found, wrong)
        assert ask_scpi(found, "MEAS:CURR?") == "8.0000E+00"
    finally:
        device.close()
    assert set(device.heard) == {"*IDN?", "MEAS:CURR?"}


@pytest.mark.parametrize("sends_back", [False, True])
def test_registers_are_read_and_never_written(tmp_path: Path, sends_back: bool) -> None:
    device = ModbusDevice(PtyPeer(tmp_path / "port"))
    device.sends_back = sends_back  # an adapter that hears itself: its own question is no answer
    device.hold(2, 0, *range(100, 110))
    device.dead = {1, 3}
    device.plug()
    try:
        found = find_units(device.peer.url, range(1, 4), bauds=(9600,))
        assert (found.kind, found.keys) == ("modbus", {"units": [2]})
        table = read_table(found, 2, last=15)
    finally:
        device.close()
    # The device holds ten registers, and lets them be read as holding and as input registers alike.
    assert table == {(f, a): 100 + a for f in ("holding", "input") for a in range(10)}
    assert {function for _, function in device.heard} == {3, 4}
