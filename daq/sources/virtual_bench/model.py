"""The virtual stack: cells in series, their lye, heat and gas, as they are; what is sent of it is `device`'s.

The model is lumped, and deliberately not the watch's own: electrodes by Butler and Volmer, bubbles with a lag
of their own, a leak that follows the lye's conductivity, a reservoir as a second lump, a bubbler that
condensing steam warms.
"""

from __future__ import annotations

import math

from daq.physics.cell_voltage import v_tn
from daq.physics.conductivity import bubble_factor
from daq.physics.constants import FARADAY, GAS_CONSTANT, KELVIN, M_H2O
from daq.physics.faraday import gas_rate_mol_s
from daq.physics.heat import STEEL_HEAT_CAPACITY_J_KG_K
from daq.physics.reference import reference_condition
from daq.physics.water import latent_heat_j_kg, psat_water, water_density_kg_m3
from daq.sources.virtual_bench.electrics import (
    CellCurve,
    Means,
    chopped,
    overpotential_at_current,
    overpotential_at_voltage,
)
from daq.sources.virtual_bench.lye_at import COUNTS_AS_BOILING, LyeAt
from daq.sources.virtual_bench.parameters import BenchParameters
from daq.sources.virtual_bench.warmth import Warmth

__all__ = ["MAX_STEP_S", "VirtualStack"]

MAX_STEP_S = 0.5
"""Longest step that `VirtualStack.step` takes at once [s]; a longer one is cut up."""

_BUBBLES_S = 2.0  # time for the bubbles between the plates to build up or clear
_REFERENCE_C = 25.0
_NORMAL = reference_condition("0C_101.325kPa")
_OFF = Means(0.0, 0.0, 0.0, 0.0, 0.0, False)
_DRY = 1e-6  # share of the plates that stays wet at the very end, so that nothing divides by 0
_KG_PER_MOL = M_H2O / 1000.0


