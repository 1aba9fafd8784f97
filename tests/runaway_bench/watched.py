"""The watch on a log of the benchmark."""

from __future__ import annotations

import numpy as np

from daq.forecast.monitor import RunawayConfig, RunawayWatch
from tests.runaway_bench.peers import ForecastSeries
from tests.runaway_bench.simulate import Run
from tests.runaway_bench.truth import Log

__all__ = ["config_of", "heard", "listen", "ticks"]


def config_of(run: Run) -> RunawayConfig:
    """What a bench file would say of this bench."""
    s = run.scenario
    d, q = s.design, s.sensing
    mode = {"constant_current": "constant_current", "pwm": "pwm"}.get(s.mode, "constant_voltage")
    return RunawayConfig(
        cells=d.cells,
        litres=d.litres * q.litres_error,
        steel_kg=d.steel_kg,
        mass_fraction=d.w,
        limits_c={"high": d.limit_c},
        mode=mode,  # type: ignore[arg-type]
        amps_max=q.amps_max_prior,
        room_temp_c=q.room_prior,
        powered_above_amps=0.3,
    )


def ticks(log: Log) -> zip[tuple[float | None, ...]]:
    """The log's rows as `RunawayWatch.update` takes them."""
    n = len(log.t_s)
    columns = [
        [None] * n if c is None else c.tolist()
        for c in (log.t_s, log.volts, log.amps, log.watts, log.lye_temp, log.room_temp, log.gas_lpm)
    ]
    return zip(*columns, strict=True)


def listen(run: Run) -> ForecastSeries:
    """Play a run to the watch and write down what it says, once a minute."""
    return heard(run.log, config_of(run))


def heard(log: Log, config: RunawayConfig) -> ForecastSeries:
    """Play a log to the watch of a bench and write down what it says, once a minute."""
    watch = RunawayWatch(config)
    forecasts = ForecastSeries()
    next_s = 60.0
    for row in ticks(log):
        watch.update(*row)  # type: ignore[arg-type]
        t = row[0]
        assert t is not None
        if t >= next_s:
            next_s += 60.0
            f = watch.forecast()
            forecasts.at_s.append(t)
            if f is None:
                forecasts.time_to_limit_s.append(np.inf)
                forecasts.steady_c.append(np.nan)
            else:
                left = f.time_to_limit_s["high"].value
                forecasts.time_to_limit_s.append(np.inf if left is None else left)
                steady = f.steady_state_c.value
                forecasts.steady_c.append(np.nan if steady is None else steady)
    forecasts.warnings = [
        (w.raised_s, np.inf if w.cleared_s is None else w.cleared_s) for w in watch.warnings
    ]
    return forecasts
