"""Stack, reservoir and supply of the second simulator: what flows at an instant, and a step of time.

References
----------
.. [1] LeRoy, Bowen, LeRoy (1980), DOI 10.1149/1.2130044: thermoneutral voltage
   ``1.485 - 1.49e-4 t - 9.84e-8 t^2`` [V], t in degC. From memory.
.. [2] O. A. Alduchov, R. E. Eskridge, J. Appl. Meteorol. 35 (1996) 601: vapour pressure of water, Magnus form
   with 17.625 and 243.04 degC. Over lye lowered by 1 - 1.1 w (a round figure near 25 % KOH, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tests.runaway_second.electrode import Cells, FloatArray, conductivity_s_cm

__all__ = ["Flows", "Now", "Plant", "State", "flows", "loss_shape", "step"]

_F = 96485.33212
_KPA = 101.325
_LATENT_J_MOL = 43_400.0
"""Of water near 50 degC, steam tables."""
_WATER_KG_MOL = 0.018015
_STEFAN = 5.670374e-8


@dataclass(slots=True)
class Now:
    """Conditions by stack."""

    cell_volts: FloatArray
    amps_max: FloatArray
    duty: FloatArray
    cooling: FloatArray
    """Of the fan: 1 runs, 0 stands."""
    room_c: FloatArray
    leak: FloatArray
    """Conductance beside the cells at 25 degC, for each cell [S]."""
    on: FloatArray

    def take(self, index: object) -> Now:
        """Those of these stacks (or instants)."""
        return Now(*(getattr(self, f.name)[index] for f in fields(self)))


@dataclass(slots=True)
class Plant:
    """What does not change over a run, by stack."""

    cells: Cells
    number: FloatArray
    area_cm2: FloatArray
    stack_j_k: FloatArray
    tank_j_k: FloatArray
    flow_w_k: FloatArray
    """Carried by circulating lye between the two; very stiff where they are one."""
    loss_w_k: FloatArray
    radiated: FloatArray
    """Of the loss at 30 K over the room, the rest by free convection and the fan."""
    fanned: FloatArray
    on_stack: FloatArray
    """Of the loss: from the stack, not the tank."""
    wet: FloatArray
    """Saturation of the gas where it leaves the tank, less what its condenser gives back."""
    koh_kg: FloatArray
    dries: FloatArray
    """How much faster than by its own gas and steam the water goes (a lid that is open, a drain)."""

    def take(self, index: NDArray[np.int64]) -> Plant:
        """Those of these stacks."""
        rest = {f.name: getattr(self, f.name)[index] for f in fields(self) if f.name != "cells"}
        return Plant(cells=self.cells.take(index), **rest)


@dataclass(slots=True)
class State:
    """By stack; `j` is the last current density, to begin the next solution from."""

    stack_c: FloatArray
    tank_c: FloatArray
    water_kg: FloatArray
    j: FloatArray

    def take(self, index: NDArray[np.int64]) -> State:
        """Those of these stacks."""
        return State(*(getattr(self, f.name)[index] for f in fields(self)))


@dataclass(slots=True)
class Flows:
    """At an instant, means over the pulses: volts of a cell, amps, amps that make gas, powers [W]."""

    cell_volts: FloatArray
    amps: FloatArray
    gas_amps: FloatArray
    power_w: FloatArray
    heat_w: FloatArray
    vapour_w: FloatArray
    water_kg_s: FloatArray
    j: FloatArray


def strength(p: Plant, s: State) -> FloatArray:
    """Mass fraction of the lye."""
    return np.asarray(np.clip(p.koh_kg / (p.koh_kg + s.water_kg), 0.08, 0.45))


def flows(p: Plant, s: State, now: Now) -> Flows:
    """What flows in each stack."""
    w = strength(p, s)
    t = np.minimum(s.stack_c, 99.0)
    warm = conductivity_s_cm(t + 273.15, w) / conductivity_s_cm(np.full_like(t, 298.15), w)
    leak_s = now.leak * warm
    v = now.cell_volts.copy()
    j = p.cells.density(v, t, w, s.j)
    total = j * p.area_cm2 + leak_s * np.maximum(v - 1.2, 0.0)
    over = np.nonzero(total > now.amps_max)[0]
    if len(over):
        v[over], j[over] = _held(p.take(over), now.take(over), t[over], w[over], leak_s[over], j[over])
    run = now.on * now.duty
    gas = run * j * p.area_cm2
    amps = gas + run * leak_s * np.maximum(v - 1.2, 0.0)
    power = p.number * v * amps
    neutral = 1.485 - 1.49e-4 * t - 9.84e-8 * t * t
    heat = power - p.number * neutral * gas
    wet_c = np.minimum(s.tank_c, 97.0)
    steam_kpa = p.wet * (1.0 - 1.1 * w) * 0.61094 * np.exp(17.625 * wet_c / (wet_c + 243.04))
    # Three quarters of a mole of gas for each mole of electrons
    steam = 0.75 * p.number * gas / _F * steam_kpa / np.maximum(_KPA - steam_kpa, 15.0)
    water = _WATER_KG_MOL * (0.5 * p.number * gas / _F + steam) * p.dries
    return Flows(v, amps, gas, power, heat, steam * _LATENT_J_MOL, water, j)


def _held(
    p: Plant, now: Now, t: FloatArray, w: FloatArray, leak_s: FloatArray, j: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Where the supply holds its current: cell volts fall until cells and leak draw just that."""
    for _ in range(6):
        v = p.cells.volts(j, t, w)
        j = np.maximum(now.amps_max - leak_s * np.maximum(v - 1.2, 0.0), 0.05 * now.amps_max) / p.area_cm2
    return p.cells.volts(j, t, w), j


def loss_shape(p: Plant, t_c: FloatArray, now: Now) -> FloatArray:
    """Loss at a temperature for a coefficient of 1 W/K, that at 30 K over a room of 20 degC with its fan."""
    rise = t_c - now.room_c
    still = rise * (np.abs(rise) / 30.0) ** 0.25
    blown = rise * now.cooling
    kelvin = now.room_c + 273.15
    glow = _STEFAN * ((t_c + 273.15) ** 4 - kelvin**4) / (_STEFAN * (323.15**4 - 293.15**4) / 30.0)
    return np.asarray(p.radiated * glow + p.fanned * blown + (1.0 - p.radiated - p.fanned) * still)


def step(p: Plant, s: State, now: Now, dt: FloatArray) -> tuple[State, Flows]:
    """One step: heat explicitly, the exchange between stack and tank exactly."""
    f = flows(p, s, now)
    k = p.loss_w_k
    stack = s.stack_c + dt / p.stack_j_k * (f.heat_w - k * p.on_stack * loss_shape(p, s.stack_c, now))
    off_tank = k * (1.0 - p.on_stack) * loss_shape(p, s.tank_c, now) + f.vapour_w
    tank = s.tank_c - dt / p.tank_j_k * off_tank
    both = p.stack_j_k + p.tank_j_k
    mean = (p.stack_j_k * stack + p.tank_j_k * tank) / both
    apart = (stack - tank) * np.exp(-dt * p.flow_w_k * (1.0 / p.stack_j_k + 1.0 / p.tank_j_k))
    water = np.maximum(s.water_kg - dt * f.water_kg_s, 0.3 * p.koh_kg)
    new = State(
        np.clip(mean + apart * p.tank_j_k / both, -5.0, 105.0),
        np.clip(mean - apart * p.stack_j_k / both, -5.0, 105.0),
        water,
        f.j,
    )
    return new, f
