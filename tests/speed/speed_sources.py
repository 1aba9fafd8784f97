"""What reading a line costs against the plain way, in the same run, as processor time of this process.

The peer is what most scripts do: pyserial's `readline`, then `split`, with no checksum and no checks. The
lines come through a real pseudo-terminal, fed by a process of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from daq.sources import LineSource, LinkCounters, SerialPort, WireDecoder
from daq.sources.wire import decode_line, encode_frame
from tests.sources.peers import Listener
from tests.waiting import wait_until

LINES = 20_000
_FEEDER = """
import os, sys, time
fd, lines, rate = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
sys.path.insert(0, sys.argv[4])
from daq.sources.wire import encode_frame
sys.stdin.readline()
began = time.monotonic()
os.write(fd, b"\\n")
for n in range(lines):
    fields = {"volts": 12.345, "amps": 8.21, "watts": 101.4, "temp": 41.3 + n % 90 / 100, "flow": 1.324}
    data = encode_frame(n, 100 * n, {**fields, "relay": 1, "trip": 0})
    if rate:
        time.sleep(max(0.0, began + n / rate - time.monotonic()))
    while data:
        data = data[os.write(fd, data):]
sys.stdin.readline()
"""


@contextmanager
def device(lines: int, rate: float = 0.0) -> Iterator[tuple[str, Callable[[], None]]]:
    """A pseudo-terminal's path and what starts its device: so many lines, `rate` a second or all at once."""
    master, slave = os.openpty()
    tty.setraw(slave)
    path = os.ttyname(slave)
    os.close(slave)
    root = str(Path(__file__).parents[2])
    feeder = subprocess.Popen(
        [sys.executable, "-c", _FEEDER, str(master), str(lines), str(rate), root],
        stdin=subprocess.PIPE,
        pass_fds=[master],
        text=True,
    )
    stdin = feeder.stdin
    assert stdin is not None

    def go() -> None:
        stdin.write("go\n")
        stdin.flush()

    try:
        yield path, go
    finally:
        stdin.close()
        if feeder.poll() is None:
            feeder.terminate()
        feeder.wait(20)
        os.close(master)


def plain_way() -> float:
    """CPU seconds a line of `readline` and `split`."""
    with device(LINES) as (path, go):
        port = serial.Serial(path, 115200, timeout=5)
        go()
        port.readline()
        began = time.process_time()
        for n in range(LINES):
            words = port.readline().decode().split()
            fields = {name: float(value) for name, value in (word.split("=") for word in words[:-1])}
            assert fields["seq"] == n
        used = time.process_time() - began
        port.close()
    return used / LINES


def our_way() -> float:
    """CPU seconds a line of chunks, splitter, checksum and every check."""
    with device(LINES) as (path, go):
        port, decoder = SerialPort(path, 115200), WireDecoder(LinkCounters())
        go()
        heard = 0
        began = time.process_time()
        while heard < LINES:
            heard += len(decoder.feed(port.read()))
        used = time.process_time() - began
        port.close()
    return used / LINES


def test_reading_and_decoding_a_line() -> None:
    plain, ours = plain_way(), our_way()
    print(f"\nreadline + split {plain * 1e6:.1f} us a line; ours {ours * 1e6:.1f}, 1/{plain / ours:.1f}")
    assert plain / ours > 3


def test_decoding_alone_costs_little_more_than_splitting() -> None:
    line = encode_frame(
        1234,
        56789,
        {"volts": 12.345, "amps": 8.21, "watts": 101.4, "temp": 41.3, "flow": 1.324, "relay": 1, "trip": 0},
    )

    def cost(decode: Callable[[bytes], object]) -> float:
        best = float("inf")
        for _ in range(7):
            began = time.process_time()
            for _ in range(5000):
                decode(line)
            best = min(best, time.process_time() - began)
        return best / 5000

    def split(data: bytes) -> object:
        words = data.decode().split()
        return {name: float(value) for name, value in (word.split("=") for word in words[:-1])}

    plain, ours = cost(split), cost(decode_line)
    print(f"\nsplit {plain * 1e6:.2f} us, strictly {ours * 1e6:.2f}, {ours / plain:.2f} times")
    assert ours / plain < 5


@pytest.mark.slow
def test_two_ports_at_10_hz() -> None:
    seconds = 30
    with device(10 * seconds, 10.0) as (one, go_one), device(10 * seconds, 10.0) as (two, go_two):
        listener = Listener()
        sources = [LineSource("one", one), LineSource("two", two)]
        for source in sources:
            source.start(listener)
        listener.await_event("opened", 2)
        go_one()
        go_two()
        cpu, wall = time.process_time(), time.monotonic()
        wait_until(
            lambda: len(listener.frames) >= 20 * seconds, "all frames", timeout_s=seconds + 30, poll_s=1.0
        )
        share = (time.process_time() - cpu) / (time.monotonic() - wall)
        for source in sources:
            source.stop()
            assert source.counters.gaps == 0
    print(f"\ntwo sources at 10 Hz: {share * 100:.2f} % of a core")
    assert share < 0.05
