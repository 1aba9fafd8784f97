"""Which of three went astray: the thermometer, the heat balance or the current; and a meter at its range."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from daq.forecast.current_model import BeyondRange, CurrentLaw
from daq.forecast.monitor import RunawayWatch
from daq.forecast.thermal_filter_bank import ThermalFilter
from tests.forecast.lumped import Lumped, dry
from tests.runaway_bench.scenarios import make
from tests.runaway_bench.simulate import Run, simulate
from tests.runaway_bench.watched import config_of, ticks

DRIFT_NOTE = "warmer than its sensor"


def unknowns(watch: RunawayWatch) -> str:
    return watch.weaknesses.get("lye_temp.doubtful", "")


def played(run: Run, look: Callable[[RunawayWatch, float], None]) -> RunawayWatch:
    """A run of the benchmark, looked at once a minute."""
    watch, next_s = RunawayWatch(config_of(run)), 60.0
    for row in ticks(run.log):
        watch.update(*row)  # type: ignore[arg-type]
        assert row[0] is not None
        if row[0] >= next_s:
            next_s += 60.0
            look(watch, row[0])
    return watch


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "rate_k_h"), [((34, 32), 2.9), ((11, 32), 2.4)])
def test_a_sensor_that_drifts_low_is_taken_back(seed: tuple[int, int], rate_k_h: float) -> None:
    """By two to three kelvin an hour, for hours: at its limit the lye reads more than six kelvin less."""
    run = simulate([make("drifting", True, seed)])[0]
    assert run.scenario.sensing.drift_c_h == pytest.approx(-rate_k_h, abs=0.05)
    off: list[float] = []

    def look(watch: RunawayWatch, t: float) -> None:
        forecast = watch.forecast()
        if forecast is not None and DRIFT_NOTE in unknowns(watch):
            assert forecast.lye_c is not None
            off.append(forecast.lye_c - float(np.interp(t, run.t_s, run.true_c)))

    watch = played(run, look)
    assert run.log.lye_temp[-1] < run.scenario.design.limit_c - 6.0
    assert len(off) > 90
    assert max(map(abs, off)) < 1.2
    assert watch.warnings[-1].cleared_s is None
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.confidence != "good"
    assert any(DRIFT_NOTE in u for u in forecast.unknowns)


@pytest.mark.slow
@pytest.mark.parametrize("family", ["leak_grows", "stronger_lye", "fan_lost", "room"])
@pytest.mark.parametrize("runaway", [True, False])
def test_what_moves_one_predictor_alone_is_not_laid_on_the_sensor(family: str, *, runaway: bool) -> None:
    run = simulate([make(family, runaway, (2, 3))])[0]

    def look(watch: RunawayWatch, t: float) -> None:
        assert DRIFT_NOTE not in unknowns(watch), t

    played(run, look)


def test_a_sensor_that_is_put_back_is_trusted_again() -> None:
    """It slips out of the lye for two hours, two kelvin an hour; the room is measured."""
    stack = Lumped(r_k_w=0.3, capacity_j_k=8000.0, room_c=20.0, tick_s=10.0)
    rng = np.random.default_rng(5)
    watch = dry(stack.config(65.0, room_temp_c=20.0))
    drifting: list[float] = []
    for t, volts, amps, watts, lye in stack.ticks(6.0 * 3600.0):
        slipped = 2.0 * (t - 7200.0) / 3600.0 if 7200.0 < t < 14_400.0 else 0.0
        noisy = 1.0 + 0.002 * float(rng.standard_normal())
        read = lye - slipped + 0.05 * float(rng.standard_normal())
        watch.update(t, volts, amps * noisy, watts * noisy, read, 20.0)
        if DRIFT_NOTE in unknowns(watch):
            drifting.append(t)
    assert 7200.0 < drifting[0] < 7200.0 + 3600.0
    assert 14_400.0 <= drifting[-1] < 14_400.0 + 1800.0
    forecast = watch.forecast()
    assert forecast is not None
    assert forecast.lye_c == pytest.approx(43.65, abs=0.5)
    assert not watch.warnings


@pytest.mark.slow
def test_beyond_its_meters_range_the_current_goes_on_as_it_was_learned() -> None:
    """The meter ends at 23.9 A, twelve kelvin below the limit; no power is measured beside it."""
    run = simulate([make("clipped", False, (32, 39))])[0]
    assert run.crossed_s is not None
    crossed = run.crossed_s
    errors: list[float] = []

    def look(watch: RunawayWatch, t: float) -> None:
        left = crossed - t
        forecast = watch.forecast()
        if 300.0 < left < 1500.0 and forecast is not None:
            time = forecast.time_to_limit_s["high"].value
            errors.append(abs((time or 1e9) - left) / left)

    watch = played(run, look)
    assert "amps.clipped" in watch.weaknesses
    assert len(errors) == 20
    assert float(np.mean(errors)) < 0.25


def learned() -> CurrentLaw:
    """30 A at 40 degC and 12 V, growing by the middle of published curves."""
    law = CurrentLaw(dry(Lumped(r_k_w=0.3, capacity_j_k=8000.0, room_c=20.0).config(65.0)).config)
    law.update(20.0, 40.0, 30.0, 360.0)
    return law


def test_a_current_beyond_its_meters_range_is_told_by_power_where_that_is_measured() -> None:
    law = learned()
    beyond = BeyondRange(40.0, 12.0)
    assert beyond.drawn(law, 50.0, 30.0, 12.0 * 33.0) == pytest.approx(33.0)
    # Volts times shown amps tell nothing: as learned, 1.9 % a kelvin at first and a little less later.
    assert beyond.drawn(law, 50.0, 30.0, 12.0 * 30.0) == pytest.approx(30.0 * 1.197, rel=0.01)
    assert beyond.drawn(law, 35.0, 30.0, 12.0 * 30.0) == 30.0


def test_volts_that_sag_as_it_warms_are_a_supply_that_holds_the_current() -> None:
    """A cell's voltage falls by some 2.2 mV/V and kelvin at a held current."""
    held, clipped = BeyondRange(40.0, 12.0), BeyondRange(40.0, 12.0)
    t = np.linspace(40.0, 44.0, 40)
    assert not any(clipped.held_by_supply(float(x), 12.0) for x in t)
    told_at = next(
        float(x) for x in t if held.held_by_supply(float(x), 12.0 * (1.0 - 0.0022 * (float(x) - 40.0)))
    )
    assert told_at < 42.5


