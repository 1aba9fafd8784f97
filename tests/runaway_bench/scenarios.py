"""Scenarios by family and seed: a stack, what happens to it, and how it is measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from tests.runaway_bench.design import (
    Design,
    conditions,
    held_current,
    loss_for,
    pick,
    scaled,
    time_to,
)
from tests.runaway_bench.plant import Conditions, heat_flows

__all__ = ["FAMILIES", "HELD_OUT_FAMILIES", "STEPS", "Scenario", "Sensing", "make", "make_set"]

STEPS: Final = 3000
"""Time steps of a simulation, whatever its length."""
_HOUR: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Sensing:
    """What stands between the truth and the log; times as a share of the run."""

    tick_s: float = 5.0
    temp_noise: float = 0.05
    temp_step: float = 0.01
    lag_s: float = 8.0
    temp_offset: float = 0.0
    drift_c_h: float = 0.0
    drift_from: float = 0.0
    stuck_from: float = 2.0
    glitches: int = 0
    missing: float = 0.0
    amps_max: float = 1e9
    watts: bool = True
    flow: bool = True
    room: bool = True
    room_prior: float | None = None
    litres_error: float = 1.0
    amps_max_prior: float = 1e9


@dataclass(slots=True)
class Scenario:
    """One run to be simulated."""

    name: str
    seed: tuple[int, ...]
    design: Design
    mode: str
    duration_s: float
    script: Conditions
    """Conditions by time, `STEPS` + 1 rows."""
    mixes: list[tuple[int, float]] = field(default_factory=list)
    """(step, share of the lye replaced by water of the room's temperature)"""
    sensing: Sensing = field(default_factory=Sensing)


Maker = Callable[[np.random.Generator, bool], Scenario]


def _base(rng: np.random.Generator) -> Design:
    d = pick(rng)
    middle = 0.5 * (d.limit_c + d.room_c)
    _, heat, *_ = heat_flows(d.plants(), d.state(np.array([middle])), conditions(d, 1))
    per_k = float(heat[0]) / (middle - d.room_c)
    leak = rng.choice([0.0, 0.03, 0.08]) * held_current(d, middle) / (d.cell_volts - 1.0)
    return replace(d, circulation=per_k * float(rng.uniform(5.0, 20.0)), leak_s=float(leak))


def _settling(rng: np.random.Generator, d: Design, margin: float) -> Design | None:
    """Loss such that the stack settles `margin` below the limit; None where it would settle before."""
    end = d.limit_c - margin
    grid = np.append(np.linspace(max(d.start_c, d.room_c + 1.0), end, 24), end)
    needed = loss_for(d, grid)
    if needed[-1] <= 0.0 or needed[-1] > 0.999 * needed[:-2].min():
        return None
    d = replace(d, loss_w_k=float(needed[-1]))
    most = d.start_c + 0.9 * (end - d.start_c)
    return scaled(d, _settle_hours(rng) * _HOUR, most) if np.isfinite(time_to(d, most)) else None


def _running_away(rng: np.random.Generator, d: Design, share: float) -> Design | None:
    """Loss at this share of the largest with which the limit is still crossed."""
    grid = np.linspace(max(d.start_c, d.room_c + 1.0), d.limit_c, 30)
    needed = loss_for(d, grid)
    if needed.min() <= 0.0:
        return None
    d = replace(d, loss_w_k=float(share * needed.min()))
    if not np.isfinite(time_to(d, d.limit_c)):
        return None
    return scaled(d, _settle_hours(rng) * _HOUR, d.limit_c)


def _settle_hours(rng: np.random.Generator) -> float:
    return float(np.exp(rng.uniform(np.log(0.5), np.log(8.0))))


def _found(
    rng: np.random.Generator,
    runaway: bool,
    *,
    share: tuple[float, float] = (0.4, 0.93),
    margin: tuple[float, float] = (2.0, 16.0),
    change: Callable[[Design], Design] = lambda d: d,
) -> tuple[Design, float]:
    """A design and its time scale: to the limit, or to 90 % of the rise."""
    for _ in range(200):
        base = change(_base(rng))
        if runaway:
            d = _running_away(rng, base, float(rng.uniform(*share)))
            if d is not None:
                return d, time_to(d, d.limit_c)
        else:
            m = float(rng.uniform(*margin))
            d = _settling(rng, base, m)
            if d is not None:
                return d, time_to(d, d.start_c + 0.9 * (d.limit_c - m - d.start_c))
    raise RuntimeError("no design found")


def _script(d: Design) -> Conditions:
    return conditions(d, STEPS + 1)


def _sensing(rng: np.random.Generator, d: Design) -> Sensing:
    """An ordinary bench's measurements."""
    noise, quantum = [(0.03, 0.01), (0.06, 0.0625), (0.12, 0.1), (0.05, 0.01)][int(rng.integers(4))]
    return Sensing(
        tick_s=float(rng.choice([2.0, 5.0])),
        temp_noise=noise,
        temp_step=quantum,
        lag_s=float(rng.uniform(3.0, 25.0)),
        temp_offset=float(rng.normal(0.0, 0.05)),
        watts=bool(rng.random() < 0.6),
        flow=bool(rng.random() < 0.5),
        room=bool(rng.random() < 0.6),
        room_prior=round(d.room_c + float(rng.normal(0.0, 1.0)), 1),
        litres_error=float(np.exp(rng.normal(0.0, 0.1))),
        amps_max_prior=float(held_current(d, 95.0) * rng.uniform(1.1, 2.0)),
    )


def _scenario(
    rng: np.random.Generator, d: Design, duration_s: float, script: Conditions | None = None, **more: object
) -> Scenario:
    s = Scenario(
        name="",
        seed=(),
        design=d,
        mode="constant_voltage",
        duration_s=float(min(duration_s, 14.0 * _HOUR)),
        script=_script(d) if script is None else script,
        sensing=_sensing(rng, d),
    )
    for key, value in more.items():
        setattr(s, key, value)
    return s


def _length(runaway: bool, t: float) -> float:
    return 1.25 * t if runaway else 2.0 * t


def plain(rng: np.random.Generator, runaway: bool) -> Scenario:
    """Held voltage, nothing happens."""
    d, t = _found(rng, runaway)
    return _scenario(rng, d, _length(runaway, t))


def near_limit(rng: np.random.Generator, runaway: bool) -> Scenario:
    """Settles two degrees under the limit, or only just does not settle below it."""
    d, t = _found(rng, runaway, share=(0.90, 0.97), margin=(2.0, 2.6))
    return _scenario(rng, d, _length(runaway, t))


def held_amps(rng: np.random.Generator, runaway: bool) -> Scenario:
    """The supply holds current from the start; crosses for want of loss, or settles."""

    def held(d: Design) -> Design:
        return replace(
            d, amps_limit=held_current(d, d.start_c) * 0.9, cell_volts=min(d.cell_volts + 0.4, 2.8)
        )

    d, t = _found(rng, runaway, share=(0.5, 0.93), change=held)
    s = _scenario(rng, d, _length(runaway, t), mode="constant_current")
    s.sensing = replace(s.sensing, amps_max_prior=d.amps_limit * float(rng.uniform(0.99, 1.3)))
    return s


def supply_limit(rng: np.random.Generator, runaway: bool) -> Scenario:
    """The supply's limit engages on the way: it caps the runaway, or does not; the bench file may be
    wrong.
    """
    for _ in range(100):
        d, _ = _found(rng, True, share=(0.5, 0.95))
        end = d.limit_c + (float(rng.uniform(4.0, 15.0)) if runaway else -float(rng.uniform(2.0, 12.0)))
        engages = d.start_c + float(rng.uniform(0.4, 0.75)) * (min(end, d.limit_c) - d.start_c)
        capped = replace(d, amps_limit=held_current(d, engages))
        grid = np.append(np.linspace(d.start_c + 1.0, end, 20), end)
        needed = loss_for(capped, grid)
        if needed[-1] <= 0.0 or needed[-1] > 0.999 * needed[:-2].min():
            continue
        capped = replace(capped, loss_w_k=float(needed[-1]))
        goal = capped.limit_c if runaway else capped.start_c + 0.9 * (end - capped.start_c)
        if not np.isfinite(time_to(capped, goal)):
            continue
        capped = scaled(capped, _settle_hours(rng) * _HOUR, goal)
        s = _scenario(rng, capped, _length(runaway, time_to(capped, goal)))
        wrong = runaway and rng.random() < 0.4
        factor = rng.uniform(0.6, 0.9) if wrong else rng.uniform(0.985, 1.015)
        s.sensing = replace(s.sensing, amps_max_prior=capped.amps_limit * float(factor))
        return s
    raise RuntimeError("no design found")


def _step_of(share: float) -> int:
    return int(share * STEPS)


def _stepped(
    rng: np.random.Generator,
    runaway: bool,
    change: Callable[[Design], Design],
    what: str,
    **limits: tuple[float, float],
) -> Scenario:
    """A stack that settles until a condition steps; then it runs away, or settles elsewhere below."""
    for _ in range(300):
        d, t = _found(rng, False, margin=limits.get("margin", (4.0, 25.0)))
        after = change(d)
        when = float(rng.uniform(0.25, 1.3)) * t
        warm = d.start_c + 0.6 * (d.limit_c - d.start_c)
        grid = np.linspace(warm, d.limit_c, 24)
        needed = loss_for(after, grid)
        crosses = needed.min() > d.loss_w_k * 1.06
        settles = needed.max() > 0 and (needed < d.loss_w_k * 0.95).any()
        if runaway != crosses or (not runaway and not settles):
            continue
        rest = time_to(replace(after, start_c=warm), d.limit_c) * 1.3 if runaway else 1.5 * t
        duration = min(when + rest, 14.0 * _HOUR)
        script = _script(d)
        at = int(when / duration * STEPS)
        getattr(script, what)[at:] = getattr(conditions(after, 1), what)[0]
        return _scenario(rng, d, duration, script)
    raise RuntimeError("no design found")


def fan_lost(rng: np.random.Generator, runaway: bool) -> Scenario:
    """The fan stops."""
    factor = float(rng.uniform(0.3, 0.6) if runaway else rng.uniform(0.6, 0.85))
    return _stepped(rng, runaway, lambda d: replace(d, loss=factor), "loss")


def set_point(rng: np.random.Generator, runaway: bool) -> Scenario:
    """Someone turns the voltage up."""
    up = float(rng.uniform(0.08, 0.3) if runaway else rng.uniform(0.02, 0.12))
    return _stepped(rng, runaway, lambda d: replace(d, cell_volts=d.cell_volts + up), "cell_volts")


def duty_step(rng: np.random.Generator, runaway: bool) -> Scenario:
    """A chopped supply whose duty is raised."""
    up = float(rng.uniform(1.2, 1.8) if runaway else rng.uniform(1.05, 1.3))
    s = _stepped(rng, runaway, lambda d: replace(d, duty=d.duty * up), "duty")
    s.script.duty *= 0.5
    # The same mean current as designed needs twice the plates.
    s.design = replace(s.design, area_cm2=2.0 * s.design.area_cm2, leak_s=2.0 * s.design.leak_s, duty=0.5)
    s.mode = "pwm"
    s.sensing = replace(s.sensing, watts=True, amps_max_prior=2.0 * s.sensing.amps_max_prior)
    return s


def room(rng: np.random.Generator, runaway: bool) -> Scenario:
    """The room warms until the limit is in reach, or waves about."""
    d, t = _found(rng, False, margin=(2.5, 7.0) if runaway else (6.0, 16.0))
    duration = min(2.5 * t + 2.0 * _HOUR, 14.0 * _HOUR)
    script = _script(d)
    x = np.linspace(0.0, 1.0, STEPS + 1)
    if runaway:
        begin, length = float(rng.uniform(0.15, 0.4)), float(rng.uniform(0.1, 0.35))
        script.room_c += float(rng.uniform(7.0, 12.0)) * np.clip((x - begin) / length, 0.0, 1.0)
    else:
        period = float(np.exp(rng.uniform(np.log(0.5), np.log(8.0)))) * _HOUR
        script.room_c += float(rng.uniform(0.7, 2.5)) * np.sin(2.0 * np.pi * x * duration / period)
    return _scenario(rng, d, duration, script)


def top_up(rng: np.random.Generator, runaway: bool) -> Scenario:
    """Cold water is added once or twice."""
    d, t = _found(rng, runaway)
    duration = _length(runaway, t) * 1.3
    mixes = [
        (_step_of(float(x)), float(rng.uniform(0.06, 0.2)))
        for x in np.sort(rng.uniform(0.15, 0.6, int(rng.integers(1, 3))))
    ]
    return _scenario(rng, d, duration, mixes=mixes)


def hot_restart(rng: np.random.Generator, runaway: bool) -> Scenario:
    """Switched off when warm and on again, or the log begins with a warm stack."""
    d, t = _found(rng, runaway)
    duration = _length(runaway, t) * 1.4
    script = _script(d)
    if rng.random() < 0.5:
        off = float(rng.uniform(0.3, 0.5))
        script.on[_step_of(off) : _step_of(off + float(rng.uniform(0.03, 0.15)))] = 0.0
    else:
        d = replace(d, start_c=d.start_c + float(rng.uniform(0.3, 0.6)) * (d.limit_c - d.start_c - 3.0))
    return _scenario(rng, d, duration, script)


def stronger_lye(rng: np.random.Generator, runaway: bool) -> Scenario:
    """Water leaves, the lye grows stronger and draws more current."""
    d, t = _found(rng, False, margin=(2.5, 7.0) if runaway else (6.0, 16.0))
    d = replace(d, w=min(d.w, 0.18))
    duration = min(float(rng.uniform(2.5, 5.0)) * t + _HOUR, 14.0 * _HOUR)
    warm = d.start_c + 0.8 * (d.limit_c - d.start_c)
    _, _, _, water, _ = heat_flows(d.plants(), d.state(np.array([warm])), conditions(d, 1))
    leaves = float(rng.uniform(0.3, 0.5) if runaway else rng.uniform(0.05, 0.12)) * d.lye_kg
    return _scenario(rng, replace(d, dries=max(1.0, leaves / (float(water[0]) * duration))), duration)


def leak_grows(rng: np.random.Generator, runaway: bool) -> Scenario:
    """A path beside the cells opens: current that makes heat and no gas."""
    d, t = _found(rng, False, margin=(2.5, 8.0) if runaway else (8.0, 20.0))
    duration = min(3.0 * t + _HOUR, 14.0 * _HOUR)
    script = _script(d)
    warm = held_current(d, d.limit_c - 5.0) / (d.cell_volts - 1.0)
    x = np.linspace(0.0, 1.0, STEPS + 1)
    grown = float(rng.uniform(0.2, 0.5) if runaway else rng.uniform(0.02, 0.06)) * warm
    script.leak_s += grown * np.clip((x - float(rng.uniform(0.1, 0.4))) / 0.5, 0.0, 1.0)
    return _scenario(rng, d, duration, script)


def _with(change: Callable[[np.random.Generator, Scenario], Sensing], name: str) -> Maker:
    def maker(rng: np.random.Generator, runaway: bool) -> Scenario:
        s = plain(rng, runaway)
        s.sensing = change(rng, s)
        return s

    maker.__name__ = name
    return maker


noisy = _with(lambda rng, s: replace(s.sensing, temp_noise=float(rng.uniform(0.3, 0.8))), "noisy")
glitches = _with(
    lambda rng, s: replace(s.sensing, glitches=int(rng.integers(3, 30)), temp_step=0.0625), "glitches"
)
well = _with(lambda rng, s: replace(s.sensing, lag_s=90.0), "well")
missing = _with(lambda rng, s: replace(s.sensing, missing=0.2), "missing")
drifting = _with(
    lambda rng, s: replace(
        s.sensing, drift_c_h=-float(rng.uniform(1.0, 3.0)), drift_from=float(rng.uniform(0.2, 0.5))
    ),
    "drifting",
)
blind = _with(lambda rng, s: replace(s.sensing, flow=False, room=False, room_prior=None), "blind")
stuck = _with(lambda rng, s: replace(s.sensing, stuck_from=float(rng.uniform(0.35, 0.6))), "stuck")
clipped = _with(
    lambda rng, s: replace(
        s.sensing,
        watts=False,
        amps_max=held_current(s.design, s.design.limit_c - float(rng.uniform(6.0, 20.0))),
    ),
    "clipped",
)

FAMILIES: Final[dict[str, Maker]] = {
    f.__name__: f
    for f in (
        plain, near_limit, held_amps, supply_limit, fan_lost, set_point, duty_step, room, top_up, hot_restart,
        stronger_lye, leak_grows, noisy, glitches, well, missing, drifting, blind, stuck, clipped,
    )
}  # fmt: skip
HELD_OUT_FAMILIES: Final = ("duty_step", "leak_grows", "well", "glitches", "hot_restart")
"""Families whose scenarios were never looked at while the watch was tuned."""


def make(family: str, runaway: bool, seed: tuple[int, ...]) -> Scenario:
    """One scenario; the same for the same arguments."""
    code = list(FAMILIES).index(family)
    s = FAMILIES[family](np.random.default_rng([*seed, code, int(runaway)]), runaway)
    s.name = f"{family}-{'runaway' if runaway else 'benign'}-{'.'.join(map(str, seed))}"
    s.seed = (*seed, code, int(runaway))
    return s


def make_set(n: int, seed: int, families: tuple[str, ...] | None = None) -> list[Scenario]:
    """`n` scenarios, families in turn, half of them meant to be benign."""
    names = tuple(FAMILIES) if families is None else families
    return [make(names[(i // 2) % len(names)], i % 2 == 0, (seed, i)) for i in range(n)]
