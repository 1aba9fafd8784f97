"""What one reading of a channel is worth: by its calibration, or the accuracy that the bench file states."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.quantity import Quantity, specified

__all__ = ["as_read", "read_u95"]


def as_read(bench: Bench, channel: str, value: float, unit: str) -> Quantity:
    """A reading with what calibration or accuracy and the resolution leave open.

    Parameters
    ----------
    bench : Bench
    channel : str
        Without one of that name on the bench the value is taken as exact.
    value : float
    unit : str
        Of the value, the channel's.
    """
    spec = bench.channels.get(channel)
    if spec is None:
        return Quantity(value, 0.0, unit, label=channel)
    calibration = bench.calibrations.get(channel)
    if calibration is not None:
        read = calibration.quantity(np.array([value]), channel, spec.resolution)
        return Quantity.from_parts(value, unit, {v: _plain(p) for v, p in read.parts.items()})
    a = spec.accuracy
    return specified(
        value,
        unit,
        label=channel,
        percent_of_reading=a.percent_of_reading,
        absolute=a.absolute,
        percent_of_range=a.percent_of_range,
        range_width=0.0 if spec.valid is None else spec.valid[1] - spec.valid[0],
        counts=a.counts,
        resolution=spec.resolution,
    )


def read_u95(bench: Bench, channel: str, value: float) -> float | None:
    """The expanded uncertainty of one reading [unit of the channel]; None where nothing is stated.

    Parameters
    ----------
    bench : Bench
    channel : str
        One that the bench has.
    value : float
        The reading [unit of the channel].
    """
    u95 = _plain(as_read(bench, channel, value, bench.channels[channel].unit).u95)
    return u95 if math.isfinite(u95) and u95 > 0.0 else None


def _plain(value: Any) -> float:
    return float(np.asarray(value).reshape(-1)[0])
