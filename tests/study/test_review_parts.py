"""What a review adds up over a whole run: the heat balance, the map, forecasts checked, a reference run."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.bench import Bench
from daq.cli import main
from daq.frame import Block
from daq.physics.heat import thermal_mass_j_k
from daq.sources.virtual_bench import load_scenario
from daq.store import Mark, Store
from daq.study.compare.against import bench_changes
from daq.study.review import html_report, review
from daq.study.review.interval_coverage import check_forecasts
from daq.study.runs.phases import Phase
from tests.study.made_run import torch, workshop_run
from tests.study.stored_runs import bench_text, sent, store_run
from tests.watch.workshop import HZ, LPM_PER_AMP, block

Q, C, R, ROOM = 55.0, 4200.0, 0.42, 21.0


@cache
def warmed() -> tuple[Bench, list[Block]]:
    """A stack of known C and R: heated for an hour, then left alone; two currents, and a little noise.

    Heat is power less the gas's heating value, so that the volts that give it follow from the equation of
    `daq.physics.heat`, solved here by hand: 12 A make gas of 12 x 6 x 0.93 x 1.481 V = 99.2 W.
    """
    rng = np.random.default_rng(4)
    n = 6000 * HZ
    t = (np.arange(n) + 1) / HZ
    amps = np.where(t <= 2400.0, 12.0, np.where(t <= 4200.0, 9.0, 0.0))
    made = 0.93 * 6 * amps * 1.4812
    power = made + np.where(amps > 0.0, Q * (amps / 12.0), 0.0)
    volts = np.divide(power, amps, out=np.zeros(n), where=amps > 0.0)
    lye = np.empty(n)
    level = ROOM
    for i in range(n):
        level += (power[i] - made[i] - (level - ROOM) / R) / C / HZ
        lye[i] = level
    values = {
        "volts": volts + 0.004 * rng.standard_normal(n),
        "amps": amps + 0.02 * rng.standard_normal(n),
        "lye_temp": lye + 0.03 * rng.standard_normal(n),
        "gas_flow": 0.93 * LPM_PER_AMP * amps + 0.004 * rng.standard_normal(n),
        "room_temp": ROOM + 0.02 * rng.standard_normal(n),
        "relay": np.where(amps > 0.0, 1.0, 0.0),
    }
    return torch(), [block(t, values)]


@cache
def body() -> dict[str, Any]:
    made, blocks = warmed()
    marks = [Mark(1, "", 90 * 1_000_000_000, "clock_step", "the computer's clock stepped +3.0 s", "")]
    return review(made, blocks, marks=marks).as_dict()


def test_the_heat_balance_finds_what_the_stack_is_made_of() -> None:
    found = body()["heat_balance"]
    # the vapour that the review takes out (some 1 W here) is not in the made stack, and lies within U
    for key, true in (("capacity", C), ("resistance", R), ("time_constant", C * R)):
        number = found[key]
        assert abs(number["value"] - true) <= number["u95"], key
        assert number["u95"] < 0.25 * true, key
    assert found["room"]["value"] == pytest.approx(ROOM, abs=0.01)
    assert found["room_measured"]
    assert found["reason"] is None


def test_the_heat_balance_of_the_simulated_bench() -> None:
    """The virtual bench's own balance: its loss to the room, and the heat that its lye and steel hold."""
    text = bench_text(**{"altitude_m = 240 ": "pressure_kpa = 98.5 "})
    made, sent_block = sent(text, seconds=2400, seed=3)
    found = review(made, [sent_block]).as_dict()["heat_balance"]
    scenario = load_scenario("settles").parameters
    stack = scenario.stack
    c = float(thermal_mass_j_k(stack.litres, stack.mass_fraction, stack.steel_kg))
    for key, true in (("capacity", c), ("resistance", 1.0 / scenario.thermal.loss_w_per_k)):
        assert abs(found[key]["value"] - true) <= found[key]["u95"], key


def test_what_can_not_be_told_apart_is_said() -> None:
    made, blocks = warmed()
    rows = slice(0, 600 * HZ)
    short = Block(
        "head", blocks[0].t_ns[rows], blocks[0].seq[rows], {c: v[rows] for c, v in blocks[0].values.items()}
    )
    found = review(made, [short]).as_dict()["heat_balance"]
    assert found["capacity"]["value"] is None
    assert "too short" in found["reason"]
    assert found["capacity_stated"]["value"] > 0.0


def test_the_map_holds_each_field_by_itself() -> None:
    fields = body()["map"]["fields"]
    assert len({f["amps_from"] for f in fields}) == 2
    assert len({f["temp_from"] for f in fields}) >= 3
    for f in fields:
        assert f["temp_from"] <= f["lye_temp"]["value"] <= f["temp_to"]
        assert f["amps_from"] <= f["amps"]["value"] <= f["amps_to"]
        assert f["seconds"] >= 60.0
        # by hand: as read 0.93 LPM/A, 20 C and 101.325 kPa, over water: x 0.976914 x 273.15/293.15
        dry = 0.93 * LPM_PER_AMP * f["amps"]["value"] * 0.976914 * 273.15 / 293.15
        volts = 6 * 0.93 * 1.4812 + Q / 12.0
        mmw = f["numbers"]["mmw_dry_ref"]
        assert mmw["value"] == pytest.approx(1000.0 * dry / (volts * f["amps"]["value"]), rel=3e-3)
        assert mmw["u95"] > 0.0
    # a supply's round amps stand in the middle of a row
    assert {0.5 * (f["amps_from"] + f["amps_to"]) for f in fields} == {9.0, 12.0}


