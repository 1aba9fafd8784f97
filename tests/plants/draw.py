"""One bench by chance: its structure first, then its figures, then what happens to it and how it is measured.

Ranges are common practice of small benches, no published source, unless `tests.plants.physics` names one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from tests.plants.physics import (
    ASINH,
    CONTINUOUS,
    DOSES,
    LINEAR,
    LOGARITHMIC,
    Benches,
    FloatArray,
    Now,
    State,
    flows,
    loss_shape,
)

__all__ = ["DT_S", "EARLIER", "STRUCTURE", "Bench", "Sensing", "Stated", "draw", "earlier"]

DT_S: Final = 5.0
EARLIER: Final = 1_000_000
"""Added to the seed of a run that came before it."""
_HOUR: Final = 3600.0
_FAR: Final = 1e9

STRUCTURE: Final[dict[str, dict[str, float]]] = {
    "electrodes": {"asinh": 0.45, "ulleberg": 0.2, "sanchez": 0.15, "linear": 0.2},
    "bodies": {"one": 0.35, "two": 0.4, "three": 0.25},
    "seen": {"stack": 0.8, "tank": 0.2},
    "supply": {"plain": 0.3, "leads": 0.2, "soft": 0.12, "hard": 0.1, "foldback": 0.08, "chopper": 0.12,
               "amps": 0.08},
    "water": {"never": 0.5, "continuous": 0.25, "doses": 0.25},
    "wander": {"none": 0.2, "little": 0.4, "much": 0.4},
    "event": {"none": 0.5, "cooling": 0.14, "room": 0.12, "supply": 0.12, "leak": 0.12},
    "passing": {"none": 0.7, "door": 0.15, "sun": 0.15},
    "sensor": {"plain": 0.4, "late": 0.12, "coarse": 0.1, "drift": 0.1, "bursts": 0.16, "bumps": 0.12},
    "file": {"right": 0.4, "wrong": 0.6},
}  # fmt: skip
"""Every choice of structure, with how often it is drawn."""


@dataclass(slots=True)
class Sensing:
    """Between the truth and the log. A constant offset is none: a limit is set by what is read."""

    lag_s: float
    digit: float
    sd: float
    drift_k_h: float = 0.0
    drift_from_s: float = 0.0
    burst_sd: float = 0.0
    burst_tau_s: float = 60.0
    bumps: int = 0
    amps_sd: float = 0.003
    amps_tau_s: float = 30.0
    gain_amps: float = 1.0
    gain_volts: float = 1.0
    gain_watts: float = 1.0
    gain_flow: float = 1.0
    room_offset: float = 0.0
    watts: bool = True
    room: bool = True
    flow: bool = True


@dataclass(slots=True)
class Stated:
    """What the bench file says."""

    litres: float
    steel_kg: float
    strength: float
    mode: str
    amps_max: float | None
    room_c: float | None


@dataclass(slots=True)
class Bench:
    """A run to be simulated: arrays of one bench; conditions by time, one row a step of `DT_S`."""

    seed: int
    structure: dict[str, str]
    plant: Benches
    start_c: float
    limit_c: float
    duration_s: float
    now: Now
    """Conditions without what passes, steps by one bench, kept as 1-D arrays over the steps."""
    loss_wander: FloatArray
    room_wander: FloatArray
    area_wander: FloatArray
    """What reverts: logarithm of loss and area, room [K]."""
    reverts_s: tuple[float, float, float]
    event_s: float
    sensing: Sensing
    stated: Stated
    meant_to_cross: bool
    margin_k: float
    cause: str
    notes: dict[str, float] = field(default_factory=dict)


def _one(x: float) -> FloatArray:
    return np.array([float(x)])


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _chosen(rng: np.random.Generator) -> dict[str, str]:
    out = {}
    for name, kinds in STRUCTURE.items():
        out[name] = list(kinds)[int(rng.choice(len(kinds), p=np.array(list(kinds.values()))))]
    return out


def _electrodes(kind: str, rng: np.random.Generator) -> tuple[float, list[float]]:
    u, spread = rng.uniform, _log_uniform
    contact = float(u(0.0, 8e-5))
    match kind:
        case "asinh":
            # A/m2 at 25 degC, J/mol, transfer coefficients, gap [m], contact [ohm m2]
            return ASINH, [spread(rng, 1e-2, 10.0), spread(rng, 1e-4, 0.1), u(20e3, 60e3), u(20e3, 60e3),
                           u(0.3, 0.8), u(0.4, 1.2), u(1e-3, 5e-3), contact]  # fmt: skip
        case "ulleberg":
            f, g = u(0.7, 1.8), u(0.8, 1.3)
            return LOGARITHMIC, [f * 8.05e-5, -f * 2.5e-7, g * 0.185, 1.002, 8.424, 247.3, 0.0, contact]
        case "sanchez":
            f, g = u(0.7, 1.8), u(0.6, 1.0)
            return LOGARITHMIC, [
                f * 4.14e-5,
                f * 6.9e-9,
                g * 0.338,
                -0.01539,
                2.00181,
                15.24178,
                0.0,
                contact,
            ]
        case _:
            return LINEAR, [
                u(1.45, 1.7),
                u(0.0, 3e-3),
                spread(rng, 1e-4, 8e-4),
                u(0.008, 0.022),
                0,
                0,
                0,
                contact,
            ]


def _plant(s: dict[str, str], rng: np.random.Generator, litres: float, steel_kg: float, w: float) -> Benches:
    u = rng.uniform
    form, e = _electrodes(s["electrodes"], rng)
    cells = int(rng.integers(4, 15))
    per_cell = u(1.8, 2.5)
    lye_kg = litres * (1.0 + 0.92 * w)
    metal = 500.0 * steel_kg
    three = s["bodies"] == "three"
    frame = metal * u(0.25, 0.6) if three else 1.0
    on_stack = u(0.25, 0.7)
    on_frame = u(0.2, 0.6) * on_stack if three else 0.0
    radiated = u(0.0, 0.4)
    return Benches(
        form=_one(form), e=np.array([e], dtype=float), cells=_one(cells), area=_one(0.01), w0=_one(w),
        volts=_one(cells * per_cell), lead=_one(0.0), knee=_one(_FAR), soft=_one(0.0), folds=_one(0.0),
        stack_j_k=_one(0.7 * (metal - frame)), tank_j_k=_one(0.3 * (metal - frame)), frame_j_k=_one(frame),
        lye_in_stack=_one(u(0.2, 0.5)), to_tank=_one(1e7), to_frame=_one(1.0),
        loss=_one(1.0), on_stack=_one(on_stack - on_frame), on_tank=_one(1.0 - on_stack),
        on_frame=_one(on_frame),
        power=_one(u(1.0, 1.3)), radiated=_one(radiated),
        fanned=_one(u(0.3, 1.0 - radiated) if s["event"] == "cooling" else u(0.0, 0.6 * (1.0 - radiated))),
        wet=_one(u(0.0, 1.0)), wet_at_stack=_one(float(rng.random() < 0.3)),
        koh_kg=_one(lye_kg * w), water_kg=_one(lye_kg * (1.0 - w)),
        made_up=_one({"never": 0.0, "continuous": CONTINUOUS, "doses": DOSES}[s["water"]]),
        dose=_one(u(0.02, 0.08)),
    )  # fmt: skip


def _state(p: Benches, t1: FloatArray, t2: FloatArray, t3: FloatArray) -> State:
    n = len(t1)
    return State(t1, t2, t3, np.full(n, p.water_kg[0]), np.full(n, 300.0), np.full(n, p.volts[0]))


def _many(p: Benches, now: Now, n: int) -> tuple[Benches, Now]:
    index = np.zeros(n, dtype=np.int64)
    return p.take(index), now.take(index)


def _needed(p: Benches, now: Now, grid: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Loss coefficient with which the stack stands still at each temperature [W/K], and the tank's then."""
    many, cond = _many(p, now, len(grid))
    t2, t3, k = grid.copy(), grid.copy(), np.zeros_like(grid)
    for i in range(12):
        f = flows(many, _state(p, grid, t2, t3), cond, 30 if i == 0 else 8)
        s1, s2, s3 = (loss_shape(many, t, cond) for t in (grid, t2, t3))
        all_of_it = many.on_stack * s1 + many.on_tank * s2 + many.on_frame * s3
        k = np.maximum(f.heat_w - f.vapour_w, 0.0) / np.maximum(all_of_it, 0.02)
        wet_tank = (1.0 - many.wet_at_stack) * f.vapour_w
        t2 = 0.5 * t2 + 0.5 * np.maximum(grid - (k * many.on_tank * s2 + wet_tank) / many.to_tank, now.room_c)
        t3 = 0.5 * t3 + 0.5 * np.maximum(grid - k * many.on_frame * s3 / many.to_frame, now.room_c)
    return k, t2