def test_filters_propagated_as_one_come_to_what_each_comes_to_alone() -> None:
    """Three that know different things: ten minutes of heat, of a room read and a share of gas that moves."""
    stack = Lumped(capacity_j_k=3000.0, r_k_w=0.5, room_c=20.0)
    watch = dry(stack.config(70.0))
    left: list[ThermalFilter] = []
    for t, volts, amps, watts, lye in stack.ticks(3600.0):
        watch.update(t, volts, amps, watts, lye, stack.room_c)
        if t in (1500.0, 2400.0, 3300.0):
            left.append(watch._thermal.fork())
    stage = left[0].stage
    for f in left:
        f._mixing_s, f._lag_shows_s, f.room_measured = stage
    alone = [f.fork() for f in left]
    for minute in range(10):
        one = ThermalFilter.joined(left)
        for f in [one, *alone]:
            f.predict(60.0, 150.0 + minute, 12.0)
            f.shift_faradaic(-0.002)
            f.measure_room(21.0)
        one.part(left)
    for f, own in zip(left, alone, strict=True):
        assert f.stage == own.stage
        assert f.rate == pytest.approx(own.rate, rel=1e-12)
        assert f.lye_c == pytest.approx(own.lye_c, rel=1e-12)
        np.testing.assert_allclose(f.x, own.x, rtol=1e-12)
        np.testing.assert_allclose(f.p, own.p, rtol=1e-9, atol=1e-12)
    assert abs(left[0].lye_c - left[2].lye_c) > 0.1
