"""Comparisons: their intervals hold what they promise, where a plain t-test does not; shared errors cancel.

The pairs are made by `made_pairs`, whose true difference is known exactly: rooms that drift, noise that goes
together from block to block, warm-ups of unequal length from unequal temperatures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.errors import UsageError
from daq.stats.sequential import Repeats, Scatter
from daq.study.compare.comparison import (
    Comparison,
    Days,
    Difference,
    Group,
    compare_groups,
    compare_metric,
    group_runs,
)
from daq.study.compare.days import Outlook
from daq.study.compare.match import METRICS
from daq.study.compare.run_blocks import Response, RunBlocks, block_seconds
from daq.study.compare.verdict import span_words, verdict
from tests.study.made_pairs import made_run

MMW = METRICS[0]
PAIRS = 500
ALIKE = Days(sd=0.0)
"""Says that days are alike, which leaves each run's own noise."""


def pair(seed: int, true: float) -> tuple[RunBlocks, RunBlocks]:
    rng = np.random.default_rng([1, seed, round(1000 * true)])
    rho = rng.uniform(0.3, 0.85)
    first = made_run(rng, rho=rho, gain=0.01)
    return first, made_run(rng, build="B", gas=1.0 + true, rho=rho, gain=0.01)


def groups(first: RunBlocks, second: RunBlocks) -> tuple[Group, Group]:
    return Group("A", (first,)), Group("B", (second,))


def naive_holds(first: RunBlocks, second: RunBlocks, true: float) -> bool:
    """Welch's t-test on all blocks, as if they were independent and nothing else had changed."""
    a, b = (np.log(r.responses["mmw_dry_ref"].value) for r in (first, second))
    u = np.sqrt(a.var(ddof=1) / a.size + b.var(ddof=1) / b.size)
    return bool(abs(b.mean() - a.mean() - np.log1p(true)) <= 1.96 * u)


@pytest.mark.slow
@pytest.mark.parametrize("true", [0.0, 0.03])
def test_the_interval_holds_the_truth_in_95_of_100_pairs_where_a_t_test_does_not(true: float) -> None:
    held = naive = known = excluded = 0
    for seed in range(PAIRS):
        first, second = pair(seed, true)
        d = compare_metric(*groups(first, second), MMW, days=ALIKE)
        if not d.known:
            assert "too few blocks" in d.reason
            continue
        known += 1
        held += d.low <= true <= d.high
        excluded += d.low > 0.0 or d.high < 0.0
        naive += naive_holds(first, second, true)
    assert known >= 0.98 * PAIRS
    assert 0.93 <= held / known <= 0.97
    assert naive / known < 0.5, "a t-test on the same blocks"
    if true:
        assert excluded / known > 0.95, "wide intervals would hold the truth too, and tell nothing"


def test_repeats_hold_the_truth_where_days_differ() -> None:
    """Three runs of each build, 1.5 % from day to day: the runs' scatter makes the interval."""
    held = single = 0
    tries = 120
    for seed in range(tries):
        rng = np.random.default_rng([77, seed])
        runs = [
            [
                made_run(rng, build=name, gas=gas, day=rng.normal(0.0, 0.015), blocks=(60, 110))
                for _ in range(3)
            ]
            for name, gas in (("A", 1.0), ("B", 1.02))
        ]
        d = compare_metric(Group("A", tuple(runs[0])), Group("B", tuple(runs[1])), MMW)
        assert d.between_dof == 4
        held += d.low <= 0.02 <= d.high
        one = compare_metric(*groups(runs[0][0], runs[1][0]), MMW, days=ALIKE)
        single += one.low <= 0.02 <= one.high
    # four standard errors of a share of 120 at 0.95 are 0.08
    assert 0.87 <= held / tries <= 1.0
    assert single / tries < 0.6, "one run of each is blind to the day, if it is not told of days"


def flat(value: float, parts: dict[str, float], shared: dict[str, str], *, build: str = "A") -> RunBlocks:
    """A run whose blocks are all alike but for a little independent noise that averages to nothing."""
    n = 40
    wave = 1e-9 * np.resize([1.0, -1.0, -1.0, 1.0], n)
    run = made_run(np.random.default_rng(1), blocks=(n, n + 1))
    level = value * (1.0 + wave)
    response = Response(level, {k: np.full(n, p) for k, p in parts.items()})
    nothing = Response(np.full(n, np.nan), {})
    return replace(
        run,
        build=build,
        lye_temp=np.full(n, 45.0),
        density=np.full(n, 66.0),
        responses={**dict.fromkeys(run.responses, nothing), "mmw_dry_ref": response},
        shared=shared,
    )


