"""What readings may do to the watch, on one stack: said in words, and told as an alarm of its own."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from daq.forecast.decision import CLEAR_AFTER_S, CLEAR_AT, WarningState
from daq.forecast.monitor import RunawayWatch
from daq.forecast.tuning import TUNING
from tests.forecast.lumped import Lumped, dry

CALM = Lumped(r_k_w=0.3, capacity_j_k=8000.0, room_c=20.0, tick_s=10.0)
"""Settles 23.65 K over the room, with a time constant of 40 min and its current's feedback."""
AWAY = Lumped(r_k_w=0.5, capacity_j_k=8000.0, room_c=20.0, tick_s=10.0)

Change = Callable[[float, float | None, float], tuple[float | None, float]]


def played(
    stack: Lumped,
    change: Change,
    *,
    hours: float = 2.5,
    seed: int = 1,
    stop_k: float = 90.0,
    room: bool = True,
) -> tuple[RunawayWatch, dict[str, float]]:
    """The stack with ordinary noise and a fault on top, and when each weakness was first told."""
    rng = np.random.default_rng(seed)
    watch = dry(stack.config(65.0, room_temp_c=20.0 if room else None))
    flags: dict[str, float] = {}
    for t, volts, amps, watts, lye in stack.ticks(hours * 3600.0, stop_k):
        read, drawn = change(t, round(lye + 0.05 * float(rng.standard_normal()), 2), amps)
        noisy = 1.0 + 0.002 * float(rng.standard_normal(2)[0])
        shown = None if drawn == amps else volts * drawn
        watch.update(t, volts, drawn * (noisy if drawn == amps else 1.0), shown or watts * noisy, read)
        for name in watch.weaknesses:
            flags.setdefault(name, t)
    return watch, flags


def _as_it_is(_: float, lye: float | None, amps: float) -> tuple[float | None, float]:
    return lye, amps


def test_a_healthy_bench_has_no_weakness() -> None:
    watch, flags = played(CALM, _as_it_is)
    assert flags == {}
    assert not watch.warnings
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.confidence in ("good", "fair")
    # No flow and no room temperature are measured, and that is said without an alarm.
    assert any("no flow" in u for u in forecast.unknowns)
    assert any("room" in u for u in forecast.unknowns)


def test_a_stuck_sensor_is_told_and_the_forecast_goes_on_by_the_current() -> None:
    """Stuck at 60 % of the way to the limit: what it read while it stood still is forgotten again."""
    crosses = float(np.argmax(AWAY.rise(40_000.0) >= 45.0) * AWAY.tick_s)
    begin = 0.6 * crosses
    held: list[float | None] = []

    def stuck(t: float, lye: float | None, amps: float) -> tuple[float | None, float]:
        if t < begin:
            return lye, amps
        held.append(lye)
        return held[0], amps

    watch, flags = played(AWAY, stuck, stop_k=44.0)
    assert begin < flags["forecast.blind"] < begin + 600.0
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.confidence == "poor"
    assert "stood still" in forecast.unknowns[0]
    assert watch.warnings
    assert watch.warnings[-1].cleared_s is None
    # 44 K over the room, a kelvin below the limit; the sensor still says 47 degC.
    assert forecast.lye_c == pytest.approx(64.0, abs=7.0)


def test_no_temperature_at_all_is_told_too() -> None:
    _, flags = played(CALM, lambda t, lye, amps: (lye if t < 3000.0 else None, amps), hours=1.0)
    assert 3000.0 < flags["forecast.blind"] < 3150.0


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("noisy", lambda t, lye, amps: (lye + 0.9 * math.sin(t * t), amps)),
        ("missing", lambda t, lye, amps: (None if (t / 10.0 * 7) % 10 < 3 else lye, amps)),
        ("glitching", lambda t, lye, amps: (85.0 if t in (4000.0, 5000.0) else lye, amps)),
    ],
)
def test_a_sensor_that_is_hard_to_read_is_told(name: str, change: Change) -> None:
    watch, flags = played(CALM, change)
    assert "lye_temp.rough" in flags, name
    assert not watch.warnings
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.steady_state_c.value == pytest.approx(43.65, abs=3.0)


def test_a_drift_against_what_the_current_says_is_told() -> None:
    """-3 K an hour from one hour on, while the current stays as it was."""

    def drifts(t: float, lye: float | None, amps: float) -> tuple[float | None, float]:
        assert lye is not None
        return lye - max(t - 7200.0, 0.0) / 1200.0, amps

    _, flags = played(CALM, drifts, hours=4.0)
    assert 7200.0 < flags["lye_temp.doubtful"] < 7200.0 + 5400.0
    assert set(flags) == {"lye_temp.doubtful"}


def test_a_current_at_its_meters_range_is_told() -> None:
    _, flags = played(AWAY, lambda _, lye, amps: (lye, min(amps, 16.0)), stop_k=40.0)
    assert "amps.clipped" in flags


def test_warnings_rise_clear_and_rise_again_with_time_and_chance_between() -> None:
    state = WarningState()
    changes = []
    t = 0.0
    for chance, seconds in (
        (0.9, 40.0),
        (0.5, 60.0),
        (0.9, 200.0),
        (0.5, 600.0),
        (0.7 * CLEAR_AT, 200.0),
        (0.5, 60.0),
        (0.7 * CLEAR_AT, 400.0),
        (0.9, 200.0),
    ):
        end = t + seconds
        while t < end:
            if state.update(t, chance, powered=True, left_s=1900.0):
                changes.append((t, state.raised))
            t += 20.0
    assert [raised for _, raised in changes] == [True, False, True]
    assert changes[0][0] == 100.0 + TUNING.raise_after_s
    assert changes[1][0] == 1160.0 + CLEAR_AFTER_S