def _seconds(p: Benches, now: Now, start_c: float, end_c: float) -> float:
    """From one temperature to another with all bodies as one; infinite if it is not reached."""
    grid = np.linspace(start_c, end_c, 40)
    many, cond = _many(p, now, len(grid))
    f = flows(many, _state(p, grid, grid, grid), cond, 30)
    net = f.heat_w - f.vapour_w - many.loss * loss_shape(many, grid, cond)
    c = float((p.stack_j_k + p.tank_j_k + p.frame_j_k + 4180.0 * p.water_kg)[0])
    return float(c * np.trapezoid(1.0 / net, grid)) if net.min() > 0.0 else np.inf


def _amps(p: Benches, now: Now, t_c: float) -> float:
    free = replace(p, knee=_one(_FAR), lead=_one(0.0))
    return float(
        flows(free, _state(p, *(_one(t_c) for _ in range(3))), replace(now, duty=_one(1.0)), 30).amps[0]
    )


def draw(seed: int) -> Bench:
    """The bench of a seed; the same for the same seed."""
    for attempt in range(500):
        made = _attempt(seed, np.random.default_rng([2301, seed, attempt]))
        if made is not None:
            return made
    raise RuntimeError(f"no bench found for seed {seed}")


def _attempt(seed: int, rng: np.random.Generator) -> Bench | None:
    u = rng.uniform
    s = _chosen(rng)
    crosses = seed % 2 == 0
    w, litres = u(0.15, 0.32), _log_uniform(rng, 0.4, 6.0)
    steel_kg = litres * u(0.4, 2.5)
    p = _plant(s, rng, litres, steel_kg, w)
    room, limit = u(10.0, 32.0), float(rng.choice([50.0, 55.0, 60.0, 65.0, 70.0]))
    start = room + float(rng.choice([0.0, u(0.0, 2.0), u(3.0, 12.0)], p=[0.4, 0.45, 0.15]))
    now = Now(_one(1.0), _one(1.0), _one(1.0), _one(1.0), _one(room), _one(0.0), _one(1.0))
    middle = 0.5 * (start + limit)
    if s["supply"] == "chopper":
        now = replace(now, duty=_one(u(0.35, 0.85)))
    f = flows(p, _state(p, *(_one(middle) for _ in range(3))), now, 40)
    if not 30.0 < f.j[0] < 8000.0 or f.heat_w[0] - f.vapour_w[0] < 0.12 * f.power_w[0]:
        return None
    per_k = float(f.heat_w[0]) / (middle - room)
    if s["bodies"] != "one":
        p.to_tank = _one(per_k * u(4.0, 20.0))
    if s["bodies"] == "three":
        p.to_frame = _one(per_k * u(1.5, 8.0))
    if s["seen"] == "tank" and s["bodies"] == "one":
        s["seen"] = "stack"
    now = replace(
        now, leak_s=_one(float(rng.choice([0.0, 0.02, 0.06])) * float(f.amps[0] / now.duty[0]) / 0.8)
    )
    margin = u(1.2, 6.0) if rng.random() < 0.8 else u(6.0, 15.0)
    _supply(s["supply"], rng, p, now, start, limit, margin)
    after = _after(s, crosses, rng, p, now, limit)
    last = now if after is None else after
    calm = u(2.5, 14.0)
    down = limit - (calm if crosses and after is not None else margin)
    if down < start + 6.0:
        return None

    def at_limit(of: Now, seen_c: float) -> float:
        """Temperature of the stack where what is seen is at `seen_c`."""
        if s["seen"] == "stack":
            return seen_c
        stack = seen_c
        for _ in range(3):
            stack += seen_c - float(_needed(p, of, _one(stack))[1][0])
        return stack

    if crosses and after is not None:
        end = at_limit(now, down)
        grid = np.linspace(start + 1.0, end, 16)
        k = _needed(p, now, grid)[0]
        p.loss = _one(k[-1])
        if k[-1] > 0.98 * k[:-2].min():
            return None
        warm = np.linspace(start + 0.6 * (end - start), at_limit(last, limit) + 0.5, 16)
        if _needed(p, last, warm)[0].min() < 1.03 * k[-1]:
            return None
        whole = _seconds(p, now, start, start + 0.9 * (end - start))
    elif crosses:
        grid = np.linspace(start + 1.0, at_limit(now, limit), 16)
        p.loss = _one(u(0.5, 0.97) * _needed(p, now, grid)[0].min())
        whole = _seconds(p, now, start, grid[-1])
    else:
        end = at_limit(last, down)
        grid = np.linspace(start + 1.0, end, 16)
        k = _needed(p, last, grid)[0]
        if k[-1] > 0.97 * k[:-2].min():
            return None
        p.loss = _one(k[-1])
        whole = _seconds(p, last, start, start + 0.9 * (end - start))
    if not np.isfinite(whole) or p.loss[0] <= 0.0:
        return None
    goal = _log_uniform(rng, 0.5, 6.0) * _HOUR
    faster = whole / goal
    for name in ("area", "loss", "to_tank", "to_frame", "knee"):
        setattr(p, name, getattr(p, name) * faster)
    p.lead, p.soft = p.lead / faster, p.soft / faster
    now, last = (replace(x, leak_s=x.leak_s * faster) for x in (now, last))
    event_s = np.inf if after is None else u(0.4, 1.3) * goal
    duration = u(1.8, 3.0) * goal
    if crosses:
        duration = 1.6 * goal if after is None else event_s + 2.5 * goal
    duration = min(max(duration, 1.5 * _HOUR), 11.0 * _HOUR)
    n = int(duration / DT_S) + 1
    script = _script(s, rng, now, last, event_s, n)
    wander, reverts = _wander(s, rng, n)
    cause = (
        s["event"] if after is not None else ("lye" if s["water"] == "never" and not crosses else "settings")
    )
    return Bench(
        seed=seed, structure=s, plant=p, start_c=start, limit_c=limit, duration_s=(n - 1) * DT_S, now=script,
        loss_wander=wander[0], room_wander=wander[1], area_wander=wander[2], reverts_s=reverts,
        event_s=event_s,
        sensing=_sensing(s, rng, duration), stated=_stated(s, rng, p, now, litres, steel_kg, w, room),
        meant_to_cross=crosses, margin_k=margin, cause=cause,
    )  # fmt: skip


