"""How things went of late: a limit that comes nearer faster than time passes, a temperature that rises on."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from daq.forecast.tuning import TUNING

__all__ = ["Course", "Trend"]


@dataclass(slots=True)
class Trend:
    """Of the times to a limit, each said for the conditions of its instant.

    While those conditions stand, the instant of crossing that they lead to stands still. Where it comes
    nearer, as while the room warms, a leak grows or the lye grows stronger, it is held to come nearer for a
    while yet.
    """

    _history: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=TUNING.trend_kept))
    _share: float = 1.0

    def forget(self) -> None:
        """Something has changed at once: what was said before tells nothing of a trend."""
        self._history.clear()
        self._share = 1.0

    def share(self, t_s: float, left_s: float) -> float:
        """Take the time left as said now [s]; by how much the trend shortens it (1: not at all)."""
        if not self._history or t_s - self._history[-1][0] >= TUNING.trend_look_s:
            self._history.append((t_s, left_s))
            self._share = self._of_late(t_s, left_s)
        return self._share

    def _of_late(self, t_s: float, left_s: float) -> float:
        window = min(max(TUNING.trend_window * left_s, TUNING.trend_least_s), TUNING.trend_most_s)
        seen = np.array([s for s in self._history if s[0] >= t_s - window])
        if len(seen) < TUNING.trend_looks_least or t_s - seen[0, 0] < 0.5 * window:
            return 1.0
        x = seen[:, 0] - seen[:, 0].mean()
        crossing = seen.sum(1) - seen.sum(1).mean()
        spread = float(x @ x)
        slope = float(x @ crossing) / spread
        rest = crossing - slope * x
        sd = math.sqrt(float(rest @ rest) / (len(x) - 2) / spread)
        faster = TUNING.trend_believed * max(-slope - TUNING.trend_sure_sd * sd, 0.0)
        return 1.0 / (1.0 + min(faster, TUNING.trend_faster_most))


@dataclass(slots=True)
class Course:
    """The temperature of the last minutes."""

    _lately: deque[tuple[float, float]] = field(default_factory=deque)

    def add(self, t_s: float, lye_c: float) -> None:
        """Take the temperature at an instant."""
        self._lately.append((t_s, lye_c))
        while t_s - self._lately[0][0] > TUNING.lately_s:
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
            x for x in reversed(self._lately) if until_s - x[0] >= TUNING.just_now_s or x is self._lately[0]
        )
        soon = self._on(just_now, limit_c)
        return min(lately, soon) if soon < TUNING.soon_s else lately

    def _on(self, since: tuple[float, float], limit_c: float) -> float:
        (since_s, then), (until_s, now) = since, self._lately[-1]
        return max(limit_c - now, 0.0) * (until_s - since_s) / (now - then) if now > then else math.inf
