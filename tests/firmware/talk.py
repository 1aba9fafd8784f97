"""The host's end of the emulated line, in lockstep with it: exact, with no clock of its own."""

from __future__ import annotations

import os
import tty
from types import TracebackType
from typing import Self

from daq.sources.reading import Reading, Reply
from daq.sources.wire import Line, decode_line, encode_command
from tests.firmware.emulator import Emulator
from tests.waiting import wait_until

__all__ = ["FRAME_MS", "Talk"]

FRAME_MS = 100.0
"""The window that a frame is of, and from one to the next."""
_STEP_VOLTS = 10.0


class Talk:
    """Holds the emulator's terminal open; every line is decoded by the product's decoder, which raises."""

    def __init__(self, emulator: Emulator) -> None:
        self.emulator = emulator
        self.lines: list[Line] = []
        self.raw: list[bytes] = []
        self._handle = os.open(emulator.port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._handle)
        os.set_blocking(self._handle, False)
        self._written = emulator.counters()["rx"]
        self._read = emulator.counters()["tx"]
        self._number = 0
        self._rest = b""

    def run(self, ms: float) -> list[Line]:
        """Let virtual time pass [ms]; what was said meanwhile, decoded."""
        counters = self.emulator.run(ms)
        assert counters["dropped"] == 0
        return self._take(counters["tx"] - counters["waiting"])

    def send(self, data: bytes) -> None:
        """Bytes that the board begins to hear at this very instant of virtual time."""
        self._written += os.write(self._handle, data)
        self.emulator.wait_received(self._written)

    def ask(self, action: str, *, within_ms: float = 100.0) -> Reply:
        """A command, and its reply; the format allows 100 ms for it."""
        self._number += 1
        self.send(encode_command(action, self._number))
        waited = 0.0
        while waited < within_ms:
            waited += 5.0
            for line in self.run(5.0):
                if isinstance(line, Reply) and line.number == self._number:
                    return line
        raise AssertionError(f"no reply to do={action} within {within_ms:g} ms")

    def frames(self) -> list[Reading]:
        """All the frames so far."""
        return [line for line in self.lines if isinstance(line, Reading)]

    def frame_after(self, ms: float) -> Reading:
        """Let time pass [ms], and then take the newest frame."""
        heard = [line for line in self.run(ms) if isinstance(line, Reading)]
        assert heard, "no frame"
        return heard[-1]

    def timed_frame(self) -> tuple[Reading, int, int]:
        """A frame, the middle of the window that it is of, and when it was heard [us of virtual time].

        Volts that step up on the way tell it: the share of the window after the step is the mean over the
        level. Begins and ends with volts of its own.
        """
        self.emulator.set_volts(0.0)
        self._next_frame()
        self._next_frame()
        self.run(30.0)
        stepped_us = self.emulator.us
        self.emulator.set_volts(_STEP_VOLTS)
        frame, heard_us = self._next_frame(), self.emulator.us
        share = frame.fields["volts"] / self._next_frame().fields["volts"]
        assert 0.1 < share < 0.9, "the step was not within the window"
        return frame, stepped_us + round((share - 0.5) * 1000.0 * FRAME_MS), heard_us

    def _next_frame(self) -> Reading:
        before = len(self.frames())
        while len(self.frames()) == before:
            self.run(1.0)
        return self.frames()[-1]

    def close(self) -> None:
        """Let go of the terminal."""
        os.close(self._handle)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _take(self, until: int) -> list[Line]:
        """Read up to so many bytes in all, which the emulator has written."""
        chunks = [self._rest]

        def arrived() -> bool:
            try:
                chunk = os.read(self._handle, 65536)
            except BlockingIOError:
                chunk = b""
            self._read += len(chunk)
            chunks.append(chunk)
            return self._read >= until

        wait_until(arrived, "what the emulator has written", timeout_s=60.0, poll_s=0.001)
        *whole, self._rest = b"".join(chunks).split(b"\n")
        found = [decode_line(line) for line in whole]
        self.raw += whole
        self.lines += found
        return found
