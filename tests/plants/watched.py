"""The watch on a bench of the generator: what it says, minute by minute, and what a tick costs."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import numpy as np

from daq.forecast.experience import Experience
from daq.forecast.monitor import RunawayConfig, RunawayWatch
from tests.plants.simulate import Course

__all__ = ["Heard", "config_of", "listen"]


@dataclass(slots=True)
class Heard:
    """Warnings (raised, cleared or inf), what was said each minute (NaN: nothing), cost."""

    warnings: list[tuple[float, float]] = field(default_factory=list)
    causes: list[str] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    chance: list[float] = field(default_factory=list)
    left_s: list[tuple[float, float, float]] = field(default_factory=list)
    settles_c: list[tuple[float, float, float]] = field(default_factory=list)
    ticks: int = 0
    spent_s: float = 0.0
    experience: Experience | None = None
    """What the run has taught."""


def config_of(c: Course, experience: Experience | None = None) -> RunawayConfig:
    """What the bench file says of this bench, and what an earlier run taught."""
    stated = c.bench.stated
    return RunawayConfig(
        cells=int(c.bench.plant.cells[0]), litres=stated.litres, steel_kg=stated.steel_kg,
        limits_c={"high": c.bench.limit_c}, mass_fraction=stated.strength, mode=stated.mode,  # type: ignore[arg-type]
        amps_max=stated.amps_max, room_temp_c=stated.room_c, experience=experience,
    )  # fmt: skip


def listen(c: Course, experience: Experience | None = None) -> Heard:
    """Play a run to the watch."""
    log = c.log
    watch = RunawayWatch(config_of(c, experience))
    n = len(log.t_s)
    columns = [
        [None] * n if y is None else y.tolist()
        for y in (log.t_s, log.volts, log.amps, log.watts, log.lye_temp, log.room_temp, log.gas_lpm)
    ]
    heard = Heard(ticks=n)
    began = time.process_time()
    each = 12
    for k, row in enumerate(zip(*columns, strict=True)):
        watch.update(*row)
        if k % each != each - 1:
            continue
        f = watch.forecast()
        heard.at_s.append(row[0])
        if f is None:
            heard.chance.append(np.nan)
            heard.left_s.append((np.inf, np.nan, np.nan))
            heard.settles_c.append((np.nan, np.nan, np.nan))
            continue
        heard.chance.append(f.chance)
        b, s = f.time_to_limit_s["high"], f.steady_state_c
        heard.left_s.append(tuple(np.inf if v is None else v for v in (b.value, b.low, b.high)))  # type: ignore[arg-type]
        heard.settles_c.append(tuple(np.inf if v is None else v for v in (s.value, s.low, s.high)))  # type: ignore[arg-type]
    heard.spent_s = time.process_time() - began
    heard.warnings = [(w.raised_s, np.inf if w.cleared_s is None else w.cleared_s) for w in watch.warnings]
    heard.experience = watch.experience("one")
    heard.causes = [str(getattr(w, "cause", "")) for w in watch.warnings]
    return heard
