"""What the supply holds, and how the current follows the temperature: learned as data come.

At a held voltage ``I = I_ref (1 + q x)^(alpha / q)``, x the temperature over a reference: alpha is the
relative slope there, and 1/alpha grows by q/alpha for each kelvin, as the overvoltage is spent more on
resistance. At a held current the voltage falls with temperature instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from daq.forecast.config import FloatArray, RunawayConfig
from daq.forecast.experience import CURRENT_AT_C
from daq.forecast.tuning import TUNING

__all__ = ["BeyondRange", "CurrentLaw", "LawSnapshot", "Regulated"]

Regulated = Literal["voltage", "current"]
LawSnapshot: TypeAlias = tuple[FloatArray, FloatArray, float]

_LEAST_AMPS: Final = 1e-6


@dataclass(slots=True)
class _Snapshot:
    t: float
    log_amps: float
    volts: float


def _bend(t: float) -> float:
    """q with the reference at a temperature [1/K]."""
    return TUNING.bend[0] / max(1.0 + TUNING.bend[0] * (t - TUNING.bend_at_c), 0.5)


def _slopes(x: float, alpha: float, q: float) -> FloatArray:
    """Of ln I over (ln I_ref, alpha, q, what the current wanders)."""
    g = max(1.0 + q * x, 0.2)
    return np.array([1.0, math.log(g) / q, alpha / q * (x / g - math.log(g) / q), 1.0])


def _log(amps: float) -> float:
    """Of a current that may read zero or less."""
    return math.log(max(amps, _LEAST_AMPS))


class CurrentLaw:
    """Recursive estimate of (ln I_ref, alpha, q, d) and of what is held.

    ``ln I`` is what the law says plus d, an Ornstein-Uhlenbeck process: bubbles and wetted area
    wander, and come back. The stack's volts sag by leads, ``d ln V = -sag d ln I``, learned beside it.
    """

    def __init__(self, config: RunawayConfig) -> None:
        self._cells = config.cells
        self.regulated: Regulated = "current" if config.mode == "constant_current" else "voltage"
        self.pulsed = config.mode == "pwm"
        self.x: FloatArray = np.array([0.0, TUNING.slope[0], TUNING.bend[0], 0.0])
        self.p: FloatArray = np.diag([1.0, TUNING.slope[1] ** 2, TUNING.bend[1] ** 2, TUNING.amps_wander**2])
        self._earlier = config.experience
        sag, sag_sd = (TUNING.sag, TUNING.sag_sd) if self._earlier is None else self._earlier.sag
        self.sag: FloatArray = np.array([0.0, sag])
        self.sag_p: FloatArray = np.diag([1.0, sag_sd**2])
        self.t_ref = math.nan
        self.volts = math.nan
        self.volts_slope = TUNING.volts_slope[0]
        self.volts_slope_var = TUNING.volts_slope[1] ** 2
        self.amps = math.nan
        self.t_now = math.nan
        self.cap = config.amps_max
        self.cap_exceeded = False
        self.high_t = math.nan
        self._off = 0.0
        self._snap: _Snapshot | None = None
        self._smooth: _Snapshot | None = None
        self._against = 0
        self._stated = self.regulated == "current"
        self._last: tuple[float, float] | None = None

    def restart(self, t: float, amps: float, volts: float, *, keep_slope: bool) -> None:
        """Begin anew at a temperature: after a change of set-point, or at power-up.

        Parameters
        ----------
        t : float
            Lye temperature [degC].
        amps : float
            Mean current [A].
        volts : float
            Stack's voltage [V].
        keep_slope : bool
            Whether to keep what was learned of the current's rise with temperature, less surely.
        """
        if math.isnan(self.t_ref) or not keep_slope:
            slope, bend, slope_sd, bend_sd = TUNING.slope[0], _bend(t), TUNING.slope[1], TUNING.bend[1]
            if self._earlier is not None and self._earlier.current is not None:
                slope, bend, slope_sd, bend_sd = self._earlier.current
                shrunk = 1.0 / max(1.0 + bend * (t - CURRENT_AT_C), 0.3)
                slope, bend, slope_sd, bend_sd = (v * shrunk for v in (slope, bend, slope_sd, bend_sd))
            self.x = np.array([_log(amps), slope, bend, 0.0])
            self.p = np.diag([0.3**2, slope_sd**2, bend_sd**2, TUNING.amps_wander**2])
        else:
            raised = 0.0 if math.isnan(self.volts) else (volts - self.volts) / self._cells
            self._refer_to(t, _log(amps))
            self.x[1] *= math.exp(min(max(TUNING.slope_by_volts[0] * raised, -0.5), 0.5))
            self.p[0, 0] = 0.3**2
            self.p[1, 1] += ((TUNING.slope_after + TUNING.slope_by_volts[1] * abs(raised)) * self.x[1]) ** 2
            self.p[2, 2] += (TUNING.slope_after * self.x[2]) ** 2
        self.t_ref = t
        self.high_t = t
        self._off = 0.0
        self._snap = self._smooth = None
        self._against = 0
        self.volts = math.nan
        self.sag_p[0, :] = self.sag_p[:, 0] = 0.0
        self.sag_p[0, 0] = 1.0

    def _refer_to(self, t: float, log_amps: float) -> None:
        """The same slope and bend with another reference; of the current there nothing is known."""
        shrunk = 1.0 / max(1.0 + float(self.x[2]) * (t - self.t_ref), 0.3)
        scale = np.array([0.0, shrunk, shrunk, 0.0])
        self.x = np.array([log_amps, shrunk * self.x[1], shrunk * self.x[2], 0.0])
        self.p = self.p * np.outer(scale, scale)
        self.p[3, 3] = TUNING.amps_wander**2
        self.t_ref = t

    def temperature(self, amps: float, learned: LawSnapshot | None = None) -> tuple[float, float] | None:
        """The lye's temperature by what the stack draws at a held voltage, as it was `learned`, and its
        standard deviation [K]; None where the current does not tell it, as where none flows.
        """
        known, p, _ = self.snapshot() if learned is None else learned
        alpha, q = float(known[1]), float(known[2])
        if self.regulated == "current" or math.isnan(self.t_ref) or alpha < 0.006 or self.capped(amps):
            return None
        grown = _log(amps) - float(known[0]) - float(known[3])
        x = (math.exp(q / alpha * grown) - 1.0) / q
        h = _slopes(x, alpha, q)
        spread = math.sqrt(float(h @ p @ h) + TUNING.amps_noise**2) * (1.0 + q * x) / alpha
        return self.t_ref + x, max(spread, 0.3)

    def drawn(self, t: float) -> float:
        """The current at a temperature, at the held voltage, as learned so far [A]."""
        alpha, q = float(self.x[1]), float(self.x[2])
        grown = math.log(max(1.0 + q * (t - self.t_ref), 0.2)) * alpha / q
        return math.exp(float(self.x[0]) + float(self.x[3]) + grown)

    def growth(self, from_c: float, to_c: float) -> float:
        """Logarithm of the current at one temperature over that at a lower one, as learned so far; not less
        than most stacks have.
        """
        if self.regulated == "current":
            return 0.0
        learned = _log(self.drawn(to_c) / self.drawn(from_c))
        return max(learned, math.log1p(TUNING.growth_least * (to_c - from_c)))

    def capped(self, amps: float) -> bool:
        """Whether the supply's limit may hold the current rather than the stack."""
        return self.cap is not None and not self.cap_exceeded and amps > 0.97 * self.cap

    def slope_at(self, t_c: float) -> tuple[float, float, float, float] | None:
        """Slope and bend of the current with the reference at a temperature [1/K], and their standard
        deviations; None where the voltage is not held.
        """
        if self.regulated == "current" or math.isnan(self.t_ref):
            return None
        alpha, q = float(self.x[1]), float(self.x[2])
        shrunk = 1.0 / max(1.0 + q * (t_c - self.t_ref), 0.3)
        return (
            shrunk * alpha,
            shrunk * q,
            shrunk * math.sqrt(max(float(self.p[1, 1]), 0.0)),
            shrunk * math.sqrt(max(float(self.p[2, 2]), 0.0)),
        )

    def snapshot(self) -> LawSnapshot:
        """What `restore` goes back to."""
        return self.x.copy(), self.p.copy(), self.t_ref

    def restore(self, snapshot: LawSnapshot) -> None:
        """Go back to what was learned earlier, unless the set-point has stepped since."""
        if snapshot[2] == self.t_ref:
            self.x, self.p = snapshot[0].copy(), snapshot[1].copy()

    def update(
        self, dt: float, t: float, amps: float, watts: float, *, t_sd: float = 0.0, learn: bool = True
    ) -> bool:
        """Take a bin; True when the set-point has stepped.

        Parameters
        ----------
        dt : float
            Length of the bin [s].
        t : float
            Lye temperature [degC].
        amps, watts : float
            Mean current and power [A, W].
        t_sd : float
            Standard deviation of `t` [K].
        learn : bool
            Whether to learn from it; without, only a step of the set-point is looked for.
        """
        amps = max(amps, _LEAST_AMPS)
        volts, log_amps = watts / amps, math.log(amps)
        stepped = False
        if math.isnan(self.t_ref):
            self.restart(t, amps, volts, keep_slope=False)
        elif self._last is not None:
            d_volts = volts / self._last[0] - 1.0
            d_amps = log_amps - self._last[1]
            if (abs(d_volts) > TUNING.step_share and abs(d_amps) > TUNING.step_share) or abs(d_amps) > 0.08:
                self.restart(t, amps, volts, keep_slope=True)
                stepped = True
        self._last = (volts, log_amps)
        self.t_now, self.amps = t, amps
        self.volts = volts if math.isnan(self.volts) else self.volts + 0.25 * (volts - self.volts)
        if self.cap is not None and amps > 1.03 * self.cap:
            self.cap_exceeded = True
        if learn or stepped:
            self.high_t = max(self.high_t, t)
            self._learn(dt, t, t_sd, log_amps)
            self._sags(dt, t, volts)
            self._look(t, log_amps, volts)
        return stepped

    def _learn(self, dt: float, t: float, t_sd: float, log_amps: float) -> None:
        if self.regulated == "current":
            self.x[0] = log_amps
            return
        hours = dt / 3600.0
        self.p[0, 0] += 0.006**2 * hours
        self.p[1, 1] += (0.03 * self.x[1]) ** 2 * hours
        reverts = math.exp(-dt / TUNING.amps_wander_s)
        self.x[3] *= reverts
        self.p[3] *= reverts
        self.p[:, 3] *= reverts
        self.p[3, 3] += TUNING.amps_wander**2 * (1.0 - reverts**2)
        x = t - self.t_ref
        alpha, q = float(self.x[1]), float(self.x[2])
        g = max(1.0 + q * x, 0.2)
        predicted = math.log(self.drawn(t))
        h = _slopes(x, alpha, q)
        ph = self.p @ h
        s = float(h @ ph) + TUNING.amps_noise**2 + (alpha / g * t_sd) ** 2
        e = log_amps - predicted
        self._off += TUNING.off_gain * (e - self._off)
        if abs(self._off) > TUNING.off_most * math.sqrt(s):
            # Another current than at that temperature before: a leak, or stronger lye. Its slope is the same.
            self._refer_to(t, log_amps)
            self.p[0, 0] = self._off**2
            self._off = 0.0
            return
        limit = 5.0 * math.sqrt(s)
        gain = ph / s
        self.x += gain * max(-limit, min(limit, e))
        self.p -= np.outer(gain, ph)
        self.p = 0.5 * (self.p + self.p.T)
        self.x[1] = min(max(self.x[1], 0.0), 0.08)
        self.x[2] = min(max(self.x[2], 0.002), 0.05)

    def _sags(self, dt: float, t: float, volts: float) -> None:
        """Regress the stack's volts on the current as the law says it: noise of the current is no sag."""
        if self.regulated == "current" or volts <= 0.0:
            return
        h = -math.log(max(self.drawn(t), _LEAST_AMPS))
        (a, b), (_, c) = self.sag_p.tolist()
        level, sag = self.sag.tolist()
        c += TUNING.sag_walk**2 * dt / 3600.0
        p, q = a + b * h, b + c * h
        s = p + h * q + TUNING.sag_noise**2
        e = (math.log(volts) - level - h * sag) / s
        self.sag[:] = level + p * e, sag + q * e
        self.sag_p[:] = (a - p * p / s, b - p * q / s), (b - p * q / s, c - q * q / s)

    def _look(self, t: float, log_amps: float, volts: float) -> None:
        """Compare with a kelvin ago: which of the two moved? It takes more than one such look to overturn."""
        s = self._smooth
        if s is None or self._snap is None:
            self._smooth = _Snapshot(t, log_amps, volts)
            self._snap = _Snapshot(t, log_amps, volts)
            return
        s.t += TUNING.supply_smooth * (t - s.t)
        s.log_amps += TUNING.supply_smooth * (log_amps - s.log_amps)
        s.volts += TUNING.supply_smooth * (volts - s.volts)
        d_t = s.t - self._snap.t
        if abs(d_t) < TUNING.supply_look_k:
            return
        by_voltage = (s.log_amps - self._snap.log_amps) / (d_t * TUNING.slope[0])
        by_current = -(s.volts / self._snap.volts - 1.0) / (d_t * TUNING.volts_slope[0])
        enough = TUNING.supply_looks_stated if self._stated else TUNING.supply_looks
        if by_voltage > 0.4:
            self._against = self._against + 1 if self.regulated == "current" else 0
            if self._against >= enough:
                self.regulated, self._stated = "voltage", False
                self.restart(t, math.exp(log_amps), volts, keep_slope=True)
                return
        elif by_voltage < 0.2 and by_current > 0.4:
            self._against = self._against + 1 if self.regulated == "voltage" else 0
            if self._against >= enough:
                self.regulated, self._against = "current", 0
        else:
            self._against = 0
        if self.regulated == "current" and abs(by_voltage) < 0.2:
            slope = by_current * TUNING.volts_slope[0]
            gain = self.volts_slope_var / (self.volts_slope_var + (0.0015 / abs(d_t)) ** 2)
            self.volts_slope += gain * (slope - self.volts_slope)
            self.volts_slope_var *= 1.0 - gain
            self.volts_slope_var += (0.1 * TUNING.volts_slope[0]) ** 2
        self._snap = _Snapshot(s.t, s.log_amps, s.volts)


@dataclass(slots=True)
class BeyondRange:
    """A current that stands still as at the end of its meter's range, since the lye was at `t_c`.

    Under a held voltage the stack draws on what it would; where the volts sag as it warms, it is the supply
    that holds the current.
    """

    t_c: float
    volts: float
    _now: float = math.nan

    def held_by_supply(self, t_c: float, volts: float) -> bool:
        """Take the stack's volts at a temperature; whether they have sagged as at a held current."""
        self._now = volts if math.isnan(self._now) else self._now + 0.25 * (volts - self._now)
        warmer = t_c - self.t_c
        return (
            warmer > TUNING.clipped_k and 1.0 - self._now / self.volts > 0.5 * TUNING.volts_slope[0] * warmer
        )

    def drawn(self, law: CurrentLaw, t_c: float, amps: float, watts: float) -> float:
        """The current [A]: by a power that was measured by itself, else as it was learned.

        Parameters
        ----------
        law : CurrentLaw
        t_c : float
            Lye temperature now [degC].
        amps, watts : float
            As the meters read them [A, W].
        """
        by_power = watts / self.volts
        return by_power if by_power > TUNING.power_measured * amps else max(amps, law.drawn(t_c))
