"""The other ends of a link: a pseudo-terminal that can be unplugged, a TCP server, and a listening sink."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import tty
from pathlib import Path

from daq.frame import Frame
from daq.sources import SourceEvent
from tests.waiting import wait_until

__all__ = ["Listener", "PtyPeer", "TcpPeer"]


class Listener:
    """A sink that keeps what it is given."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []
        self.events: list[SourceEvent] = []

    def frame(self, frame: Frame) -> None:
        self.frames.append(frame)

    def event(self, event: SourceEvent) -> None:
        self.events.append(event)

    def kinds(self) -> list[str]:
        """The kinds of the events so far."""
        return [event.kind for event in self.events]

    def await_event(self, kind: str, count: int = 1) -> SourceEvent:
        """The `count`-th event of a kind, waited for."""
        wait_until(
            lambda: self.kinds().count(kind) >= count, f"event {kind} number {count} in {self.kinds()}"
        )
        return [event for event in self.events if event.kind == kind][count - 1]

    def await_frames(self, count: int) -> list[Frame]:
        """At least so many frames, waited for."""
        wait_until(lambda: len(self.frames) >= count, f"{count} frames")
        return self.frames


class PtyPeer:
    """A device on a pseudo-terminal under a path that stays, as a USB port's name under by-id does."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.url = str(path)
        self._master: int | None = None

    def plug(self) -> None:
        """Make a new pseudo-terminal appear at the path."""
        assert self._master is None
        self._master, slave = os.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)  # so that hanging up means what it means on a wire
        self.path.symlink_to(name)

    def unplug(self) -> None:
        """Take it away: the path is gone and whoever reads gets an error."""
        assert self._master is not None
        self.path.unlink()
        os.close(self._master)
        self._master = None

    def say(self, data: bytes) -> None:
        """Send all of `data` to the reader."""
        assert self._master is not None
        view = memoryview(data)
        while view:
            select.select([], [self._master], [], 20)
            view = view[os.write(self._master, view) :]

    def heard(self) -> bytes:
        """What the reader has sent and was not yet taken."""
        assert self._master is not None
        taken = b""
        while select.select([self._master], [], [], 0)[0]:
            try:
                taken += os.read(self._master, 65536)
            except OSError:  # EIO: nobody has the other end open
                break
        return taken

    def close(self) -> None:
        """Clean up."""
        if self._master is not None:
            self.unplug()


class TcpPeer:
    """A device behind a TCP socket that serves one reader at a time."""

    def __init__(self, port: int) -> None:
        self.url = f"socket://127.0.0.1:{port}"
        self._port = port
        self._server: socket.socket | None = None
        self._client: socket.socket | None = None
        self._lock = threading.Lock()

    def plug(self) -> None:
        """Begin to listen."""
        server = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        server.bind(("127.0.0.1", self._port))
        server.listen(1)
        self._server = server
        threading.Thread(target=self._serve, args=(server,), daemon=True).start()

    def _serve(self, server: socket.socket) -> None:
        while True:
            try:
                client, _ = server.accept()
            except OSError:
                return
            with self._lock:
                if self._server is not server:  # it was unplugged meanwhile
                    client.close()
                    return
                self._drop()
                self._client = client

    def _drop(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def unplug(self) -> None:
        """Close the connection and stop listening."""
        with self._lock:
            server, self._server = self._server, None
            assert server is not None
            with contextlib.suppress(OSError):
                server.shutdown(socket.SHUT_RDWR)  # wakes the thread that accepts
            server.close()
            self._drop()

    @property
    def connected(self) -> bool:
        """Whether a reader has connected."""
        return self._client is not None

    @property
    def client(self) -> socket.socket | None:
        """The reader's connection."""
        return self._client

    def _connected(self) -> socket.socket:
        return wait_until(lambda: self._client, "a reader's connection")  # type: ignore[return-value]

    def say(self, data: bytes) -> None:
        """Send all of `data` to the reader."""
        self._connected().sendall(data)

    def heard(self) -> bytes:
        """What the reader has sent and was not yet taken."""
        client, taken = self._connected(), b""
        with contextlib.suppress(OSError):  # the reader has broken off, or another connection took its place
            while select.select([client], [], [], 0)[0]:
                chunk = client.recv(65536)
                if not chunk:
                    break
                taken += chunk
        return taken

    def close(self) -> None:
        """Clean up."""
        if self._server is not None:
            self.unplug()
