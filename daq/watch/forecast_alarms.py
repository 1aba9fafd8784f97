"""Between the watch and the forecaster: ticks in, warnings out as the conditions of alarms."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from daq.alarms import FORECAST_ALARMS, Edge, ExternalRule, Rule
from daq.bench import Bench
from daq.forecast import CLEAR_AFTER_S, CLEAR_AT, Forecaster
from daq.measure import READINGS, Bins, FloatArray, IntArray, LyeAt, Numbers, chopped_power
from daq.quantity import Quantity

__all__ = ["ForecastAlarms", "make_forecaster"]

TICK_NS = 5_000_000_000
"""The forecaster is given means over so long."""
STRENGTH_STEP = 0.002
"""The forecaster is told of the lye when its mass fraction has moved by so much [1]."""
_MINUTE_NS = 60_000_000_000
_FED = (*READINGS, "watts", "volt_amps", "lye_temp", "room_temp", "gas_flow")
_ROW = {name: i for i, name in enumerate(_FED)}


def make_forecaster(
    bench: Bench, earlier: Mapping[str, Any] | None = None, build: str = ""
) -> Forecaster | None:
    """The forecaster of this bench; None where lye temperature or power are not measured.

    Parameters
    ----------
    bench : Bench
    earlier : mapping, optional
        What an earlier run taught (`LearningForecaster.experience`); None begins with nothing learned.
    build : str
        The stack's build now; empty where it is not told.
    """
    measured = bench.channels.keys()
    power = "watts" in measured or "volts" in measured
    if not ("lye_temp" in measured and "amps" in measured and power):
        return None
    from daq.forecast import RunawayForecaster  # with SciPy: a review without forecasts needs none

    return RunawayForecaster(bench, earlier, build)


@dataclass(slots=True)
class ForecastAlarms:
    """Feeds a forecaster with the means of each step; tells its warnings and weaknesses to their alarms."""

    bench: Bench
    forecaster: Forecaster
    rules: list[Rule]
    """As `FORECAST_ALARMS`."""
    standing: set[str] = field(default_factory=set)
    each_minute: Callable[[int], None] | None = None
    """Called at every whole minute [ns], when a forecast may be asked for."""
    inherited: bool = False
    """The warning that stands was raised by a forecaster before this one, which has yet to learn as much."""
    failed: bool = False
    """The forecaster raised: what it would say now rests on a step half done."""
    _unlikely_ns: int | None = None
    _strength: float = field(init=False)
    """Of the lye, as the forecaster was last told it [1]."""

    def __post_init__(self) -> None:
        self._strength = self.bench.stack.mass_fraction

    def feed(self, bins: Bins, ends: IntArray, numbers: Numbers, lye: LyeAt, *, quiet: bool) -> None:
        """Give it steps of a run.

        Parameters
        ----------
        bins : Bins
        ends : int64[n]
            Number of the step after each one's last, rising.
        numbers : Numbers
            Of the windows that end there.
        lye : LyeAt
            The lye there.
        quiet : bool
            Whether what it warns of changes no alarm yet.
        """
        # Every few seconds is often enough: it thinks in bins of twenty.
        stride = max(1, round(TICK_NS / bins.step_ns))
        due = ends % stride == 0
        if not due.any():
            return
        mean = _means(*bins.windows(ends[due], stride, of=_FED))
        watts = mean[_ROW["watts"]]
        if self.bench.supply.mode != "pwm":
            watts = np.where(np.isfinite(watts), watts, mean[_ROW["volt_amps"]])
        elif not np.isfinite(watts).all():
            watts = np.where(np.isfinite(watts), watts, self._chopped(mean))
        dry = mean[_ROW["gas_flow"]] * _dry_share(numbers)[due]
        rows = np.stack([mean[_ROW["volts"]], mean[_ROW["amps"]], watts, mean[_ROW["lye_temp"]],
                         mean[_ROW["room_temp"]], dry], axis=1).tolist()  # fmt: skip
        strengths, litres = (
            np.broadcast_to(np.asarray(q.value, dtype=np.float64), ends.shape)[due].tolist()
            for q in (lye.mass_fraction, lye.litres)
        )
        for t_ns, row, w, amount in zip(numbers.end_ns[due].tolist(), rows, strengths, litres, strict=True):
            if abs(w - self._strength) > STRENGTH_STEP:
                self._strength = w
                self.forecaster.set_lye(w, amount)
            self.forecaster.update(t_ns / 1e9, *row)
            if not quiet:
                self._tell(t_ns, row[1])
            if self.each_minute is not None and t_ns % _MINUTE_NS == 0:
                self.each_minute(t_ns)

    def _chopped(self, mean: FloatArray) -> FloatArray:
        """Power from what the readings tell of a chopped supply [W]; NaN where they do not."""
        supply = self.bench.supply
        readings = {n: Quantity(mean[_ROW[n]]) for n in READINGS if n in self.bench.channels}
        found = chopped_power(
            readings,
            off_volts=supply.off_volts,
            sensed_at=supply.volts_at,
            cells=self.bench.stack.cells,
            powered_above_amps=supply.powered_above_amps,
        )
        return np.asarray(found.power.value)

    def time_left_s(self) -> float | None:
        """Time to the limit by the latest forecast [s]; None where no crossing is forecast."""
        forecast = self.forecaster.forecast()
        left = None if forecast is None else forecast.get("time_to_limit_s")
        return None if left is None else float(left)

    def _still_believed(self, t_ns: int, amps: float) -> bool:
        """Whether an inherited warning is to stand on: until the new forecaster is as sure that it may go."""
        forecast = self.forecaster.forecast()
        if forecast is None:
            # Nothing learned yet, or no current.
            return not abs(amps) <= self.bench.supply.powered_above_amps
        if float(forecast.get("chance") or 0.0) >= CLEAR_AT:
            self._unlikely_ns = None
            return True
        if self._unlikely_ns is None:
            self._unlikely_ns = t_ns
        return t_ns - self._unlikely_ns < CLEAR_AFTER_S * 1e9

    def _tell(self, t_ns: int, amps: float) -> None:
        now = dict(self.forecaster.weaknesses)
        warnings = self.forecaster.warnings
        if warnings and warnings[-1].get("cleared_s") is None:
            now[FORECAST_ALARMS[0]] = str(warnings[-1].get("reason") or "")
            self.inherited = False
        elif self.inherited:
            self.inherited = self._still_believed(t_ns, amps)
            if self.inherited:
                now[FORECAST_ALARMS[0]] = ""
        if now.keys() == self.standing:
            return
        for rule in self.rules:
            name = rule.spec.name
            if isinstance(rule, ExternalRule) and (name in now) != (name in self.standing):
                cause = now.get(name, "no longer foreseen" if name == FORECAST_ALARMS[0] else "it is over")
                rule.pending.append((Edge(t_ns, name in now, None), cause or rule.spec.title))
        self.standing = set(now)

    def renewed(self) -> None:
        """Another forecaster stands in its place, which knows the lye as the bench file states it."""
        self._strength = self.bench.stack.mass_fraction

    def take_over(self, standing: set[str]) -> None:
        """Alarms that stand already, as after a restart."""
        self.standing = standing
        self.inherited = FORECAST_ALARMS[0] in standing
        self._unlikely_ns = None


def _means(seconds: FloatArray, sums: FloatArray) -> FloatArray:
    """Means over windows, quantities by windows; NaN where there was nothing.

    Of the lye's temperature it is the last step that has any: in a longer mean a leap to 85.0 and back would
    be but a bump, and the digit by which a reading stands still would be gone.
    """
    s, total = seconds.sum(2), sums.sum(2)
    row = _ROW["lye_temp"]
    of_lye = seconds[row] > 0.0
    last = (seconds.shape[2] - 1 - of_lye[:, ::-1].argmax(1))[:, np.newaxis]
    s[row] = np.take_along_axis(seconds[row], last, 1)[:, 0]
    total[row] = np.take_along_axis(sums[row], last, 1)[:, 0]
    means: FloatArray = np.divide(total, s, out=np.full(s.shape, np.nan), where=s > 0.0)
    return means


def _dry_share(numbers: Numbers) -> FloatArray:
    """Dry gas at the reference over the meter's reading, of each window; NaN without flow."""
    flow, dry = numbers.value["flow_as_read_lpm"], numbers.value["flow_dry_ref_lpm"]
    share: FloatArray = np.divide(dry, flow, out=np.full(flow.shape, np.nan), where=np.abs(flow) > 1e-6)
    return share
