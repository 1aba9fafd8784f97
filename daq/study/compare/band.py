"""The difference between two builds over temperature, as a band.

The comparison itself lets all runs share their slopes and is asked for one temperature. Here the second build
has slopes of its own against temperature, so that both builds' curves and their difference can be drawn over
the temperatures that both had, and it can be told whether the difference changes with temperature.

There are two bands. The *pointwise* one holds the true difference in 95 of a hundred comparisons at a
temperature that was chosen beforehand. The *simultaneous* one holds it at all of them together: it is the one
to ask whether there is a difference anywhere along the curve.

References
----------
.. [1] R. A. Fisher, Statistical Methods for Research Workers, 4th ed. 1932: the analysis of covariance.
.. [2] W. Liu, Simultaneous Inference in Regression, 2010, DOI 10.1201/b10277, ch. 2: the band of a regression
   over an interval, by simulation of the largest t.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.special import stdtrit

from daq.errors import LyewatchError
from daq.measure import FloatArray
from daq.stats import CorrelatedSeries, analyse_covariance
from daq.study.compare.records import Matched, covariance_of, interval_of, propagated_errors

__all__ = ["ConfidenceBand", "Curve", "band_over_temperature"]

POINTS = 33
LEAST_COMMON_K = 2.0
"""Over a narrower range of common temperatures nothing is said of slopes [K] (judgement)."""
DRAWS = 10_000
PER_K = 10.0
"""The change with temperature is told over so much [K]."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A number over the band's temperatures, each float64[m]: in the metric's unit, or a share [1]."""

    value: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True)
