"""When to ask what: the questions of a polled instrument, each with its period."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from daq.sources.reading import MAX_COUNT

__all__ = ["Notices", "Poll", "Timetable", "as_count"]

_LONGEST_NS: Final = 5_000_000_000
"""A question that is not answered is asked more and more rarely, but at least this often."""
_REPEATED_NS: Final = 60_000_000_000
_MOST_NOTICES: Final = 100

Q = TypeVar("Q")


@dataclass(slots=True)
class Poll(Generic[Q]):
    """A question, how often it is to be asked, and how it has fared."""

    question: Q
    period_ns: int
    due_ns: int = 0
    failures: int = 0

    def answered(self, now_ns: int) -> None:
        """It was: ask again a period after it was due, or at once where that has passed."""
        self.failures = 0
        self.due_ns = max(self.due_ns + self.period_ns, now_ns - self.period_ns)

    def failed(self, now_ns: int) -> None:
        """It was not: each time twice as long until the next try, so that others keep their pace."""
        self.failures = min(self.failures + 1, 16)
        self.due_ns = now_ns + min(_LONGEST_NS, self.period_ns << self.failures)


class Timetable(Generic[Q]):
    """All questions of an instrument; the one that has waited longest is next."""

    def __init__(self, polls: list[Poll[Q]]) -> None:
        self.polls = polls

    def restart(self, now_ns: int) -> None:
        """The instrument is there (again): all are due."""
        for poll in self.polls:
            poll.due_ns, poll.failures = now_ns, 0

    def due(self, now_ns: int) -> Poll[Q] | None:
        """The next to be asked now."""
        poll = min(self.polls, key=lambda p: p.due_ns)
        return poll if poll.due_ns <= now_ns else None

    def wait_s(self, now_ns: int) -> float:
        """How long until one is due [s]."""
        return max(0.0, (min(p.due_ns for p in self.polls) - now_ns) / 1e9)


class Notices:
    """Which of an instrument's complaints are worth a mark: each at most once a minute."""

    def __init__(self) -> None:
        self._next: dict[str, int] = {}

    def fresh(self, words: str, now_ns: int) -> bool:
        """Whether it is to be told now."""
        if now_ns < self._next.get(words, 0):
            return False
        if len(self._next) >= _MOST_NOTICES:
            self._next.clear()
        self._next[words] = now_ns + _REPEATED_NS
        return True


def as_count(value: float | None) -> int | None:
    """A count or milliseconds that an instrument gives; None where it is no whole number that fits."""
    if value is None or not (math.isfinite(value) and 0 <= value <= MAX_COUNT):
        return None
    return round(value)
