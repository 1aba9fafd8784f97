"""Least squares, with errors that count autocorrelation.

References
----------
.. [1] E. Lazarus, D. J. Lewis, J. H. Stock, M. W. Watson, J. Bus. Econ. Stat. 36 (2018) 541,
   DOI 10.1080/07350015.2018.1506926: HAC inference in practice; the equal-weighted cosine estimator, whose
   tests are Student's t with as many degrees of freedom as cosines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from daq.errors import LyewatchError
from daq.measure import FloatArray

__all__ = ["Regression", "cosine_scores", "cosines_for", "least_squares"]


@dataclass(frozen=True, slots=True)
class Regression:
    """A linear least-squares fit of n rows and k columns.

    Attributes
    ----------
    beta : float64[k]
    residuals : float64[n]
    inverse : float64[k, k]
        Inverse of the normal matrix.
    influence : float64[k, n]
        What each row adds to each coefficient: ``beta = influence @ response``.
    dof : int
        ``n - k``.
    """

    beta: FloatArray
    residuals: FloatArray
    inverse: FloatArray
    influence: FloatArray
    dof: int

    @property
    def s(self) -> float:
        """Residual standard deviation; NaN without degrees of freedom."""
        return float(np.sqrt(self.residuals @ self.residuals / self.dof)) if self.dof > 0 else float("nan")

    @property
    def covariance(self) -> FloatArray:
        """Of the coefficients, where the residuals are independent and alike."""
        return self.inverse * self.s**2

    @property
    def sd(self) -> FloatArray:
        """Standard deviations from `covariance`."""
        return np.sqrt(np.diag(self.covariance))


def least_squares(design: ArrayLike, response: ArrayLike) -> Regression:
    """Fit ``response = design @ beta`` by Householder's QR on scaled columns, refined once.

    Parameters
    ----------
    design : float array (n, k)
        Include a column of ones for a constant.
    response : float array (n,)

    Raises
    ------
    LyewatchError
        When there are fewer rows than columns, or the columns do not determine the coefficients.
    """
    x = np.asarray(design, dtype=np.float64)
    y = np.asarray(response, dtype=np.float64)
    n, k = x.shape
    if n < k:
        raise LyewatchError(
            "too few points for so many coefficients", value=f"{n} for {k}", remedy="record for longer"
        )
    scale = np.sqrt(np.einsum("ij,ij->j", x, x))
    scale = np.where(scale > 0.0, scale, 1.0)
    q, r = np.linalg.qr(x / scale)
    small = np.abs(np.diag(r))
    if not np.isfinite(r).all() or small.min() <= 1e-13 * max(float(small.max()), 1e-300):
        raise LyewatchError(
            "the columns do not determine the coefficients: two of them say the same",
            remedy="vary current and temperature apart from each other, or compare fewer things",
        )
    # Of a triangular matrix the elimination is nothing but substitution.
    influence = np.linalg.solve(r, q.T)
    beta = influence @ y
    beta = beta + influence @ (y - (x / scale) @ beta)
    inverse = np.linalg.solve(r, np.eye(k))
    inverse = inverse @ inverse.T / np.outer(scale, scale)
    beta = beta / scale
    return Regression(beta, y - x @ beta, inverse, influence / scale[:, np.newaxis], n - k)


def cosines_for(n: int) -> int:
    """Cosines, and so degrees of freedom, for a record of `n` points: ``0.4 n^(2/3)`` [1], at least 4."""
    return max(4, min(int(0.4 * n ** (2.0 / 3.0)), n - 1))


def cosine_scores(terms: ArrayLike, count: int) -> FloatArray:
    """Variance of a sum of autocorrelated terms, from `count` cosines over their record [1].

    Each cosine is worth one degree of freedom; they are taken as alike. What is constant over the record does
    not enter.

    Parameters
    ----------
    terms : float array (n,) or (k, n)
        The terms in order of time; with k rows, k sums at once.
    count : int
        1 to n - 1.

    Returns
    -------
    float64[...]
        Variance of each sum; (k, k) covariance of the sums for k rows.
    """
    rows = np.atleast_2d(np.asarray(terms, dtype=np.float64))
    n = rows.shape[1]
    at = (np.arange(n) + 0.5) / n
    waves = np.sqrt(2.0) * np.cos(np.pi * np.outer(np.arange(1, count + 1), at))
    projected = rows @ waves.T
    found: FloatArray = projected @ projected.T / count
    return found if np.ndim(terms) == 2 else found[0, 0]
