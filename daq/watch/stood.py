"""What samples of some times stand for: worked out once for all channels that come in one frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.watch.columns import FloatArray, IntArray

__all__ = ["OwnSums", "Stood"]


@dataclass(frozen=True, slots=True)
class OwnSums:
    """Seconds of samples by step from `low` on; `at` is each sample's step from there, `kept` which of the
    samples these are (None: all)."""

    low: int
    at: IntArray
    seconds: FloatArray
    total: FloatArray
    kept: NDArray[np.bool_] | None


@dataclass(slots=True)
class Stood:
    """What samples of some times stand for."""

    t_ns: IntArray
    held: IntArray
    """[ns]"""
    gap: NDArray[np.bool_]
    steps: IntArray
    seconds: FloatArray
    sums: OwnSums | None = None
