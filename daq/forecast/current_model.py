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

_ALPHA: Final = (0.019, 0.009)
"""Relative slope of the current [1/K]: published curves (`ulleberg`, `degroot_*`, cells at 1.8 to 2.5 V, with
contacts or without) have 0.009 to 0.033; cells with less resistance, by the laws of Tafel and Arrhenius, to
0.045."""
_BEND: Final = (0.0125, 0.0055)
_BEND_AT_C: Final = 30.0
"""q at that temperature [1/K]: hardly depends on the slope. The same curves have 0.0078 to 0.018, such cells
0.008 to 0.020."""
_SLOPE_BY_VOLTS: Final = (-1.0, 0.6)
"""d ln alpha for each volt more of a cell [1/V]: -0.3 to -0.9 by the curves, -1.2 to -1.9 by those laws."""
VOLTS_SLOPE: Final = (0.0022, 0.0008)
"""Relative fall of a cell's voltage for each kelvin at a held current [1/K]."""
_GROWTH_LEAST: Final = 0.02
"""For each kelvin, of what is believed before the loss has been seen. Chosen by measurement."""
_SLOPE_AFTER: Final = 0.1
"""How well the slope is known after a change by what it was before, of itself."""
_NOISE: Final = 0.003
_STEP_SHARE: Final = 0.012
_OFF_GAIN: Final = 0.3
_OFF_MOST: Final = 1.8
"""Of what is drawn beside what is foreseen: its running mean, and its most in standard deviations."""
_LOOK_K: Final = 1.0
_LOOKS_STATED: Final = 3
"""So many looks running must speak against what the bench file says is held,"""
_LOOKS: Final = 2
"""or against what was found since."""
_SMOOTH: Final = 0.3
"""Of a bin, to what a look compares: one noisy bin is no evidence."""
_SAG_STEPS: Final = 0.015
"""What the sag walks in a square-root hour: a limit that yields softly sets in within minutes."""
_SAG_K: Final = 1.5
_LEAST_AMPS: Final = 1e-6
_MEASURED: Final = 1.01
"""Power over held volts times shown current, beyond which the power was measured by itself."""


@dataclass(slots=True)
class _Snapshot:
    t: float
    log_amps: float
    volts: float


def _bend(t: float) -> float:
    """q with the reference at a temperature [1/K]."""
    return _BEND[0] / max(1.0 + _BEND[0] * (t - _BEND_AT_C), 0.5)


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
        self.x: FloatArray = np.array([0.0, _ALPHA[0], _BEND[0], 0.0])
        self.p: FloatArray = np.diag([1.0, _ALPHA[1] ** 2, _BEND[1] ** 2, TUNING.amps_wander**2])
        self._earlier = config.experience
        sag, sag_sd = (TUNING.sag, TUNING.sag_sd) if self._earlier is None else self._earlier.sag
        self.sag: FloatArray = np.array([0.0, sag])
        self.sag_p: FloatArray = np.diag([1.0, sag_sd**2])
        self.t_ref = math.nan
        self.volts = math.nan
        self.volts_slope = VOLTS_SLOPE[0]
        self.volts_slope_var = VOLTS_SLOPE[1] ** 2
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
        """Begin anew at a temperature: after a change of set-point, or at power-up."""
        if math.isnan(self.t_ref) or not keep_slope:
            slope, bend, slope_sd, bend_sd = _ALPHA[0], _bend(t), _ALPHA[1], _BEND[1]
            if self._earlier is not None and self._earlier.current is not None:
                slope, bend, slope_sd, bend_sd = self._earlier.current
                shrunk = 1.0 / max(1.0 + bend * (t - CURRENT_AT_C), 0.3)
                slope, bend, slope_sd, bend_sd = (v * shrunk for v in (slope, bend, slope_sd, bend_sd))
            self.x = np.array([_log(amps), slope, bend, 0.0])
            self.p = np.diag([0.3**2, slope_sd**2, bend_sd**2, TUNING.amps_wander**2])
        else:
            raised = 0.0 if math.isnan(self.volts) else (volts - self.volts) / self._cells
            self._refer_to(t, _log(amps))
            self.x[1] *= math.exp(min(max(_SLOPE_BY_VOLTS[0] * raised, -0.5), 0.5))
            self.p[0, 0] = 0.3**2
            self.p[1, 1] += ((_SLOPE_AFTER + _SLOPE_BY_VOLTS[1] * abs(raised)) * self.x[1]) ** 2
            self.p[2, 2] += (_SLOPE_AFTER * self.x[2]) ** 2
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
        spread = math.sqrt(float(h @ p @ h) + _NOISE**2) * (1.0 + q * x) / alpha
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
        return max(learned, math.log1p(_GROWTH_LEAST * (to_c - from_c)))

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
        """Take a bin at a temperature known to `t_sd`, not at all without `learn`; True when the set-point
        has stepped.
        """
        amps = max(amps, _LEAST_AMPS)
        volts, log_amps = watts / amps, math.log(amps)
        stepped = False
        if math.isnan(self.t_ref):
            self.restart(t, amps, volts, keep_slope=False)
        elif self._last is not None:
            d_volts = volts / self._last[0] - 1.0
            d_amps = log_amps - self._last[1]
            if (abs(d_volts) > _STEP_SHARE and abs(d_amps) > _STEP_SHARE) or abs(d_amps) > 0.08:
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
        s = float(h @ ph) + _NOISE**2 + (alpha / g * t_sd) ** 2
        e = log_amps - predicted
        self._off += _OFF_GAIN * (e - self._off)
        if abs(self._off) > _OFF_MOST * math.sqrt(s):
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
        c += _SAG_STEPS**2 * dt / 3600.0
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
        s.t += _SMOOTH * (t - s.t)
        s.log_amps += _SMOOTH * (log_amps - s.log_amps)
        s.volts += _SMOOTH * (volts - s.volts)
        d_t = s.t - self._snap.t
        if abs(d_t) < _LOOK_K:
            return
        by_voltage = (s.log_amps - self._snap.log_amps) / (d_t * _ALPHA[0])
        by_current = -(s.volts / self._snap.volts - 1.0) / (d_t * VOLTS_SLOPE[0])
        enough = _LOOKS_STATED if self._stated else _LOOKS
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
            slope = by_current * VOLTS_SLOPE[0]
            gain = self.volts_slope_var / (self.volts_slope_var + (0.0015 / abs(d_t)) ** 2)
            self.volts_slope += gain * (slope - self.volts_slope)
            self.volts_slope_var *= 1.0 - gain
            self.volts_slope_var += (0.1 * VOLTS_SLOPE[0]) ** 2
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
        return warmer > _SAG_K and 1.0 - self._now / self.volts > 0.5 * VOLTS_SLOPE[0] * warmer

    def drawn(self, law: CurrentLaw, t_c: float, amps: float, watts: float) -> float:
        """The current [A]: by a power that was measured by itself, else as it was learned."""
        by_power = watts / self.volts
        return by_power if by_power > _MEASURED * amps else max(amps, law.drawn(t_c))