def earlier(b: Bench) -> Bench:
    """An earlier run of the same bench: nothing happens in it, the room and what wanders are other ones, and
    the fan does not stand quite where it will.
    """
    rng = np.random.default_rng([2303, b.seed])
    n = len(b.loss_wander)
    calm = Now(*(np.full(n, getattr(b.now, k)[0]) for k in Now.names()))
    shift = float(rng.normal(0.0, 2.0))
    calm.room_c = calm.room_c + shift
    calm.loss = calm.loss * float(np.exp(rng.normal(0.0, 0.06)))
    wander, reverts = _wander(b.structure, rng, n)
    stated = replace(b.stated, room_c=None if b.stated.room_c is None else round(b.stated.room_c + shift, 1))
    return replace(
        b, seed=b.seed + EARLIER, now=calm, loss_wander=wander[0], room_wander=wander[1],
        area_wander=wander[2], reverts_s=reverts, event_s=np.inf, start_c=b.start_c + shift, stated=stated,
    )  # fmt: skip


def _supply(
    kind: str, rng: np.random.Generator, p: Benches, now: Now, start: float, limit: float, margin: float
) -> None:
    """Leads and limit."""
    u = rng.uniform
    amps = _amps(p, now, limit - margin)
    ohm = float(p.volts[0]) / amps
    if kind in ("leads", "chopper") or rng.random() < 0.3:
        p.lead = _one(u(0.005, 0.06) * ohm)
        p.volts = p.volts * (1.0 + p.lead[0] / ohm)
    if kind == "amps":
        p.knee, p.soft = _one(0.85 * _amps(p, now, start)), _one(100.0 * ohm)
        p.volts = p.volts * 1.3
    elif kind in ("soft", "hard", "foldback"):
        engages = start + u(0.3, 1.05) * (limit - start)
        p.knee = _one(_amps(p, now, engages))
        p.soft = _one(ohm * (u(0.05, 0.6) if kind == "soft" else 50.0))
        if kind == "foldback":
            p.folds = _one(u(0.3, 0.8))


