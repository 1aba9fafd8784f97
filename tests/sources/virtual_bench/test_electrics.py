"""Supply and stack as a circuit, against hand-worked means and against the equations themselves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.sources.virtual_bench.electrics import (
    CellCurve,
    chopped,
    overpotential_at_current,
    overpotential_at_voltage,
)

# A rectangular wave into a resistor, worked by hand: mean = D x peak, P = D x V x I.
RESISTIVE = [
    (0.5, 13.8, 20.0, 6.9, 10.0, 138.0),
    (0.3, 12.0, 30.0, 3.6, 9.0, 108.0),
    (0.9, 13.8, 20.0, 12.42, 18.0, 248.4),
]


@pytest.mark.parametrize(("duty", "volts", "amps", "mean_v", "mean_i", "power"), RESISTIVE)
def test_resistor_on_a_chopper(
    duty: float, volts: float, amps: float, mean_v: float, mean_i: float, power: float
) -> None:
    means = chopped(volts, duty, 0.0, volts / amps)
    # Plain arithmetic: rounding of doubles only.
    assert means.volts == pytest.approx(mean_v, rel=1e-12)
    assert means.amps == pytest.approx(mean_i, rel=1e-12)
    assert means.watts == pytest.approx(power, rel=1e-12)
    assert means.volts * means.amps == pytest.approx(duty * power, rel=1e-12)


def test_voltmeter_across_the_supply_makes_mean_times_mean_right() -> None:
    means = chopped(13.8, 0.5, 0.0, 0.69, sense="supply")
    assert means.volts == 13.8
    assert means.watts == pytest.approx(138.0, rel=1e-12)
    assert means.volts * means.amps == pytest.approx(means.watts, rel=1e-12)


def test_cell_with_back_emf_on_a_chopper() -> None:
    # EMF 9.0 V, 0.24 ohm, duty 0.4 on 13.8 V, worked by hand.
    means = chopped(13.8, 0.4, 9.0, 0.24)
    assert means.amps_on == pytest.approx(20.0, rel=1e-12)
    assert means.amps == pytest.approx(8.0, rel=1e-12)
    assert means.volts == pytest.approx(10.92, rel=1e-12)
    assert means.watts == pytest.approx(110.40, rel=1e-12)
    assert means.volts * means.amps == pytest.approx(87.36, rel=1e-12)


@given(
    duty=st.floats(0.05, 1.0),
    emf=st.floats(0.0, 12.0),
    ohms=st.floats(0.05, 2.0),
    lead=st.floats(0.0, 0.2),
    limit=st.floats(1.0, 80.0),
)
def test_means_are_those_of_the_sampled_wave(
    duty: float, emf: float, ohms: float, lead: float, limit: float
) -> None:
    means = chopped(13.5, duty, emf, ohms, lead_ohms=lead, amps_limit=limit)
    phase = (np.arange(20_000) + 0.5) / 20_000
    on = phase < duty
    i = np.where(on, min((13.5 - emf) / (ohms + lead), limit), 0.0)
    v = emf + i * ohms
    # The edge falls within one of 20,000 samples.
    assert means.amps == pytest.approx(float(i.mean()), abs=1e-4 * means.amps_on)
    assert means.volts == pytest.approx(float(v.mean()), abs=1e-4 * 13.5)
    assert means.watts == pytest.approx(float((v * i).mean()), abs=1e-4 * 13.5 * means.amps_on)


def test_a_supply_below_the_emf_gives_nothing() -> None:
    means = chopped(8.0, 1.0, 9.0, 0.24)
    assert (means.volts, means.amps, means.watts, means.limited) == (9.0, 0.0, 0.0, False)


def test_current_limit_lowers_the_volts_and_the_leads_take_theirs() -> None:
    means = chopped(13.8, 1.0, 9.0, 0.20, lead_ohms=0.02, amps_limit=10.0, sense="supply")
    assert means.limited
    assert means.volts == pytest.approx(9.0 + 10.0 * 0.22, rel=1e-12)
    assert means.watts - means.stack_watts == pytest.approx(10.0**2 * 0.02, rel=1e-9)


def cell(siemens: float = 0.5) -> CellCurve:
    return CellCurve(reversible=1.23, b=0.0713, exchange=2e-4, ohms=0.0075, siemens=siemens)


def test_tafel_slope() -> None:
    # Tafel's law: a decade of current for each 2.303 RT/(alpha F). At 0.5 V the other branch is below 1e-12.
    curve = cell()
    eta = 0.5
    decade = math.log(10.0) * curve.b
    assert curve.plate_amps(eta + decade) / curve.plate_amps(eta) == pytest.approx(10.0, rel=1e-6)


@given(
    volts=st.floats(0.5, 40.0),
    duty=st.floats(0.05, 1.0),
    lead=st.floats(0.0, 0.1),
    guess=st.floats(-2.0, 3.0),
    siemens=st.sampled_from([0.0, 0.05, 0.5, 3.0]),
)
def test_working_point_solves_the_circuit(
    volts: float, duty: float, lead: float, guess: float, siemens: float
) -> None:
    curve, cells = cell(siemens), 6
    eta = overpotential_at_voltage(curve, cells, volts, duty, lead, guess)
    amps_on = curve.amps(eta) / duty
    drop = cells * (curve.reversible + eta) + amps_on * (cells * curve.ohms + lead)
    assert drop == pytest.approx(volts, rel=1e-9)


@given(amps=st.floats(0.01, 200.0), guess=st.floats(-1.0, 3.0), siemens=st.sampled_from([0.0, 0.5]))
def test_working_point_at_a_current(amps: float, guess: float, siemens: float) -> None:
    curve = cell(siemens)
    assert curve.amps(overpotential_at_current(curve, amps, guess)) == pytest.approx(amps, rel=1e-9)


def test_below_the_reversible_voltage_only_the_leak_carries() -> None:
    curve = cell(0.5)
    eta = overpotential_at_voltage(curve, 6, 6.0, 1.0, 0.0, 0.3)
    emf = curve.reversible + eta
    assert curve.plate_amps(eta) == 0.0
    assert emf * (1.0 + 0.5 * curve.ohms) == pytest.approx(1.0, rel=1e-12)
    assert overpotential_at_current(cell(0.0), 0.0, 0.3) == 0.0
