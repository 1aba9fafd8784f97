"""How many runs of which length would tell a difference, from what this bench's runs have scattered so far.

A comparison's verdict goes by an interval that holds however often one looks, so the plan is one to be
followed with a look after each pair of runs: it says by how many runs the difference is told in so many of a
hundred series, and how many it takes on average (`daq.stats.sequential.calls`).

References
----------
.. [1] D. R. Cox, Planning of Experiments, 1958, ch. 14: orders that a steady drift does not bias.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np
from pydantic import Field
from scipy.special import chdtri

from daq.errors import UsageError
from daq.stats import Calls, Repeats, analyse_covariance, calls
from daq.study.compare.days import DAY_SD, LARGE, Days, StatedBy, repeats_of
from daq.study.compare.match import METRICS, records_of
from daq.study.compare.run_blocks import RunBlocks
from daq.study.render import Count, FiniteOrNull, Internal, Magnitude, Share, TextOrNull, with_schema

__all__ = ["MOST_RUNS", "WARM_UP_H", "Choice", "Plan", "order", "plan"]

SCHEMA = "lyewatch.plan/1"
WARM_UP_H = 0.5
"""Of each run, spent warming up and cooling down again, when lengths are weighed against numbers [h]."""
LENGTHS_H = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
MOST_RUNS = 60


@dataclass(frozen=True, slots=True)
class Choice:
    """So many runs of each build, each so long, and the chance that they tell.

    Attributes
    ----------
    hours : float
        Of each run, once warm [h].
    runs_each : int
    power : float
        Chance of telling by then [1].
    expected : float
        Runs of each that it takes on average, with a look after each pair.
    total_hours : float
        Of both builds with warm-ups [h].
    """

    hours: Magnitude
    runs_each: Count
    power: Share
    expected: Annotated[Magnitude, Field(serialization_alias="expected_runs_each")]
    total_hours: Magnitude


@dataclass(frozen=True, slots=True)
class Best:
    """The choice that takes the least time, as `Choice`, and the order of its runs."""

    hours: Magnitude
    runs_each: Count
    expected: Annotated[Magnitude, Field(serialization_alias="expected_runs_each")]
    order: tuple[str, ...]
    power: Internal[float]
    total_hours: Internal[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is proposed, and what it rests on.

    Attributes
    ----------
    metric : str
        Key of what is planned for.
    detect, power : float
        Difference to be told, as a share of it, and the chance wanted of telling it [1].
    noise_1h : float
        Standard deviation of a run's mean over an hour from its own noise [1].
    day_sd : float
        From run to run beyond that [1].
    day_sd_high : float
        What it may be instead: end of its one-sided 90 % interval; NaN where it is assumed.
    day_sd_assumed : bool
    day_sd_stated, day_sd_stated_by : float, str
        What was stated of the days, and by whom.
    repeats : int
        Degrees of freedom behind `day_sd`; 0 where it is assumed.
    meters : float
        Standard uncertainty of one run's mean from errors of its meters that are others on another day, and
        so do not cancel: the comparison's interval counts them beside the runs' scatter [1].
    meters_from : str
        Where most of it comes from.
    runs : int
        Runs looked at.
    choices : tuple of Choice
        By length.
    best : Best or None
        None where none would tell.
    seen : Repeats or None
        What repeats say of the days.
    """

    metric: str
    detect: Share
    power: Share
    noise_1h: Annotated[Magnitude, Field(serialization_alias="noise_of_an_hour")]
    day_sd: Magnitude
    day_sd_high: FiniteOrNull
    day_sd_assumed: bool
    day_sd_stated: Share
    day_sd_stated_by: StatedBy
    repeats: Count
    meters: Annotated[Magnitude, Field(serialization_alias="meters_of_a_run")]
    meters_from: Annotated[TextOrNull, Field(serialization_alias="meters_mostly_from")]
    runs: Annotated[Count, Field(serialization_alias="runs_looked_at")]
    choices: tuple[Choice, ...] = ()
    best: Best | None = None
    seen: Internal[Repeats | None] = None

    def calls(self, difference: float, hours: float) -> Calls:
        """How soon a difference, as a share of MMW, is told by runs of that length."""
        return calls(
            math.log1p(difference),
            self.day_sd,
            self.noise_1h**2 / hours,
            self.day_sd_stated,
            LARGE * DAY_SD,
            seen=() if self.seen is None else (self.seen,),
            meters=self.meters,
            most=MOST_RUNS,
        )

    def as_dict(self) -> dict[str, Any]:
        """For JSON. Shares of MMW [1]."""
        return with_schema(self, SCHEMA)


