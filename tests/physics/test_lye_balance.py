"""Water and hydroxide as a state: masses by hand, uncertainty by Monte Carlo, measurements by Bayes'
theorem."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.errors import PhysicsRangeError
from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.physics.faraday import water_rate_g_s
from daq.physics.lye import lye_density_kg_m3
from daq.physics.lye_balance import LyeBalance

HAND = (0.8, 0.016, 0.20, 0.005)


def test_what_electrolysis_takes() -> None:
    """0.336 g for each ampere, cell and hour: 18.01528 g/mol over 2 x 26.80148 Ah/mol (CIAAW, CODATA)."""
    assert 3600.0 * float(water_rate_g_s(1.0, 1)) == pytest.approx(18.01528 / (2.0 * 26.801481), rel=1e-6)


def test_twenty_percent_stayed_twenty_after_four_hours() -> None:
    """0.8 L of 20 % KOH weigh 949.7 g (1.187 kg/L, Laliberte as in the physics room), 189.9 g of it
    hydroxide. 20 A through six cells split 161.3 g in four hours: 189.9 / 788.4 = 24.1 %."""
    lye = LyeBalance(*HAND)
    kg = 1e-3 * 0.8 * float(lye_density_kg_m3(20.0, 0.20))
    assert float(lye.water_kg.value) == pytest.approx(0.8 * kg, rel=1e-9)
    lye.use(4.0 * 20.0 * 6.0 * 0.336087e-3, 0.0, 0.0, 0.0)
    assert float(lye.mass_fraction.value) == pytest.approx(0.2 * kg / (kg - 0.161322), rel=1e-5)
    assert 1e3 * (0.8 - float(lye.litres.value)) == pytest.approx(float(lye.below_start_ml.value), rel=1e-6)
    water = float(lye.water_wanting_ml.value)
    assert water == pytest.approx(161.322 / 0.99820, rel=1e-4)  # water at 20 degC: 0.99820 kg/L
    lye.top_up(1e-3 * water * 0.99820, 0.0)
    assert float(lye.mass_fraction.value) == pytest.approx(0.20, abs=1e-6)
    assert float(lye.below_start_ml.value) == pytest.approx(0.0, abs=0.05)


def test_its_uncertainty_is_that_of_a_monte_carlo() -> None:
    """JCGM 101: the same inputs drawn 100,000 times and taken through the sums by hand."""
    rng = np.random.default_rng(4)
    n = 100_000
    litres, w0 = 0.8 + 0.016 * rng.standard_normal(n), 0.2 + 0.005 * rng.standard_normal(n)
    kg = 1e-3 * litres * np.asarray(lye_density_kg_m3(20.0, w0))
    split, vapour = 0.16 * (1.0 + 0.03 * rng.standard_normal(n)), 0.03 * (1.0 + 0.2 * rng.standard_normal(n))
    poured, w_in = 0.10 + 0.003 * rng.standard_normal(n), 0.05 + 0.002 * rng.standard_normal(n)
    water = kg * (1.0 - w0) - split - vapour + poured * (1.0 - w_in)
    hydroxide = kg * w0 + poured * w_in
    w = hydroxide / (water + hydroxide)
    lye = LyeBalance(*HAND)
    for _ in range(60):  # in sixty parts, of which the errors go the same way
        lye.use(0.16 / 60, 0.03 * 0.16 / 60, 0.03 / 60, 0.2 * 0.03 / 60)
    lye.top_up(0.10, 0.003, 0.05, 0.002)
    assert float(lye.mass_fraction.value) == pytest.approx(float(w.mean()), abs=2e-4)
    assert float(lye.mass_fraction.u) == pytest.approx(float(w.std()), rel=0.03)
    assert float(lye.strengthened.u) == pytest.approx(float((w - w0).std()), rel=0.03)
    assert float(lye.hydroxide_kg.u) == pytest.approx(float(hydroxide.std()), rel=0.03)


def test_a_measurement_weighs_as_bayes_says() -> None:
    """Two normal estimates of one quantity: weights by their precisions (JCGM 101, 6.2)."""
    lye = LyeBalance(0.8, 1e-6, 0.20, 0.005)
    lye.measured_fraction(0.21, 0.005)
    assert float(lye.mass_fraction.value) == pytest.approx(0.205, abs=1e-4)
    assert float(lye.mass_fraction.u) == pytest.approx(0.005 / math.sqrt(2.0), rel=0.02)


def test_a_hydrometer_reads_the_handbooks_density() -> None:
    """KOH of 20 % by mass has 1.1856 at 25 degC as of the density fit of Gilliam et al. (2007), 994.8
    exp(0.86 w); Laliberte and it agree to half a percent, which is 0.6 % by mass."""
    lye = LyeBalance(0.8, 0.016, 0.25, 0.05)
    density = (-0.0032 * 625.0 - 0.1108 * 25.0 + 1001.7) * math.exp(0.86 * 0.20)
    lye.measured_density(density, 1.0, 25.0, 0.3)
    assert float(lye.mass_fraction.value) == pytest.approx(0.20, abs=0.006)
    with pytest.raises(PhysicsRangeError):
        lye.measured_density(1900.0, 1.0, 25.0)


def test_the_level_below_its_start_is_known_better_than_the_litres() -> None:
    lye = LyeBalance(*HAND)
    lye.use(0.16, 0.01, 0.03, 0.006)
    before = float(lye.mass_fraction.u), float(lye.litres.u), float(lye.below_start_ml.u)
    assert before[2] < 1e3 * before[1]
    true = float(lye.below_start_ml.value) + 10.0
    lye.measured_below_start(true, 2.0)
    assert abs(float(lye.below_start_ml.value) - true) < 1.0
    assert float(lye.below_start_ml.u) < 2.0
    # what was learned is how much was used, and that tells of the strength too
    assert float(lye.strengthened.u) < 0.005


def test_warm_lye_stands_higher() -> None:
    """The same lye fills more at 60 degC: the density falls by 1.9 % from 20 (Laliberte)."""
    lye = LyeBalance(*HAND)
    swelled = 0.8 * float(lye_density_kg_m3(20.0, 0.2)) / float(lye_density_kg_m3(60.0, 0.2))
    innovation = lye.measured_litres(swelled, 0.001, 60.0)
    assert innovation.deviation == pytest.approx(0.0, abs=1e-3)


def test_a_conductivity_meter_learns_its_own_scale() -> None:
    """Many readings of one meter are not many meters: the scale's error stays in the strength."""
    lye = LyeBalance(0.8, 0.001, 0.15, 0.01)
    for _ in range(100):
        lye.conductivity_read(float(conductivity_gilliam_s_cm(40.0, 0.15)), 0.004, 0.04, 40.0)
    per_w = (
        float(conductivity_gilliam_s_cm(40.0, 0.151)) - float(conductivity_gilliam_s_cm(40.0, 0.149))
    ) / 0.002
    scale = 0.04 * float(conductivity_gilliam_s_cm(40.0, 0.15)) / per_w
    assert float(lye.mass_fraction.u) == pytest.approx(1.0 / math.sqrt(1e4 + 1.0 / scale**2), rel=0.03)


