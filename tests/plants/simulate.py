"""Many benches side by side: the true course, what present conditions lead to, and the log of each.

Conditions propagated from a check are those of its instant without any event to come: what wanders reverts
to its mean as fast as it does, the water goes on being used and made up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.plants.draw import DT_S, Bench, draw
from tests.plants.physics import Benches, FloatArray, Now, State, flows, step

__all__ = ["NEAREST_K", "Course", "Log", "courses", "played"]

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

CHECK_S = 240.0
NEAREST_K = 1.0
"""A run whose conditions lead nearer the limit than this without crossing it is neither benign nor not."""
_CARRIED_S = 12.0 * 3600.0
_CARRIED_DT_S = 30.0
_BLOCK = 60
"""Steps between two looks at who is done."""


@dataclass(slots=True)
class Log:
    """What the watch is fed; NaN is missing, None not measured."""

    t_s: FloatArray
    volts: FloatArray
    amps: FloatArray
    watts: FloatArray | None
    lye_temp: FloatArray
    room_temp: FloatArray | None
    gas_lpm: FloatArray | None


@dataclass(slots=True)
class Course:
    """A run up to its crossing or its end, and what is true of it; fields as `tests.runaway_bench.truth`."""

    bench: Bench
    log: Log
    t_s: FloatArray
    true_c: FloatArray
    crossed_s: float | None
    check_s: FloatArray
    leads_to_limit: BoolArray
    settles_c: FloatArray
    """Where the conditions of a check lead at most; NaN where they cross."""
    crosses_in_s: FloatArray
    """Time from each check until they cross; infinite where they do not."""

    @property
    def name(self) -> str:
        """By seed and structure."""
        return f"{self.bench.seed}-{'-'.join(self.bench.structure.values())}"

    @property
    def inevitable_s(self) -> float | None:
        """Since when conditions lead to the limit without a break, for a run that crosses."""
        if self.crossed_s is None:
            return None
        not_yet = np.nonzero(~self.leads_to_limit)[0]
        first = 0 if len(not_yet) == 0 else int(not_yet[-1]) + 1
        return float(self.check_s[first]) if first < len(self.check_s) else self.crossed_s

    @property
    def benign(self) -> bool:
        """Whether conditions never lead to within `NEAREST_K` of the limit."""
        return self.crossed_s is None and self.margin_k >= NEAREST_K

    @property
    def undecided(self) -> bool:
        """Whether a run that does not cross is led over the limit for a while, or all but there."""
        return self.crossed_s is None and not self.benign

    @property
    def margin_k(self) -> float:
        """How near the limit the conditions lead, for a run that they never lead to it [K]; else NaN."""
        if self.crossed_s is not None or bool(self.leads_to_limit.any()):
            return np.nan
        return self.bench.limit_c - float(np.nanmax(self.settles_c))


def _joined(benches: list[Bench]) -> Benches:
    return Benches(*(np.concatenate([getattr(b.plant, k) for b in benches]) for k in Benches.names()))


def _start(benches: list[Bench], p: Benches) -> State:
    start = np.array([b.start_c for b in benches])
    s = State(
        start, start.copy(), start.copy(), p.water_kg.copy(), np.full(len(start), 300.0), p.volts.copy()
    )
    now = Now(*(np.array([getattr(b.now, k)[0] for b in benches]) for k in Now.names()))
    f = flows(p, s, now, 40)
    s.j, s.drawn_v = f.j, f.volts
    return s


def courses(seeds: list[int]) -> list[Course]:
    """Simulate the benches of these seeds."""
    return played([draw(s) for s in seeds])


def played(benches: list[Bench]) -> list[Course]:
    """Simulate these benches, in the order of their seeds."""
    benches = sorted(benches, key=lambda b: b.duration_s)
    n = len(benches)
    p, limit = _joined(benches), np.array([b.limit_c for b in benches])
    steps = np.array([len(b.loss_wander) for b in benches])
    longest = int(steps.max())

    def padded(column: list[FloatArray]) -> FloatArray:
        out = np.zeros((longest, n), dtype=np.float64)
        for i, c in enumerate(column):
            out[: len(c), i] = c
            out[len(c) :, i] = c[-1]
        return out

    base = Now(*(padded([getattr(b.now, k) for b in benches]) for k in Now.names()))
    wander = [padded([b.loss_wander for b in benches]), padded([b.room_wander for b in benches]),
              padded([b.area_wander for b in benches])]  # fmt: skip
    seen_tank = np.array([b.structure["seen"] == "tank" for b in benches])
    kept = {
        k: np.full((longest, n), np.nan)
        for k in ("t1", "t2", "t3", "water", "j", "v", "amps", "gas", "power")
    }
    alive, state = np.arange(n), _start(benches, p)
    some, dt = p, np.full(n, DT_S)
    for k in range(longest):
        if k % _BLOCK == 0:
            here = np.where(seen_tank[alive], state.tank_c, state.stack_c)
            goes_on = (here < limit[alive]) & (k < steps[alive])
            if not goes_on.all():
                alive, state, some, dt = alive[goes_on], state.take(goes_on), some.take(goes_on), dt[goes_on]
            if not len(alive):
                break
        now = Now(*(getattr(base, name)[k, alive] for name in Now.names()))
        now.loss = now.loss * np.exp(wander[0][k, alive])
        now.room_c = now.room_c + wander[1][k, alive]
        now.area = now.area * np.exp(wander[2][k, alive])
        before = state
        state, f = step(some, state, now, dt, 3)
        for name, v in (("t1", before.stack_c), ("t2", before.tank_c), ("t3", before.frame_c), ("j", f.j),
                        ("water", before.water_kg), ("v", f.volts), ("amps", f.amps), ("gas", f.gas_amps),
                        ("power", f.power_w)):  # fmt: skip
            kept[name][k, alive] = v
    ends = []
    for i, b in enumerate(benches):
        seen = kept["t2" if seen_tank[i] else "t1"][:, i]
        over = np.nonzero(seen >= b.limit_c)[0]
        ends.append(min(int(over[0]) if len(over) else longest, int(np.isfinite(seen).sum()), steps[i]))
    checks = [
        np.arange(0, e, round(max(CHECK_S, b.duration_s / 80.0) / DT_S))
        for e, b in zip(ends, benches, strict=True)
    ]
    led = _carried_on(benches, p, base, wander, kept, checks, seen_tank)
    out = [
        _course(b, {k: v[:, i] for k, v in kept.items()}, ends[i], checks[i], led[i], wander[1][:, i])
        for i, b in enumerate(benches)
    ]
    return sorted(out, key=lambda c: c.bench.seed)


def _carried_on(
    benches: list[Bench], p: Benches, base: Now, wander: list[FloatArray], kept: dict[str, FloatArray],
    checks: list[IntArray], seen_tank: BoolArray,
) -> list[tuple[FloatArray, FloatArray]]:  # fmt: skip
    """From each check on: when the limit is crossed [s] (inf: not), and the warmest on the way [degC]."""
    col = np.concatenate([np.full(len(c), i) for i, c in enumerate(checks)])
    row = np.concatenate(checks)
    limit = np.array([b.limit_c for b in benches])[col]
    taus = np.array([b.reverts_s for b in benches])[col]
    off = [w[row, col] for w in wander]
    tank = seen_tank[col]
    state = State(*(kept[k][row, col] for k in ("t1", "t2", "t3", "water", "j", "v")))
    now = Now(*(getattr(base, k)[row, col] for k in Now.names()))
    crossed, warmest = np.full(len(col), np.inf), np.full(len(col), -np.inf)
    alive, many = np.arange(len(col)), p.take(col)
    dt = np.full(len(col), _CARRIED_DT_S)
    last = np.where(tank, state.tank_c, state.stack_c)
    warmest = last.copy()
    for k in range(int(_CARRIED_S / _CARRIED_DT_S)):
        t = k * _CARRIED_DT_S
        fade = np.exp(-t / taus[alive])
        at = Now(now.volts, now.knee, now.duty, now.loss * np.exp(off[0][alive] * fade[:, 0]),
                 now.room_c + off[1][alive] * fade[:, 1], now.leak_s,
                 now.area * np.exp(off[2][alive] * fade[:, 2]))  # fmt: skip
        state, _ = step(many, state, at, dt, 2)
        seen = np.where(tank[alive], state.tank_c, state.stack_c)
        warmest[alive] = np.maximum(warmest[alive], seen)
        over = seen >= limit[alive]
        crossed[alive[over]] = t + _CARRIED_DT_S
        done = over
        if k % 40 == 39:
            # Below by more than what still moves can bring
            rate = (seen - last) / (40.0 * _CARRIED_DT_S)
            settled = (np.abs(seen - last) < 0.02) & (fade.max(1) < 0.05)
            cooling = (rate < 0.0) & (limit[alive] - seen > 3.0) & (fade.max(1) < 0.05)
            last = seen
            done = over | settled | cooling
        if done.any():
            stay = ~done
            alive, state, many, dt, last = (
                alive[stay],
                state.take(stay),
                many.take(stay),
                dt[stay],
                last[stay],
            )
            now = now.take(stay)
            if not len(alive):
                break
    bounds = np.cumsum([len(c) for c in checks])[:-1]
    return list(zip(np.split(crossed, bounds), np.split(warmest, bounds), strict=True))


def _course(
    b: Bench, kept: dict[str, FloatArray], end: int, checks: IntArray,
    led: tuple[FloatArray, FloatArray], room_wander: FloatArray,
) -> Course:  # fmt: skip
    t: FloatArray = DT_S * np.arange(end, dtype=np.float64)
    seen = kept["t2" if b.structure["seen"] == "tank" else "t1"]
    crossed = None
    if end < len(b.loss_wander) and end < len(seen) and seen[end] >= b.limit_c:
        crossed = DT_S * end
    crosses, warmest = led
    log = _log(b, t, {k: v[:end] for k, v in kept.items()}, seen[:end], room_wander[:end])
    return Course(b, log, t, seen[:end], crossed, t[checks], np.isfinite(crosses),
                  np.where(np.isfinite(crosses), np.nan, warmest), crosses)  # fmt: skip


def _log(
    b: Bench, t: FloatArray, kept: dict[str, FloatArray], seen: FloatArray, room_wander: FloatArray
) -> Log:
    q = b.sensing
    rng = np.random.default_rng([2302, b.seed])
    n = len(t)

    def normal() -> FloatArray:
        return rng.normal(size=n)

    temp = _lagged(seen, q.lag_s) + normal() * q.sd
    temp += q.drift_k_h * np.maximum(t - q.drift_from_s, 0.0) / 3600.0
    if q.burst_sd:
        keep = float(np.exp(-DT_S / q.burst_tau_s))
        slow = _lagged(normal(), q.burst_tau_s) * np.sqrt((1.0 + keep) / (1.0 - keep)) * q.burst_sd
        on = np.zeros(n)
        for _ in range(1 + int(t[-1] / 3600.0 * 2.0)):
            at = rng.uniform(0.0, t[-1])
            on[(t > at) & (t < at + rng.uniform(120.0, 900.0))] = 1.0
        temp += slow * on
    for _ in range(q.bumps):
        at, high = rng.uniform(600.0, max(t[-1], 700.0)), rng.uniform(0.5, 3.0)
        up, lasts, down = rng.uniform(10.0, 60.0), rng.uniform(60.0, 300.0), rng.uniform(30.0, 120.0)
        rises = 1.0 - np.exp(-np.maximum(t - at, 0.0) / up)
        temp += high * rises * np.exp(-np.maximum(t - at - lasts, 0.0) / down)
    temp = np.round(temp / q.digit) * q.digit
    keep = float(np.exp(-DT_S / q.amps_tau_s))
    ripple = _lagged(normal(), q.amps_tau_s) * np.sqrt((1.0 + keep) / (1.0 - keep)) * q.amps_sd
    amps = kept["amps"] * (1.0 + ripple + 0.001 * normal()) * q.gain_amps
    duty = b.now.duty[:n]
    volts = kept["v"] * duty * (1.0 + 0.001 * normal()) * q.gain_volts
    watts = kept["power"] * (1.0 + ripple + 0.001 * normal()) * q.gain_watts
    room = b.now.room_c[:n] + room_wander + q.room_offset + 0.1 * normal()
    per_amp = 0.75 * float(b.plant.cells[0]) / 96485.33212 * 22.41397 * 60.0
    gas = per_amp * kept["gas"] * q.gain_flow * (1.0 + 0.02 * normal())
    return Log(
        t, volts, amps, watts if q.watts else None, temp, room if q.room else None, gas if q.flow else None
    )


def _lagged(y: FloatArray, lag_s: float) -> FloatArray:
    keep = float(np.exp(-DT_S / max(lag_s, 1e-3)))
    out = np.empty_like(y)
    last = float(y[0])
    gain = 1.0 - keep
    for k, v in enumerate(y.tolist()):
        last += gain * (v - last)
        out[k] = last
    return out
