"""Between the truth and what a device sends: lag, systematic error, noise, range, quantisation, faults."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from daq.sources.virtual_bench.parameters import SensorParameters

__all__ = ["FAULT_KINDS", "HEAD_FIELDS", "METER_FIELDS", "Lag", "Sensor", "make_sensors"]

FAULT_KINDS = ("stuck", "open", "dead", "glitch", "drift")
"""What can go wrong with a sensor: it repeats its last value, says nothing (nan), reads 0, reads one wild
value once, or wanders off by so many units an hour."""

_BLOCK = (
    512  # noise is drawn in blocks: one call of the generator for each sample would cost more than the model
)


@dataclass(frozen=True, slots=True)
class _Kind:
    """How a field is measured, unless a scenario says otherwise."""

    noise: float
    resolution: float
    low: float = -math.inf
    high: float = math.inf


# Sizes such as small integrated current and temperature front ends have; no published source.
_KINDS = {
    "volts": _Kind(0.004, 0.001, 0.0, 65.0),
    "amps": _Kind(0.02, 0.001),
    "watts": _Kind(0.25, 0.01),
    "temp": _Kind(0.02, 0.01, -40.0, 125.0),
    "room": _Kind(0.02, 0.01, -40.0, 125.0),
    "flow": _Kind(0.006, 0.001, 0.0, 20.0),
    "gastemp": _Kind(0.02, 0.01, -40.0, 125.0),
    "pressure": _Kind(0.01, 0.01, 30.0, 120.0),
}
HEAD_FIELDS = ("volts", "amps", "watts", "temp", "room", "flow", "gastemp")
"""What the head measures, in the order in which it sends."""
METER_FIELDS = ("volts", "amps", "room", "pressure")
"""What the separate meter measures."""


class Lag:
    """A first-order lag, exact at any step.

    Parameters
    ----------
    seconds : float
        Time constant [s]; 0 is none.
    value : float
        Where it starts.
    """

    __slots__ = ("seconds", "value")

    def __init__(self, seconds: float, value: float) -> None:
        self.seconds = seconds
        self.value = value

    def follow(self, target: float, dt_s: float) -> float:
        """Advance by `dt_s` towards `target`, held meanwhile; returns the new value."""
        if self.seconds <= 0.0:
            self.value = target
        else:
            self.value += (target - self.value) * -math.expm1(-dt_s / self.seconds)
        return self.value


class Sensor:
    """One field of a device: true value in, sent value out.

    Its noise is a stream of its own, so that what one field draws does not change another.
    """

    __slots__ = (
        "_fault",
        "_glitch",
        "_kind",
        "_last",
        "_noise",
        "_since_s",
        "_value",
        "gain",
        "noise",
        "offset",
    )

    def __init__(
        self, kind: _Kind, seed: np.random.SeedSequence, noise: float, gain: float, offset: float
    ) -> None:
        self._kind = kind
        self._noise = _normals(np.random.default_rng(seed))
        self.noise, self.gain, self.offset = noise, gain, offset
        self._fault: str | None = None
        self._glitch: float | None = None
        self._value = 0.0
        self._since_s = 0.0
        self._last = 0.0

    def fail(self, fault: str, value: float = 0.0, at_s: float = 0.0) -> None:
        """Begin a fault.

        Parameters
        ----------
        fault : str
            One of `FAULT_KINDS`.
        value : float
            A glitch's reading [unit], or a drift's slope [unit/h]; of no account with others.
        at_s : float
            When a drift begins, in simulated time [s].
        """
        if fault == "glitch":
            self._glitch = value
            return
        self._fault, self._value, self._since_s = fault, value, at_s

    def heal(self) -> None:
        """End the fault."""
        self._fault = self._glitch = None

    def read(self, true: float, at_s: float) -> float:
        """What is sent for the true value; NaN where the sensor says nothing."""
        draw = next(self._noise)  # drawn in any case, so that a fault does not shift the noise after it
        if self._glitch is not None:
            glitch, self._glitch = self._glitch, None
            return glitch
        if self._fault == "open":
            return math.nan
        if self._fault == "dead":
            return 0.0
        if self._fault == "stuck":
            return self._last
        value = true * self.gain + self.offset + draw * self.noise
        if self._fault == "drift":
            value += self._value * (at_s - self._since_s) / 3600.0
        kind = self._kind
        value = min(max(value, kind.low), kind.high)
        # Rounded twice: the second only tidies what a multiple of 0.001 looks like in binary.
        self._last = round(round(value / kind.resolution) * kind.resolution, 6)
        return self._last


def make_sensors(
    fields: tuple[str, ...], parameters: SensorParameters, seed: np.random.SeedSequence
) -> dict[str, Sensor]:
    """A sensor for each field.

    Parameters
    ----------
    fields : tuple of str
        Names of the device's fields.
    parameters : SensorParameters
    seed : np.random.SeedSequence
        Equal seeds give equal noise.
    """
    sensors = {}
    for field, child in zip(fields, seed.spawn(len(fields)), strict=True):
        kind = _KINDS[field]
        if field == "amps":
            kind = _Kind(kind.noise, kind.resolution, -parameters.amps_max, parameters.amps_max)
        sensors[field] = Sensor(
            kind,
            child,
            parameters.noise.get(field, kind.noise),
            parameters.gain.get(field, 1.0),
            parameters.offset.get(field, 0.0),
        )
    return sensors


def _normals(generator: np.random.Generator) -> Iterator[float]:
    while True:
        yield from generator.standard_normal(_BLOCK).tolist()
