"""The runaway watch on a small part of its benchmark, beside the rate extrapolated for an hour.

The whole of it: ``python -m tests.runaway_bench --n 40 --seed 1 --peers``. Here the bounds leave room for the
luck of a dozen scenarios.
"""

from __future__ import annotations

import pytest

from daq.forecast.monitor import RunawayWatch
from tests.runaway_bench.peers import rate_rule
from tests.runaway_bench.scenarios import FAMILIES, make
from tests.runaway_bench.score import Card, card, total
from tests.runaway_bench.simulate import simulate
from tests.runaway_bench.watched import config_of, listen, ticks

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
def test_nothing_far_off_is_warned_of_before_the_loss_has_been_seen() -> None:
    """The first hour of fourteen, the room unknown: by what was believed beforehand it would cross in 5 h."""
    run = simulate([make("blind", False, (31, 35))])[0]
    assert run.benign
    watch = RunawayWatch(config_of(run))
    for row in ticks(run.log):
        if row[0] is None or row[0] > 3600.0:
            break
        watch.update(*row)  # type: ignore[arg-type]
    assert watch.forecast() is not None
    assert not watch.warnings


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
