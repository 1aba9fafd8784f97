"""The second simulator by itself, and the watch on it: fed as a service is, from rows to review."""

from __future__ import annotations

import numpy as np
import pytest

from daq.bench import Bench
from daq.physics.conductivity import conductivity_see_white_s_cm
from daq.study.review import review
from daq.watch import make_forecaster
from tests.runaway_bench.peers import rate_rule
from tests.runaway_bench.score import Score, card, total
from tests.runaway_bench.watched import heard
from tests.runaway_second.electrode import conductivity_s_cm, reversible_v
from tests.runaway_second.plant import flows, loss_shape, step
from tests.runaway_second.scenarios import FAMILIES, draw
from tests.runaway_second.simulate import Run, build, config_of, stacked, state_of
from tests.watch.workshop import bench, block

pytestmark = pytest.mark.timeout(400)


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    return build(40, 21)


@pytest.fixture(scope="module")
def watched(runs: list[Run]) -> Score:
    return total([card(r, heard(r.log, config_of(r))) for r in runs])


def test_its_reversible_voltage_is_the_standard_one() -> None:
    """1.229 V at 25 degC (CRC Handbook)."""
    assert reversible_v(np.array([298.15]))[0] == pytest.approx(1.229, abs=5e-4)


@pytest.mark.parametrize("w", [0.15, 0.25, 0.30])
def test_its_conductivity_is_that_of_a_second_source(w: float) -> None:
    """D. M. See, R. E. White, J. Chem. Eng. Data 42 (1997) 1266."""
    t = np.array([25.0, 50.0, 75.0])
    assert conductivity_s_cm(t + 273.15, np.full(3, w)) == pytest.approx(
        np.asarray(conductivity_see_white_s_cm(t, w)), rel=0.06
    )


def test_energy_is_kept() -> None:
    """What goes in as heat and not out as vapour or loss has warmed the bench."""
    rng = np.random.default_rng(5)
    made = [s for s in (draw("plain", True, rng) for _ in range(60)) if s is not None][:6]
    plant, state, now = stacked([s.plant for s in made]), state_of(made), made[0].script.take([0] * 6)
    for name in ("cell_volts", "room_c", "leak"):
        setattr(now, name, np.array([getattr(s.script, name)[0] for s in made]))
    dt = np.full(6, 2.0)
    held = np.zeros(6)
    begin = plant.stack_j_k * state.stack_c + plant.tank_j_k * state.tank_c
    for _ in range(300):
        f = flows(plant, state, now)
        lost = plant.loss_w_k * (
            plant.on_stack * loss_shape(plant, state.stack_c, now)
            + (1.0 - plant.on_stack) * loss_shape(plant, state.tank_c, now)
        )
        held += dt * (f.heat_w - f.vapour_w - lost)
        state, _ = step(plant, state, now, dt)
    end = plant.stack_j_k * state.stack_c + plant.tank_j_k * state.tank_c
    assert end - begin == pytest.approx(held, rel=1e-6)


@pytest.mark.slow
def test_half_its_runs_are_benign_and_all_families_are_there(runs: list[Run]) -> None:
    assert [r.benign for r in runs] == [False, True] * 20
    assert all(r.crossed_s is not None for r in runs[::2])
    assert {r.scenario.family for r in runs} == set(FAMILIES)
    again = build(4, 21)
    assert all(np.allclose(a.true_c, b.true_c, atol=1e-3) for a, b in zip(again, runs[:4], strict=True))


@pytest.mark.slow
def test_the_watch_holds_on_stacks_it_was_not_made_on(runs: list[Run], watched: Score) -> None:
    """Bounds leave room for the luck of forty runs; a set of seeds is what tells."""
    rate = total([card(r, rate_rule(r.log, r.scenario.limit_c)) for r in runs])
    assert watched.detected == 1.0
    assert watched.lead_10 >= 0.9
    assert watched.lead_used >= 0.75
    assert watched.false_per_100h <= 2.0
    assert watched.false_per_100h < 0.5 * rate.false_per_100h
    assert watched.benign_none >= 0.9
    assert watched.benign_none > rate.benign_none
    assert max(watched.time_median.values()) < 0.15
    assert watched.settling[30] < 5.0
    assert watched.settling[50] < 3.0


def bench_of(run: Run) -> Bench:
    """The bench file of a run."""
    s, log = run.scenario, run.log
    names = ["volts", "amps", "lye_temp"]
    names += [n for n in ("watts", "room_temp") if getattr(log, n) is not None]
    return bench(
        dict.fromkeys(names, "head"),
        limits={"lye_temp": {"high": s.limit_c}},
        stack={
            "cells": int(s.plant.number[0]), "litres": round(s.litres, 2), "litres_min": None,
            "steel_kg": round(s.steel_kg, 2), "mass_fraction": round(s.strength, 3),
        },
        supply={"mode": s.mode, "amps_max": round(s.amps_max, 1), "volts_max": 60.0},
        site={"room_temp_c": s.room_c},
    )  # fmt: skip


@pytest.mark.slow
def test_rows_that_go_the_whole_way_are_forecast_alike(runs: list[Run]) -> None:
    """Rows of 2 and 5 s through the service's own windows to a review, beside the same rows fed at once."""
    short = sorted(runs, key=lambda r: float(r.log.t_s[-1]))
    chosen = [next(r for r in short if r.scenario.sensing.row_s == s and r.crossed_s) for s in (2.0, 5.0)]
    chosen.append(next(r for r in short if r.benign))
    for run in chosen:
        made = bench_of(run)
        columns = {n: getattr(run.log, n) for n in made.channels}
        body = review(made, [block(run.log.t_s + 0.001, columns)], forecaster=make_forecaster).as_dict()
        assert len(body["forecasts"]) >= run.log.t_s[-1] / 60.0 - 5.0
        direct = heard(run.log, config_of(run))
        assert bool(body["warnings"]) == bool(direct.warnings) == (run.crossed_s is not None)
        if run.crossed_s is not None:
            first = float(body["warnings"][0]["raised_s"])
            assert first == pytest.approx(direct.warnings[0][0], abs=0.1 * run.crossed_s)
            assert first < run.crossed_s
