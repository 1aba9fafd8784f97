"""What physics forbids a reading, and what takes more than one reading to overturn."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.forecast.causes import Causes
from daq.forecast.config import RunawayConfig, Tables
from daq.forecast.current_model import CurrentLaw
from daq.forecast.decision import WarningState
from daq.forecast.ensemble import Band
from daq.forecast.forecast import settling_band, time_band
from daq.forecast.monitor import RunawayWatch
from daq.forecast.text import in_words
from daq.forecast.thermal_filter_bank import CAPACITY, FARADAIC, KAPPA, ROOM, ThermalFilter
from daq.forecast.tuning import TUNING
from tests.forecast.lumped import Lumped, dry

PLAIN = RunawayConfig(cells=6, litres=0.5, steel_kg=1.0, limits_c={"high": 60.0})


def watched(bump_k: float) -> RunawayWatch:
    """A stack that settles, an hour and a half of it, with a warm bump of four minutes at the hour."""
    stack = Lumped(r_k_w=0.3, room_c=20.0)
    watch = dry(stack.config(70.0))
    noise = np.random.default_rng(3).normal(0.0, 0.03, 2000)
    for i, (t, volts, amps, watts, lye) in enumerate(stack.ticks(5400.0)):
        up = bump_k * (1.0 - math.exp(-(t - 3600.0) / 30.0)) if 3600.0 <= t < 3840.0 else 0.0
        watch.update(t, volts, amps, watts, lye + up + float(noise[i]), 20.0)
    return watch


def test_a_warm_bump_that_is_no_lye_teaches_nothing() -> None:
    """Two kelvins in half a minute would take five times this stack's heat, all of it."""
    with_bump, without = watched(2.0), watched(0.0)
    bumped, plain = with_bump.forecast(), without.forecast()
    assert bumped is not None
    assert plain is not None
    assert bumped.capacity_j_k.value == pytest.approx(plain.capacity_j_k.value, rel=0.05)
    assert bumped.steady_state_c.value == pytest.approx(plain.steady_state_c.value, abs=1.0)
    assert not with_bump.warnings


def test_a_reading_that_stays_up_is_believed_after_a_while() -> None:
    tables = Tables(PLAIN)
    thermal = ThermalFilter(tables, PLAIN)
    thermal.start(30.0, 100.0, 20.0)
    collected = []
    for _ in range(60):
        thermal.predict(20.0, 100.0, 0.0)
        collected.append(thermal.measure(40.0, 0.01, 20.0))
    assert collected[0] == "refused"
    assert 0 < collected.count("refused") * 20.0 <= TUNING.refused_s
    assert collected[-1] != "refused"
    assert thermal.lye_c == pytest.approx(40.0, abs=1.0)


@pytest.mark.parametrize("amps", [0.0, -1.0, -1e-9, 1e-12])
def test_no_current_and_no_known_power_is_no_error(amps: float) -> None:
    watch = RunawayWatch(PLAIN)
    for k in range(100):
        watch.update(5.0 * k, 14.0, 10.0 if k < 40 else amps, None, 25.0 + 0.01 * k)
    for k in range(100, 140):
        watch.update(5.0 * k, None, amps, None, 26.0)
    law = CurrentLaw(PLAIN)
    law.restart(25.0, amps, 14.0, keep_slope=False)
    assert not law.update(20.0, 25.0, amps, 100.0)
    assert law.drawn(25.0) >= 0.0
    assert law.temperature(amps) is None or math.isfinite(law.temperature(amps)[0])  # type: ignore[index]


def test_one_noisy_bin_does_not_overturn_what_the_bench_file_says() -> None:
    """At a held current: 3 % more in one bin, a kelvin after the last look, then as before."""
    config = RunawayConfig(
        cells=6, litres=0.5, steel_kg=1.0, limits_c={"high": 60.0}, mode="constant_current"
    )
    law = CurrentLaw(config)
    for k in range(60):
        amps = 10.3 if k == 30 else 10.0
        law.update(20.0, 25.0 + 0.1 * k, amps, 12.0 * (1.0 - 0.0022 * 0.1 * k) * amps)
        assert law.regulated == "current"