class VirtualStack:
    """An electrolyser, its supply and its surroundings, advanced in time by `step`.

    Parameters
    ----------
    parameters : BenchParameters, optional

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
    warmth : Warmth
        True temperatures.
    water_kg, hydroxide_kg : float
        What the lye is made of [kg].
    now : Means
        Volts, amps and watts as ideal meters show them.
    plate_amps, gas_mol_s : float
        Current that makes gas in each cell [A], and dry gas, two parts hydrogen to one of oxygen [mol/s].
    """

    def __init__(self, parameters: BenchParameters | None = None) -> None:
        p = self.parameters = parameters or BenchParameters()
        self._lye = LyeAt(p.stack)
        self.elapsed_s = 0.0
        self.relay_closed = True
        self.volts_set, self.amps_set, self.duty = p.supply.volts, p.supply.amps, p.supply.duty
        self.fan = True
        self.room_shift_k = 0.0
        self.leak_factor = 1.0
        start = self.room_c if p.thermal.start_c is None else p.thermal.start_c
        self.warmth = Warmth(p.thermal, start, self.room_c)
        lye_kg = p.stack.litres * self._lye.density_kg_m3(_REFERENCE_C, p.stack.mass_fraction) / 1000.0
        self.hydroxide_kg = lye_kg * p.stack.mass_fraction
        self.water_kg = lye_kg - self.hydroxide_kg
        self._leak_per_kappa = p.stack.leak_siemens / self._lye.conductivity_s_cm(
            _REFERENCE_C, p.stack.mass_fraction
        )
        self._eta = self._emf = self._void = 0.0
        self.now = _OFF
        self.plate_amps = self.gas_mol_s = 0.0
        self._vapour_mol_s = self._metered_vapour_mol_s = 0.0
        self._heat_w = self._vapour_w = self._loss_w = self._boiled_mol_s = 0.0
        self._energy_j = self._charge_c = self._gas_mol = self._vapour_mol = 0.0
        self._electric(0.0)
        self._gas()

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
        mass = self.hydroxide_kg + self.water_kg
        return 1000.0 * mass / self._lye.density_kg_m3(_REFERENCE_C, self.mass_fraction)

    @property
    def heat_capacity_j_k(self) -> float:
        """Heat capacity of lye and steel together [J/K]."""
        stack, reservoir = self._capacities()
        return stack + reservoir

    @property
    def loss_w_per_k(self) -> float:
        """Heat lost to the room for each kelvin [W/K]."""
        thermal = self.parameters.thermal
        return thermal.loss_w_per_k if self.fan else thermal.loss_no_fan_w_per_k

    @property
    def meter_flow_lpm(self) -> float:
        """Wet gas through the meter, at the meter's own temperature and the room's pressure [L/min]."""
        moles = self.gas_mol_s + self._metered_vapour_mol_s
        t_k = self.warmth.bubbler_c + KELVIN
        return 60.0 * moles * GAS_CONSTANT * t_k / self.parameters.site.pressure_kpa

    def truth(self) -> dict[str, float]:
        """What is so, with no sensor in between; keys are lyewatch's numbers and channels where it has them.

        Beyond those: `flow_dry_lpm` at 0 degC and 101.325 kPa; `loss_w` to the room, `loss_k_per_w`,
        `heat_capacity_j_k`; `mass_fraction`, `litres`; and since the start `energy_j`, `charge_c`, `gas_mol`
        (dry), `vapour_mol` (carried off), `water_used_kg`. `limited` is 1 where the supply holds its amps.
        Powers are means over the last step.
        """
        p, now, gas_mol_s = self.parameters, self.now, self.gas_mol_s
        vapour_mol_s = self._vapour_mol_s + self._boiled_mol_s
        grams_per_ml = float(water_density_kg_m3(_REFERENCE_C)) / 1000.0
        return {
            "elapsed_s": self.elapsed_s,
            "volts": now.volts,
            "amps": now.amps,
            "watts": now.watts,
            "power_w": now.watts,
            "cell_volts": now.volts / p.stack.cells,
            "lye_temp": self.warmth.lye_c,
            "reservoir_temp": self.warmth.reservoir_c,
            "room_temp": self.room_c,
            "gas_temp": self.warmth.bubbler_c,
            "gas_flow": self.meter_flow_lpm / p.sensors.meter_factor,
            "flow_as_read_lpm": self.meter_flow_lpm,
            "flow_dry_lpm": 60.0 * gas_mol_s * _NORMAL.molar_volume_l,
            "faradaic_efficiency": self.plate_amps / now.amps if now.amps > 0.0 else math.nan,
            "leak_amps": now.amps - self.plate_amps if now.amps > 0.0 else 0.0,
            "heat_w": self._heat_w,
            "vapour_w": self._vapour_w,
            "loss_w": self._loss_w,
            "water_ml_per_h": 3600.0 * (2.0 / 3.0 * gas_mol_s + vapour_mol_s) * M_H2O / grams_per_ml,
            "heat_capacity_j_k": self.heat_capacity_j_k,
            "loss_k_per_w": 1.0 / self.loss_w_per_k,
            "mass_fraction": self.mass_fraction,
            "litres": self.litres,
            "energy_j": self._energy_j,
            "charge_c": self._charge_c,
            "gas_mol": self._gas_mol,
            "vapour_mol": self._vapour_mol,
            "water_used_kg": (2.0 / 3.0 * self._gas_mol + self._vapour_mol) * _KG_PER_MOL,
            "relay": float(self.relay_closed),
            "duty": self.duty,
            "limited": float(now.limited),
        }

    # ---- what a person does, and time

    def top_up(self, litres: float, temp_c: float | None = None) -> None:
        """Pour in water [L], at the room's temperature unless another is given [degC].

        Raises
        ------
        PhysicsRangeError
            For water outside 0 to 100 degC.
        """
        cold = self.room_c if temp_c is None else temp_c
        kg = litres * float(water_density_kg_m3(cold)) / 1000.0
        added = kg * self._lye.heat_capacity_j_kg_k(cold, 0.0)
        stack, reservoir = self._capacities()
        if reservoir > 0.0:
            self.warmth.reservoir_c += (cold - self.warmth.reservoir_c) * added / (reservoir + added)
        else:
            self.warmth.lye_c += (cold - self.warmth.lye_c) * added / (stack + added)
            self.warmth.reservoir_c = self.warmth.lye_c
        self.water_kg += kg

    def step(self, dt_s: float) -> None:
        """Advance by `dt_s` [s], at most `MAX_STEP_S` at once."""
        left = dt_s
        while left > 1e-12:
            self._advance(min(left, MAX_STEP_S))
            left -= MAX_STEP_S

    def _advance(self, dt: float) -> None:
        p = self.parameters
        self._electric(dt)
        self._gas()
        density = 1000.0 * self.plate_amps / p.stack.plate_area_cm2
        void = p.stack.void_max * density / (density + p.stack.void_half_ma_cm2)
        self._void += (void - self._void) * -math.expm1(-dt / _BUBBLES_S)

        warmth = self.warmth
        latent = _KG_PER_MOL * float(latent_heat_j_kg(warmth.reservoir_c))
        gas_w = p.stack.cells * self.plate_amps * float(v_tn(min(warmth.lye_c, 100.0)))
        carried_w = self._vapour_mol_s * latent
        condensing = max(self._vapour_mol_s - self._metered_vapour_mol_s, 0.0)
        stack_j, reservoir_j = self._capacities()
        self._loss_w = warmth.step(
            stack_w=self.now.stack_watts - gas_w,
            reservoir_w=-carried_w,
            bubbler_w=condensing * latent,
            stack_j_k=stack_j,
            reservoir_j_k=reservoir_j,
            loss_w_per_k=self.loss_w_per_k,
            room_c=self.room_c,
            dt_s=dt,
        )
        boiled = self._boil(stack_j, latent)
        self._boiled_mol_s = boiled / dt
        self._vapour_w = carried_w + self._boiled_mol_s * latent
        self._heat_w = self.now.stack_watts - gas_w - self._vapour_w

        vapour = self._vapour_mol_s * dt + boiled
        gas = self.gas_mol_s * dt
        self.water_kg = max(self.water_kg - (2.0 / 3.0 * gas + vapour) * _KG_PER_MOL, 0.0)
        self._energy_j += self.now.watts * dt
        self._charge_c += self.now.amps * dt
        self._gas_mol += gas
        self._vapour_mol += vapour
        self.elapsed_s += dt

    # ---- the parts of a step

    def _electric(self, dt: float) -> None:
        """Find the working point, or let the electrodes discharge."""
        p, n = self.parameters, self.parameters.stack.cells
        cell, lead = self._cell(), p.supply.lead_mohm / 1000.0
        emf, decayed = -math.inf, self._decayed(cell, dt)
        if self.relay_closed and self.duty > 0.0 and self.volts_set > 0.0 and self.amps_set > 0.0:
            eta = overpotential_at_voltage(cell, n, self.volts_set, self.duty, lead, self._eta)
            if cell.amps(eta) > self.amps_set * self.duty:
                eta = overpotential_at_current(cell, self.amps_set * self.duty, self._eta)
            emf = cell.reversible + eta
        # While the supply stands above what the electrodes have left, its current holds the working point,
        # which falls as the lye warms; in a very short step that is faster than the electrodes decay.
        driven = math.isfinite(emf) and n * decayed < self.volts_set
        self._emf = emf if driven else max(emf, decayed)
        self._eta = self._emf - cell.reversible
        if emf < decayed and not driven:
            # The electrodes stand above what the supply gives, so that no current flows.
            at_supply = self.relay_closed and p.supply.sense == "supply"
            self.now = Means(self.volts_set if at_supply else n * decayed, 0.0, 0.0, 0.0, 0.0, False)
            self.plate_amps = 0.0
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

    def _cell(self) -> CellCurve:
        p, w, t_c = self.parameters.stack, self.mass_fraction, self.warmth.lye_c
        t_k = t_c + KELVIN
        kappa = self._lye.conductivity_s_cm(t_c, w)
        arrhenius = math.exp(
            -1000.0 * p.activation_kj_mol / GAS_CONSTANT * (1.0 / t_k - 1.0 / (_REFERENCE_C + KELVIN))
        )
        wet = max(self._wetted(w), _DRY)
        gap_ohms = p.gap_mm / 10.0 / (kappa * float(bubble_factor(self._void)) * p.plate_area_cm2 * wet)
        return CellCurve(
            reversible=self._lye.v_rev(t_c, w, self._inner_kpa),
            b=GAS_CONSTANT * t_k / (p.transfer * FARADAY),
            exchange=p.exchange_ma_cm2 / 1000.0 * p.plate_area_cm2 * wet * arrhenius,
            ohms=gap_ohms + p.contact_mohm / 1000.0,
            siemens=self._leak_per_kappa * self.leak_factor * kappa * wet,
        )

    def _wetted(self, w: float) -> float:
        """Share of the plates that stands in lye; above 60 % lye is a slush and soon carries nothing."""
        level = self.litres / self.parameters.stack.litres_min if self.parameters.stack.litres_min else 1.0
        return min(1.0, level) * min(max((0.8 - w) / 0.2, 0.0), 1.0)

    def _decayed(self, cell: CellCurve, dt: float) -> float:
        """The EMF after `dt` with no supply: gas first, down to the reversible voltage, then the leak alone.

        Both laws have exact solutions, ``tanh(eta / 2b)`` and the EMF falling exponentially, so that no step
        is too long. The gas of this charge, some millilitres, is not counted.
        """
        if self._emf <= 0.0 or dt <= 0.0:
            return self._emf
        capacity = self.parameters.stack.double_layer_f
        eta = self._emf - cell.reversible
        if eta > 0.0:
            rate = 2.0 * cell.exchange / (capacity * cell.b)
            eta = 2.0 * cell.b * math.atanh(math.tanh(eta / (2.0 * cell.b)) * math.exp(-rate * dt))
        return (cell.reversible + eta) * math.exp(-cell.siemens * dt / capacity)

    def _gas(self) -> None:
        """Gas, the vapour it takes from the lye, and what of that the bubbler lets pass."""
        self.gas_mol_s = gas_mol_s = float(gas_rate_mol_s(self.plate_amps, self.parameters.stack.cells))
        over_lye = self._lye.vapour_kpa(self.warmth.reservoir_c, self.mass_fraction)
        self._vapour_mol_s = gas_mol_s * self._lye.vapour_per_gas(over_lye, self._inner_kpa)
        over_water = float(psat_water(self.warmth.bubbler_c))
        room = self.parameters.site.pressure_kpa
        self._metered_vapour_mol_s = gas_mol_s * self._lye.vapour_per_gas(over_water, room)

    def _boil(self, stack_j_k: float, latent: float) -> float:
        """Turn the stack's heat above the boiling point into vapour; returns its amount [mol]."""
        w, warmth = self.mass_fraction, self.warmth
        most = COUNTS_AS_BOILING * self._inner_kpa
        if self._lye.vapour_kpa(warmth.lye_c, w) <= most:
            return 0.0
        low, high = 20.0, warmth.lye_c
        while high - low > 1e-6:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self._lye.vapour_kpa(middle, w) > most else (middle, high)
        excess = stack_j_k * (warmth.lye_c - low)
        if self.parameters.thermal.reservoir_share <= 0.0:
            warmth.reservoir_c = low
        warmth.lye_c = low
        return excess / latent

    def _capacities(self) -> tuple[float, float]:
        """Heat capacities of stack with steel, and of the reservoir [J/K]."""
        specific = self._lye.heat_capacity_j_kg_k(self.warmth.lye_c, self.mass_fraction)
        lye = (self.hydroxide_kg + self.water_kg) * specific
        steel = self.parameters.stack.steel_kg * STEEL_HEAT_CAPACITY_J_KG_K
        share = self.parameters.thermal.reservoir_share
        return (1.0 - share) * lye + steel, share * lye

    @property
    def _inner_kpa(self) -> float:
        return self.parameters.site.pressure_kpa + self.parameters.thermal.bubbler_kpa
