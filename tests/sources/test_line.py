"""Serial ports as the system gives them: sharing, refusals with their remedy, and what pyserial raises."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import termios
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
import serial

from daq.errors import PortError
from daq.sources import Command, LineSource, SerialPort, make_source
from daq.sources.serial_port import port_error
from daq.sources.wire import encode_frame
from tests.sources.peers import Listener, PtyPeer, TcpPeer
from tests.waiting import wait_until

FRAME = encode_frame(1, 100, {"volts": 12.5})


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[PtyPeer]:
    """A plugged-in device."""
    device = PtyPeer(tmp_path / "port")
    device.plug()
    yield device
    device.close()


def again_and_again(do: Callable[[], object]) -> None:
    """Call something until it raises, ten thousand times at most."""
    for _ in range(10_000):
        do()


def test_two_readers_can_not_share_a_port(peer: PtyPeer) -> None:
    first = SerialPort(peer.url, 115200)
    with pytest.raises(PortError, match="another program has the port open") as caught:
        SerialPort(peer.url, 115200)
    assert caught.value.place == peer.url
    assert "close it there first" in str(caught.value)
    # Nor under its other name.
    with pytest.raises(PortError, match="another program"):
        SerialPort(os.path.realpath(peer.url), 115200)
    first.close()
    SerialPort(peer.url, 115200).close()


def test_a_second_source_waits_and_takes_over(peer: PtyPeer) -> None:
    first, second = LineSource("a", peer.url), LineSource("b", peer.url)
    at_first, at_second = Listener(), Listener()
    first.start(at_first)
    at_first.await_event("opened")
    second.start(at_second)
    assert "another program has the port open" in at_second.await_event("lost").text
    peer.say(b"\n" + FRAME)
    at_first.await_frames(1)
    assert first.stop()
    at_second.await_event("opened")
    peer.say(b"\n" + FRAME)
    at_second.await_frames(1)
    assert second.stop()


def test_a_chunk_is_all_that_waits(peer: PtyPeer) -> None:
    port = SerialPort(peer.url, 115200)
    peer.say(FRAME * 20)
    got = wait_until(port.read, "bytes")
    while len(got) < 20 * len(FRAME):
        more = port.read()
        assert len(more) > 1
        got += more
    assert got == FRAME * 20
    assert port.read() == b""
    port.close()


def test_waking_ends_a_read_and_is_safe_after_closing(peer: PtyPeer) -> None:
    port = SerialPort(peer.url, 115200)
    got: list[bytes] = []
    waiting = threading.Thread(target=lambda: got.append(port.read()))
    waiting.start()
    port.wake()
    waiting.join(20)
    assert got == [b""]
    port.close()
    port.wake()


def test_a_command_goes_out_while_the_device_is_silent(peer: PtyPeer) -> None:
    source, listener = LineSource("head", peer.url), Listener()
    source.start(listener)
    listener.await_event("opened")
    source.send(Command("trip", 3))
    wait_until(lambda: b"do=trip n=3" in peer.heard(), "the trip")
    source.stop()


def test_a_device_that_never_reads_costs_no_frame(peer: PtyPeer) -> None:
    source, listener = LineSource("head", peer.url), Listener()
    source.start(listener)
    listener.await_event("opened")
    port = source._port
    assert port is not None
    with pytest.raises(PortError, match="takes no bytes") as caught:
        again_and_again(lambda: port.write(b"x" * 100))
    assert "flow control" in str(caught.value)

    def refused() -> bool:
        with contextlib.suppress(PortError):
            again_and_again(lambda: port.write(b"x"))  # to the last byte: a command must not fit either
        source.send(Command("trip", 3))
        return "could not be sent" in (source.counters.last_error or "")

    wait_until(refused, "the failed write")
    peer.say(b"\n" + FRAME)
    listener.await_frames(1)
    assert "lost" not in listener.kinds()
    assert source.stop()


def test_settings_that_a_pseudo_terminal_refuses_are_one_of_our_errors(
    peer: PtyPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The kernel refuses 7 bits there once nothing else is to change; termios.error is not even an OSError.
    SerialPort(peer.url, 115200).close()
    plain = serial.serial_for_url
    monkeypatch.setattr(serial, "serial_for_url", lambda url, **kw: plain(url, **{**kw, "bytesize": 7}))
    with pytest.raises(PortError, match="does not take its settings") as caught:
        SerialPort(peer.url, 115200)
    assert isinstance(caught.value.__cause__, termios.error)


def test_the_lines_of_a_modem_are_left_alone(peer: PtyPeer, monkeypatch: pytest.MonkeyPatch) -> None:
    touched: list[str] = []

    def note(name: str, port: object, value: bool) -> None:
        touched.append(name)

    for name in ("dtr", "rts"):
        monkeypatch.setattr(serial.Serial, name, property(fset=partial(note, name)))
    port = SerialPort(peer.url, 115200)
    port.read()
    port.close()
    assert touched == []


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("/dev/no-such-port", "there is no such port"),
        ("COM_none", "there is no such port"),
        ("ftp://somewhere", "can not be opened as a port"),
        ("socket://127.0.0.1:1", "the connection failed"),
        ("socket://nonsense", "the connection failed"),
        (os.devnull, "not a serial port"),
    ],
)
def test_what_can_not_be_opened_says_why_and_what_to_do(url: str, words: str) -> None:
    with pytest.raises(PortError, match=re.escape(words)) as caught:
        SerialPort(url, 115200)
    assert caught.value.place == url
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("foreign", "words"),
    [
        (serial.SerialException(errno.EACCES, "could not open port"), "may not open the port"),
        (serial.SerialException(errno.EAGAIN, "Could not exclusively lock port"), "another program"),
        (serial.SerialException(errno.EBUSY, "busy"), "another program"),
        (
            serial.SerialException("could not open port 'COM3': FileNotFoundError(2, 'no', None, 2)"),
            "no such port",
        ),
        (serial.SerialException("device reports readiness to read but returned no data"), "was lost"),
        (serial.SerialException("read failed: [Errno 5] Input/output error"), "was lost"),
        (serial.SerialTimeoutException("Write timeout"), "takes no bytes"),
        (OSError(errno.EIO, "Input/output error"), "was lost"),
        (OSError(errno.ENOTTY, "Inappropriate ioctl for device"), "not a serial port"),
        (termios.error(22, "Invalid argument"), "does not take its settings"),
        (ValueError("invalid URL"), "can not be opened as a port"),
        (TypeError("an integer is required"), "was lost"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_every_foreign_exception_becomes_ours(foreign: Exception, words: str) -> None:
    ours = port_error(foreign, "/dev/ttyX")
    assert words in ours.message
    assert ours.place == "/dev/ttyX"
    assert ours.remedy
    assert port_error(ours, "elsewhere") is ours


def test_unplugging_is_noticed_in_a_read_and_in_a_write(peer: PtyPeer) -> None:
    port = SerialPort(peer.url, 115200)
    peer.unplug()
    with pytest.raises(PortError, match="was lost"):
        again_and_again(port.read)
    with pytest.raises(PortError):
        again_and_again(lambda: port.write(b"x"))
    port.close()


def test_a_loop_port_hears_its_own_commands_as_an_echo() -> None:
    source, listener = LineSource("loop", "loop://"), Listener()
    source.start(listener)
    listener.await_event("opened")
    for number in (1, 2, 3):
        source.send(Command("beat", number))
        wait_until(lambda n=number: source.counters.commands_sent >= n, "the command")  # type: ignore[misc]
    wait_until(lambda: source.counters.malformed >= 2, "the echo")
    assert "echo" in (source.counters.last_error or "")
    source.stop()


def test_a_source_from_the_bench_file(tmp_path: Path, free_ports: Callable[[], int]) -> None:
    from daq.bench import LineSpec

    peer = TcpPeer(free_ports())
    peer.plug()
    spec = LineSpec(port=peer.url, crc="optional", clock="host", silent_after_s=2.0)
    source, listener = make_source("meter", spec), Listener()
    source.start(listener)
    listener.await_event("opened")
    peer.say(b"\nvolts=12.5 amps=3\n")
    (frame,) = listener.await_frames(1)
    source.stop()
    peer.close()
    assert dict(frame.fields) == {"volts": 12.5, "amps": 3.0}
    assert (frame.checked, frame.seq, frame.device_ms) == (False, -1, None)
    assert source.counters.unchecked == 1