def _after(
    s: dict[str, str], crosses: bool, rng: np.random.Generator, p: Benches, now: Now, limit: float
) -> Now | None:
    u = rng.uniform
    match s["event"]:
        case "cooling":
            return replace(now, loss=_one(u(0.1, 0.7) if crosses else u(0.7, 0.97)))
        case "room":
            return replace(now, room_c=now.room_c + (u(5.0, 12.0) if crosses else u(0.7, 3.0)))
        case "supply":
            if s["supply"] == "amps":
                return replace(now, knee=_one(u(1.08, 1.4) if crosses else u(1.02, 1.12)))
            return replace(now, volts=_one(u(1.02, 1.12) if crosses else u(1.003, 1.04)))
        case "leak":
            amps = _amps(p, now, limit - 5.0)
            share = u(0.1, 0.5) if crosses else u(0.02, 0.06)
            return replace(now, leak_s=now.leak_s + share * amps / 0.9)
    return None


def _script(s: dict[str, str], rng: np.random.Generator, now: Now, last: Now, event_s: float, n: int) -> Now:
    t = DT_S * np.arange(n)
    over = {
        "cooling": 30.0,
        "supply": 5.0,
        "room": rng.uniform(600.0, 3600.0),
        "leak": rng.uniform(600.0, 5400.0),
    }
    share = (
        np.clip((t - event_s) / over.get(s["event"], 1.0), 0.0, 1.0) if np.isfinite(event_s) else np.zeros(n)
    )
    return Now(
        *(getattr(now, k)[0] + share * (getattr(last, k)[0] - getattr(now, k)[0]) for k in Now.names())
    )


