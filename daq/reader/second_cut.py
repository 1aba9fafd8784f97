"""The second way of cutting the supply: an instrument's own output, beside the relay."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from daq.reader.timebase import Clocks
from daq.sources import Command, Source, SourceEvent

__all__ = ["SecondCut"]

_RESEND_NS: Final = 1_000_000_000
_DOUBT_NS: Final = 3_000_000_000


@dataclass(slots=True)
class SecondCut:
    """Orders the cut again and again until the source has verified it by what it reads.

    Parameters
    ----------
    source : Source
        Answers a `trip` only once it has read that no current flows.
    clocks : Clocks
    say : callable
        Takes one line of text.
    """

    source: Source
    clocks: Clocks
    say: Callable[[str], None]
    _wanted: bool = False
    _sent_ns: int = 0
    _since_ns: int = 0
    _verified_ns: int | None = None
    _doubted: bool = False

    @property
    def waiting(self) -> bool:
        """Whether it was told to cut and has not answered that no current flows."""
        return self._wanted

    def order(self, now: int) -> None:
        """Cut, or cut again."""
        if not self._wanted:
            self._wanted, self._since_ns, self._doubted = True, now, False
        self._sent_ns = now
        self.source.send(Command("trip"))

    def tick(self, now: int) -> str | None:
        """Order again what is not verified; returns words for the run's marks when it is in doubt."""
        if not self._wanted:
            return None
        if now - self._sent_ns > _RESEND_NS:
            self.order(now)
        if now - self._since_ns <= _DOUBT_NS or self._doubted:
            return None
        self._doubted = True
        words = f"{self.source.name} has not cut its output, or does not answer; it is told again and again"
        self.say(words)
        return words

    def replied(self, event: SourceEvent, now: int) -> None:
        """The source answered."""
        if event.source == self.source.name and event.reply is not None and event.reply.ok:
            self._wanted, self._verified_ns = False, now

    def verified(self, now: int) -> bool:
        """Whether it has read a moment ago that no current flows."""
        return self._verified_ns is not None and now - self._verified_ns < _DOUBT_NS

    def withdraw(self) -> None:
        """The trip was reset: do not cut when the instrument comes back later."""
        self._wanted, self._verified_ns = False, None
        self.source.withdraw("trip")
