"""The heat balance as a filter: temperature, capacity, loss and evaporation estimated together, as data come.

Two modes driven by the same heat, and the sensor behind them:

    dM/dt = c (Q - epsilon V(T)) - kappa dM (|dM| / 25 K)^gamma     the bench as a whole, dM = M - T_room
    dr/dt = beta c Q - r / tau                                      the stack before its reservoir
    dS/dt = (T - S) / lag,  T = M + r                               the sensor, late

Q = P - phi I V_tn is power less the gas' heating value, phi the share of the current that makes gas, V the vapour's power were the gas saturated at T. Stack and reservoir
joined by circulating lye have just these two modes where the joint is stiffer than the loss: a stack that
starts fast and bends is not yet one that settles. An extended Kalman filter, [1]: logarithms of what is
positive, steps exact for rates linear in temperature.

References
----------
.. [1] R. E. Kalman, J. Basic Eng. 82 (1960) 35, DOI 10.1115/1.3662552; extended by linearisation at the
   estimate.
.. [2] E. S. Page, Biometrika 41 (1954) 100, DOI 10.1093/biomet/41.1-2.100: the cumulative sum test.
"""

from __future__ import annotations

import math
from typing import Final, Literal, TypeAlias

import numpy as np

from daq.watch.runaway_model import FloatArray, RunawayConfig, Tables

__all__ = [
    "CAPACITY", "FARADAIC", "FAST", "FAST_SHARE", "FAST_TIME", "GAMMA", "KAPPA", "LAG", "MEAN", "REFERENCE_RISE_K",
    "ROOM", "SENSOR", "STATES", "VAPOUR", "Change", "ThermalFilter",
]  # fmt: skip

Change: TypeAlias = Literal["none", "changed", "leap"]

MEAN, FAST, SENSOR, CAPACITY, KAPPA, GAMMA, VAPOUR, ROOM, LAG, FAST_SHARE, FAST_TIME, FARADAIC = range(12)
STATES: Final = 12
REFERENCE_RISE_K: Final = 25.0

# Priors (judgement, no published source): what benches of this kind show.
_CAPACITY_SD: Final = 0.25
_RISE_SHARE: Final = 0.85
"""A limit is set a little above where the bench is meant to work: so far up it would stand, before data come."""
_RISE_MEDIAN_K: Final = 30.0
"""The same where there is no limit, or where the lye begins near it."""
_RISE_SD: Final = 0.6
_HEAT_SLOPE: Final = 0.02
"""Relative growth of the heat at a held voltage [1/K]."""
_GAMMA: Final = (0.12, 0.07)
"""0 is a fan's linear loss, 0.25 free convection; radiation lies between."""
_VAPOUR: Final = (0.7, 0.25)
_ROOM_UNKNOWN_SD: Final = 4.0
_ROOM_SAID_SD: Final = 1.5
_LAG: Final = (math.log(12.0), 1.0)
"""Sensor behind the lye [ln s]."""
_FAST_SHARE: Final = (0.6, 0.6)
_FAST_TIME: Final = (0.02, 0.7)
"""Of the bench's own time constant; its spread in the logarithm."""
_FARADAIC: Final = (0.97, 0.04)
_FLOW_SD: Final = 0.04
"""Of the share by a flow meter: its accuracy and steam left in the gas."""

# Walks, in standard deviation for a square-root hour
_WALK: Final = np.array([0.08, 0.05, 0.0, 0.02, 0.04, 0.0, 0.0, 0.7, 0.0, 0.05, 0.0, 0.01]) ** 2 / 3600.0
_WALK_ROOM_MEASURED: Final = 0.1**2 / 3600.0
_RATE_NOISE_S: Final = 2.0
_CUSUM_DRIFT: Final = 0.5
_CUSUM_LIMIT: Final = 9.0

_LOW: Final = np.full(STATES, -np.inf)
_HIGH: Final = np.full(STATES, np.inf)
_BOUNDED: Final = [GAMMA, VAPOUR, LAG, FAST_SHARE, FAST_TIME, FARADAIC]
_LOW[_BOUNDED] = -0.1, 0.0, math.log(0.5), 0.0, math.log(20.0), 0.3
_HIGH[_BOUNDED] = 0.5, 1.4, math.log(300.0), 4.0, math.log(5400.0), 1.0
_LEAP_K: Final = 0.4
_LEAP_SD: Final = 6.0
_EYE: Final = np.eye(STATES)


