"""When the reader dies and an instrument alone can cut the supply, `lyewatch up` cuts it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pytest

from daq.bench import Bench, parse_bench
from daq.examples import example_text
from daq.sources.software_net import SoftwareNet, net_cutters
from daq.store import Store
from tests.sources.asked_peer import ModbusDevice, ScpiInstrument
from tests.sources.peers import PtyPeer, TcpPeer
from tests.waiting import wait_until

SCPI = """
[sources.psu]
kind = "scpi"
port = "{port}"
period_s = 0.1
timeout_s = 0.5

[[sources.psu.queries]]
ask = "MEAS:CURR?"
field = "amps"

[sources.psu.supply]
off = "OUTP OFF"
"""
MODBUS = """
[sources.psu]
kind = "modbus"
port = "{port}"
framing = "8N1"
period_s = 0.1
timeout_s = 0.2

[[sources.psu.registers]]
field = "amps"
address = 2
scale = 0.01

[sources.psu.supply]
write = "coil"
address = 9
current = "amps"
"""
METER = """
[sources.meter]
kind = "text"
port = "{port}"
pattern = "T (?P<temp>[0-9.]+)"

"""


def bench_text(psu: str, meter: str = "/dev/ttyUSB9") -> str:
    """The worked example with its lye's temperature from a text meter, and its current from the supply."""
    text = example_text("water_torch")
    sources = psu + METER.format(port=meter)
    head, _, tail = text.partition("[sources.head]")
    kept = "[limits.lye_temp]" + tail.partition("[limits.lye_temp]")[2]
    channels = """
[channels.amps]
source = "psu"
field = "amps"
unit = "A"

[channels.lye_temp]
source = "meter"
field = "temp"
unit = "degC"
valid = [-10.0, 120.0]

"""
    return head.replace('trip_source = "head"', 'trip_source = "psu"') + sources + channels + kept


@pytest.fixture(params=["scpi on a port", "scpi over tcp", "modbus"])
def supply(request: pytest.FixtureRequest, tmp_path: Path, free_port: int) -> Iterator[Any]:
    if request.param == "modbus":
        units = ModbusDevice(PtyPeer(tmp_path / "psu"))
        units.hold(1, 2, 800)
        units.obeys = lambda unit, function, address, value: units.hold(1, 2, 0) if address == 9 else None
        device: Any = units
        text = MODBUS.format(port=tmp_path / "psu")
    else:
        peer = TcpPeer(free_port) if "tcp" in request.param else PtyPeer(tmp_path / "psu")
        device = ScpiInstrument(peer)
        text = SCPI.format(port=peer.url)
    device.plug()
    yield device, text
    device.close()


def is_off(device: Any) -> bool:
    if isinstance(device, ScpiInstrument):
        return not device.output
    assert isinstance(device, ModbusDevice)
    return device.registers[(1, 2)] == 0


def bench_of(psu: str, path: Path) -> Bench:
    return parse_bench(bench_text(psu), path)


def test_the_net_cuts_and_says_that_nothing_flows(supply: Any, tmp_path: Path) -> None:
    device, text = supply
    net = SoftwareNet(bench_of(text, tmp_path / "bench.toml"), within_s=20.0)
    assert net.names == ["psu"]
    began = time.monotonic()
    words = net.cut_words()
    assert is_off(device)
    assert words == "the output of psu was switched off and no current flows"
    assert time.monotonic() - began < 19.0, "it does not wait longer than it must"


def test_what_is_not_verified_is_said_to_be_not(tmp_path: Path) -> None:
    device = ScpiInstrument(PtyPeer(tmp_path / "psu"))
    device.dead_output = True
    device.plug()
    net = SoftwareNet(bench_of(SCPI.format(port=tmp_path / "psu"), tmp_path / "b.toml"), within_s=1.5)
    assert "has not answered that no current flows" in net.cut_words()
    assert "OUTP OFF" in device.heard
    device.close()


