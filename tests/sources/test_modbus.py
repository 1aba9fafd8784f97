"""Meters on a Modbus line and over TCP: against pymodbus's own servers, and against units that misbehave."""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import random
import select
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from daq.bench import ModbusRegister, ModbusSpec
from daq.errors import FrameError, PortError
from daq.sources import Command, make_source
from daq.sources.modbus import ModbusSource
from daq.sources.modbus_format import Answer, RtuLine, TcpStream, write
from daq.sources.modbus_map import read_blocks
from tests.sources.asked_peer import Mishap, ModbusDevice
from tests.sources.peers import Listener, PtyPeer, TcpPeer
from tests.waiting import wait_until


def register(field: str, address: int, **keys: Any) -> ModbusRegister:
    return ModbusRegister.model_validate({"field": field, "address": address, **keys})


def spec(port: str, *registers: ModbusRegister, **keys: Any) -> ModbusSpec:
    defaults: dict[str, Any] = {"framing": "8N1", "period_s": 0.02, "timeout_s": 5.0}
    return ModbusSpec(port=port, registers=registers, **(defaults | keys))


@contextmanager
def running(description: ModbusSpec) -> Iterator[tuple[ModbusSource, Listener]]:
    source, listener = make_source("panel", description), Listener()
    assert isinstance(source, ModbusSource)
    source.start(listener)
    yield source, listener
    assert source.stop()
    assert source.failure is None


@pytest.fixture
def device(tmp_path: Path) -> Iterator[ModbusDevice]:
    """Units on a pseudo-terminal, plugged in."""
    units = ModbusDevice(PtyPeer(tmp_path / "port"))
    units.plug()
    yield units
    units.close()


def seen(listener: Listener, name: str) -> list[float]:
    return [f.fields[name] for f in listener.frames if name in f.fields]


MAP = (
    register("volts", 0, type="f32"),
    register("amps", 2, type="i16", scale=0.01),
    register("total", 3, type="u32", word_order="low_first"),
    register("flow", 0, unit=2, function="input", scale=0.001),
    register("door", 7, unit=2, function="coil", type="bit"),
    register("hot", 20, unit=2, type="bit", bit=3),
)
HELD = {"volts": 25.5, "amps": -1.0, "total": 65536.0, "flow": 1.5, "door": 1.0, "hot": 1.0}


@contextmanager
def pymodbus_server(make: Callable[[list[SimDevice]], Any]) -> Iterator[None]:
    """An independent implementation of the protocol, in a thread of its own."""
    words = SimData(0, values=[0x41CC, 0x0000, 0xFF9C, 0x0000, 0x0001], datatype=DataType.REGISTERS)
    none = SimData(0, values=[False], datatype=DataType.BITS)
    zero = SimData(0, values=[0], datatype=DataType.REGISTERS)
    one = SimDevice(1, simdata=([none], [none], [words], [zero]))
    coils = SimData(0, values=[False] * 7 + [True] + [False] * 8, datatype=DataType.BITS)
    holding = SimData(20, values=[0b1000], datatype=DataType.REGISTERS)
    flow = SimData(0, values=[1500], datatype=DataType.REGISTERS)
    two = SimDevice(2, simdata=([coils], [none], [holding], [flow]))
    ready = threading.Event()
    loop = asyncio.new_event_loop()
    ending = asyncio.Event()

    async def serve() -> None:
        server = make([one, two])
        await server.serve_forever(background=True)
        ready.set()
        await ending.wait()
        await server.shutdown()

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()), daemon=True)
    thread.start()
    assert ready.wait(20)
    yield
    loop.call_soon_threadsafe(ending.set)
    thread.join(20)
    loop.close()
    assert not thread.is_alive()


def gathered(listener: Listener) -> dict[str, float]:
    """The latest of each field."""
    latest: dict[str, float] = {}
    for frame in list(listener.frames):
        latest |= frame.fields
    return latest


