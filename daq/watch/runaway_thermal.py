"""The heat balance as a filter: temperature, capacity, loss and evaporation estimated together, as data come.

State: lye temperature T, ln c (c = 1/C), ln kappa (kappa = 1/(R C) at 25 K over the room), gamma, epsilon,
T_room in

    dT/dt = c (Q - epsilon V(T)) - kappa dT (|dT| / 25 K)^gamma

Q is power less the gas' heating value, V the vapour's power were the gas saturated at T. An extended Kalman
filter: linear in T's noise, and in logarithms of what is positive.

References
----------
.. [1] R. E. Kalman, J. Basic Eng. 82 (1960) 35, DOI 10.1115/1.3662552; extended by linearisation at the
estimate. .. [2] E. S. Page, Biometrika 41 (1954) 100, DOI 10.1093/biomet/41.1-2.100: the cumulative sum
test.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from daq.watch.runaway_model import FloatArray, Tables

__all__ = ["CAPACITY", "GAMMA", "KAPPA", "LAG", "REFERENCE_RISE_K", "ROOM", "VAPOUR", "T", "ThermalFilter"]

T, CAPACITY, KAPPA, GAMMA, VAPOUR, ROOM, LAG = range(7)
STATES: Final = 7
REFERENCE_RISE_K: Final = 25.0

# Priors (judgement, no published source): what benches of this kind show.
_CAPACITY_SD: Final = 0.2
_RISE_MEDIAN_K: Final = 30.0
"""How far the first heat alone would lift the stack: benches are built to work within some tens of kelvin."""
_RISE_SD: Final = 0.8
_GAMMA: Final = (0.12, 0.07)
"""0 is a fan's linear loss, 0.25 free convection; radiation lies between."""
_VAPOUR: Final = (0.7, 0.25)
_ROOM_UNKNOWN_SD: Final = 4.0
_ROOM_SAID_SD: Final = 1.5
_LAG_S: Final = (12.0, 10.0)
"""Sensor behind the lye; a steady rise is read that much late."""
_NEWEST_S: Final = 10.0
"""A bin's mean belongs to its middle, half a bin ago."""

# Walks, in standard deviation for a square-root hour
_WALK_CAPACITY: Final = 0.02
_WALK_KAPPA: Final = 0.04
_WALK_ROOM: Final = 0.7
_WALK_T: Final = 0.08
_RATE_NOISE_S: Final = 2.0
_CUSUM_DRIFT: Final = 0.5
_CUSUM_LIMIT: Final = 9.0


_EYE: Final = np.eye(STATES)


