"""Two builds' runs as records for a regression, and what an interval on a contrast of them is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from daq.measure import FloatArray
from daq.stats import (
    PRIOR_DOF,
    CorrelatedSeries,
    CovarianceAnalysis,
    Repeats,
    Scatter,
    half_width,
    half_width_anytime,
)
from daq.study.compare.days import DAY_SD, LARGE, Days, Outlook, repeats_in, repeats_of, scale_of
from daq.study.compare.match import (
    LEAST_BLOCKS,
    Covariates,
    MetricSpec,
    common_range,
    covariates_of,
    held_by_supply,
    never_alike,
    record_of,
    usable,
)
from daq.study.compare.run_blocks import RunBlocks

__all__ = [
    "Group",
    "Interval",
    "Matched",
    "Unmatched",
    "interval_of",
    "match",
    "propagated_errors",
]

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
    records : tuple of CorrelatedSeries
    common : (float, float) or None
        Lowest and highest temperature that both builds had [degC], for a metric that is matched in it.
    days : Days
        What is known of the bench's days beforehand.
    pool : Repeats or None
        What repeats of builds say where more than the compared runs were looked at.
    """

    metric: MetricSpec
    runs: tuple[RunBlocks, ...]
    side: NDArray[np.intp]
    masks: tuple[NDArray[np.bool_], ...]
    covariates: Covariates
    labels: tuple[str, ...]
    records: tuple[CorrelatedSeries, ...]
    common: tuple[float, float] | None
    days: Days
    pool: Repeats | None = None

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
    parts : dict of str to float
        Of `calibration`, by input.
    own : float
        The part of `calibration` that is another one in every run, and so lessens with repeats.
    dof : float
        Behind the interval.
    between_dof : int
    day_sd : float
    any_low, any_high : float
        Ends of the interval for any number of looks; those of the one for one look where days do not count.
    outlook : Outlook or None
        What more runs would make of it, where days count.
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
    parts: dict[str, float]
    own: float
    dof: float
    between_dof: int
    day_sd: float
    any_low: float
    any_high: float
    outlook: Outlook | None
    hac: float


def match(first: Group, second: Group, metric: MetricSpec, days: Days | None = None) -> Matched | Unmatched:
    """The blocks in which two builds were alike in all but what is compared.

    Parameters
    ----------
    first, second : Group
        The builds.
    metric : MetricSpec
    days : Days, optional
        What is known of the bench's days; None for what is taken where nobody says.
    """
    days = Days() if days is None else days
    runs = (*first.runs, *second.runs)
    side = np.array([0] * len(first.runs) + [1] * len(second.runs))
    masks = [usable(r, metric) for r in runs]
    if not all(any(m.any() for m, s in zip(masks, side, strict=True) if s == k) for k in (0, 1)):
        return Unmatched(_not_measured(first, second, metric))
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
    pool = None
    if days.others:
        # Runs that are compared one by one are no repeats of each other: that is what is asked.
        apart = not {r.build for r in first.runs} & {r.build for r in second.runs}
        pool = repeats_in([*(runs if apart else ()), *days.others], metric)
    return Matched(metric, runs, side, tuple(masks), covariates, labels, records, common, days, pool)


