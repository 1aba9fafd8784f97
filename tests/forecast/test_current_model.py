"""The law of the current, extrapolated from what it has seen: against published curves and theory."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.forecast.config import RunawayConfig, Tables
from daq.forecast.current_model import CurrentLaw
from daq.forecast.ensemble import propagate
from daq.forecast.thermal_filter_bank import KAPPA, ThermalFilter
from tests.runaway_bench.electrodes import CONTACTS_OHM_CM2, SETS, FloatArray, electrodes
from tests.runaway_second.electrode import Cells

SEEN = np.arange(22.0, 38.1, 0.1)
FAR_C = 60.0


def config(**changed: object) -> RunawayConfig:
    base = {"cells": 6, "litres": 1.0, "steel_kg": 1.0, "limits_c": {"high": 60.0}}
    return RunawayConfig(**{**base, **changed})  # type: ignore[arg-type]


def published(which: int, cell_volts: float, t_c: FloatArray) -> FloatArray:
    """Amps by one of the literature sets that aec-modelling bundles, with or without a contact."""
    full = np.full(t_c.shape, cell_volts)
    return 0.1 * electrodes().current_density(np.full(t_c.shape, which), full, t_c, np.full(t_c.shape, 0.25))


def activated(energy: float, t_c: FloatArray) -> FloatArray:
    """Amps at 1.9 V by Tafel's and Arrhenius' laws with little resistance: steep."""
    one = np.ones(t_c.shape)
    cells = Cells(
        1e-5 * one, 1e-6 * one, energy * one, energy * one, 0.5 * one, 0.8 * one, 0.1 * one, 0.05 * one
    )
    return 100.0 * cells.density(1.9 * one, t_c, 0.25 * one, 0.05 * one)


def learned(amps: FloatArray, t_c: FloatArray = SEEN, *, volts: float = 12.0) -> CurrentLaw:
    law = CurrentLaw(config())
    for t, i in zip(t_c.tolist(), amps.tolist(), strict=True):
        law.update(20.0, t, i, volts * i)
    return law


@pytest.mark.parametrize("cell_volts", [1.9, 2.1, 2.4])
@pytest.mark.parametrize("which", range(len(SETS) * len(CONTACTS_OHM_CM2)))
def test_published_curves_are_extrapolated_from_sixteen_kelvins(which: int, cell_volts: float) -> None:
    """`ulleberg`, `degroot_*` (see `tests.runaway_bench.electrodes`), seen from 22 to 38 degC, told at 60."""
    law = learned(published(which, cell_volts, SEEN))
    true = float(published(which, cell_volts, np.array([FAR_C]))[0])
    assert law.drawn(FAR_C) == pytest.approx(true, rel=0.04)
    estimate = law.temperature(true)
    assert estimate is not None
    assert abs(estimate[0] - FAR_C) < 2.5 * estimate[1]


@pytest.mark.parametrize("energy", [30e3, 45e3, 55e3])
def test_so_are_steep_ones(energy: float) -> None:
    """Tafel and Arrhenius: up to 4.5 % for each kelvin, which no published set has."""
    amps = activated(energy, SEEN)
    assert math.log(amps[-1] / amps[0]) / 16.0 > 0.02
    law = learned(amps)
    true = float(activated(energy, np.array([FAR_C]))[0])
    assert law.drawn(FAR_C) == pytest.approx(true, rel=0.06)


def test_by_more_volts_the_slope_is_held_to_be_less() -> None:
    """Of the published sets each volt more takes 30 to 90 % of the slope at first; so it does here, and it is
    known less well than before."""
    law = learned(published(0, 1.95, SEEN))
    before, sd = float(law.x[1]), math.sqrt(law.p[1, 1])
    amps = float(published(0, 2.15, np.array([38.0]))[0])
    assert law.update(20.0, 38.0, amps, 2.15 / 1.95 * 12.0 * amps)
    slope = np.log(published(0, 2.15, np.array([38.0, 40.0])))
    shrunk = float(np.diff(np.log(published(0, 1.95, np.array([38.0, 40.0]))))[0] / 2.0)
    assert float(law.x[1]) < before
    assert float(law.x[1]) < 1.02 * shrunk
    assert abs(float(law.x[1]) - float(np.diff(slope)[0]) / 2.0) < 2.5 * math.sqrt(law.p[1, 1])
    assert math.sqrt(law.p[1, 1]) > sd


def test_a_growing_leak_is_followed_and_not_taken_for_a_steeper_slope() -> None:
    """A leak from nothing to half of the current within twenty minutes, of lye that warms by 2 K."""
    law = learned(published(0, 2.0, SEEN))
    slope = float(law.x[1]) / (1.0 + float(law.x[2]) * (38.0 - law.t_ref))
    warmer = np.linspace(38.0, 40.0, 60)
    drawn = published(0, 2.0, warmer) * np.linspace(1.0, 1.5, 60)
    for t, i in zip(warmer.tolist(), drawn.tolist(), strict=True):
        assert not law.update(20.0, t, i, 12.0 * i)
        assert law.drawn(t) == pytest.approx(i, rel=0.04)
    now = float(law.x[1]) / (1.0 + float(law.x[2]) * (40.0 - law.t_ref))
    assert now == pytest.approx(slope, rel=0.15)


def test_what_is_read_beside_an_uncertain_temperature_teaches_less() -> None:
    sure, unsure = CurrentLaw(config()), CurrentLaw(config())
    few = SEEN[:40]
    for t, i in zip(few.tolist(), published(0, 2.0, few).tolist(), strict=True):
        sure.update(20.0, t, i, 12.0 * i)
        unsure.update(20.0, t, i, 12.0 * i, t_sd=0.5)
    assert unsure.p[1, 1] > 1.5 * sure.p[1, 1]


def test_the_growth_of_heat_is_as_learned_and_not_less_than_usual() -> None:
    steep, flat = learned(activated(55e3, SEEN)), learned(np.full(SEEN.shape, 20.0))
    assert steep.growth(22.0, 50.0) == pytest.approx(math.log(steep.drawn(50.0) / steep.drawn(22.0)))
    assert flat.growth(22.0, 50.0) == pytest.approx(math.log(1.56))
    assert CurrentLaw(config(mode="constant_current")).growth(22.0, 50.0) == 0.0


def test_a_limit_that_was_exceeded_is_held_to_be_not_far_above() -> None:
    """In so many futures as it is believed at all."""
    law = learned(published(0, 2.1, SEEN))
    law.cap, law.cap_exceeded = 0.5 * law.amps, True
    settings = config()
    tables = Tables(settings)
    thermal = ThermalFilter(tables, settings)
    thermal.start(38.0, 300.0, 20.0)
    free, capped = (propagate(thermal, law, tables, capped=c) for c in (False, True))
    assert (capped.time_to(60.0, 38.0) >= free.time_to(60.0, 38.0)).all()
    runs_away = free.settles_c > 60.0
    spared = runs_away & (capped.settles_c < free.settles_c)
    assert 0.1 < spared.sum() / runs_away.sum() < 0.5


@pytest.mark.parametrize(
    ("lye_c", "room_c", "sd_k"), [(20.0, 19.5, 2.5), (28.0, 27.5, 2.5), (42.0, 22.0, 4.0), (55.0, 22.0, 4.0)]
)
def test_a_room_that_nobody_told_is_as_the_lye_where_that_is_cold(
    lye_c: float, room_c: float, sd_k: float
) -> None:
    thermal = ThermalFilter(Tables(config()), config())
    thermal.start(lye_c, 100.0, None)
    assert thermal.mean(7) == pytest.approx(room_c)
    assert thermal.sd(7) == pytest.approx(sd_k)


def test_between_cold_and_warm_a_room_may_be_either() -> None:
    thermal = ThermalFilter(Tables(config()), config())
    thermal.start(35.0, 100.0, None)
    assert thermal.mean(7) == pytest.approx(0.5 * (34.5 + 22.0))
    assert thermal.sd(7) > 6.0


def test_what_the_current_tells_bears_on_the_loss_only_before_that_is_seen() -> None:
    """Bayes: a prior's mean that moves takes the estimate along by what is left of the prior."""
    thermal = ThermalFilter(Tables(config()), config())
    thermal.start(20.0, 100.0, 20.0)
    before = thermal.mean(KAPPA)
    thermal.grows(20.0, 0.6)
    assert thermal.mean(KAPPA) - before == pytest.approx(0.6)
    thermal.p[:, KAPPA, :] *= 0.1
    thermal.p[:, :, KAPPA] *= 0.1
    seen = thermal.mean(KAPPA)
    thermal.grows(20.0, 1.2)
    assert thermal.mean(KAPPA) - seen == pytest.approx(0.006, rel=0.01)
    thermal.grows(1e6, 3.0)
    assert thermal.mean(KAPPA) == pytest.approx(seen + 0.006, abs=1e-4)
