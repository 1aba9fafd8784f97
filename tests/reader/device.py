"""A small device on a real pseudo-terminal, whose words the test decides."""

from __future__ import annotations

import os
import pty
import select
import tty
from contextlib import suppress
from pathlib import Path

from daq.sources.wire import WireCommand, decode_line, encode_frame, encode_reply

__all__ = ["PtyDevice"]

LET_GO_S = 5.0


class PtyDevice:
    """Speaks the wire format at a link that keeps its name when it is unplugged and plugged in again."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.seq = 0
        self.ms = 0
        self.relay = 1.0
        self.trip = 0.0
        self.heard: list[str] = []
        self.refuse: str | None = None
        self._buffer = b""
        self.plug()

    def plug(self) -> None:
        """Plug in."""
        self._master, self._slave = pty.openpty()
        os.set_blocking(self._master, False)
        tty.setraw(self._slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        """Pull the plug."""
        self.link.unlink()
        os.close(self._slave)
        os.close(self._master)

    def say(self, step_ms: int = 100, **fields: float) -> None:
        """Send one frame, and do what the host has asked meanwhile."""
        self.obey()
        amps = fields.pop("amps", 8.0 if self.relay else 0.0)
        whole = {"volts": 12.0, "amps": amps, "temp": 40.0, "relay": self.relay, "trip": self.trip, **fields}
        self._write(encode_frame(self.seq, self.ms, whole))
        self.seq += 1
        self.ms += step_ms

    def obey(self) -> None:
        """Answer commands."""
        while select.select([self._master], [], [], 0)[0]:
            try:
                self._buffer += os.read(self._master, 4096)
            except OSError:
                return
        *lines, self._buffer = self._buffer.split(b"\n")
        for line in filter(None, lines):  # an empty line says nothing
            command = decode_line(line)
            assert isinstance(command, WireCommand)
            self.heard.append(command.action)
            refused = self.refuse if command.action == "reset" else None
            if command.action == "trip":
                self.relay, self.trip = 0.0, 1.0
            elif command.action == "reset" and refused is None:
                self.relay, self.trip = 1.0, 0.0
            self._write(encode_reply(command.n, refused is None, refused))

    def _write(self, data: bytes) -> None:
        """Write it whole; let it go where nobody has read for long, as a line without a listener does.

        A blocking write to a full pseudo-terminal would hold its thread, and the test's end, for ever.
        """
        while data and select.select([], [self._master], [], LET_GO_S)[1]:
            with suppress(BlockingIOError):
                data = data[os.write(self._master, data) :]