def interval_of(
    matched: Matched,
    fit: CovarianceAnalysis,
    weights: FloatArray,
    slopes: FloatArray | None = None,
    *,
    days: bool = False,
    calibration_u: float | None = None,
    hac: bool = False,
) -> Interval:
    """The 95 % interval of a contrast: noise, the runs' scatter, and calibrations.

    With two repeats or more among the runs themselves, and no others looked at, their scatter makes the
    interval by Student's t; else what is known of the days does (`daq.stats.sequential`).

    Parameters
    ----------
    matched : Matched
    fit : CovarianceAnalysis
        Of its records.
    weights : float64[runs]
        Of the runs' levels.
    slopes : float64[p], optional
        Of the slopes.
    days : bool
        Whether it tells builds apart, so that the scatter of days counts even where nothing was run twice.
    calibration_u : float, optional
        Standard uncertainty from calibrations, where that is known already; the interval for any number of
        looks is then left out.
    hac : bool
        Whether the check by cosine scores is wanted.
    """
    contrast = fit.contrast(weights, slopes, hac=hac)
    cal_u, own_u, parts = (
        (calibration_u, math.nan, {})
        if calibration_u is not None
        else _calibration(matched, fit, weights, slopes)
    )
    cal = 1.96 * cal_u
    gain = float(weights @ weights)
    ground = _ground(matched, fit, days)
    own, scatter = ground.own, ground.scatter
    low, high, behind, between, u = contrast.low, contrast.high, float(fit.dof), math.nan, contrast.u
    if own is not None and ground.by_t:
        # The scatter holds each run's own noise too; what comes from the slopes is the same in all runs.
        of_runs, from_slopes = own.squares / own.dof * gain, contrast.u_slopes**2
        u = math.sqrt(of_runs + from_slopes)
        # Satterthwaite's degrees of freedom of the sum
        squared = of_runs**2 / own.dof + from_slopes**2 / fit.dof
        behind = u**4 / squared if squared > 0.0 else float(own.dof)
        between = float(stdtrit(max(behind, 1.0), 0.975)) * u
        low, high = contrast.value - between, contrast.value + between
    low = contrast.value - math.hypot(contrast.value - low, cal)
    high = contrast.value + math.hypot(high - contrast.value, cal)
    noise = (contrast.half_width / 1.96) ** 2
    if days:
        if not ground.by_t and scatter.scale > 0.0:
            between = half_width(scatter, gain, noise)
            behind = min(behind, PRIOR_DOF + scatter.dof)
            wide = half_width(scatter, gain, noise + cal_u**2)
            low, high = contrast.value - wide, contrast.value + wide
    any_low, any_high, outlook = low, high, None
    if days and calibration_u is None:
        expected = LARGE * DAY_SD * ground.unit
        any_wide = half_width_anytime(scatter, gain, noise + cal_u**2, expected)
        any_low = min(low, contrast.value - any_wide)
        any_high = max(high, contrast.value + any_wide)
        inside = float((fit.levels_u**2).mean())
        own_cal = 0.0 if math.isnan(own_u) else own_u**2
        outlook = Outlook(scatter, inside, own_cal / gain, max(cal_u**2 - own_cal, 0.0), expected)
    return Interval(
        value=contrast.value,
        low=low,
        high=high,
        u=math.hypot(u, cal_u),
        noise=contrast.half_width,
        between=between,
        calibration=cal,
        calibration_from=max(parts, key=lambda label: parts[label], default=""),
        parts=parts,
        own=1.96 * own_u,
        dof=behind,
        between_dof=scatter.dof,
        day_sd=ground.sd,
        any_low=any_low,
        any_high=any_high,
        outlook=outlook,
        hac=1.96 * contrast.u_hac,
    )


def covariance_of(
    matched: Matched, fit: CovarianceAnalysis, weights: FloatArray, slopes: FloatArray, *, days: bool = False
) -> FloatArray:
    """Covariance of contrasts that have their weights in common, as `interval_of` has it.

    Parameters
    ----------
    matched : Matched
    fit : CovarianceAnalysis
        Of its records.
    weights : float64[records]
        Of the records' levels, common to the contrasts.
    slopes : float64[m, p]
        Of the slopes, for each contrast.
    days : bool
        Whether the scatter from run to run counts too.

    Returns
    -------
    float64[m, m]
    """
    own, rest = fit.covariance(weights, slopes)
    ground = _ground(matched, fit, days)
    gain = float(weights @ weights)
    if ground.own is not None and ground.by_t:
        total = rest + ground.own.squares / ground.own.dof * gain
    else:
        total = rest + own + (ground.scatter.variance * gain if days else 0.0)
    propagated = propagated_errors(matched, fit, weights, slopes)
    found: FloatArray = total + propagated @ propagated.T
    return found


# -- parts -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Ground:
    """What is known of the scatter from run to run: by the runs themselves, whether Student's t is made of
    that, by all that is known; the metric's scatter for one of 100 % in gas per watt; and the standard
    deviation."""

    own: Repeats | None
    by_t: bool
    scatter: Scatter
    unit: float
    sd: float


