"""How soon and how surely a warning is raised."""

from __future__ import annotations

import math

import pytest

from daq.watch.runaway_warning import (
    RAISE_AFTER_NEAR_S,
    RAISE_AFTER_S,
    RAISE_AT,
    RAISE_AT_RISING,
    WarningState,
)


def raised_after(chance: float, *, left_s: float = math.inf, rises_to_s: float = math.inf) -> float:
    """Seconds until it is raised; infinite if not within an hour."""
    state = WarningState()
    for t in range(0, 3600, 20):
        if state.update(float(t), chance, powered=True, left_s=left_s, rises_to_s=rises_to_s):
            return float(t)
    return math.inf


@pytest.mark.parametrize(
    ("chance", "left_s", "rises_to_s", "after_s"),
    [
        (RAISE_AT, 7200.0, math.inf, RAISE_AFTER_S),
        (RAISE_AT, 600.0, math.inf, RAISE_AFTER_NEAR_S),
        (RAISE_AT - 0.01, 600.0, math.inf, math.inf),
        (RAISE_AT_RISING, 600.0, 3600.0, math.inf),
        (RAISE_AT_RISING, 600.0, 600.0, RAISE_AFTER_S),
        (RAISE_AT_RISING - 0.01, 600.0, 600.0, math.inf),
    ],
)
def test_the_nearer_the_limit_the_sooner(
    chance: float, left_s: float, rises_to_s: float, after_s: float
) -> None:
    assert raised_after(chance, left_s=left_s, rises_to_s=rises_to_s) == after_s
