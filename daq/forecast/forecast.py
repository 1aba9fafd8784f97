"""What the runaway watch says at an instant, and how it is drawn from the futures."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from daq.forecast.config import FloatArray
from daq.forecast.decision import CLEAR_AT, RAISE_AT
from daq.forecast.ensemble import Band

__all__ = ["Forecast", "band_of", "later", "likelier", "numbers_of", "time_band"]

BoolArray: TypeAlias = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Forecast:
    """What the watch says at an instant, under present conditions.

    Their trend moves the time to a limit, not whether it is reached.
    """

    at_s: float
    time_to_limit_s: dict[str, Band]
    steady_state_c: Band
    loop_gain: Band
    chance: float
    regime: str
    confidence: str
    heat_w: float | None
    gas_w: float | None
    vapour_w: float | None
    loss_w: float | None
    lye_c: float | None
    capacity_j_k: Band
    resistance_k_w: Band
    unknowns: tuple[str, ...]
    words: str


def band_of(values: FloatArray) -> Band:
    """Median, 5 % and 95 % of an ensemble's values; None where they are infinite."""
    ordered = np.sort(values)
    n = len(ordered)
    picked = (ordered[n // 2], ordered[int(0.05 * n)], ordered[-1 - int(0.05 * n)])
    return Band(*(float(v) if math.isfinite(v) else None for v in picked))


def time_band(times: FloatArray) -> Band:
    """The band of a time; its value is that of the futures that do cross, unless few of them do."""
    band = band_of(times)
    crossing = np.sort(times[np.isfinite(times)])
    if len(crossing) < CLEAR_AT * len(times):
        return replace(band, value=None)
    return replace(band, value=float(crossing[len(crossing) // 2]))


def likelier(settles_c: FloatArray, crosses: BoolArray | None, chance: float) -> FloatArray:
    """Where it settles if what is likelier comes true: that it stays below the limit, or that it does not."""
    if crosses is None or chance in (0.0, 1.0):
        return settles_c
    return settles_c[crosses] if chance >= RAISE_AT else settles_c[~crosses]


def later(b: Band, age_s: float) -> Band:
    """A time to something, so much later."""
    value, low, high = (None if v is None else max(0.0, v - age_s) for v in (b.value, b.low, b.high))
    return Band(value, low, high)


def numbers_of(f: Forecast) -> dict[str, float | None]:
    """What stands behind a warning."""
    numbers = {
        "chance": f.chance,
        "steady_state_c": f.steady_state_c.value,
        "loop_gain": f.loop_gain.value,
        "heat_w": f.heat_w,
        "vapour_w": f.vapour_w,
        "loss_w": f.loss_w,
        "lye_c": f.lye_c,
        **{f"time_to_{name}_s": b.value for name, b in f.time_to_limit_s.items()},
    }
    return {name: None if value is None else round(float(value), 3) for name, value in numbers.items()}
