"""A curve fitted to points, with the uncertainty of the fit: what a calibration is made of.

Linear least squares, whatever the kind: a straight line, a polynomial, or straight pieces between knots.

References
----------
.. [1] JCGM 100:2008 (GUM), H.3: a straight line by least squares, and the uncertainty of its predictions.
.. [2] N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed., Wiley 1998: weights (chapter 9).
.. [3] R. T. Birge, Phys. Rev. 40 (1932) 207, DOI 10.1103/PhysRev.40.207: uncertainties scaled up where the
   points scatter more than they should.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import ArrayLike

from daq.errors import LyewatchError
from daq.quantity._variable import FloatArray

__all__ = ["KINDS", "Curve", "Fit", "Kind", "fit_curve"]

Kind: TypeAlias = Literal["linear", "piecewise", "polynomial"]
KINDS: tuple[Kind, ...] = ("linear", "piecewise", "polynomial")
MOST_DEGREE = 5
"""Above this a polynomial through a handful of points swings between them (judgement)."""


@dataclass(frozen=True)
class Curve:
    """A curve ``y(x)`` and how well it is known.

    Attributes
    ----------
    kind : {"linear", "piecewise", "polynomial"}
    low, high : float
        The points' range of x. Beyond it the curve goes on straight, with its slope at the end.
    coefficients : tuple of k floats
        Of powers of ``z = (x - centre) / half``, where centre and half describe the range; for a piecewise
        curve the values at `knots`.
    covariance : k tuples of k floats
        Of the coefficients.
    scatter : float
        Standard deviation of the points about the curve [unit of y]; 0 where it goes through all of them.
    dof : int
        Points less coefficients.
    knots : tuple of float
        Of a piecewise curve, rising.
    """

    kind: Kind
    low: float
    high: float
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    scatter: float
    dof: int
    knots: tuple[float, ...] = ()

    def __call__(self, x: ArrayLike) -> FloatArray:
        """The curve at `x`."""
        at = np.asarray(x, dtype=np.float64)
        return np.asarray(self._basis(at) @ np.array(self.coefficients)).reshape(at.shape)

    def at(self, x: float) -> float:
        """The same for one float, quickly: this runs for every sample of every sensor."""
        if self.kind == "piecewise":
            knots, values = self.knots, self.coefficients
            i = min(max(bisect_right(knots, x) - 1, 0), len(knots) - 2)
            share = (x - knots[i]) / (knots[i + 1] - knots[i])
            return values[i] + share * (values[i + 1] - values[i])
        inside = min(max(x, self.low), self.high)
        z = (inside - self._centre) / self._half
        value = slope = 0.0
        for c in reversed(self.coefficients):
            slope = slope * z + value
            value = value * z + c
        return value + slope * (x - inside) / self._half

    def u(self, x: ArrayLike) -> FloatArray:
        """Standard uncertainty of the curve itself at `x`."""
        at = np.asarray(x, dtype=np.float64)
        basis = self._basis(at)
        variance = np.einsum("ij,jk,ik->i", basis, np.array(self.covariance), basis)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0))).reshape(at.shape)

    def u_of_next(self, x: ArrayLike) -> FloatArray:
        """Standard uncertainty of a further point at `x`: of the curve and of the points' scatter."""
        return np.asarray(np.hypot(self.u(x), self.scatter))

    def band(self, x: ArrayLike, p: float = 0.95) -> FloatArray:
        """Half-width of the prediction band at `x`: Student's t at `dof` times `u_of_next`.

        Without degrees of freedom t is that of infinitely many: the points' own uncertainties are all there
        is.
        """
        return self.student_t(p) * self.u_of_next(x)

    def student_t(self, p: float = 0.95) -> float:
        """Student's t for coverage `p` at `dof`."""
        from scipy.special import stdtrit  # SciPy takes as long to import as all else of a short command

        return float(stdtrit(self.dof if self.dof > 0 else 1e9, 0.5 + 0.5 * p))

    def slope(self, x: ArrayLike) -> FloatArray:
        """dy/dx at `x`."""
        at = np.asarray(x, dtype=np.float64)
        return np.asarray(self._slopes(at) @ np.array(self.coefficients)).reshape(at.shape)

    def monomials(self) -> tuple[FloatArray, FloatArray]:
        """Coefficients of 1, x, x2 ... and their covariance.

        Raises
        ------
        LyewatchError
            For a piecewise curve, which has none.
        """
        if self.kind == "piecewise":
            raise LyewatchError("a piecewise curve has no powers of x", remedy="see its knots")
        k = len(self.coefficients)
        domain = (self._centre - self._half, self._centre + self._half)
        columns = [Polynomial(np.eye(k)[i], domain=domain).convert().coef for i in range(k)]
        turn = np.zeros((k, k))
        for i, column in enumerate(columns):
            turn[: len(column), i] = column
        return turn @ np.array(self.coefficients), turn @ np.array(self.covariance) @ turn.T

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "kind": self.kind,
            "low": self.low,
            "high": self.high,
            "coefficients": list(self.coefficients),
            "covariance": [list(row) for row in self.covariance],
            "scatter": self.scatter,
            "dof": self.dof,
            "knots": list(self.knots),
        }

    @classmethod
    def from_dict(cls, document: Mapping[str, Any]) -> Curve:
        """The curve that `as_dict` gave."""
        return cls(
            document["kind"],
            float(document["low"]),
            float(document["high"]),
            tuple(map(float, document["coefficients"])),
            tuple(tuple(map(float, row)) for row in document["covariance"]),
            float(document["scatter"]),
            int(document["dof"]),
            tuple(map(float, document["knots"])),
        )

    @property
    def _centre(self) -> float:
        return 0.5 * (self.low + self.high)

    @property
    def _half(self) -> float:
        return 0.5 * (self.high - self.low)

    def _basis(self, x: FloatArray) -> FloatArray:
        """What each coefficient is multiplied by at `x`, float64[n, k]; straight on beyond the range."""
        flat = x.ravel()
        inside = np.clip(flat, self.low, self.high)
        return self._inner(inside) + self._slopes(inside) * (flat - inside)[:, np.newaxis]

    def _inner(self, x: FloatArray) -> FloatArray:
        k = len(self.coefficients)
        if self.kind != "piecewise":
            return np.vander((x - self._centre) / self._half, k, increasing=True)
        i, share = self._interval(x)
        out = np.zeros((x.size, k))
        rows = np.arange(x.size)
        out[rows, i] = 1.0 - share
        out[rows, i + 1] = share
        return out

    def _slopes(self, x: FloatArray) -> FloatArray:
        """Derivative of `_inner`; beyond the range that at its end."""
        k = len(self.coefficients)
        flat = np.clip(x.ravel(), self.low, self.high)
        out = np.zeros((flat.size, k))
        if self.kind != "piecewise":
            powers = np.arange(1, k)
            z = (flat - self._centre) / self._half
            out[:, 1:] = powers * z[:, np.newaxis] ** (powers - 1) / self._half
            return out
        i, _ = self._interval(flat)
        knots, rows = np.array(self.knots), np.arange(flat.size)
        width = knots[i + 1] - knots[i]
        out[rows, i], out[rows, i + 1] = -1.0 / width, 1.0 / width
        return out

    def _interval(self, x: FloatArray) -> tuple[Any, FloatArray]:
        knots = np.array(self.knots)
        i = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, knots.size - 2)
        return i, (x - knots[i]) / (knots[i + 1] - knots[i])


