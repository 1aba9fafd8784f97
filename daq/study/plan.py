"""How many runs of which length would tell a difference, from what this bench's runs have scattered so far.

References
----------
.. [1] J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. 1988, ch. 2: power of the
   two-sample t-test, by the noncentral t distribution.
.. [2] D. R. Cox, Planning of Experiments, 1958, ch. 14: orders that a steady drift does not bias.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtri, ndtr, stdtrit
from scipy.stats import nct

from daq.errors import UsageError
from daq.study.autocorrelated import fit_records
from daq.study.compare import Group, records_of
from daq.study.compare_match import METRICS
from daq.study.run_blocks import RunBlocks

__all__ = ["SCHEMA", "Choice", "Plan", "order", "plan", "plan_text", "power", "runs_needed"]

SCHEMA = "lyewatch.plan/1"
ASSUMED_DAY_SD = 0.02
"""Scatter from run to run taken where no build was run twice [1] (judgement)."""
WARM_UP_H = 0.5
"""Of each run, spent warming up and cooling down again, when lengths are weighed against numbers [h]."""
LENGTHS_H = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
MOST_RUNS = 200


@dataclass(frozen=True, slots=True)
class Choice:
    """So many runs of each build, each so long, and the chance that they tell."""

    hours: float
    runs_each: int
    power: float

    @property
    def total_hours(self) -> float:
        """Of both builds with warm-ups [h]."""
        return 2 * self.runs_each * (self.hours + WARM_UP_H)


@dataclass(frozen=True, slots=True)
class Plan:
    """What is proposed, and what it rests on.

    Attributes
    ----------
    detect, power : float
        Difference to be told, as a share of MMW, and the chance wanted of telling it [1].
    noise_1h : float
        Standard deviation of a run's mean over an hour from its own noise [1].
    day_sd : float
        From run to run beyond that [1].
    day_sd_high : float
        What it may be instead: end of its one-sided 90 % interval; NaN where it is assumed.
    repeats : int
        Degrees of freedom behind it; 0 where it is assumed.
    meters : float
        Standard uncertainty of one run's mean from errors of its meters that are others on another day, and
        so do not cancel: the comparison's interval counts them beside the runs' scatter [1].
    meters_from : str
        Where most of it comes from.
    runs : int
        Runs looked at.
    choices : tuple of Choice
        By length; the `best` takes the least time.
    """

    detect: float
    power: float
    noise_1h: float
    day_sd: float
    day_sd_high: float
    repeats: int
    meters: float
    meters_from: str
    runs: int
    choices: tuple[Choice, ...]

    @property
    def best(self) -> Choice | None:
        """The one that takes the least time; None where none would tell."""
        return min(self.choices, key=lambda c: (c.total_hours, c.runs_each), default=None)

    def as_dict(self) -> dict[str, Any]:
        """For JSON; `schema` names its version. Shares of MMW [1]."""
        best = self.best
        return {
            "schema": SCHEMA,
            "metric": "mmw_dry_ref",
            "detect": self.detect,
            "power": self.power,
            "noise_of_an_hour": self.noise_1h,
            "day_sd": self.day_sd,
            "day_sd_high": self.day_sd_high if math.isfinite(self.day_sd_high) else None,
            "day_sd_assumed": self.repeats == 0,
            "repeats": self.repeats,
            "meters_of_a_run": self.meters,
            "meters_mostly_from": self.meters_from or None,
            "runs_looked_at": self.runs,
            "choices": [
                {"hours": c.hours, "runs_each": c.runs_each, "power": c.power, "total_hours": c.total_hours}
                for c in self.choices
            ],
            "best": None
            if best is None
            else {"hours": best.hours, "runs_each": best.runs_each, "order": order(best.runs_each)},
        }


def power(difference: float, sd: float, runs_each: int, meters: float = 0.0) -> float:
    """Chance that a two-sided t-test at 5 % tells a difference with that many runs of each, [1].

    Parameters
    ----------
    difference, sd : float
        Of the run means, in one unit; `sd` above 0.
    runs_each : int
        2 and above.
    meters : float
        Standard uncertainty of each run's mean from its meters, in the same unit. It widens the interval as
        `daq.study.compare` does, ``(t s)^2 + (1.96 u)^2``, with s at its expected value.
    """
    dof = 2 * runs_each - 2
    critical = math.hypot(float(stdtrit(dof, 0.975)), 1.96 * meters / sd)
    shift = abs(difference) / (sd * math.sqrt(2.0 / runs_each))
    if shift > 30.0 or critical > 30.0:
        # far out the t of so many runs is what stands in its denominator: the scatter at its expected value
        return float(ndtr(shift - critical))
    return float(nct.sf(critical, dof, shift) + nct.cdf(-critical, dof, shift))


def runs_needed(difference: float, sd: float, wanted: float, meters: float = 0.0) -> int | None:
    """Fewest runs of each with at least that power; None for more than 200."""
    for n in range(2, MOST_RUNS + 1):
        if power(difference, sd, n, meters) >= wanted:
            return n
    return None


def order(runs_each: int, first: str = "A", second: str = "B") -> list[str]:
    """An order in which a steady drift of room, lye or meters favours neither: A B B A, then B A A B [2]."""
    a, b = first, second
    pattern = [a, b, b, a, b, a, a, b]
    return [pattern[k % 8] for k in range(2 * runs_each)]


def plan(runs: Sequence[RunBlocks], detect: float, *, wanted: float = 0.8) -> Plan:
    """Plan a comparison of two builds.

    Parameters
    ----------
    runs : sequence of RunBlocks
        Runs of this bench, of any builds; builds that were run twice tell how days differ.
    detect : float
        Share of MMW that is to be told [1], above 0.
    wanted : float
        Chance of telling it [1], above 0 and below 1.

    Raises
    ------
    UsageError
        When no run has enough blocks with gas and power measured.
    """
    names = list(dict.fromkeys(r.build for r in runs))
    groups = [Group(n, tuple(r for r in runs if r.build == n)) for n in names]
    kept, records = records_of([r for g in groups for r in g.runs], METRICS[0])
    if not records:
        raise UsageError(
            "no run has enough time powered and undisturbed with gas flow and power measured",
            place="plan",
            remedy="record one of an hour first",
        )
    fit = fit_records(records)
    hours = np.array([r.at.size * run.block_s / 3600.0 for r, run in zip(records, kept, strict=True)])
    own = fit.levels_u
    noise_1h = float(np.sqrt(np.mean(own**2 * hours)))
    squares, inside, repeats = 0.0, 0.0, 0
    for name in names:
        mine = np.array([r.build == name for r in kept])
        if mine.sum() > 1:
            levels = fit.levels[mine]
            squares += float(((levels - levels.mean()) ** 2).sum())
            repeats += int(mine.sum()) - 1
            inside += float((own[mine] ** 2).mean()) * (int(mine.sum()) - 1)
    if repeats:
        # The runs' scatter holds their own noise too, which a longer run would lessen.
        day = math.sqrt(max(squares - inside, 0.0) / repeats)
        high = math.sqrt(squares / float(chdtri(repeats, 0.9)))
    else:
        day, high = ASSUMED_DAY_SD, math.nan
    meters, meters_from = _meters(kept)
    choices = []
    for length in LENGTHS_H:
        sd = math.hypot(day, noise_1h / math.sqrt(length))
        told = math.log1p(detect), max(sd, 1e-9)
        n = runs_needed(*told, wanted, meters)
        if n is not None:
            choices.append(Choice(length, n, power(*told, n, meters)))
    return Plan(detect, wanted, noise_1h, day, high, repeats, meters, meters_from, len(kept), tuple(choices))


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


def plan_text(made: Plan) -> str:
    """The plan as readable lines."""
    share = f"{100 * made.detect:g} %"
    best = made.best
    if best is None:
        lines = [
            f"More than {MOST_RUNS} runs of each build would be needed to tell {share}.",
            "Make the runs more alike first."
            if made.meters < made.day_sd
            else f"The meters are in the way, most of all {made.meters_from}: measure that better first.",
        ]
    else:
        told = f"{best.runs_each} runs of each build, {best.hours:g} h each once warm"
        lines = [
            f"To tell a difference of {share} in gas per watt: {told}.",
            f"In the order {' '.join(order(best.runs_each))}.",
            f"The chance of telling it is then {100 * best.power:.0f} %; it takes {best.total_hours:.0f} h.",
        ]
    noise, day = (f"{100 * x:.2f} %" for x in (made.noise_1h, made.day_sd))
    lines += ["", "WHAT THIS BENCH HAS SCATTERED SO FAR"]
    lines.append(f"  a run's own noise, over 1 h   {noise:<9}{made.runs} runs looked at")
    if made.repeats:
        most = f"may be up to {100 * made.day_sd_high:.1f} %"
        lines.append(f"  from run to run               {day:<9}from {made.repeats} repeats; {most}")
    else:
        lines.append(f"  from run to run               {day:<9}assumed: no build was run twice")
        lines.append("  Run one build twice without changing anything, and plan again.")
    if made.meters > 0.0:
        meters = f"{100 * made.meters:.2f} %"
        lines.append(f"  a run's meters, on its day    {meters:<9}most of it: {made.meters_from}")
    if made.choices:
        lines += ["", "LENGTH AND NUMBER"]
        lines += [
            f"  {c.hours:>4g} h each: {c.runs_each:>3} runs of each, {c.total_hours:>5.0f} h in all"
            for c in made.choices
        ]
    lines += [
        "",
        "WHAT THIS HOLDS FOR",
        "  Two builds at the same supply and temperature; nothing else changed between their runs.",
        "  Take each run from the same start: same lye, same level, cooled down to the room.",
        f"  Half an hour ({WARM_UP_H:g} h) a run is counted for warming up and cooling down.",
    ]
    return "\n".join(lines)