class ThermalFilter:
    """Extended Kalman filter of the heat balance; starts with the first bin that has temperature and
    power.
    """

    def __init__(self, tables: Tables, config: RunawayConfig) -> None:
        self.tables = tables
        self._room_said = config.room_temp_c
        self._limit_c = config.limit_c
        self._held_current = config.mode == "constant_current"
        self.x: FloatArray = np.zeros(STATES)
        self.p: FloatArray = np.zeros((STATES, STATES))
        self.started = False
        self.rate = 0.0
        self.room_measured = False
        self._up = self._down = 0.0
        self._sensor_rate = 0.0
        self.last_innovation = 0.0

    @property
    def lye_c(self) -> float:
        """The stack's temperature now [degC]."""
        return float(self.x[MEAN] + self.x[FAST])

    def start(self, lye_c: float, heat_w: float, room_c: float | None) -> None:
        """Set the priors from the first bin with heat."""
        c = 1.0 / self.tables.capacity_j_k
        room, room_sd = self._room_prior(lye_c, room_c)
        kappa = self._loss_prior(c * max(heat_w, 1.0), lye_c, room)
        self.x[:] = (
            lye_c, 0.0, lye_c, math.log(c), math.log(kappa), _GAMMA[0], _VAPOUR[0], room, _LAG[0],
            _FAST_SHARE[0], math.log(_FAST_TIME[0] / kappa), _FARADAIC[0],
        )  # fmt: skip
        warm = lye_c - room > 5.0
        sd = np.array([
            0.3, 1.5 if warm else 0.1, 0.1, _CAPACITY_SD, _RISE_SD, _GAMMA[1], _VAPOUR[1], room_sd, _LAG[1],
            _FAST_SHARE[1], _FAST_TIME[1], _FARADAIC[1],
        ])  # fmt: skip
        self.p = np.diag(sd**2)
        # Sensor and lye begin together.
        self.p[SENSOR, SENSOR] += sd[MEAN] ** 2
        self.p[MEAN, SENSOR] = self.p[SENSOR, MEAN] = sd[MEAN] ** 2
        self._clip()
        self.started = True

    def _room_prior(self, lye_c: float, room_c: float | None) -> tuple[float, float]:
        if room_c is not None:
            return room_c, 0.5
        if self._room_said is not None:
            return self._room_said, _ROOM_SAID_SD
        return min(lye_c, 22.0), _ROOM_UNKNOWN_SD

    def _loss_prior(self, heating: float, lye_c: float, room_c: float) -> float:
        rise = _RISE_MEDIAN_K
        if self._limit_c is not None:
            rise = max(_RISE_SHARE * (self._limit_c - room_c), lye_c - room_c, 10.0)
        grown = 1.0 if self._held_current else 1.0 + _HEAT_SLOPE * max(room_c + rise - lye_c, 0.0)
        return heating * grown / rise

    def predict(self, dt: float, watts: float, amps: float) -> None:
        """Carry the state over `dt` seconds of known power and current."""
        x = self.x
        c, kappa = math.exp(x[CAPACITY]), math.exp(x[KAPPA])
        lag, tau, share = math.exp(x[LAG]), math.exp(x[FAST_TIME]), float(x[FAST_SHARE])
        before = self.lye_c
        gas_w = amps * self.tables.gas_at(before)
        gas_amps = float(x[FARADAIC]) * amps
        heat_w = watts - float(x[FARADAIC]) * gas_w
        vapour, vapour_slope = self.tables.vapour_at(before)
        vapour, vapour_slope = gas_amps * vapour, gas_amps * vapour_slope
        rise = float(x[MEAN] - x[ROOM])
        size = max(abs(rise), 0.5) / REFERENCE_RISE_K
        shape = size ** float(x[GAMMA])
        loss = kappa * rise * shape
        loss_slope = kappa * (1.0 + float(x[GAMMA])) * shape
        net = heat_w - float(x[VAPOUR]) * vapour
        vaporises = c * float(x[VAPOUR]) * vapour_slope
        decay = vaporises + loss_slope
        # Exact for a rate that is linear in temperature over the step
        kept = math.exp(-decay * dt)
        dt_eff = (1.0 - kept) / decay if abs(decay) * dt > 1e-9 else dt
        f = _EYE.copy()
        mean, fast = f[MEAN], f[FAST]
        mean[MEAN], mean[FAST] = kept, -dt_eff * vaporises
        mean[CAPACITY], mean[VAPOUR] = dt_eff * c * net, -dt_eff * c * vapour
        mean[KAPPA], mean[GAMMA], mean[ROOM] = (
            -dt_eff * loss, -dt_eff * loss * math.log(size), dt_eff * loss_slope,
        )  # fmt: skip
        mean[FARADAIC] = -dt_eff * c * gas_w
        fading = math.exp(-dt / tau)
        pushed = c * heat_w * tau * (1.0 - fading)
        fast[FAST], fast[CAPACITY], fast[FAST_SHARE] = fading, share * pushed, pushed
        fast[FAST_TIME] = float(x[FAST]) * fading * dt / tau + share * (pushed - c * heat_w * dt * fading)
        if heat_w > 0.0:
            fast[FARADAIC] = -share * pushed / heat_w * gas_w
        x[MEAN] += dt_eff * (c * net - loss)
        x[FAST] = float(x[FAST]) * fading + share * pushed
        self.rate = (c * net - loss) * kept
        after = self.lye_c
        # The sensor follows a ramp
        late = math.exp(-dt / lag)
        a = lag / dt * (1.0 - late)
        sensor = float(x[SENSOR])
        f[SENSOR] = (1.0 - a) * (mean + fast)
        f[SENSOR, MEAN] += a - late
        f[SENSOR, FAST] += a - late
        f[SENSOR, SENSOR] = late
        f[SENSOR, LAG] = (a - late) * (before - after) + late * dt / lag * (sensor - before)
        x[SENSOR] = (1.0 - a) * after + (a - late) * before + late * sensor
        self._sensor_rate = (float(x[SENSOR]) - sensor) / dt
        p = f @ self.p @ f.T
        self.p = 0.5 * (p + p.T)
        d = _WALK * dt
        if self.room_measured:
            d[ROOM] = _WALK_ROOM_MEASURED * dt
        self.p.flat[:: STATES + 1] += d

    def _update(self, row: int, value: float, variance: float, gate: float) -> float:
        """Take a measurement of one state; returns the normalised innovation."""
        ph = self.p[row].copy()
        s = float(ph[row]) + variance
        e = value - float(self.x[row])
        z = e / math.sqrt(s)
        if abs(z) > gate:
            # A wild value counts as one at the gate: heavy tails instead of a cliff.
            e *= gate / abs(z)
        self.x += ph * (e / s)
        self.p -= ph[:, None] * (ph / s)
        self._clip()
        return z

    def _clip(self) -> None:
        np.minimum(np.maximum(self.x, _LOW, out=self.x), _HIGH, out=self.x)

    def measure(self, lye_c: float, variance: float, bin_s: float) -> Change:
        """Take a bin's mean temperature; says when innovations tell of a change, [2], or of a leap."""
        rate = max(-0.05, min(0.05, self._sensor_rate))
        # A bin's mean belongs to its middle, half a bin ago.
        value = lye_c + 0.5 * bin_s * rate
        variance += (_RATE_NOISE_S * rate) ** 2
        off = value - float(self.x[SENSOR])
        if -off > max(_LEAP_K, _LEAP_SD * math.sqrt(float(self.p[SENSOR, SENSOR]) + variance)):
            # No loss cools a stack so fast: other water has come in.
            self.loosen(t=1.5 * abs(off), fast=abs(off))
            self._update(SENSOR, value, variance, 4.0)
            return "leap"
        z = self._update(SENSOR, value, variance, 4.0)
        self.last_innovation = z
        z = max(-4.0, min(4.0, z))
        self._up = max(0.0, self._up + z - _CUSUM_DRIFT)
        self._down = max(0.0, self._down - z - _CUSUM_DRIFT)
        if max(self._up, self._down) > _CUSUM_LIMIT:
            self._up = self._down = 0.0
            return "changed"
        return "none"

    def measure_by_current(self, lye_c: float, sd: float) -> None:
        """Take the lye's temperature as the current tells it, while the sensor can not."""
        h = np.zeros(STATES)
        h[MEAN] = h[FAST] = 1.0
        ph = self.p @ h
        s = float(h @ ph) + sd**2
        self.x += ph * ((lye_c - self.lye_c) / s)
        self.p -= ph[:, None] * (ph / s)
        self._clip()

    def snapshot(self) -> tuple[FloatArray, FloatArray, float]:
        """What `restore` goes back to."""
        return self.x.copy(), self.p.copy(), self.rate

    def restore(self, snapshot: tuple[FloatArray, FloatArray, float]) -> None:
        """Go back to an earlier instant: what was measured since is forgotten."""
        x, p, self.rate = snapshot
        self.x, self.p = x.copy(), p.copy()
        self._up = self._down = 0.0

    def measure_faradaic(self, share: float) -> None:
        """Take the share of the current that a flow meter says made gas."""
        self._update(FARADAIC, min(share, 1.0), _FLOW_SD**2, 3.0)

    def measure_room(self, room_c: float) -> None:
        """Take the measured room temperature."""
        self.room_measured = True
        self._update(ROOM, room_c, 0.3**2, 5.0)

    def loosen(
        self, *, t: float = 0.0, fast: float = 0.0, capacity: float = 0.0, kappa: float = 0.0, room: float = 0.0
    ) -> None:
        """Forget: add these standard deviations to the estimates."""
        for i, sd in ((CAPACITY, capacity), (KAPPA, kappa), (ROOM, room), (FAST, fast)):
            self.p[i, i] += sd**2
        # Sensor and lye move together.
        both = np.ix_((MEAN, SENSOR), (MEAN, SENSOR))
        self.p[both] += t**2
        self._up = self._down = 0.0

    def sd(self, index: int) -> float:
        """Standard deviation of a state."""
        return math.sqrt(max(float(self.p[index, index]), 0.0))
