"""A served port: lines out with no waiting, bytes in, a cable that can be pulled. TCP is here."""

from __future__ import annotations

import contextlib
import socket
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterable, Sequence

from daq.errors import PortError

__all__ = ["OUT_BYTES", "Pending", "ServedPort", "TcpPort"]

OUT_BYTES = 4096
"""Bytes that wait for a slow reader, as a serial driver's buffer would hold them."""
_READ_BYTES = 4096


class Pending:
    """Lines that wait to be written. When they are too many the oldest are dropped, whole lines at a time."""

    def __init__(self, limit: int = OUT_BYTES) -> None:
        self.dropped = 0
        self._limit = limit
        self._lines: deque[bytes] = deque()
        self._bytes = 0
        self._begun = False  # the first line has been written in part and must be finished

    def add(self, lines: Iterable[bytes]) -> None:
        """Put lines at the end, dropping the oldest beyond the limit."""
        for line in lines:
            self._lines.append(line)
            self._bytes += len(line)
        while self._bytes > self._limit and len(self._lines) > 1 + self._begun:
            if self._begun:
                kept = self._lines.popleft()
                self._bytes -= len(self._lines.popleft())
                self._lines.appendleft(kept)
            else:
                self._bytes -= len(self._lines.popleft())
            self.dropped += 1

    def chunk(self) -> bytes:
        """All that waits."""
        return b"".join(self._lines)

    def wrote(self, count: int) -> None:
        """Take away the first `count` bytes."""
        self._bytes -= count
        while count and count >= len(self._lines[0]):
            count -= len(self._lines.popleft())
            self._begun = False
        if count:
            self._lines[0] = self._lines[0][count:]
            self._begun = True

    def clear(self) -> None:
        """Forget all of it."""
        self._lines.clear()
        self._bytes = 0
        self._begun = False


class ServedPort(ABC):
    """One device's port as its peer sees it.

    Attributes
    ----------
    address : str
        What a reader opens: a path, or pyserial's ``socket://host:port``.
    """

    address: str

    def __init__(self) -> None:
        self._pending = Pending()

    @property
    def dropped(self) -> int:
        """Lines dropped because a reader was too slow."""
        return self._pending.dropped

    @abstractmethod
    def watch(self) -> Sequence[socket.socket | int]:
        """What to wait on for something to read."""

    @abstractmethod
    def read(self) -> bytes:
        """What the peer has sent, without waiting; empty when nothing or nobody."""

    @abstractmethod
    def write(self, lines: Iterable[bytes]) -> None:
        """Send lines without waiting. With no peer they are lost, as on a wire with nobody at its end."""

    @abstractmethod
    def unplug(self) -> None:
        """Pull the cable."""

    @abstractmethod
    def plug(self) -> None:
        """Put it back, under the same address."""

    @abstractmethod
    def close(self) -> None:
        """Give everything back."""


class TcpPort(ServedPort):
    """A port for pyserial's ``socket://``, for one peer at a time as a serial port is.

    Parameters
    ----------
    port : int
        Where to listen on loopback; 0 takes a free one.
    """

    def __init__(self, port: int = 0) -> None:
        super().__init__()
        self._peer: socket.socket | None = None
        self._listener: socket.socket | None = self._listen(port)
        self._number = self._listener.getsockname()[1]
        self.address = f"socket://127.0.0.1:{self._number}"

    @staticmethod
    def _listen(port: int) -> socket.socket:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(("127.0.0.1", port))
            listener.listen(4)
            listener.setblocking(False)
        except OSError as error:
            listener.close()
            raise PortError(
                f"can not listen: {error.strerror or error}",
                place=f"TCP port {port}",
                remedy="use another port, or 0 for a free one",
            ) from None
        return listener

    def watch(self) -> Sequence[socket.socket | int]:
        return [s for s in (self._listener, self._peer) if s is not None]

    def _accept(self) -> None:
        if self._listener is None:
            return
        with contextlib.suppress(BlockingIOError, ConnectionError):
            while True:
                peer, _ = self._listener.accept()
                if self._peer is not None:
                    peer.close()
                    continue
                peer.setblocking(False)
                peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                peer.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, OUT_BYTES)
                self._peer = peer

    def read(self) -> bytes:
        data = b""
        if self._peer is not None:
            try:
                data = self._peer.recv(_READ_BYTES)
                if not data:
                    self._hang_up()
            except BlockingIOError:
                pass
            except OSError:
                self._hang_up()
        self._accept()
        return data

    def write(self, lines: Iterable[bytes]) -> None:
        if self._peer is None:
            self._accept()
        if self._peer is None:
            return
        self._pending.add(lines)
        try:
            while chunk := self._pending.chunk():
                self._pending.wrote(self._peer.send(chunk))
        except BlockingIOError:
            return
        except OSError:
            self._hang_up()

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None
        self._pending.clear()

    def unplug(self) -> None:
        self._hang_up()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def plug(self) -> None:
        if self._listener is None:
            self._listener = self._listen(self._number)

    def close(self) -> None:
        self.unplug()
