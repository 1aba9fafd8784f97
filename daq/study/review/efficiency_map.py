"""Efficiency as a function of temperature and current: one number only holds where it was measured."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure import Assessor, Balance, FloatArray
from daq.study.render import Magnitude, Number
from daq.study.review.headline import numbers_at

__all__ = ["MAP_KEYS", "EfficiencyMap", "Field", "efficiency_map"]

MAP_KEYS = ("mmw_dry_ref", "faradaic_efficiency", "energy_efficiency_hhv", "cell_volts")
LEAST_S = 60.0
"""A field of the map holds at least so much time [s]."""
MOST = 7
"""Most columns of temperature, and rows of current."""
_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)


@dataclass(frozen=True, slots=True)
class Field:
    """A field of the map: its bounds [degC], [A], its time [s], and the numbers of `MAP_KEYS`, all gas of the
    field over all its energy.
    """

    temp_from: float
    temp_to: float
    amps_from: float
    amps_to: float
    seconds: Magnitude
    lye_temp: Number
    amps: Number
    numbers: Mapping[str, Number]


@dataclass(frozen=True, slots=True)
class EfficiencyMap:
    """Edges of the columns [degC] and rows [A], and the fields where the run was long enough."""

    temp_edges: Sequence[float]
    amps_edges: Sequence[float]
    fields: Sequence[Field]


def efficiency_map(assessor: Assessor, balance: Balance, where: NDArray[np.bool_]) -> EfficiencyMap:
    """The map.

    Parameters
    ----------
    assessor : Assessor
    balance : Balance
        Of consecutive windows.
    where : bool[m]
        Windows that count: powered and undisturbed.
    """
    temp, amps = (np.asarray(balance.flows[k].value, dtype=np.float64) for k in ("lye_temp", "amps"))
    where = where & np.isfinite(temp) & np.isfinite(amps)
    seconds = np.where(where, balance.seconds["amps"], 0.0)
    if not where.any():
        return EfficiencyMap([], [], [])
    # A supply is set to round amps: those stand in the middle of their row, not on its edge.
    columns, rows = _edges(temp[where], least=5.0, shift=0.0), _edges(amps[where], least=0.1, shift=0.5)
    fields = []
    for i in range(rows.size - 1):
        for j in range(columns.size - 1):
            inside = (
                where
                & (temp >= columns[j])
                & (temp < columns[j + 1])
                & (amps >= rows[i])
                & (amps < rows[i + 1])
            )
            spent = float(seconds[inside].sum())
            if spent < LEAST_S:
                continue
            numbers = numbers_at(assessor.numbers(balance.averaged(inside)))
            if any(numbers[k].value is not None for k in MAP_KEYS):
                fields.append(_field(columns, rows, i, j, spent, numbers))
    return EfficiencyMap(columns.tolist(), rows.tolist(), fields)


def _field(
    columns: FloatArray, rows: FloatArray, i: int, j: int, spent: float, numbers: Mapping[str, Number]
) -> Field:
    return Field(
        temp_from=float(columns[j]),
        temp_to=float(columns[j + 1]),
        amps_from=float(rows[i]),
        amps_to=float(rows[i + 1]),
        seconds=spent,
        lye_temp=numbers["lye_temp"],
        amps=numbers["amps"],
        numbers={k: numbers[k] for k in MAP_KEYS},
    )


def _edges(values: FloatArray, *, least: float, shift: float) -> FloatArray:
    """Round edges, or edges about round middles, that hold all values: at most `MOST` fields, none narrower
    than `least`."""
    low, high = float(values.min()), float(values.max())
    for step in _STEPS:
        first, last = math.floor(low / step + shift), math.floor(high / step + shift) + 1
        if step >= least and last - first <= MOST:
            return step * (np.arange(first, last + 1, dtype=np.float64) - shift)
    step = (high - low) / MOST or 1.0
    return np.asarray(low + step * np.arange(MOST + 2), dtype=np.float64)