def test_an_unsaid_top_up_is_a_surprise_and_not_a_compromise() -> None:
    """200 mL of water that nobody noted: a hydrometer three deviations off is believed."""
    lye = LyeBalance(0.8, 0.005, 0.20, 0.001)
    found = lye.measured_fraction(0.165, 0.003)
    assert found.surprising
    assert float(lye.mass_fraction.value) == pytest.approx(0.165, abs=0.004)
    assert lye.level_read(0.1, 0.001, 0.01, 20.0, gate=4.0).deviation < -4.0  # a meter's nonsense is left out
    assert float(lye.mass_fraction.value) == pytest.approx(0.165, abs=0.004)


def test_drawing_off_keeps_the_strength_and_saving_keeps_all() -> None:
    lye = LyeBalance(*HAND)
    lye.draw_off(0.2, 0.01)
    assert float(lye.mass_fraction.value) == pytest.approx(0.20, abs=1e-9)
    other = LyeBalance(1.0, 0.01, 0.1, 0.001)
    other.load(lye.save())
    assert float(other.litres.value) == float(lye.litres.value)
    assert float(other.mass_fraction.u) == float(lye.mass_fraction.u)
    with pytest.raises(PhysicsRangeError):
        LyeBalance(0.8, 0.01, 0.55, 0.001)


def test_it_never_runs_out_of_water() -> None:
    lye = LyeBalance(*HAND)
    lye.use(5.0, 0.1, 0.0, 0.0)
    assert 0.0 < float(lye.mass_fraction.value) < 1.0
    assert float(lye.litres.value) > 0.0