def _reverting(rng: np.random.Generator, n: int, sd: float, tau_s: float) -> FloatArray:
    """Ornstein and Uhlenbeck's process, stationary."""
    keep = np.exp(-DT_S / tau_s)
    z = rng.normal(size=n) * sd
    z[1:] *= np.sqrt(1.0 - keep * keep)
    return _ar(z, keep)


def _ar(z: FloatArray, keep: float) -> FloatArray:
    """``y[k] = keep y[k - 1] + z[k]``, in blocks short enough for the powers of `keep`."""
    out = np.empty_like(z)
    last = 0.0
    size = 64
    powers = keep ** np.arange(1, size + 1)
    lower = np.tril(keep ** np.maximum(np.subtract.outer(np.arange(size), np.arange(size)), 0))
    for k in range(0, len(z), size):
        m = min(size, len(z) - k)
        out[k : k + m] = lower[:m, :m] @ z[k : k + m] + powers[:m] * last
        last = out[k + m - 1]
    return out


def _wander(
    s: dict[str, str], rng: np.random.Generator, n: int
) -> tuple[list[FloatArray], tuple[float, float, float]]:
    most = {"none": 0.0, "little": 0.02, "much": 0.06}[s["wander"]]
    taus = tuple(_log_uniform(rng, 300.0, 2.5 * _HOUR) for _ in range(3))
    sds = (most * rng.uniform(0.2, 1.0), 25.0 * most * rng.uniform(0.1, 1.0), most * rng.uniform(0.1, 0.8))
    out = [_reverting(rng, n, sd, tau) for sd, tau in zip(sds, taus, strict=True)]
    t = DT_S * np.arange(n)
    if s["passing"] == "door":
        for _ in range(int(rng.integers(1, 5))):
            at, lasts = rng.uniform(0.0, t[-1]), rng.uniform(120.0, 1200.0)
            out[0] += np.where((t > at) & (t < at + lasts), np.log(rng.uniform(1.1, 1.6)), 0.0)
    if s["passing"] == "sun":
        at, lasts = rng.uniform(0.0, 0.8 * t[-1]), rng.uniform(1.0, 2.5) * _HOUR
        out[1] += rng.uniform(1.0, 4.0) * np.sin(np.pi * np.clip((t - at) / lasts, 0.0, 1.0)) ** 2
    return out, (taus[0], taus[1], taus[2])


