"""Regression over several records whose noise is autocorrelated, by generalised least squares.

Each record is a level of its own, slopes that all share, and noise of two parts: a first-order autoregressive
one and a white one. Neither the correlation nor the shares are known, and with a hundred blocks they can not
be told well. So every pair on a grid is fitted, weighted by its restricted likelihood, and the answers are
averaged: the interval then allows for what is not known of the noise too.

References
----------
.. [1] H. D. Patterson, R. Thompson, Biometrika 58 (1971) 545, DOI 10.1093/biomet/58.3.545: the restricted
   likelihood.
.. [2] D. A. Harville, J. Am. Stat. Assoc. 72 (1977) 320, DOI 10.1080/01621459.1977.10480998: averaging over
   variance parameters with the restricted likelihood as weight.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import stdtr

from daq.errors import LyewatchError
from daq.measure import FloatArray
from daq.stats import whitening
from daq.stats.regression import cosine_scores, cosines_for
from daq.stats.whitening import CorrelatedSeries, CrossProducts, cross_products, stacked

__all__ = ["Contrast", "CovarianceAnalysis", "analyse_covariance"]


@dataclass(frozen=True, slots=True)
class Contrast:
    """A weighted sum of the records' levels.

    Attributes
    ----------
    value : float
    u : float
        Standard uncertainty from the blocks' noise.
    low, high : float
        Ends of the 95 % interval from the blocks' noise.
    u_hac : float
        The same standard uncertainty by cosine scores on the whitened blocks, as a check that leans less on
        the form of the noise.
    u_slopes : float
        The part of `u` that comes from the shared slopes: 0 where the records lie at the same covariates.
    """

    value: float
    u: float
    low: float
    high: float
    u_hac: float
    u_slopes: float

    @property
    def half_width(self) -> float:
        """Of the interval."""
        return 0.5 * (self.high - self.low)


class CovarianceAnalysis:
    """The fit of all records; see `analyse_covariance`.

    Attributes
    ----------
    weights : float64[G]
        Of each noise on the grid.
    rho, share : float
        Averages over the grid: correlation from block to block, and the autoregressive share [1].
    dof : int
        Blocks less coefficients.
    slopes, slopes_u : float64[p]
    scatter : float
        Standard deviation of the noise.
    """

    def __init__(self, records: Sequence[CorrelatedSeries], sums: Sequence[CrossProducts], dof: int) -> None:
        self._records, self._sums, self.dof = tuple(records), tuple(sums), dof
        uu = np.stack([s.uu for s in sums], axis=1)
        ux = np.stack([s.ux for s in sums], axis=1)
        uy = np.stack([s.uy for s in sums], axis=1)
        g, p = uu.shape[0], ux.shape[2]
        ratio = ux / uu[:, :, np.newaxis]
        inner = sum(s.xx for s in sums) - np.einsum("grp,grq->gpq", ratio, ux)
        right = sum(s.xy for s in sums) - np.einsum("grp,grk->gpk", ratio, uy)
        self._inverse = np.linalg.inv(inner) if p else np.zeros((g, 0, 0))
        self._beta = self._inverse @ right
        self._level = (uy - np.einsum("grp,gpk->grk", ux, self._beta)) / uu[:, :, np.newaxis]
        fitted = np.einsum("gp,gp->g", self._beta[:, :, 0], right[:, :, 0])
        total = sum(s.yy for s in sums) - np.einsum("gr,gr->g", uy[:, :, 0] ** 2, 1.0 / uu)
        rss = np.maximum(total - fitted, 1e-300)
        self._variance = rss / dof
        log_det = np.linalg.slogdet(inner)[1] if p else np.zeros(g)
        log_like = (
            -0.5 * sum(s.log_f for s in sums)
            - 0.5 * (np.log(uu).sum(axis=1) + log_det)
            - 0.5 * dof * np.log(rss)
        )
        log_weight = log_like + whitening.GRID_LOG_PRIOR
        weight = np.exp(log_weight - log_weight.max())
        self.weights: FloatArray = weight / weight.sum()
        self._best = int(np.argmax(log_weight))
        self._uu, self._ratio = uu, ratio
        self.rho = float(self.weights @ whitening.GRID_RHO)
        self.share = float(self.weights @ whitening.GRID_SHARE)
        self.scatter = float(np.sqrt(self.weights @ self._variance))
        self.slopes: FloatArray = np.einsum("g,gp->p", self.weights, self._beta[:, :, 0])
        spread = self._variance[:, np.newaxis] * np.einsum("gpp->gp", self._inverse)
        apart = (self._beta[:, :, 0] - self.slopes) ** 2
        self.slopes_u: FloatArray = np.sqrt(np.einsum("g,gp->p", self.weights, spread + apart))

    @property
    def levels(self) -> FloatArray:
        """Each record's level at covariates of zero, float64[records]."""
        found: FloatArray = np.einsum("g,gr->r", self.weights, self._level[:, :, 0])
        return found

    @property
    def levels_u(self) -> FloatArray:
        """Standard uncertainty of each level at given slopes, from its own blocks' noise."""
        found: FloatArray = np.sqrt(
            np.einsum("g,gr->r", self.weights, self._variance[:, np.newaxis] / self._uu)
        )
        return found

    def propagated(self, weights: FloatArray, slopes: FloatArray | None = None) -> FloatArray:
        """What each record's shared errors do to a contrast, float64[records, q]; see `contrast`."""
        left = np.einsum("g,gp,gpq->gq", self.weights, self._lean(weights, slopes), self._inverse)
        out = []
        for some, uy, own in self._pieces():
            by_levels = np.einsum("g,grk,gr->rk", self.weights, uy, 1.0 / self._uu[:, some])
            out.append(weights[some, np.newaxis] * by_levels - np.einsum("gq,grqk->rk", left, own))
        return np.concatenate(out)

    def propagated_by_slopes(self) -> FloatArray:
        """How much more of it one of each slope adds, whatever the weights: float64[p, records, q]."""
        left = self.weights[:, np.newaxis, np.newaxis] * self._inverse
        return np.concatenate([np.einsum("gpq,grqk->prk", left, own) for _, _, own in self._pieces()], axis=1)

    def _pieces(self) -> Iterator[tuple[slice, FloatArray, FloatArray]]:
        """Some records at a time, what their errors give their levels, float64[G, some, q], and each record's
        part of the slopes' right-hand side, float64[G, some, p, q].
        """
        for start in range(0, len(self._sums), 50):
            some = slice(start, start + 50)
            uy = np.stack([s.uy[:, 1:] for s in self._sums[some]], axis=1)
            xy = np.stack([s.xy[:, :, 1:] for s in self._sums[some]], axis=1)
            yield some, uy, xy - self._ratio[:, some, :, np.newaxis] * uy[:, :, np.newaxis, :]

    def covariance(self, weights: FloatArray, slopes: FloatArray) -> tuple[float, FloatArray]:
        """Covariance from the blocks' noise of contrasts with the same weights of the levels.

        Parameters
        ----------
        weights : float64[records]
        slopes : float64[m, p]

        Returns
        -------
        float, float64[m, m]
            What the records' own noise adds to every element, and the rest.
        """
        w = self.weights
        own = np.einsum("r,gr->g", weights**2, 1.0 / self._uu)
        lean = self._lean(weights, None)[:, np.newaxis, :] - slopes
        values = np.einsum("r,gr->g", weights, self._level[:, :, 0])[:, np.newaxis] + np.einsum(
            "mp,gp->gm", slopes, self._beta[:, :, 0]
        )
        apart = values - w @ values
        rest = np.einsum("g,gmp,gpq,gnq->mn", w * self._variance, lean, self._inverse, lean)
        rest += np.einsum("g,gm,gn->mn", w, apart, apart)
        return float(w @ (self._variance * own)), rest

    def contrast(
        self, weights: FloatArray, slopes: FloatArray | None = None, *, hac: bool = True
    ) -> Contrast:
        """A weighted sum of the levels and, where asked for, of the slopes.

        Parameters
        ----------
        weights : float64[records]
            Of the levels.
        slopes : float64[p], optional
            Of the slopes: with the levels' weights they ask for the levels at other covariates than 0.
        hac : bool
            Whether to work out `u_hac`, which takes longer than all else; NaN without.
        """
        w = self.weights
        values = np.einsum("r,gr->g", weights, self._level[:, :, 0])
        if slopes is not None:
            values = values + self._beta[:, :, 0] @ slopes
        lean = self._lean(weights, slopes)
        own = np.einsum("r,gr->g", weights**2, 1.0 / self._uu)
        by_slopes = np.einsum("gp,gpq,gq->g", lean, self._inverse, lean)
        spread = np.sqrt(self._variance * (own + by_slopes))
        value = float(w @ values)
        u = float(np.sqrt(w @ (spread**2 + (values - value) ** 2)))
        low, high = (self._quantile(values, spread, value, u, p) for p in (0.025, 0.975))
        return Contrast(
            value=value,
            u=u,
            low=low,
            high=high,
            u_hac=self._hac(weights, lean[self._best]) if hac else math.nan,
            u_slopes=float(np.sqrt(w @ (self._variance * by_slopes))),
        )

    def _lean(self, weights: FloatArray, slopes: FloatArray | None) -> FloatArray:
        """How a contrast goes with the slopes, float64[G, p]."""
        lean: FloatArray = np.einsum("r,grp->gp", weights, self._ratio)
        return lean if slopes is None else lean - slopes

    def _quantile(self, centre: FloatArray, spread: FloatArray, value: float, u: float, p: float) -> float:
        """Of the mixture of Student's t."""
        if u == 0.0:
            return value
        dof = float(self.dof)

        def beyond(x: float) -> float:
            return float(self.weights @ stdtr(dof, (x - centre) / spread)) - p

        reach = 4.0
        while beyond(value - reach * u) > 0.0 or beyond(value + reach * u) < 0.0:
            reach *= 2.0
        return float(brentq(beyond, value - reach * u, value + reach * u, xtol=1e-6 * u))

    def _hac(self, weights: FloatArray, lean: FloatArray) -> float:
        """The contrast's standard uncertainty from cosine scores of the likeliest noise's whitened blocks."""
        g = self._best
        variance = 0.0
        rho, share = whitening.GRID_RHO[g : g + 1], whitening.GRID_SHARE[g : g + 1]
        for r, record in enumerate(self._records):
            white, _ = whitening.whiten(stacked(record), record.at, rho, share)
            one, x, y = white[0, :, 0], white[0, :, 1 : 1 + lean.size], white[0, :, 1 + lean.size]
            residual = y - one * self._level[g, r, 0] - x @ self._beta[g, :, 0]
            push = weights[r] / self._uu[g, r] * one
            if lean.size:
                centred = x - np.outer(one, self._ratio[g, r])
                push = push - centred @ (self._inverse[g] @ lean)
            if record.at.size > 4:
                variance += float(cosine_scores(push * residual, min(cosines_for(one.size), one.size - 1)))
        blocks = sum(r.at.size for r in self._records)
        return float(np.sqrt(variance * blocks / self.dof))


def analyse_covariance(records: Sequence[CorrelatedSeries]) -> CovarianceAnalysis:
    """Fit levels and shared slopes.

    Parameters
    ----------
    records : sequence of CorrelatedSeries
        At least one, each of at least two blocks.

    Raises
    ------
    LyewatchError
        When the covariates do not determine the slopes, or there are too few blocks.
    """
    p = records[0].covariates.shape[1]
    blocks = sum(r.at.size for r in records)
    dof = blocks - len(records) - p
    if dof < 3 or min(r.at.size for r in records) < 2:
        raise LyewatchError(
            "too few blocks", value=blocks, remedy="record for longer, or take shorter blocks"
        )
    if p:
        within = np.vstack([r.covariates - r.covariates.mean(axis=0) for r in records])
        size = np.sqrt(np.einsum("ij,ij->j", within, within))
        singular = np.linalg.svd(within / np.where(size > 0.0, size, 1.0), compute_uv=False)
        if size.min() == 0.0 or singular[-1] < 1e-6:
            raise LyewatchError(
                "the covariates do not vary apart from each other within the records",
                remedy="leave one of them out",
            )
    return CovarianceAnalysis(records, cross_products(records), dof)
