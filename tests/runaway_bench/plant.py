"""The simulated bench: many of them at once, each with a time step of its own.

Its terms are not the watch's. Two nodes (stack and reservoir) joined by the lye that the gas lifts round;
loss by natural convection (power 1.25), radiation (fourth powers) and a linear part that a fan raises;
vapour from the reservoir's temperature at a share of saturation, part of which drips back; current from
published polarisation curves, with a leak beside the cells; the lye grows stronger as water leaves.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from aec_modelling import electrolyte, thermo

from tests.runaway_bench.electrodes import FloatArray, IntArray, electrodes

__all__ = ["Conditions", "Electric", "Plants", "State", "electric", "heat_flows", "loss_per_scale", "step"]

FARADAY = 96485.33212
GAS_PER_ELECTRON = 0.75


@dataclass(slots=True)
class Plants:
    """What does not change in a run; every field an array over the plants."""

    which: IntArray
    area_cm2: FloatArray
    cells: FloatArray
    stack_j_k: FloatArray
    reservoir_j_k: FloatArray
    circulation_w_k: FloatArray
    loss_w_k: FloatArray
    """Loss at 30 K over the room, for each kelvin, with multiplier 1."""
    convection: FloatArray
    radiation: FloatArray
    """Shares of that loss by free convection and radiation; the rest is linear."""
    stack_share: FloatArray
    saturation: FloatArray
    returned: FloatArray
    koh_kg: FloatArray
    dries: FloatArray
    """How much faster than by gas and vapour the water leaves."""

    def take(self, index: IntArray) -> Plants:
        """Some of the plants, repeated as `index` says."""
        return Plants(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


@dataclass(slots=True)
class Conditions:
    """What may change; every field an array over the plants (or time by plants)."""

    cell_volts: FloatArray
    amps_limit: FloatArray
    duty: FloatArray
    loss: FloatArray
    room_c: FloatArray
    leak_s: FloatArray
    """Leak's conductance of a cell [S] at 25 degC."""
    on: FloatArray

    def at(self, index: int | IntArray | tuple[IntArray, IntArray]) -> Conditions:
        """The conditions of one instant, or of chosen (instant, plant) pairs."""
        return Conditions(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


@dataclass(slots=True)
class State:
    """Temperatures of stack and reservoir [degC] and water in the lye [kg]."""

    stack_c: FloatArray
    reservoir_c: FloatArray
    water_kg: FloatArray


@dataclass(slots=True)
class Electric:
    """Mean current [A], volts of a cell while conducting, the current that makes gas [A]."""

    amps: FloatArray
    cell_volts: FloatArray
    gas_amps: FloatArray


def _fraction(plants: Plants, state: State) -> FloatArray:
    return np.clip(plants.koh_kg / (plants.koh_kg + state.water_kg), 0.10, 0.449)


def electric(plants: Plants, state: State, now: Conditions) -> Electric:
    """Solve supply, cells and leak: the set voltage, or the current limit where that would be exceeded."""
    tables = electrodes()
    w = _fraction(plants, state)
    area = plants.area_cm2 / 1000.0
    leak_s = now.leak_s * (1.0 + 0.02 * (state.stack_c - 25.0))
    volts = now.cell_volts
    cell = area * tables.current_density(plants.which, volts, state.stack_c, w)
    leak = leak_s * np.maximum(volts - 1.0, 0.0)
    total = cell + leak
    limited = total > now.amps_limit
    if limited.any():
        held = np.where(limited, now.amps_limit, total)
        v = volts
        for _ in range(2):
            leak_l = np.minimum(leak_s * np.maximum(v - 1.0, 0.0), 0.9 * held)
            v = tables.voltage(plants.which, np.maximum(held - leak_l, 1e-6) / area, state.stack_c, w)
        volts = np.where(limited, v, volts)
        cell = np.where(limited, held - leak_l, cell)
        total = held
    run = now.on * now.duty
    return Electric(total * run, volts * (now.on > 0.0), cell * run)


def loss_per_scale(plants: Plants, t_c: FloatArray, now: Conditions) -> FloatArray:
    """Loss of the whole bench at one temperature for a coefficient of 1 W/K [W]."""
    rise = t_c - now.room_c
    room_k = now.room_c + 273.15
    free = rise * (np.abs(rise) / 30.0) ** 0.25
    at_30 = (room_k + 30.0) ** 4 - room_k**4
    radiated = 30.0 * ((t_c + 273.15) ** 4 - room_k**4) / at_30
    # A fan acts on what is carried by air, not on what is radiated.
    carried = plants.convection * free + (1.0 - plants.convection - plants.radiation) * rise
    return np.asarray(now.loss * carried + plants.radiation * radiated)


def heat_flows(
    plants: Plants, state: State, now: Conditions
) -> tuple[Electric, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Electric state, heat made, vapour's power, water lost [kg/s], and both losses' sum [W]."""
    el = electric(plants, state, now)
    power = plants.cells * el.cell_volts * el.amps
    v_tn = thermo.thermoneutral_voltage(state.stack_c + 273.15)
    heat = power - plants.cells * el.gas_amps * v_tn
    w = _fraction(plants, state)
    vapour_bar = plants.saturation * electrolyte.vapour_pressure(state.reservoir_c + 273.15, w)
    ratio = np.minimum(vapour_bar / np.maximum(1.01325 - vapour_bar, 0.02), 30.0)
    gas = GAS_PER_ELECTRON * plants.cells * el.gas_amps / FARADAY
    steam = gas * ratio * (1.0 - plants.returned)
    latent = 45_050.0 - 42.8 * state.reservoir_c
    water = 0.018015 * (plants.cells * el.gas_amps / (2.0 * FARADAY) + steam) * plants.dries
    return el, heat, steam * latent, water, power


def step(plants: Plants, state: State, now: Conditions, dt: FloatArray) -> tuple[State, Electric, FloatArray]:
    """One explicit step; returns the new state, the electric state and power during it [W]."""
    el, heat, vapour, water, power = heat_flows(plants, state, now)
    carried = plants.circulation_w_k * (state.stack_c - state.reservoir_c)
    s = plants.stack_share
    d_stack = (
        heat - s * plants.loss_w_k * loss_per_scale(plants, state.stack_c, now) - carried
    ) / plants.stack_j_k
    d_res = (
        carried - (1.0 - s) * plants.loss_w_k * loss_per_scale(plants, state.reservoir_c, now) - vapour
    ) / plants.reservoir_j_k
    new = State(
        np.minimum(state.stack_c + dt * d_stack, 108.0),
        np.minimum(state.reservoir_c + dt * d_res, 108.0),
        np.maximum(state.water_kg - dt * water, 0.2 * plants.koh_kg),
    )
    return new, el, power
