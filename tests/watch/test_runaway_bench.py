"""The runaway watch on a small part of its benchmark, beside the rate carried on for an hour.

The whole of it: ``python -m tests.runaway_bench --n 40 --seed 1 --peers``. Here the bounds leave room for the
luck of a dozen scenarios.
"""

from __future__ import annotations

import pytest

from tests.runaway_bench.peers import rate_rule
from tests.runaway_bench.scenarios import FAMILIES, make
from tests.runaway_bench.score import Card, card, total
from tests.runaway_bench.simulate import simulate
from tests.runaway_bench.watched import listen

CHOSEN = (
    ("plain", True, 2), ("near_limit", True, 1), ("near_limit", False, 2), ("supply_limit", True, 0),
    ("supply_limit", False, 1), ("fan_lost", True, 0), ("top_up", True, 5), ("top_up", False, 2),
    ("stuck", True, 0), ("missing", True, 3), ("missing", False, 5),
)  # fmt: skip
"""The first of their families, by seed, that last less than two hours."""
NEEDED = {
    "held_amps", "supply_limit", "plain", "duty_step", "hot_restart", "set_point", "fan_lost", "room",
    "top_up", "stronger_lye", "leak_grows", "stuck", "noisy", "glitches", "well", "drifting", "clipped",
    "missing", "blind",
}  # fmt: skip


def test_every_regime_and_every_fault_has_a_family() -> None:
    assert set(FAMILIES) >= NEEDED


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_it_warns_early_and_seldom_in_vain() -> None:
    runs = simulate([make(family, runaway, (101, k)) for family, runaway, k in CHOSEN])
    cards: list[Card] = [card(r, listen(r)) for r in runs]
    ours = total(cards)
    rate = total([card(r, rate_rule(r.log, r.scenario.design.limit_c)) for r in runs])
    assert ours.runaways >= 6
    assert ours.benign >= 4
    assert ours.detected == 1.0
    assert ours.lead_10 >= 0.8
    assert ours.lead_used >= 0.75
    assert ours.false_per_100h <= 2.0
    assert ours.false_per_100h < rate.false_per_100h
    assert ours.benign_none > rate.benign_none
    assert ours.time_median[10] <= 0.10
    assert ours.time_median[20] <= 0.10
    assert ours.settling[50] <= 3.0
