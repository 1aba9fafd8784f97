"""Two builds' runs as records for a regression, and what an interval on a contrast of them is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from daq.study.autocorrelated import RecordFit
from daq.study.compare_match import (
    Covariates,
    MetricSpec,
    common_range,
    covariates_of,
    held_by_supply,
    never_alike,
    usable,
)
from daq.study.run_blocks import RunBlocks
from daq.study.whitening import Record
from daq.watch.columns import FloatArray

__all__ = [
    "LEAST_BLOCKS",
    "Group",
    "Interval",
    "Matched",
    "Unmatched",
    "interval_of",
    "match",
    "pushed_by",
    "record_of",
]

LEAST_BLOCKS = 12
"""Of each build, at temperatures that both had."""
MARGIN_K = 0.5
"""By so much the range of common temperatures is widened [K]."""


@dataclass(frozen=True, slots=True)
class Group:
    """Runs of one build."""

    name: str
    runs: tuple[RunBlocks, ...]

    @property
    def hours(self) -> float:
        """Time in the runs' blocks [h]."""
        return sum(r.hours for r in self.runs)


@dataclass(frozen=True, slots=True)
class Unmatched:
    """Why two builds can not be compared in a metric, and how many blocks of each there were."""

    reason: str
    blocks: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True)
class Matched:
    """Blocks of two builds at conditions that both had.

    Attributes
    ----------
    metric : MetricSpec
    runs : tuple of RunBlocks
    side : intp[runs]
        0 for the first build's, 1 for the second's.
    masks : tuple of bool[n]
        Blocks of each run that count.
    covariates : Covariates
    labels : tuple of str
        Errors that the runs may share.
    records : tuple of Record
    common : (float, float) or None
        Lowest and highest temperature that both builds had [degC], for a metric that is matched in it.
    """

    metric: MetricSpec
    runs: tuple[RunBlocks, ...]
    side: NDArray[np.intp]
    masks: tuple[NDArray[np.bool_], ...]
    covariates: Covariates
    labels: tuple[str, ...]
    records: tuple[Record, ...]
    common: tuple[float, float] | None

    @property
    def shares(self) -> tuple[FloatArray, FloatArray]:
        """Weights that average each build's runs, float64[runs] twice."""
        first, second = ((self.side == k).astype(np.float64) / float((self.side == k).sum()) for k in (0, 1))
        return first, second

    def of_each(self, amounts: Sequence[float]) -> tuple[float, float]:
        """The sums over each build's runs of one amount a run."""
        first, second = (
            float(sum(a for a, s in zip(amounts, self.side, strict=True) if s == k)) for k in (0, 1)
        )
        return first, second

    @property
    def blocks(self) -> tuple[int, int]:
        """Blocks of each build."""
        first, second = self.of_each([float(m.sum()) for m in self.masks])
        return int(first), int(second)


@dataclass(frozen=True, slots=True)
class Interval:
    """A contrast of the records' levels with what its 95 % interval is made of, on the regression's scale.

    Attributes
    ----------
    value, low, high : float
    u : float
        Standard uncertainty from noise and calibrations.
    noise, between, calibration : float
        Half-widths that the blocks' noise, the scatter between runs and what does not cancel of the
        calibrations would give alone; `between` is NaN without repeats.
    calibration_from : str
    own : float
        The part of `calibration` that is another one in every run, and so lessens with repeats.
    dof : float
        Behind the interval.
    between_dof : int
    day_sd : float
    hac : float
        Half-width from noise by cosine scores; NaN where it was not asked for.
    """

    value: float
    low: float
    high: float
    u: float
    noise: float
    between: float
    calibration: float
    calibration_from: str
    own: float
    dof: float
    between_dof: int
    day_sd: float
    hac: float


