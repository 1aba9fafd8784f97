"""How much a channel's readings jump about, from one to the next, over the last minute."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from daq.watch.columns import FloatArray, IntArray

__all__ = ["Scatter"]

OVER_STEPS = 60
FEWEST = 10
"""With fewer readings in the last minute nothing is said."""


@dataclass(slots=True)
class Scatter:
    """The scatter of one channel, step by step.

    Of successive differences d, the mean of ``-d[i] * d[i + 1]`` is the variance of white noise: for
    ``x[i] = s[i] + e[i]`` with independent e it is ``var(e) - mean(ds[i] * ds[i + 1])``, and a course s that
    runs one way only lowers it. A lasting step, as of cold water, leaves one large difference beside small
    ones and so next to nothing; a spike leaves two of opposite sign and shows.
    """

    value: float = math.nan
    """The last reading, and the last difference."""
    difference: float = math.nan
    _steps: deque[list[float]] = field(default_factory=lambda: deque(maxlen=OVER_STEPS))

    def follow(self, t_ns: IntArray, values: FloatArray, ticks_ns: IntArray) -> FloatArray:
        """Take readings up to the last of `ticks_ns`, which are a step apart; the scatter at each tick."""
        counts = np.zeros(ticks_ns.size)
        sums = np.zeros(ticks_ns.size)
        if values.size:
            d = np.diff(values, prepend=self.value)
            products = -d * np.concatenate([[self.difference], d[:-1]])
            known = np.isfinite(products)
            index = np.clip(np.searchsorted(ticks_ns, t_ns[known]), 0, ticks_ns.size - 1)
            np.add.at(counts, index, 1.0)
            np.add.at(sums, index, products[known])
            self.value, self.difference = float(values[-1]), float(d[-1])
        out = np.full(ticks_ns.size, np.nan)
        for i, (n, s) in enumerate(zip(counts.tolist(), sums.tolist(), strict=True)):
            self._steps.append([n, s])
            total = sum(step[0] for step in self._steps)
            if total >= FEWEST:
                out[i] = math.sqrt(max(0.0, sum(step[1] for step in self._steps) / total))
        return out

    def save(self) -> dict[str, Any]:
        """State as JSON says it."""
        last = [None if math.isnan(x) else x for x in (self.value, self.difference)]
        return {"last": last, "steps": [list(step) for step in self._steps]}

    def load(self, saved: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.value, self.difference = (math.nan if x is None else float(x) for x in saved["last"])
        self._steps.extend([float(n), float(s)] for n, s in saved["steps"])
