"""Server-sent events to many pages: one encoder, one bounded queue a client.

The event stream format is that of the HTML Living Standard, section 9.2.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any

import orjson

__all__ = ["Event", "Hub", "encode"]

QUEUE_EVENTS = 400  # some 20 s of everything; a page that is further behind reconnects and catches up
KEEP_ALIVE_S = 5.0
REMEMBERED = 3000


@dataclass(frozen=True, slots=True)
class Event:
    """One event, encoded once for all clients."""

    number: int
    text: bytes


def encode(name: str, data: Any, number: int | None = None) -> bytes:
    """An event in the stream's format. NaN becomes null.

    Parameters
    ----------
    name : str
        The event's.
    data : object
        What orjson takes.
    number : int, optional
        The event's id, by which a page says what it has seen; None for an event that is not kept.
    """
    head = b"" if number is None else f"id: {number}\n".encode()
    return head + f"event: {name}\ndata: ".encode() + orjson.dumps(data) + b"\n\n"


@dataclass(slots=True)
class Hub:
    """Publishes events to whoever listens and remembers the newest for those who come back.

    Events that are remembered are numbered, from the wall clock's microseconds when the hub was made: so an
    event of a service that was started later has a higher number, whatever the clock of the run.
    """

    number: int = field(default_factory=lambda: time.time_ns() // 1000)
    """Of the newest event that is remembered."""
    taps: list[Callable[[str, Any], None]] = field(default_factory=list)
    """Told of every event as it is; must return at once."""
    _clients: set[asyncio.Queue[Event | None]] = field(default_factory=set)
    _recent: deque[Event] = field(default_factory=lambda: deque(maxlen=REMEMBERED))

    @property
    def clients(self) -> int:
        """How many pages listen."""
        return len(self._clients)

    def publish(self, name: str, data: Any, *, keep: bool = False) -> None:
        """Send an event to all.

        Parameters
        ----------
        name : str
        data : object
            What orjson takes.
        keep : bool
            Whether to number it, and to remember it for pages that come back.
        """
        for tap in self.taps:
            tap(name, data)
        if keep:
            self.number += 1
        event = Event(self.number, encode(name, data, self.number if keep else None))
        if keep:
            self._recent.append(event)
        for queue in list(self._clients):
            try:
                queue.put_nowait(event)
            except asyncio.QueueFull:
                # A stalled page is let go rather than fed old news: it reconnects with its Last-Event-ID.
                self._clients.discard(queue)
                queue.get_nowait()
                queue.put_nowait(None)

    def close(self) -> None:
        """End all streams."""
        for queue in list(self._clients):
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(None)
        self._clients.clear()

    async def stream(self, after: int | None, first: list[bytes]) -> AsyncIterator[bytes]:
        """Events for one client: `first`, then what it missed since event `after`, then all that comes."""
        queue: asyncio.Queue[Event | None] = asyncio.Queue(maxsize=QUEUE_EVENTS)
        missed = [] if after is None else [e for e in self._recent if e.number > after]
        self._clients.add(queue)
        try:
            yield b"retry: 1000\n\n" + b"".join(first) + b"".join(e.text for e in missed)
            while True:
                try:
                    event = await asyncio.wait_for(queue.get(), KEEP_ALIVE_S)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if event is None:
                    return
                yield event.text
        finally:
            self._clients.discard(queue)
