"""The reservoir weighed: Faradaic efficiency without a flow meter, and what it means that the two differ."""

from __future__ import annotations

import os

import numpy as np
import pytest

from daq.bench import Bench
from daq.cli.new_draft import proposed_channel
from daq.measure import Columns
from daq.sources.text_guess import guess_text
from daq.store import Mark
from daq.study.review.report import html_report
from daq.study.review.run_review import review
from daq.study.review.summary import summary_text
from daq.study.review.weighing import Weighing, weigh_run
from tests.study.weighed_bench import WeighedRun, weighed_run
from tests.watch.workshop import ALL, S, bench, block

RUNS = int(os.environ.get("LYEWATCH_COVERAGE_RUNS", "60"))
ACCURACY = {
    "volts": "0.1", "amps": "0.2 % of reading", "lye_temp": "0.5", "gas_flow": "1 % of reading",
    "mass": "0.03",
}  # fmt: skip


def weighed_bench(kpa: float, *, metered: bool = False) -> Bench:
    channels = {**ALL, "mass": "head"}
    if not metered:
        del channels["gas_flow"]
    made = bench(
        channels,
        accuracy=ACCURACY,
        site={"pressure_kpa": kpa, "room_temp_c": 20.0},
        gas={"meter_temp_c": 20.0, "meter_temp_u": 0.2, "wet_over": "water"},
    )
    mass = made.channels["mass"].model_copy(update={"unit": "g", "resolution": 0.01})
    return made.model_copy(update={"channels": {**made.channels, "mass": mass}})


def weighed(run: WeighedRun, marks: list[Mark] | None = None) -> Weighing:
    made = weighed_bench(round(run.pressure_kpa, 2))
    values = {n: v for n, v in run.values.items() if n != "gas_flow"}
    found = weigh_run(made, Columns.from_blocks([block(run.t_s, values)]), marks or [])
    assert found is not None
    return found


@pytest.mark.parametrize(("lye_c", "u95_share"), [(25.0, 0.008), (40.0, 0.01), (48.0, 0.013)])
def test_half_an_hour_at_twenty_amps_is_good_to_a_hundredth(lye_c: float, u95_share: float) -> None:
    """With lye of up to 44 degC; above that the vapour, which is known to 5 %, is more than half of U."""
    run = weighed_run(np.random.default_rng(1), lye_c=lye_c)
    found = weighed(run)
    value, u95 = (float(np.asarray(q).reshape(-1)[0]) for q in (found.faradaic.value, found.faradaic.u95))
    print(f"eta {value:.4f} +- {u95:.4f}, true {run.faradaic:.4f}", found.result(None).budget)
    assert abs(value - run.faradaic) <= u95
    assert u95 <= u95_share * value
    # Faraday by hand: 18.015 g for two moles of electrons, in each of six cells
    coulombs = 3600.0 * found.charge_ah
    split = value * 6 * coulombs / (2 * 96485.33) * 18.015
    lost = float(np.asarray(found.lost_g.value).reshape(-1)[0])
    assert split < lost < 1.25 * split


def test_the_gas_hangs_on_neither_ammeter_nor_cells() -> None:
    run = weighed_run(np.random.default_rng(1))
    true = weighed(run)
    run.values["amps"] = 1.1 * run.values["amps"]
    wrong = weighed(run)
    assert np.asarray(wrong.dry_lpm.value) == pytest.approx(np.asarray(true.dry_lpm.value), rel=2e-3)
    assert np.asarray(wrong.faradaic.value) == pytest.approx(np.asarray(true.faradaic.value) / 1.1, rel=2e-3)


@pytest.mark.parametrize("noted", [True, False])
def test_a_top_up_is_no_gas(noted: bool) -> None:
    run = weighed_run(np.random.default_rng(3), minutes=45.0, top_up=True)
    assert run.topped_up_s is not None
    marks = [Mark(1, "r", round(run.topped_up_s * S), "note", "Topped up 50 mL", "Ada")] if noted else []
    found = weighed(run, marks)
    value, u95 = (float(np.asarray(q).reshape(-1)[0]) for q in (found.faradaic.value, found.faradaic.u95))
    assert abs(value - run.faradaic) <= u95
    assert found.stretches == 2


