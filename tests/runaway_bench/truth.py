"""A run as the score sees it: what the watch was fed, and what was true."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Log", "Truth"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(slots=True)
class Log:
    """What the watch is fed; NaN is missing, None not measured."""

    t_s: FloatArray
    volts: FloatArray
    amps: FloatArray
    watts: FloatArray | None
    lye_temp: FloatArray
    room_temp: FloatArray | None
    gas_lpm: FloatArray | None


@dataclass(slots=True)
class Truth:
    """The log up to the crossing (or the end), and the truth beside it."""

    name: str
    log: Log
    t_s: FloatArray
    true_c: FloatArray
    crossed_s: float | None
    check_s: FloatArray
    leads_to_limit: BoolArray
    """Whether present conditions, propagated from each check, lead to the limit."""
    settles_c: FloatArray
    """Where present conditions would settle at each check; NaN where they cross."""

    @property
    def inevitable_s(self) -> float | None:
        """Since when present conditions lead to the limit without a break, for a run that crosses."""
        if self.crossed_s is None:
            return None
        not_yet = np.nonzero(~self.leads_to_limit)[0]
        first = 0 if len(not_yet) == 0 else int(not_yet[-1]) + 1
        return float(self.check_s[first]) if first < len(self.check_s) else self.crossed_s

    @property
    def benign(self) -> bool:
        """Whether present conditions never lead to the limit."""
        return self.crossed_s is None and not bool(self.leads_to_limit.any())