class ConfidenceBand:
    """Two builds over temperature.

    Attributes
    ----------
    temps : float64[m]
        Temperatures that both builds had [degC].
    first, second : Curve
        Of the builds themselves, with their expanded uncertainty (k = 2) [unit].
    difference : Curve
        Second less first, a share [1] for a "ratio", with its pointwise 95 % interval.
    all_low, all_high : float64[m]
        The simultaneous 95 % band of the difference.
    slope : (float, float, float)
        By how much the difference changes for each 10 K at the middle: value and 95 % interval.
    middle : float
        There [degC].
    at : tuple of (str, float)
        What else the curves are drawn at: covariates and where.
    reason : str
        Why there is none.
    """

    temps: FloatArray
    first: Curve
    second: Curve
    difference: Curve
    all_low: FloatArray
    all_high: FloatArray
    slope: tuple[float, float, float]
    middle: float
    at: tuple[tuple[str, float], ...] = ()
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether there is one."""
        return self.temps.size > 0

    @property
    def slopes_differ(self) -> bool:
        """Whether the difference is seen to change with temperature."""
        return self.known and (self.slope[1] > 0.0 or self.slope[2] < 0.0)

    def stretches(self, low: FloatArray, high: FloatArray) -> list[tuple[float, float, int]]:
        """Where a band lies clear of nothing: from and to [degC], and +1 for above or -1 for below."""
        sign = np.where(low > 0.0, 1, np.where(high < 0.0, -1, 0))
        edges = [0, *(np.flatnonzero(np.diff(sign)) + 1).tolist(), sign.size]
        return [
            (float(self.temps[a]), float(self.temps[b - 1]), int(sign[a]))
            for a, b in pairwise(edges)
            if sign[a] != 0
        ]


_EMPTY = np.empty(0)
_NOTHING = Curve(_EMPTY, _EMPTY, _EMPTY)
NO_BAND = ConfidenceBand(_EMPTY, _NOTHING, _NOTHING, _NOTHING, _EMPTY, _EMPTY, (math.nan,) * 3, math.nan)


def band_over_temperature(matched: Matched, *, points: int = POINTS) -> ConfidenceBand:
    """Both builds' curves and their difference over the temperatures that both had.

    Parameters
    ----------
    matched : Matched
    points : int
        Temperatures, evenly from the lowest to the highest.
    """
    along = matched.covariates.along_temp
    if matched.common is None or not along:
        return replace(NO_BAND, reason="the lye's temperature hardly moved within the runs")
    low, high = matched.common
    if high - low < LEAST_COMMON_K:
        return replace(
            NO_BAND, reason=f"the builds have only {max(high - low, 0.0):.1f} K of temperature in common"
        )
    records = [_own_slopes(r, along, k == 1) for r, k in zip(matched.records, matched.side, strict=True)]
    try:
        fit = analyse_covariance(records)
    except LyewatchError as exc:
        return replace(NO_BAND, reason=f"slopes of each build can not be told: {exc.message}")
    temps = np.linspace(low, high, points)
    shared = records[0].covariates.shape[1] - len(along)
    x = matched.covariates.temp_terms(temps)  # float64[points, terms]
    base, own = np.zeros((2, points, shared + len(along)))
    base[:, list(along)] = x
    own[:, shared:] = x
    one, two = matched.shares
    ratio = matched.metric.scale == "ratio"

    def level(weights: FloatArray, rows: FloatArray) -> Curve:
        value = weights @ fit.levels + rows @ fit.slopes
        u95 = 2.0 * np.sqrt(np.diag(covariance_of(matched, fit, weights, rows)))
        if ratio:
            value = np.exp(value)
            u95 = u95 * value
        return Curve(value, value - u95, value + u95)

    calibration = np.sqrt((propagated_errors(matched, fit, two - one, own) ** 2).sum(axis=1))
    between = [
        interval_of(matched, fit, two - one, row, days=True, calibration_u=u)
        for row, u in zip(own, calibration.tolist(), strict=True)
    ]
    wider = _simultaneous(covariance_of(matched, fit, two - one, own, days=True), between[points // 2].dof)
    tilt = np.zeros(shared + len(along))
    tilt[shared] = PER_K / matched.covariates.spreads["lye_temp"]
    slope = interval_of(matched, fit, np.zeros_like(one), tilt)
    turn = np.expm1 if ratio else np.asarray
    value, lower, upper = (np.array([getattr(i, k) for i in between]) for k in ("value", "low", "high"))
    return ConfidenceBand(
        temps=temps,
        first=level(one, base),
        second=level(two, base + own),
        difference=Curve(turn(value), turn(lower), turn(upper)),
        all_low=turn(value - wider * (value - lower)),
        all_high=turn(value + wider * (upper - value)),
        slope=(float(turn(slope.value)), float(turn(slope.low)), float(turn(slope.high))),
        middle=matched.covariates.matched["lye_temp"],
        at=tuple((k, v) for k, v in matched.covariates.matched.items() if k != "lye_temp"),
    )


# -- parts -------------------------------------------------------------------------------------------------


def _own_slopes(record: CorrelatedSeries, along: Sequence[int], second: bool) -> CorrelatedSeries:
    """With columns by which the second build's slopes differ from the first's."""
    extra = record.covariates[:, list(along)] * float(second)
    return replace(record, covariates=np.column_stack([record.covariates, extra]))


def _simultaneous(covariance: FloatArray, dof: float) -> float:
    """How much wider the simultaneous band is than the pointwise one: the 95 % point of the largest
    absolute t over all temperatures [2], by simulation from a fixed seed, against Student's t at one.
    """
    sd = np.sqrt(np.diag(covariance))
    if not (sd > 0.0).all():
        return 1.0
    size, way = np.linalg.eigh(covariance / np.outer(sd, sd))
    kept = size > 1e-9 * size[-1]
    rng = np.random.default_rng(1)
    z = rng.standard_normal((DRAWS, int(kept.sum()))) @ (way[:, kept] * np.sqrt(size[kept])).T
    behind = max(dof, 1.0)
    t = np.abs(z).max(axis=1) / np.sqrt(rng.chisquare(behind, DRAWS) / behind)
    return max(1.0, float(np.quantile(t, 0.95)) / float(stdtrit(behind, 0.975)))