@pytest.mark.parametrize(
    ("leak_share", "code"), [(0.12, "weighed_above_meter"), (0.0, None), (-0.12, "weighed_below_meter")]
)
def test_gas_that_does_not_come_to_the_meter_is_a_finding(leak_share: float, code: str | None) -> None:
    run = weighed_run(np.random.default_rng(5), minutes=40.0, leak_share=leak_share)
    made = weighed_bench(round(run.pressure_kpa, 2), metered=True)
    made_review = review(made, [block(run.t_s, run.values)])
    body = made_review.as_dict()
    codes = [f["code"] for f in body["findings"] if f["code"].startswith("weighed")]
    assert codes == ([] if code is None else [code])
    assert "WEIGHED over" in summary_text(made_review)
    assert "The reservoir, weighed over" in html_report(made_review, [block(run.t_s, run.values)])
    assert body["weighing"]["flow_meter"]["value"] > 0.0
    if code == "weighed_above_meter":
        assert "LEAKS INTO THE ROOM" in body["findings"][0]["causes"][0]


def test_without_a_balance_nothing_is_weighed() -> None:
    run = weighed_run(np.random.default_rng(1))
    plain = bench(ALL)
    assert weigh_run(plain, Columns.from_blocks([block(run.t_s, run.values)])) is None


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(14)
    held, shares = [], []
    for _ in range(RUNS):
        run = weighed_run(rng, top_up=bool(rng.integers(2)), minutes=float(rng.uniform(36.0, 60.0)))
        found = weighed(run)
        for quantity, true in ((found.faradaic, run.faradaic), (found.dry_lpm, run.dry_lpm)):
            value, u95 = (float(np.asarray(q).reshape(-1)[0]) for q in (quantity.value, quantity.u95))
            held.append(abs(value - true) <= u95)
            shares.append(u95 / true)
    print(f"held {100 * np.mean(held):.1f} % of {RUNS}, median U {100 * np.median(shares):.2f} %")
    assert np.mean(held) >= 0.93


# -- what balances send ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "values"),
    [
        # published by makers in their manuals: header, sign, nine digits, unit of three characters
        (["ST,+001234.5  g", "US,+001234.7  g", "ST,+001234.5  g"], {"mass": 1234.5, "mass_moving": 1234.7}),
        (["ST,GS  1.000KG", "US,GS  1.342KG"], {"mass": 1000.0, "mass_moving": 1342.0}),
        (["S S     100.00 g", "S D     100.05 g"], {"mass": 100.0, "mass_moving": 100.05}),
        (["+  123.56 g  ", "+  123.58    ", "N     +  123.56 g  "], {"mass": 123.56, "mass_moving": 123.58}),
        (["  -   12.345 g  ", "? -   12.301 g  "], {"mass": -12.345, "mass_moving": -12.301}),
        (["1500.2 g", "1500.1 g"], {"mass": 1500.1}),
        (["1.5002 kg", "1.5001 kg"], {"mass": 1500.1}),
    ],
)  # fmt: skip
def test_a_balances_lines_are_made_out(lines: list[str], values: dict[str, float]) -> None:
    guess = guess_text(lines)
    assert guess is not None
    assert guess.values == pytest.approx(values)
    assert guess.units == dict.fromkeys(values, "g")
    assert [proposed_channel(n, "g", set()) for n in values] == list(values)


def test_over_range_is_no_mass() -> None:
    guess = guess_text(["ST,+000010.0  g", "OL,+9999999E+19", "ST,+000010.1  g"])
    assert guess is not None
    assert guess.matched == 3
    assert guess.values["mass"] == pytest.approx(10.1)


@pytest.mark.parametrize("lines", [["12.5 V"] * 3, ["Flow=1.2 L/min"] * 2, ["12.5,3.2"] * 3, ["g 12.5"] * 2])
def test_what_is_no_balance_is_not_taken_for_one(lines: list[str]) -> None:
    guess = guess_text(lines)
    assert guess is None or "mass" not in guess.values
