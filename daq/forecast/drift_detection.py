"""Open-loop predictors tell sensor drift: heat balance and current, left to run without the thermometer.

Of three that should agree one may go astray, and the other two tell which. More loss than before cools the
lye, and the current shows it: balance alone is off. A leak or stronger lye draws more current, and the heat
that it makes warms the lye as it should: current alone is off. Where both say, each by what was learned
before, that the lye is warmer than it reads, it is the reading that drifts.

Only a reading that is too low is taken back: one that is too high errs on the safe side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from daq.forecast.current_model import CurrentLaw, LawSnapshot
from daq.forecast.thermal_filter_bank import SENSOR, ThermalFilter
from daq.forecast.tuning import TUNING

__all__ = ["OpenLoopPredictor", "OpenLoopPredictors"]


@dataclass(slots=True)
class OpenLoopPredictor:
    """What was known at an instant, propagated from there by power alone."""

    since_s: float
    thermal: ThermalFilter
    law: LawSnapshot
    warmest_c: float
    """That the law had seen [degC]."""

    def low_k(self, reading_c: float, amps: float, law: CurrentLaw) -> float:
        """By how much the reading is too low, as both say [K]; 0 where one of them does not say so.

        Parameters
        ----------
        reading_c : float
            What the sensor says [degC].
        amps : float
            Current now [A].
        law : CurrentLaw
            As it is now; how the current follows the temperature is taken from before.
        """
        predicted = law.temperature(amps, self.law)
        if predicted is None:
            return 0.0
        off = self.thermal.mean(SENSOR) - reading_c, predicted[0] - reading_c
        beyond = max(predicted[0] - self.warmest_c, 0.0)
        sd = (
            math.hypot(self.thermal.sd(SENSOR), TUNING.drift_own_sd),
            math.hypot(predicted[1], TUNING.drift_own_sd, TUNING.drift_beyond * beyond),
        )
        z = off[0] / sd[0], off[1] / sd[1]
        sure = min(z) >= TUNING.drift_off_sd_least and math.hypot(*z) >= TUNING.drift_off_sd
        agree = min(off) >= TUNING.drift_agree * max(off)
        return min(off) if sure and agree and min(off) >= TUNING.drift_off_k else 0.0


@dataclass(slots=True)
class OpenLoopPredictors:
    """Leaves one behind every ten minutes once conditions have stood, and asks those that are old enough."""

    drifting: bool = False
    """Whether they have told against the reading, and it has not come back to them since."""
    _left: list[OpenLoopPredictor] = field(default_factory=list)
    _left_s: float | None = None
    _against: int = 0
    _agreed_s: float = 0.0
    _energy_j: float = 0.0
    _charge_c: float = 0.0
    _span_s: float = 0.0
    _share: float | None = None

    def forget(self) -> None:
        """Conditions have changed at once: what was known before does not carry on."""
        self._left.clear()
        self._left_s = None
        self._against, self._agreed_s, self.drifting = 0, 0.0, False

    def flow(self, dt_s: float, watts: float, amps: float) -> None:
        """Take a bin's power and current.

        Parameters
        ----------
        dt_s : float
            Length of the bin [s].
        watts, amps : float
            Mean power and current [W, A].
        """
        self._energy_j += watts * dt_s
        self._charge_c += amps * dt_s
        self._span_s += dt_s

    def ask(
        self, t_s: float, amps: float, thermal: ThermalFilter, law: CurrentLaw, *,
        room_c: float | None, share: float | None,
    ) -> OpenLoopPredictor | None:  # fmt: skip
        """Carry all on to this instant; the one to go back to where the reading is drifting.

        Parameters
        ----------
        t_s, amps
            Now [s], [A].
        thermal, law
            What follows the reading.
        room_c : float or None
            As measured since the last time [degC].
        share : float or None
            Of the current that makes gas, as the flow meter tells it of late.
        """
        self._carry_on(room_c, share)
        self._left = [
            w for w in self._left if t_s - w.since_s <= TUNING.drift_old_s and w.law[2] == law.t_ref
        ]
        reading = thermal.mean(SENSOR)
        off = [
            (w.low_k(reading, amps, law), w) for w in self._left if t_s - w.since_s >= TUNING.drift_young_s
        ]
        worst, predictor = max(off, key=lambda o: o[0], default=(0.0, None))
        self._against = self._against + 1 if worst > 0.0 else 0
        if self._left_s is None:
            self._left_s = t_s + TUNING.drift_first_s - TUNING.drift_every_s
        if t_s - self._left_s >= TUNING.drift_every_s:
            self._left_s = t_s
            self._left.append(OpenLoopPredictor(t_s, thermal.fork(), law.snapshot(), law.high_t))
        if self._against < TUNING.drift_looks:
            return None
        self.forget()
        self.drifting = True
        return predictor

    def agrees(self, dt_s: float, reading_c: float, thermal: ThermalFilter) -> bool:
        """Whether a reading that was drifting has agreed for a while with what goes on without it.

        Parameters
        ----------
        dt_s : float
            Length of the bin [s].
        reading_c : float
            What the sensor says [degC].
        thermal : ThermalFilter
            That goes on without the reading.
        """
        near = max(TUNING.drift_agrees_k, TUNING.drift_agrees_sd * thermal.sd(SENSOR))
        off = abs(reading_c - thermal.mean(SENSOR))
        self._agreed_s = self._agreed_s + dt_s if off < near else 0.0
        return self._agreed_s >= TUNING.drift_agrees_for_s

    def _carry_on(self, room_c: float | None, share: float | None) -> None:
        shift = share - self._share if share is not None and self._share is not None else 0.0
        if self._span_s > 0.0:
            watts, amps = self._energy_j / self._span_s, self._charge_c / self._span_s
            alike: dict[tuple[float, float, bool], list[ThermalFilter]] = {}
            for w in self._left:
                alike.setdefault(w.thermal.stage, []).append(w.thermal)
            for filters in alike.values():
                one = ThermalFilter.joined(filters)
                one.predict(self._span_s, watts, amps)
                one.shift_faradaic(shift)
                if room_c is not None:
                    one.measure_room(room_c)
                one.part(filters)
        self._energy_j = self._charge_c = self._span_s = 0.0
        self._share = share
