"""How every function of `daq.physics` treats its inputs: one convention, kept in one place.

* A float in gives a float out; an array in gives an array of the broadcast shape.
* NaN in gives NaN out: a missing value stays missing.
* A value outside the published range raises `PhysicsRangeError`, for arrays as for floats, naming the first
  offender. With ``outside="nan"`` such values give NaN instead. Nothing is extrapolated.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Literal, ParamSpec, TypeAlias

import numpy as np
from numpy.typing import NDArray

from daq.errors import PhysicsRangeError

__all__ = ["FloatArray", "Num", "Outside", "plain", "within"]

FloatArray: TypeAlias = NDArray[np.float64]
Num: TypeAlias = float | FloatArray
Outside: TypeAlias = Literal["raise", "nan"]

_P = ParamSpec("_P")


def plain(function: Callable[_P, Num]) -> Callable[_P, Num]:
    """Turn numpy scalars and 0-d arrays that `function` returns into plain floats."""

    @functools.wraps(function)
    def wrapped(*args: _P.args, **kwargs: _P.kwargs) -> Num:
        result = function(*args, **kwargs)
        if isinstance(result, np.ndarray) and result.ndim:
            return result
        return float(result)

    return wrapped


def within(
    value: Num, low: float, high: float, *, place: str, name: str, unit: str, outside: Outside = "raise"
) -> Num:
    """`value` as float or float64 array, checked to lie in ``low <= value <= high``.

    Parameters
    ----------
    value : float or array
        [unit]
    low, high : float
        Ends of the range, both included [unit].
    place, name, unit : str
        The function, the argument and its unit, for the message; an empty unit for a pure number.
    outside : {"raise", "nan"}
        What a value out of range gives.

    Raises
    ------
    PhysicsRangeError
        If a value lies outside and `outside` is "raise".
    """
    if isinstance(value, (float, int)):
        if low <= value <= high or value != value:
            return float(value)
        if outside == "nan":
            return float("nan")
        raise _error(float(value), low, high, place, name, unit)
    array = np.asarray(value, dtype=np.float64)
    bad = (array < low) | (array > high)
    if bad.any():
        if outside != "nan":
            raise _error(float(array[bad].flat[0]), low, high, place, name, unit)
        array = np.where(bad, np.nan, array)
    return array if array.ndim else float(array)


def _error(value: float, low: float, high: float, place: str, name: str, unit: str) -> PhysicsRangeError:
    unit = f" {unit}" if unit and unit != "1" else ""
    if np.isneginf(low) and np.isposinf(high):
        holds = "any finite value"
    elif np.isposinf(high):
        holds = f"{low:g}{unit} and above"
    elif np.isneginf(low):
        holds = f"up to {high:g}{unit}"
    else:
        holds = f"{low:g} to {high:g}{unit}"
    return PhysicsRangeError(
        f"{name} lies outside what this equation holds for, {holds}",
        place=place,
        value=value,
        remedy="check the sensor, its unit and its calibration",
    )