def test_evidence_that_goes_on_overturns_it() -> None:
    config = RunawayConfig(
        cells=6, litres=0.5, steel_kg=1.0, limits_c={"high": 60.0}, mode="constant_current"
    )
    law = CurrentLaw(config)
    for k in range(80):
        amps = 10.0 * math.exp(0.02 * 0.1 * k)
        law.update(20.0, 25.0 + 0.1 * k, amps, 12.0 * amps)
    assert law.regulated == "voltage"


def test_a_constant_error_of_a_meter_does_not_average_away() -> None:
    """A flow meter 3 % off, heard each minute for six hours, still tells no better than to 1 %."""
    tables = Tables(PLAIN)
    thermal = ThermalFilter(tables, PLAIN)
    thermal.start(30.0, 100.0, 20.0)
    for _ in range(360):
        thermal.predict(60.0, 100.0, 0.0)
        thermal.measure_faradaic(0.94)
        thermal.measure_room(20.7)
    assert thermal.sd(FARADAIC) > 0.01
    assert thermal.sd(ROOM) > 0.2


def test_leads_are_learned_as_sag() -> None:
    """V = V0 - R I with R I / V = 4 %: d ln V / d ln I is minus as much."""
    law = CurrentLaw(PLAIN)
    rng = np.random.default_rng(5)
    for k in range(300):
        t = 25.0 + 0.08 * k
        amps = 10.0 * math.exp(0.018 * (t - 25.0))
        volts = 12.0 - 0.048 * (amps - 10.0)
        law.update(20.0, t, amps * math.exp(0.003 * rng.normal()), volts * amps)
        law.x[3] = 0.0
    assert float(law.sag[1]) == pytest.approx(0.05, abs=0.02)


def _both() -> tuple[ThermalFilter, CurrentLaw]:
    thermal, law = ThermalFilter(Tables(PLAIN), PLAIN), CurrentLaw(PLAIN)
    thermal.start(40.0, 100.0, 20.0)
    thermal.p[:, KAPPA, KAPPA] = 0.01
    thermal.x[:, KAPPA] = thermal.mean(KAPPA)
    law.restart(40.0, 10.0, 12.0, keep_slope=False)
    law.update(20.0, 40.0, 10.0, 120.0)
    return thermal, law


@pytest.mark.parametrize("cause", ["settings", "cooling", "room", "supply", "leak"])
def test_the_cause_that_was_put_in_is_named_first(cause: str) -> None:
    thermal, law = _both()
    causes = Causes()
    if cause != "settings":
        causes.add(0.0, 0.05, thermal, law, 1e-6)
    match cause:
        case "cooling":
            thermal.x[:, KAPPA] -= 0.4
        case "room":
            thermal.x[:, ROOM] += 6.0
        case "supply":
            law.volts *= 1.05
            law.x[0] += 0.2
        case "leak":
            law.x[0] += 0.15
    named = causes.name(3600.0, thermal, law, sensor_doubted=False)
    assert next(iter(named)) == cause
    assert sum(named.values()) == pytest.approx(1.0)
    assert list(named.values()) == sorted(named.values(), reverse=True)


@pytest.mark.parametrize("crossing", [0, 10, 31, 33, 50, 64])
def test_what_is_said_never_speaks_against_itself(crossing: int) -> None:
    """Where a time to the limit is said, it does not settle below it, and the other way round."""
    settles = np.concatenate([np.linspace(80.0, 95.0, crossing), np.linspace(40.0, 55.0, 64 - crossing)])
    crosses = settles > 60.0
    chance = crossing / 64.0
    band = settling_band(settles, crosses, chance)
    time = Band(3600.0, 3000.0, None) if chance >= 0.5 else Band(None, 3000.0, None)
    words = in_words(60.0, time, band, chance)
    assert band.value is not None
    assert (band.value > 60.0) == (time.value is not None)
    assert ("does not settle below" in words) == (time.value is not None)
    assert not ("does not settle" in words and "settles at" in words)