def order(runs_each: int, first: str = "A", second: str = "B") -> list[str]:
    """An order in which a steady drift of room, lye or meters favours neither: A B B A, then B A A B [1].

    Parameters
    ----------
    runs_each : int
        Runs of each build.
    first, second : str
        What the builds are called.
    """
    a, b = first, second
    pattern = [a, b, b, a, b, a, a, b]
    return [pattern[k % 8] for k in range(2 * runs_each)]


def plan(runs: Sequence[RunBlocks], detect: float, *, wanted: float = 0.8, days: Days | None = None) -> Plan:
    """Plan a comparison of two builds.

    Parameters
    ----------
    runs : sequence of RunBlocks
        Runs of this bench, of any builds; builds that were run twice tell how days differ.
    detect : float
        Share of MMW that is to be told [1], above 0.
    wanted : float
        Chance of telling it [1], above 0 and below 1.
    days : Days, optional
        What is stated of the days.

    Raises
    ------
    UsageError
        When no run has enough blocks with gas and power measured.
    """
    days = Days() if days is None else days
    kept, records = records_of(runs, METRICS[0])
    if not records:
        raise UsageError(
            "no run has enough time powered and undisturbed with gas flow and power measured",
            place="plan",
            remedy="record one of an hour first",
        )
    fit = analyse_covariance(records)
    hours = np.array([r.at.size * run.block_s / 3600.0 for r, run in zip(records, kept, strict=True)])
    own = fit.levels_u
    noise_1h = float(np.sqrt(np.mean(own**2 * hours)))
    keys = [(r.bench, r.build) for r in kept]
    seen = repeats_of(fit.levels, own, [sorted(set(keys)).index(k) for k in keys])
    if seen is not None:
        # The runs' scatter holds their own noise too, which a longer run would lessen.
        day = math.sqrt(max(seen.squares / seen.dof - seen.inside, 0.0))
        high = math.sqrt(seen.squares / float(chdtri(seen.dof, 0.9)))
    else:
        day, high = days.sd, math.nan
    meters, meters_from = _meters(kept)
    made = Plan(
        metric=METRICS[0].key,
        detect=detect,
        power=wanted,
        noise_1h=noise_1h,
        day_sd=day,
        day_sd_high=high,
        day_sd_assumed=seen is None,
        day_sd_stated=days.sd,
        day_sd_stated_by=days.stated,
        repeats=0 if seen is None else seen.dof,
        meters=meters,
        meters_from=meters_from,
        runs=len(kept),
        seen=seen,
    )
    choices = []
    for length in LENGTHS_H:
        found = made.calls(detect, length)
        n = found.needed(wanted)
        if n is not None:
            total = 2 * n * (length + WARM_UP_H)
            choices.append(Choice(length, n, found.by(n), found.expected(n), total))
    least = min(choices, key=lambda c: (c.total_hours, c.runs_each), default=None)
    best = (
        None
        if least is None
        else Best(
            least.hours,
            least.runs_each,
            least.expected,
            tuple(order(least.runs_each)),
            least.power,
            least.total_hours,
        )
    )
    return replace(made, choices=tuple(choices), best=best)


def _meters(runs: Sequence[RunBlocks]) -> tuple[float, str]:
    """Standard uncertainty of a run's mean from errors that are others in another run [1], and from what most
    of it comes.
    """
    squares: dict[str, float] = {}
    for run in runs:
        response = run.responses[METRICS[0].key]
        known = np.isfinite(response.value) & (np.nan_to_num(response.value) > 0.0)
        for label, part in response.parts.items():
            if not run.shared.get(label):
                share = float((part[known] / response.value[known]).mean())
                squares[label] = squares.get(label, 0.0) + share * share / len(runs)
    most = max(squares, key=lambda label: squares[label], default="")
    return math.sqrt(sum(squares.values())), most