def test_against_pymodbus_over_tcp(free_port: int) -> None:
    with (
        pymodbus_server(lambda units: ModbusTcpServer(units, address=("127.0.0.1", free_port))),
        running(spec(f"tcp://127.0.0.1:{free_port}", *MAP)) as (source, listener),
    ):
        wait_until(lambda: len(gathered(listener)) == len(HELD), "every field")
        assert gathered(listener) == pytest.approx(HELD)
        assert (source.counters.malformed, source.counters.device_errors) == (0, 0)


@contextmanager
def joined() -> Iterator[tuple[str, str]]:
    """Two serial ports joined by a cable."""
    ends = [os.openpty(), os.openpty()]
    for _, slave in ends:
        tty.setraw(slave)
    masters, done = [master for master, _ in ends], threading.Event()

    def carry() -> None:
        while not done.is_set():
            for ready in select.select(masters, [], [], 0.02)[0]:
                os.write(masters[1 - masters.index(ready)], os.read(ready, 4096))

    thread = threading.Thread(target=carry, daemon=True)
    thread.start()
    yield os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    done.set()
    thread.join(20)
    for master, slave in ends:
        os.close(slave)
        os.close(master)


def test_against_pymodbus_on_a_line() -> None:
    with (
        joined() as (ours, theirs),
        pymodbus_server(lambda units: ModbusSerialServer(units, port=theirs, baudrate=9600)),
        running(spec(ours, *MAP)) as (source, listener),
    ):
        wait_until(lambda: len(gathered(listener)) == len(HELD), "every field")
        assert gathered(listener) == pytest.approx(HELD)
        assert all(frame.checked for frame in listener.frames)
        assert (source.counters.bad_crc, source.counters.unchecked) == (0, 0)


def test_neighbours_are_read_together_and_no_value_is_torn(device: ModbusDevice) -> None:
    # Only registers that are described are read: reading beyond may be an exception, or reset a counter.
    blocks = read_blocks(MAP, 1.0)
    assert [(b.unit, b.function, b.address, b.count) for b in blocks] == [
        (1, 3, 0, 5), (2, 4, 0, 1), (2, 1, 7, 1), (2, 3, 20, 1),
    ]  # fmt: skip
    long = [register(f"v{n}", 4 * n, type="f64") for n in range(40)]
    assert [(b.address, b.count) for b in read_blocks(long, 1.0)] == [(0, 124), (124, 36)]
    own = read_blocks([register("a", 0), register("b", 1, period_s=60.0)], 1.0)
    assert [(b.address, b.period_s) for b in own] == [(0, 1.0), (1, 60.0)]
    shared = read_blocks([register("low", 5, type="bit", bit=0), register("high", 5, type="bit", bit=1)], 1.0)
    assert [(b.address, b.count) for b in shared] == [(5, 1)]


def test_several_units_on_one_line_and_one_of_them_dead(device: ModbusDevice) -> None:
    device.hold(1, 0, 1234)
    device.hold(2, 0, 77)
    device.dead = {2}
    described = spec(device.peer.url, register("a", 0), register("b", 0, unit=2), timeout_s=0.3)
    with running(described) as (source, listener):
        wait_until(lambda: len(seen(listener, "a")) > 20 and source.counters.timeouts >= 2, "the living one")
        assert seen(listener, "b") == []
        device.dead = set()
        wait_until(lambda: seen(listener, "b"), "the one that came back")
    assert set(seen(listener, "a")) == {1234.0}
    assert set(seen(listener, "b")) == {77.0}
    # The dead one is asked more and more rarely.
    assert [unit for unit, _ in device.heard].count(1) > 3 * [unit for unit, _ in device.heard].count(2)


def test_an_exception_is_counted_said_and_a_bad_value(device: ModbusDevice) -> None:
    device.hold(1, 0, 1234)
    with running(spec(device.peer.url, register("a", 0), register("b", 50))) as (source, listener):
        wait_until(lambda: len(seen(listener, "a")) > 5 and len(seen(listener, "b")) > 5, "both")
        assert source.counters.device_errors >= 5
    assert all(math.isnan(value) for value in seen(listener, "b"))
    notices = [e.text for e in listener.events if e.kind == "notice"]
    assert notices == ["unit 1 holding 50: exception 2 (illegal data address)"]


