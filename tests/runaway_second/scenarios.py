"""What happens to which stack, and how it is measured: twenty families, half of all runs benign."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from tests.runaway_second.electrode import Cells, FloatArray
from tests.runaway_second.plant import Now, Plant, State, flows, loss_shape

__all__ = ["FAMILIES", "STEPS", "Scenario", "Sensing", "draw"]

STEPS: Final = 3000
_HOUR: Final = 3600.0
FAMILIES: Final = (
    "plain", "near_limit", "supply_limit", "held_amps", "duty_step", "set_point", "fan_lost", "room",
    "top_up", "hot_restart", "stronger_lye", "leak_grows", "noisy", "glitches", "well", "drifting", "stuck",
    "clipped", "missing", "blind",
)  # fmt: skip


@dataclass(slots=True)
class Sensing:
    """From the truth to the log."""

    row_s: float = 2.0
    temp_sd: float = 0.05
    temp_digit: float = 0.01
    late_s: float = 5.0
    drift_k_h: float = 0.0
    drift_from: float = 0.0
    stuck_from: float = 2.0
    leaps: int = 0
    missing: float = 0.0
    amps_range: float = np.inf
    watts: bool = True
    room: bool = True
    flow: bool = True


@dataclass(slots=True)
class Scenario:
    """One run to be simulated: arrays of one stack, conditions by step (one row a step)."""

    family: str
    plant: Plant
    start_c: float
    water_kg: float
    limit_c: float
    script: Now
    duration_s: float
    mode: str
    litres: float
    steel_kg: float
    strength: float
    amps_max: float
    """As the bench file says [A]."""
    room_c: float | None
    """As the bench file says [degC]."""
    sensing: Sensing
    mixes: list[tuple[int, float]] = field(default_factory=list)
    """(step, share of the tank's lye that gives way to water as warm as the room)"""


def _one(x: float) -> FloatArray:
    return np.array([float(x)])


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _changed(now: Now, **values: float) -> Now:
    return replace(now, **{k: _one(v) for k, v in values.items()})


def _plant(rng: np.random.Generator, litres: float, steel_kg: float, w: float, fanned: float) -> Plant:
    # 3,450 J/(L K) is lye of 25 % at 40 degC, 500 J/(kg K) stainless steel: common practice.
    capacity = 3450.0 * litres + 500.0 * steel_kg
    on_stack = float(rng.uniform(0.3, 0.7))
    lye_kg = litres * (1.0 + 0.9 * w)
    cells = Cells(
        *(
            _one(x)
            for x in (
                _spread(rng, 1e-6, 1e-3), _spread(rng, 1e-8, 1e-5),
                rng.uniform(20e3, 55e3), rng.uniform(20e3, 55e3),
                rng.uniform(0.3, 0.7), rng.uniform(0.4, 1.2),
                rng.uniform(0.1, 0.5), rng.uniform(0.0, 0.8),
            )
        )
    )  # fmt: skip
    return Plant(
        cells=cells,
        number=_one(int(rng.integers(4, 15))),
        area_cm2=_one(100.0),
        stack_j_k=_one(capacity * on_stack),
        tank_j_k=_one(capacity * (1.0 - on_stack)),
        flow_w_k=_one(1e9),
        loss_w_k=_one(1.0),
        radiated=_one(rng.uniform(0.1, 0.4)),
        fanned=_one(fanned),
        on_stack=_one(on_stack),
        wet=_one(rng.uniform(0.3, 1.0)),
        koh_kg=_one(lye_kg * w),
        dries=_one(1.0),
    )


def _state(p: Plant, stack: FloatArray, tank: FloatArray, w: float) -> State:
    water = np.full_like(stack, float(p.koh_kg[0]) * (1.0 - w) / w)
    return State(stack, tank, water, np.full_like(stack, 0.1))


def _many(p: Plant, now: Now, n: int) -> tuple[Plant, Now]:
    index = np.zeros(n, dtype=np.int64)
    return p.take(index), now.take(index)


def _needed(p: Plant, now: Now, grid: FloatArray, w: float) -> FloatArray:
    """Loss coefficient with which the stack would stand still at each temperature [W/K]."""
    many, cond = _many(p, now, len(grid))
    tank, k = grid.copy(), np.zeros_like(grid)
    for _ in range(30):
        f = flows(many, _state(p, grid, tank, w), cond)
        hot, cool = loss_shape(many, grid, cond), loss_shape(many, tank, cond)
        share = many.on_stack * hot + (1.0 - many.on_stack) * cool
        k = np.maximum(f.heat_w - f.vapour_w, 0.0) / np.maximum(share, 0.05)
        carried = np.maximum(f.heat_w - k * many.on_stack * hot, 0.0)
        tank = 0.5 * (tank + np.maximum(grid - carried / many.flow_w_k, now.room_c))
    return k


def _seconds(p: Plant, now: Now, start_c: float, end_c: float, w: float) -> float:
    """From one temperature to another, both nodes taken as one; infinite if it is not reached."""
    grid = np.linspace(start_c, end_c, 60)
    many, cond = _many(p, now, len(grid))
    f = flows(many, _state(p, grid, grid, w), cond)
    net = f.heat_w - f.vapour_w - many.loss_w_k * loss_shape(many, grid, cond)
    capacity = float(p.stack_j_k[0] + p.tank_j_k[0])
    return float(capacity * np.trapezoid(1.0 / net, grid)) if net.min() > 0.0 else np.inf


def _amps(p: Plant, now: Now, t_c: float, w: float) -> float:
    free = _changed(now, amps_max=1e12, duty=1.0)
    return float(flows(p, _state(p, _one(t_c), _one(t_c), w), free).amps[0])


def draw(family: str, runaway: bool, rng: np.random.Generator) -> Scenario | None:
    """A scenario by chance; None where chance has made one that can not be."""
    w, litres = float(rng.uniform(0.15, 0.32)), _spread(rng, 0.5, 6.0)
    steel_kg = litres * float(rng.uniform(0.5, 2.5))
    fanned = float(rng.uniform(0.4, 0.8) if family == "fan_lost" else rng.uniform(0.0, 0.6))
    p = _plant(rng, litres, steel_kg, w, min(fanned, 1.0 - float(rng.uniform(0.1, 0.2))))
    p.radiated = np.minimum(p.radiated, 1.0 - p.fanned)
    room, limit = float(rng.uniform(10.0, 32.0)), float(rng.choice([50.0, 55.0, 60.0, 65.0, 70.0]))
    start = room + float(rng.choice([0.0, rng.uniform(0.0, 2.0)]))
    values = (float(rng.uniform(1.8, 2.5)), 1e12, 1.0, 1.0, room, 0.0, 1.0)
    now = Now(*(_one(v) for v in values))
    middle = 0.5 * (start + limit)
    f = flows(p, _state(p, _one(middle), _one(middle), w), now)
    if not 0.003 < f.j[0] < 0.8 or f.heat_w[0] - f.vapour_w[0] < 0.15 * f.power_w[0]:
        return None
    if rng.random() < 0.5:
        # Two bodies: the lye between them carries so much more than the loss.
        p.flow_w_k = f.heat_w / (middle - room) * float(rng.uniform(4.0, 20.0))
    leak = float(rng.choice([0.0, 0.02, 0.06])) * float(f.amps[0]) / (float(now.cell_volts[0]) - 1.2)
    now = _changed(now, leak=leak)
    return _made(family, runaway, rng, p, now, start, limit, w, litres, steel_kg)


def _made(
    family: str, runaway: bool, rng: np.random.Generator, p: Plant, now: Now, start: float, limit: float,
    w: float, litres: float, steel_kg: float,
) -> Scenario | None:  # fmt: skip
    """Loss, scale and script, so that it does what it should."""
    room = float(now.room_c[0])
    margin = float(rng.uniform(2.0, 2.6) if family == "near_limit" else rng.uniform(2.0, 20.0))
    share = float(rng.uniform(0.93, 0.98) if family == "near_limit" else rng.uniform(0.4, 0.95))
    more: dict[str, Any] = {}
    if family == "held_amps":
        now = _changed(now, amps_max=0.9 * _amps(p, now, start, w), cell_volts=float(now.cell_volts[0]) + 0.4)
        more["mode"] = "constant_current"
    if family == "supply_limit":
        engages = start + float(rng.uniform(0.3, 0.8)) * (limit - margin - start)
        now = _changed(now, amps_max=_amps(p, now, engages, w))
    if family == "duty_step":
        now = _changed(now, duty=float(rng.uniform(0.4, 0.6)))
        more["mode"] = "pwm"
    after = _after(family, runaway, rng, p, now, limit, w)
    stepped = after is not None and family != "room"
    last = now if after is None else after
    if runaway and after is not None:
        grid = np.linspace(start + 1.0, limit - float(rng.uniform(2.5, 14.0)), 30)
        p.loss_w_k = _one(_needed(p, now, grid, w)[-1])
        warm = np.linspace(start + 0.6 * (grid[-1] - start), limit, 30)
        if _needed(p, last, warm, w).min() < 1.05 * p.loss_w_k[0]:
            return None
        whole = _seconds(p, now, start, start + 0.9 * (grid[-1] - start), w)
    elif runaway:
        if family == "stronger_lye":
            p.loss_w_k = _one(_needed(p, now, _one(limit - float(rng.uniform(2.0, 6.0))), w)[0])
            whole = _seconds(p, now, start, start + 0.85 * (limit - 6.0 - start), w)
        else:
            p.loss_w_k = _one(share * _needed(p, now, np.linspace(start + 1.0, limit, 30), w).min())
            whole = _seconds(p, now, start, limit, w)
    else:
        grid = np.linspace(start + 1.0, limit - margin, 30)
        needed = _needed(p, last, grid, w)
        if needed[-1] > 0.97 * needed[:-3].min():
            return None
        p.loss_w_k = _one(needed[-1])
        whole = _seconds(p, last, start, start + 0.9 * (grid[-1] - start), w)
    if not np.isfinite(whole) or p.loss_w_k[0] <= 0.0:
        return None
    # Larger plates, leaks and losses alike make the same course faster.
    goal = _spread(rng, 0.5, 8.0) * _HOUR
    faster = whole / goal
    for name in ("area_cm2", "loss_w_k", "flow_w_k"):
        setattr(p, name, getattr(p, name) * faster)
    now = replace(now, leak=now.leak * faster, amps_max=now.amps_max * faster)
    last = replace(last, leak=last.leak * faster, amps_max=last.amps_max * faster)
    duration = (1.3 if runaway and not stepped else 2.2) * goal
    begins = float(rng.uniform(0.3, 1.1)) * goal / duration
    if family == "stronger_lye":
        duration = float(rng.uniform(2.0, 4.0)) * goal
    if stepped and runaway:
        rest = _seconds(p, last, 0.5 * (start + limit), limit, w)
        begins = begins * duration
        duration = begins + 2.0 * min(rest, 6.0 * _HOUR)
        begins /= duration
    duration = min(duration, 14.0 * _HOUR)
    script = _script(family, runaway, rng, now, last, begins, duration)
    q = _sensing(family, runaway, rng, p, now, limit, w)
    s = Scenario(
        family=family, plant=p, start_c=start, water_kg=float(p.koh_kg[0]) * (1.0 - w) / w, limit_c=limit,
        script=script, duration_s=duration, mode=more.get("mode", "constant_voltage"),
        litres=litres * float(np.exp(rng.normal(0.0, 0.1))), steel_kg=steel_kg, strength=w,
        amps_max=_amps(p, now, 95.0, w) * float(rng.uniform(1.1, 2.0)),
        room_c=None if family == "blind" else round(room + float(rng.normal(0.0, 1.0)), 1), sensing=q,
    )  # fmt: skip
    if family in ("held_amps", "supply_limit"):
        wrong = rng.random() < (0.4 if runaway else 0.25)
        s.amps_max = float(now.amps_max[0]) * float(
            rng.uniform(0.6, 0.9) if wrong else rng.uniform(0.985, 1.05)
        )
    if family == "stronger_lye":
        lye = float(p.koh_kg[0]) / w
        f = flows(p, _state(p, _one(limit - 8.0), _one(limit - 8.0), w), now)
        leaves = float(rng.uniform(0.3, 0.45) if runaway else rng.uniform(0.03, 0.08)) * lye
        p.dries = _one(max(1.0, leaves / (float(f.water_kg_s[0]) * duration)))
    if family == "top_up":
        for at in np.sort(rng.uniform(0.15, 0.6, int(rng.integers(1, 3)))):
            s.mixes.append((int(at * STEPS), float(rng.uniform(0.06, 0.2))))
    if family == "hot_restart" and rng.random() < 0.5:
        s.start_c = start + float(rng.uniform(0.2, 0.6)) * (limit - margin - start)
    elif family == "hot_restart":
        off = float(rng.uniform(0.25, 0.5))
        script.on[int(off * STEPS) : int((off + float(rng.uniform(0.03, 0.15))) * STEPS)] = 0.0
    return s


def _after(
    family: str, runaway: bool, rng: np.random.Generator, p: Plant, now: Now, limit: float, w: float
) -> Now | None:
    """Conditions after what happens; None where nothing does."""
    match family:
        case "set_point":
            up = rng.uniform(0.05, 0.3) if runaway else rng.uniform(0.02, 0.15)
            return _changed(now, cell_volts=now.cell_volts[0] + up)
        case "duty_step":
            return _changed(
                now, duty=now.duty[0] * (rng.uniform(1.2, 1.6) if runaway else rng.uniform(1.05, 1.4))
            )
        case "fan_lost":
            return _changed(now, cooling=rng.uniform(0.0, 0.3) if runaway else rng.uniform(0.3, 0.8))
        case "room":
            return _changed(
                now, room_c=now.room_c[0] + (rng.uniform(6.0, 12.0) if runaway else rng.uniform(0.7, 3.0))
            )
        case "leak_grows":
            warm = _amps(p, now, limit - 5.0, w) / (float(now.cell_volts[0]) - 1.2)
            return _changed(
                now, leak=now.leak[0] + warm * (rng.uniform(0.1, 0.5) if runaway else rng.uniform(0.02, 0.06))
            )
    return None


def _script(
    family: str,
    runaway: bool,
    rng: np.random.Generator,
    now: Now,
    last: Now,
    begins: float,
    duration_s: float,
) -> Now:
    x = np.linspace(0.0, 1.0, STEPS + 1)
    if family == "room" and not runaway:
        gone = np.sin(2.0 * np.pi * x * duration_s / (_spread(rng, 0.5, 6.0) * _HOUR))
    elif family in ("room", "leak_grows"):
        gone = np.clip((x - begins) / float(rng.uniform(0.15, 0.4)), 0.0, 1.0)
    else:
        gone = (x >= begins).astype(np.float64)
    return Now(
        *(
            getattr(now, f) * np.ones_like(x) + gone * (getattr(last, f) - getattr(now, f))
            for f in ("cell_volts", "amps_max", "duty", "cooling", "room_c", "leak", "on")
        )
    )


def _sensing(
    family: str, runaway: bool, rng: np.random.Generator, p: Plant, now: Now, limit: float, w: float
) -> Sensing:
    sd, digit = [(0.03, 0.01), (0.06, 0.0625), (0.12, 0.1), (0.05, 0.01)][int(rng.integers(4))]
    q = Sensing(
        row_s=float(rng.choice([2.0, 5.0])), temp_sd=sd, temp_digit=digit,
        late_s=float(rng.uniform(2.0, 25.0)),
        watts=bool(rng.random() < 0.6), room=bool(rng.random() < 0.6), flow=bool(rng.random() < 0.5),
    )  # fmt: skip
    match family:
        case "noisy":
            q.temp_sd = float(rng.uniform(0.3, 0.8))
        case "glitches":
            q.leaps = int(rng.integers(4, 25))
        case "well":
            q.late_s = 90.0
        case "drifting":
            down = runaway or rng.random() < 0.5
            q.drift_k_h = float(rng.uniform(1.0, 3.0)) * (-1.0 if down else 0.3)
            q.drift_from = float(rng.uniform(0.2, 0.5))
        case "stuck":
            q.stuck_from = float(rng.uniform(0.35, 0.6))
        case "clipped":
            q.watts, q.amps_range = False, _amps(p, now, limit - float(rng.uniform(6.0, 20.0)), w)
        case "missing":
            q.missing = 0.2
        case "blind":
            q.room = q.flow = False
        case "duty_step":
            q.watts = True
    return q
