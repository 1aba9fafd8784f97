"""Propagation through any function, by numerical sensitivities."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from daq.errors import PhysicsRangeError
from daq.quantity._core import Quantity, combine
from daq.quantity._variable import FloatArray, Num

__all__ = ["propagate"]

# A hundredth of u: small against the curvature within the uncertainty, large against rounding.
_STEP = 0.01


def propagate(function: Callable[..., Num], *args: Quantity | Num, unit: str, **kwargs: Any) -> Quantity:
    """``function(*args, **kwargs)`` as a quantity, first order in the errors of `args` and `kwargs`.

    Parameters
    ----------
    function : callable
        Takes floats or arrays, returns the same; elementwise in its arrays.
    *args, **kwargs
        Quantities, or plain values for what is known exactly. Only quantities with an uncertainty cost
        anything: two calls each.
    unit : str
        Of the result.

    Raises
    ------
    PhysicsRangeError
        Where `function` raises it at the values themselves. Where only a value plus or minus its step lies
        outside the function's range, the other side alone gives the sensitivity.
    """
    names = list(kwargs)
    given: list[Any] = [*args, *kwargs.values()]
    at = [g.value if isinstance(g, Quantity) else g for g in given]

    def called(position: int | None, shifted: Any) -> FloatArray:
        here = [shifted if k == position else a for k, a in enumerate(at)]
        plain = here[: len(args)]
        named = dict(zip(names, here[len(args) :], strict=True))
        return np.asarray(function(*plain, **named), dtype=np.float64)

    centre = called(None, None)
    terms: list[tuple[Num, Quantity]] = []
    for k, quantity in enumerate(given):
        if not isinstance(quantity, Quantity) or not quantity.parts:
            continue
        u = np.asarray(quantity.u)
        step = np.where((u > 0.0) & np.isfinite(u), _STEP * u, 1.0e-6 * (1.0 + np.abs(at[k])))
        slope = _slope(partial(called, k), centre, at[k], step)
        terms.append((_plain(slope), quantity))
    return combine(_plain(centre), unit, terms)


def _slope(
    function: Callable[[Any], FloatArray], centre: FloatArray, at: Num, step: FloatArray
) -> FloatArray:
    """Central difference; one-sided for elements where one side is out of the function's range."""
    up, down = _or_nan(function, at + step), _or_nan(function, at - step)
    above, below = (up - centre) / step, (centre - down) / step
    return np.where(np.isnan(above), below, np.where(np.isnan(below), above, 0.5 * (above + below)))


def _or_nan(function: Callable[[Any], FloatArray], x: Num) -> FloatArray:
    try:
        return function(_plain(np.asarray(x)))
    except PhysicsRangeError:
        return np.asarray(np.nan)


def _plain(value: FloatArray) -> Num:
    return value if value.ndim else float(value)
