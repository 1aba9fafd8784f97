"""Mean and RMS of a rectangular wave, by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = ["two_level_mean", "two_level_rms"]


def two_level_mean(on: Any, off: Any, duty: Any) -> Any:
    """Mean of a rectangular wave: `on` for the share `duty` [1] of the time, else `off`."""
    return duty * on + (1.0 - duty) * off


def two_level_rms(on: Any, off: Any, duty: Any) -> Any:
    """Its RMS."""
    square = np.sqrt(two_level_mean(np.square(on), np.square(off), duty))
    return float(square) if np.ndim(square) == 0 else square