def test_values_that_mean_none(device: ModbusDevice) -> None:
    device.hold(1, 0, 0x7FFF, 0x7FC0, 0x0000, 5)
    described = spec(
        device.peer.url,
        register("probe", 0, type="i16", scale=0.1, no_value=(32767,)),
        register("none", 1, type="f32"),
        register("good", 3, no_value=(65535,)),
    )
    with running(described) as (source, listener):
        listener.await_frames(2)
        assert source.counters.overrange >= 4
    fields = listener.frames[0].fields
    assert math.isnan(fields["probe"])
    assert math.isnan(fields["none"])
    assert fields["good"] == 5.0


def test_wrong_checksums_are_counted_and_never_values(device: ModbusDevice) -> None:
    device.hold(1, 0, 555)
    for _ in range(3):
        device.mishaps.append(Mishap("garbled", data=bytes.fromhex("01 03 02 02 2B F8 00")))
    with running(spec(device.peer.url, register("a", 0), timeout_s=0.3)) as (source, listener):
        wait_until(lambda: source.counters.bad_crc == 3, "three wrong checksums")
        listener.await_frames(3)
        assert "checksum" in " ".join(h.problem for h in source.transcript.all())
    assert set(seen(listener, "a")) == {555.0}


@pytest.mark.parametrize("echo", ["known", "unknown", "mute"])
def test_a_late_answer_never_lands_in_the_next_question(device: ModbusDevice, echo: str) -> None:
    # Same unit, same function, same size: nothing in the frames themselves tells these answers apart.
    device.hold(1, 0, 100)
    device.hold(1, 10, 200)
    device.knows_echo, device.mute_echo = echo == "known", echo == "mute"
    dice = random.Random(3)
    # A unit that does not send words back is given a second of silence after each.
    for _ in range(6 if echo == "mute" else 12):
        device.mishaps.append(Mishap(dice.choice(["late", "late", "mute"]), 0.25))
    described = spec(device.peer.url, register("a", 0), register("b", 10), timeout_s=0.15)
    with running(described) as (source, listener):
        wait_until(lambda: not device.mishaps, "all mishaps", timeout_s=90)
        for name in ("a", "b"):
            before = len(seen(listener, name))
            wait_until(lambda n=name, c=before: len(seen(listener, n)) > c + 3, f"{name} again")  # type: ignore[misc]
        assert source.counters.timeouts >= 3
        assert source.counters.late >= 1
    assert set(seen(listener, "a")) == {100.0}
    assert set(seen(listener, "b")) == {200.0}


def test_an_adapter_that_hears_itself(device: ModbusDevice) -> None:
    device.sends_back = True
    device.hold(1, 0, 100)
    device.hold(1, 10, 200)
    for _ in range(4):
        device.mishaps.append(Mishap("late", 0.4))
    described = spec(device.peer.url, register("a", 0), register("b", 10), timeout_s=0.25)
    with running(described) as (_, listener):
        wait_until(lambda: not device.mishaps, "all mishaps", timeout_s=60)
        for name in ("a", "b"):
            before = len(seen(listener, name))
            wait_until(lambda n=name, c=before: len(seen(listener, n)) > c + 3, f"{name} again")  # type: ignore[misc]
    assert set(seen(listener, "a")) == {100.0}
    assert set(seen(listener, "b")) == {200.0}