def test_shared_errors_cancel_as_worked_out_by_hand() -> None:
    """MMW of 600(3) and 620(3) mL/min at 13.20(0.02) V and 10.00(0.08) A, a flow calibration of 1 % in both.

    Ratio 1.033333(0.007190), from the `uncertainties` package: the calibration, volts and amps cancel and
    0.5 % of each run's own flow is left. Taken as independent it would be 1.6 %.
    """
    made = {}
    for name, flow in (("A", 600.0), ("B", 620.0)):
        mmw = flow / (13.2 * 10.0)
        parts = {
            "gas_flow: accuracy": 0.01 * mmw,
            "volts: accuracy": -mmw * 0.02 / 13.2,
            "amps: accuracy": -mmw * 0.08 / 10.0,
            "pressure": mmw * 3.0 / flow,
        }
        shared = {k: ("" if k == "pressure" else f"{k}, one meter") for k in parts}
        made[name] = flat(mmw, parts, shared, build=name)
    d = compare_metric(*groups(made["A"], made["B"]), MMW)
    assert 1.0 + d.value == pytest.approx(1.0333333, rel=1e-7)
    u_ratio = (1.0 + d.value) * d.calibration / 1.96
    assert u_ratio == pytest.approx(0.007190, rel=1e-3)
    assert d.calibration_from == "pressure"
    other = {k: f"{v} exchanged" if v else "" for k, v in made["B"].shared.items()}
    apart = compare_metric(*groups(made["A"], replace(made["B"], shared=other)), MMW)
    naive = np.hypot(
        *(np.sqrt(0.01**2 + (0.02 / 13.2) ** 2 + 0.008**2 + (3.0 / f) ** 2) for f in (600.0, 620.0))
    )
    assert apart.calibration / 1.96 == pytest.approx(naive, rel=1e-6)


def test_levels_keep_what_the_difference_loses() -> None:
    first, second = pair(3, 0.03)
    d = compare_metric(*groups(first, second), MMW)
    value, u = d.levels[0]
    # the meter's 1 % is in each level, k = 2, and not in the difference
    assert u / value == pytest.approx(0.02, rel=0.3)
    assert d.calibration < 1e-6
    assert d.matched is not None
    assert 25.0 < d.matched["lye_temp"] < 50.0


def test_a_current_that_differs_and_can_not_be_adjusted_for_is_said() -> None:
    rng = np.random.default_rng(5)
    a, b = made_run(rng), made_run(rng, build="B", amps=1.06)
    d = compare_metric(*groups(a, b), MMW)
    assert any("current density differed" in text for text in d.unmatched)
    assert d.matched is not None
    assert "density" not in d.matched
    density = compare_metric(*groups(a, b), METRICS[3])
    assert density.low <= 0.06 <= density.high
    assert "held the voltage" in compare_metric(*groups(a, b), METRICS[2]).reason
    # a current that is varied for its own sake is adjusted for
    moved = [replace(r, density=r.density * (1.0 + 0.2 * np.sin(np.arange(len(r)) / 5.0))) for r in (a, b)]
    both = compare_metric(*groups(moved[0], moved[1]), MMW)
    assert both.matched is not None
    assert set(both.matched) == {"lye_temp", "density"}


def test_builds_that_were_never_alike_are_not_compared() -> None:
    rng = np.random.default_rng(6)
    a, b = made_run(rng), made_run(rng, build="B")
    cold = replace(a, lye_temp=a.lye_temp - 40.0)
    d = compare_metric(*groups(cold, b), MMW)
    assert not d.known
    assert "never at the same temperature" in d.reason
    short = replace(
        b, at=b.at[:8], lye_temp=b.lye_temp[:8], density=b.density[:8], cell_volts=b.cell_volts[:8],
        responses={k: r.taken(np.arange(8)) for k, r in b.responses.items()},
    )  # fmt: skip
    assert "too few blocks" in compare_metric(*groups(a, short), MMW).reason


def test_what_can_not_be_compared_is_refused() -> None:
    rng = np.random.default_rng(7)
    a, b = made_run(rng), made_run(rng, build="B")
    with pytest.raises(UsageError, match="nothing to compare"):
        compare_groups([Group("A", (a,))])
    with pytest.raises(UsageError, match="different conditions"):
        compare_groups([Group("A", (a,)), Group("B", (replace(b, reference="20 °C, 101.325 kPa"),))])


