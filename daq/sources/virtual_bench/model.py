"""The virtual stack: cells in series, their lye, heat and gas, as they are; what sensors say is `sensors`.

The model is lumped and deliberately not the watch's: electrodes by Butler-Volmer, bubbles with a lag of their own,
a leak that follows the lye's conductivity, a reservoir as a second node, a bubbler that condensing steam warms.
"""

from __future__ import annotations

import math

from daq.physics.constants import FARADAY, GAS_CONSTANT, KELVIN, M_H2O
from daq.sources.virtual_bench import _interim as physics
from daq.sources.virtual_bench.electrics import (
    CellCurve,
    Means,
    chopped,
    overpotential_at_current,
    overpotential_at_voltage,
)
from daq.sources.virtual_bench.parameters import BenchParameters

__all__ = ["MAX_STEP_S", "VirtualStack"]

MAX_STEP_S = 0.5
"""Longest step that `VirtualStack.step` takes at once [s]; a longer one is cut up."""

_STEEL_J_KG_K = 500.0  # austenitic stainless steel near room temperature, common handbook value
_BUBBLES_S = 2.0  # time for the bubbles between the plates to build up or clear
_REFERENCE_C = 25.0
_BOILING = 0.97  # vapour pressure over total pressure at which the lye counts as boiling
_NORMAL_LITRE = GAS_CONSTANT * KELVIN / 101.325  # [L/mol] at 0 degC, 101.325 kPa


