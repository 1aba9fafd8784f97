"""The heat balance as a filter: temperature, capacity, loss and evaporation estimated together, as data come.

Two modes driven by the same heat, and the sensor behind them::

    dM/dt = c (Q - epsilon V(T)) - kappa dM (|dM| / 25 K)^gamma     the bench as a whole, dM = M - T_room
    dr/dt = beta c Q - r / tau                                      the stack before its reservoir
    dS/dt = (T - S) / lag,  T = M + r                               the sensor, late
    d(delta) = -delta dt / tau_d + sigma_d sqrt(2 / tau_d) dW       the loss wanders: kappa exp(delta)
    d(nu) = -nu dt / tau_n + sigma_n sqrt(2 / tau_n) dW             what is read is S + nu

Q = P - phi I V_tn is power less the gas' heating value, phi the share of the current that makes gas, V the
vapour's power were the gas saturated at T. Stack and reservoir joined by circulating lye have just these two
modes where the joint is stiffer than the loss: a stack that starts fast and bends is not yet one that
settles. A bank of extended Kalman filters, [1], [3]: logarithms of what is positive, steps exact for rates
linear in temperature; each of the bank begins with other beliefs of the loss, the fast mode and the sensor's
lag, and counts by how well it predicted what was read. Beside them run a few hypotheses that the loss has
just changed at once, begun in turn: each is the bank's mean with that much more doubt of the loss.

References
----------
.. [1] R. E. Kalman, J. Basic Eng. 82 (1960) 35, DOI 10.1115/1.3662552; extended by linearisation at the
   estimate.
.. [2] E. S. Page, Biometrika 41 (1954) 100, DOI 10.1093/biomet/41.1-2.100: the cumulative sum test.
.. [3] D. L. Alspach, H. W. Sorenson, IEEE Trans. Autom. Control 17 (1972) 439, DOI 10.1109/TAC.1972.1100034:
   sums of Gaussians. From memory.
.. [4] G. E. Uhlenbeck, L. S. Ornstein, Phys. Rev. 36 (1930) 823, DOI 10.1103/PhysRev.36.823.
.. [5] R. K. Mehra, IEEE Trans. Autom. Control 17 (1972) 693, DOI 10.1109/TAC.1972.1100100.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from functools import lru_cache
from itertools import product
from typing import Final, Literal, TypeAlias

import numpy as np

from daq.forecast.config import FloatArray, RunawayConfig, Tables
from daq.forecast.experience import Experience
from daq.forecast.tuning import TUNING

__all__ = [
    "CAPACITY", "FARADAIC", "FAST", "FAST_SHARE", "FAST_SHARE_LEAST", "FAST_TIME", "GAMMA", "KAPPA", "LAG",
    "LOSS_OFF", "MEAN", "NOISE", "REFERENCE_RISE_K", "ROOM", "SENSOR", "STATES", "VAPOUR", "Change",
    "Snapshot", "ThermalFilter",
]  # fmt: skip

Snapshot: TypeAlias = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
Change: TypeAlias = Literal["none", "changed", "leap", "refused"]

(
    MEAN, FAST, SENSOR, CAPACITY, KAPPA, GAMMA, VAPOUR, ROOM, LAG, FAST_SHARE, FAST_TIME, FARADAIC, LOSS_OFF,
    NOISE,
) = range(14)  # fmt: skip
STATES: Final = 14
LASTING: Final = (CAPACITY, KAPPA, GAMMA, VAPOUR, LAG, FAST_SHARE, FAST_TIME, FARADAIC)
"""Those of `daq.forecast.experience.THERMAL_NAMES`, in its order."""
REFERENCE_RISE_K: Final = 25.0
FAST_SHARE_LEAST: Final = -0.7
"""Below 0 the lye is read behind the stack, as in the reservoir."""


_WALK: Final = np.zeros(STATES)
"""Of the variances [1/s]."""
_WALK[[MEAN, FAST, CAPACITY, KAPPA, ROOM, FAST_SHARE, FARADAIC]] = (
    np.square([
        TUNING.mean_walk, TUNING.fast_walk, TUNING.capacity_walk, TUNING.loss_walk, TUNING.room_walk,
        TUNING.fast_share_walk, TUNING.gas_share_walk,
    ]) / 3600.0
)  # fmt: skip

_LOW: Final = np.full(STATES, -np.inf)
_HIGH: Final = np.full(STATES, np.inf)
_BOUNDED: Final = [GAMMA, VAPOUR, LAG, FAST_SHARE, FAST_TIME, FARADAIC]
_LOW[_BOUNDED] = -0.1, 0.0, math.log(0.5), FAST_SHARE_LEAST, math.log(20.0), 0.3
_HIGH[_BOUNDED] = 0.5, 1.4, math.log(300.0), 4.0, math.log(5400.0), 1.0
_LAG_ONLY: Final = np.array([LAG])
_NOT_NOW: Final = np.array([CAPACITY, KAPPA, GAMMA, VAPOUR, LAG, FAST_SHARE, FAST_TIME])
_MOVED: Final = 3
"""Of the states the first, `MEAN`, `FAST` and `SENSOR`."""
_LOGS: Final = np.array([CAPACITY, KAPPA, LAG, FAST_TIME])
_BANK: Final = tuple(product(TUNING.losses, TUNING.fast_times, TUNING.lags))


@lru_cache(maxsize=64)
def _fading(dt: float, room_measured: bool) -> tuple[float, float, FloatArray, FloatArray, FloatArray]:
    """After `dt`: what is left of the loss' wandering, of the reading's, of all states, of each pair; what
    variances have grown by.
    """
    reverts, fades = math.exp(-dt / TUNING.loss_wander_s), math.exp(-dt / TUNING.sensor_wander_s)
    stays = np.ones(STATES)
    stays[LOSS_OFF], stays[NOISE] = reverts, fades
    walks = _WALK * dt
    if room_measured:
        walks[ROOM] = TUNING.room_measured_walk * dt
    walks[LOSS_OFF] = TUNING.loss_wander**2 * (1.0 - reverts**2)
    return reverts, fades, stays, np.outer(stays, stays), walks


class ThermalFilter:
    """The bank; starts with the first bin that has temperature and power.

    Attributes
    ----------
    x : array
        States by filter: ``(filters, STATES)``.
    p : array
        Their covariances: ``(filters, STATES, STATES)``.
    w : array
        What each filter counts for; sums to 1.
    """

    def __init__(self, tables: Tables, config: RunawayConfig) -> None:
        self.tables = tables
        self._room_stated = config.room_temp_c
        self._room_stated_sd = max(config.room_temp_u_c or TUNING.room_stated_sd, TUNING.room_measured_sd)
        self._experience = config.experience
        self._ignorant: FloatArray = np.ones(len(_BANK))
        self._limit_c = config.limit_c
        n = len(_BANK) + TUNING.jumps
        self.x: FloatArray = np.zeros((n, STATES))
        self.p: FloatArray = np.zeros((n, STATES, STATES))
        self.w: FloatArray = np.full(n, 1.0 / n)
        self.started = False
        self._rates: FloatArray = np.zeros(n)
        self.room_measured = False
        self._up = self._down = 0.0
        self._sensor_rate: FloatArray = np.zeros(n)
        self._lag_shows_s, self._mixing_s = TUNING.lag_shows_s, 0.0
        self._wander_sd: FloatArray = np.full(n, TUNING.sensor_wander_least)
        self._jump_in_s, self._jump_next = TUNING.jump_every_s, 0
        self._refused_s = self._apart_s = 0.0
        self._fell_s = math.inf
        self._heating: FloatArray = np.zeros(n)
        self.began_c = self.works_c = math.nan
        self._grown, self._growth_applies_s = 0.0, TUNING.growth_applies_s

    @property
    def lye_c(self) -> float:
        """The stack's temperature now [degC]."""
        return float(self.w @ (self.x[:, MEAN] + self.x[:, FAST]))

    @property
    def lye_sd(self) -> float:
        """Standard deviation of `lye_c` [K]; 0 before anything is known of it."""
        t = self.x[:, MEAN] + self.x[:, FAST]
        p = self.p[:, MEAN, MEAN] + self.p[:, FAST, FAST] + 2.0 * self.p[:, MEAN, FAST]
        return math.sqrt(max(float(self.w @ (p + (t - self.lye_c) ** 2)), 0.0))

    @property
    def rate(self) -> float:
        """How fast the bench as a whole warms [K/s]."""
        return float(self.w @ self._rates)

    @property
    def changing(self) -> float:
        """Probability that the loss has changed at once within the last minutes."""
        return float(self.w[len(_BANK) :].sum())

    def mean(self, index: int) -> float:
        """A state's mean over the bank."""
        return float(self.w @ self.x[:, index])

    def sd(self, index: int) -> float:
        """Standard deviation of a state over the bank."""
        mean = self.mean(index)
        return math.sqrt(max(float(self.w @ (self.p[:, index, index] + (self.x[:, index] - mean) ** 2)), 0.0))

    def start(self, lye_c: float, heat_w: float, room_c: float | None) -> None:
        """Set the priors from the first bin with heat: `grows` tells how it grows from there.

        Parameters
        ----------
        lye_c : float
            Lye temperature [degC].
        heat_w : float
            Power less what the gas takes with it [W].
        room_c : float, optional
            Room temperature [degC]; None takes what the bench file says, or a guess.
        """
        c = 1.0 / self.tables.capacity_j_k
        room, room_sd = _room_prior(lye_c, room_c, self._room_stated, self._room_stated_sd)
        rise = TUNING.rise_median_k
        if self._limit_c is not None:
            rise = max(TUNING.rise_share * (self._limit_c - room), lye_c - room, 10.0)
        kappa = c * max(heat_w, 1.0) / rise
        self.began_c, self.works_c = lye_c, max(room + rise, lye_c)
        warm = lye_c - room > 5.0
        for i, (loss, fast, lag) in enumerate(_BANK):
            self.x[i] = (
                lye_c, 0.0, lye_c, math.log(c), math.log(kappa) + loss[0], TUNING.gamma[0],
                TUNING.vapour[0], room, lag[0], TUNING.fast_share[0], math.log(fast[0] / kappa),
                TUNING.gas_share[0], 0.0, 0.0,
            )  # fmt: skip
            sd = np.array([
                0.3, 1.5 if warm else 0.1, 0.1, self.tables.capacity_sd, loss[1], TUNING.gamma[1],
                TUNING.vapour[1], room_sd, lag[1], TUNING.fast_share[1], fast[1], TUNING.gas_share[1],
                TUNING.loss_wander, TUNING.sensor_wander_least,
            ])  # fmt: skip
            self.p[i] = np.diag(sd**2)
            # Sensor and lye begin together.
            self.p[i, SENSOR, SENSOR] += sd[MEAN] ** 2
            self.p[i, MEAN, SENSOR] = self.p[i, SENSOR, MEAN] = sd[MEAN] ** 2
            self.w[i] = loss[2] * fast[2] * lag[2]
        self._ignorant = np.ones(len(_BANK))
        if self._experience is not None:
            self._remember(self._experience)
        for row in range(len(_BANK), len(self.x)):
            self._spawn(row)
        self.w /= self.w.sum()
        self._clip()
        self.started = True

    def _remember(self, earlier: Experience) -> None:
        """Let the filters of the first `Tuning.fast_times` begin with experience instead."""
        n = len(_BANK)
        rows = np.array([fast is TUNING.fast_times[0] for _, fast, _ in _BANK])
        own = np.array(LASTING)
        self.x[np.ix_(np.flatnonzero(rows), own)] = earlier.mean
        for row in np.flatnonzero(rows):
            self.p[np.ix_([row], own, own)] = earlier.covariance
        self._ignorant = np.where(rows, 0.0, 1.0)
        w = self.w[:n] / self.w[:n].sum()
        for some, share in ((rows, TUNING.experience_believed), (~rows, 1.0 - TUNING.experience_believed)):
            w[some] *= share / w[some].sum()
        self.w[:n] = w

    def lasting(self) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance over the bank of the states that belong to the bench, `LASTING`."""
        own = np.array(LASTING)
        x = self.x[:, own]
        mean = self.w @ x
        apart = x - mean
        within = np.tensordot(self.w, self.p[:, own[:, None], own], 1)
        return mean, within + (self.w[:, None] * apart).T @ apart

    def grows(self, dt: float, log_ratio: float) -> None:
        """How much more heat is made at `works_c` than was at `began_c` (logarithm), as it is learned.

        The loss is believed to be such that the stack settles about there: the more its heat grows, the
        larger. What the readings have told of the loss since weighs against that as it would have.
        """
        self._growth_applies_s -= dt
        if self._growth_applies_s <= 0.0:
            return
        shift = log_ratio - self._grown
        self._grown = log_ratio
        n = len(_BANK)
        believed = np.array([loss[1] ** 2 for loss, *_ in _BANK])
        moved = self.p[:n, :, KAPPA] * (self._ignorant * shift / believed)[:, np.newaxis]
        self.x[:n] += moved
        self.x[n:] += self.w[:n] @ moved / self.w[:n].sum()
        self._clip()

    def stirred(self) -> None:
        """The heat has changed at once, as at power-up or by another set-point: the sensor's lag shows."""
        self._lag_shows_s = TUNING.lag_shows_s

    def mixing(self) -> None:
        """Other water has come in: until it has mixed the course tells nothing of the stack itself."""
        self._mixing_s = TUNING.mixing_s

    def predict(self, dt: float, watts: float, amps: float) -> None:
        """Carry the state over a time of known power and current.

        Parameters
        ----------
        dt : float
            [s]
        watts, amps : float
            Means over it [W, A].
        """
        self._lag_shows_s = max(self._lag_shows_s - dt, 0.0)
        self._mixing_s = max(self._mixing_s - dt, 0.0)
        x = self.x
        slow, quick, sensor, _, _, gamma, vaporised, room, _, share, _, faradaic, loss_off, _ = x.T
        c, kappa, lag, tau = np.exp(x.T[_LOGS])
        before = slow + quick
        gas_volts, vapour_volts, vapour_slope = self.tables.at(before)
        gas_w = amps * gas_volts
        gas_amps = faradaic * amps
        heat_w = watts - faradaic * gas_w
        vapour = gas_amps * vapour_volts
        rise = slow - room
        log_size = np.log(np.maximum(np.abs(rise), 0.5) / REFERENCE_RISE_K)
        shape = kappa * np.exp(gamma * log_size + loss_off)
        loss = rise * shape
        loss_slope = shape + gamma * shape
        net = c * (heat_w - vaporised * vapour)
        vaporises = c * vaporised * gas_amps * vapour_slope
        decay = np.maximum(vaporises + loss_slope, 1e-9)
        late_by = dt / lag
        # Exact for a rate that is linear in temperature over the step
        kept, fading, late = np.exp(np.array([-decay * dt, -dt / tau, -late_by]))
        dt_eff = (1.0 - kept) / decay
        gives = dt_eff * c
        # Rows of those that move by others: all else stays, or fades by itself
        n = len(x)
        rows = np.zeros((_MOVED, STATES, n))
        mean, fast, seen = rows
        mean[MEAN] = kept
        mean[FAST] = -dt_eff * vaporises
        mean[CAPACITY] = dt_eff * net
        mean[VAPOUR] = -gives * vapour
        mean[KAPPA] = mean[LOSS_OFF] = cooling = -dt_eff * loss
        mean[GAMMA] = cooling * log_size
        mean[ROOM] = dt_eff * loss_slope
        mean[FARADAIC] = -gives * gas_w
        drive = c * tau * (1.0 - fading)
        propagated = drive * heat_w
        fast[FAST] = fading
        fast[CAPACITY] = stands = share * propagated
        fast[FAST_SHARE] = propagated
        fast[FAST_TIME] = dt * fading * (quick / tau - share * c * heat_w) + stands
        fast[FARADAIC] = -share * drive * gas_w
        rate = net - loss
        x[:, MEAN] = slow + dt_eff * rate
        x[:, FAST] = quick * fading + stands
        self._rates = rate * kept
        self._heating = c * heat_w * (1.0 + share)
        after = x[:, MEAN] + x[:, FAST]
        # The sensor follows a ramp
        a = (1.0 - late) / late_by
        follows, lags = 1.0 - a, a - late
        np.multiply(follows, mean + fast, out=seen)
        seen[:_MOVED] += lags
        seen[SENSOR] = late
        seen[LAG] = lags * (before - after) + late * late_by * (sensor - before)
        ends = follows * after + lags * before + late * sensor
        self._sensor_rate = (ends - sensor) / dt
        x[:, SENSOR] = ends
        # What wanders reverts, [4]
        _, fades, stays, both, walks = _fading(dt, self.room_measured)
        x *= stays
        f = np.ascontiguousarray(rows.transpose(2, 0, 1))
        moved = f @ self.p
        p = self.p * both
        p[:, :_MOVED, _MOVED:] = across = moved[:, :, _MOVED:] * stays[_MOVED:]
        p[:, _MOVED:, :_MOVED] = across.transpose(0, 2, 1)
        own = moved @ f.transpose(0, 2, 1)
        p[:, :_MOVED, :_MOVED] = 0.5 * (own + own.transpose(0, 2, 1))
        variances = p.reshape(n, -1)[:, :: STATES + 1]
        variances += walks
        variances[:, NOISE] += self._wander_sd**2 * (1.0 - fades**2)
        self.p = p

    def _update(self, row: int, value: FloatArray | float, variance: FloatArray | float, gate: float, *,
                weigh: bool = False) -> FloatArray:  # fmt: skip
        """Take a measurement of one state; returns the normalised innovations."""
        ph = self.p[:, row].copy()
        at = self.x[:, row]
        if row == SENSOR:
            # What is read is the sensor with its correlated noise.
            ph += self.p[:, NOISE]
            s = ph[:, SENSOR] + ph[:, NOISE] + variance
            at = at + self.x[:, NOISE]
        else:
            s = ph[:, row] + variance
        root = np.sqrt(s)
        held = _NOT_NOW if self._mixing_s > 0.0 else _LAG_ONLY if self._lag_shows_s <= 0.0 else None
        if held is not None:
            x_held, p_held = self.x[:, held], self.p[:, held[:, None], held]
        z = (value - at) / root
        # A wild value counts as one at the gate: heavy tails instead of a cliff.
        near = np.minimum(np.maximum(z, -gate), gate)
        self.x += ph * (near / root)[:, None]
        self.p -= ph[:, :, None] * (ph / s[:, None])[:, None, :]
        if held is not None:
            # Considered, not learned (Schmidt's filter): what it leaves uncertain stays with the others.
            self.x[:, held], self.p[:, held[:, None], held] = x_held, p_held
        self._clip()
        if weigh and self._mixing_s <= 0.0:
            # What of the noise is correlated is a state: innovations are independent, and count in full.
            log_w = np.log(self.w) - (0.5 * near**2 + np.log(root))
            w = np.exp(log_w - log_w.max())
            if held is not None:
                # What is believed of the lag does not change either.
                of_lag = w[: len(_BANK)].reshape(-1, len(TUNING.lags))
                before = self.w[: len(_BANK)].reshape(-1, len(TUNING.lags)).sum(0)
                of_lag *= before / before.sum() * of_lag.sum() / of_lag.sum(0)
            w = np.maximum(w / w.sum(), TUNING.least_weight)
            self.w = w / w.sum()
        return z

    def _clip(self) -> None:
        np.minimum(np.maximum(self.x, _LOW, out=self.x), _HIGH, out=self.x)

    def measure(self, lye_c: float, variance: float, bin_s: float) -> Change:
        """Take a bin's mean temperature; says when innovations tell of a change, [2], or of a leap.

        Parameters
        ----------
        lye_c : float
            The bin's mean [degC].
        variance : float
            Of that mean, from the reading's noise [K2].
        bin_s : float
            Length of the bin [s].
        """
        rate = np.minimum(np.maximum(self._sensor_rate, -0.05), 0.05)
        # A bin's mean belongs to its middle, half a bin ago.
        value = lye_c + 0.5 * bin_s * rate
        noise = variance + (TUNING.rate_noise_s * rate) ** 2
        best = int(self.w.argmax())
        off = float(value[best] - self.x[best, SENSOR] - self.x[best, NOISE])
        p = self.p[best]
        sd = math.sqrt(float(p[SENSOR, SENSOR] + p[NOISE, NOISE] + 2.0 * p[SENSOR, NOISE] + noise[best]))
        self._fell_s += bin_s
        if self._too_fast(off, sd, bin_s):
            return "refused"
        if -off > max(TUNING.leap_k, TUNING.leap_sd * sd):
            # No loss cools a stack so fast: other water has come in.
            self.mixing()
            self.inflate(t=1.5 * abs(off), fast=abs(off))
            self._update(SENSOR, value, noise, 4.0)
            self._fell_s = 0.0
            return "leap"
        all_z = self._update(SENSOR, value, noise, TUNING.sensor_gate, weigh=True)
        z = max(-4.0, min(4.0, float(all_z[best])))
        if self._lag_shows_s <= 0.0:
            # As loud as the innovations of each say, [5]
            grown = TUNING.sensor_wander_gain * (np.minimum(all_z * all_z, 6.0) - 1.0)
            loud = np.maximum(self._wander_sd * np.exp(grown), TUNING.sensor_wander_least)
            self._wander_sd = np.minimum(loud, TUNING.sensor_wander_most)
        self._jump(bin_s)
        self._up = max(0.0, self._up + z - TUNING.cusum_drift)
        self._down = max(0.0, self._down - z - TUNING.cusum_drift)
        # While a reading is loud, more of it is asked for.
        more = min(float(self._wander_sd[best]) / TUNING.loud_k, TUNING.louder_most)
        if max(self._up, self._down) > TUNING.cusum_limit * (1.0 + more):
            self._up = self._down = 0.0
            return "changed"
        return "none"

    def _spawn(self, row: int) -> None:
        """Let a row begin anew as the hypothesis that the loss has just changed at once, [3]."""
        n = len(_BANK)
        self.x[row], self.p[row] = self._merged()
        for state, sd in ((KAPPA, TUNING.jump_sd), (FARADAIC, TUNING.jump_share_sd)):
            self.p[row, state, state] += sd**2
        self._wander_sd[row] = float(self.w[:n] @ self._wander_sd[:n] / self.w[:n].sum())
        self.w[row] = TUNING.jump_every_s / TUNING.jump_once_s * float(self.w[:n].sum())

    def _jump(self, bin_s: float) -> None:
        """Take a hypothesis of a change over where it is all but sure, and begin the oldest anew."""
        n = len(_BANK)
        row = n + int(self.w[n:].argmax())
        if self.w[row] > TUNING.jump_sure:
            self.x[:n], self.p[:n], self._wander_sd[:n] = self.x[row], self.p[row], self._wander_sd[row]
            self.w[:n] /= self.w[:n].sum()
            for k in range(n, len(self.x)):
                self._spawn(k)
            self.w /= self.w.sum()
            self._jump_in_s = TUNING.jump_every_s
            self._up = self._down = 0.0
            return
        self._jump_in_s -= bin_s
        if self._jump_in_s > 0.0 or self._mixing_s > 0.0:
            return
        self._jump_in_s = TUNING.jump_every_s
        row = n + self._jump_next
        self._jump_next = (self._jump_next + 1) % TUNING.jumps
        if self.w[row] < 0.5:
            self._spawn(row)
            self.w /= self.w.sum()

    def _too_fast(self, off: float, sd: float, bin_s: float) -> bool:
        """Whether a reading has risen by more than all the heat could have warmed the stack.

        It is not believed for a while: a probe that is touched, or a bubble of hot gas, is no lye. After lye
        has leapt down it may well come back as fast.
        """
        if off <= TUNING.agrees_sd * sd:
            self._apart_s = self._refused_s = 0.0
            return False
        self._apart_s += bin_s
        if self._mixing_s > 0.0 or self._fell_s < TUNING.comes_back_s:
            self._refused_s = 0.0
            return False
        could = (
            off <= max(TUNING.leap_k, TUNING.leap_sd * sd)
            or off <= TUNING.faster * float(self.w @ self._heating) * self._apart_s
        )
        if self._refused_s == 0.0 and could:
            return False
        self._refused_s += bin_s
        if self._refused_s <= TUNING.refused_s:
            return True
        # It stays: then the lye has been as warm all along.
        self._refused_s = self._apart_s = 0.0
        self.inflate(t=1.5 * off, fast=off)
        return False

    def measure_by_current(self, lye_c: float, sd: float) -> None:
        """Take the lye's temperature as the current tells it, while the sensor can not."""
        ph = self.p[:, MEAN] + self.p[:, FAST]
        s = ph[:, MEAN] + ph[:, FAST] + sd**2
        self.x += ph * ((lye_c - self.x[:, MEAN] - self.x[:, FAST]) / s)[:, None]
        self.p -= ph[:, :, None] * (ph / s[:, None])[:, None, :]
        self._clip()

    def _merged(self) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance of the bank's mixture, without the hypotheses of a change."""
        n = len(_BANK)
        w = self.w[:n] / self.w[:n].sum()
        mean = w @ self.x[:n]
        apart = self.x[:n] - mean
        return mean, np.tensordot(w, self.p[:n], 1) + (w[:, None] * apart).T @ apart

    def fork(self) -> ThermalFilter:
        """One filter that knows what the bank does, to go a way of its own."""
        other = copy(self)
        best = int(self.w.argmax())
        mean, p = self._merged() if best < len(_BANK) else (self.x[best], self.p[best])
        other.x, other.p, other.w = mean[None, :].copy(), p[None, :].copy(), np.ones(1)
        other._wander_sd = np.array([float(self.w @ self._wander_sd)])
        other._rates, other._sensor_rate, other._heating = (
            np.array([float(self.w @ v)]) for v in (self._rates, self._sensor_rate, self._heating)
        )
        return other

    def complete(self) -> None:
        """Go on as the watch's own bank, with hypotheses of changes, after a way of its own."""
        n = len(_BANK) + TUNING.jumps
        self.x, self.p = np.repeat(self.x, n, 0), np.repeat(self.p, n, 0)
        self._wander_sd = np.repeat(self._wander_sd, n)
        self._rates, self._sensor_rate, self._heating = (
            np.repeat(v, n) for v in (self._rates, self._sensor_rate, self._heating)
        )
        self.w = np.full(n, 1.0 / n)
        for row in range(len(_BANK), n):
            self._spawn(row)
        self.w /= self.w.sum()

    @property
    def stage(self) -> tuple[float, float, bool]:
        """What `joined` filters have alike: how long they mix and show a lag yet, whether a room is read."""
        return self._mixing_s, self._lag_shows_s, self.room_measured

    @staticmethod
    def joined(filters: Sequence[ThermalFilter]) -> ThermalFilter:
        """Filters that were forked, of one `stage`, as one: they take the same heat and room."""
        one = copy(filters[0])
        one.x, one.p = np.concatenate([f.x for f in filters]), np.concatenate([f.p for f in filters])
        one._wander_sd = np.concatenate([f._wander_sd for f in filters])
        return one

    def part(self, filters: Sequence[ThermalFilter]) -> None:
        """Give each of those that were `joined` its own again."""
        for i, f in enumerate(filters):
            own = slice(i, i + 1)
            f.x, f.p = self.x[own], self.p[own]
            f._rates, f._sensor_rate, f._heating = (
                v[own] for v in (self._rates, self._sensor_rate, self._heating)
            )
            f._mixing_s, f._lag_shows_s, f.room_measured = self.stage

    def snapshot(self) -> Snapshot:
        """What `restore` goes back to."""
        return self.x.copy(), self.p, self.w, self._rates

    def restore(self, snapshot: Snapshot) -> None:
        """Go back to an earlier instant: what was measured since is forgotten."""
        x, p, self.w, self._rates = snapshot
        self.x, self.p = x.copy(), p.copy()
        self._up = self._down = 0.0

    def shift_faradaic(self, by: float) -> None:
        """The share of the current that makes gas has changed by so much, whatever the meter's own error."""
        self.x[:, FARADAIC] += by
        self._clip()

    def measure_faradaic(self, share: float) -> None:
        """Take the share of the current that a flow meter says made gas."""
        self._update(FARADAIC, min(share, 1.0), TUNING.share_read_sd**2, 3.0)

    def measure_room(self, room_c: float) -> None:
        """Take the measured room temperature."""
        self.room_measured = True
        self._update(ROOM, room_c, TUNING.room_read_sd**2, 5.0)

    def inflate(
        self,
        *,
        t: float = 0.0,
        fast: float = 0.0,
        capacity: float = 0.0,
        kappa: float = 0.0,
        room: float = 0.0,
    ) -> None:
        """Forget: add to the covariance, each as a standard deviation.

        Parameters
        ----------
        t : float
            Of lye and sensor together [K].
        fast : float
            Of the fast mode [K].
        capacity, kappa : float
            Of the logarithms of heat capacity and loss [1].
        room : float
            Of the room's temperature [K].
        """
        for i, sd in ((CAPACITY, capacity), (KAPPA, kappa), (ROOM, room), (FAST, fast)):
            self.p[:, i, i] += sd**2
        # Sensor and lye move together.
        self.p[:, (MEAN, MEAN, SENSOR, SENSOR), (MEAN, SENSOR, MEAN, SENSOR)] += t**2
        self._up = self._down = 0.0


def _room_prior(
    lye_c: float, measured_c: float | None, stated_c: float | None, stated_sd: float = TUNING.room_stated_sd
) -> tuple[float, float]:
    """The room's temperature [degC] and its standard deviation [K] before the stack was heard: judgement, no
    published source.

    Parameters
    ----------
    lye_c : float
        As first read [degC].
    measured_c, stated_c : float or None
        By a sensor, by the bench file [degC].
    stated_sd : float
        Of the latter [K].
    """
    if measured_c is not None:
        return measured_c, TUNING.room_measured_sd
    if stated_c is not None:
        return stated_c, stated_sd
    stood = min(max((TUNING.cold_c[1] - lye_c) / (TUNING.cold_c[1] - TUNING.cold_c[0]), 0.0), 1.0)
    apart = lye_c + TUNING.room_cold[0] - TUNING.room_unknown[0]
    # Mean and variance of the two together
    var = stood * TUNING.room_cold[1] ** 2 + (1.0 - stood) * (TUNING.room_unknown[1] ** 2 + stood * apart**2)
    return TUNING.room_unknown[0] + stood * apart, math.sqrt(var)
