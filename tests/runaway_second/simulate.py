"""Running the second simulator's scenarios side by side: course, what it leads to, log; redrawn where a
scenario does not do what its name says.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.signal import lfilter

from daq.forecast.monitor import RunawayConfig
from tests.runaway_bench.truth import BoolArray, Log, Truth
from tests.runaway_second.electrode import Cells, FloatArray
from tests.runaway_second.plant import Now, Plant, State, step
from tests.runaway_second.scenarios import FAMILIES, STEPS, Scenario, draw

__all__ = ["Run", "build", "config_of", "stacked", "state_of"]

_CHECKS = 90
_ROUNDS = 400
_GAS_SHARE = 0.75 / 96485.33212 * 22.41397 * 60.0
"""L/min (0 degC, 101.325 kPa) for each ampere of a cell."""


@dataclass(slots=True)
class Run(Truth):
    """A scenario run."""

    scenario: Scenario


def config_of(run: Run) -> RunawayConfig:
    """What a bench file would say of this bench."""
    s = run.scenario
    return RunawayConfig(
        cells=int(s.plant.number[0]),
        litres=s.litres,
        steel_kg=s.steel_kg,
        mass_fraction=s.strength,
        limits_c={"high": s.limit_c},
        mode=s.mode,  # type: ignore[arg-type]
        amps_max=s.amps_max,
        room_temp_c=s.room_c,
        powered_above_amps=0.3,
    )


def build(n: int, seed: int) -> list[Run]:
    """`n` runs, families in turn, every other one benign; the same for the same arguments."""
    runs: dict[int, Run] = {}
    for attempt in range(_ROUNDS):
        scenarios: dict[int, Scenario] = {}
        for i in sorted(set(range(n)) - set(runs)):
            rng = np.random.default_rng([seed, i, attempt])
            family, runaway = FAMILIES[i // 2 % len(FAMILIES)], i % 2 == 0
            drawn = (draw(family, runaway, rng) for _ in range(400))
            scenarios[i] = next(s for s in drawn if s is not None)
        for i, run in _simulated(scenarios, seed).items():
            # A run without a rise to watch, or whose fate is sealed as it begins to end, tells nothing.
            begin = run.inevitable_s
            warned_in_time = run.crossed_s is not None and begin is not None and run.crossed_s - begin > 180.0
            if warned_in_time if i % 2 == 0 else run.benign:
                runs[i] = run
        if len(runs) == n:
            return [runs[i] for i in range(n)]
    raise RuntimeError(f"no run found for {sorted(set(range(n)) - set(runs))}")


def stacked(plants: list[Plant]) -> Plant:
    """Plants of one stack each, side by side."""

    def joined(kind: type, parts: list[object]) -> dict[str, FloatArray]:
        names = [f.name for f in fields(kind) if f.name != "cells"]
        return {n: np.concatenate([getattr(p, n) for p in parts]) for n in names}

    cells = Cells(**joined(Cells, [p.cells for p in plants]))
    return Plant(cells=cells, **joined(Plant, list(plants)))


def state_of(made: list[Scenario]) -> State:
    """As they begin, side by side."""
    start = np.array([s.start_c for s in made])
    return State(start, start.copy(), np.array([s.water_kg for s in made]), np.full(len(made), 0.1))


def _simulated(scenarios: dict[int, Scenario], seed: int) -> dict[int, Run]:
    made = list(scenarios.values())
    plant = stacked([s.plant for s in made])
    script = Now(*(np.stack([getattr(s.script, f.name) for s in made], 1) for f in fields(Now)))
    state = state_of(made)
    dt = np.array([s.duration_s / STEPS for s in made])
    names = ("stack", "tank", "water", "j", "amps", "volts", "gas", "power")
    kept = {n: np.empty((STEPS + 1, len(made))) for n in names}
    for k in range(STEPS + 1):
        now = script.take(k)
        for i, s in enumerate(made):
            for at, share in s.mixes:
                if at == k:
                    state.tank_c[i] += share * (now.room_c[i] - state.tank_c[i])
        new, f = step(plant, state, now, dt)
        row = (
            state.stack_c, state.tank_c, state.water_kg, f.j, f.amps, f.cell_volts, f.gas_amps, f.power_w,
        )  # fmt: skip
        for n, values in zip(names, row, strict=True):
            kept[n][k] = values
        state = new
    checks = np.linspace(0, STEPS, _CHECKS + 1).astype(np.int64)
    limits = np.array([s.limit_c for s in made])
    leads, settles = _led(plant, script, kept, dt, checks, limits)
    return {
        i: _run(s, (seed, i), {n: v[:, k] for n, v in kept.items()}, checks, leads[:, k], settles[:, k])
        for k, (i, s) in enumerate(scenarios.items())
    }


def _led(
    plant: Plant,
    script: Now,
    kept: dict[str, FloatArray],
    dt: FloatArray,
    checks: np.ndarray[tuple[int], np.dtype[np.int64]],
    limits: FloatArray,
) -> tuple[BoolArray, FloatArray]:
    """From each check on under its conditions, the lye as it is, until the limit or a standstill."""
    n = len(dt)
    at, which = (a.ravel() for a in np.meshgrid(checks, np.arange(n), indexing="ij"))
    many, now = plant.take(which), script.take((at, which))
    many.dries = np.zeros(len(at))
    state = State(*(kept[name][at, which].copy() for name in ("stack", "tank", "water", "j")))
    limit, steps = limits[which], 3.0 * dt[which]
    crossed = state.stack_c >= limit
    final = state.stack_c.copy()
    alive = np.nonzero(~crossed & (now.on > 0.0))[0]
    for _ in range(240):
        if not len(alive):
            break
        p, cond, s, d = many.take(alive), now.take(alive), state.take(alive), steps[alive]
        for _ in range(25):
            s, _ = step(p, s, cond, d)
        moved = np.abs(s.stack_c - state.stack_c[alive]) / (25.0 * d) * (STEPS * dt[which[alive]])
        for name in ("stack_c", "tank_c", "j"):
            getattr(state, name)[alive] = getattr(s, name)
        over = s.stack_c >= limit[alive]
        crossed[alive[over]] = True
        final[alive] = s.stack_c
        alive = alive[~over & (moved > 0.1)]
    final[crossed] = np.nan
    return crossed.reshape(len(checks), n), final.reshape(len(checks), n)


def _run(
    s: Scenario,
    seed: tuple[int, int],
    kept: dict[str, FloatArray],
    checks: np.ndarray[tuple[int], np.dtype[np.int64]],
    leads: BoolArray,
    settles: FloatArray,
) -> Run:
    t = np.linspace(0.0, s.duration_s, STEPS + 1)
    over = np.nonzero(kept["stack"] >= s.limit_c)[0]
    crossed = None
    if len(over) and over[0] > 0:
        k = int(over[0])
        crossed = float(np.interp(s.limit_c, kept["stack"][k - 1 : k + 1], t[k - 1 : k + 1]))
    end = s.duration_s if crossed is None else crossed
    seen = t[checks] <= end
    name = f"{s.family}-{'runaway' if seed[1] % 2 == 0 else 'benign'}-{seed[0]}.{seed[1]}"
    log = _log(s, t, kept, end, np.random.default_rng([*seed, 7]))
    return Run(name, log, t, kept["stack"], crossed, t[checks][seen], leads[seen], settles[seen], s)


def _log(
    s: Scenario, t: FloatArray, kept: dict[str, FloatArray], end: float, rng: np.random.Generator
) -> Log:
    q = s.sensing
    at = np.arange(0.0, end, q.row_s)

    def read(y: FloatArray, relative: float = 0.0) -> FloatArray:
        # Conditions step: no ramp between two of the simulation's steps
        k = np.minimum(np.searchsorted(t, at, side="right") - 1, STEPS)
        return np.asarray(y[k] * (1.0 + relative * rng.normal(size=len(at))))

    late = np.exp(-q.row_s / q.late_s)
    true = np.interp(at, t, kept["stack"])
    temp, _ = lfilter([1.0 - late], [1.0, -late], true, zi=[late * true[0]])
    temp = temp + rng.normal(0.0, q.temp_sd, len(at)) + rng.normal(0.0, 0.05)
    temp += q.drift_k_h * np.maximum(at - q.drift_from * s.duration_s, 0.0) / 3600.0
    temp = np.round(temp / q.temp_digit) * q.temp_digit
    stuck = at > q.stuck_from * s.duration_s
    if stuck.any():
        temp[stuck] = temp[int(np.argmax(stuck))]
    temp[rng.integers(0, len(at), q.leaps)] = 85.0
    number = float(s.plant.number[0])
    duty = s.script.duty
    log = Log(
        at,
        number * read(kept["volts"] * (duty if s.mode == "pwm" else 1.0), 0.001),
        np.minimum(read(kept["amps"], 0.003), q.amps_range),
        read(kept["power"], 0.003),
        temp,
        np.interp(at, t, s.script.room_c) + rng.normal(0.0, 0.1, len(at)),
        number * _GAS_SHARE * read(kept["gas"], 0.02) * float(np.exp(rng.normal(0.0, 0.02))),
    )
    if q.missing:
        for f in fields(Log)[1:]:
            getattr(log, f.name)[rng.random(len(at)) < q.missing] = np.nan
    return replace(
        log,
        watts=log.watts if q.watts else None,
        room_temp=log.room_temp if q.room else None,
        gas_lpm=log.gas_lpm if q.flow else None,
    )
