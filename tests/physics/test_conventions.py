"""What every function of `daq.physics` promises: kinds and NaN kept, nothing extrapolated, all documented."""

from __future__ import annotations

import inspect
import math
import pickle
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pytest

from daq.errors import PhysicsRangeError
from daq.physics._ranges import within
from daq.physics.reference import REFERENCE_CONDITIONS
from tests.physics.everything import NAMES, physics

NORMAL = REFERENCE_CONDITIONS["0C_101.325kPa"]

# name: (function of the input under test, a value inside, one below, one above; None where unbounded)
ONE_INPUT: dict[str, tuple[Callable[..., Any], float, float | None, float | None]] = {
    "psat_water": (physics.psat_water, 25.0, -0.1, 374.0),
    "psat_water_slope": (physics.psat_water_slope, 25.0, -0.1, 374.0),
    "water_density_kg_m3": (physics.water_density_kg_m3, 25.0, -0.1, 371.0),
    "latent_heat_j_kg": (physics.latent_heat_j_kg, 25.0, -0.1, 201.0),
    "vapour_pressure_lye t": (partial(physics.vapour_pressure_lye, mass_fraction=0.3), 25.0, -0.1, 201.0),
    "vapour_pressure_lye w": (partial(physics.vapour_pressure_lye, 25.0), 0.3, -0.01, 0.51),
    "water_activity_lye": (partial(physics.water_activity_lye, mass_fraction=0.3), 25.0, -0.1, 201.0),
    "vapour_in_gas_kpa": (partial(physics.vapour_in_gas_kpa, "water"), 25.0, -0.1, 201.0),
    "vapour_per_dry": (partial(physics.vapour_per_dry, p_kpa=100.0), 3.0, -0.1, 99.5),
    "dry_flow_at_reference p": (
        lambda p, **k: physics.dry_flow_at_reference(1.0, 25.0, p, vapour_kpa=3.0, reference=NORMAL, **k),
        100.0,
        19.0,
        1001.0,
    ),
    "pressure_from_altitude": (physics.pressure_from_altitude, 500.0, -2001.0, 11001.0),
    "lye_density_kg_m3 t": (partial(physics.lye_density_kg_m3, mass_fraction=0.3), 25.0, 3.0, 96.0),
    "lye_density_kg_m3 w": (partial(physics.lye_density_kg_m3, 25.0), 0.3, -0.01, 0.53),
    "density_gilliam_kg_m3": (partial(physics.density_gilliam_kg_m3, mass_fraction=0.3), 25.0, -1.0, 201.0),
    "lye_heat_capacity_j_kg_k": (partial(physics.lye_heat_capacity_j_kg_k, 25.0), 0.3, -0.01, 0.47),
    "molarity_mol_l": (partial(physics.molarity_mol_l, 25.0), 0.3, -0.01, 0.53),
    "mass_fraction_from_molarity": (partial(physics.mass_fraction_from_molarity, 25.0), 5.0, -0.1, 15.0),
    "mass_fraction_from_density": (partial(physics.mass_fraction_from_density, 25.0), 1250.0, 996.0, 1600.0),
    "conductivity_gilliam_s_cm t": (
        partial(physics.conductivity_gilliam_s_cm, mass_fraction=0.3),
        25.0,
        -0.1,
        100.1,
    ),
    "conductivity_gilliam_s_cm w": (partial(physics.conductivity_gilliam_s_cm, 25.0), 0.3, -0.01, 0.48),
    "conductivity_see_white_s_cm": (partial(physics.conductivity_see_white_s_cm, 25.0), 0.3, 0.14, 0.46),
    "mass_fraction_from_conductivity": (
        lambda k, **o: physics.mass_fraction_from_conductivity(25.0, k, "weak", **o),
        0.4,
        -0.1,
        0.7,
    ),
    "reaction_enthalpy_j_mol": (physics.reaction_enthalpy_j_mol, 25.0, -0.1, 100.1),
    "v_tn": (physics.v_tn, 25.0, -0.1, 100.1),
    "v_rev": (physics.v_rev, 25.0, -0.1, 100.1),
    "v_rev_in_lye": (partial(physics.v_rev_in_lye, mass_fraction=0.3), 25.0, -0.1, 100.1),
    "voltage_efficiency_hhv": (physics.voltage_efficiency_hhv, 2.0, 0.05, 101.0),
    "watt_hours_per_litre": (partial(physics.watt_hours_per_litre, reference=NORMAL), 2.0, 0.05, 101.0),
    "mmw_ceiling_faraday": (partial(physics.mmw_ceiling_faraday, reference=NORMAL), 2.0, 0.05, 101.0),
    "mmw_ceiling_thermoneutral": (
        partial(physics.mmw_ceiling_thermoneutral, reference=NORMAL),
        25.0,
        -0.1,
        100.1,
    ),
    "mmw_ceiling_reversible": (partial(physics.mmw_ceiling_reversible, reference=NORMAL), 25.0, -0.1, 100.1),
    "pt_resistance_ohm": (physics.pt_resistance_ohm, 25.0, -201.0, 851.0),
    "pt_temperature_c": (physics.pt_temperature_c, 110.0, 18.0, 391.0),
    "ntc_beta_ohm": (partial(physics.ntc_beta_ohm, beta_k=3950.0, r25_ohm=1e4), 25.0, -56.0, 201.0),
    "ntc_beta_temperature_c": (
        partial(physics.ntc_beta_temperature_c, beta_k=3950.0, r25_ohm=1e4),
        1e4,
        1.0,
        1e8,
    ),
    "thermocouple_emf_mv": (partial(physics.thermocouple_emf_mv, kind="K"), 25.0, -201.0, 1373.0),
    "thermocouple_temperature_c": (
        partial(physics.thermocouple_temperature_c, cold_junction_c=25.0, kind="T"),
        1.0,
        -7.0,
        21.0,
    ),
    "thermal_factor_moist": (physics.thermal_factor_moist, 0.03, -0.01, 1.01),
    "loop_value": (partial(physics.loop_value, low=0.0, high=1.0), 12.0, 3.59, 21.01),
}