class VirtualStack:
    """An electrolyser, its supply and its surroundings, advanced in time by `step`.

    Parameters
    ----------
    parameters : BenchParameters

    Attributes
    ----------
    elapsed_s : float
        Time since the start [s].
    relay_closed : bool
        Whether the supply reaches the stack. Belongs to the device that holds the relay.
    volts_set, amps_set, duty : float
        The supply's settings [V], [A], [1]. May be changed at any time.
    fan : bool
        Whether the fan runs.
    room_shift_k : float
        Added to the room's temperature [K].
    leak_factor : float
        Multiplies the leak's conductance [1].
    lye_c, reservoir_c, bubbler_c : float
        True temperatures [degC].
    water_kg, hydroxide_kg : float
        What the lye is made of [kg].
    """

    def __init__(self, parameters: BenchParameters | None = None) -> None:
        p = self.parameters = parameters or BenchParameters()
        self.elapsed_s = 0.0
        self.relay_closed = True
        self.volts_set, self.amps_set, self.duty = p.supply.volts, p.supply.amps, p.supply.duty
        self.fan = True
        self.room_shift_k = 0.0
        self.leak_factor = 1.0
        start = self.room_c if p.thermal.start_c is None else p.thermal.start_c
        self.lye_c = self.reservoir_c = start
        self.bubbler_c = self.room_c
        lye_kg = p.stack.litres * self._density(_REFERENCE_C, p.stack.mass_fraction) / 1000.0
        self.hydroxide_kg = lye_kg * p.stack.mass_fraction
        self.water_kg = lye_kg - self.hydroxide_kg
        self._reference_kappa = self._kappa(_REFERENCE_C, p.stack.mass_fraction)
        self._kappa_to_r = p.stack.gap_mm / 10.0 / p.stack.plate_area_cm2  # [1/cm]
        self._eta = 0.0
        self._emf = 0.0
        self._void = 0.0
        self.plate_amps = 0.0
        self.cell_leak_amps = 0.0
        self.now = Means(0.0, 0.0, 0.0, 0.0, 0.0, False)
        self.heat_w = self.vapour_w = self.loss_w = 0.0
        self.vapour_mol_s = self.bubbler_vapour_mol_s = 0.0
        self.energy_j = self.stack_energy_j = self.charge_c = self.gas_mol = 0.0
        self.vapour_mol = self.loss_j = self.chemical_j = self.latent_j = 0.0
        self.topped_up_kg = 0.0
        self._electric()

    # ---- what follows from the state

    @property
    def room_c(self) -> float:
        """The room's true temperature [degC]."""
        site = self.parameters.site
        wave = site.room_wave_k * math.sin(2.0 * math.pi * self.elapsed_s / site.room_wave_s)
        return site.room_c + self.room_shift_k + wave

    @property
    def mass_fraction(self) -> float:
        """Mass of hydroxide to mass of lye [1]; it grows as water leaves."""
        return self.hydroxide_kg / (self.hydroxide_kg + self.water_kg)

    @property
    def litres(self) -> float:
        """Volume of the lye at 25 degC [L]."""
        w = self.mass_fraction
        return 1000.0 * (self.hydroxide_kg + self.water_kg) / self._density(_REFERENCE_C, w)

    @property
    def lye_heat_capacity_j_k(self) -> float:
        """Heat capacity of the lye [J/K]."""
        w = self.mass_fraction
        specific = physics.heat_capacity_j_kg_k(self.lye_c, w, self.parameters.stack.electrolyte)
        return (self.hydroxide_kg + self.water_kg) * specific

    @property
    def heat_capacity_j_k(self) -> float:
        """Heat capacity of lye and steel together [J/K]."""
        return self.lye_heat_capacity_j_k + self.parameters.stack.steel_kg * _STEEL_J_KG_K

    @property
    def loss_w_per_k(self) -> float:
        """Heat lost to the room for each kelvin [W/K]."""
        thermal = self.parameters.thermal
        return thermal.loss_w_per_k if self.fan else thermal.loss_no_fan_w_per_k

    @property
    def meter_flow_lpm(self) -> float:
        """Wet gas through the meter, at the meter's own temperature and the room's pressure [L/min]."""
        moles = self.gas_mol_s + self.bubbler_vapour_mol_s
        return 60.0 * moles * GAS_CONSTANT * (self.bubbler_c + KELVIN) / self.parameters.site.pressure_kpa

    @property
    def gas_mol_s(self) -> float:
        """Dry gas, two parts hydrogen and one part oxygen [mol/s]."""
        return 0.75 * self.parameters.stack.cells * self.plate_amps / FARADAY

    def truth(self) -> dict[str, float]:
        """What is so, with no sensor in between; keys are lyewatch's numbers and channels where it has them.

        Beyond those: `flow_dry_lpm` at 0 degC and 101.325 kPa; `loss_w` to the room, `loss_k_per_w`,
        `heat_capacity_j_k`; `mass_fraction`, `litres`; and since the start `energy_j`, `charge_c`, `gas_mol`
        (dry), `vapour_mol` (carried off), `water_used_kg`. `limited` is 1 where the supply holds its amps.
        """
        p = self.parameters
        amps = self.now.amps
        made = self.gas_mol_s
        water_mol_s = 2.0 / 3.0 * made + self.vapour_mol_s
        return {
            "elapsed_s": self.elapsed_s,
            "volts": self.now.volts,
            "amps": amps,
            "watts": self.now.watts,
            "power_w": self.now.watts,
            "cell_volts": self.now.volts / p.stack.cells,
            "lye_temp": self.lye_c,
            "reservoir_temp": self.reservoir_c,
            "room_temp": self.room_c,
            "gas_temp": self.bubbler_c,
            "gas_flow": self.meter_flow_lpm / p.sensors.meter_factor,
            "flow_as_read_lpm": self.meter_flow_lpm,
            "flow_dry_lpm": 60.0 * made * _NORMAL_LITRE,
            "faradaic_efficiency": self.plate_amps / amps if amps > 0.0 else math.nan,
            "leak_amps": amps - self.plate_amps if amps > 0.0 else 0.0,
            "heat_w": self.heat_w,
            "vapour_w": self.vapour_w,
            "loss_w": self.loss_w,
            "water_ml_per_h": 3600.0 * water_mol_s * M_H2O / 0.997,
            "heat_capacity_j_k": self.heat_capacity_j_k,
            "loss_k_per_w": 1.0 / self.loss_w_per_k,
            "mass_fraction": self.mass_fraction,
            "litres": self.litres,
            "energy_j": self.energy_j,
            "charge_c": self.charge_c,
            "gas_mol": self.gas_mol,
            "vapour_mol": self.vapour_mol,
            "water_used_kg": (2.0 / 3.0 * self.gas_mol + self.vapour_mol) * M_H2O / 1000.0,
            "relay": float(self.relay_closed),
            "duty": self.duty,
            "limited": float(self.now.limited),
        }

    # ---- what a person or a device does

    def top_up(self, litres: float, temp_c: float | None = None) -> None:
        """Pour in water [L], at the room's temperature unless another is given [degC]."""
        kg = litres * 0.998
        cold = self.room_c if temp_c is None else temp_c
        before = self.heat_capacity_j_k
        share = self.parameters.thermal.reservoir_share
        added = kg * physics.heat_capacity_j_kg_k(cold, 0.0, self.parameters.stack.electrolyte)
        if share > 0.0:
            node = share * self.lye_heat_capacity_j_k
            self.reservoir_c += (cold - self.reservoir_c) * added / (node + added)
        else:
            self.lye_c = self.reservoir_c = (before * self.lye_c + added * cold) / (before + added)
        self.water_kg += kg
        self.topped_up_kg += kg
        self._electric()

    def step(self, dt_s: float) -> None:
        """Advance by `dt_s` [s], at most `MAX_STEP_S` at once."""
        left = dt_s
        while left > 1e-12:
            part = min(left, MAX_STEP_S)
            self._advance(part)
            left -= part

    # ---- the step

    def _advance(self, dt: float) -> None:
        p = self.parameters
        self._electric(dt)
        cells, area = p.stack.cells, p.stack.plate_area_cm2
        density = 1000.0 * self.plate_amps / area
        void = p.stack.void_max * density / (density + p.stack.void_half_ma_cm2)
        self._void += (void - self._void) * -math.expm1(-dt / _BUBBLES_S)
        self._gas_and_vapour()
        made = self.gas_mol_s
        chemical_w = cells * self.plate_amps * physics.v_tn(self.lye_c)
        latent = physics.latent_j_kg(self.reservoir_c) * M_H2O / 1000.0
        self.vapour_w = self.vapour_mol_s * latent
        self.heat_w = self.now.stack_watts - chemical_w - self.vapour_w
        self.loss_w = self._move_heat(self.now.stack_watts - chemical_w, self.vapour_w, dt)
        self._warm_bubbler(dt)
        boiled = self._boil(latent)
        vapour = self.vapour_mol_s * dt + boiled
        self.water_kg -= (2.0 / 3.0 * made * dt + vapour) * M_H2O / 1000.0
        self.energy_j += self.now.watts * dt
        self.stack_energy_j += self.now.stack_watts * dt
        self.chemical_j += chemical_w * dt
        self.latent_j += vapour * latent
        self.loss_j += self.loss_w * dt
        self.charge_c += self.now.amps * dt
        self.gas_mol += made * dt
        self.vapour_mol += vapour
        self.elapsed_s += dt

    def _electric(self, dt: float = 0.0) -> None:
        """Find the working point, or let the electrodes discharge."""
        p, n = self.parameters, self.parameters.stack.cells
        cell = self._cell()
        lead = p.supply.lead_mohm / 1000.0
        decayed = self._decayed(cell, dt)
        emf = 0.0
        if self.relay_closed and self.duty > 0.0 and self.volts_set > 0.0 and self.amps_set > 0.0:
            eta = overpotential_at_voltage(cell, n, self.volts_set, self.duty, lead, self._eta)
            if cell.amps(eta) > self.amps_set * self.duty:
                eta = overpotential_at_current(cell, self.amps_set * self.duty, self._eta)
            emf = cell.reversible + eta
        self._emf = max(emf, decayed)
        self._eta = self._emf - cell.reversible
        if emf < decayed or emf <= 0.0:
            shown = self.volts_set if self.relay_closed and p.supply.sense == "supply" else n * decayed
            self.now = Means(shown, 0.0, 0.0, 0.0, 0.0, False)
            self.plate_amps = self.cell_leak_amps = 0.0
            return
        self.now = chopped(
            self.volts_set,
            self.duty,
            n * emf,
            n * cell.ohms,
            lead_ohms=lead,
            amps_limit=self.amps_set,
            sense=p.supply.sense,
        )
        self.plate_amps = cell.plate_amps(self._eta)
        self.cell_leak_amps = cell.siemens * emf

    def _cell(self) -> CellCurve:
        p, w = self.parameters.stack, self.mass_fraction
        t_k = self.lye_c + KELVIN
        kappa = self._kappa(self.lye_c, w)
        arrhenius = math.exp(
            -1000.0 * p.activation_kj_mol / GAS_CONSTANT * (1.0 / t_k - 1.0 / (_REFERENCE_C + KELVIN))
        )
        wetted = min(1.0, self.litres / p.litres_min) if p.litres_min > 0.0 else 1.0
        gap_ohms = self._kappa_to_r / (kappa * (1.0 - self._void) ** 1.5 * wetted)
        return CellCurve(
            reversible=physics.v_rev(self.lye_c, w, p.electrolyte, self._inner_kpa),
            b=GAS_CONSTANT * t_k / (p.transfer * FARADAY),
            exchange=p.exchange_ma_cm2 / 1000.0 * p.plate_area_cm2 * wetted * arrhenius,
            ohms=gap_ohms + p.contact_mohm / 1000.0,
            siemens=p.leak_siemens * self.leak_factor * kappa / self._reference_kappa,
        )

    def _decayed(self, cell: CellCurve, dt: float) -> float:
        """The EMF after `dt` with no supply: gas first, down to the reversible voltage, then the leak alone.

        Both laws have exact solutions, ``tanh(eta / 2b)`` and the EMF falling exponentially, so that no step is
        too long.
        """
        if self._emf <= 0.0 or dt <= 0.0:
            return self._emf
        capacity = self.parameters.stack.double_layer_f
        eta = self._emf - cell.reversible
        if eta > 0.0:
            rate = 2.0 * cell.exchange / (capacity * cell.b)
            eta = 2.0 * cell.b * math.atanh(math.tanh(eta / (2.0 * cell.b)) * math.exp(-rate * dt))
        return (cell.reversible + eta) * math.exp(-cell.siemens * dt / capacity)

    def _gas_and_vapour(self) -> None:
        """Vapour that the gas takes from the lye, and what of it the bubbler lets pass."""
        made, p, w = self.gas_mol_s, self.parameters, self.mass_fraction
        over_lye = physics.vapour_kpa(self.reservoir_c, w, p.stack.electrolyte)
        total = self._inner_kpa
        self.vapour_mol_s = made * over_lye / max(total - over_lye, (1.0 - _BOILING) * total)
        over_water = physics.psat_kpa(self.bubbler_c)
        self.bubbler_vapour_mol_s = made * over_water / (p.site.pressure_kpa - over_water)

    def _move_heat(self, into_stack_w: float, from_reservoir_w: float, dt: float) -> float:
        """Advance the temperatures by the exact solution of each linear part; returns the mean loss [W]."""
        thermal = self.parameters.thermal
        share, loss, room = thermal.reservoir_share, self.loss_w_per_k, self.room_c
        lye = self.lye_heat_capacity_j_k
        steel = self.parameters.stack.steel_kg * _STEEL_J_KG_K
        if share <= 0.0:
            self.lye_c, lost = _relax(self.lye_c, room, loss, into_stack_w - from_reservoir_w, lye + steel, dt)
            self.reservoir_c = self.lye_c
            return lost
        stack_j, reservoir_j = (1.0 - share) * lye + steel, share * lye
        outside = thermal.reservoir_loss_share
        self.lye_c, lost = _relax(self.lye_c, room, loss * (1.0 - outside), into_stack_w, stack_j, dt)
        self.reservoir_c, more = _relax(
            self.reservoir_c, room, loss * outside, -from_reservoir_w, reservoir_j, dt
        )
        # The lye that the gas lifts round: the difference fades, the heat of both together stays.
        fade = -math.expm1(-thermal.circulation_w_per_k * (1.0 / stack_j + 1.0 / reservoir_j) * dt)
        moved = (self.lye_c - self.reservoir_c) * fade / (1.0 / stack_j + 1.0 / reservoir_j)
        self.lye_c -= moved / stack_j
        self.reservoir_c += moved / reservoir_j
        return lost + more

    def _warm_bubbler(self, dt: float) -> None:
        thermal = self.parameters.thermal
        condensing = max(self.vapour_mol_s - self.bubbler_vapour_mol_s, 0.0)
        heat = condensing * physics.latent_j_kg(self.bubbler_c) * M_H2O / 1000.0
        self.bubbler_c, _ = _relax(
            self.bubbler_c, self.room_c, thermal.bubbler_w_per_k, heat, thermal.bubbler_j_per_k, dt
        )

    def _boil(self, latent: float) -> float:
        """Turn heat above the boiling point into vapour; returns its amount [mol]."""
        p = self.parameters
        over = physics.vapour_kpa(self.lye_c, self.mass_fraction, p.stack.electrolyte)
        most = _BOILING * self._inner_kpa
        if over <= most:
            return 0.0
        low, high = self.lye_c - 5.0, self.lye_c
        for _ in range(40):
            middle = 0.5 * (low + high)
            if physics.vapour_kpa(middle, self.mass_fraction, p.stack.electrolyte) > most:
                high = middle
            else:
                low = middle
        share = p.thermal.reservoir_share
        node = self.heat_capacity_j_k - share * self.lye_heat_capacity_j_k
        excess = node * (self.lye_c - low)
        self.lye_c = low
        self.reservoir_c = min(self.reservoir_c, low) if share > 0.0 else low
        return excess / latent

    @property
    def _inner_kpa(self) -> float:
        return self.parameters.site.pressure_kpa + self.parameters.thermal.bubbler_kpa

    def _kappa(self, t_c: float, w: float) -> float:
        return physics.conductivity_s_cm(t_c, w, self.parameters.stack.electrolyte)

    def _density(self, t_c: float, w: float) -> float:
        return physics.density_kg_m3(t_c, w, self.parameters.stack.electrolyte)


def _relax(
    t_c: float, room_c: float, loss_w_per_k: float, heat_w: float, capacity_j_k: float, dt: float
) -> tuple[float, float]:
    """Exact step of ``C dT/dt = heat - loss (T - room)``; returns the new temperature and the mean loss [W]."""
    settled = room_c + heat_w / loss_w_per_k
    after = t_c + (settled - t_c) * -math.expm1(-loss_w_per_k / capacity_j_k * dt)
    return after, heat_w - capacity_j_k * (after - t_c) / dt


