"""What uncertainty costs a live window and a review, against the `uncertainties` library in the same run."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from uncertainties import ufloat

from daq.physics.constants import FARADAY
from daq.physics.moist_gas import psat_water, psat_water_slope
from daq.physics.reference import REFERENCE_CONDITIONS
from daq.quantity import Quantity, combine, specified, type_a_windows

REFERENCE = REFERENCE_CONDITIONS["0C_101.325kPa"]
CELLS = 6


def _seconds(work: Callable[[], object], times: int) -> float:
    """Best of five of the mean processor time of `work`."""
    best = float("inf")
    for _ in range(5):
        began = time.process_time()
        for _ in range(times):
            work()
        best = min(best, (time.process_time() - began) / times)
    return best


def _ours(flow: object, gas_c: object, kpa: object, volts: object, amps: object) -> tuple[Quantity, ...]:
    """MMW, Faradaic, voltage and energy efficiency, Wh/L, leak current, each with its uncertainty."""
    f = specified(flow, "L/min", label="flow", percent_of_reading=2.0, absolute=0.01)  # type: ignore[arg-type]
    t = specified(gas_c, "degC", label="gas", absolute=0.5)  # type: ignore[arg-type]
    p = specified(kpa, "kPa", label="room", absolute=0.3)  # type: ignore[arg-type]
    v = specified(volts, "V", label="volts", percent_of_reading=0.5, resolution=0.01)  # type: ignore[arg-type]
    i = specified(amps, "A", label="amps", percent_of_reading=1.0, resolution=0.01)  # type: ignore[arg-type]
    vapour = combine(psat_water(t.value), "kPa", [(psat_water_slope(t.value), t)])
    dry = (f * (p - vapour) / (t + 273.15) * (REFERENCE.t_k / REFERENCE.p_kpa)).named("L/min")
    watts = (v * i).named("W")
    could = i * (0.75 * CELLS * 60.0 * REFERENCE.molar_volume_l / FARADAY)
    faradaic = dry / could.named("L/min")
    voltage = CELLS * 1.4812 / v
    numbers = (
        1000.0 * dry / watts,
        faradaic,
        voltage,
        faradaic * voltage,
        watts / (dry * 60.0),
        (1.0 - faradaic) * i,
    )
    for number in numbers:
        _ = number.u95
    return numbers


def _theirs(flow: float, gas_c: float, kpa: float, volts: float, amps: float) -> list[float]:
    root3 = 3.0**0.5
    f = ufloat(flow, (0.02 * flow + 0.01) / root3)
    t = ufloat(gas_c, 0.5 / root3)
    p = ufloat(kpa, 0.3 / root3)
    v = ufloat(volts, 0.005 * volts / root3) + ufloat(0.0, 0.01 / (2.0 * root3))
    i = ufloat(amps, 0.01 * amps / root3) + ufloat(0.0, 0.01 / (2.0 * root3))
    vapour = float(np.asarray(psat_water(gas_c))) + float(np.asarray(psat_water_slope(gas_c))) * (t - gas_c)
    dry = f * (p - vapour) / (t + 273.15) * (REFERENCE.t_k / REFERENCE.p_kpa)
    watts = v * i
    faradaic = dry / (i * (0.75 * CELLS * 60.0 * REFERENCE.molar_volume_l / FARADAY))
    voltage = CELLS * 1.4812 / v
    numbers = (
        1000.0 * dry / watts,
        faradaic,
        voltage,
        faradaic * voltage,
        watts / (dry * 60.0),
        (1.0 - faradaic) * i,
    )
    return [2.0 * number.s for number in numbers]


WINDOW = (1.2, 24.0, 98.2, 13.2, 18.0)


def test_live_window() -> None:
    ours = [float(np.asarray(n.u95)) for n in _ours(*WINDOW)]
    np.testing.assert_allclose(ours, _theirs(*WINDOW), rtol=1e-6)
    mine = _seconds(lambda: _ours(*WINDOW), 200)
    other = _seconds(lambda: _theirs(*WINDOW), 200)
    print(f"\na window's six numbers: {mine * 1e3:.3f} ms, {other / mine:.1f} x as fast as uncertainties")


def test_many_windows() -> None:
    n = 2880
    rng = np.random.default_rng(1)
    columns = [np.asarray(x) * (1.0 + 0.02 * rng.standard_normal(n)) for x in WINDOW]
    mine = _seconds(lambda: _ours(*columns), 3)
    one = _seconds(lambda: _theirs(*WINDOW), 200)
    print(
        f"\n{n} windows: {mine * 1e3:.1f} ms, {n * one / mine:.0f} x as fast as one by one in uncertainties"
    )


def test_type_a_windows() -> None:
    # a day at 10 Hz, windows of 30 s, against numpy's plain mean and standard deviation of each
    n, length = 864_000, 300
    record = np.random.default_rng(2).standard_normal(n)
    edges = np.arange(0, n + 1, length)
    mine = _seconds(lambda: type_a_windows(record, edges, detrend=True), 1)
    plain = _seconds(
        lambda: (record.reshape(-1, length).mean(1), record.reshape(-1, length).std(1, ddof=1)), 1
    )
    print(
        f"\na day of noise evaluated in {mine * 1e3:.0f} ms, {mine / plain:.0f} x numpy's mean and deviation"
    )
