"""A stream of bytes to what was said on it: splitter and line format together, counting what is refused."""

from __future__ import annotations

from typing import Protocol

from daq.errors import ChecksumError, FrameError
from daq.sources.counters import LinkCounters
from daq.sources.outbox import Command
from daq.sources.reading import Message
from daq.sources.splitter import Splitter
from daq.sources.wire import Crc, WireCommand, decode_line, encode_command

__all__ = ["Decoder", "WireDecoder"]


class Decoder(Protocol):
    """What a `StreamSource` needs to make sense of bytes. It raises nothing for bad bytes: it counts them.

    `clear` is what makes the device forget half a command that it may have heard; b"" if nothing does.
    """

    clear: bytes

    def restart(self) -> None:
        """The port was opened: the next bytes may begin anywhere."""

    def feed(self, chunk: bytes) -> list[Message]:
        """What `chunk` completes."""

    def encode(self, command: Command) -> bytes:
        """A command as the device takes it."""


class WireDecoder:
    """Decodes the line format of `daq.sources.wire`.

    Parameters
    ----------
    counters : LinkCounters
        Where refused lines are counted.
    crc : "required" or "optional"
        Whether lines without a checksum are taken.
    """

    clear = b"\n"

    def __init__(self, counters: LinkCounters, crc: Crc = "required") -> None:
        self._counters = counters
        self._crc: Crc = crc
        self._splitter = Splitter()
        self._overlong = 0

    def restart(self) -> None:
        """See `Decoder`."""
        self._splitter.restart()

    def feed(self, chunk: bytes) -> list[Message]:
        """See `Decoder`."""
        lines = self._splitter.feed(chunk)
        messages: list[Message] = []
        head = self._splitter.take_head()
        if head is not None:
            self._take_head(head, messages)
        for line in lines:
            try:
                message = decode_line(line, crc=self._crc)
            except ChecksumError as exc:
                self._counters.bad_crc += 1
                self._counters.last_error = str(exc)
            except FrameError as exc:
                self._counters.malformed += 1
                self._counters.last_error = str(exc)
            else:
                if isinstance(message, WireCommand):
                    self._counters.malformed += 1
                    self._counters.last_error = "a command was heard: the line echoes what is sent on it"
                else:
                    messages.append(message)
        if self._splitter.overlong != self._overlong:
            self._counters.overlong += self._splitter.overlong - self._overlong
            self._overlong = self._splitter.overlong
            self._counters.last_error = "a line was too long; check the baud rate, and that lines end in LF"
        return messages

    def encode(self, command: Command) -> bytes:
        """See `Decoder`."""
        assert command.number is not None  # the outbox numbers every command
        return encode_command(command.action, command.number)

    def _take_head(self, head: bytes, messages: list[Message]) -> None:
        # Only a checksum can tell a whole line from the second half of one.
        try:
            message = decode_line(head, crc="required")
        except FrameError:
            self._counters.partial += 1
        else:
            if not isinstance(message, WireCommand):
                messages.append(message)