@pytest.mark.parametrize("crossing", [0, 10, 31, 33, 50, 52, 58, 64])
@pytest.mark.parametrize(("raised", "rises_to_s"), [(False, math.inf), (False, 300.0), (True, math.inf)])
@pytest.mark.parametrize("false_costs_min", [1.0, 60.0, 240.0])
def test_time_and_settling_go_by_one_figure(
    crossing: int, raised: bool, rises_to_s: float, false_costs_min: float
) -> None:
    """Whatever a false warning costs, and whether one stands: never both, and no warning beside "settles"."""
    settles = np.concatenate([np.linspace(80.0, 95.0, crossing), np.linspace(40.0, 55.0, 64 - crossing)])
    times = np.where(settles > 60.0, 3600.0, math.inf)
    chance = crossing / 64.0
    state = WarningState(false_costs_min)
    state.raised = raised
    likelier = state.says_from(rises_to_s)
    time = time_band(times, likelier)
    band = settling_band(settles, settles > 60.0, chance, likelier)
    assert band.value is not None
    assert (band.value > 60.0) == (time.value is not None)
    if not raised:
        state.update(0.0, chance, powered=True, rises_to_s=rises_to_s)
        if state.update(400.0, chance, powered=True, rises_to_s=rises_to_s):
            assert "does not settle below" in in_words(60.0, time, band, chance)


def test_the_cut_is_forecast_too() -> None:
    words = in_words(
        60.0, Band(1800.0, 1500.0, 2400.0), Band(None, None, None), 0.97, (65.0, Band(2700.0, None, None))
    )
    assert "The supply is cut at 65 °C, in about 45 min" in words


def test_what_wanders_in_the_loss_comes_back() -> None:
    thermal, _ = _both()
    before = thermal.mean(CAPACITY)
    thermal.x[:, 12] = 0.1
    for _ in range(120):
        thermal.predict(20.0, 100.0, 0.0)
    assert thermal.x[0, 12] == pytest.approx(0.1 * math.exp(-2400.0 / TUNING.loss_wander_s))
    assert thermal.mean(CAPACITY) == before


def test_a_fan_that_stops_is_seen_within_minutes() -> None:
    """Two thirds of the loss of a stack at rest gone at once: by Newton's law it then warms with all that is
    missing, 0.5 K a minute here, which a fifth of a kelvin of noise can not hide for long.
    """
    stack = Lumped(r_k_w=0.5, p0_w=80.0, law=lambda _: 1.0, room_c=20.0, capacity_j_k=6000.0)
    watch = dry(stack.config(70.0, mode="constant_current"))
    noise = np.random.default_rng(8).normal(0.0, 0.2, 20_000)
    ticks = list(stack.ticks(4.0 * 3000.0))
    for i, (t, volts, amps, watts, lye) in enumerate(ticks):
        watch.update(t, volts, amps, watts, lye + float(noise[i]), 20.0)
    assert not watch.warnings
    t, volts, amps, watts, lye = ticks[-1]
    rise, stopped = lye - 20.0, t
    while not watch.warnings and t - stopped < 1800.0:
        t += 5.0
        rise += 5.0 / 6000.0 * (80.0 - rise / 1.5)
        watch.update(t, volts, amps, watts, 20.0 + rise + float(noise[int(t / 5.0)]), 20.0)
    assert watch.warnings
    assert watch.warnings[0].raised_s - stopped <= 480.0
    assert watch.warnings[0].cause == "cooling"


def test_beside_a_loss_that_stays_a_change_is_not_believed() -> None:
    """Bayes' rule with the hazard as the prior: what is not needed to explain the readings stays unlikely."""
    stack = Lumped(r_k_w=0.5, p0_w=80.0, law=lambda _: 1.0, room_c=20.0, capacity_j_k=6000.0)
    thermal = ThermalFilter(Tables(PLAIN), PLAIN)
    thermal.start(20.0, 80.0, 20.0)
    noise = np.random.default_rng(9).normal(0.0, 0.05, 1000)
    seen = []
    for i, rise in enumerate(stack.rise(9000.0)[4::4].tolist()):
        thermal.predict(20.0, 80.0, 0.0)
        thermal.measure(20.0 + rise + float(noise[i]), 0.05**2, 20.0)
        seen.append(thermal.changing)
    assert max(seen[60:]) < 0.2
    assert np.mean(seen[60:]) < 0.05
