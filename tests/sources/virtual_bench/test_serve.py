"""A served bench with pyserial as its peer, over a pseudo-terminal and over TCP."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial

from daq.errors import LyewatchError, PortError
from daq.sources.reading import Reading, Reply
from daq.sources.virtual_bench import SCENARIOS, BenchServer, Event, VirtualBench, has_pty, serve
from daq.sources.virtual_bench import serve as serve_package
from daq.sources.wire import TripCause, decode_line, encode_command
from tests.sources.virtual_bench.helpers import DEADLINE_S, frames, replies, wait_for

WAYS = ["pty", "tcp"] if has_pty() else ["tcp"]


def served(way: str, tmp_path: Path, **more: Any) -> BenchServer:
    bench = VirtualBench(SCENARIOS["settles"], meter=True)
    if way == "tcp":
        return serve(bench, tcp=0, **more)
    return serve(bench, tmp_path / "head", **more)


@contextmanager
def opened(port: str) -> Iterator[Any]:
    line = serial.serial_for_url(port, baudrate=115200, timeout=0.2, do_not_open=True)
    if not port.startswith("socket://"):
        line.exclusive = True
    line.open()
    try:
        yield line
    finally:
        line.close()


class Reader:
    """Whole lines from a pyserial port; the first may be half a line."""

    def __init__(self, line: Any) -> None:
        self._line = line
        self._rest = b""
        self.lines: list[bytes] = []

    def read(self) -> None:
        self._rest += self._line.read(max(1, getattr(self._line, "in_waiting", 1)))
        *whole, self._rest = self._rest.split(b"\n")
        self.lines += whole

    def until(self, count: int) -> list[bytes]:
        end = time.monotonic() + DEADLINE_S
        while len(self.lines) < count:
            assert time.monotonic() < end, f"{len(self.lines)} of {count} lines in {DEADLINE_S} s"
            self.read()
        return self.lines

    def reply(self, n: int) -> Reply:
        end = time.monotonic() + DEADLINE_S
        while True:
            for line in self.lines[1:]:
                message = decode_line(line)
                if isinstance(message, Reply) and message.number == n:
                    return message
            assert time.monotonic() < end, f"no reply to {n} in {DEADLINE_S} s"
            self.read()


@pytest.mark.parametrize("way", WAYS)
def test_pyserial_reads_every_frame(way: str, tmp_path: Path) -> None:
    with served(way, tmp_path, speed=20.0) as server, opened(server.port) as line:
        readings = frames(Reader(line).until(200)[1:])
    seqs = [f.seq for f in readings]
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
    assert {f.ms - 100 * f.seq for f in readings if f.ms is not None} == {100}


@pytest.mark.parametrize("way", WAYS)
def test_two_ports_of_one_bench(way: str, tmp_path: Path) -> None:
    with (
        served(way, tmp_path, speed=20.0) as server,
        opened(server.addresses["head"]) as head,
        opened(server.addresses["meter"]) as meter,
    ):
        theirs = frames(Reader(meter).until(50)[1:])
        ours = frames(Reader(head).until(50)[1:])
    assert "pressure" in theirs[0].fields
    assert "relay" in ours[0].fields


@pytest.mark.parametrize("way", WAYS)
def test_commands_over_the_port(way: str, tmp_path: Path) -> None:
    with served(way, tmp_path, speed=5.0) as server, opened(server.port) as line:
        reader = Reader(line)
        reader.until(3)
        line.write(encode_command("trip", 17))
        assert reader.reply(17).ok
        head = server.bench.head
        assert head.trip is TripCause.HOST_COMMAND
        wait_for(lambda: not server.bench.stack.relay_closed, "the relay to open")
        line.write(encode_command("reset", 18))
        assert reader.reply(18).ok
        wait_for(lambda: server.bench.stack.relay_closed, "the relay to close")


@pytest.mark.parametrize("way", WAYS)
def test_pulled_and_put_back(way: str, tmp_path: Path) -> None:
    with served(way, tmp_path, speed=10.0) as server:
        with opened(server.port) as line:
            Reader(line).until(5)
            server.happen("unplug")
            with pytest.raises((serial.SerialException, OSError)):
                Reader(line).until(10**9)
        gone = server.bench.head.seq
        with pytest.raises(serial.SerialException):
            opened(server.port).__enter__()
        server.happen("plug")
        wait_for(lambda: server.bench.plugged["head"], "the plug")
        wait_for(lambda: can_open(server.port), "the port to open again")
        with opened(server.port) as line:
            readings = frames(Reader(line).until(5)[1:])
    assert readings[0].seq >= gone  # the head went on, and what it said meanwhile is lost
    assert readings[0].fields["trip"] == 0.0


@pytest.mark.parametrize("way", WAYS)
def test_one_reader_after_another(way: str, tmp_path: Path) -> None:
    with served(way, tmp_path, speed=20.0) as server:
        for _ in range(3):
            with opened(server.port) as line:
                assert len(frames(Reader(line).until(6)[1:])) >= 5
            wait_for(lambda: can_open(server.port), "the port to be free")
        # Nothing of what it said came back to it, as from a terminal that echoes.
        assert server.bench.head.bad_lines == 0


def can_open(port: str) -> bool:
    try:
        with opened(port):
            return True
    except (serial.SerialException, OSError):
        return False


@pytest.mark.parametrize("way", [way for way in WAYS if way == "pty"])  # over TCP: see test_ports
def test_a_reader_that_does_not_read_holds_nothing_up(way: str, tmp_path: Path) -> None:
    with served(way, tmp_path, speed=200.0) as server, opened(server.port) as line:
        wait_for(lambda: server.dropped["head"] > 300, "lines to be dropped")
        before = server.bench.elapsed_s
        wait_for(lambda: server.bench.elapsed_s > before + 50.0, "the bench to go on")
        lines = Reader(line).until(250)[1:]
        messages = [decode_line(text) for text in lines]  # every line is whole
    seqs = [f.seq for f in messages if isinstance(f, Reading)]
    assert seqs == sorted(seqs)
    assert seqs[-1] - seqs[0] >= len(seqs)


@pytest.mark.parametrize("way", WAYS)
def test_a_new_reader_hears_what_is_new(way: str, tmp_path: Path) -> None:
    with served(way, tmp_path, speed=10.0) as server:
        wait_for(lambda: server.bench.elapsed_s > 15.0, "150 frames that nobody reads")
        with opened(server.port) as line:
            first = frames(Reader(line).until(3)[1:])[0]
    # What was not carried yet is new: at most half a second on the clock, 50 frames at this speed.
    assert first.seq >= 100


def test_speed_is_kept(tmp_path: Path) -> None:
    with served("tcp", tmp_path, speed=50.0) as server:
        started = time.monotonic()
        wait_for(lambda: server.bench.elapsed_s >= 50.0, "50 s of the bench's time")
        took = time.monotonic() - started
    # Never faster; slower only by what a stalled machine made it give up.
    assert took >= 0.95
    assert server.late_s < took


def test_it_ends_by_itself_at_the_end_of_the_duration(tmp_path: Path) -> None:
    server = BenchServer(VirtualBench(), tcp={"head": 0}, speed=100.0, duration_s=12.34)
    server.run()
    assert server.bench.elapsed_s == pytest.approx(12.3, abs=0.1)
    assert not can_open(server.port)


def test_replies_do_not_wait_for_the_next_frame(tmp_path: Path) -> None:
    # At a hundredth of real speed the next frame is ten seconds away.
    with served("tcp", tmp_path, speed=0.01) as server, opened(server.port) as line:
        started = time.monotonic()
        line.write(encode_command("beat", 4))
        got = b""
        while b"ack=4" not in got:
            assert time.monotonic() - started < 8.0, "the reply waited for a frame"
            got += line.read(1)


def test_stop_is_prompt_from_any_thread(tmp_path: Path) -> None:
    server = served("tcp", tmp_path, speed=0.001)
    threading.Timer(0.05, server.stop).start()
    wait_for(lambda: not can_open(server.port), "the port to go")
    server.close()


def test_an_event_that_can_not_be_is_said_and_does_no_harm(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with served("tcp", tmp_path, speed=50.0) as server:
        server.happen("explode")
        server.happen(Event("fan", 0.0, 0.0))
        wait_for(lambda: not server.bench.stack.fan, "the event after it")
    assert "no such event" in capfd.readouterr().err


def test_what_ends_the_bench_is_heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    server = BenchServer(VirtualBench(), tcp={"head": 0}, speed=100.0)

    def broken(dt_s: float) -> None:
        raise ZeroDivisionError("physics broke")

    monkeypatch.setattr(server.bench, "advance", broken)
    server.start()
    wait_for(lambda: server.error is not None, "the error")
    with pytest.raises(ZeroDivisionError, match="physics broke"):
        server.close()


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan, 1e6])
def test_a_speed_that_can_not_be(speed: float) -> None:
    with pytest.raises(LyewatchError, match="speed"):
        BenchServer(VirtualBench(), tcp={"head": 0}, speed=speed)


def test_where_there_is_no_pseudo_terminal_it_serves_tcp(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = __import__("sys").modules["daq.sources.virtual_bench.serve"]
    assert serve_package is module.serve
    monkeypatch.setattr(module, "has_pty", lambda: False)
    with serve(VirtualBench(), speed=20.0) as server, opened(server.port) as line:
        assert server.port.startswith("socket://127.0.0.1:")
        assert len(frames(Reader(line).until(5)[1:])) >= 3
    with pytest.raises(PortError, match="a link needs a pseudo-terminal"):
        serve(VirtualBench(), tmp_path / "head")


def test_replies_come_between_frames(tmp_path: Path) -> None:
    with served("tcp", tmp_path, speed=100.0) as server, opened(server.port) as line:
        reader = Reader(line)
        for n in range(1, 60):
            line.write(encode_command("beat", n))
        reader.reply(59)
        assert [r.number for r in replies(reader.lines[1:])][-1] == 59
