"""Builds compared: differences of what they do at the same temperature and current, with an interval.

An analysis of covariance on the runs' blocks (`daq.study.autocorrelated`): a level for each run, slopes
against temperature and current that all runs share. Errors that both builds' runs have in common, such as a
meter's calibration, go through the same estimator and so cancel as far as they are the same. Where a build
has several runs, their scatter says how far one day differs from another.

References
----------
.. [1] R. A. Fisher, Statistical Methods for Research Workers, 4th ed. 1932: the analysis of covariance.
.. [2] F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110, DOI 10.2307/3002019: degrees of freedom of a sum of
   variances.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from daq.errors import LyewatchError, UsageError
from daq.study.autocorrelated import Contrast, Record, RecordFit, fit_records
from daq.study.compare_match import (
    METRICS,
    MetricSpec,
    common_range,
    covariates_of,
    held_by_supply,
    never_alike,
    usable,
)
from daq.study.run_blocks import RunBlocks
from daq.watch.columns import FloatArray

__all__ = [
    "METRICS",
    "Comparison",
    "Difference",
    "Group",
    "MetricSpec",
    "compare_groups",
    "compare_metric",
    "group_runs",
    "records_of",
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
class Difference:
    """One result of one build against the first.

    Attributes
    ----------
    metric : MetricSpec
    value, low, high : float
        The difference and its 95 % interval: a share [1] for a "ratio", else in the metric's unit. NaN
        where it could not be had; `reason` then says why.
    levels : tuple of (float, float)
        Of both builds at the matched conditions: value and expanded uncertainty (k = 2) [unit].
    noise, between, calibration : float
        Half-widths of the interval that the blocks' noise, the scatter between runs and what does not cancel
        of the calibrations would give alone; `between` is NaN without repeats.
    calibration_from : str
        The input that most of `calibration` comes from.
    dof : float
        Behind the interval.
    between_dof : int
        Repeats behind `between`; 0 for none.
    day_sd : float
        Standard deviation from run to run of one build, each run's own noise in it; NaN without repeats.
    hac : float
        Half-width from noise by cosine scores, as a check.
    matched : dict of str to float
        Covariates that were adjusted for, and where the builds are compared.
    unmatched : tuple of str
        Those that could not be adjusted for, in words.
    blocks : tuple of int
        Blocks of each build that entered.
    hours : tuple of float
        Their time [h].
    rho : float
        Correlation of the noise from block to block [1].
    reason : str
    """

    metric: MetricSpec
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    levels: tuple[tuple[float, float], tuple[float, float]] = ((math.nan, math.nan), (math.nan, math.nan))
    noise: float = math.nan
    between: float = math.nan
    calibration: float = math.nan
    calibration_from: str = ""
    dof: float = math.nan
    between_dof: int = 0
    day_sd: float = math.nan
    hac: float = math.nan
    matched: dict[str, float] | None = None
    unmatched: tuple[str, ...] = ()
    blocks: tuple[int, int] = (0, 0)
    hours: tuple[float, float] = (0.0, 0.0)
    rho: float = math.nan
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a difference to speak of."""
        return math.isfinite(self.value)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One build against the first: differences by metric's key, in the order of `METRICS`."""

    first: Group
    second: Group
    differences: tuple[Difference, ...]
    matters: float
    """From which share of MMW on a difference matters to the asker [1]."""

    @property
    def repeated(self) -> bool:
        """Whether a build has more than one run."""
        return len(self.first.runs) > 1 or len(self.second.runs) > 1

    def difference(self, key: str) -> Difference:
        """By metric's key."""
        return next(d for d in self.differences if d.metric.key == key)

    @property
    def headline(self) -> Difference:
        """MMW's, or the first that is known."""
        return next((d for d in self.differences if d.known), self.differences[0])


def group_runs(runs: Sequence[RunBlocks], by: Literal["build", "run"] = "build") -> list[Group]:
    """Runs gathered by build, in the order in which builds first come; by run where all are of one build."""
    names = list(dict.fromkeys(r.build for r in runs))
    if by == "build" and len(names) > 1:
        return [Group(n, tuple(r for r in runs if r.build == n)) for n in names]
    return [Group(r.name or r.run_id or f"run {i + 1}", (r,)) for i, r in enumerate(runs)]


