"""Runs of lyes that differ in strength, brought to one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.physics.conductivity import conductivity_see_white_s_cm
from daq.study.compare.equal_lye import LEAK_LABEL, VOLTS_LABEL, equal_lye
from daq.study.compare.run_blocks import Lye, Response, RunBlocks
from tests.simulated_days.bench import draw_series
from tests.simulated_days.score import blocks


def run_in(strength: float, faradaic: float) -> RunBlocks:
    """A run at 45 degC, 200 mA/cm2 and 2.2 V a cell in KOH of that strength."""
    rng = np.random.default_rng(1)
    bench = draw_series(rng, 0.0)
    made = blocks(bench.run(rng), "A" if strength < 0.2 else "B", int(1000 * strength), bench.area_cm2)
    n = len(made)
    every = np.full(n, 1.0)
    return replace(
        made,
        lye_temp=45.0 * every,
        density=200.0 * every,
        cell_volts=2.2 * every,
        responses={
            **made.responses,
            "mmw_dry_ref": Response(4.0 * every, {}),
            "faradaic_efficiency": Response(faradaic * every, {}),
            "cell_volts": Response(2.2 * every, {}),
        },
        lye=Lye("KOH", strength, strength * every, 0.005 * every),
    )


@pytest.mark.parametrize("faradaic", [0.97, 0.93, 0.90])
def test_leak_and_volts_that_cancelled_were_taken_for_known(faradaic: float) -> None:
    """Stronger lye leaks more and drops less: where the two cancelled in gas per watt nothing of either was
    in the interval. Each by hand, with See and White's conductivity (1997) in place of Gilliam's."""
    weak, strong = run_in(0.17, faradaic), run_in(0.23, faradaic)
    ((one,), (other,)), _, what = equal_lye([("A", [weak]), ("B", [strong])])
    assert what.strength == pytest.approx(0.20)
    for run, before in ((one, 0.17), (other, 0.23)):
        here, there = (float(conductivity_see_white_s_cm(45.0, w)) for w in (before, 0.20))
        missing = 1.0 - faradaic
        by_leak = (1.0 - missing * there / here) / (1.0 - missing) - 1.0
        # 3 mm between plates, 15 % of them bubbles (Bruggeman), and a millivolt of reversible voltage
        drop = 0.2 * 0.3 / 0.85**1.5 * (1.0 / there - 1.0 / here)
        by_volts = -drop / (2.2 + drop)
        parts = run.responses["mmw_dry_ref"].parts
        assert float(parts[LEAK_LABEL][0]) == pytest.approx(0.5 * 4.0 * by_leak, rel=0.1)
        assert float(parts[VOLTS_LABEL][0]) == pytest.approx(0.5 * 4.0 * by_volts, rel=0.25)
        assert parts[LEAK_LABEL][0] * parts[VOLTS_LABEL][0] < 0.0
        net = 0.5 * (run.responses["mmw_dry_ref"].value[0] - 4.0)
        both = float(np.hypot(parts[LEAK_LABEL][0], parts[VOLTS_LABEL][0]))
        assert both > 1.5 * abs(float(net))
    assert all(one.shared[label] == other.shared[label] for label in (LEAK_LABEL, VOLTS_LABEL))
