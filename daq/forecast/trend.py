"""How things went of late: a limit that comes nearer faster than time passes, a temperature that rises on."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np

__all__ = ["Course", "Trend"]

LATELY_S: Final = 600.0
JUST_NOW_S: Final = 80.0
SOON_S: Final = 300.0

# Chosen by measurement on the benchmark.
_WINDOW: Final = 0.3
"""Of the time left: a trend is held to last about as long as it has been seen."""
_WINDOW_LEAST_S: Final = 200.0
_WINDOW_MOST_S: Final = 3600.0
_LOOKS_LEAST: Final = 4
_KEPT: Final = 128
_LOOK_S: Final = 50.0
"""Looks closer together than this say the same, and would make a trend of it seem the surer."""
_SURE_SD: Final = 2.5
_BELIEVED: Final = 0.4
_FASTER_MOST: Final = 0.8


@dataclass(slots=True)
class Trend:
    """Of the times to a limit, each said for the conditions of its instant.

    While those conditions stand, the instant of crossing that they lead to stands still. Where it comes
    nearer, as while the room warms, a leak grows or the lye grows stronger, it is held to come nearer for a
    while yet.
    """

    _said: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=_KEPT))
    _share: float = 1.0

    def forget(self) -> None:
        """Something has changed at once: what was said before tells nothing of a trend."""
        self._said.clear()
        self._share = 1.0

    def share(self, t_s: float, left_s: float) -> float:
        """Take the time left as said now [s]; by how much the trend shortens it (1: not at all)."""
        if not self._said or t_s - self._said[-1][0] >= _LOOK_S:
            self._said.append((t_s, left_s))
            self._share = self._of_late(t_s, left_s)
        return self._share

    def _of_late(self, t_s: float, left_s: float) -> float:
        window = min(max(_WINDOW * left_s, _WINDOW_LEAST_S), _WINDOW_MOST_S)
        seen = np.array([s for s in self._said if s[0] >= t_s - window])
        if len(seen) < _LOOKS_LEAST or t_s - seen[0, 0] < 0.5 * window:
            return 1.0
        x = seen[:, 0] - seen[:, 0].mean()
        crossing = seen.sum(1) - seen.sum(1).mean()
        spread = float(x @ x)
        slope = float(x @ crossing) / spread
        rest = crossing - slope * x
        sd = math.sqrt(float(rest @ rest) / (len(x) - 2) / spread)
        faster = _BELIEVED * max(-slope - _SURE_SD * sd, 0.0)
        return 1.0 / (1.0 + min(faster, _FASTER_MOST))


@dataclass(slots=True)
class Course:
    """The temperature of the last minutes."""

    _lately: deque[tuple[float, float]] = field(default_factory=deque)

    def add(self, t_s: float, lye_c: float) -> None:
        """Take the temperature at an instant."""
        self._lately.append((t_s, lye_c))
        while t_s - self._lately[0][0] > LATELY_S:
            self._lately.popleft()

    def rises_to(self, limit_c: float | None) -> float:
        """Time to a limit were the temperature to rise on as it did [s]; infinite if it does not rise.

        As it did in the last ten minutes, or in the last minute and a half where that brings it there within
        minutes: a fan that has just failed shows in no longer mean yet.
        """
        if limit_c is None or len(self._lately) < 2:
            return math.inf
        lately = self._on(self._lately[0], limit_c)
        until_s = self._lately[-1][0]
        just_now = next(
            x for x in reversed(self._lately) if until_s - x[0] >= JUST_NOW_S or x is self._lately[0]
        )
        soon = self._on(just_now, limit_c)
        return min(lately, soon) if soon < SOON_S else lately

    def _on(self, since: tuple[float, float], limit_c: float) -> float:
        (since_s, then), (until_s, now) = since, self._lately[-1]
        return max(limit_c - now, 0.0) * (until_s - since_s) / (now - then) if now > then else math.inf