@dataclass(frozen=True, slots=True)
class Fit:
    """A curve, and how it lies to its points.

    Attributes
    ----------
    curve : Curve
    residuals : float64[n]
        Point less curve [unit of y].
    r_squared : float
        Share of the points' variance that the curve explains; NaN where y does not vary.
    chi_squared : float
        Sum of squared residuals over their uncertainties; NaN where none were given.
    scaled_by : float
        What the points' uncertainties had to be multiplied by to fit their scatter, [3]; 1 where they fit.
    """

    curve: Curve
    residuals: FloatArray
    r_squared: float
    chi_squared: float
    scaled_by: float


def fit_curve(
    x: ArrayLike,
    y: ArrayLike,
    u: ArrayLike | None = None,
    *,
    kind: Kind = "linear",
    degree: int = 2,
    knots: Sequence[float] | None = None,
) -> Fit:
    """Fit a curve by least squares.

    Parameters
    ----------
    x, y : array (n,)
    u : array (n,), optional
        Standard uncertainty of each y, independent of the others', all above 0. Points are weighted by
        1/u2, and the fit's uncertainty follows from u, scaled up where the scatter is larger, [3]. Without it
        all points count alike, and the fit's uncertainty follows from their scatter, [1].
    kind : {"linear", "piecewise", "polynomial"}
    degree : int
        Of a polynomial, 2 to 5.
    knots : sequence of float, optional
        Where the pieces of a piecewise curve meet, rising, from the lowest to the highest x. Without them
        every x is one.

    Raises
    ------
    LyewatchError
        For too few points, points that do not determine the curve, and where neither u nor scatter tells how
        well it is known.
    """
    x, y = np.asarray(x, dtype=np.float64).ravel(), np.asarray(y, dtype=np.float64).ravel()
    spread = None if u is None else np.asarray(u, dtype=np.float64).ravel()
    _checked(x, y, spread)
    corners: tuple[float, ...] = ()
    if kind == "piecewise":
        corners = tuple(np.unique(x).tolist()) if knots is None else tuple(float(k) for k in knots)
        _checked_knots(corners, x)
        k = len(corners)
    elif kind == "polynomial":
        if not 2 <= degree <= MOST_DEGREE:
            raise LyewatchError(
                "is no degree to fit", place="degree", value=degree, remedy=f"use 2 to {MOST_DEGREE}"
            )
        k = degree + 1
    else:
        k = 2
    distinct = np.unique(x).size
    if distinct < max(k, 2):
        raise LyewatchError(
            f"{distinct} different points do not determine this curve",
            place="points",
            value=kind,
            remedy=f"give at least {max(k, 2)}, or choose a simpler curve",
        )
    dof = x.size - k
    if dof == 0 and spread is None:
        raise LyewatchError(
            "the curve goes through every point, so that nothing tells how well it is known",
            place="points",
            value=f"{x.size} points, {k} coefficients",
            remedy="give more points, or the uncertainty of each in a column u",
        )
    from scipy import linalg  # SciPy takes as long to import as all else of a short command

    blank = Curve(kind, float(x.min()), float(x.max()), (0.0,) * k, (), 0.0, dof, corners)
    design = blank._basis(x)
    weight = np.ones_like(x) if spread is None else 1.0 / spread
    q, r = linalg.qr(design * weight[:, np.newaxis], mode="economic")
    if np.min(np.abs(np.diag(r))) < 1e-12 * np.max(np.abs(np.diag(r))):
        raise LyewatchError(
            "the points do not determine this curve",
            place="points",
            value=kind,
            remedy="every piece between two knots needs a point",
        )
    coefficients = linalg.solve_triangular(r, q.T @ (y * weight))
    inverse = linalg.solve_triangular(r, np.eye(k))
    covariance = inverse @ inverse.T
    residuals = y - design @ coefficients
    sse, sst = float(residuals @ residuals), float(((y - y.mean()) ** 2).sum())
    scatter = math.sqrt(sse / dof) if dof > 0 else 0.0
    chi_squared, scaled_by = math.nan, 1.0
    if spread is None:
        covariance = covariance * scatter**2
    else:
        chi_squared = float(((residuals / spread) ** 2).sum())
        if dof > 0:
            scaled_by = math.sqrt(max(1.0, chi_squared / dof))
        covariance = covariance * scaled_by**2
    curve = Curve(
        kind,
        blank.low,
        blank.high,
        tuple(coefficients.tolist()),
        tuple(tuple(row) for row in covariance.tolist()),
        scatter,
        dof,
        corners,
    )
    return Fit(curve, residuals, 1.0 - sse / sst if sst > 0.0 else math.nan, chi_squared, scaled_by)


def _checked(x: FloatArray, y: FloatArray, u: FloatArray | None) -> None:
    if x.size != y.size or (u is not None and u.size != x.size):
        raise LyewatchError("every point needs an x, a y and, where there are any, a u", place="points")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise LyewatchError("a point is no number", place="points", remedy="leave it out")
    if u is not None and not (np.isfinite(u).all() and (u > 0.0).all()):
        raise LyewatchError(
            "a point's uncertainty is not above 0",
            place="points",
            value=float(np.min(u)),
            remedy="give the standard uncertainty of every point, or of none",
        )


def _checked_knots(knots: tuple[float, ...], x: FloatArray) -> None:
    steps = np.diff(knots)
    if len(knots) < 2 or not (steps > 0.0).all() or knots[0] > x.min() or knots[-1] < x.max():
        raise LyewatchError(
            "the knots do not rise from the lowest to the highest point",
            place="knots",
            value=list(knots),
            remedy=f"give at least two, from {x.min():g} to {x.max():g}",
        )
