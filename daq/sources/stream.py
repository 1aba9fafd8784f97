"""Sources of bytes: a driver opens, reads, writes and closes, and a decoder makes sense of what it read."""

from __future__ import annotations

import random
import time
from abc import abstractmethod
from collections.abc import Callable, Iterable

from daq.sources.base import Source
from daq.sources.clock import ClockMode
from daq.sources.counters import LinkCounters
from daq.sources.decoder import Decoder
from daq.sources.outbox import Command
from daq.sources.reading import Message

__all__ = ["StreamSource"]


class StreamSource(Source):
    """A source of bytes. A driver implements `_open`, `_read`, `_write` and `_close`.

    `make_decoder` is called once with the source's counters; the other parameters are those of `Source`.
    """

    def __init__(
        self,
        name: str,
        make_decoder: Callable[[LinkCounters], Decoder],
        *,
        place: str,
        clock: ClockMode = "host",
        silent_after_s: float = 1.0,
        reopen_when_silent_s: float | None = None,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(
            name,
            place=place,
            clock=clock,
            silent_after_s=silent_after_s,
            reopen_when_silent_s=reopen_when_silent_s,
            rng=rng,
            now=now,
        )
        self._decoder = make_decoder(self.counters)
        self._bytes_since_frame = 0
        self._torn = True

    @abstractmethod
    def _read(self, timeout_s: float) -> bytes:
        """Whatever has arrived, after waiting up to `timeout_s` for some; b"" for nothing."""

    @abstractmethod
    def _write(self, data: bytes) -> None:
        """Write all of `data`, within a fraction of a second, or raise."""

    def _session(self) -> None:
        self._decoder.restart()
        self._bytes_since_frame = 0
        self._torn = True
        super()._session()

    def _take(self, timeout_s: float) -> Iterable[tuple[int, Message]]:
        chunk = self._read(timeout_s)
        if not chunk:
            return ()
        received_ns = self._now()
        decoded = self._decoder.feed(chunk)
        self._bytes_since_frame = 0 if decoded else self._bytes_since_frame + len(chunk)
        return [(received_ns, message) for message in decoded]

    def _say(self, command: Command) -> None:
        # Half a line may stand in the device: from a terminal program, or a write of ours that broke off.
        clear = self._decoder.clear if self._torn else b""
        self._torn = True
        self._write(clear + self._decoder.encode(command))
        self._torn = False

    def _silence(self) -> str:
        return self._unread(self._bytes_since_frame) if self._bytes_since_frame else super()._silence()

    def _unread(self, count: int) -> str:
        """What to say where `count` bytes made no frame."""
        return (
            f"{count} bytes arrived and none was a good frame; check the baud rate, "
            "and that the device speaks the format of firmware_notes/wire_format.md"
        )
