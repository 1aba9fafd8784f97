"""What the sensors of a simulated bench read: wrong by a gain and an offset within their accuracy, and noisy.

An instrument's error is drawn once for a run (JCGM 101:2008, 6.4.2: what is known by its limits is uniform
between them) and stays. Noise is white and, for the flow, also goes together over seconds, as bubbles make
it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tests.simulated_bench.measure_plant import Array, History, buck_kpa

__all__ = ["ACCURACY", "Instruments", "Readings", "draw_instruments", "read"]

R_GAS = 8.314462618
ACCURACY = {
    "volts": (0.5, 0.02),
    "amps": (0.8, 0.03),
    "watts": (0.8, 0.3),
    "volts_rms": (0.5, 0.02),
    "amps_rms": (0.8, 0.03),
    "duty": (0.0, 0.005),
    "gas_flow": (1.5, 0.004),
    "gas_temp": (0.0, 0.5),
    "lye_temp": (0.0, 0.4),
    "room_temp": (0.0, 0.3),
    "room_pressure": (0.0, 0.15),
}
"""By channel: limits of error in % of reading and in its unit."""
NOISE = {
    "volts": 0.01,
    "amps": 0.02,
    "watts": 0.3,
    "volts_rms": 0.01,
    "amps_rms": 0.02,
    "duty": 0.001,
    "gas_flow": 0.01,
    "gas_temp": 0.05,
    "lye_temp": 0.04,
    "room_temp": 0.03,
    "room_pressure": 0.01,
}
RESOLUTION = {"volts": 0.005, "amps": 0.005, "lye_temp": 0.0625, "gas_flow": 0.001}


@dataclass(frozen=True)
class Instruments:
    """The sensors of one run."""

    power_by: str
    """``product``, ``watts``, ``supply``, ``duty``, ``duty_off`` or ``rms``."""
    wrong: dict[str, float]
    """Each channel's error as a share of its limit, -1 to 1."""
    factor: float
    """The flow meter's own, of which the bench file knows only that it is 1 with a standard uncertainty."""
    factor_u: float
    saturation: float
    correlation: float
    meter_c: float
    off_limits: tuple[float, float]
    seed: int


@dataclass(frozen=True)
class Readings:
    """Rows as sensors give them: times [s] and columns by channel."""

    t_s: Array
    columns: dict[str, Array] = field(repr=False)


def draw_instruments(rng: np.random.Generator, h: History, *, power_by: str) -> Instruments:
    """A set of sensors, wrong within what their accuracy lines allow."""
    hold = h.plant.cells * h.plant.off_volts_cell
    low = hold - float(rng.uniform(0.0, 0.12)) * h.plant.cells
    factor_u = float(rng.uniform(0.004, 0.012))
    return Instruments(
        power_by=power_by,
        wrong={name: float(rng.uniform(-1.0, 1.0)) for name in ACCURACY},
        factor=float(rng.normal(1.0, factor_u)),
        factor_u=factor_u,
        saturation=float(rng.uniform(0.95, 1.05)),
        correlation=float(rng.uniform(0.0, 0.8)),
        meter_c=float(rng.uniform(16.0, 34.0)),
        off_limits=(low, low + 0.12 * h.plant.cells),
        seed=int(rng.integers(0, 2**31)),
    )


def read(h: History, i: Instruments) -> Readings:
    """All channels, one row a second."""
    rng = np.random.default_rng(i.seed)
    p = h.plant
    meter_c = i.meter_c + 0.1 * (h.room_c - p.room_c)
    # moles of dry gas to litres a minute as they flow past the meter, wet, in the room's pressure
    vapour = i.saturation * np.array([buck_kpa(t) for t in meter_c])
    litres = h.gas_mol_s * R_GAS * (meter_c + 273.15) / (p.pressure_kpa - vapour) * 60.0
    steady_supply = h.volts_on if i.power_by == "supply" else h.volts
    truth = {
        "volts": steady_supply,
        "amps": h.amps,
        "watts": h.power_w,
        "volts_rms": h.volts_rms,
        "amps_rms": h.amps_rms,
        "duty": h.duty,
        "gas_flow": litres / i.factor,
        "gas_temp": meter_c,
        "lye_temp": h.lye_c,
        "room_temp": h.room_c,
        "room_pressure": np.full(h.t_s.size, p.pressure_kpa),
    }
    wanted = {"amps", "gas_flow", "gas_temp", "lye_temp", "room_temp", "room_pressure"} | {
        "product": {"volts"},
        "watts": {"volts", "watts"},
        "supply": {"volts"},
        "duty": {"volts", "duty"},
        "duty_off": {"volts", "duty"},
        "rms": {"volts", "volts_rms", "amps_rms"},
    }[i.power_by]
    columns = {}
    for name in sorted(wanted):
        percent, absolute = ACCURACY[name]
        x = truth[name]
        w = i.wrong[name]
        noise = rng.standard_normal(x.size)
        if name == "gas_flow":
            together = np.empty(x.size)
            last = 0.0
            root = math.sqrt(1.0 - i.correlation**2)
            for k in range(x.size):
                last = i.correlation * last + root * noise[k]
                together[k] = last
            noise = together
        shown = x * (1.0 + w * percent / 100.0) + w * absolute + NOISE[name] * noise
        step = RESOLUTION.get(name)
        columns[name] = shown if step is None else np.round(shown / step) * step
    return Readings(h.t_s, columns)
