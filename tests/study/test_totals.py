"""Totals: what the current's movement is to the charge, and what a hole in the record is to all of them.

Truths are closed forms of the made signal; the interval's coverage is counted over seeded runs.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.frame import NO_SEQ, Block
from daq.study.render import Number
from daq.study.review import review
from daq.study.review.summary import summary_text, total_words
from daq.study.review.totals import Totals, bridged, noise_of_integral
from tests.watch.workshop import ALL, bench, block

EXACT: dict[str, str] = {}


def totals(blocks: list[Block], accuracy: dict[str, str] | None = None) -> Totals:
    made = bench(ALL, accuracy=EXACT if accuracy is None else accuracy)
    return review(made, blocks).result.totals


def run(
    t: NDArray[np.floating[Any]], amps: NDArray[np.floating[Any]], *, noise: float = 0.0, seed: int = 1
) -> Block:
    rng = np.random.default_rng(seed)
    n = t.size
    return block(
        t,
        {
            "volts": np.full(n, 13.2) + noise * rng.standard_normal(n),
            "amps": amps + noise * rng.standard_normal(n),
            "lye_temp": np.full(n, 40.0),
            "gas_flow": np.asarray(0.0653 * amps, dtype=np.float64),
            "relay": np.ones(n),
        },
    )


def within(number: Number, true: float) -> bool:
    assert number.value is not None
    assert number.u95 is not None
    return abs(number.value - true) <= number.u95


def test_a_current_that_goes_up_and_down_is_no_doubt_of_the_charge() -> None:
    """10 and 20 A in turns of 5 s for 54 s: 0.2204 Ah, of which U was said to be 0.081 Ah."""
    t = (np.arange(540) + 1) / 10.0
    square = np.where((t - 0.05) % 10.0 < 5.0, 10.0, 20.0)
    charge = totals([run(t, square, noise=0.02)]).charge_ah
    true = float(square.sum()) * 0.1 / 3600.0
    assert charge.value == pytest.approx(true, rel=1e-3)
    assert charge.u95 is not None
    assert charge.u95 < 0.02 * true


def test_the_noise_of_an_integral_covers_its_truth() -> None:
    """White noise on square waves of any phase, 400 of them: the integral lies within 2 u in 93 to 99 %."""
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(400):
        period, phase = rng.uniform(8.0, 40.0), rng.uniform(0.0, 40.0)
        t = np.arange(0, 601) * 0.5
        fine = (np.arange(300_000) + 0.5) / 1000.0
        high = 10.0 * (((fine + phase) % period) < 0.5 * period)
        x = 10.0 * (((t + phase) % period) < 0.5 * period) + rng.normal(0.0, 0.3, t.size)
        found = float(np.sum(x[1:] * 0.5))
        u = noise_of_integral((t * 1e9).astype(np.int64), x, 2.0)
        held += abs(found - float(high.mean() * 300.0)) <= 2.0 * u
    assert 0.93 <= held / 400 <= 0.99


def hole(t: NDArray[np.floating[Any]], first: float, last: float) -> NDArray[np.bool_]:
    return (t <= first) | (t > last)


def test_a_hole_of_ten_minutes_is_no_energy_saved() -> None:
    """13 % of a run's energy lay in the hole, and 398.6 +- 6.3 Wh were said of all of it."""
    t = (np.arange(36_000) + 1) / 5.0
    amps = np.full(t.size, 15.0)
    keep = hole(t, 3000.0, 3600.0)
    there = run(t[keep], amps[keep], noise=0.02)
    energy = totals([there], {"amps": "1 % of reading"}).energy_wh
    true = 13.2 * 15.0 * 2.0
    assert energy.value == pytest.approx(true * (1.0 - 600.0 / 7200.0), rel=5e-3)
    assert energy.recorded_s == pytest.approx(6600.0, abs=31.0)
    assert energy.whole_s == pytest.approx(7200.0, abs=1.0)
    assert energy.whole is not None
    assert within(energy.whole, true)
    assert energy.whole.u95 is not None
    assert energy.whole.u95 < 0.03 * true
    words = total_words(energy)
    assert "of the recorded 1 h 50 min of 2 h 00 min" in words
    assert words.endswith("with the gaps bridged")
    assert words in summary_text(review(bench(ALL), [there])) or "with the gaps bridged" in words


