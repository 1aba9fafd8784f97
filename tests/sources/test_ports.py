"""Listing ports, and saying what is wrong with what is heard on one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

from daq.errors import PortError
from daq.sources import list_ports, listen, ports
from daq.sources.reading import Reading
from daq.sources.wire import encode_frame
from tests.sources.peers import PtyPeer

FRAMES = b"".join(encode_frame(n, 100 * n, {"volts": 12.0 + n}) for n in range(30))


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[PtyPeer]:
    """A plugged-in device."""
    device = PtyPeer(tmp_path / "port")
    device.plug()
    yield device
    device.close()


@contextmanager
def talking(peer: PtyPeer, data: bytes) -> Iterator[None]:
    """The device says `data` over and over while the block runs: what came before opening is thrown away."""
    done = threading.Event()

    def talk() -> None:
        while not done.wait(0.02):
            peer.say(data)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def test_a_good_device_needs_no_advice(peer: PtyPeer) -> None:
    with talking(peer, FRAMES):
        heard = listen(peer.url, 115200, 20.0)
    assert heard.advice == []
    assert (heard.good >= 20, heard.refused) == (True, 0)
    assert isinstance(heard.lines[0].decoded, Reading)
    assert heard.lines[0].raw in FRAMES
    assert heard.beginning
    assert (heard.port, heard.baud) == (peer.url, 115200)


def broken(edit: Callable[[bytes, bytes], bytes]) -> bytes:
    """Lines whose checksum somebody made another way: `edit(body, digits)` gives the digits."""
    lines = [line.partition(b"*") for line in FRAMES.splitlines()]
    return b"".join(body + b"*" + edit(body, digits) + b"\n" for body, _, digits in lines)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\x9f\x1b\xe7\x00\n" * 20, "baud rate is probably not 9600"),
        (b"12.5 3.2 41\n" * 5, "no checksum"),
        (b"volts", "no whole line"),
        (broken(lambda body, digits: b"ab12"), "upper-case"),
        (broken(lambda body, digits: digits[2:] + digits[:2]), "swapped"),
        (broken(lambda body, digits: b"0000"), "does not fit"),
    ],
)
def test_what_is_wrong_is_said(peer: PtyPeer, data: bytes, words: str) -> None:
    with talking(peer, data):
        heard = listen(peer.url, 9600, 0.5)
    assert words in " / ".join(heard.advice)
    assert heard.good == 0


def test_a_silent_device(peer: PtyPeer) -> None:
    heard = listen(peer.url, 9600, 0.2)
    assert heard.received == 0
    assert "nothing was heard" in heard.advice[0]


def test_unchecked_lines_are_taken_with_a_word_of_warning(peer: PtyPeer) -> None:
    with talking(peer, b"volts=12.5\n"):
        heard = listen(peer.url, 9600, 20.0, crc="optional", most=5)
    assert heard.good == 5
    assert "without a checksum" in heard.advice[0]


def test_some_refused_lines_among_good_ones(peer: PtyPeer) -> None:
    with talking(peer, FRAMES[:200] + b"\nnoise\n"):
        heard = listen(peer.url, 9600, 20.0)
    assert heard.refused
    assert "look for noise" in heard.advice[-1]


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(PortError, match="no such port"):
        listen("/dev/no-such-port", 9600, 1.0)


def test_stable_names_are_preferred(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-torch-head").symlink_to(device)
    found = [
        SimpleNamespace(device=str(tmp_path / "ttyUSB1"), description="n/a", hwid="n/a"),
        SimpleNamespace(device=str(device), description="USB serial", hwid="USB VID:PID=1A86:7523"),
    ]
    monkeypatch.setattr(ports, "_BY_ID", by_id)
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: found)
    first, second = list_ports()
    assert (first.device, first.path) == (str(by_id / "usb-torch-head"), str(device))
    assert (first.description, first.hardware_id) == ("USB serial", "USB VID:PID=1A86:7523")
    assert (second.device, second.description) == (str(tmp_path / "ttyUSB1"), "")


def test_listing_works_on_this_machine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(ports, "_BY_ID", tmp_path / "none")
    assert all(port.device == port.path for port in list_ports())
