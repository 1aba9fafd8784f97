"""From the reader's channel into the event loop: one bounded queue, filled by the client's thread."""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import suppress
from typing import Any, Final, Protocol

from daq.reader.channel import Answer

__all__ = ["LOST", "Asks", "Connect", "Feed", "Link"]

MOST_ROWS: Final = 50_000
"""Samples that may wait: over a minute of a bench at a thousand hertz with one source."""
MOST_PATIENT: Final = 500
"""Samples that may wait without waking anybody."""
LOST: Final = "lost"
"""Kind of the message, made here, that says why there is no connection."""


class Asks(Protocol):
    """Who can ask the reader for something."""

    def ask(self, kind: str, body: Mapping[str, Any], who: str = "") -> Future[Answer]:
        """Ask the reader for something.

        Parameters
        ----------
        kind, body, who : str, mapping of str to object, str
            As `ChannelClient.ask`.
        """

    def tell(self, message: Mapping[str, Any]) -> bool: ...


class Link(Asks, Protocol):
    """The service's end of the channel, as `daq.reader.ChannelClient` is it."""

    def start(self) -> None: ...
    def close(self) -> None: ...


class Feed:
    """Messages from the reader, in order.

    Attributes
    ----------
    dropped : int
        Samples that found no room because the event loop fell behind.
    patient_until_ns : int or None
        Samples of before this time of the run wake nobody: they wait for the event loop to come by [ns]. None
        while each is wanted at once.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self.patient_until_ns: int | None = None
        self._messages: deque[dict[str, Any]] = deque()
        self._rows = 0
        self._lock = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._event: asyncio.Event | None = None
        self._woken = False

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Wake this loop from now on."""
        self._loop, self._event = loop, asyncio.Event()

    def take(self, message: dict[str, Any]) -> None:
        """Take a message, from any thread. Raises nothing: the client's thread would end of it."""
        kind = message.get("type")
        with self._lock:
            if kind == "samples":
                rows = message.get("rows", ())
                if self._rows + len(rows) > MOST_ROWS:
                    self.dropped += len(rows)
                    return
                self._rows += len(rows)
                message["arrived_s"] = time.monotonic()
            self._messages.append(message)
            if self._woken or (kind == "samples" and self._may_wait(message)):
                return
            self._woken = True
        self._wake()

    def _may_wait(self, message: Mapping[str, Any]) -> bool:
        until_ns = self.patient_until_ns
        if until_ns is None or self._rows > MOST_PATIENT:
            return False
        return all(row["t_ns"] < until_ns for row in message.get("rows", ()))

    def lost(self, why: str) -> None:
        """There is no connection, and why."""
        self.take({"type": LOST, "why": why})

    def drain(self) -> list[dict[str, Any]]:
        """All that waits."""
        with self._lock:
            messages = list(self._messages)
            self._messages.clear()
            self._rows, self._woken = 0, False
        if self._event is not None:
            self._event.clear()
        return messages

    async def wait(self, within_s: float) -> None:
        """Until something waits, or so long [s]."""
        assert self._event is not None
        if self._woken:
            return
        # A timer that sets the event: `wait_for` would make a task of each wait.
        late = asyncio.get_running_loop().call_later(within_s, self._event.set)
        try:
            await self._event.wait()
        finally:
            late.cancel()

    def _wake(self) -> None:
        loop, event = self._loop, self._event
        if loop is not None and event is not None:
            with suppress(RuntimeError):  # it is closing just now
                loop.call_soon_threadsafe(event.set)


Connect = Callable[[Callable[[dict[str, Any]], None], Callable[[str], None]], Link]
"""Makes a link, given what takes messages and what is told of a lost connection."""
