"""Inverses of monotone functions of one variable, over whole arrays at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from daq.physics._ranges import FloatArray, Num, Outside, within

__all__ = ["inverted"]


def inverted(
    function: Callable[[FloatArray, FloatArray], FloatArray],
    given: Num,
    wanted: Num,
    low: Num,
    high: Num,
    *,
    place: str,
    name: str,
    unit: str,
    outside: Outside,
) -> Num:
    """The x in ``low <= x <= high`` at which ``function(given, x)``, monotone in x, is `wanted`.

    Bisection to the last bit: robust at the edges of a range, where Newton's steps would leave it, and the
    functions here are cheap.

    Parameters
    ----------
    function : callable
        Takes float64[n] twice; gives NaN where `given` is out of its own range, which is then the result, or
        raised for with the name of `wanted`.
    given : float or array
        The function's first argument.
    wanted : float or array
        Its value [unit].
    low, high : float or array
        Between which x is sought.
    place, name, unit : str
        The calling function, and the name and unit of `wanted`, for the message.
    outside : {"raise", "nan"}
        What a value gives that no x of the range has.
    """
    at, target, lo, hi = np.broadcast_arrays(
        *(np.asarray(a, dtype=np.float64) for a in (given, wanted, low, high))
    )
    shape = at.shape
    at, target, lo, hi = (np.atleast_1d(a).astype(np.float64) for a in (at, target, lo, hi))
    ends = function(at, lo), function(at, hi)
    bottom, top = np.minimum(*ends), np.maximum(*ends)
    rising = ends[1] >= ends[0]
    checked = target
    if outside == "raise":
        unreachable = (target < bottom) | (target > top)
        if unreachable.any():
            first = int(np.flatnonzero(unreachable)[0])
            within(
                float(target[first]),
                float(bottom[first]),
                float(top[first]),
                place=place,
                name=name,
                unit=unit,
            )
    else:
        checked = np.where((target < bottom) | (target > top), np.nan, target)
    for _ in range(60):
        middle = 0.5 * (lo + hi)
        below = (function(at, middle) < checked) == rising
        lo, hi = np.where(below, middle, lo), np.where(below, hi, middle)
    unknown = np.isnan(checked) | np.isnan(bottom) | np.isnan(top)
    root = np.where(unknown, np.nan, 0.5 * (lo + hi))
    return root.reshape(shape) if shape else float(root[0])
