"""Plans: their chances against simulation, their order against drift."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daq.cli import main
from daq.errors import UsageError
from daq.stats.sequential import Repeats, Scatter, half_width_anytime
from daq.store import Store
from daq.study.compare.days import Days
from daq.study.compare.planning import Plan, order, plan
from daq.study.compare.planning_document import plan_document
from daq.study.render import as_text
from tests.study.made_pairs import made_run
from tests.study.stored_runs import bench_text, sent, store_run


def _printed(made: Plan) -> str:
    return as_text(plan_document(made))


def test_simulated_runs_tell_as_often_as_the_plan_says() -> None:
    """Run means drawn here, looked at with the interval that a comparison's verdict goes by."""
    rng = np.random.default_rng(12)
    made = plan([made_run(rng), made_run(rng, build="B")], 0.05, days=Days(0.01, "asked"))
    best = made.best
    assert best is not None
    inside = made.noise_1h**2 / best.hours
    detected = 0
    tries = 120
    for _ in range(tries):
        a, b = rng.normal(0.0, math.hypot(0.01, inside**0.5), (2, best.runs_each)) + np.array(
            [[0.0], [math.log1p(0.05)]]
        )
        for n in range(1, best.runs_each + 1):
            squares = float(((a[:n] - a[:n].mean()) ** 2).sum() + ((b[:n] - b[:n].mean()) ** 2).sum())
            seen = Scatter.of(0.01, [Repeats(squares, 2 * n - 2, inside)] if n > 1 else [])
            half = half_width_anytime(seen, 2.0 / n, 2.0 * inside / n, 0.03)
            if abs(b[:n].mean() - a[:n].mean()) > half:
                detected += 1
                break
    # four standard errors of a share of 120 at 0.85 are 0.13
    assert detected / tries == pytest.approx(best.power, abs=0.13)
    assert best.expected <= best.runs_each


def test_a_stated_scatter_plans_more_runs() -> None:
    rng = np.random.default_rng(13)
    runs = [made_run(rng), made_run(rng, build="B")]
    few, many = (plan(runs, 0.05, days=Days(sd, "bench file")).best for sd in (0.005, 0.02))
    assert few is not None
    assert many is not None
    assert few.runs_each < many.runs_each
    assert "stated in the bench file: no build was run twice" in _printed(
        plan(runs, 0.05, days=Days(0.02, "bench file"))
    )


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
    assert re.search(r"a run's meters, on its day +1\.00 %", _printed(apart))
    hopeless = plan(exchanged, 0.001)
    assert hopeless.best is None
    assert "The meters are in the way, most of all gas_flow: accuracy" in _printed(hopeless)


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
    assert 3 <= best.runs_each <= 40
    longer = [c.runs_each for c in made.choices]
    assert longer == sorted(longer, reverse=True)
    assert "repeats" in _printed(made)


def test_without_repeats_the_scatter_is_assumed_and_said() -> None:
    rng = np.random.default_rng(4)
    made = plan([made_run(rng), made_run(rng, build="B")], 0.05, wanted=0.9)
    assert made.repeats == 0
    assert "assumed: no build was run twice" in _printed(made)
    assert made.as_dict()["day_sd_assumed"] is True
    json.dumps(made.as_dict(), allow_nan=False)
    with pytest.raises(UsageError, match="no run has enough"):
        plan([], 0.03)
    tiny = plan([made_run(rng)], 1e-5)
    assert tiny.best is None
    assert "More than" in _printed(tiny)


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
