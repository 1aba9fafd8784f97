"""However short a step is, a powered stack stays powered."""

from __future__ import annotations

import pytest

from daq.sources.virtual_bench import VirtualStack, load_scenario


@pytest.mark.parametrize("dt_s", [1e-3, 1e-6, 1e-9, 1e-11])
def test_a_very_short_step_does_not_lose_the_current(dt_s: float) -> None:
    """A warming stack's working point falls faster than its electrodes decay, if the step is short."""
    stack = VirtualStack(load_scenario("settles").parameters)
    for _ in range(40):
        stack.step(0.1)
        before = stack.now.amps
        stack.step(dt_s)
        assert stack.now.amps == pytest.approx(before, rel=0.05)
