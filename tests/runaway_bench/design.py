"""Designing a stack that does what a scenario wants: settles so far below its limit, or never settles below
it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from aec_modelling import electrolyte

from tests.runaway_bench.electrodes import CONTACTS_OHM_CM2, SETS, FloatArray
from tests.runaway_bench.plant import Conditions, Plants, State, heat_flows, loss_per_scale

__all__ = ["Design", "conditions", "held_current", "loss_for", "pick", "scaled", "time_to"]


@dataclass(frozen=True, slots=True)
class Design:
    """One stack and its base conditions; plain floats, arrays of one plant made on demand."""

    which: int
    cells: int
    area_cm2: float
    litres: float
    steel_kg: float
    w: float
    cell_volts: float
    amps_limit: float
    room_c: float
    start_c: float
    limit_c: float
    loss_w_k: float
    convection: float
    radiation: float
    stack_share: float
    stack_part: float
    saturation: float
    returned: float
    circulation: float
    leak_s: float
    duty: float = 1.0
    loss: float = 1.0
    dries: float = 1.0

    @property
    def lye_kg(self) -> float:
        """Mass of the lye at the start [kg]."""
        return self.litres * 1e-3 * float(electrolyte.density(313.15, self.w))

    @property
    def capacity_j_k(self) -> float:
        """Heat capacity of lye and steel [J/K]."""
        return self.lye_kg * float(electrolyte.specific_heat(313.15, self.w)) + 500.0 * self.steel_kg

    def plants(self, n: int = 1) -> Plants:
        """`n` such plants."""

        def full(x: float) -> FloatArray:
            return np.full(n, x)

        c = self.capacity_j_k
        return Plants(
            which=np.full(n, self.which, dtype=np.int64),
            area_cm2=full(self.area_cm2),
            cells=full(self.cells),
            stack_j_k=full(c * self.stack_part),
            reservoir_j_k=full(c * (1.0 - self.stack_part)),
            circulation_w_k=full(self.circulation),
            loss_w_k=full(self.loss_w_k),
            convection=full(self.convection),
            radiation=full(self.radiation),
            stack_share=full(self.stack_share),
            saturation=full(self.saturation),
            returned=full(self.returned),
            koh_kg=full(self.lye_kg * self.w),
            dries=full(self.dries),
        )

    def state(self, t_c: FloatArray, reservoir_c: FloatArray | None = None) -> State:
        """A state at this temperature with the lye of the start."""
        water = np.full(t_c.shape, self.lye_kg * (1.0 - self.w))
        return State(t_c, t_c if reservoir_c is None else reservoir_c, water)


def conditions(d: Design, n: int) -> Conditions:
    """The base conditions, `n` times."""
    values = (d.cell_volts, d.amps_limit, d.duty, d.loss, d.room_c, d.leak_s, 1.0)
    return Conditions(*(np.full(n, v) for v in values))


def loss_for(d: Design, t_c: FloatArray) -> FloatArray:
    """Loss coefficient with which the stack would stand still at each temperature [W/K]."""
    n = len(t_c)
    plants, now = d.plants(n), conditions(d, n)
    low, high = np.full(n, d.room_c), t_c.copy()
    per_stack = loss_per_scale(plants, t_c, now)
    scale = np.zeros(n)
    for _ in range(40):
        res = 0.5 * (low + high)
        _, heat, vapour, _, _ = heat_flows(plants, d.state(t_c, res), now)
        carried = plants.circulation_w_k * (t_c - res)
        scale = np.maximum(heat - carried, 0.0) / (d.stack_share * np.maximum(per_stack, 1e-6))
        rest = carried - scale * (1.0 - d.stack_share) * loss_per_scale(plants, res, now) - vapour
        low = np.where(rest > 0.0, res, low)
        high = np.where(rest > 0.0, high, res)
    return scale


def time_to(d: Design, t_c: float) -> float:
    """Time from the start to a temperature, both nodes taken as one [s]; infinite if never."""
    t = np.linspace(d.start_c, t_c, 80)
    n = len(t)
    plants, now = d.plants(n), conditions(d, n)
    _, heat, vapour, _, _ = heat_flows(plants, d.state(t), now)
    net = heat - vapour - plants.loss_w_k * loss_per_scale(plants, t, now)
    if net.min() <= 0.0:
        return float("inf")
    return float(d.capacity_j_k * np.trapezoid(1.0 / net, t))


def held_current(d: Design, t_c: float) -> float:
    """Current at the set voltage and a temperature [A]."""
    free = replace(d, amps_limit=1e9)
    el, *_ = heat_flows(free.plants(), free.state(np.array([t_c])), conditions(free, 1))
    return float(el.amps[0])


def scaled(d: Design, seconds: float, t_c: float) -> Design:
    """The same stack with plates, leak, loss and circulation scaled so that it reaches `t_c` in that time."""
    f = time_to(d, t_c) / seconds
    return replace(
        d,
        area_cm2=d.area_cm2 * f,
        loss_w_k=d.loss_w_k * f,
        circulation=d.circulation * f,
        leak_s=d.leak_s * f,
        amps_limit=d.amps_limit * f,
    )


def pick(rng: np.random.Generator) -> Design:
    """A stack by chance, its loss not chosen yet."""
    room = float(rng.uniform(12.0, 30.0))
    litres = float(np.exp(rng.uniform(np.log(0.5), np.log(6.0))))
    which = int(rng.integers(len(SETS) * len(CONTACTS_OHM_CM2)))
    volts = float(rng.uniform(1.85, 2.45))
    return Design(
        which=which,
        cells=int(rng.integers(4, 14)),
        area_cm2=100.0,
        litres=litres,
        steel_kg=litres * float(rng.uniform(0.5, 2.5)),
        w=float(rng.uniform(0.15, 0.32)),
        cell_volts=volts,
        amps_limit=1e9,
        room_c=room,
        start_c=room + float(rng.choice([0.0, rng.uniform(0.0, 2.0)])),
        limit_c=float(rng.choice([50.0, 55.0, 60.0, 65.0, 70.0])),
        loss_w_k=1.0,
        convection=float(rng.uniform(0.2, 0.8)),
        radiation=float(rng.uniform(0.05, 0.2)),
        stack_share=float(rng.uniform(0.4, 0.7)),
        stack_part=float(rng.uniform(0.3, 0.6)),
        saturation=float(rng.uniform(0.7, 1.0)),
        returned=float(rng.uniform(0.0, 0.5)),
        circulation=0.0,
        leak_s=0.0,
    )