def compare_groups(groups: Sequence[Group], *, matters: float = 0.03) -> list[Comparison]:
    """Every build against the first.

    Parameters
    ----------
    groups : sequence of Group
        Two or more.
    matters : float
        Share of MMW from which on a difference matters [1], above 0.

    Raises
    ------
    UsageError
        For fewer than two groups, or runs at differing references for dry gas.
    """
    if len(groups) < 2:
        raise UsageError("nothing to compare with", place="compare", remedy="name two runs or more")
    references = sorted({r.reference for g in groups for r in g.runs})
    if len(references) > 1:
        raise UsageError(
            "the runs count dry gas at different conditions",
            place="compare",
            value=" and ".join(references),
            remedy="give their bench files one site.reference",
        )
    return [
        Comparison(groups[0], other, tuple(compare_metric(groups[0], other, m) for m in METRICS), matters)
        for other in groups[1:]
    ]


def records_of(runs: Sequence[RunBlocks], metric: MetricSpec) -> tuple[list[RunBlocks], list[Record]]:
    """The runs that have a metric, and their records, all adjusted to one temperature and current."""
    kept, masks = [], []
    for run in runs:
        mask = usable(run, metric)
        if mask.sum() >= LEAST_BLOCKS:
            kept.append(run)
            masks.append(mask)
    if not kept:
        return [], []
    design, _, _ = covariates_of(kept, masks, np.zeros(len(kept), dtype=np.intp), metric)
    return kept, [_record(r, m, metric, x, ()) for r, m, x in zip(kept, masks, design, strict=True)]


# -- one metric --------------------------------------------------------------------------------------------


def compare_metric(first: Group, second: Group, metric: MetricSpec) -> Difference:
    runs = (*first.runs, *second.runs)
    side = np.array([0] * len(first.runs) + [1] * len(second.runs))
    masks = [usable(r, metric) for r in runs]
    if not all(any(m.any() for m, s in zip(masks, side, strict=True) if s == k) for k in (0, 1)):
        return Difference(metric, reason="not measured in both builds' runs while powered and undisturbed")
    held = held_by_supply(runs, masks, metric)
    if held:
        return Difference(metric, reason=held)
    if "lye_temp" in metric.matched:
        low, high = common_range(runs, masks, side)
        if not high > low - MARGIN_K:
            return Difference(metric, reason=never_alike(runs, masks, side, (first.name, second.name)))
        masks = [
            m & (r.lye_temp >= low - MARGIN_K) & (r.lye_temp <= high + MARGIN_K)
            for r, m in zip(runs, masks, strict=True)
        ]
    kept = [i for i, m in enumerate(masks) if m.sum() >= 3]
    counts = tuple(int(sum(masks[i].sum() for i in kept if side[i] == k)) for k in (0, 1))
    if min(counts) < LEAST_BLOCKS:
        return Difference(
            metric,
            blocks=(counts[0], counts[1]),
            reason=f"too few blocks at temperatures that both builds had ({counts[0]} and {counts[1]}, "
            f"{LEAST_BLOCKS} needed)",
        )
    runs, masks, side = tuple(runs[i] for i in kept), [masks[i] for i in kept], side[kept]
    design, matched, unmatched = covariates_of(runs, masks, side, metric)
    labels = sorted({label for r in runs for label in r.responses[metric.key].parts})
    records = [_record(r, m, metric, x, labels) for r, m, x in zip(runs, masks, design, strict=True)]
    try:
        fit = fit_records(records)
    except LyewatchError as exc:
        return Difference(metric, blocks=(counts[0], counts[1]), reason=exc.message)
    return _told(metric, runs, side, masks, fit, labels, matched, unmatched, (counts[0], counts[1]))