def test_what_is_not_modbus_tcp_is_said_and_the_connection_opened_anew(free_ports: Callable[[], int]) -> None:
    peer = TcpPeer(free_ports())
    peer.plug()
    url = peer.url.replace("socket://", "tcp://")
    with running(spec(url, register("a", 0), timeout_s=0.2)) as (_, listener):
        listener.await_event("opened")
        peer.say(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        assert "is not Modbus/TCP" in listener.await_event("lost").text
        listener.await_event("reopened")
    peer.close()


def test_it_only_reads(device: ModbusDevice) -> None:
    device.hold(1, 0, 1)
    with running(spec(device.peer.url, register("a", 0))) as (source, listener):
        listener.await_frames(5)
        with pytest.raises(PortError, match="only reads"):
            source._say(Command("trip", 1))
    assert {function for _, function in device.heard} <= {3, 8}


def test_a_silent_line_says_what_to_look_at(device: ModbusDevice) -> None:
    device.dead = {1}
    with running(spec(device.peer.url, register("a", 0), timeout_s=0.05, silent_after_s=0.3)) as (
        _,
        listener,
    ):
        assert "parity" in listener.await_event("silent").text


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"function": "coil"}, "is one bit"),
        ({"type": "bit"}, "needs its number"),
        ({"bit": 3}, "needs its number|only for"),
        ({"address": 65535, "type": "u32"}, "ends beyond"),
        ({"scale": 0.0}, "scale of 0"),
        ({"function": "write"}, "coil"),
    ],
)
def test_registers_that_can_not_be(keys: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        ModbusRegister.model_validate({"field": "a", "address": 0} | keys)


def test_maps_that_can_not_be() -> None:
    with pytest.raises(ValidationError, match="read twice"):
        spec("/dev/x", register("a", 0), register("a", 1))
    with pytest.raises(ValidationError, match="1 to 247"):
        spec("/dev/x", register("a", 0, unit=250))
    assert spec("tcp://x:502", register("a", 0, unit=255)).tcp


@given(st.binary(max_size=300), st.integers(0, 300))
def test_no_bytes_raise_on_a_line(data: bytes, cut: int) -> None:
    line = RtuLine({1, 3, 17})
    for chunk in (data[:cut], data[cut:]):
        for answer in line.feed(chunk):
            assert isinstance(answer, Answer)
    assert line.pending <= 256


@given(st.binary(max_size=300))
def test_no_bytes_raise_but_ours_over_tcp(data: bytes) -> None:
    stream = TcpStream()
    with contextlib.suppress(FrameError):
        stream.feed(b"\0\1\0\0" + data)
    assert stream.pending <= 4 + len(data)


# -- the cut ------------------------------------------------------------------------------------------------

SUPPLY = {"write": "coil", "address": 9, "current": "amps"}


def feeds(device: ModbusDevice, *, obeys: bool = True) -> None:
    """Unit 1 is a supply at 8 A; its coil 9 or its register 40 switches the output."""
    device.hold(1, 2, 800)

    def write(unit: int, function: int, address: int, value: int) -> None:
        if obeys and (unit, address, value) in ((1, 9, 0), (1, 40, 3)):
            device.hold(1, 2, 0)

    device.obeys = write


@pytest.mark.parametrize(
    ("supply", "sent"),
    [
        (SUPPLY, (1, 5, 9, 0)),
        ({"write": "holding", "address": 40, "off": 3, "current": "amps"}, (1, 6, 40, 3)),
    ],
)
def test_a_supply_is_cut_by_one_number_and_that_is_verified_by_what_flows(
    device: ModbusDevice, supply: dict[str, Any], sent: tuple[int, int, int, int]
) -> None:
    feeds(device)
    amps = register("amps", 2, type="i16", scale=0.01)
    with running(spec(device.peer.url, amps, supply=supply, timeout_s=0.5)) as (source, listener):
        wait_until(lambda: seen(listener, "amps")[-1:] == [8.0], "the current")
        assert device.written == []
        number = source.send(Command("trip"))
        reply = listener.await_event("reply").reply
        assert reply is not None
        assert (reply.number, reply.ok) == (number, True)
        assert set(device.written) == {sent}
        assert any("the output is cut: 0 A" in e.text for e in listener.events if e.kind == "notice")
        before = len(device.written)
        count = len(listener.frames) + 10
        wait_until(lambda: len(listener.frames) > count, "more readings")
        assert len(device.written) == before, "verified once, it is left alone"


def test_a_supply_that_does_not_obey_is_told_again_and_never_said_to_be_cut(device: ModbusDevice) -> None:
    feeds(device, obeys=False)
    amps = register("amps", 2, type="i16", scale=0.01)
    with running(spec(device.peer.url, amps, supply=SUPPLY, timeout_s=0.5)) as (source, listener):
        wait_until(lambda: seen(listener, "amps"), "the current")
        source.send(Command("trip"))
        wait_until(lambda: len(device.written) >= 3, "told again")
        assert "reply" not in listener.kinds()


def test_a_supply_that_refuses_the_write_says_why(device: ModbusDevice) -> None:
    device.hold(1, 2, 800)
    amps = register("amps", 2, type="i16", scale=0.01)
    with running(spec(device.peer.url, amps, supply=SUPPLY, timeout_s=0.5)) as (source, listener):
        wait_until(lambda: seen(listener, "amps"), "the current")
        source.send(Command("trip"))
        notice = listener.await_event("notice").text
        assert "unit 1 write coil 9 = 0: exception 1 (illegal function)" in notice


def test_a_cut_waits_for_the_port_and_for_a_unit_that_is_silent_meanwhile(device: ModbusDevice) -> None:
    feeds(device)
    device.dead = {1}
    amps = register("amps", 2, type="i16", scale=0.01)
    with running(spec(device.peer.url, amps, supply=SUPPLY, timeout_s=0.1)) as (source, listener):
        source.send(Command("trip"))
        wait_until(lambda: source.counters.timeouts > 2, "silence")
        assert device.written == []
        device.dead = set()
        source.send(Command("trip"))
        listener.await_event("reply")
        assert device.written[0] == (1, 5, 9, 0)


def test_against_pymodbus_a_register_is_written_and_read_back(free_port: int) -> None:
    """The written register is itself what is read as the current, in an independent server."""
    supply = {"write": "holding", "address": 2, "off": 0, "current": "amps"}
    amps = register("amps", 2, type="u16", scale=0.01)
    with (
        pymodbus_server(lambda units: ModbusTcpServer(units, address=("127.0.0.1", free_port))),
        running(spec(f"tcp://127.0.0.1:{free_port}", amps, supply=supply)) as (source, listener),
    ):
        wait_until(lambda: seen(listener, "amps")[-1:] == [pytest.approx(654.36)], "the current")
        source.send(Command("trip"))
        reply = listener.await_event("reply").reply
        assert reply is not None
        assert reply.ok
        assert seen(listener, "amps")[-1] == 0.0


def test_write_frames_are_those_of_the_standards_examples() -> None:
    """Modbus Application Protocol V1.1b3, sections 6.5 and 6.6: coil 173 on, register 2 to 3."""
    on = RtuLine({17}).encode(write(17, 5, 0x00AC, 1))
    assert on[1:-2] == bytes.fromhex("05 00AC FF00")
    assert RtuLine({17}).encode(write(17, 5, 0x00AC, 0))[1:-2] == bytes.fromhex("05 00AC 0000")
    assert RtuLine({17}).encode(write(17, 6, 1, 3))[1:-2] == bytes.fromhex("06 0001 0003")
    assert RtuLine({17}).feed(on) == [Answer(17, 5)]


def test_a_source_without_a_supply_writes_nothing(device: ModbusDevice) -> None:
    feeds(device)
    amps = register("amps", 2, type="i16", scale=0.01)
    with running(spec(device.peer.url, amps, timeout_s=0.5)) as (source, listener):
        wait_until(lambda: seen(listener, "amps"), "the current")
        source.send(Command("trip"))
        wait_until(lambda: "only reads" in (source.counters.last_error or ""), "it says so")
        assert device.written == []


@pytest.mark.parametrize(
    ("supply", "says"),
    [
        ({**SUPPLY, "off": 2}, "a coil holds 0 or 1"),
        ({**SUPPLY, "current": "flow"}, "nothing would verify"),
        ({**SUPPLY, "unit": 0}, "no address of a device on a line"),
        ({**SUPPLY, "write": "input"}, "write"),
    ],
)
def test_what_a_supply_may_not_say(supply: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        spec("/dev/ttyUSB0", register("amps", 2), supply=supply)
