"""Ports as their peers see them: lines out with no waiting, one peer at a time, a cable that is pulled."""

from __future__ import annotations

import socket
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import PortError
from daq.sources.virtual_bench.ports import Pending, TcpPort
from tests.sources.virtual_bench.helpers import wait_for

LINE = b"seq=1 ms=2 a=3 *0000\n"


def test_pending_drops_the_oldest_whole_lines() -> None:
    pending = Pending(limit=10)
    pending.add([b"aaaa\n", b"bbbb\n", b"cccc\n"])
    assert (pending.chunk(), pending.dropped) == (b"bbbb\ncccc\n", 1)
    pending.wrote(2)
    pending.add([b"dddd\n", b"eeee\n"])
    # The line begun is finished: half a line must never reach a reader glued to another.
    assert pending.chunk() == b"bb\neeee\n"
    pending.wrote(8)
    assert pending.chunk() == b""


@given(
    st.lists(st.tuples(st.lists(st.integers(1, 30), max_size=6), st.integers(0, 60)), min_size=1, max_size=40)
)
def test_pending_never_sends_anything_but_whole_lines(rounds: list[tuple[list[int], int]]) -> None:
    pending, sent, number = Pending(limit=80), b"", 0
    for sizes, takes in rounds:
        lines = []
        for size in sizes:
            number += 1
            lines.append(b"<%d" % number + b"." * size + b">\n")
        pending.add(lines)
        chunk = pending.chunk()[:takes]
        sent += chunk
        pending.wrote(len(chunk))
    sent += pending.chunk()
    numbers = []
    for line in sent.splitlines():
        assert line.startswith(b"<")
        assert line.endswith(b">")
        numbers.append(int(line.strip(b"<.>")))
    assert numbers == sorted(numbers)
    assert len(numbers) + pending.dropped == number


def connect(port: TcpPort) -> socket.socket:
    peer = socket.create_connection(("127.0.0.1", int(port.address.rsplit(":", 1)[1])), timeout=5)
    port.read()
    return peer


def test_one_peer_at_a_time() -> None:
    port = TcpPort()
    with connect(port) as first, connect(port) as second:
        port.write([LINE])
        assert first.recv(100) == LINE
        assert second.recv(100) == b""  # hung up on
    port.close()


def test_a_peer_that_left_makes_room_for_the_next() -> None:
    port = TcpPort()
    connect(port).close()
    wait_for(lambda: port.read() == b"" and len(port.watch()) == 1, "the port to notice that the peer left")
    with connect(port) as second:
        port.write([LINE])
        assert second.recv(100) == LINE
        second.sendall(b"do=beat\n")
        heard: list[bytes] = []
        wait_for(lambda: bool(heard.append(port.read()) or any(heard)), "the peer's bytes")  # type: ignore[func-returns-value]
        assert b"".join(heard) == b"do=beat\n"
    port.close()


def test_what_is_written_to_nobody_is_lost() -> None:
    port = TcpPort()
    port.write([LINE] * 3)
    with connect(port) as peer:
        port.write([b"fresh\n"])
        assert peer.recv(100) == b"fresh\n"
    port.close()


def test_a_peer_that_does_not_read_is_never_waited_for() -> None:
    port = TcpPort()
    with connect(port) as peer:
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sent = 0
        while port.dropped < 50:
            sent += 1
            port.write([b"%06d " % sent + b"x" * 200 + b"\n"])
            assert sent < 200_000, "nothing was ever dropped"
        got = b""
        until = time.monotonic() + 20.0
        while not got.endswith(b"end\n"):
            assert time.monotonic() < until
            got += peer.recv(65536)
            port.write([b"end\n"])
        lines = got.splitlines()
    numbers = [int(line[:6]) for line in lines if line != b"end"]
    assert all(len(line) == 207 for line in lines if line != b"end")
    assert numbers == sorted(numbers)
    assert sent - len(numbers) == pytest.approx(port.dropped, abs=60)
    port.close()


def test_unplugged_and_put_back_under_the_same_address() -> None:
    port = TcpPort()
    peer = connect(port)
    address = port.address
    port.unplug()
    assert peer.recv(100) == b""
    peer.close()
    number = int(address.rsplit(":", 1)[1])
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", number), timeout=5)
    port.plug()
    assert port.address == address
    with connect(port) as again:
        port.write([LINE])
        assert again.recv(100) == LINE
    port.close()


def test_a_port_that_is_taken() -> None:
    port = TcpPort()
    with pytest.raises(PortError, match="can not listen"):
        TcpPort(int(port.address.rsplit(":", 1)[1]))
    port.close()


class TestPty:
    """The same over a pseudo-terminal, where there are any."""

    pytestmark = pytest.mark.usefixtures("_posix")

    @pytest.fixture
    def _posix(self) -> None:
        pytest.importorskip("pty")

    def test_the_link_follows_the_terminal(self, tmp_path: Path) -> None:
        from daq.sources.virtual_bench.pty_port import PtyPort

        link = tmp_path / "head"
        link.symlink_to("/nowhere")
        port = PtyPort(link)
        assert port.address == str(link)
        assert str(link.readlink()) == port.path
        port.unplug()
        assert not link.is_symlink()
        port.plug()
        assert str(link.readlink()) == port.path
        port.close()
        assert list(tmp_path.iterdir()) == []

    def test_a_file_in_the_way_is_left_alone(self, tmp_path: Path) -> None:
        from daq.sources.virtual_bench.pty_port import PtyPort

        precious = tmp_path / "head"
        precious.write_text("mine")
        with pytest.raises(PortError, match="no symbolic link"):
            PtyPort(precious)
        assert precious.read_text() == "mine"
        with pytest.raises(PortError, match="can not make the link"):
            PtyPort(tmp_path / "no" / "such" / "folder")

    def test_a_link_taken_over_is_left_to_its_new_owner(self, tmp_path: Path) -> None:
        from daq.sources.virtual_bench.pty_port import PtyPort

        first, second = PtyPort(tmp_path / "head"), PtyPort(tmp_path / "head")
        first.close()
        assert str((tmp_path / "head").readlink()) == second.path
        second.close()

    def test_what_a_reader_left_unread_is_thrown_away(self) -> None:
        import os

        from daq.sources.virtual_bench.pty_port import PtyPort

        port = PtyPort()
        reader = os.open(port.path, os.O_RDWR | os.O_NOCTTY)
        port.write([LINE] * 20)
        assert os.read(reader, len(LINE)) == LINE
        os.close(reader)
        port.write([LINE])
        reader = os.open(port.path, os.O_RDWR | os.O_NOCTTY)
        port.write([b"fresh\n"])
        assert os.read(reader, 4096) == b"fresh\n"
        os.close(reader)
        port.close()