def test_runs_are_grouped_by_build_or_one_by_one() -> None:
    rng = np.random.default_rng(8)
    a, b, c = made_run(rng), made_run(rng, build="B"), made_run(rng)
    assert [g.name for g in group_runs([a, b, c])] == ["A", "B"]
    assert len(group_runs([a, b, c])[0].runs) == 2
    assert [g.name for g in group_runs([a, c])] == ["run 1", "run 2"]
    assert len(group_runs([a, b, c], by="run")) == 3


def test_blocks_are_as_long_as_many_runs_need() -> None:
    assert block_seconds([7200.0, 3600.0]) == 60
    assert block_seconds([86400.0] * 10) == 240
    assert block_seconds([3600.0] * 1000) == 180


# -- in words ----------------------------------------------------------------------------------------------


def made(
    low: float, high: float, *, dof: int = 0, sd: float = 0.02, noise: float = 0.001, **changed: object
) -> Comparison:
    """A comparison whose interval for any look is given, with so many repeats behind it."""
    seen = (Repeats(dof * (sd**2 + noise**2), dof, noise**2),) if dof else ()
    outlook = Outlook(Scatter.of(0.02, seen), noise**2, 0.0, 0.0, 0.03)
    fields = {
        "value": 0.5 * (low + high), "low": 0.7 * low, "high": 0.7 * high, "any_low": low, "any_high": high,
        "noise": 1.96 * noise, "calibration": 0.0, "matched": {"lye_temp": 45.0}, "hours": (2.0, 2.0),
        "days": Days(), "between_dof": dof, "outlook": outlook, **changed,
    }  # fmt: skip
    d = replace(Difference(MMW), **fields)  # type: ignore[arg-type]
    run = made_run(np.random.default_rng(1))
    count = 1 + dof // 2
    return Comparison(Group("A", (run,) * count), Group("B", (run,) * count), (d,), 0.03)


def test_verdicts_are_short_and_answer_whether_to_go_on() -> None:
    better = verdict(made(0.012, 0.041, dof=6))
    assert better.kind == "better"
    assert better.sentence == (
        "B is better than A: MMW dry higher by 1.2 to 4.1 % at 45 °C. Stop now: this holds however often one "
        "looks."
    )
    assert (better.answer, better.more_runs_each) == ("stop now", 0)
    worse = verdict(made(-0.041, -0.012, dof=6))
    assert worse.sentence.startswith("B is worse than A: MMW dry lower by 1.2 to 4.1 % at 45 °C.")
    alike = verdict(made(-0.011, 0.023, dof=6))
    assert alike.kind == "alike"
    assert "No difference in MMW dry larger than 2.3 % at 45 °C. Stop now" in alike.sentence
    days = verdict(made(-0.02, 0.05, dof=6))
    assert days.kind == "day"
    assert days.more_runs_each is not None
    assert days.answer == f"{days.more_runs_each} more runs each"
    assert days.sentence.startswith(
        f"Cannot tell the build from the day; {days.more_runs_each} more runs each would: MMW dry of B lies "
        "anywhere from 2.0 % lower to 5.0 % higher at 45 °C."
    )


def test_what_is_in_the_way_is_named() -> None:
    # noise of 1 % a run, days of 0.1 % seen in 40 repeats: hours help as runs do
    noisy = verdict(made(-0.02, 0.05, dof=40, sd=0.0005, noise=0.01))
    assert noisy.kind == "unknown"
    assert noisy.sentence.startswith("Cannot tell; ")
    lasting = Outlook(Scatter.of(0.02, (Repeats(6e-6, 6, 1e-6),)), 1e-6, 0.0, 0.03**2, 0.03)
    stuck = verdict(
        made(-0.06, 0.09, dof=6, outlook=lasting, calibration=0.06, calibration_from="gas_flow: accuracy")
    )
    assert (
        "No more runs would: what does not cancel of the calibrations (most of it: gas_flow: accuracy)"
        in stuck.sentence
    )
    assert stuck.answer == "stop now: more runs would not tell"
    wild = verdict(made(-0.3, 0.31, dof=6, sd=0.2))
    assert "make the runs more alike first" in wild.sentence
    nothing = replace(Difference(MMW), reason="not measured")
    run = Group("A", (made_run(np.random.default_rng(1)),))
    none = verdict(Comparison(run, run, (nothing,), 0.03))
    assert none.kind == "not_compared"
    assert none.sentence == "Gas per watt is not compared: not measured."


def test_intervals_carry_their_unit() -> None:
    volts = replace(Difference(METRICS[2]), value=0.02, low=-0.01, high=0.05)
    assert span_words(volts) == "-0.01 to 0.05 V"
    share = replace(Difference(METRICS[1]), value=0.02, low=0.01, high=0.03)
    assert span_words(share) == "1.0 to 3.0 percentage points"
