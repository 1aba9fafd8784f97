"""Comparisons that carry the day and count looks, on a simulator that shares no code with the product.

`LYEWATCH_DAY_PAIRS=500 LYEWATCH_DAY_SERIES=500 python -m pytest -s tests/study/test_compare_days.py` judges
more of them; `python -m tests.simulated_days.score` prints the tables of `docs/numbers.md`.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace

import numpy as np
import pytest

from daq.study.compare.comparison import (
    Comparison,
    Days,
    Group,
    compare_groups,
    compare_metric,
    group_runs,
)
from daq.study.compare.days import DAY_SD, repeats_in, scale_of
from daq.study.compare.document import comparison_document
from daq.study.compare.match import METRICS
from daq.study.compare.result import as_dict
from daq.study.compare.run_blocks import Response, RunBlocks
from daq.study.compare.verdict import verdict
from daq.study.render import as_text
from tests.simulated_days.bench import draw_series
from tests.simulated_days.score import MMW, SCATTERS, blocks, look, single_pair, watched
from tests.study.made_pairs import made_run

PAIRS = int(os.environ.get("LYEWATCH_DAY_PAIRS", "40"))
SERIES = int(os.environ.get("LYEWATCH_DAY_SERIES", "3"))


def allowed(n: int, share: float = 0.05) -> float:
    """A share of n that is three standard errors above `share`, or the 5 % themselves for 500 and more."""
    return share if n >= 500 else share + 3.0 * math.sqrt(share * (1.0 - share) / n)


def simulated(seed: int, builds: str, *, day_sd: float = 0.01, true: float = 0.0) -> list[RunBlocks]:
    """Runs of one simulated bench, in order."""
    rng = np.random.default_rng([3, seed])
    bench = draw_series(rng, day_sd)
    gas = {"A": 1.0, "B": 1.0 + true}
    return [blocks(bench.run(rng, gas.get(b, 1.0)), b, k, bench.area_cm2) for k, b in enumerate(builds)]


@pytest.mark.slow
@pytest.mark.timeout(0 if PAIRS > 100 else 240)
@pytest.mark.parametrize("day_sd", SCATTERS)
def test_one_run_each_said_better_in_64_of_100_pairs_that_did_not_differ(day_sd: float) -> None:
    found = [single_pair(seed, day_sd) for seed in range(PAIRS)]
    known = [(d, kind) for d, kind in found if d.known]
    assert len(known) > 0.9 * PAIRS
    called = np.mean([kind in ("better", "worse") for _, kind in known])
    held = np.mean([d.low <= 0.0 <= d.high for d, _ in known])
    print(f"\n{len(known)} pairs, days {day_sd:.1%}: called {called:.3f}, one look holds {held:.3f}")
    assert called <= allowed(len(known))
    assert held >= 1.0 - allowed(len(known))
    assert {kind for _, kind in known} <= {"day", "better", "worse"}


@pytest.mark.slow
@pytest.mark.timeout(0 if SERIES > 10 else 240)
@pytest.mark.parametrize("day_sd", SCATTERS)
def test_a_look_after_each_run_called_a_difference_in_56_of_100_true_zeros(day_sd: float) -> None:
    series = [watched(seed, day_sd, most=30 if SERIES > 10 else 16) for seed in range(SERIES)]
    wrong, missed = (np.mean([getattr(t, k) for t in series]) for k in ("wrong", "missed"))
    held = np.mean([t.held_at_four for t in series])
    print(
        f"\n{len(series)} series, days {day_sd:.1%}: called {wrong:.3f}, missed {missed:.3f}, "
        f"one look at A B B A holds {held:.3f}"
    )
    assert wrong <= allowed(len(series))
    assert missed <= allowed(len(series))


@pytest.mark.slow
def test_a_difference_of_5_percent_is_told_and_on_the_right_side() -> None:
    series = [watched(seed, 0.005, 0.05, most=14, stop=True) for seed in range(6)]
    assert all(t.runs and not t.wrong for t in series)


def test_one_run_each_is_better_was_said_where_only_the_day_differed() -> None:
    """A pair with a day of 2 % between its runs and no difference: the noise alone would call it."""
    rng = np.random.default_rng(4)
    a, b = made_run(rng, gain=0.01), made_run(rng, build="B", day=0.03, gain=0.01)
    (c,) = compare_groups(group_runs([a, b]))
    conclusion = verdict(c)
    assert conclusion.kind == "day"
    assert conclusion.sentence.startswith(
        f"Cannot tell the build from the day; {conclusion.more_runs_each} more runs each would"
    )
    assert "if runs of one build scatter by 2.0 %, as is assumed" in conclusion.sentence
    blind = compare_metric(c.first, c.second, MMW, days=Days(sd=0.0))
    assert blind.low > 0.0, "without the day it is called"
    body = as_dict([c])["comparisons"][0]
    assert body["verdict"]["kind"] == "day"
    assert body["verdict"]["answer"] == f"{conclusion.more_runs_each} more runs each"
    days = body["differences"][0]["days"]
    assert (days["from"], days["stated_share"], days["stated_by"]) == ("stated", DAY_SD, "nobody")
    assert "2 % is assumed" in as_text(comparison_document([c]))


def test_what_is_stated_of_the_days_can_be_set() -> None:
    rng = np.random.default_rng(4)
    a, b = made_run(rng), made_run(rng, build="B")
    widths = []
    for sd in (0.005, 0.02, 0.08):
        (c,) = compare_groups(group_runs([a, b]), days=Days(sd, "asked"))
        d = c.headline
        widths.append(d.high - d.low)
        assert f"scatter by {100 * sd:.1f} %, as is stated" in verdict(c).sentence
    assert widths[0] < widths[1] < widths[2]
    # two runs, a half-t of 4 degrees of freedom: 95 % of the mixture lie within 4.02 of its scale
    assert 0.5 * widths[2] == pytest.approx(4.02 * 0.08, rel=0.1)
    (c,) = compare_groups(group_runs([a, b]), days=Days(0.01, "bench file"))
    assert "as is stated in the bench file" in verdict(c).sentence


def test_repeats_of_other_builds_on_the_bench_take_the_place_of_what_is_stated() -> None:
    runs = simulated(1, "ABCCCCCDDDD", day_sd=0.004)
    alone, known = (
        compare_metric(Group("A", (runs[0],)), Group("B", (runs[1],)), MMW, days=d)
        for d in (Days(), Days(others=tuple(runs[2:])))
    )
    assert alone.between_dof == 0
    assert known.between_dof == 7
    assert known.high - known.low < 0.6 * (alone.high - alone.low)
    assert known.outlook is not None
    assert known.outlook.scatter.sd == pytest.approx(0.004, rel=0.7)
    third = {c.second.name: c for c in compare_groups(group_runs(runs))}
    assert third["B"].headline.between_dof == 7, "builds that are compared too tell of the days"


def test_repeats_hold_the_truth_at_any_scatter_of_the_days() -> None:
    """One run each beside six repeats of other builds: the interval for one look holds it as it should."""
    held, tries = 0, 60
    for seed in range(tries):
        runs = simulated(seed, "ABCCCCDDDD", day_sd=(0.0, 0.005, 0.01, 0.03)[seed % 4], true=0.02)
        d = compare_metric(
            Group("A", (runs[0],)),
            Group("B", (runs[1],)),
            MMW,
            days=Days(others=tuple(runs[2:])),
            check=False,
        )
        held += (not d.known) or d.low <= 0.02 <= d.high
    # four standard errors of a share of 60 at 0.95 are 0.11
    assert held / tries >= 0.84


def test_runs_compared_one_by_one_are_no_repeats_of_each_other() -> None:
    runs = simulated(2, "AAA", day_sd=0.01)
    for c in compare_groups(group_runs(runs)):
        assert c.headline.between_dof == 0
        assert verdict(c).kind == "day"
    beside = compare_groups(group_runs(runs[:2]), days=Days(others=(runs[2],)))
    assert beside[0].headline.between_dof == 0


def test_scatter_is_counted_by_hand() -> None:
    """Levels of 1 and 1.02, 1.5 and 1.53: logarithms 0.0198 apart twice, squares sum to 2 * 0.0198^2 / 2."""
    rng = np.random.default_rng(1)
    runs = []
    for build, level in (("A", 1.0), ("A", 1.02), ("B", 1.5), ("B", 1.53), ("C", 3.0)):
        run = made_run(rng, blocks=(40, 41))
        flat = Response(level * (1.0 + 1e-6 * rng.standard_normal(40)), {})
        run = replace(run, lye_temp=np.full(40, 45.0), density=np.full(40, 66.0))
        runs.append(replace(run, build=build, responses={**run.responses, "mmw_dry_ref": flat}))
    found = repeats_in(runs, MMW)
    assert found is not None
    assert found.dof == 2
    assert found.squares == pytest.approx(math.log(1.02) ** 2, rel=1e-3)
    assert repeats_in(runs[1:3] + runs[4:], MMW) is None
    assert repeats_in([], MMW) is None
    # a share of the level in its own unit; leak is what is missing of the current of 66 mA/cm2 on 150 cm2
    assert scale_of(METRICS[1], 0.9, runs) == pytest.approx(0.9)
    leaky = [replace(r, area_cm2=150.0) for r in runs]
    assert scale_of(METRICS[4], 0.4, leaky) == pytest.approx(9.5)
    assert scale_of(METRICS[4], 0.4, runs) == pytest.approx(0.4)


def test_a_b_b_a_holds_the_truth_as_before() -> None:
    """With repeats the interval for one look is Student's, at any scatter of the days."""
    held, tries = 0, 60
    for seed in range(tries):
        runs = simulated(100 + seed, "ABBA", day_sd=(0.005, 0.01, 0.02)[seed % 3], true=0.02)
        d, _ = look(runs)
        held += (not d.known) or d.low <= 0.02 <= d.high
        if d.known:
            assert d.between_dof == 2
            assert d.any_low <= d.low
            assert d.high <= d.any_high
    assert held / tries >= 0.84


def test_a_comparison_by_hand_stops_when_it_is_told() -> None:
    for seed in range(4):
        runs = simulated(seed, "ABBABAAB", day_sd=0.003, true=0.08)
        one, two = (Group(n, tuple(r for r in runs if r.build == n)) for n in "AB")
        d = compare_metric(one, two, MMW)
        conclusion = verdict(Comparison(one, two, (d,), 0.03))
        assert conclusion.kind == "better"
        assert conclusion.answer == "stop now"
        assert "Stop now: this holds however often one looks." in conclusion.sentence
