"""Any port that pyserial opens: device paths, COM ports, `socket://`, `rfc2217://`, `loop://`."""

from __future__ import annotations

import errno
import os
import random
import select
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

import serial

from daq.errors import PortError
from daq.sources.clock import ClockMode
from daq.sources.counters import LinkCounters
from daq.sources.decoder import Decoder
from daq.sources.stream import StreamSource

__all__ = ["TCP_SILENCE_S", "PortSource", "SerialPort", "over_network", "port_error"]

_TICK_S: Final = 0.1
_WRITE_S: Final = 0.2
_CHUNK: Final = 65_536
TCP_SILENCE_S: Final = 15.0
"""A connection whose other side has vanished is silent for ever and raises nothing: opened anew [s]."""


class SerialPort:
    """A pyserial port as used here: exclusive, read in chunks, and failing only with PortError.

    pyserial's own `readline` takes one byte at a time, a hundred times the work. Here what is waiting is
    taken at once. The modem lines are left alone, because a pseudo-terminal has none and a board may be
    wired to restart by them.

    Parameters
    ----------
    url : str
        A device path, a COM port's name, or an address that `serial.serial_for_url` knows.
    baud : int
        Baud rate; without meaning for pseudo-terminals and sockets.
    framing : str
        Data bits, parity and stop bits, such as "8N1" or "7E1".
    place : str, optional
        What errors call it, in place of `url`.

    Raises
    ------
    PortError
        It can not be opened: it is not there, belongs to another reader, or may not be used by this user.
    """

    def __init__(self, url: str, baud: int, framing: str = "8N1", *, place: str | None = None) -> None:
        self.place = place or url
        # socket:// only knows whether anything waits, not how much.
        self._counts_waiting = not url.lower().startswith("socket://")
        try:
            self._port: Any = serial.serial_for_url(
                url,
                baudrate=baud,
                bytesize=int(framing[0]),
                parity=framing[1],
                stopbits=int(framing[2]),
                timeout=_TICK_S,
                write_timeout=_WRITE_S,
                exclusive=True,
            )
        except Exception as exc:
            raise port_error(exc, self.place) from exc
        self._wait_s = _TICK_S
        self._fd = self._descriptor()
        # Of a device of the system's own, and of nothing that pyserial puts in its place.
        plain = sys.platform != "win32" and type(self._port) is serial.Serial
        self._waker = _Waker() if plain and self._fd is not None else None
        # Waking writes to a descriptor of the port: once closed, its number may belong to somebody else's
        # file.
        self._closing = threading.Lock()
        self._open = True

    def read(self, timeout_s: float = _TICK_S) -> bytes:
        """What has arrived, after waiting up to `timeout_s` for some; at the most 0.1 s where `wake` can not
        end the wait.

        Raises PortError when the port is gone.
        """
        port = self._port
        try:
            if self._waker is not None and self._fd is not None:
                return _read_descriptor(self._fd, self._waker, max(0.0, timeout_s))
            wait_s = max(0.0, min(timeout_s, _TICK_S))
            if wait_s != self._wait_s:
                port.timeout = self._wait_s = wait_s
            if not self._counts_waiting:
                return self._read_socket()
            waiting: int = port.in_waiting
            if waiting:
                return bytes(port.read(min(waiting, _CHUNK)))
            first: bytes = port.read(1)
            if not first:
                return b""
            waiting = port.in_waiting
            return first + port.read(min(waiting, _CHUNK)) if waiting else first
        except Exception as exc:
            raise port_error(exc, self.place) from exc

    def write(self, data: bytes) -> None:
        """Write all of `data`; raises PortError when the port is gone or takes no bytes."""
        try:
            # pyserial spins on a full buffer until its timeout; asking first costs nothing.
            if self._fd is not None and not select.select([], [self._fd], [], _WRITE_S)[1]:
                raise serial.SerialTimeoutException("the device takes no bytes")
            self._port.write(data)
        except Exception as exc:
            raise port_error(exc, self.place) from exc

    def wake(self) -> None:
        """Make a `read` that waits in another thread return, where the port can."""
        cancel = getattr(self._port, "cancel_read", None) if self._waker is None else self._waker.wake
        with self._closing:
            if cancel is not None and self._open:
                cancel()

    def close(self) -> None:
        """Close it; raises PortError when even that fails."""
        try:
            with self._closing:
                was_open, self._open, self._fd = self._open, False, None
                if self._waker is not None and was_open:
                    self._waker.close()
                self._port.close()
        except Exception as exc:
            raise port_error(exc, self.place) from exc

    def _read_socket(self) -> bytes:
        port = self._port
        port.timeout = self._wait_s
        first = port.read(1)
        if not first:
            return b""
        port.timeout = 0
        return bytes(first + port.read(_CHUNK))

    def _descriptor(self) -> int | None:
        try:
            return int(self._port.fileno())
        except (AttributeError, OSError):  # io.UnsupportedOperation is an OSError
            return None


