"""A run's clock: from the host's monotonic clock to nanoseconds of the run.

The wall clock is read beside it only to notice when somebody set it: a step is a mark in the run, never a
jump in its data."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

__all__ = ["SYSTEM_CLOCKS", "Clocks", "StepDetector"]


@dataclass(frozen=True, slots=True)
class Clocks:
    """The two clocks of a host, both in nanoseconds; tests hand in their own."""

    mono_ns: Callable[[], int] = time.monotonic_ns
    utc_ns: Callable[[], int] = time.time_ns

    def offset_ns(self) -> int:
        """The wall clock less the monotonic one [ns]."""
        return self.utc_ns() - self.mono_ns()


SYSTEM_CLOCKS = Clocks()


@dataclass(slots=True)
class StepDetector:
    """Notices a wall clock that was set.

    Slow steering by a time service moves the offset by at most 500 ppm (the limit of adjtimex and of the NTP
    discipline, RFC 5905 section 11.3); `threshold_ns` between two looks is far above that.
    """

    clocks: Clocks
    threshold_ns: int = 200_000_000
    _offset_ns: int = field(default=0)

    def __post_init__(self) -> None:
        self._offset_ns = self.clocks.offset_ns()

    def look(self) -> float | None:
        """The step since the last look [s], or None where there was none."""
        offset = self.clocks.offset_ns()
        step, self._offset_ns = offset - self._offset_ns, offset
        return step / 1e9 if abs(step) > self.threshold_ns else None
