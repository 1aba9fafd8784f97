"""Wait for a condition, never for a length of time."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

__all__ = ["wait_until"]

T = TypeVar("T")


def wait_until(condition: Callable[[], T], what: str, *, timeout_s: float = 20.0, poll_s: float = 0.02) -> T:
    """Poll `condition` until it is true, and return what it returned.

    Raises AssertionError naming `what` and the last answer once `timeout_s` has passed: choose it generously,
    since a loaded machine may stall for seconds, and a condition that holds costs nothing.
    """
    deadline = time.monotonic() + timeout_s
    while True:
        answer = condition()
        if answer:
            return answer
        if time.monotonic() >= deadline:
            raise AssertionError(f"waited {timeout_s:g} s in vain for {what}; last answer: {answer!r}")
        time.sleep(poll_s)
