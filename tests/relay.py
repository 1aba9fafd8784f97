"""A TCP relay between two ends, which delays, drips, breaks off and refuses as networks do."""

from __future__ import annotations

import contextlib
import socket
import threading
import time

__all__ = ["Relay"]


class Relay:
    """Listens on `port` of the loopback interface and passes everything on to `target`.

    Attributes
    ----------
    delay_s : float
        How long each chunk is held, either way [s].
    drip : bool
        Whether it goes on byte by byte.
    hang : bool
        Whether nothing goes on, and nobody is told.
    port : int
        Where it listens.
    """

    def __init__(self, port: int, target: int) -> None:
        self.delay_s = 0.0
        self.drip = False
        self.hang = False
        self.port, self._target = port, target
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._server: socket.socket | None = None
        self.restore()

    def restore(self) -> None:
        """Listen."""
        server = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        server.bind(("127.0.0.1", self.port))
        server.listen(8)
        self._server = server
        threading.Thread(target=self._serve, args=(server,), daemon=True).start()

    def cut(self) -> None:
        """Break every connection off and take no more."""
        server, self._server = self._server, None
        if server is not None:
            with contextlib.suppress(OSError):
                server.shutdown(socket.SHUT_RDWR)
            server.close()
        self.shake()

    def shake(self) -> None:
        """Break every connection off, once."""
        with self._lock:
            for end in self._open:
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def _serve(self, server: socket.socket) -> None:
        while True:
            try:
                near, _ = server.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._target), timeout=5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            for end in (near, far):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self._lock:
                self._open |= {near, far}
            left = [2]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pass, args=(one, other, left), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket, left: list[int]) -> None:
        with contextlib.suppress(OSError):
            while chunk := one.recv(65536):
                while self.hang:
                    time.sleep(0.02)
                if self.delay_s:
                    time.sleep(self.delay_s)
                for i in range(0, len(chunk), 1 if self.drip else len(chunk)):
                    other.sendall(chunk[i : i + 1] if self.drip else chunk)
        with contextlib.suppress(OSError):
            other.shutdown(socket.SHUT_RDWR)
        with self._lock:
            left[0] -= 1
            if not left[0]:
                self._open -= {one, other}
                one.close()
                other.close()
