"""The runaway watch for a bench: what the bench file says goes in, JSON and warnings come out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from daq.bench import Bench
from daq.forecast.decision import RunawayWarning
from daq.forecast.experience import Experience
from daq.forecast.monitor import Forecast, RunawayConfig, RunawayWatch
from daq.physics.moist_gas import pressure_from_altitude
from daq.physics.reference import reference_condition

__all__ = ["RunawayForecaster", "runaway_config"]

_LIMITS: Final = ("high", "trip", "warn")
"""The limit that is watched is the first of these that the bench file gives for `lye_temp`."""


def runaway_config(bench: Bench) -> RunawayConfig:
    """What the bench file says that bears on the heat balance."""
    spec = bench.limits.get("lye_temp")
    limits = {} if spec is None else {n: float(v) for n in _LIMITS if (v := getattr(spec, n)) is not None}
    kpa = bench.site.pressure_kpa
    if kpa is None:
        kpa = float(pressure_from_altitude(bench.site.altitude_m or 0.0))
    return RunawayConfig(
        cells=bench.stack.cells,
        litres=bench.stack.litres,
        steel_kg=bench.stack.steel_kg,
        litres_u=bench.stack.litres_u or 0.0,
        steel_kg_u=bench.stack.steel_kg_u or 0.0,
        electrolyte=bench.stack.electrolyte,
        mass_fraction=bench.stack.mass_fraction,
        limits_c=limits,
        watched=next(iter(limits), None),
        mode=bench.supply.mode,
        amps_max=bench.supply.amps_max,
        volts_max=bench.supply.volts_max,
        room_temp_c=bench.site.room_temp_c,
        room_temp_u_c=bench.site.room_temp_c_u,
        powered_above_amps=bench.supply.powered_above_amps,
        pressure_kpa=kpa,
        false_costs_min=bench.alarms.false_warning_costs_min,
        flow_reference=reference_condition(bench.site.reference),
    )


class RunawayForecaster:
    """The runaway watch as `daq.watch.Watch` and the review take it.

    Parameters
    ----------
    bench : Bench
    earlier : mapping or None
        What `experience` gave of an earlier run of this bench; None, or what is not that, is no experience.
    build : str
        Of the stack, as it is now.
    """

    def __init__(self, bench: Bench, earlier: Mapping[str, Any] | None = None, build: str = "") -> None:
        known = None if earlier is None else Experience.from_json(earlier)
        prior = None if known is None else known.widened(build)
        self.watch = RunawayWatch(replace(runaway_config(bench), experience=prior))
        self._warnings: list[dict[str, Any]] = []
        self._last: RunawayWarning | None = None

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
        """Take the means of one tick.

        Parameters
        ----------
        t_s, volts, amps, watts, lye_temp, room_temp, gas_flow : float
            As `RunawayWatch.update`.
        """
        self.watch.update(t_s, volts, amps, watts, lye_temp, room_temp, gas_flow)

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        """The lye is of that strength [1] and amount [L] from now on."""
        self.watch.set_lye(mass_fraction, litres)

    def forecast(self) -> dict[str, Any] | None:
        """The forecast, as JSON says it: bands are the 5 % and 95 % points; a time is null where the
        limit is not reached within a day.
        """
        forecast = self.watch.forecast()
        return None if forecast is None else _as_json(forecast, self.watch.config)

    def experience(self, build: str) -> dict[str, Any] | None:
        """What this run has taught so far, as JSON says it; None where that is too little."""
        taught = self.watch.experience(build)
        return None if taught is None else taught.as_json()

    @property
    def weaknesses(self) -> Mapping[str, str]:
        """Alarms of what weakens the forecast now, each with its cause."""
        return self.watch.weaknesses

    @property
    def warnings(self) -> Sequence[Mapping[str, Any]]:
        """All warnings so far, oldest first."""
        warnings = self.watch.warnings
        if warnings and warnings[-1] is not self._last:
            self._last = warnings[-1]
            self._warnings = [_warning(w) for w in warnings]
        return self._warnings


def _warning(w: RunawayWarning) -> dict[str, Any]:
    return {
        "raised_s": w.raised_s,
        "cleared_s": w.cleared_s,
        "limit_c": w.limit_c,
        "reason": w.reason,
        "why_cleared": w.why_cleared,
        "numbers": w.numbers,
        "causes": {name: round(p, 2) for name, p in w.causes.items()},
    }


def _digits(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)


def _as_json(f: Forecast, config: RunawayConfig) -> dict[str, Any]:
    times = {
        name: {
            "limit_c": config.limits_c[name],
            "time_s": _digits(b.value, 1),
            "low_s": _digits(b.low, 1),
            "high_s": _digits(b.high, 1),
        }
        for name, b in f.time_to_limit_s.items()
    }
    watched = times.get(config.watched or "", {})
    return {
        "limit": config.watched,
        "limit_c": watched.get("limit_c"),
        "time_to_limit_s": watched.get("time_s"),
        "time_to_limit_low_s": watched.get("low_s"),
        "time_to_limit_high_s": watched.get("high_s"),
        "steady_state_c": _digits(f.steady_state_c.value, 2),
        "steady_state_low_c": _digits(f.steady_state_c.low, 2),
        "steady_state_high_c": _digits(f.steady_state_c.high, 2),
        "limits": times,
        "chance": round(f.chance, 3),
        "loop_gain": _digits(f.loop_gain.value, 3),
        "loop_gain_low": _digits(f.loop_gain.low, 3),
        "loop_gain_high": _digits(f.loop_gain.high, 3),
        "power": {
            "heat_w": _digits(f.heat_w, 1),
            "gas_w": _digits(f.gas_w, 1),
            "vapour_w": _digits(f.vapour_w, 1),
            "loss_w": _digits(f.loss_w, 1),
        },
        "heat_capacity_j_k": _digits(f.capacity_j_k.value, 0),
        "loss_resistance_k_w": _digits(f.resistance_k_w.value, 4),
        "regime": f.regime,
        "confidence": f.confidence,
        "unknowns": list(f.unknowns),
        "words": f.words,
    }
