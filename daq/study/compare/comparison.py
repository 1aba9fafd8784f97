"""Builds compared: differences of what they do at the same temperature and current, with an interval.

An analysis of covariance on the runs' blocks (`daq.stats.autocorrelated`): a level for each run, slopes
against temperature and current that all runs share. Errors that both builds' runs have in common, such as a
meter's calibration, go through the same estimator and so cancel as far as they are the same. Where builds
were run more than once, their scatter says how far one day differs from another; where none was, a stated
scatter does (`daq.study.compare.days`). Each difference has two intervals: one for a single look, and one
that holds however often one looks while runs are added (`daq.stats.sequential`), by which the verdict goes.

References
----------
.. [1] R. A. Fisher, Statistical Methods for Research Workers, 4th ed. 1932: the analysis of covariance.
.. [2] F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110, DOI 10.2307/3002019: degrees of freedom of a sum of
   variances.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from daq.errors import LyewatchError, UsageError
from daq.stats import CovarianceAnalysis, analyse_covariance
from daq.store import LookRecord
from daq.study.compare.band import ConfidenceBand, band_over_temperature
from daq.study.compare.bench_differences import BenchDifference, bench_differences
from daq.study.compare.days import Days, Outlook
from daq.study.compare.equal_lye import EqualLye, equal_lye
from daq.study.compare.match import METRICS, MetricSpec
from daq.study.compare.records import Group, Matched, Unmatched, interval_of, match
from daq.study.compare.run_blocks import RunBlocks

__all__ = [
    "METRICS",
    "Comparison",
    "Days",
    "Difference",
    "Group",
    "MetricSpec",
    "compare_groups",
    "compare_metric",
    "group_runs",
]


@dataclass(frozen=True, slots=True)
class Difference:
    """One result of one build against the first.

    Attributes
    ----------
    metric : MetricSpec
    value, low, high : float
        The difference and its 95 % interval for one look: a share [1] for a "ratio", else in the metric's
        unit. NaN where it could not be had; `reason` then says why.
    any_low, any_high : float
        Its 95 % interval for any number of looks while runs are added.
    levels : tuple of (float, float)
        Of both builds at the matched conditions: value and expanded uncertainty (k = 2) [unit].
    noise, between, calibration : float
        Half-widths of the interval that the blocks' noise, the scatter between runs and what does not cancel
        of the calibrations would give alone; `between` holds the noise too, and is NaN where days are taken
        as alike.
    calibration_from : str
        The input that most of `calibration` comes from.
    parts : dict of str to float or None
        Of `calibration`, by input.
    own : float
        The part of `calibration` that is another one in every run, such as a barometer's that is read anew:
        it lessens with repeats, as the rest does not.
    dof : float
        Behind the interval.
    between_dof : int
        Repeats behind `between`; 0 where the scatter is as stated.
    day_sd : float
        Standard deviation from run to run of one build, each run's own noise in it; NaN without repeats.
    days : Days or None
        What was stated of the days.
    outlook : Outlook or None
        What more runs would make of the interval for any number of looks.
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
    band : ConfidenceBand or None
        The difference over temperature, each build with slopes of its own.
    reason : str
    """

    metric: MetricSpec
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    any_low: float = math.nan
    any_high: float = math.nan
    levels: tuple[tuple[float, float], tuple[float, float]] = ((math.nan, math.nan), (math.nan, math.nan))
    noise: float = math.nan
    between: float = math.nan
    calibration: float = math.nan
    calibration_from: str = ""
    parts: dict[str, float] | None = None
    own: float = 0.0
    dof: float = math.nan
    between_dof: int = 0
    day_sd: float = math.nan
    days: Days | None = None
    outlook: Outlook | None = None
    hac: float = math.nan
    matched: dict[str, float] | None = None
    unmatched: tuple[str, ...] = ()
    blocks: tuple[int, int] = (0, 0)
    hours: tuple[float, float] = (0.0, 0.0)
    rho: float = math.nan
    band: ConfidenceBand | None = None
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
    benches: tuple[BenchDifference, ...] = ()
    """What the bench files of both builds' runs say otherwise."""
    looks: tuple[LookRecord, ...] = ()
    """Every look that was taken at these builds, this one last; empty where nobody keeps them."""
    lye: EqualLye = field(default_factory=EqualLye)
    """What was done about lyes that differ in strength."""

    @property
    def repeated(self) -> bool:
        """Whether a build has more than one run."""
        return len(self.first.runs) > 1 or len(self.second.runs) > 1

    def difference(self, key: str) -> Difference:
        """By metric's key."""
        return next(d for d in self.differences if d.metric.key == key)

    @property
    def headline(self) -> Difference:
        """Gas per watt's, whether it is known or not: a verdict on anything else would be another
        question's."""
        return self.differences[0]