# the same for functions that only ever raise outside
RAISING: dict[str, tuple[Callable[[Any], Any], float, float | None, float | None]] = {
    "gas_rate_mol_s": (lambda x: physics.gas_rate_mol_s(10.0, x), 6.0, 0.5, 1001.0),
    "h2_rate_mol_s": (lambda x: physics.h2_rate_mol_s(x, 6), 10.0, -1e6, 1e6),
    "molar_volume_l": (lambda x: physics.molar_volume_l(x, 1e5), 300.0, 100.0, 1001.0),
    "current_for_gas_a": (lambda x: physics.current_for_gas_a(1e-4, x), 6.0, 0.5, 1001.0),
    "bubbler_head_kpa": (lambda x: physics.bubbler_head_kpa(100.0, x), 1000.0, 499.0, 2001.0),
    "bubble_factor": (physics.bubble_factor, 0.2, -0.01, 0.61),
    "molality_mol_kg": (physics.molality_mol_kg, 0.3, -0.01, 0.61),
    "mass_fraction_from_molality": (physics.mass_fraction_from_molality, 7.0, -0.1, 41.0),
    "thermal_mass_j_k": (lambda x: physics.thermal_mass_j_k(x, 0.2), 2.0, -0.1, 1001.0),
    "channel_resistance_ohm": (lambda x: physics.channel_resistance_ohm(1.0, x, 0.6), 10.0, 0.0, 1e10),
    "access_resistance_ohm": (lambda x: physics.access_resistance_ohm(6.0, x), 0.6, 0.0, 11.0),
    "slot_resistance_ohm": (lambda x: physics.slot_resistance_ohm(1.2, x, 3.0, 0.6), 6.0, 0.0, 1e10),
    "gas_density_kg_m3": (lambda x: physics.gas_density_kg_m3(28.0, x, 100.0), 20.0, -51.0, 201.0),
    "moist_mixed_gas_density_kg_m3": (
        lambda x: physics.moist_mixed_gas_density_kg_m3(25.0, 100.0, x),
        3.0,
        -0.1,
        101.0,
    ),
    "variable_area_factor": (lambda x: physics.variable_area_factor(1.2, x), 0.5, 0.0, 1e5),
    "thermal_factor_between": (lambda x: physics.thermal_factor_between(x, 1.0), 1.4, 0.0, 11.0),
    "flow_from_pulses_lpm": (lambda x: physics.flow_from_pulses_lpm(x, 450.0), 10.0, -1.0, 1e8),
    "divider_input_v": (lambda x: physics.divider_input_v(1.0, 9e3, x), 1e3, 0.0, 1e13),
    "divider_resistance_ohm": (lambda x: physics.divider_resistance_ohm(x, 1e4), 0.4, 0.0, 1.0),
    "shunt_resistance_ohm": (lambda x: physics.shunt_resistance_ohm(75.0, x), 50.0, 0.0, 1e6),
    "shunt_current_a": (lambda x: physics.shunt_current_a(0.03, x), 1.5e-3, 0.0, 1e7),
    "hall_current_a": (lambda x: physics.hall_current_a(3.0, 0.066, x), 5.0, 0.5, 31.0),
}