class _Waker:
    """A pipe by which another thread ends a wait for a descriptor."""

    def __init__(self) -> None:
        self._reading, self._writing = os.pipe()
        for end in (self._reading, self._writing):
            os.set_blocking(end, False)

    def fileno(self) -> int:
        """Readable once somebody called `wake`."""
        return self._reading

    def wake(self) -> None:
        """End the wait, or the next one."""
        with suppress(BlockingIOError):  # full of calls that were not heard yet
            os.write(self._writing, b"x")

    def clear(self) -> None:
        """It was heard."""
        with suppress(BlockingIOError):
            os.read(self._reading, _CHUNK)

    def close(self) -> None:
        os.close(self._reading)
        os.close(self._writing)


def _read_descriptor(fd: int, waker: _Waker, timeout_s: float) -> bytes:
    """Wait for the descriptor and read all that is there: two calls of the system where pyserial makes five,
    and a reader of one bench does little else all day."""
    ready = select.select([fd, waker.fileno()], [], [], timeout_s)[0]
    if waker.fileno() in ready:
        waker.clear()
    if fd not in ready:
        return b""
    try:
        data = os.read(fd, _CHUNK)
    except BlockingIOError:
        return b""
    if not data:
        raise serial.SerialException("it says that there is something to read, and gives nothing")
    return data


class PortSource(StreamSource):
    """A source of bytes on such a port.

    `make_decoder` is as for `StreamSource`, `port`, `baud` and `framing` as for `SerialPort`; the others are
    those of `Source`.
    """

    def __init__(
        self,
        name: str,
        make_decoder: Callable[[LinkCounters], Decoder],
        *,
        port: str,
        baud: int,
        framing: str = "8N1",
        clock: ClockMode = "host",
        silent_after_s: float = 1.0,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(
            name,
            make_decoder,
            place=port,
            clock=clock,
            silent_after_s=silent_after_s,
            reopen_when_silent_s=TCP_SILENCE_S + silent_after_s if over_network(port) else None,
            rng=rng,
            now=now,
        )
        self._baud, self._framing = baud, framing
        self._port: SerialPort | None = None

    def _open(self) -> None:
        self._port = SerialPort(self.place, self._baud, self._framing)

    def _read(self, timeout_s: float) -> bytes:
        assert self._port is not None
        return self._port.read(timeout_s)

    def _write(self, data: bytes) -> None:
        assert self._port is not None
        self._port.write(data)

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _wake(self) -> None:
        port = self._port
        if port is not None:
            port.wake()


def over_network(port: str) -> bool:
    """Whether a port is reached over the network."""
    return port.lower().startswith(("socket://", "rfc2217://", "tcp://"))


_AGAIN = "it is tried again by itself; check the cable and the device's power if it stays so"


def port_error(exc: Exception, place: str) -> PortError:
    """Whatever pyserial, the system or termios raised about a port, as one of our errors with its remedy.

    The one place where foreign exceptions of ports are translated. pyserial puts the system's error number in
    `errno` on POSIX and only in its text on Windows, so both are looked at.
    """
    if isinstance(exc, PortError):
        return exc
    text, code = str(exc), getattr(exc, "errno", None)
    if isinstance(exc, serial.SerialTimeoutException):
        message, remedy = "the device takes no bytes", "check that it reads its port, and its flow control"
    elif code in (errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY) or "exclusively lock" in text:
        message = "another program has the port open"
        remedy = "close it there first; two readers would each get half of the data"
    elif code in (errno.EACCES, errno.EPERM) or "PermissionError" in text:
        if sys.platform == "win32":
            message, remedy = "another program has the port open", "close it there first"
        else:
            message = "this user may not open the port"
            remedy = "join the group that owns it (often dialout or uucp) and log in again"
    elif code in (errno.ENOENT, errno.ENODEV) or "FileNotFoundError" in text:
        message, remedy = "there is no such port", "plug the device in; `lyewatch ports` lists what there is"
    elif over_network(place):
        message, remedy = (
            f"the connection failed: {text}",
            "check the address, and that the other side listens",
        )
    elif isinstance(exc, ValueError):
        message, remedy = (
            f"this can not be opened as a port: {text}",
            "give a device path, a COM port or socket://host:port",
        )
    elif code == errno.ENOTTY or "Inappropriate ioctl" in text:
        message, remedy = "this is not a serial port", "`lyewatch ports` lists what there is"
    elif type(exc).__module__ == "termios":
        message, remedy = (
            f"the port does not take its settings: {text}",
            'use 8 data bits and no parity (framing = "8N1"), and a baud rate that it has',
        )
    else:
        message, remedy = f"the port was lost: {text or type(exc).__name__}", _AGAIN
    return PortError(message, place=place, remedy=remedy)
