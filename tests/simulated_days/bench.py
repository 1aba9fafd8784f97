"""Days at a bench, simulated: series of runs of two builds, minute by minute, with numpy and nothing else.

It shares no code with the product and no form of its model. How the stack warms, what holds its supply, by
which law gas is lost, how the noise of neighbouring minutes goes together and from which distribution a day
comes are all drawn at random for each series; what a build changes is a factor on its gas, known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Minutes", "Series", "draw_series", "orders"]

Array = NDArray[np.float64]
GAS_ML_MIN_A = 10.454
"""Dry mixed gas of one cell at 0 degC and 101.325 kPa: 0.75 V_m/F, CODATA constants [mL/min/A]."""


@dataclass(frozen=True)
class Minutes:
    """One run, float64[n] each: lye [degC], current density [mA/cm2], volts per cell [V], share of the gas
    that the current could make [1], and gas for each watt [mL/min/W].
    """

    lye: Array
    density: Array
    cell_volts: Array
    faradaic: Array
    mmw: Array


@dataclass(frozen=True)
class Series:
    """How a bench is, for as long as two builds are compared on it."""

    supply: str
    thermal: str
    law: str
    noise_kind: str
    day_kind: str
    day_sd: float
    noise: float
    memory: float
    area_cm2: float
    amps: float
    tafel: float
    ohm_cm2: float
    lost: float
    tau_min: float
    rise: float
    room_c: float
    minutes: tuple[int, int]

    def day(self, rng: np.random.Generator) -> float:
        """The day's own factor on gas for each watt, as a logarithm, of standard deviation `day_sd`."""
        if self.day_kind == "normal":
            return float(rng.normal(0.0, self.day_sd))
        if self.day_kind == "uniform":
            return float(rng.uniform(-1.0, 1.0) * np.sqrt(3.0) * self.day_sd)
        # one that is mostly small and now and then large: 5 degrees of freedom have a variance of 5/3
        return float(rng.standard_t(5.0) * self.day_sd / np.sqrt(5.0 / 3.0))

    def run(self, rng: np.random.Generator, gas: float = 1.0) -> Minutes:
        """One run on a day of its own; `gas` is the build's factor on its gas."""
        n = int(rng.integers(*self.minutes))
        t = np.arange(n)
        swing = np.sin(6.28 * (t / rng.uniform(80.0, 400.0) + rng.random()))
        room = self.room_c + rng.normal(0.0, 1.5) + 1.5 * swing
        lye = self._lye(rng, room, t)
        amps = self._amps(rng, lye, t)
        density = 1000.0 * amps / self.area_cm2
        volts = (
            1.48 - 0.0008 * (lye - 25.0) + self.tafel * np.log(np.maximum(density, 0.5) / 0.5)
            + self.ohm_cm2 * (1.0 - 0.012 * (lye - 40.0)) * density / 1000.0
        )  # fmt: skip
        if self.supply == "volts":
            volts = np.full(n, 2.15) + 0.002 * self._wave(rng, n)
        made = gas * np.exp(self.day(rng)) * self._kept(lye, amps)
        made = made * np.exp(self.noise * self._wave(rng, n) + 0.5 * self.noise * rng.standard_normal(n))
        return Minutes(lye + 0.03 * rng.standard_normal(n), density, volts, made, made * GAS_ML_MIN_A / volts)

    def _lye(self, rng: np.random.Generator, room: Array, t: NDArray[np.intp]) -> Array:
        start, lye, plates = float(rng.uniform(0.0, 8.0)), np.empty(t.size), 0.0
        above = start
        for k in range(t.size):
            if self.thermal == "two masses":
                flow = (plates - above) / (0.4 * self.tau_min)
                plates += (self.rise - plates) / self.tau_min - 0.3 * flow
                above += flow - 0.1 * above / self.tau_min
            else:
                above += (self.rise - above) / self.tau_min
            lye[k] = room[k] + above
        return lye

    def _amps(self, rng: np.random.Generator, lye: Array, t: NDArray[np.intp]) -> Array:
        small = 1.0 + 0.002 * self._wave(rng, t.size)
        if self.supply == "volts":
            return np.asarray(self.amps * (1.0 + 0.011 * (lye - 40.0)) * small)
        if self.supply == "steps":
            return np.asarray(self.amps * (1.0 + 0.25 * np.sign(np.sin(6.28 * t / 25.0))) * small)
        return np.asarray(self.amps * small)

    def _kept(self, lye: Array, amps: Array) -> Array:
        warm = lye - 40.0
        if self.law == "leak":
            return np.asarray(1.0 - self.lost * self.amps / amps * np.exp(0.015 * warm))
        if self.law == "bend":
            return np.asarray(1.0 - self.lost - 0.0012 * warm - 2e-5 * warm**2)
        return np.asarray((1.0 - self.lost) / (1.0 + 0.01 * np.exp(0.05 * warm)))

    def _wave(self, rng: np.random.Generator, n: int) -> Array:
        """Noise of about unit variance that goes together from minute to minute."""
        drive = rng.standard_normal(n)
        if self.noise_kind == "bursts":
            drive = rng.standard_t(4.0, n) / np.sqrt(2.0)
        out = np.empty(n)
        out[0] = rng.standard_normal()
        for k in range(1, n):
            out[k] = self.memory * out[k - 1] + np.sqrt(1.0 - self.memory**2) * drive[k]
        if self.noise_kind == "ripple":
            phase = 6.28 * (np.arange(n) / rng.uniform(5.0, 12.0) + rng.random())
            out = np.sqrt(0.8) * out + np.sqrt(0.4) * np.sin(phase)
        return out


def draw_series(rng: np.random.Generator, day_sd: float, minutes: tuple[int, int] = (40, 90)) -> Series:
    """A bench drawn at random, whose days scatter by `day_sd`."""
    return Series(
        supply=str(rng.choice(["amps", "volts", "steps"])),
        thermal=str(rng.choice(["one mass", "two masses"])),
        law=str(rng.choice(["leak", "bend", "logistic"])),
        noise_kind=str(rng.choice(["plain", "bursts", "ripple"])),
        day_kind=str(rng.choice(["normal", "uniform", "tails"])),
        day_sd=day_sd,
        noise=float(rng.uniform(0.003, 0.012)),
        memory=float(rng.uniform(0.2, 0.85)),
        area_cm2=float(rng.uniform(60.0, 250.0)),
        amps=float(rng.uniform(5.0, 25.0)),
        tafel=float(rng.uniform(0.04, 0.09)),
        ohm_cm2=float(rng.uniform(0.3, 2.0)),
        lost=float(rng.uniform(0.01, 0.15)),
        tau_min=float(rng.uniform(15.0, 40.0)),
        rise=float(rng.uniform(10.0, 35.0)),
        room_c=float(rng.uniform(12.0, 28.0)),
        minutes=minutes,
    )


def orders(runs: int) -> str:
    """In which order builds are run: A B B A, then B A A B, and so on."""
    return ("ABBABAAB" * (runs // 8 + 1))[:runs]
