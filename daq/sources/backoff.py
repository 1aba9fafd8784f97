"""How long to wait before the next try."""

from __future__ import annotations

import random

__all__ = ["Backoff"]


class Backoff:
    """How long to wait before the next try to open: doubling, capped, jittered.

    Every delay lies within [`first_s`, `cap_s`].
    """

    def __init__(self, first_s: float = 0.2, cap_s: float = 5.0, rng: random.Random | None = None) -> None:
        self._first, self._cap = first_s, cap_s
        self._rng = rng or random.Random()  # noqa: S311 - jitter, not a secret
        self._tries = 0

    def next_s(self) -> float:
        """The next delay [s]."""
        longest = min(self._cap, self._first * 2.0**self._tries)
        self._tries = min(self._tries + 1, 32)
        return max(self._first, longest * self._rng.uniform(0.5, 1.0))

    def reset(self) -> None:
        """A try has succeeded."""
        self._tries = 0