def test_a_supply_that_is_not_there_holds_nobody_up(tmp_path: Path) -> None:
    net = SoftwareNet(bench_of(SCPI.format(port=tmp_path / "none"), tmp_path / "b.toml"), within_s=0.3)
    began = time.monotonic()
    assert net.cut() == {"psu": False}
    assert time.monotonic() - began < 10.0


def test_a_head_with_a_heartbeat_needs_no_net() -> None:
    for name in ("water_torch", "instruments", "chopped_supply"):
        assert net_cutters(parse_bench(example_text(name), Path("b.toml"))) == []
    deaf = example_text("instruments").replace("delay_ms = 70.0 ", "heartbeat = false\ndelay_ms = 70.0 ", 1)
    assert net_cutters(parse_bench(deaf, Path("b.toml"))) == ["psu"]


@contextmanager
def warm(peer: PtyPeer) -> Iterator[None]:
    """The text meter says 40 to 41 degrees, ten times a second."""
    done = threading.Event()
    peer.plug()

    def say() -> None:
        count = 0
        while not done.wait(0.1):
            count += 1
            peer.say(f"T 40.{count % 10}\n".encode())

    thread = threading.Thread(target=say)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()
        peer.close()


def reader_of(up: subprocess.Popen[bytes]) -> int | None:
    for child in psutil.Process(up.pid).children():
        try:
            if "read" in child.cmdline():
                return child.pid
        except psutil.Error:
            continue
    return None


def test_a_killed_reader_costs_the_supply_and_a_trip_stands(
    supply: Any, tmp_path: Path, free_ports: Callable[[], int]
) -> None:
    device, text = supply
    bench_file = tmp_path / "bench.toml"
    bench_file.write_text(bench_text(text, str(tmp_path / "meter")), encoding="utf-8")
    folder = tmp_path / "lyewatch-data"
    with warm(PtyPeer(tmp_path / "meter")):
        up = subprocess.Popen(
            [sys.executable, "-m", "daq", "up", str(bench_file), "--port", str(free_ports())],
            stderr=subprocess.PIPE,
        )
        try:
            wait_until(lambda: _samples(folder) > 20, "samples", timeout_s=60.0)
            assert not is_off(device)
            first = reader_of(up)
            assert first is not None
            os.kill(first, signal.SIGKILL)
            wait_until(lambda: is_off(device), "the output to be switched off")
            wait_until(lambda: reader_of(up) not in (None, first), "another reader", timeout_s=60.0)

            def standing() -> Any:
                with Store(folder) as store:
                    return store.logbook.trips.current()

            trip = wait_until(standing, "a trip in the logbook", timeout_s=60.0)
            assert trip.cause == "reader.died"
            assert "the output of psu was switched off" in trip.detail
        finally:
            up.send_signal(signal.SIGINT)
            _, output = up.communicate(timeout=60)
    assert b"the reader is dead: the output of psu was switched off" in output
    assert is_off(device)


def test_a_reader_that_is_stopped_leaves_the_supply_as_it_is(
    tmp_path: Path, free_ports: Callable[[], int]
) -> None:
    device = ScpiInstrument(PtyPeer(tmp_path / "psu"))
    device.plug()
    bench_file = tmp_path / "bench.toml"
    text = bench_text(SCPI.format(port=tmp_path / "psu"), str(tmp_path / "meter"))
    bench_file.write_text(text, encoding="utf-8")
    with warm(PtyPeer(tmp_path / "meter")):
        up = subprocess.Popen(
            [sys.executable, "-m", "daq", "up", str(bench_file), "--port", str(free_ports())]
        )
        wait_until(lambda: _samples(tmp_path / "lyewatch-data") > 20, "samples", timeout_s=60.0)
        up.send_signal(signal.SIGINT)
        assert up.wait(60) == 0
    assert device.output
    device.close()


def _samples(folder: Path) -> int:
    if not (folder / "journal.db").exists():
        return 0
    with Store(folder) as store:
        return store.last_id()
