"""What waits for the guard's loop: frames and words of the sources, and what is asked of the reader."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from daq.frame import Frame
from daq.sources import SourceEvent

__all__ = ["Inbox", "Overflow"]

FRAMES: Final = 20_000
"""Room for frames: 10 s of a flood of 2,000 a second."""
EVENTS: Final = 10_000


@dataclass(slots=True)
class Overflow:
    """Frames of one source that found no room: how many, and from when to when on the host's clock [ns]."""

    count: int
    from_ns: int
    until_ns: int


class Inbox:
    """The sink that the sources write to, from their own threads; one thread takes.

    What is asked for goes before frames, so that a flood of them delays no cut. Frames that find no room are
    counted by source.

    Attributes
    ----------
    dropped : int
        Frames and events that found no room, ever.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self._acts: deque[Callable[[], None]] = deque()
        self._items: deque[Frame | SourceEvent] = deque()
        self._overflow: dict[str, Overflow] = {}
        self._changed = threading.Condition()

    def act(self, do: Callable[[], None]) -> None:
        """Have something done by the loop, before it looks at more frames."""
        with self._changed:
            self._acts.append(do)
            self._changed.notify()

    def frame(self, frame: Frame) -> None:
        """A frame; returns at once."""
        with self._changed:
            if len(self._items) >= FRAMES:
                self.dropped += 1
                overflow = self._overflow.setdefault(frame.source, Overflow(0, frame.mono_ns, frame.mono_ns))
                overflow.count += 1
                overflow.until_ns = frame.mono_ns
                return
            self._items.append(frame)
            self._changed.notify()

    def event(self, event: SourceEvent) -> None:
        """Words of a source; they have room where frames have none any more."""
        with self._changed:
            if len(self._items) >= FRAMES + EVENTS:
                self.dropped += 1
                return
            self._items.append(event)
            self._changed.notify()

    def take(self, timeout_s: float, most: int) -> tuple[list[Callable[[], None]], list[Frame | SourceEvent]]:
        """Wait for something, then take what is there: all that is to be done, and at most `most` items."""
        with self._changed:
            if not self._acts and not self._items:
                self._changed.wait(timeout_s)
            acts = list(self._acts)
            self._acts.clear()
            count = min(most, len(self._items))
            return acts, [self._items.popleft() for _ in range(count)]

    def take_overflow(self) -> dict[str, Overflow]:
        """What has found no room since it was asked last, by source."""
        with self._changed:
            found, self._overflow = self._overflow, {}
            return found