def match(first: Group, second: Group, metric: MetricSpec) -> Matched | Unmatched:
    """The blocks in which two builds were alike in all but what is compared."""
    runs = (*first.runs, *second.runs)
    side = np.array([0] * len(first.runs) + [1] * len(second.runs))
    masks = [usable(r, metric) for r in runs]
    if not all(any(m.any() for m, s in zip(masks, side, strict=True) if s == k) for k in (0, 1)):
        return Unmatched("not measured in both builds' runs while powered and undisturbed")
    held = held_by_supply(runs, masks, metric)
    if held:
        return Unmatched(held)
    common: tuple[float, float] | None = None
    if "lye_temp" in metric.matched:
        low, high = common_range(runs, masks, side)
        if not high > low - MARGIN_K:
            return Unmatched(never_alike(runs, masks, side, (first.name, second.name)))
        common = low, high
        masks = [
            m & (r.lye_temp >= low - MARGIN_K) & (r.lye_temp <= high + MARGIN_K)
            for r, m in zip(runs, masks, strict=True)
        ]
    kept = [i for i, m in enumerate(masks) if m.sum() >= 3]
    counts = tuple(int(sum(masks[i].sum() for i in kept if side[i] == k)) for k in (0, 1))
    if min(counts) < LEAST_BLOCKS:
        return Unmatched(
            f"too few blocks at temperatures that both builds had ({counts[0]} and {counts[1]}, "
            f"{LEAST_BLOCKS} needed)",
            (counts[0], counts[1]),
        )
    runs, masks, side = tuple(runs[i] for i in kept), [masks[i] for i in kept], side[kept]
    covariates = covariates_of(runs, masks, side, metric)
    labels = tuple(sorted({label for r in runs for label in r.responses[metric.key].parts}))
    records = tuple(
        record_of(r, m, metric, x, labels) for r, m, x in zip(runs, masks, covariates.columns, strict=True)
    )
    return Matched(metric, runs, side, tuple(masks), covariates, labels, records, common)


def record_of(
    run: RunBlocks, mask: NDArray[np.bool_], metric: MetricSpec, columns: FloatArray, labels: Sequence[str]
) -> Record:
    """A run's blocks for the regression: logarithms where the metric is compared as a ratio."""
    response = run.responses[metric.key].taken(mask)
    value = response.value
    scale = 1.0 / value if metric.scale == "ratio" else np.ones_like(value)
    carried = np.zeros((value.size, len(labels)))
    for column, label in enumerate(labels):
        if label in response.parts:
            carried[:, column] = response.parts[label] * scale
    return Record(
        at=run.at[mask],
        response=np.log(value) if metric.scale == "ratio" else value,
        covariates=columns,
        carried=carried,
    )


def interval_of(
    matched: Matched,
    fit: RecordFit,
    weights: FloatArray,
    slopes: FloatArray | None = None,
    *,
    calibration_u: float | None = None,
    hac: bool = False,
) -> Interval:
    """The 95 % interval of a contrast: noise or, with repeats, the runs' scatter; and calibrations.

    Parameters
    ----------
    matched : Matched
    fit : RecordFit
        Of its records.
    weights : float64[runs]
        Of the runs' levels.
    slopes : float64[p], optional
        Of the slopes.
    calibration_u : float, optional
        Standard uncertainty from calibrations, where that is known already.
    hac : bool
        Whether the check by cosine scores is wanted.
    """
    contrast = fit.contrast(weights, slopes, hac=hac)
    cal_u, own_u, cal_from = (
        (calibration_u, math.nan, "")
        if calibration_u is not None
        else _calibration(matched, fit, weights, slopes)
    )
    cal = 1.96 * cal_u
    squares, dof = _scatter(fit, matched.side)
    low, high, behind, between, u = contrast.low, contrast.high, float(fit.dof), math.nan, contrast.u
    if dof:
        # The scatter holds each run's own noise too; what comes from the slopes is the same in all runs.
        own, from_slopes = squares / dof * float(weights @ weights), contrast.u_slopes**2
        u = math.sqrt(own + from_slopes)
        # Satterthwaite's degrees of freedom of the sum
        squared = own**2 / dof + from_slopes**2 / fit.dof
        behind = u**4 / squared if squared > 0.0 else float(dof)
        between = float(stdtrit(max(behind, 1.0), 0.975)) * u
        low, high = contrast.value - between, contrast.value + between
    return Interval(
        value=contrast.value,
        low=contrast.value - math.hypot(contrast.value - low, cal),
        high=contrast.value + math.hypot(high - contrast.value, cal),
        u=math.hypot(u, cal_u),
        noise=contrast.half_width,
        between=between,
        calibration=cal,
        calibration_from=cal_from,
        own=1.96 * own_u,
        dof=behind,
        between_dof=dof,
        day_sd=math.sqrt(squares / dof) if dof else math.nan,
        hac=1.96 * contrast.u_hac,
    )


