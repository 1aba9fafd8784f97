"""The runaway watch: does this stack settle below its limit, and if not, how long is left.

Causal and deterministic: what it says at an instant uses nothing after it, and a replay of the same samples
says the same. Feed it ticks of one to some ten seconds; it thinks in bins of twenty.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from daq.forecast.causes import Causes
from daq.forecast.config import RunawayConfig, SupplyMode, Tables
from daq.forecast.current_model import BeyondRange, CurrentLaw, LawSnapshot
from daq.forecast.decision import RunawayWarning, WarningState
from daq.forecast.degradation import DegradationFlags
from daq.forecast.drift_detection import OpenLoopPredictors
from daq.forecast.ensemble import Band, Ensemble, propagate
from daq.forecast.experience import CURRENT_AT_C, Experience
from daq.forecast.forecast import Forecast, band_of, later, numbers_of, settling_band, time_band
from daq.forecast.preprocess import Bin, Preprocessor
from daq.forecast.text import cause_in_words, in_words
from daq.forecast.thermal_filter_bank import (
    CAPACITY,
    FARADAIC,
    KAPPA,
    LAG,
    SENSOR,
    VAPOUR,
    Snapshot,
    ThermalFilter,
)
from daq.forecast.trend import Course, Trend
from daq.forecast.tuning import TUNING

__all__ = ["Band", "Forecast", "RunawayConfig", "RunawayWarning", "RunawayWatch", "SupplyMode"]

_ROUGHLY: Final = "How much lye and metal has to warm: the bench file gives it as a range, or not at all"


def _known(v: float | None) -> float | None:
    return v if v is not None and -math.inf < v < math.inf else None


def _rests_on(earlier: Experience) -> str:
    runs = "an earlier run" if earlier.runs == 1 else f"{earlier.runs} earlier runs"
    return f"What has changed since {runs} of this bench: this forecast began with what was learned then"


@dataclass(frozen=True, slots=True)
class _Step:
    """A bin gone through, and what was known before it."""

    t_s: float
    dt_s: float
    watts: float
    amps: float
    thermal: Snapshot
    law: LawSnapshot


class RunawayWatch:
    """Feed it samples with `update`; ask with `forecast`; read `warnings`."""

    def __init__(self, config: RunawayConfig) -> None:
        self.config = config
        self.tables = Tables(config)
        self.warnings: list[RunawayWarning] = []
        self._preprocessor = Preprocessor(TUNING.bin_s, config.powered_above_amps)
        self._thermal = ThermalFilter(self.tables, config)
        self._law = CurrentLaw(config)
        self._state = WarningState(config.false_costs_min)
        self._t_s = 0.0
        self._began_s = math.inf
        self._powered = False
        self._watts = self._amps = 0.0
        self._share: float | None = None
        self._share_mean: float | None = None
        self._trail: deque[_Step] = deque(maxlen=TUNING.trail_bins)
        self._blind = False
        self._forecast: Forecast | None = None
        self._bad_for_s = 0.0
        self._settling_s = 0.0
        self._looked_s = self._looked_c = -math.inf
        self._eager_s = 0.0
        self._course = Course()
        self._trends = {name: Trend() for name in config.limits_c}
        self._degradation = DegradationFlags()
        self._flow_s = self._slowly_s = -math.inf
        self._predictors = OpenLoopPredictors()
        self._range: BeyondRange | None = None
        self._causes = Causes()
        self._rests_on: tuple[str, ...] = () if config.experience is None else (_rests_on(config.experience),)
        if self.tables.capacity_sd > TUNING.rough_sd:
            self._rests_on += (_ROUGHLY,)

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        """The lye is of that strength [1] and amount [L] now; see `Tables.set_lye`."""
        self.tables.set_lye(mass_fraction, litres)

    def update(
        self,
        t_s: float,
        volts: float | None,
        amps: float | None,
        watts: float | None,
        lye_temp: float | None,
        room_temp: float | None = None,
        gas_flow: float | None = None,
    ) -> None:
        """Take the means of one tick; None or NaN for what is missing or bad.

        Parameters
        ----------
        t_s : float
            Time of the run, rising [s].
        volts, amps, watts : float, optional
            Of the stack [V, A, W]; without power it is volts times amps, unless the supply chops.
        lye_temp, room_temp : float, optional
            [degC]
        gas_flow : float, optional
            Dry, at the reference [L/min].
        """
        volts, amps, watts = _known(volts), _known(amps), _known(watts)
        lye_temp, room_temp, gas_flow = _known(lye_temp), _known(room_temp), _known(gas_flow)
        if watts is None and volts is not None and amps is not None and self.config.mode != "pwm":
            watts = volts * amps
        if watts is None and amps is not None and abs(amps) <= self.config.powered_above_amps:
            # Many meters show no volts once the supply is off; without current there is no power.
            watts = 0.0
        self._t_s = t_s
        full = self._preprocessor.add(t_s, amps, watts, lye_temp, room_temp, gas_flow)
        if full is not None:
            self._think(full)

    def forecast(self) -> Forecast | None:
        """The latest forecast, its times counted from the last tick; None before anything can be said."""
        f = self._forecast
        if f is None:
            return None
        age = self._t_s - f.at_s
        times = {k: later(b, age) for k, b in f.time_to_limit_s.items()}
        return replace(f, at_s=self._t_s, time_to_limit_s=times, lye_c=self._thermal.lye_c)

    def _think(self, b: Bin) -> None:
        if b.stuck and not self._blind:
            self._forget(b.still_since_s)
        self._blind = b.stuck
        self._electric(b)
        self._balance(b)
        if self._thermal.started:
            self._doubt(b)
            self._say(b)

    def experience(self, build: str = "") -> Experience | None:
        """What this run has taught so far of a stack's `build`; None where that is too little."""
        thermal, law = self._thermal, self._law
        if not thermal.started or thermal.sd(KAPPA) > TUNING.experience_sd_most or math.isnan(law.t_ref):
            return None
        mean, covariance = thermal.lasting()
        before = self.config.experience
        return Experience(
            tuple(float(v) for v in mean),
            tuple(tuple(float(v) for v in row) for row in covariance),
            law.slope_at(CURRENT_AT_C) or (None if before is None else before.current),
            (float(law.sag[1]), math.sqrt(max(float(law.sag_p[1, 1]), 0.0))),
            build,
            1 if before is None else before.runs + 1,
        )

    @property
    def weaknesses(self) -> dict[str, str]:
        """What weakens the protection now: the alarm's name, and its cause in words."""
        return self._degradation.standing

    def _doubt(self, b: Bin) -> None:
        if self._share is not None:
            self._flow_s = b.t_s
        self._degradation.look(
            b,
            self._law,
            powered=self._powered,
            blind_s=self._bad_for_s,
            lag_s=math.exp(self._thermal.mean(LAG)),
            settling=self._settling_s > 0.0,
            low_k=self._thermal.mean(SENSOR) - b.lye_c
            if self._predictors.drifting and b.lye_c is not None
            else None,
            room_known=self._thermal.room_measured,
            flow_known=b.t_s - self._flow_s < 600.0,
        )

    def _electric(self, b: Bin) -> None:
        law, thermal = self._law, self._thermal
        if b.amps is None:
            return
        if b.watts is None:
            if b.amps <= self.config.powered_above_amps:
                self._powered = False
            return
        self._share = None
        powered = b.amps > self.config.powered_above_amps
        t = thermal.lye_c if thermal.started else b.lye_c
        if b.clipped and powered and law.regulated == "voltage" and t is not None:
            b = self._beyond_range(b, t)
        else:
            self._range = None
        blind = self._blind or self._predictors.drifting or self._range is not None
        assert b.amps is not None
        assert b.watts is not None
        if powered and t is not None:
            if not self._powered and not math.isnan(law.t_ref):
                law.restart(t, b.amps, b.watts / b.amps, keep_slope=True)
                thermal.stirred()
                self._settling_s = TUNING.settling_s
            if law.update(b.dt_s, t, b.amps, b.watts, t_sd=thermal.lye_sd, learn=not blind):
                self._eager_s = TUNING.eager_s
                self._forget_trends()
                thermal.inflate(t=0.3)
                thermal.stirred()
        self._powered = powered
        if b.flow is not None and powered:
            share = b.flow / (b.amps * self.tables.lpm_per_amp)
            if 0.3 < share < 1.1:
                self._share = share
                self._follow_share(share)
        self._watts, self._amps = b.watts, b.amps

    def _balance(self, b: Bin) -> None:
        thermal = self._thermal
        if not thermal.started:
            if b.lye_c is not None and self._powered:
                thermal.start(b.lye_c, self._watts - self._amps * self.tables.gas_at(b.lye_c), b.room_c)
                self._began_s = b.t_s
            return
        self._trail.append(
            _Step(b.t_s, b.dt_s, self._watts, self._amps, thermal.snapshot(), self._law.snapshot())
        )
        if self._powered and not math.isnan(self._law.t_ref):
            thermal.grows(b.dt_s, self._law.growth(thermal.began_c, thermal.works_c))
        thermal.predict(b.dt_s, self._watts, self._amps)
        self._predictors.flow(b.dt_s, self._watts, self._amps)
        if b.t_s - self._slowly_s > TUNING.slowly_s - 0.5 * TUNING.bin_s:
            self._slowly_s = b.t_s
            if b.room_c is not None:
                thermal.measure_room(b.room_c)
            if self._share is not None:
                thermal.measure_faradaic(self._share)
            self._hear(b)
        self._settling_s = max(0.0, self._settling_s - b.dt_s)
        if b.lye_c is None or b.stuck:
            self._bad_for_s += b.dt_s
            self._by_current(b)
            return
        self._bad_for_s = 0.0
        if self._predictors.drifting:
            if not self._predictors.agrees(b.dt_s, b.lye_c, thermal) and not b.jumped:
                self._by_current(b)
                return
            self._predictors.forget()
            thermal.inflate(t=1.0)
        if b.jumped:
            thermal.mixing()
            thermal.inflate(t=10.0, fast=5.0)
        match thermal.measure(b.lye_c, b.lye_var, b.dt_s):
            case "leap":
                self._settling_s = TUNING.settling_s
            case "changed":
                room = 0.0 if thermal.room_measured else 1.0
                thermal.inflate(t=0.2, kappa=TUNING.changed_loss_sd, capacity=0.05, room=room)
        if b.jumped:
            self._settling_s = TUNING.settling_s
        if self._settling_s > 0.0:
            thermal.inflate(t=0.1, fast=0.2)

    def _follow_share(self, share: float) -> None:
        """Of the gas flow the meter's gain is not known, its changes are."""
        if self._share_mean is None:
            self._share_mean = share
        step = TUNING.share_gain * (share - self._share_mean)
        self._share_mean += step
        if self._thermal.started:
            self._thermal.shift_faradaic(step)

    def _forget(self, since_s: float) -> None:
        """Go back to before the sensor stood still, and on from there without it."""
        steps = [s for s in self._trail if s.t_s > since_s]
        if not steps:
            return
        self._thermal.restore(steps[0].thermal)
        self._law.restore(steps[0].law)
        for s in steps:
            self._thermal.predict(s.dt_s, s.watts, s.amps)
            self._law.t_now = self._thermal.lye_c

    def _beyond_range(self, b: Bin, t: float) -> Bin:
        """What the stack draws, by what was learned before its current came to the end of its meter."""
        assert b.amps is not None
        assert b.watts is not None
        law = self._law
        if self._range is None:
            step = next((s for s in self._trail if s.t_s > b.amps_still_since_s), None)
            if step is not None:
                law.restore(step.law)
            self._range = BeyondRange(t, law.volts)
        if self._range.held_by_supply(t, b.watts / b.amps):
            self._range = None
            return b
        amps = self._range.drawn(law, t, b.amps, b.watts)
        return replace(b, amps=amps, watts=max(b.watts, self._range.volts * amps))

    def _by_current(self, b: Bin) -> None:
        """Without a thermometer the current is one, where the voltage is held."""
        estimate = self._law.temperature(b.amps) if self._powered and b.amps and not b.clipped else None
        if estimate is not None and (self._predictors.drifting or self._bad_for_s > 60.0):
            self._thermal.measure_by_current(estimate[0], 4.0 * estimate[1])

    def _hear(self, b: Bin) -> None:
        """Ask the open-loop predictors whether the sensor drifts; if so, go back and on without it."""
        if self._predictors.drifting:
            return
        steady = self._powered and self._settling_s == 0.0 and not (b.stuck or b.clipped or b.jumped)
        if not steady or b.lye_c is None or b.amps is None or self._law.regulated == "current":
            self._predictors.forget()
            return
        predictor = self._predictors.ask(
            b.t_s, b.amps, self._thermal, self._law, room_c=b.room_c, share=self._share_mean
        )
        if predictor is not None:
            self._thermal = predictor.thermal
            self._thermal.complete()
            self._law.restore(predictor.law)
            self._law.t_now = self._thermal.lye_c
            self._trail.clear()
            self._forget_trends()

    def _say(self, b: Bin) -> None:
        now = self._thermal.lye_c
        self._course.add(b.t_s, now)
        if not self._powered or math.isnan(self._law.volts):
            self._forecast = None
            if self._state.update(b.t_s, 0.0, powered=False):
                self._cleared(b.t_s, "the supply is off")
            return
        if not self._due(b):
            return
        self._looked_s, self._looked_c = b.t_s, now
        ensemble = propagate(self._thermal, self._law, self.tables)
        f = self._forecast = self._forecast_from(b, ensemble, now)
        if self._settling_s <= 0.0:
            used = self.tables.used_per_s(self._amps)
            self._causes.add(b.t_s, f.chance, self._thermal, self._law, used)
        if self._settling_s > 0.0 and not self._state.raised:
            return
        left = None if self.config.watched is None else f.time_to_limit_s[self.config.watched].value
        if self._state.update(
            b.t_s,
            f.chance,
            powered=True,
            left_s=math.inf if left is None else left,
            rises_to_s=self._course.rises_to(self.config.limit_c),
            watched_s=b.t_s - self._began_s,
            loss_sd=self._thermal.sd(KAPPA),
        ):
            if self._state.raised:
                assert self.config.limit_c is not None
                causes = self._causes.name(
                    b.t_s,
                    self._thermal,
                    self._law,
                    sensor_doubted="lye_temp.doubtful" in self._degradation.standing,
                )
                words = f"{f.words} {cause_in_words(causes)}"
                self.warnings.append(
                    RunawayWarning(b.t_s, self.config.limit_c, words, numbers_of(f), causes=causes)
                )
            else:
                self._cleared(b.t_s, f.words)

    def _due(self, b: Bin) -> bool:
        f = self._forecast
        age = b.t_s - self._looked_s
        self._eager_s = max(self._eager_s - b.dt_s, 0.0)
        if f is None or self._settling_s > 0.0 or self._eager_s > 0.0:
            return True
        if not self._state.raised and self._course.rises_to(self.config.limit_c) < TUNING.soon_s:
            return True
        if age > TUNING.look_s - 0.5 * TUNING.bin_s:
            if f.chance >= TUNING.unlikely or self._thermal.changing > TUNING.changing:
                return True
            still = abs(self._thermal.lye_c - self._looked_c) < TUNING.still_k
            return age > (TUNING.still_look_s if still else TUNING.calm_look_s) - 0.5 * TUNING.bin_s
        if not self._state.raised:
            return f.chance > TUNING.awake
        first = min((t.low for t in f.time_to_limit_s.values() if t.low), default=math.inf)
        return first < TUNING.close_s

    def _confidence(self, settles: Band) -> str:
        """``good``, ``fair`` or ``poor``: by the band of where it settles, and by what weakens it."""
        weak = self._degradation.standing
        if "forecast.blind" in weak or self._settling_s > 0.0:
            return "poor"
        wide = math.inf if settles.low is None or settles.high is None else settles.high - settles.low
        limit = self.config.limit_c
        if limit is not None and settles.low is not None and settles.low > limit:
            wide = 0.0  # how far beyond does not matter
        if limit is not None and settles.high is not None and settles.high < limit:
            wide = min(wide, TUNING.wide_k)  # below it for sure, if not where
        if wide > TUNING.wide_k:
            return "poor"
        return "good" if wide < 6.0 and not weak else "fair"

    def _cleared(self, t_s: float, why: str) -> None:
        self.warnings[-1] = replace(self.warnings[-1], cleared_s=t_s, why_cleared=why)

    def _forget_trends(self) -> None:
        for trend in self._trends.values():
            trend.forget()

    def _with_trend(self, name: str, t_s: float, band: Band) -> Band:
        """The time to a limit with the trend of the last such times."""
        trend = self._trends[name]
        if band.value is None or self._settling_s > 0.0 or self._thermal.sd(KAPPA) > TUNING.loss_learned_sd:
            trend.forget()
            return band
        share = trend.share(t_s, band.value)
        return replace(band, value=share * band.value, low=None if band.low is None else share * band.low)

    def _forecast_from(self, b: Bin, ensemble: Ensemble, now: float) -> Forecast:
        config, th = self.config, self._thermal
        times = {name: ensemble.time_to(limit, now) for name, limit in config.limits_c.items()}
        crosses = None if config.watched is None else np.isfinite(times[config.watched])
        share = 0.0 if crosses is None else float(crosses.mean())
        watched_s = b.t_s - self._began_s
        chance = TUNING.calibrated(share, watched_s)
        says_from = self._state.says_from(self._course.rises_to(config.limit_c))
        likelier = TUNING.share_of(says_from, watched_s)
        bands = {name: self._with_trend(name, b.t_s, time_band(t, likelier)) for name, t in times.items()}
        settles = settling_band(ensemble.settles_c, crosses, share, likelier)
        c, k = math.exp(th.mean(CAPACITY)), math.exp(th.mean(KAPPA))
        gas_amps = th.mean(FARADAIC) * self._amps
        gas_w = gas_amps * self.tables.gas_at(now)
        trip = config.limits_c.get("trip") if config.watched != "trip" else None
        cut = None if trip is None else (trip, bands["trip"])
        heat = self._watts - gas_w
        vapour = th.mean(VAPOUR) * gas_amps * self.tables.vapour_at(now)[0]
        return Forecast(
            at_s=b.t_s,
            time_to_limit_s=bands,
            steady_state_c=settles,
            loop_gain=band_of(ensemble.gain),
            chance=chance,
            regime=self._law.regulated,
            confidence=self._confidence(settles),
            heat_w=heat,
            gas_w=gas_w,
            vapour_w=vapour,
            loss_w=heat - vapour - th.rate / c,
            lye_c=now,
            capacity_j_k=Band(1.0 / c, None, None),
            resistance_k_w=Band(c / k, None, None),
            unknowns=self._degradation.unknowns + self._rests_on,
            words=in_words(config.limit_c, bands.get(config.watched or ""), settles, chance, cut),
        )
