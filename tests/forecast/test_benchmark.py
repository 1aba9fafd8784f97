"""The runaway watch on the benchmark: what it reaches, beside three simple rules on the same data."""

from __future__ import annotations

import pytest

from tests.runaway_bench.peers import rate_rule
from tests.runaway_bench.scenarios import make_set
from tests.runaway_bench.score import Score, card, total
from tests.runaway_bench.simulate import Run, simulate
from tests.runaway_bench.watched import listen

pytestmark = pytest.mark.timeout(400)
"""The first test plays all forty runs."""


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    return simulate(make_set(40, 101))


@pytest.fixture(scope="module")
def watched(runs: list[Run]) -> Score:
    return total([card(r, listen(r)) for r in runs])


@pytest.mark.slow
def test_it_warns_of_runaways_early(watched: Score) -> None:
    assert watched.runaways >= 18
    assert watched.benign >= 18
    assert watched.detected >= 0.95
    assert watched.lead_10 >= 0.95
    assert watched.lead_used >= 0.80
    assert watched.lead_min >= 65.0


@pytest.mark.slow
def test_it_raises_fewer_false_warnings_than_an_extrapolated_rate(runs: list[Run], watched: Score) -> None:
    rate = total([card(r, rate_rule(r.log, r.scenario.design.limit_c)) for r in runs])
    assert watched.false_per_100h < 1.0
    assert watched.false_per_100h < rate.false_per_100h
    assert watched.benign_none > rate.benign_none


@pytest.mark.slow
def test_it_says_where_and_when(watched: Score) -> None:
    assert watched.time_error[5] < 0.16
    assert watched.time_error[10] < 0.13
    assert watched.time_error[20] < 0.12
    assert watched.time_error[30] < 0.16
    assert max(watched.time_median.values()) < 0.10
    assert watched.settling[30] < 4.0
    assert watched.settling[50] < 3.5
