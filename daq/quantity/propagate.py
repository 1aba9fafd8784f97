"""Propagation through any function, by numerical sensitivities."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
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
        Takes floats or arrays, returns the same; elementwise in its arrays, which may come with a leading
        axis more than they were given with.
    *args, **kwargs
        Quantities, or plain values for what is known exactly. Arrays cost one call, floats two for each
        quantity with an uncertainty.
    unit : str
        Of the result.

    Raises
    ------
    PhysicsRangeError
        Where `function` raises it at the values themselves. Where only a value plus or minus its step lies
        outside the function's range, the other side alone gives the sensitivity.
    """
    given: dict[int | str, Any] = dict(enumerate(args))
    given.update(kwargs)
    at = {key: g.value if isinstance(g, Quantity) else g for key, g in given.items()}

    def called(changed: Mapping[int | str, Any]) -> FloatArray:
        here = {**at, **changed}
        named = {str(key): here[key] for key in kwargs}
        return np.asarray(function(*(here[k] for k in range(len(args))), **named), dtype=np.float64)

    steps: dict[int | str, FloatArray] = {}
    for key, quantity in given.items():
        if isinstance(quantity, Quantity) and quantity.parts:
            steps[key] = _step(np.asarray(quantity.u), at[key])
    shapes = {np.shape(at[key]) for key in steps} | {s.shape for s in steps.values()}
    shape = np.broadcast_shapes(*shapes) if len(shapes) > 1 else next(iter(shapes), ())
    together = _together(called, at, steps, shape) if shape else None
    if together is None:
        centre = called({})
        slopes = [
            _slope(
                centre,
                _or_nan(called, {key: _plain(np.asarray(at[key] + step))}),
                _or_nan(called, {key: _plain(np.asarray(at[key] - step))}),
                step,
            )
            for key, step in steps.items()
        ]
    else:
        centre, slopes = together
    terms = [(_plain(slope), given[key]) for key, slope in zip(steps, slopes, strict=True)]
    return combine(_plain(centre), unit, terms)


def _step(u: FloatArray, at: Num) -> FloatArray:
    """How far an input is shifted, where it has an uncertainty and where it has none."""
    step = _STEP * u
    if u.size == 1 and 0.0 < step.item() < math.inf:
        return step
    return np.where((u > 0.0) & np.isfinite(u), step, 1.0e-6 * (1.0 + np.abs(at)))


def _together(
    called: Callable[[Mapping[int | str, Any]], FloatArray],
    at: Mapping[int | str, Any],
    steps: Mapping[int | str, FloatArray],
    shape: tuple[int, ...],
) -> tuple[FloatArray, list[FloatArray]] | None:
    """Value and sensitivities by one call over all shifted inputs at once, a row for each: what counts for a
    single window is the number of calls. None where a row lies outside of what the function takes."""
    rows = 1 + 2 * len(steps)
    shifted: dict[int | str, FloatArray] = {}
    for k, (key, step) in enumerate(steps.items()):
        array = np.empty((rows, *shape))
        array[:] = at[key]
        array[1 + 2 * k] += step
        array[2 + 2 * k] -= step
        shifted[key] = array
    try:
        found = called(shifted)
        if found.shape != (rows, *shape):
            found = np.broadcast_to(found, (rows, *shape))
    except PhysicsRangeError:
        return None
    slopes = [
        _slope(found[0], found[1 + 2 * k], found[2 + 2 * k], step) for k, step in enumerate(steps.values())
    ]
    return found[0], slopes


def _slope(centre: FloatArray, up: FloatArray, down: FloatArray, step: FloatArray) -> FloatArray:
    """Central difference; one-sided for elements where one side is out of the function's range."""
    slope = 0.5 * (up - down) / step
    if not np.isnan(slope).any():
        return slope
    above, below = (up - centre) / step, (centre - down) / step
    return np.where(np.isnan(above), below, np.where(np.isnan(below), above, slope))


def _or_nan(
    function: Callable[[Mapping[int | str, Any]], FloatArray], changed: Mapping[int | str, Any]
) -> FloatArray:
    try:
        return function(changed)
    except PhysicsRangeError:
        return np.asarray(np.nan)


def _plain(value: FloatArray) -> Num:
    return value if value.ndim else float(value)
