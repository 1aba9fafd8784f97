"""Cutting an instrument's output at a trip: off, then asking what flows until nothing does."""

from __future__ import annotations

import math
from typing import Final

from daq.bench import ScpiSupply
from daq.sources.scpi_format import parse_number

__all__ = ["SupplyCut"]

_ASK_EVERY_NS: Final = 100_000_000
_ASK_FOR_NS: Final = 10_000_000_000


class SupplyCut:
    """A cut that was ordered, until what the instrument reads has verified it.

    Parameters
    ----------
    spec : ScpiSupply
        What cuts, what is asked, and below how many amperes it counts as cut.

    Attributes
    ----------
    off_due : bool
        Whether the command is to be written before the next question.
    amps : float
        The latest reading [A]; NaN before the first.
    """

    def __init__(self, spec: ScpiSupply) -> None:
        self.spec = spec
        self.off_due = False
        self.amps = math.nan
        self._number: int | None = None
        self._until_ns = self._ask_ns = 0

    def order(self, number: int, now_ns: int) -> None:
        """Command `number` ordered it."""
        self._number, self._until_ns, self._ask_ns = number, now_ns + _ASK_FOR_NS, now_ns

    def open(self, now_ns: int) -> bool:
        """Whether one was ordered and is not verified yet; after ten seconds whoever ordered must again."""
        if self._number is not None and now_ns > self._until_ns:
            self._number = None
        return self._number is not None

    def ask_now(self, now_ns: int) -> bool:
        """Whether it is time to ask what flows."""
        return self.open(now_ns) and now_ns >= self._ask_ns

    def read(self, answer: str, now_ns: int) -> int | None:
        """Take the answer; returns the command's number once it is verified. Raises FrameError."""
        self.amps = parse_number(answer)
        if math.isfinite(self.amps) and abs(self.amps) < self.spec.amps_off:
            number, self._number = self._number, None
            return number
        self._ask_ns = now_ns + _ASK_EVERY_NS
        return None
