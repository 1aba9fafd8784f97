"""A served port over a real pseudo-terminal. POSIX only: import it lazily, and only through `serve`."""

from __future__ import annotations

import errno
import os
import pty
import select
import socket
import termios
import tty
from collections.abc import Iterable, Sequence
from pathlib import Path

from daq.errors import PortError
from daq.sources.virtual_bench.ports import ServedPort

__all__ = ["PtyPort"]

_READ_BYTES = 4096


class PtyPort(ServedPort):
    """The master end of a pseudo-terminal; a reader opens the slave's path as it would open any serial port.

    The slave is opened once in raw mode and closed again, so that a hang-up on the master means that nobody
    is there. Output is then thrown away, as by a wire with nobody at its end.

    Parameters
    ----------
    link : path, optional
        A symbolic link to keep pointing at the slave, whose own path changes when the cable is put back.
        It may exist as a symbolic link, and nothing else.
    """

    def __init__(self, link: str | Path | None = None) -> None:
        super().__init__()
        self._link = None if link is None else Path(link).absolute()
        if self._link is not None and self._link.exists() and not self._link.is_symlink():
            raise PortError(
                "something that is no symbolic link stands here",
                place=str(self._link),
                remedy="remove it, or give --link another path",
            )
        self._master: int | None = None
        self._read_before = False
        self.address = ""
        self.plug()

    @property
    def path(self) -> str:
        """The slave's own path at present; empty while unplugged."""
        return self._path

    def plug(self) -> None:
        if self._master is not None:
            return
        try:
            master, slave = pty.openpty()
        except OSError as error:
            raise PortError(
                f"no pseudo-terminal to be had: {error.strerror}", remedy="serve over TCP with --tcp 0"
            ) from None
        try:
            tty.setraw(slave, termios.TCSANOW)
            self._path = os.ttyname(slave)
        finally:
            os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        if self._link is None:
            self.address = self._path
            return
        self.address = str(self._link)
        fresh = self._link.with_name(f"{self._link.name}.{os.getpid()}.new")
        try:
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self._path)
            fresh.replace(self._link)  # the name never points nowhere
        except OSError as error:
            self.close()
            raise PortError(
                f"can not make the link: {error.strerror}",
                place=str(self._link),
                remedy="give another --link",
            ) from None

    def unplug(self) -> None:
        if self._master is None:
            return
        if self._link is not None and self._points_here():
            self._link.unlink()
        os.close(self._master)
        self._master = None
        self._path = ""
        self._pending.clear()

    def _points_here(self) -> bool:
        # Whoever served the same name after us has moved it, and it is theirs.
        return self._link is not None and self._link.is_symlink() and str(self._link.readlink()) == self._path

    def close(self) -> None:
        self.unplug()

    def _somebody(self) -> bool:
        if self._master is None:
            return False
        poller = select.poll()
        poller.register(self._master, select.POLLIN)
        happened = poller.poll(0)
        return not (happened and happened[0][1] & select.POLLHUP)

    def _empty(self) -> None:
        """Throw away what the last reader left unread, as a serial driver does when its port is closed."""
        slave = os.open(self._path, os.O_RDWR | os.O_NOCTTY)
        try:
            termios.tcflush(slave, termios.TCIOFLUSH)
        finally:
            os.close(slave)

    def watch(self) -> Sequence[socket.socket | int]:
        # A master that hung up is readable for ever: waiting on it would spin.
        return [self._master] if self._master is not None and self._somebody() else []

    def read(self) -> bytes:
        if self._master is None:
            return b""
        try:
            return os.read(self._master, _READ_BYTES)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EIO):  # EIO: nobody holds the slave
                return b""
            raise

    def write(self, lines: Iterable[bytes]) -> None:
        if self._master is None:
            return
        if not self._somebody():
            self._pending.clear()
            if self._read_before:
                self._read_before = False
                self._empty()
            return
        self._read_before = True
        self._pending.add(lines)
        try:
            while chunk := self._pending.chunk():
                self._pending.wrote(os.write(self._master, chunk))
        except OSError as error:
            if error.errno == errno.EAGAIN:
                return
            if error.errno != errno.EIO:
                raise
            self._pending.clear()