def _ground(matched: Matched, fit: CovarianceAnalysis, days: bool) -> _Ground:
    own = repeats_of(fit.levels, fit.levels_u, matched.side.tolist())
    unit = scale_of(matched.metric, float(fit.levels.mean()), matched.runs)
    repeats = matched.pool or own
    scatter = Scatter.of(matched.days.sd * unit, () if repeats is None else (repeats,))
    enough = own is not None and (not days or matched.days.sd == 0.0 or (own.dof > 1 and not matched.pool))
    sd = math.sqrt(repeats.squares / repeats.dof) if repeats is not None else math.nan
    return _Ground(own, enough, scatter, unit, sd)


def _not_measured(first: Group, second: Group, metric: MetricSpec) -> str:
    """Which build's runs lack it, and what they lack."""
    out = []
    for group in (first, second):
        if any(usable(r, metric).any() for r in group.runs):
            continue
        if not any(len(r) for r in group.runs):
            out.append(f"no minute of {group.name} was powered, undisturbed and settled")
            continue
        missing = sorted({c for r in group.runs for c in _NEEDS.get(metric.key, ()) if _lacks(r, c)})
        if missing:
            words = " and no ".join(_CHANNEL_WORDS.get(c, c) for c in missing)
            out.append(f"the bench of {group.name} had no {words}")
        else:
            out.append(f"{group.name} has no reading of it while it was powered and undisturbed")
    return "; ".join(out)


_NEEDS = {
    "mmw_dry_ref": ("gas_flow",),
    "faradaic_efficiency": ("gas_flow",),
    "leak_amps": ("gas_flow",),
    "thermal_resistance": ("room_temp",),
}
_CHANNEL_WORDS = {"gas_flow": "flow meter (channel gas_flow)", "room_temp": "channel room_temp"}


def _lacks(run: RunBlocks, channel: str) -> bool:
    return bool(run.facts) and f"channels.{channel}" not in run.facts


def _errors(matched: Matched) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Numbers of the errors behind each run's labels, intp[runs, labels], and the label of each error."""
    numbers: dict[tuple[int, str], int] = {}
    ids = np.empty((len(matched.runs), len(matched.labels)), dtype=np.intp)
    for column, label in enumerate(matched.labels):
        for r, run in enumerate(matched.runs):
            key = column, run.shared.get(label) or f"only {r}"
            ids[r, column] = numbers.setdefault(key, len(numbers))
    return ids, np.array([column for column, _ in numbers], dtype=np.intp)


def _summed(ids: NDArray[np.intp], propagated: FloatArray, errors: int) -> FloatArray:
    """What each error does to a contrast: where runs share it, it adds up with its sign, and so cancels as
    far as it is alike.
    """
    return np.asarray(np.bincount(ids.ravel(), propagated.ravel(), errors), dtype=np.float64)


def propagated_errors(
    matched: Matched, fit: CovarianceAnalysis, weights: FloatArray, slopes: FloatArray
) -> FloatArray:
    """What each error does to contrasts, float64[m, errors].

    Parameters
    ----------
    matched : Matched
    fit : CovarianceAnalysis
        Of its records.
    weights : float64[records]
        Of the records' levels, common to the contrasts.
    slopes : float64[m, p]
        Of the slopes, for each contrast.
    """
    ids, labels = _errors(matched)
    base = _summed(ids, fit.propagated(weights), labels.size)
    along = [_summed(ids, one, labels.size) for one in fit.propagated_by_slopes()]
    found: FloatArray = base + slopes @ np.array(along).reshape(slopes.shape[1], labels.size)
    return found


def _calibration(
    matched: Matched, fit: CovarianceAnalysis, weights: FloatArray, slopes: FloatArray | None
) -> tuple[float, float, dict[str, float]]:
    """Standard uncertainty of a contrast from calibrations, its part that is another one in every run, and
    the half-width that each input gives alone.
    """
    if not matched.labels:
        return 0.0, 0.0, {}
    ids, labels = _errors(matched)
    squares = _summed(ids, fit.propagated(weights, slopes), labels.size) ** 2
    by_label = np.bincount(labels, weights=squares, minlength=len(matched.labels))
    each_run = np.array([any(not r.shared.get(label) for r in matched.runs) for label in matched.labels])
    own = float(by_label[each_run].sum())
    parts = {k: 1.96 * math.sqrt(v) for k, v in zip(matched.labels, by_label.tolist(), strict=True)}
    return math.sqrt(float(by_label.sum())), math.sqrt(own), parts