def covariance_of(matched: Matched, fit: RecordFit, weights: FloatArray, slopes: FloatArray) -> FloatArray:
    """Covariance of contrasts that have their weights in common, as `interval_of` has it.

    Parameters
    ----------
    slopes : float64[m, p]

    Returns
    -------
    float64[m, m]
    """
    own, rest = fit.covariance(weights, slopes)
    squares, dof = _scatter(fit, matched.side)
    total = rest + (squares / dof * float(weights @ weights) if dof else own)
    pushed = pushed_by(matched, fit, weights, slopes)
    found: FloatArray = total + pushed @ pushed.T
    return found


# -- parts -------------------------------------------------------------------------------------------------


def _scatter(fit: RecordFit, side: NDArray[np.intp]) -> tuple[float, int]:
    """Squares of the runs' levels about their build's mean, and repeats."""
    levels = fit.levels
    squares, dof = 0.0, 0
    for k in (0, 1):
        own = levels[side == k]
        squares += float(((own - own.mean()) ** 2).sum())
        dof += own.size - 1
    return squares, dof


def _errors(matched: Matched) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Numbers of the errors behind each run's labels, intp[runs, labels], and the label of each error."""
    numbers: dict[tuple[int, str], int] = {}
    ids = np.empty((len(matched.runs), len(matched.labels)), dtype=np.intp)
    for column, label in enumerate(matched.labels):
        for r, run in enumerate(matched.runs):
            key = column, run.shared.get(label) or f"only {r}"
            ids[r, column] = numbers.setdefault(key, len(numbers))
    return ids, np.array([column for column, _ in numbers], dtype=np.intp)


def _summed(ids: NDArray[np.intp], pushed: FloatArray, errors: int) -> FloatArray:
    """What each error does to a contrast: where runs share it, it adds up with its sign, and so cancels as
    far as it is alike.
    """
    return np.asarray(np.bincount(ids.ravel(), pushed.ravel(), errors), dtype=np.float64)


def pushed_by(matched: Matched, fit: RecordFit, weights: FloatArray, slopes: FloatArray) -> FloatArray:
    """What each error does to contrasts with slopes float64[m, p]: float64[m, errors]."""
    ids, labels = _errors(matched)
    base = _summed(ids, fit.pushed(weights), labels.size)
    along = [_summed(ids, one, labels.size) for one in fit.pushed_by_slopes()]
    found: FloatArray = base + slopes @ np.array(along).reshape(slopes.shape[1], labels.size)
    return found


def _calibration(
    matched: Matched, fit: RecordFit, weights: FloatArray, slopes: FloatArray | None
) -> tuple[float, float, str]:
    """Standard uncertainty of a contrast from calibrations, its part that is another one in every run, and
    where most of it comes from.
    """
    if not matched.labels:
        return 0.0, 0.0, ""
    ids, labels = _errors(matched)
    squares = _summed(ids, fit.pushed(weights, slopes), labels.size) ** 2
    by_label = np.bincount(labels, weights=squares, minlength=len(matched.labels))
    most = matched.labels[int(np.argmax(by_label))]
    each_run = np.array([any(not r.shared.get(label) for r in matched.runs) for label in matched.labels])
    own = float(by_label[each_run].sum())
    return math.sqrt(float(by_label.sum())), math.sqrt(own), most