def group_runs(runs: Sequence[RunBlocks], by: Literal["build", "run"] = "build") -> list[Group]:
    """Runs gathered by build, in the order in which builds first come; by run where all are of one build."""
    names = list(dict.fromkeys(r.build for r in runs))
    if by == "build" and len(names) > 1:
        return [Group(n, tuple(r for r in runs if r.build == n)) for n in names]
    shared = Counter(r.name for r in runs)

    def called(run: RunBlocks, number: int) -> str:
        # Two runs of one name are told apart by their ids.
        own = run.name if shared[run.name] == 1 else " ".join(p for p in (run.name, run.run_id) if p)
        return own or run.run_id or f"run {number}"

    return [Group(called(r, i + 1), (r,)) for i, r in enumerate(runs)]


def compare_groups(
    groups: Sequence[Group], *, matters: float = 0.03, days: Days | None = None
) -> list[Comparison]:
    """Every build against the first.

    Parameters
    ----------
    groups : sequence of Group
        Two or more.
    matters : float
        Share of MMW from which on a difference matters [1], above 0.
    days : Days, optional
        What is known of the bench's days beforehand.

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
    days = Days() if days is None else days
    out = []
    for other in groups[1:]:
        # Repeats of a third build tell of the days as well.
        third = [] if _one_build(groups) else [r for g in groups[1:] if g is not other for r in g.runs]
        # The lyes first: what they do is no difference of the builds.
        pair = [(g.name, g.runs) for g in (groups[0], other)]
        (one, two), beside, lye = equal_lye(pair, (*days.others, *third))
        known = replace(days, others=beside)
        here, there = Group(groups[0].name, one), Group(other.name, two)
        found = tuple(compare_metric(here, there, m, band=True, days=known) for m in METRICS)
        head = found[0]
        at = (head.matched or {}).get("lye_temp", math.nan)
        benches = bench_differences(groups[0], other, temp_c=at, parts=head.parts)
        out.append(Comparison(groups[0], other, found, matters, benches, lye=lye))
    return out


def _one_build(groups: Sequence[Group]) -> bool:
    """Whether runs of one build are compared with each other, which are then no repeats."""
    builds = [{r.build for r in g.runs} for g in groups]
    return any(a & b for i, a in enumerate(builds) for b in builds[:i])


# -- one metric --------------------------------------------------------------------------------------------


def compare_metric(
    first: Group,
    second: Group,
    metric: MetricSpec,
    *,
    band: bool = False,
    days: Days | None = None,
    check: bool = True,
) -> Difference:
    """The difference in one metric.

    Parameters
    ----------
    first, second : Group
        The builds.
    metric : MetricSpec
    band : bool
        Whether to tell it over temperature too.
    days : Days, optional
        What is known of the bench's days; None for what is taken where nobody says.
    check : bool
        Whether to work out the noise by cosine scores too, which takes longer than all else.
    """
    found = match(first, second, metric, days)
    if isinstance(found, Unmatched):
        return Difference(metric, blocks=found.blocks, reason=found.reason)
    try:
        fit = analyse_covariance(found.records)
    except LyewatchError as exc:
        return Difference(metric, blocks=found.blocks, reason=exc.message)
    difference = _difference(found, fit, check)
    if band and "lye_temp" in metric.matched:
        difference = replace(difference, band=band_over_temperature(found))
    return difference


def _difference(matched: Matched, fit: CovarianceAnalysis, check: bool) -> Difference:
    metric = matched.metric
    one, two = matched.shares
    d = interval_of(matched, fit, two - one, days=True, hac=check)
    ratio = metric.scale == "ratio"
    levels = []
    for share in (one, two):
        level = interval_of(matched, fit, share)
        v = math.exp(level.value) if ratio else level.value
        levels.append((v, 2.0 * level.u * (v if ratio else 1.0)))
    turn = math.expm1 if ratio else float
    hours = [float(m.sum()) * r.block_s / 3600.0 for r, m in zip(matched.runs, matched.masks, strict=True)]
    return Difference(
        metric,
        value=turn(d.value),
        low=turn(d.low),
        high=turn(d.high),
        any_low=turn(d.any_low),
        any_high=turn(d.any_high),
        levels=(levels[0], levels[1]),
        noise=d.noise,
        between=d.between,
        calibration=d.calibration,
        calibration_from=d.calibration_from,
        parts=d.parts,
        own=d.own,
        dof=d.dof,
        between_dof=d.between_dof,
        day_sd=d.day_sd,
        days=matched.days,
        outlook=d.outlook,
        hac=d.hac,
        matched=matched.covariates.matched,
        unmatched=matched.covariates.unmatched,
        blocks=matched.blocks,
        hours=matched.of_each(hours),
        rho=fit.rho,
    )
