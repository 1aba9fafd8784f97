"""Running scenarios, all at once: the true course, what present conditions lead to, and the log."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.signal import lfilter

from tests.runaway_bench.electrodes import FloatArray
from tests.runaway_bench.plant import Conditions, Plants, State, step
from tests.runaway_bench.scenarios import STEPS, Scenario
from tests.runaway_bench.truth import Log, Truth

__all__ = ["Run", "simulate"]

CHECKS = 90
"""Instants of a run from which present conditions are propagated."""


@dataclass(slots=True)
class Run(Truth):
    """A scenario run."""

    scenario: Scenario


def _stacked(parts: list[Plants]) -> Plants:
    return Plants(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Plants)})


def simulate(scenarios: list[Scenario]) -> list[Run]:
    """Simulate scenarios side by side, each over its own duration in `STEPS` steps."""
    plants = _stacked([s.design.plants() for s in scenarios])
    script = Conditions(
        **{f.name: np.stack([getattr(s.script, f.name) for s in scenarios], 1) for f in fields(Conditions)}
    )
    start = np.array([s.design.start_c for s in scenarios])
    water = np.array([s.design.lye_kg * (1.0 - s.design.w) for s in scenarios])
    state = State(start, start.copy(), water)
    dt = np.array([s.duration_s / STEPS for s in scenarios])
    names = ("temp", "res", "water", "amps", "volts", "gas", "power")
    kept = {n: np.empty((STEPS + 1, len(scenarios))) for n in names}
    mixes: dict[int, list[tuple[int, float]]] = {}
    for i, s in enumerate(scenarios):
        for k, share in s.mixes:
            mixes.setdefault(k, []).append((i, share))
    for k in range(STEPS + 1):
        now = script.at(k)
        for i, share in mixes.get(k, []):
            cold = now.room_c[i]
            state.reservoir_c[i] += 1.6 * share * (cold - state.reservoir_c[i])
            state.stack_c[i] += 0.4 * share * (cold - state.stack_c[i])
            state.water_kg[i] *= 1.0 + 0.15 * share
        new, el, power = step(plants, state, now, dt)
        row = (state.stack_c, state.reservoir_c, state.water_kg, el.amps, el.cell_volts, el.gas_amps, power)
        for n, values in zip(names, row, strict=True):
            kept[n][k] = values
        state = new
    checks = np.linspace(0, STEPS, CHECKS + 1).astype(int)
    leads, settles = _carried_on(scenarios, plants, script, kept, dt, checks)
    return [
        _run(s, i, {n: v[:, i] for n, v in kept.items()}, script, checks, leads[:, i], settles[:, i])
        for i, s in enumerate(scenarios)
    ]


def _carried_on(
    scenarios: list[Scenario],
    plants: Plants,
    script: Conditions,
    kept: dict[str, FloatArray],
    dt: FloatArray,
    checks: np.ndarray[tuple[int], np.dtype[np.int_]],
) -> tuple[np.ndarray[tuple[int, int], np.dtype[np.bool_]], FloatArray]:
    """From each check, carry present conditions (lye as it is) on until the limit or a standstill."""
    n = len(scenarios)
    row, col = (a.ravel() for a in np.meshgrid(checks, np.arange(n), indexing="ij"))
    limit = np.array([s.design.limit_c for s in scenarios])[col]
    many = plants.take(col)
    many.dries = np.zeros(len(col))
    now = script.at((row, col))
    state = State(kept["temp"][row, col], kept["res"][row, col], kept["water"][row, col])
    crossed = state.stack_c >= limit
    final = state.stack_c.copy()
    alive = np.arange(len(col))[~crossed & (now.on > 0)]
    lead_dt = np.minimum(3.0 * dt[col], 0.4 * many.reservoir_j_k / many.circulation_w_k)
    passed = np.zeros(len(col))
    for k in range(6000):
        if len(alive) == 0:
            break
        if k % 25 == 0:
            sub, cond, dts, lim = many.take(alive), now.at(alive), lead_dt[alive], limit[alive]
            st = State(state.stack_c[alive], state.reservoir_c[alive], state.water_kg[alive])
            before = st.stack_c
        st, _, _ = step(sub, st, cond, dts)
        if k % 25 == 24:
            state.stack_c[alive], state.reservoir_c[alive] = st.stack_c, st.reservoir_c
            passed[alive] += 25.0 * dts
            over = st.stack_c >= lim
            rate = np.abs(st.stack_c - before) / (25.0 * dts)
            still = rate * np.array([s.duration_s for s in scenarios])[col[alive]] < 0.1
            crossed[alive[over]] = True
            alive = alive[~(over | still)]
    final = np.where(crossed, np.nan, state.stack_c)
    return crossed.reshape(len(checks), n), final.reshape(len(checks), n)


def _run(
    s: Scenario,
    i: int,
    kept: dict[str, FloatArray],
    script: Conditions,
    checks: np.ndarray[tuple[int], np.dtype[np.int_]],
    leads: np.ndarray[tuple[int], np.dtype[np.bool_]],
    settles: FloatArray,
) -> Run:
    t = np.linspace(0.0, s.duration_s, STEPS + 1)
    over = np.nonzero(kept["temp"] >= s.design.limit_c)[0]
    crossed = None
    end = s.duration_s
    if len(over):
        k = int(over[0])
        a, b = (kept["temp"][k - 1], kept["temp"][k]) if k else (0.0, 1.0)
        crossed = float(t[k - 1] + (t[k] - t[k - 1]) * (s.design.limit_c - a) / (b - a)) if k else 0.0
        end = crossed
    log = _log(s, t, kept, script.room_c[:, i], end)
    at = t[checks]
    seen = at <= end
    return Run(s.name, log, t, kept["temp"], crossed, at[seen], leads[seen], settles[seen], s)


def _log(s: Scenario, t: FloatArray, kept: dict[str, FloatArray], room: FloatArray, end: float) -> Log:
    q = s.sensing
    rng = np.random.default_rng([*s.seed, 99])
    at = np.arange(0.0, end, q.tick_s)
    n = len(at)

    def on_ticks(y: FloatArray) -> FloatArray:
        return np.asarray(np.interp(at, t, y))

    share = np.exp(-q.tick_s / max(q.lag_s, 1e-3))
    true = on_ticks(kept["temp"])
    lagged, _ = lfilter([1.0 - share], [1.0, -share], true, zi=[share * true[0]])
    noise = rng.normal(0.0, q.temp_noise, n)
    drift = q.drift_c_h * np.maximum(at - q.drift_from * s.duration_s, 0.0) / 3600.0
    temp = lagged + noise + drift + q.temp_offset
    temp = np.round(temp / q.temp_step) * q.temp_step
    temp[at > q.stuck_from * s.duration_s] = temp[min(int(q.stuck_from * s.duration_s / q.tick_s), n - 1)]
    if q.glitches:
        temp[rng.integers(0, n, q.glitches)] = 85.0
    amps = on_ticks(kept["amps"])
    volts = s.design.cells * on_ticks(kept["volts"])
    watts = on_ticks(kept["power"]) * (1.0 + 0.003 * rng.normal(size=n))
    amps = np.minimum(amps * (1.0 + 0.003 * rng.normal(size=n)) + 0.01 * rng.normal(size=n), q.amps_max)
    volts = volts * (1.0 + 0.001 * rng.normal(size=n))
    made = 0.75 * s.design.cells * on_ticks(kept["gas"]) / 96485.33212 * 22.41397 * 60.0
    flow = made * (1.0 + 0.02 * rng.normal(size=n)) * float(np.exp(rng.normal(0.0, 0.02)))
    air = on_ticks(room) + rng.normal(0.0, 0.1, n)
    if q.missing:
        for y in (temp, amps, volts, watts, flow, air):
            y[rng.random(n) < q.missing] = np.nan
    return Log(
        at, volts, amps, watts if q.watts else None, temp, air if q.room else None, flow if q.flow else None
    )