def test_the_headline_says_over_what_and_what_limits_it() -> None:
    head = body()["headline"]
    shares = [head["spent"][k]["value"] for k in ("gas", "vapour", "heat")]
    assert sum(shares) == pytest.approx(1.0, rel=1e-9)
    assert head["budget"][0]["from"] == "gas_flow: accuracy"
    assert sum(b["share"] for b in head["budget"]) <= 1.0 + 1e-9
    assert head["duration_s"] > 0.0
    assert body()["clock_steps"] == [{"t_s": 90.0, "text": "the computer's clock stepped +3.0 s"}]


def test_forecasts_are_held_against_what_came() -> None:
    """A rise of 0.01 K/s from 20 degC reaches 50 after 3000 s; touched at 4000 s."""
    end_s = np.arange(30.0, 6000.0, 30.0)
    temp = np.where(end_s <= 4000.0, 20.0 + 0.01 * end_s, 60.0)
    phases = [
        Phase("warm-up", 0, 133, 0.0, 4000.0),
        Phase("disturbed", 133, 134, 4000.0, 4030.0),
        Phase("warm-up", 134, 198, 4030.0, 6000.0),
    ]

    def forecast_of(at: float, low: float | None, high: float | None, limit: float = 50.0) -> dict[str, Any]:
        return {"at_s": at, "limit_c": limit, "time_to_limit_s": low, "time_to_limit_low_s": low,
                "time_to_limit_high_s": high}  # fmt: skip

    forecasts = [
        forecast_of(600.0, 2300.0, 2500.0),  # 2400 s to go: held
        forecast_of(600.0, 2800.0, 3000.0),  # came before
        forecast_of(600.0, 1000.0, 1200.0),  # came after
        forecast_of(600.0, None, None),  # never, it said
        forecast_of(600.0, None, None, 80.0),  # nor did it come while nothing was changed: held
        forecast_of(600.0, 1000.0, 2000.0, 80.0),  # did not come
        forecast_of(600.0, 1000.0, None, 80.0),  # not to be told
        forecast_of(3600.0, 10.0, 20.0),  # already there
        forecast_of(4010.0, 10.0, 20.0, 80.0),  # made while it was touched
        {"at_s": 600.0, "limit_c": None},
    ]
    found = check_forecasts(forecasts, end_s, temp, phases)
    verdicts = [f.verdict for f in found.list_]
    assert verdicts == ["held", "early", "late", "not foreseen", "held", "did not come"]
    assert (found.made, found.checked, found.held) == (10, 6, 2)
    # windows' means stand at their middles: 50 degC is reached 15 s before the end of the one that has it
    assert found.list_[0].came_s == pytest.approx(2385.0, abs=1e-6)


def test_keys_of_the_bench_file_that_changed() -> None:
    was, now = torch(), torch()
    stack = now.stack.model_copy(update={"build": "B", "litres": 0.9})
    changed = bench_changes(was, now.model_copy(update={"stack": stack}))
    assert {c.key for c in changed} == {"stack.build", "stack.litres"}
    assert next(c for c in changed if c.key == "stack.litres").now == 0.9
    assert bench_changes(was, was) == []


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a run of build A, and one of build B that leaks half as much."""
    where = tmp_path_factory.mktemp("against") / "store"
    text = bench_text(**{"altitude_m = 240 ": "pressure_kpa = 98.5 "})
    with Store(where, writer=True) as store:
        for day, (build, leak) in enumerate([("A", 0.5), ("B: sealed", 0.25)]):
            _, made = sent(text, seconds=1300, seed=day, leak_siemens=leak)
            store_run(store, text, made, build=build, day=day)
    return where


def test_a_reference_run_is_set_beside(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Store(folder) as store:
        first, second = sorted(r.id for r in store.logbook.list_runs(limit=5))
    page, card = tmp_path / "r.html", tmp_path / "r.png"
    command = ["review", second, "--against", first, "--store", str(folder)]
    assert main([*command, "--html", str(page), "--png", str(card)]) == 0
    printed = capsys.readouterr().out
    assert f"AGAINST RUN {first}" in printed
    assert "Cannot tell the build from the day; " in printed, "one run each"
    text = page.read_text(encoding="utf-8")
    assert f"Against run {first}" in text
    assert card.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert main([*command, "--json"]) == 0
    against = json.loads(capsys.readouterr().out)["against"]
    assert against["run"] == first
    leak = next(d for d in against["differences"] if d["metric"] == "leak_amps")
    assert leak["value"] < 0.0 < leak["high95"], "the day could have done that"
    assert against["bench_changes"] == []


def test_the_page_shows_them() -> None:
    made, blocks = warmed()
    text = html_report(review(made, blocks), blocks)
    for words in (
        "Efficiency over temperature and current",
        "Heat balance of the whole run",
        "Of every 100 W",
    ):
        assert words in text, words
    assert "None" not in text.replace("<p>None.</p>", "")
    assert len(text.encode()) < 400_000
    refused = html_report(review(torch(), workshop_run()[:0]), [])
    assert "too short" in refused
