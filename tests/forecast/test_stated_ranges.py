"""A bench of which little is known: litres, metal and room as ranges, or not at all; and no flow meter."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from daq.bench import parse_bench
from daq.examples import example_text
from daq.forecast.adapter import runaway_config
from daq.forecast.config import RunawayConfig, Tables
from daq.forecast.monitor import RunawayWatch
from tests.forecast.lumped import Lumped

TORCH = example_text("water_torch")


def _config(**lines: str) -> RunawayConfig:
    text = TORCH
    for line, instead in (
        ("litres = 0.8 ", "litres"),
        ("steel_kg = 1.2", "steel"),
        ("room_temp_c = 21.0", "room"),
    ):
        assert line in text
        text = text.replace(line, lines.get(instead, line))
    return runaway_config(parse_bench(text, Path("b.toml")))


def test_a_range_of_the_lye_widens_the_capacity_by_its_share() -> None:
    """Half the lye's range is a quarter of it; 20 % KOH holds about 3.4 kJ/(kg K), 1.18 kg/L (Zaytsev and
    Aseyev 1992), steel 0.5 kJ/(kg K): lye's share of 0.8 L beside 1.2 kg is 84 %.
    """
    exact, rough = Tables(_config()), Tables(_config(litres="litres = [0.6, 1.0] "))
    wider = math.sqrt(rough.capacity_sd**2 - exact.capacity_sd**2)
    assert wider == pytest.approx(0.84 * 0.25 / math.sqrt(3.0), rel=0.05)
    assert rough.capacity_j_k == pytest.approx(exact.capacity_j_k)
    unsaid = Tables(_config(litres="", steel=""))
    assert unsaid.capacity_sd > rough.capacity_sd


def _last(stack: Lumped, seconds: float, config: RunawayConfig) -> RunawayWatch:
    """Told nothing of the flow."""
    watch = RunawayWatch(config)
    watch.tables.vapour_volts[:] = 0.0
    watch.tables.vapour_slope[:] = 0.0
    for t, volts, amps, watts, lye in stack.ticks(seconds):
        watch.update(t, volts, amps, watts, lye)
        forecast = watch.forecast()
        if forecast is None or t % 60.0:
            continue
        left, settles = forecast.time_to_limit_s["high"].value, forecast.steady_state_c.value
        # One sentence never speaks against the other
        if left is not None and left > 0.0:
            assert settles is None or settles >= 60.0
        elif left is None and settles is not None:
            assert settles < 60.0
    return watch


@pytest.mark.parametrize("guess", [0.4, 2.5])
@pytest.mark.parametrize("r_k_w", [0.20, 0.6])
def test_what_was_guessed_wrong_is_found_out(guess: float, r_k_w: float) -> None:
    """Lye that nobody measured, guessed at 0.4 or 2.5 times what it is; room and flow unknown.

    Truth is the lumped course itself: with 0.20 K/W it settles below 60 degC, with 0.6 K/W it crosses.
    """
    stack = Lumped(
        capacity_j_k=3000.0,
        r_k_w=r_k_w,
        room_c=20.0,
        law=lambda rise: (1.0 + 0.0125 * rise) ** 1.2,
        p0_w=80.0,
    )
    course = stack.rise(40_000.0) + 20.0
    steel_kg = 0.0
    litres = guess * 3000.0 / (1.235 * 3.3e3)
    config = stack.config(
        60.0, litres=litres, steel_kg=steel_kg, litres_u=0.5 * litres, room_temp_c=None, mass_fraction=0.25
    )
    crosses_s = 5.0 * float(np.argmax(course >= 60.0)) if (course >= 60.0).any() else None
    watch = _last(stack, 3000.0 if crosses_s is None else 0.6 * crosses_s, config)
    forecast = watch.forecast()
    assert forecast is not None
    assert any("as a range, or not at all" in u for u in forecast.unknowns)
    if crosses_s is None:
        assert forecast.steady_state_c.value == pytest.approx(float(course.max()), abs=2.0)
        assert not watch.warnings
    else:
        assert forecast.time_to_limit_s["high"].value == pytest.approx(0.4 * crosses_s, rel=0.2)
        assert watch.warnings