def test_a_whole_run_says_nothing_of_gaps() -> None:
    t = (np.arange(6000) + 1) / 10.0
    energy = totals([run(t, np.full(t.size, 15.0))]).energy_wh
    assert energy.whole is None
    assert "recorded" not in total_words(energy)


@pytest.mark.parametrize("numbered", [True, False])
def test_rows_lost_at_random_are_a_finding_and_lose_no_energy(*, numbered: bool) -> None:
    """A fifth of rows at 1 Hz lost here and there: the energy was 2.1 % short at a U of 1.5 %."""
    rng = np.random.default_rng(2)
    t = np.arange(7200) + 1.0
    keep = rng.random(t.size) > 0.2
    amps = 15.0 + 3.0 * np.sin(t / 300.0)
    whole = run(t[keep], amps[keep], noise=0.02)
    seq = np.flatnonzero(keep) if numbered else np.full(int(keep.sum()), NO_SEQ)
    there = Block(whole.source, whole.t_ns, seq.astype(np.int64), whole.values, whole.status)
    made = bench(ALL, accuracy={"amps": "1 % of reading"})
    result = review(made, [there]).result
    energy = result.totals.energy_wh
    true = 13.2 * float(np.sum(amps)) / 3600.0
    assert within(energy.whole or energy.number, true)
    (found,) = [f for f in result.findings if f.code == "rows_missing"]
    assert "20 %" in found.text
    assert "line drops bytes" in found.causes[0]


def test_a_long_silence_is_a_gap_and_no_rows_missing_here_and_there() -> None:
    t = (np.arange(36_000) + 1) / 5.0
    keep = hole(t, 3000.0, 3600.0)
    body = review(bench(ALL), [run(t[keep], np.full(int(keep.sum()), 15.0))]).as_dict()
    assert body["gaps"]["count"] == 1
    assert not [f for f in body["findings"] if f["code"] == "rows_missing"]


def test_bridging_covers_what_was_lost() -> None:
    """Runs that wander and step, a hole anywhere: the bridged integral lies within 2 u in 90 to 100 %."""
    rng = np.random.default_rng(11)
    held = []
    for _ in range(300):
        m = 240
        wander = np.cumsum(rng.normal(0.0, 0.5, m))
        truth = 200.0 + wander + np.where(np.arange(m) > rng.integers(0, m), rng.normal(0.0, 20.0), 0.0)
        length, first = int(rng.integers(3, 40)), int(rng.integers(1, 190))
        rate = truth.copy()
        rate[first : first + length] = np.nan
        seconds = np.where(np.isfinite(rate), 30.0, 0.0)
        found = bridged(rate, seconds, np.full(m, 30.0))
        lost = 30.0 * float(truth[first : first + length].sum())
        held.append(abs(found.added - lost) <= 2.0 * found.u)
        assert found.missing_s == pytest.approx(30.0 * length)
    assert np.mean(held) >= 0.9


def test_no_phase_and_no_mean_reaches_beyond_the_runs_end() -> None:
    t = (np.arange(125) + 1) / 10.0
    body = review(bench(ALL), [run(t, np.full(t.size, 15.0))]).as_dict()
    assert body["duration_s"] == pytest.approx(12.4)
    assert body["window_s"] <= body["duration_s"]
    assert max(p["to_s"] for p in body["phases"]) <= body["to_s"]
    assert sum(p["duration_s"] for p in body["phases"]) <= body["to_s"]