class ThermalFilter:
    """Extended Kalman filter of the heat balance; starts with the first bin that has temperature and
    power.
    """

    def __init__(self, tables: Tables, room_said_c: float | None) -> None:
        self.tables = tables
        self._room_said = room_said_c
        self.x: FloatArray = np.zeros(STATES)
        self.p: FloatArray = np.zeros((STATES, STATES))
        self.started = False
        self.rate = 0.0
        self.room_measured = False
        self._up = self._down = 0.0
        self.last_innovation = 0.0

    def start(self, lye_c: float, heat_w: float, room_c: float | None) -> None:
        """Set the priors from the first bin with heat."""
        c = 1.0 / self.tables.capacity_j_k
        room, room_sd = self._room_prior(lye_c, room_c)
        kappa = max(heat_w, 1.0) * c / _RISE_MEDIAN_K
        self.x = np.array([lye_c, math.log(c), math.log(kappa), _GAMMA[0], _VAPOUR[0], room, _LAG_S[0]])
        sd = np.array([0.3, _CAPACITY_SD, _RISE_SD, _GAMMA[1], _VAPOUR[1], room_sd, _LAG_S[1]])
        self.p = np.diag(sd**2)
        self.started = True

    def _room_prior(self, lye_c: float, room_c: float | None) -> tuple[float, float]:
        if room_c is not None:
            return room_c, 0.5
        if self._room_said is not None:
            return self._room_said, _ROOM_SAID_SD
        return min(lye_c, 22.0), _ROOM_UNKNOWN_SD

    def predict(self, dt: float, heat_w: float, gas_amps: float) -> None:
        """Carry the state over `dt` seconds of known heat (power less gas) and gas-making current."""
        x = self.x
        c, kappa = math.exp(x[CAPACITY]), math.exp(x[KAPPA])
        vapour, vapour_slope = self.tables.vapour_at(x[T])
        vapour, vapour_slope = gas_amps * vapour, gas_amps * vapour_slope
        rise = x[T] - x[ROOM]
        size = max(abs(rise), 0.5) / REFERENCE_RISE_K
        shape = size ** x[GAMMA]
        loss = kappa * rise * shape
        loss_slope = kappa * (1.0 + x[GAMMA]) * shape
        net = heat_w - x[VAPOUR] * vapour
        decay = c * x[VAPOUR] * vapour_slope + loss_slope
        # Exact for a rate that is linear in T over the step
        dt_eff = -math.expm1(-decay * dt) / decay if abs(decay) * dt > 1e-9 else dt
        f = _EYE.copy()
        f[T] = (
            math.exp(-decay * dt),
            dt_eff * c * net,
            -dt_eff * loss,
            -dt_eff * loss * math.log(size),
            -dt_eff * c * vapour,
            dt_eff * loss_slope,
            0.0,
        )
        x[T] += dt_eff * (c * net - loss)
        self.rate = (c * net - loss) * math.exp(-decay * dt)
        self.p = f @ self.p @ f.T
        hours = dt / 3600.0
        walk_room = 0.1 if self.room_measured else _WALK_ROOM
        d = np.array([_WALK_T, _WALK_CAPACITY, _WALK_KAPPA, 0.0, 0.0, walk_room, 0.0]) ** 2 * hours
        self.p[np.diag_indices(STATES)] += d

    def _update(self, h: FloatArray, value: float, variance: float, gate: float) -> float:
        """Take a measurement ``h x``; returns the normalised innovation."""
        ph = self.p @ h
        s = float(h @ ph) + variance
        e = value - float(h @ self.x)
        z = e / math.sqrt(s)
        if abs(z) > gate:
            # A wild value counts as one at the gate: heavy tails instead of a cliff.
            e *= gate / abs(z)
        gain = ph / s
        self.x += gain * e
        self.p -= np.outer(gain, ph)
        self.p = 0.5 * (self.p + self.p.T)
        return z

    def measure(self, lye_c: float, variance: float) -> bool:
        """Take the measured temperature; True when innovations say that something has changed, [2]."""
        h = np.zeros(STATES)
        rate = max(-0.05, min(0.05, self.rate))
        h[T], h[LAG] = 1.0, -rate
        z = self._update(h, lye_c + rate * _NEWEST_S, variance + (_RATE_NOISE_S * rate) ** 2, 4.0)
        self.x[LAG] = max(float(self.x[LAG]), 0.0)
        self.last_innovation = z
        z = max(-4.0, min(4.0, z))
        self._up = max(0.0, self._up + z - _CUSUM_DRIFT)
        self._down = max(0.0, self._down - z - _CUSUM_DRIFT)
        if max(self._up, self._down) > _CUSUM_LIMIT:
            self._up = self._down = 0.0
            return True
        return False

    def measure_room(self, room_c: float) -> None:
        """Take the measured room temperature."""
        self.room_measured = True
        self._update(_EYE[ROOM], room_c, 0.3**2, 5.0)

    def loosen(self, *, t: float = 0.0, capacity: float = 0.0, kappa: float = 0.0, room: float = 0.0) -> None:
        """Forget: add these standard deviations to the estimates."""
        self.p[np.diag_indices(STATES)] += np.array([t, capacity, kappa, 0.0, 0.0, room, 0.0]) ** 2
        self._up = self._down = 0.0

    def sd(self, index: int) -> float:
        """Standard deviation of a state."""
        return math.sqrt(max(float(self.p[index, index]), 0.0))
