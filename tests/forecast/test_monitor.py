"""The runaway watch on systems whose course is known, and its being causal."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from daq.forecast.config import Tables
from daq.forecast.monitor import RunawayConfig, RunawayWatch
from daq.forecast.thermal_filter_bank import ROOM, ThermalFilter
from daq.physics.cell_voltage import v_tn
from tests.forecast.lumped import Lumped


def test_a_lumped_step_is_forecast() -> None:
    """C 2000 J/K, R 0.8 K/W, 60 W: settles 48 K above the room, at 1600 s has risen 30.34 K.

    First-order lumped system (Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5); evaporation
    is left out of it, so the stack is kept cool enough not to matter.
    """
    watch = RunawayWatch(
        RunawayConfig(
            cells=6,
            litres=0.4,
            steel_kg=0.9,
            limits_c={"high": 40.0},
            mode="constant_current",
            room_temp_c=0.0,
        )
    )
    for t in np.arange(0.0, 3000.0, 5.0):
        lye = 48.0 * -math.expm1(-t / 1600.0)
        volts = 6.0 * float(v_tn(lye)) + 6.0
        watch.update(float(t), volts, 10.0, None, lye, 0.0)
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.steady_state_c.value == pytest.approx(48.0, abs=3.0)
    true = 1600.0 * math.log(48.0 / 8.0) - 2995.0
    assert forecast.time_to_limit_s["high"].value == pytest.approx(0.0 if true < 0 else true, abs=120.0)


def test_what_it_says_uses_nothing_later() -> None:
    """Logs cut short at many points end with the forecasts of the whole log at those points."""
    stack = Lumped(r_k_w=0.5, capacity_j_k=8000.0, room_c=20.0, tick_s=10.0)
    rows = [(*row, 20.0) for row in stack.ticks(5400.0)]
    rows[200:260] = [(*row[:4], rows[200][4], 20.0) for row in rows[200:260]]  # stuck for a while
    config = stack.config(60.0)
    whole = RunawayWatch(config)
    collected = []
    for row in rows:
        whole.update(*row)
        collected.append(whole.forecast())
    for n in range(40, len(rows), len(rows) // 7):
        part = RunawayWatch(config)
        for row in rows[: n + 1]:
            part.update(*row)
        last = part.forecast()
        expected = collected[n]
        assert (last is None) == (expected is None)
        if last is not None and expected is not None:
            assert dataclasses.asdict(last) == dataclasses.asdict(expected)


@pytest.mark.parametrize(
    ("lye_c", "room_c", "within_k"), [(12.0, 12.0, 1.0), (28.0, 28.0, 1.0), (45.0, 22.0, 0.1)]
)
def test_a_room_that_no_one_told_is_about_as_warm_as_cold_lye(
    lye_c: float, room_c: float, within_k: float
) -> None:
    stack = Lumped()
    config = stack.config(60.0, room_temp_c=None)
    thermal = ThermalFilter(Tables(config), config)
    thermal.start(lye_c, 50.0, None)
    assert thermal.mean(ROOM) == pytest.approx(room_c, abs=within_k)
    assert thermal.sd(ROOM) >= 2.0


@pytest.mark.parametrize("mode", ["constant_voltage", "pwm"])
@pytest.mark.parametrize("idle_amps", [0.0, -0.04])
@pytest.mark.parametrize("blind", [False, True])
def test_a_supply_switched_off_whose_volts_go_missing_is_off(
    mode: str, idle_amps: float, blind: bool
) -> None:
    """Many a meter shows no volts then, and a current sensor's zero lies a little below nought.

    Afterwards the lye cools towards the room by the lumped law; no part of that is to be doubted.
    """
    stack = Lumped(r_k_w=0.5, capacity_j_k=8000.0, room_c=20.0, tick_s=10.0)
    rows = list(stack.ticks(3600.0))
    watch = RunawayWatch(stack.config(60.0, mode=mode))
    for t_s, volts, amps, watts, lye in rows:
        watch.update(t_s, volts, amps, watts, lye, 20.0)
    last_s, hot = rows[-1][0], rows[-1][4]
    collected: set[str] = set()
    for k in range(1, 180):
        lye = 20.0 + (hot - 20.0) * math.exp(-10.0 * k / 4000.0)
        watch.update(last_s + 10.0 * k, None, idle_amps, None, None if blind else lye, 20.0)
        collected |= watch.weaknesses.keys()
    assert "lye_temp.doubtful" not in collected
    assert "forecast.blind" not in collected, "nothing warms while the supply is off"
