"""How far one day of a bench differs from another: what is stated of it, and what its repeats tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from daq.errors import LyewatchError
from daq.measure import FloatArray
from daq.stats import Repeats, Scatter, analyse_covariance, half_width_anytime
from daq.store import RunRecord, Store
from daq.study.compare.match import MetricSpec, records_of
from daq.study.compare.run_blocks import RunBlocks, read_run
from daq.study.runs import recorded_bench

__all__ = [
    "DAY_SD",
    "MOST_REPEATS",
    "STATED_WORDS",
    "Days",
    "Outlook",
    "StatedBy",
    "days_of",
    "repeats_in",
    "repeats_of",
    "scale_of",
    "stated_days",
]

DAY_SD = 0.02
"""From run to run of one build, as a share of gas per watt, where nothing is known of a bench. Judgement: one
percent by mass of hydroxide more or less, a float read to a division, lye warmer by 2 K than where it is
measured, each do 0.5 to 1.5 %; they add up to about this. A bench that keeps its lye and level has less, and
its repeats will say so."""
LARGE = 1.5
"""Differences that builds are made for, in such scatters of a bench of which nothing is known."""
MOST_REPEATS = 20
"""So many other runs are read for their scatter."""
MOST_RUNS = 60

_UNITS = {
    "mmw_dry_ref": 1.0,
    "faradaic_efficiency": 1.0,
    "leak_amps": 1.0,
    "cell_volts": 0.5,
    "current_density": 3.0,
    "thermal_resistance": 2.5,
}
"""A result's scatter in those of gas per watt, each as a share: volts at a given current go with half of it,
the current at held volts, which rises steeply with them, with three times it; a draught changes a thermal
resistance by 5 % (judgement). Leak is the gas that is missing: its scatter is that of the gas, and not a
share of itself."""


StatedBy: TypeAlias = Literal["nobody", "bench file", "asked"]
STATED_WORDS: dict[StatedBy, str] = {
    "nobody": "assumed",
    "bench file": "stated in the bench file",
    "asked": "stated",
}


@dataclass(frozen=True, slots=True)
class Days:
    """What is known of a bench's days before its builds are compared.

    Attributes
    ----------
    sd : float
        Standard deviation from run to run of one build, as a share of gas per watt [1]: the scale of a half-t
        distribution. 0 says that days are alike, and leaves nothing but each run's noise.
    stated : str
        Who says so: "nobody" (`DAY_SD` is taken), "bench file" or "asked".
    others : tuple of RunBlocks
        More runs of the same benches, whose repeats are looked at.
    """

    sd: float = DAY_SD
    stated: StatedBy = "nobody"
    others: tuple[RunBlocks, ...] = ()


def days_of(
    store: Store,
    records: Sequence[RunRecord],
    block_s: int,
    *,
    sd: float | None = None,
    most: int = MOST_REPEATS,
    progress: Callable[[float], None] = lambda done: None,
) -> Days:
    """What a store tells of the days of the benches of some runs: builds of theirs that were run twice or
    more.

    Parameters
    ----------
    store : Store
    records : sequence of RunRecord
        The runs to be compared.
    block_s : int
        Length of a block [s].
    sd : float, optional
        Stated by the asker; else what the newest of the runs' bench files says, else `DAY_SD`.
    most : int
        So many other runs are read, the newest.
    progress : callable
        Told the share that is done.
    """
    days = stated_days(store, records, sd)
    named, benches = {r.id for r in records}, {r.bench for r in records}
    known = [
        r
        for r in store.logbook.list_runs(limit=100_000)
        if r.kind != "standby" and r.bench in benches and (r.ended_ns is not None or r.id in named)
    ]
    count: dict[tuple[str, str], int] = {}
    for r in known:
        count[r.bench, r.build] = count.get((r.bench, r.build), 0) + 1
    repeated = [r for r in known if count[r.bench, r.build] > 1 and r.id not in named]
    chosen = sorted(repeated, key=lambda r: -r.start_utc_ns)[:most]
    others = []
    for number, r in enumerate(chosen):
        others.append(read_run(store, r, block_s))
        progress((number + 1) / len(chosen))
    return replace(days, others=tuple(others))


def stated_days(store: Store, records: Sequence[RunRecord], sd: float | None = None) -> Days:
    """What is stated of the days: by the asker, else by the newest run's bench file.

    Parameters
    ----------
    store : Store
    records : sequence of RunRecord
        The runs that are compared; may be empty.
    sd : float, optional
        Scatter from run to run as a share of gas per watt [1], 0 or more; None leaves it to the bench file.
    """
    if sd is not None:
        return Days(sd, "asked")
    newest = max(records, key=lambda r: r.start_utc_ns, default=None)
    stated = None if newest is None else recorded_bench(store, newest).bench.day_sd
    return Days() if stated is None else Days(stated, "bench file")


def repeats_in(runs: Sequence[RunBlocks], metric: MetricSpec) -> Repeats | None:
    """What runs of any builds say by those that were run more than once; None where there are none."""
    kept, records = records_of(runs, metric)
    keys = [(r.bench, r.build) for r in kept]
    if len(set(keys)) == len(keys):
        return None
    try:
        fit = analyse_covariance(records)
    except LyewatchError:
        return None
    return repeats_of(fit.levels, fit.levels_u, [sorted(set(keys)).index(k) for k in keys])


def repeats_of(levels: FloatArray, levels_u: FloatArray, build: Sequence[int]) -> Repeats | None:
    """What runs say of the scatter by those builds that were run more than once; None where none was.

    Parameters
    ----------
    levels, levels_u : float64[runs]
        Each run's level, and its standard uncertainty from the run's own noise.
    build : sequence of int
        Number of each run's build.
    """
    which = np.asarray(build)
    squares, dof, inside = 0.0, 0, 0.0
    for k in np.unique(which):
        own = levels[which == k]
        if own.size > 1:
            squares += float(((own - own.mean()) ** 2).sum())
            dof += own.size - 1
            inside += float((levels_u[which == k] ** 2).mean()) * (own.size - 1)
    return Repeats(squares, dof, inside / dof) if dof else None


def scale_of(metric: MetricSpec, level: float, runs: Sequence[RunBlocks]) -> float:
    """A metric's scatter, on the scale on which it is compared, for one of 100 % in gas per watt.

    Parameters
    ----------
    metric : MetricSpec
    level : float
        About what the builds have [unit].
    runs : sequence of RunBlocks
        Whose current tells what leak is measured against.
    """
    unit = _UNITS[metric.key]
    if metric.scale == "ratio":
        return unit
    if metric.key == "leak_amps":
        amps = [float(np.mean(r.density)) * r.area_cm2 / 1000.0 for r in runs if len(r)]
        known = [a for a in amps if math.isfinite(a)]
        return max(float(np.mean(known)) - level, 0.0) if known else abs(level)
    return unit * abs(level)


@dataclass(frozen=True, slots=True)
class Outlook:
    """What more runs would make of an interval.

    Attributes
    ----------
    scatter : Scatter
    inside : float
        Variance of one run's mean from its own noise.
    own, lasting : float
        Variances from calibrations: of one run's mean, another one each time, and of the difference, the same
        however many.
    expected : float
        The size of difference that builds are made for.
    """

    scatter: Scatter
    inside: float
    own: float
    lasting: float
    expected: float

    def half_width(self, runs_each: int, more_dof: int) -> float:
        """Of the interval for any number of looks, with so many runs of each build and so many more repeats
        than now, if they scatter as those before.
        """
        sd = self.scatter.sd
        repeats = [Repeats(more_dof * (sd**2 + self.inside), more_dof, self.inside)] if more_dof > 0 else []
        if self.scatter.scale > 0.0 and repeats:
            variance = self.scatter.sigma**2 + self.inside
            log_w = np.log(np.maximum(self.scatter.weight, 1e-300))
            log_w = log_w - 0.5 * more_dof * np.log(variance) - 0.5 * repeats[0].squares / variance
            weight = np.exp(log_w - log_w.max())
            scatter = Scatter(
                self.scatter.sigma, weight / weight.sum(), self.scatter.scale, self.scatter.dof + more_dof
            )
        else:
            scatter = self.scatter
        gain = 2.0 / runs_each
        rest = (self.inside + self.own) * gain + self.lasting
        return half_width_anytime(scatter, gain, rest, self.expected)

    def runs_each(self, need: float, now: tuple[int, int]) -> int | None:
        """Runs of each build, more than there are now, for an interval of half the width `need`; None for
        more than 60."""
        most, count = max(now), sum(now)

        def enough(n: int) -> bool:
            return self.half_width(n, 2 * n - count) <= need

        low, high = most + 1, MOST_RUNS
        if low > high or not enough(high):
            return None
        while low < high:
            middle = (low + high) // 2
            low, high = (low, middle) if enough(middle) else (middle + 1, high)
        return low