def _sensing(s: dict[str, str], rng: np.random.Generator, duration: float) -> Sensing:
    u = rng.uniform
    sd, digit = [(0.02, 0.01), (0.05, 0.0625), (0.1, 0.1), (0.04, 0.01)][int(rng.integers(4))]
    q = Sensing(
        lag_s=_log_uniform(rng, 2.0, 25.0), digit=digit, sd=sd,
        amps_sd=_log_uniform(rng, 0.001, 0.01), amps_tau_s=_log_uniform(rng, 5.0, 120.0),
        gain_amps=float(1.0 + rng.normal(0.0, 0.01)), gain_volts=float(1.0 + rng.normal(0.0, 0.004)),
        gain_watts=float(1.0 + rng.normal(0.0, 0.012)), gain_flow=float(1.0 + rng.normal(0.0, 0.03)),
        room_offset=float(rng.normal(0.0, 0.7)),
        watts=bool(rng.random() < 0.6) or s["supply"] == "chopper",
        room=bool(rng.random() < 0.6), flow=bool(rng.random() < 0.4),
    )  # fmt: skip
    match s["sensor"]:
        case "late":
            q.lag_s = _log_uniform(rng, 30.0, 120.0)
        case "coarse":
            q.digit = float(rng.choice([0.25, 0.5]))
        case "drift":
            q.drift_k_h, q.drift_from_s = float(rng.choice([-1.0, 1.0])) * u(0.1, 0.7), u(0.0, 0.5) * duration
        case "bursts":
            q.burst_sd, q.burst_tau_s = u(0.1, 0.6), _log_uniform(rng, 20.0, 200.0)
        case "bumps":
            q.bumps = int(rng.integers(1, 6))
    return q


def _stated(
    s: dict[str, str], rng: np.random.Generator, p: Benches, now: Now, litres: float, steel_kg: float,
    w: float,     room: float,
) -> Stated:  # fmt: skip
    wrong = s["file"] == "wrong"
    off = [float(rng.uniform(0.7, 1.3)) if wrong else float(np.exp(rng.normal(0.0, 0.04))) for _ in range(3)]
    mode = {"amps": "constant_current", "chopper": "pwm"}.get(s["supply"], "constant_voltage")
    limited = s["supply"] in ("soft", "hard", "foldback", "amps")
    amps_max = float(p.knee[0]) if limited else _amps(p, now, 95.0) * float(rng.uniform(1.1, 2.0))
    if limited and wrong:
        amps_max *= float(rng.uniform(0.7, 1.3))
    return Stated(
        litres * off[0], steel_kg * off[1], min(w * off[2], 0.42), mode,
        None if rng.random() < 0.25 else amps_max,
        None if rng.random() < 0.3 else round(room + float(rng.normal(0.0, 1.5)), 1),
    )  # fmt: skip