def _told(
    metric: MetricSpec,
    runs: Sequence[RunBlocks],
    side: NDArray[np.intp],
    masks: Sequence[NDArray[np.bool_]],
    fit: RecordFit,
    labels: Sequence[str],
    matched: dict[str, float],
    unmatched: tuple[str, ...],
    counts: tuple[int, int],
) -> Difference:
    per_group = [(side == k).astype(np.float64) / float((side == k).sum()) for k in (0, 1)]
    weights = per_group[1] - per_group[0]
    contrast = fit.contrast(weights)
    cal_u, cal_from = _calibration_u(runs, fit, weights, labels)
    cal = 1.96 * cal_u
    noise = contrast.half_width
    between, dof_between, day_sd = _between(fit, side, contrast)
    dof = float(fit.dof)
    low, high = contrast.low, contrast.high
    if dof_between:
        low, high = contrast.value - between, contrast.value + between
        dof = float(dof_between)
    low = contrast.value - math.hypot(contrast.value - low, cal)
    high = contrast.value + math.hypot(high - contrast.value, cal)
    levels = []
    for share in per_group:
        level = fit.contrast(share)
        u = math.hypot(level.u, _calibration_u(runs, fit, share, labels)[0])
        v = math.exp(level.value) if metric.scale == "ratio" else level.value
        levels.append((v, 2.0 * u * (v if metric.scale == "ratio" else 1.0)))
    turn = math.expm1 if metric.scale == "ratio" else float
    hours = tuple(
        float(sum(m.sum() * r.block_s for r, m, s in zip(runs, masks, side, strict=True) if s == k)) / 3600.0
        for k in (0, 1)
    )
    return Difference(
        metric,
        value=turn(contrast.value),
        low=turn(low),
        high=turn(high),
        levels=(levels[0], levels[1]),
        noise=noise,
        between=between,
        calibration=cal,
        calibration_from=cal_from,
        dof=dof,
        between_dof=dof_between,
        day_sd=day_sd,
        hac=1.96 * contrast.u_hac,
        matched=matched,
        unmatched=unmatched,
        blocks=counts,
        hours=(hours[0], hours[1]),
        rho=fit.rho,
    )


def _between(fit: RecordFit, side: NDArray[np.intp], contrast: Contrast) -> tuple[float, int, float]:
    """Half-width from the runs' scatter about their build's mean, its degrees of freedom, and that scatter's
    standard deviation; NaN, 0 and NaN without repeats.

    The scatter holds each run's own noise too. What comes from the shared slopes is the same in all runs and
    is added, [2].
    """
    levels = fit.levels
    squares, dof, share = 0.0, 0, 0.0
    for k in (0, 1):
        own = levels[side == k]
        squares += float(((own - own.mean()) ** 2).sum())
        dof += own.size - 1
        share += 1.0 / own.size
    if dof == 0:
        return math.nan, 0, math.nan
    own_part = squares / dof * share
    slopes = contrast.u_slopes**2
    total = own_part + slopes
    effective = dof if own_part == 0.0 else total**2 / (own_part**2 / dof + slopes**2 / fit.dof)
    return float(stdtrit(max(effective, 1.0), 0.975)) * math.sqrt(total), dof, math.sqrt(squares / dof)


def _calibration_u(
    runs: Sequence[RunBlocks], fit: RecordFit, weights: FloatArray, labels: Sequence[str]
) -> tuple[float, str]:
    """Standard uncertainty of a contrast from calibrations, and where most of it comes from.

    What runs share adds up with its sign, and so cancels from a difference as far as it is alike.
    """
    by_label: dict[str, float] = {}
    carried = fit.carried_levels
    for column, label in enumerate(labels):
        pushed = weights * carried[:, column]
        by_error: dict[str, float] = {}
        for r, run in enumerate(runs):
            key = run.shared.get(label) or f"only {r}"
            by_error[key] = by_error.get(key, 0.0) + float(pushed[r])
        by_label[label] = sum(v * v for v in by_error.values())
    most = max(by_label, key=lambda k: by_label[k], default="")
    return math.sqrt(sum(by_label.values())), most


def _record(
    run: RunBlocks, mask: NDArray[np.bool_], metric: MetricSpec, design: FloatArray, labels: Sequence[str]
) -> Record:
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
        covariates=design,
        carried=carried,
    )
