"""Quantities whose errors go together."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from daq.errors import LyewatchError
from daq.quantity._core import Quantity
from daq.quantity._variable import Num, Variable, as_num

__all__ = ["correlated", "correlation"]


def correlated(
    values: Sequence[ArrayLike],
    covariance: ArrayLike,
    units: Sequence[str],
    *,
    dof: Num = math.inf,
    labels: Sequence[str] | None = None,
    common: bool = True,
) -> list[Quantity]:
    """Quantities whose errors are correlated, such as means of channels sampled together.

    Parameters
    ----------
    values : sequence of k floats or arrays
    covariance : array (k, k), or (..., k, k) for arrays of values
        Covariance of the values, positive semidefinite; ``np.outer(u, u) * r`` from a correlation matrix.
    units, labels : sequences of k str
    dof : float or array
        Degrees of freedom that all share.
    common : bool
        See `Variable`.

    Raises
    ------
    LyewatchError
        For a matrix of the wrong shape, not symmetric, or not positive semidefinite.
    """
    matrix = np.asarray(covariance, dtype=np.float64)
    k = len(values)
    if matrix.ndim < 2 or matrix.shape[-2:] != (k, k):
        raise LyewatchError(
            f"the covariance of {k} values is a {k} by {k} matrix", value=f"shape {matrix.shape}"
        )
    scale = np.sqrt(np.abs(np.diagonal(matrix, axis1=-2, axis2=-1)))
    scale = np.where(scale > 0.0, scale, 1.0)
    # Decompose the correlation, not the covariance: volts and milliamps differ by decades.
    r = matrix / scale[..., :, np.newaxis] / scale[..., np.newaxis, :]
    roots, vectors = np.linalg.eigh(r)
    if np.any(np.abs(r - np.swapaxes(r, -1, -2)) > 1e-9) or np.any(roots < -1e-6):
        raise LyewatchError(
            "this is no covariance matrix: it must be symmetric and positive semidefinite",
            value=np.array2string(matrix, precision=4),
            remedy="correlation coefficients lie from -1 to 1 and must agree with each other",
        )
    mixing = scale[..., :, np.newaxis] * vectors * np.sqrt(np.maximum(roots, 0.0))[..., np.newaxis, :]
    names = labels or [""] * k
    group = object()
    hidden = [
        Variable(" & ".join(n for n in names if n), dof=dof, common=common, group=group) for _ in values
    ]
    return [
        Quantity.from_parts(
            as_num(values[i]), units[i], {hidden[j]: as_num(mixing[..., i, j]) for j in range(k)}
        )
        for i in range(k)
    ]


def correlation(a: Quantity, b: Quantity) -> Num:
    """Correlation coefficient of two quantities' errors [1]; NaN where either has none."""
    covariance: Num = 0.0
    for variable in a.parts.keys() & b.parts.keys():
        term = a.parts[variable] * b.parts[variable]
        covariance = covariance + (np.sum(term, axis=-1) if variable.is_pooled else term)
    with np.errstate(divide="ignore", invalid="ignore"):
        return as_num(np.divide(covariance, np.multiply(a.u, b.u)))
