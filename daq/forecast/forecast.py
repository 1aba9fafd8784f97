"""What the runaway watch says at an instant, and how it is drawn from the futures."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from daq.forecast.config import FloatArray
from daq.forecast.ensemble import Band

__all__ = ["LIKELIER", "Forecast", "band_of", "later", "numbers_of", "settling_band", "time_band"]

BoolArray: TypeAlias = NDArray[np.bool_]

LIKELIER: Final = 0.5
"""A chance from which on it is said that the limit is crossed, and when; below, where it settles. Both by one
figure, or what is said would contradict itself."""


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


def time_band(times: FloatArray, likelier: float = LIKELIER) -> Band:
    """The band of a time; its value is that of the futures that do cross, unless fewer than `likelier` do."""
    band = band_of(times)
    crossing = np.sort(times[np.isfinite(times)])
    if len(crossing) < likelier * len(times):
        return replace(band, value=None)
    return replace(band, value=float(crossing[len(crossing) // 2]))


def settling_band(
    settles_c: FloatArray, crosses: BoolArray | None, chance: float, likelier: float = LIKELIER
) -> Band:
    """Where it settles if what is likelier comes true, that it stays below the limit or that it does not.

    The band is that of all futures.

    Parameters
    ----------
    settles_c : float64[m]
        Where each future settles [degC]; infinite where it does not.
    crosses : bool[m], optional
        Which futures cross the limit; None where there is no limit.
    chance : float
        Share of them that do [1].
    likelier : float
        From which chance on it is said that the limit is crossed [1].
    """
    band = band_of(settles_c)
    if crosses is None or chance in (0.0, 1.0):
        return band
    some = settles_c[crosses] if chance >= likelier else settles_c[~crosses]
    return replace(band, value=band_of(some).value)


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
