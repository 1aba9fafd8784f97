"""A record's noise whitened for every noise on a grid, and the sums that a regression takes from it.

The noise has two parts: a first-order autoregressive one and a white one. A Kalman filter frees the blocks of
their correlation, one after another, [1]; blocks that are missing only let it fade for longer.

References
----------
.. [1] R. E. Kalman, J. Basic Eng. 82 (1960) 35, DOI 10.1115/1.3662552.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daq.measure import FloatArray, IntArray

__all__ = [
    "GRID_LOG_PRIOR",
    "GRID_RHO",
    "GRID_SHARE",
    "CorrelatedSeries",
    "CrossProducts",
    "cross_products",
    "stacked",
    "whiten",
]

_RHO = np.array([0.0, 0.15, 0.3, 0.45, 0.6, 0.7, 0.78, 0.85, 0.9, 0.94, 0.97])
_SHARE = np.array([0.15, 0.3, 0.5, 0.7, 0.85, 1.0])
"""Correlation from block to block, and the autoregressive part's share of the variance [1]."""
_TOGETHER = 500_000
"""So many whitened numbers are held at once, of records that are alike."""


def _grid() -> tuple[FloatArray, FloatArray, FloatArray]:
    edges = np.concatenate([[0.0], 0.5 * (_RHO[1:] + _RHO[:-1]), [1.0]])
    width = np.diff(edges)
    rho = np.concatenate([[0.0], np.repeat(_RHO[1:], _SHARE.size)])
    share = np.concatenate([[1.0], np.tile(_SHARE, _RHO.size - 1)])
    # Uniform in the correlation and in the share.
    prior = np.concatenate([[width[0]], np.repeat(width[1:] / _SHARE.size, _SHARE.size)])
    return rho, share, np.log(prior)


GRID_RHO, GRID_SHARE, GRID_LOG_PRIOR = _grid()


@dataclass(frozen=True, slots=True)
class CorrelatedSeries:
    """One record of n blocks.

    Attributes
    ----------
    at : int64[n]
        Number of each block, rising; what lies between is missing.
    response : float64[n]
    covariates : float64[n, p]
        Centred alike in all records.
    shared_errors : float64[n, q]
        Errors that go with the response, such as a calibration's: each is put through the same estimator.
    """

    at: IntArray
    response: FloatArray
    covariates: FloatArray
    shared_errors: FloatArray


@dataclass(frozen=True, slots=True)
class CrossProducts:
    """What a record leaves once whitened, for each of the grid's noises."""

    uu: FloatArray
    ux: FloatArray
    uy: FloatArray
    xx: FloatArray
    xy: FloatArray
    yy: FloatArray
    log_f: FloatArray


def stacked(record: CorrelatedSeries) -> FloatArray:
    """The columns of a regression: ones, covariates, response, shared errors; float64[n, 2 + p + q]."""
    one = np.ones((record.at.size, 1))
    return np.concatenate(
        [one, record.covariates, record.response[:, np.newaxis], record.shared_errors], axis=1
    )


def cross_products(records: Sequence[CorrelatedSeries]) -> list[CrossProducts]:
    """The cross-products of each record. Those whose blocks follow each other alike are whitened together."""
    alike: dict[bytes, list[int]] = {}
    for i, record in enumerate(records):
        alike.setdefault((record.at - record.at[0]).tobytes(), []).append(i)
    out: dict[int, CrossProducts] = {}
    for indices in alike.values():
        first = stacked(records[indices[0]])
        at_once = max(1, _TOGETHER // (GRID_RHO.size * first.size))
        for start in range(0, len(indices), at_once):
            some = indices[start : start + at_once]
            columns = np.concatenate([stacked(records[i]) for i in some], axis=1)
            white, log_f = whiten(columns, records[some[0]].at, GRID_RHO, GRID_SHARE)
            for i, own in zip(some, np.split(white, len(some), axis=2), strict=True):
                out[i] = _summed(records[i], own, log_f)
    return [out[i] for i in range(len(records))]


def _summed(record: CorrelatedSeries, white: FloatArray, log_f: FloatArray) -> CrossProducts:
    p = record.covariates.shape[1]
    one, x, y = white[:, :, 0], white[:, :, 1 : 1 + p], white[:, :, 1 + p :]
    return CrossProducts(
        uu=np.einsum("gn,gn->g", one, one),
        ux=np.einsum("gn,gnp->gp", one, x),
        uy=np.einsum("gn,gnk->gk", one, y),
        xx=np.einsum("gnp,gnq->gpq", x, x),
        xy=np.einsum("gnp,gnk->gpk", x, y),
        yy=np.einsum("gn,gn->g", y[:, :, 0], y[:, :, 0]),
        log_f=log_f,
    )


def whiten(
    columns: FloatArray, at: IntArray, rho: FloatArray, share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Columns freed of the noise's correlation, for each noise of the grid.

    Parameters
    ----------
    columns : float64[n, c]
    at : int64[n]
        Blocks' numbers.
    rho, share : float64[G]

    Returns
    -------
    float64[G, n, c], float64[G]
        Columns of unit noise, and the logarithm of the noise's determinant.
    """
    n, c = columns.shape
    g = rho.size
    out = np.empty((g, n, c))
    state = np.zeros((g, c))
    p = share.copy()
    white = 1.0 - share
    log_f = np.zeros(g)
    for i in range(n):
        if i:
            kept = rho ** float(at[i] - at[i - 1])
            state *= kept[:, np.newaxis]
            p = kept * kept * p + share * (1.0 - kept * kept)
        f = p + white
        surprise = columns[i] - state
        out[:, i] = surprise / np.sqrt(f)[:, np.newaxis]
        gain = p / f
        state += gain[:, np.newaxis] * surprise
        p = p * white / f
        log_f += np.log(f)
    return out, log_f
