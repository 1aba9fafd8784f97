"""Plans: their power against statsmodels and against simulation, their order against drift."""

from __future__ import annotations

import importlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import t, ttest_ind

from daq.cli import main
from daq.errors import UsageError
from daq.store import Store
from daq.study.plan import order, plan, plan_text, power, runs_needed
from tests.study.made_pairs import made_run
from tests.study.stored_runs import bench_text, sent, store_run

# imported by name: its package carries two marks of typing that mypy can not bring together
statsmodels_power: Any = importlib.import_module("statsmodels.stats.power")


@pytest.mark.parametrize("runs", [2, 3, 6, 20])
@pytest.mark.parametrize("effect", [0.5, 1.0, 2.5])
def test_power_is_that_of_statsmodels(runs: int, effect: float) -> None:
    reference = statsmodels_power.TTestIndPower().power(effect, runs, 0.05)
    assert power(effect * 0.02, 0.02, runs) == pytest.approx(float(reference), rel=1e-7)


def test_cohens_table() -> None:
    # Cohen 1988, table 2.4.1 (a2 = 0.05, power 0.80): n = 26 for d = 0.80, 64 for d = 0.50, 17 for d = 1.00
    assert [runs_needed(d, 1.0, 0.8) for d in (0.8, 0.5, 1.0)] == [26, 64, 17]
    assert runs_needed(0.001, 1.0, 0.8) is None
    assert power(1.0, 1e-6, 2) == 1.0


def test_simulated_runs_tell_as_often_as_the_plan_says() -> None:
    rng = np.random.default_rng(12)
    sd, difference = 0.015, 0.03
    n = runs_needed(difference, sd, 0.8)
    assert n is not None
    told = sum(
        ttest_ind(rng.normal(0.0, sd, n), rng.normal(difference, sd, n)).pvalue < 0.05 for _ in range(1500)
    )
    # four standard errors of a share of 1500 at 0.85 are 0.037
    assert told / 1500 == pytest.approx(power(difference, sd, n), abs=0.037)


def test_meters_that_do_not_cancel_cost_runs() -> None:
    """The comparison's own interval, ``hypot(t s sqrt(2/n), 1.96 u sqrt(2/n))``, on simulated means."""
    rng = np.random.default_rng(13)
    sd, meters, difference, n = 0.008, 0.01, 0.03, 4
    tries = 4000
    a, b = rng.normal(0.0, sd, (tries, n)), rng.normal(difference, sd, (tries, n))
    s = np.sqrt(0.5 * (a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)))
    half = np.sqrt(2.0 / n) * np.hypot(t.ppf(0.975, 2 * n - 2) * s, 1.96 * meters)
    told = float((np.abs(b.mean(axis=1) - a.mean(axis=1)) > half).mean())
    # the plan puts the scatter at its expected value in the meters' part
    assert power(difference, sd, n, meters) == pytest.approx(told, abs=0.06)
    assert power(difference, sd, n, meters) < power(difference, sd, n) - 0.05
    assert power(0.01, 1e-9, 2, 0.002) == 1.0
    assert power(0.01, 1e-9, 2, 0.02) < 1e-6, "no number of quiet runs outdoes a meter"
    few, many = (runs_needed(0.02, 0.005, 0.8, u) for u in (0.0, 0.01))
    assert few is not None
    assert many is not None
    assert few < many


def test_a_plan_counts_what_the_comparison_will_count() -> None:
    rng = np.random.default_rng(14)
    runs = [made_run(rng, build=b, day=rng.normal(0.0, 0.004), gain=0.01) for b in "AABB"]
    alone = plan(runs, 0.02)
    assert alone.meters == 0.0, "one flow meter in all runs cancels"
    exchanged = [replace(r, shared={"gas_flow: accuracy": ""}) for r in runs]
    apart = plan(exchanged, 0.02)
    assert apart.meters == pytest.approx(0.01, rel=1e-6)
    assert apart.meters_from == "gas_flow: accuracy"
    assert alone.best is not None
    assert apart.best is not None
    assert apart.best.runs_each > alone.best.runs_each
    assert "a run's meters, on its day    1.00 %" in plan_text(apart)
    hopeless = plan(exchanged, 0.001)
    assert hopeless.best is None
    assert "The meters are in the way, most of all gas_flow: accuracy" in plan_text(hopeless)


def test_a_steady_drift_favours_neither() -> None:
    assert order(2) == ["A", "B", "B", "A"]
    assert order(4) == ["A", "B", "B", "A", "B", "A", "A", "B"]
    for n in range(1, 13):
        made = order(n)
        assert made.count("A") == made.count("B") == n
        sign = np.array([1.0 if x == "A" else -1.0 for x in made])
        lean = float(sign @ np.arange(2 * n))
        assert lean == 0.0 if n % 2 == 0 else abs(lean) <= 1.0


def test_the_scatter_of_days_is_found() -> None:
    rng = np.random.default_rng(3)
    runs = [
        made_run(rng, build=build, gas=gas, day=rng.normal(0.0, 0.02))
        for build, gas in (("A", 1.0), ("B", 1.05), ("C", 0.97))
        for _ in range(6)
    ]
    made = plan(runs, 0.03)
    assert made.repeats == 15
    # four standard errors of a standard deviation of 15 degrees of freedom are 0.73 of it
    assert 0.010 < made.day_sd < 0.032
    assert made.day_sd < made.day_sd_high
    best = made.best
    assert best is not None
    assert best.power >= 0.8
    assert 3 <= best.runs_each <= 20
    longer = [c.runs_each for c in made.choices]
    assert longer == sorted(longer, reverse=True)
    assert "repeats" in plan_text(made)


def test_without_repeats_the_scatter_is_assumed_and_said() -> None:
    rng = np.random.default_rng(4)
    made = plan([made_run(rng), made_run(rng, build="B")], 0.05, wanted=0.9)
    assert made.repeats == 0
    assert "assumed: no build was run twice" in plan_text(made)
    assert made.as_dict()["day_sd_assumed"] is True
    json.dumps(made.as_dict(), allow_nan=False)
    with pytest.raises(UsageError, match="no run has enough"):
        plan([], 0.03)
    tiny = plan([made_run(rng)], 1e-5)
    assert tiny.best is None
    assert "More than" in plan_text(tiny)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Store(tmp_path / "store", writer=True) as store:
        text = bench_text()
        _, block = sent(text, seconds=1200)
        for day in range(2):
            store_run(store, text, block, build="A", day=day)
    where = ["--store", str(tmp_path / "store")]
    assert main(["plan", "--detect", "3%", *where]) == 0
    assert "To tell a difference of 3 %" in capsys.readouterr().out
    assert main(["plan", "--detect", "0.02", *where, "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert body["schema"] == "lyewatch.plan/1"
    assert body["repeats"] == 1
    assert main(["plan", "--detect", "3%", "--power", "100%", *where]) == 2
    assert "no number of runs" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["plan", "--detect", "three", *where])
    assert "write 3% or 0.03" in capsys.readouterr().err
