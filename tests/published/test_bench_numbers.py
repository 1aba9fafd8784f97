"""MMW and Faradaic efficiency whole: propagated against Monte Carlo, and the trade's own yardstick.

The propagated uncertainty must lie within 2 % of a Monte Carlo of a million draws (JCGM 101), over a grid of
conditions with PWM among them. The model is the one the numbers mean: dry gas at a reference from a moist
flow, over the true mean power, and over what the mean current could make.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.physics.cell_voltage import mmw_ceiling_reversible, mmw_ceiling_thermoneutral
from daq.physics.faraday import faradaic_efficiency, gas_rate_lpm
from daq.physics.moist_gas import (
    ALTITUDE_PRESSURE_U_KPA,
    dry_flow_at_reference,
    pressure_from_altitude,
    psat_water,
    psat_water_slope,
)
from daq.physics.pwm import true_power
from daq.physics.reference import reference_condition
from daq.quantity import Quantity, Variable, combine, monte_carlo, propagate, specified
from tests.published.rectangles import two_level_mean

REFERENCE = reference_condition("0C_101.325kPa")
Draws = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """A bench at one condition; `duty` below 1 is PWM, sensed as mean volts and amps with the duty known."""

    flow: float
    gas_c: float
    kpa: float
    volts: float
    amps: float
    duty: float = 1.0
    dof: float = float("inf")
    flow_percent: float = 2.0

    @property
    def name(self) -> str:
        return f"{self.flow} L/min {self.gas_c} degC {self.kpa} kPa duty {self.duty} dof {self.dof}"


CASES = [
    Case(1.20, 22.0, 101.0, 13.2, 18.0),
    Case(0.35, 35.0, 84.6, 12.4, 6.5),
    Case(1.20, 45.0, 101.0, 13.2, 18.0),
    Case(1.20, 55.0, 79.5, 13.6, 20.0),
    Case(0.80, 25.0, 98.0, 13.8, 24.0, duty=0.5),
    Case(0.80, 40.0, 98.0, 13.8, 40.0, duty=0.3),
    Case(2.40, 30.0, 101.3, 13.8, 38.0, duty=0.9),
    Case(0.05, 22.0, 101.0, 10.2, 0.8, flow_percent=5.0),
    Case(1.20, 28.0, 101.0, 13.2, 18.0, dof=120.0),
]


def _inputs(case: Case) -> dict[str, Quantity]:
    """Readings with specification, resolution and noise, as a live window has them."""

    def read(value: float, unit: str, label: str, percent: float, digit: float, noise: float) -> Quantity:
        given = specified(value, unit, label=label, percent_of_reading=percent, counts=2, resolution=digit)
        return given + Quantity(0.0, noise, unit, dof=case.dof, label=f"{label}: noise")

    off = 9.0
    mean_volts = two_level_mean(case.volts, off, case.duty) if case.duty < 1.0 else case.volts
    mean_amps = case.duty * case.amps
    return {
        "flow": read(case.flow, "L/min", "flow", case.flow_percent, 0.001, 0.004 * case.flow),
        "factor": Quantity(1.0, 0.01, label="meter factor"),
        "gas_c": read(case.gas_c, "degC", "gas_temp", 0.0, 0.1, 0.2)
        + Quantity(0.0, 0.5, "degC", shape="rectangular"),
        "kpa": Quantity(case.kpa, ALTITUDE_PRESSURE_U_KPA, "kPa", label="room pressure"),
        "volts": read(float(np.asarray(mean_volts)), "V", "volts", 0.5, 0.01, 0.01),
        "amps": read(mean_amps, "A", "amps", 1.0, 0.01, 0.03),
        "duty": Quantity(case.duty, 0.002 if case.duty < 1.0 else 0.0, label="duty"),
        "off": Quantity(off, 0.3, "V", shape="rectangular", label="volts while off"),
    }


def _dry(flow: Draws, factor: Draws, gas_c: Draws, kpa: Draws) -> Draws:
    vapour = psat_water(np.clip(gas_c, 0.0, None))
    return np.asarray(
        dry_flow_at_reference(flow * factor, gas_c, kpa, vapour_kpa=vapour, reference=REFERENCE)
    )


def _power(case: Case, volts: Draws, amps: Draws, duty: Draws, off: Draws) -> Draws:
    if case.duty == 1.0:
        return volts * amps
    return amps * (volts - (1.0 - duty) * off) / duty


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_propagated_uncertainty_is_that_of_a_million_draws(case: Case) -> None:
    q = _inputs(case)
    dry = propagate(
        lambda f, k, t, p: dry_flow_at_reference(f * k, t, p, vapour_kpa=psat_water(t), reference=REFERENCE),
        q["flow"],
        q["factor"],
        q["gas_c"],
        q["kpa"],
        unit="L/min",
    )
    watts = propagate(
        lambda v, i, d, off: np.asarray(_power(case, v, i, d, off)),
        q["volts"],
        q["amps"],
        q["duty"],
        q["off"],
        unit="W",
    )
    mmw = (1000.0 * dry / watts).named("mL/min/W")
    could = q["amps"] * gas_rate_lpm(1.0, 6, reference=REFERENCE)
    efficiency = dry / could.named("L/min")

    inputs = [q[k] for k in ("flow", "factor", "gas_c", "kpa", "volts", "amps", "duty", "off")]

    def drawn_mmw(f: Draws, k: Draws, t: Draws, p: Draws, v: Draws, i: Draws, d: Draws, off: Draws) -> Draws:
        return 1000.0 * _dry(f, k, t, p) / _power(case, v, i, d, off)

    def drawn_efficiency(
        f: Draws, k: Draws, t: Draws, p: Draws, _v: Draws, i: Draws, _d: Draws, _off: Draws
    ) -> Draws:
        return np.asarray(faradaic_efficiency(_dry(f, k, t, p), i, 6, reference=REFERENCE))

    for quantity, model in ((mmw, drawn_mmw), (efficiency, drawn_efficiency)):
        got = monte_carlo(model, *inputs, draws=1_000_000, seed=20)
        assert quantity.value == pytest.approx(got.mean, abs=0.05 * got.u)
        # the requirement, of which the Monte Carlo's own standard error is 0.07 %
        assert quantity.u == pytest.approx(got.u, rel=0.02)
        # and U covers 95 %: a purely rectangular error needs only 0.95 sqrt(3) u of the 2 u
        half = 0.5 * (got.high - got.low)
        assert 0.98 * half < np.asarray(quantity.u95) < 2.0 / (0.95 * np.sqrt(3.0)) * 1.01 * half


def test_the_shared_current_makes_the_difference() -> None:
    # energy efficiency = Faradaic x voltage efficiency: the current cancels on the way, and forgetting that
    # would overstate its uncertainty
    flow = Quantity(1.2, 0.01, "L/min")
    amps, volts = Quantity(18.0, 0.36, "A"), Quantity(13.2, 0.02, "V")
    faradaic = flow / (amps * gas_rate_lpm(1.0, 6, reference=REFERENCE))
    watts = volts * amps
    energy = faradaic * (amps * 6 * 1.4812 / watts)
    direct = flow / volts
    assert energy.relative_u == pytest.approx(np.hypot(np.asarray(direct.relative_u), 0.36 / 18.0), rel=1e-9)


def test_unknown_waveform_costs_uncertainty() -> None:
    # PWM with the off-state volts unknown: the method's own uncertainty must cover the truth for any of them
    v_on, i_on, duty = 13.8, 20.0, 0.4
    for off in np.linspace(0.0, 12.0, 25):
        v = two_level_mean(v_on, float(off), duty)
        got = true_power(waveform="pulsed", volts_mean=v, amps_mean=duty * i_on, duty=duty)
        truth = duty * v_on * i_on
        assert np.asarray(got.low) - 1e-9 <= truth <= np.asarray(got.high) + 1e-9
        known = true_power(
            waveform="pulsed", volts_mean=v, amps_mean=duty * i_on, duty=duty, off_volts=(6.0, 9.0)
        )
        assert known.u_w <= np.asarray(got.u_w)


def test_vectorised_windows_agree_with_single_ones() -> None:
    windows = [(1.20, 22.0, 13.2, 18.0), (0.35, 35.0, 12.4, 6.5), (1.9, 48.0, 13.9, 27.0)]
    columns = np.array(windows).T

    def mmw(flow: Quantity, gas_c: Quantity, volts: Quantity, amps: Quantity) -> Quantity:
        vapour = combine(psat_water(gas_c.value), "kPa", [(psat_water_slope(gas_c.value), gas_c)])
        dry = propagate(
            dry_flow_at_reference, flow, gas_c, 101.0, vapour_kpa=vapour, reference=REFERENCE, unit="L/min"
        )
        return 1000.0 * dry / (volts * amps)

    def readings(flow: object, gas_c: object, volts: object, amps: object) -> Quantity:
        return mmw(
            specified(flow, "L/min", label="flow", percent_of_reading=2.0, absolute=0.01),  # type: ignore[arg-type]
            specified(gas_c, "degC", label="gas", absolute=0.5),  # type: ignore[arg-type]
            specified(volts, "V", label="volts", percent_of_reading=0.5, resolution=0.01),  # type: ignore[arg-type]
            specified(amps, "A", label="amps", percent_of_reading=1.0, resolution=0.01),  # type: ignore[arg-type]
        )

    many = readings(*columns)
    for k, window in enumerate(windows):
        one = readings(*window)
        assert np.asarray(many.value)[k] == pytest.approx(one.value, rel=1e-12)
        assert np.asarray(many.u)[k] == pytest.approx(one.u, rel=1e-8)
    # what the meters' accuracy leaves common to all windows does not average away
    mean = many.mean()
    assert mean.u > 0.9 * float(np.min(np.asarray(many.u)))
    assert all(isinstance(v, Variable) and v.common for v in mean.parts)


def test_common_practice_of_the_trade() -> None:
    # Common practice, no published source: a half-litre bottle over water fills in 22.7 s at 20 A and 11.55 V
    # on six cells; the trade says 1.32 L/min and 5.72 mL/min per watt.
    flow = np.asarray(0.06 * 500.0 / 22.7)
    assert flow == pytest.approx(1.32, abs=5e-3)
    watts = 20.0 * 11.55
    assert 1000.0 * flow / watts == pytest.approx(5.72, abs=5e-3)

    # What remains: invented room conditions, 21 degC water and gas, 98.2 kPa.
    dry = np.asarray(
        dry_flow_at_reference(flow, 21.0, 98.2, vapour_kpa=psat_water(21.0), reference=REFERENCE)
    )
    assert dry == pytest.approx(flow * (98.2 - 2.4877) / 101.325 * 273.15 / 294.15, rel=1e-4)
    assert 1000.0 * dry / watts == pytest.approx(5.018, abs=1e-3)
    efficiency = np.asarray(faradaic_efficiency(float(dry), 20.0, 6, reference=REFERENCE))
    assert efficiency == pytest.approx(0.924, abs=1e-3)
    # possible: below both ceilings, and below every electron making gas
    assert 1000.0 * dry / watts < np.asarray(mmw_ceiling_thermoneutral(45.0, REFERENCE))
    assert np.asarray(mmw_ceiling_thermoneutral(45.0, REFERENCE)) < np.asarray(
        mmw_ceiling_reversible(45.0, REFERENCE)
    )

    # The same bottle at 1600 m and filled with gas at 45 degC reads alike and holds a quarter less gas.
    high = np.asarray(
        dry_flow_at_reference(
            flow, 45.0, pressure_from_altitude(1600.0), vapour_kpa=psat_water(45.0), reference=REFERENCE
        )
    )
    assert high / dry == pytest.approx(0.716, abs=2e-3)