ALL: dict[str, tuple[Callable[..., Any], float, float | None, float | None]] = {**ONE_INPUT, **RAISING}


@pytest.mark.parametrize("name", ALL)
def test_floats_stay_floats_and_arrays_arrays(name: str) -> None:
    function, inside, _, _ = ALL[name]
    one = function(inside)
    assert type(one) is float
    assert math.isfinite(one)
    for shape in ((3,), (2, 2), (1,)):
        many = function(np.full(shape, inside))
        assert isinstance(many, np.ndarray)
        assert many.shape == shape
        assert many.dtype == np.float64
        np.testing.assert_allclose(many, one, rtol=1e-12)
    assert function(np.array([], dtype=np.float64)).shape == (0,)


@pytest.mark.parametrize("name", ALL)
def test_what_is_missing_stays_missing(name: str) -> None:
    function, inside, _, _ = ALL[name]
    assert math.isnan(function(math.nan))
    mixed = function(np.array([inside, math.nan, inside]))
    assert np.isnan(mixed).tolist() == [False, True, False]


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("side", ["below", "above"])
def test_nothing_is_extrapolated(name: str, side: str) -> None:
    function, inside, below, above = ALL[name]
    bad = below if side == "below" else above
    if bad is None:
        bad = -math.inf if side == "below" else math.nan
    if math.isnan(bad):
        assert math.isnan(function(bad))
        return
    with pytest.raises(PhysicsRangeError) as caught:
        function(bad)
    assert caught.value.place
    assert caught.value.value is not None
    assert caught.value.remedy
    with pytest.raises(PhysicsRangeError):
        function(np.array([inside, bad]))
    if name in ONE_INPUT:
        assert math.isnan(function(bad, outside="nan"))
        kept = function(np.array([inside, bad, inside]), outside="nan")
        assert np.isnan(kept).tolist() == [False, True, False]
        assert kept[0] == pytest.approx(function(inside), rel=1e-12)


def test_every_public_function_is_under_these_tests_or_named_here() -> None:
    tested = {name.split()[0] for name in ALL}
    elsewhere = {
        # built on the ones above, or tested by their own module's tests
        "activation_volts", "exchange_density_ma_cm2", "faradaic_efficiency", "gas_rate_lpm",
        "mol_s_from_lpm", "molar_mass", "ohmic_volts", "reference_condition", "rescaled_flow",
        "strongest_conductivity", "strongest_density_published", "strongest_published",
        "thermal_factor", "transfer_coefficient",
        "true_power", "vapour_power_w", "vapour_rate_g_s", "variable_area_factor_normal", "water_rate_g_s",
    }  # fmt: skip
    functions = {n for n in NAMES if inspect.isfunction(getattr(physics, n))}
    assert functions - tested - elsewhere == set()


def test_every_public_name_says_what_it_is() -> None:
    for name in NAMES:
        thing = getattr(physics, name)
        if inspect.isfunction(thing) or inspect.isclass(thing):
            text = thing.__doc__ or ""
            assert len(text) > 30, name
            # long ones have a section for it, short ones say their unit in the first paragraph
            assert "Parameters" in text or "[" in text or inspect.isclass(thing), name


def test_a_range_error_names_place_value_and_remedy_and_pickles() -> None:
    with pytest.raises(PhysicsRangeError) as caught:
        physics.psat_water(-4.0)
    text = str(caught.value)
    assert "psat_water" in text
    assert "0 to 373.946 degC" in text
    assert "-4.0" in text
    assert str(pickle.loads(pickle.dumps(caught.value))) == text


def test_open_ends_are_named_as_such() -> None:
    for low, high, words in ((0.0, math.inf, "0 s and above"), (-math.inf, 5.0, "up to 5 s")):
        with pytest.raises(PhysicsRangeError, match=words):
            within(-1.0 if low == 0.0 else 6.0, low, high, place="p", name="n", unit="s")
    assert within(3, -math.inf, math.inf, place="p", name="n", unit="") == 3.0
