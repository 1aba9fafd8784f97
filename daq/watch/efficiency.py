"""The numbers of many windows at once, each with its uncertainty: one code path, live and in review.

Equations come from `daq.physics`, propagation from `daq.quantity`. What is not measured is taken from the
bench file or from custom, and then said: every such choice appears among the window's assumptions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.physics.cell_voltage import (
    HHV_J_MOL,
    mmw_ceiling_faraday,
    mmw_ceiling_reversible,
    mmw_ceiling_thermoneutral,
    reaction_enthalpy_j_mol,
    v_tn,
    voltage_efficiency_hhv,
)
from daq.physics.constants import M_H2, M_H2O
from daq.physics.faraday import (
    current_for_gas_a,
    mol_s_from_lpm,
    reference_condition,
    water_rate_g_s,
)
from daq.physics.moist_gas import (
    ALTITUDE_PRESSURE_U_KPA,
    dry_flow_at_reference,
    pressure_from_altitude,
    psat_water,
    vapour_in_gas_kpa,
    vapour_per_dry,
    vapour_pressure_lye,
)
from daq.physics.reference import REFERENCE_CONDITIONS, ReferenceCondition
from daq.physics.water import latent_heat_j_kg, water_density_kg_m3
from daq.quantity import Quantity, propagate
from daq.watch.bins import Bins
from daq.watch.columns import Columns, FloatArray, IntArray
from daq.watch.measured import Measured, first_known, measure
from daq.watch.numbers import UNITS, Numbers

__all__ = ["Assessor", "assess_windows", "reference_words"]

H2_SHARE = 2.0 / 3.0
YIELD_GUESS, YIELD_HALF_WIDTH = 0.95, 0.05
"""Faradaic efficiency taken for the heat balance where no flow is measured: 0.90 to 1.00 (judgement)."""
SATURATION_HALF_WIDTH = 0.05
"""How far from saturation gas behind a bubbler is taken to be, at most [1] (judgement)."""
ROOM_TO_METER_U = 2.0
"""Standard uncertainty of taking the room's temperature for the gas's at the meter [K] (judgement)."""
STATED_ROOM_U = 2.0
"""Standard uncertainty of the room temperature that the bench file states [K] (judgement)."""
STATED_PRESSURE_U = 0.5
"""Standard uncertainty of the pressure that the bench file states [kPa] (judgement: a few days' weather)."""
NORMAL = REFERENCE_CONDITIONS["0C_101.325kPa"]

PWM_REFUSAL = (
    "Power is not known: under a chopped supply mean volts times mean amps is not power. Measure true mean "
    "power (a channel `watts` from a device that multiplies volts and amps sample by sample), or sense "
    "volts before the switch, where they are constant, and call the supply constant_voltage."
)


def reference_words(bench: Bench) -> str:
    """The condition at which dry gas is counted, in words: ``0 °C, 101.325 kPa``."""
    return reference_condition(bench.site.reference, place=f"{bench.path}: site.reference").words


def assess_windows(
    columns: Columns, edges_ns: IntArray, bench: Bench, *, steps: int = 30, assessor: Assessor | None = None
) -> Numbers:
    """The numbers of consecutive windows.

    Parameters
    ----------
    columns : Columns
        The samples.
    edges_ns : int64[m + 1]
        Evenly spaced edges of the windows, multiples of the spacing [ns].
    bench : Bench
    steps : int
        Batches into which each window is cut to judge its noise.

    Returns
    -------
    Numbers
        Of m windows.
    """
    width = int(edges_ns[1] - edges_ns[0])
    step_ns = max(1, width // steps)
    bins = Bins(bench, step_ns=step_ns, first=int(edges_ns[0]) // step_ns)
    bins.add(columns)
    ends = np.asarray(edges_ns[1:] // step_ns, dtype=np.int64)
    return (assessor or Assessor(bench)).assess(bins, ends, steps)


@dataclass(slots=True)
class _Notes:
    size: int
    texts: dict[str, NDArray[np.bool_]] = field(default_factory=dict)

    def add(self, text: str, where: NDArray[np.bool_] | bool) -> None:
        mask = np.broadcast_to(np.asarray(where, dtype=bool), (self.size,))
        if mask.any():
            self.texts[text] = mask | self.texts.get(text, np.zeros(self.size, dtype=bool))


class Assessor:
    """Turns means of windows into numbers, for one bench.

    Parameters
    ----------
    bench : Bench

    Raises
    ------
    UsageError
        When the bench's reference condition can not be read.
    """

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.reference: ReferenceCondition = reference_condition(
            bench.site.reference, place=f"{bench.path}: site.reference"
        )
        self._mol_s_per_lpm = float(mol_s_from_lpm(1.0, self.reference))
        # Amps that one litre a minute of dry gas takes, all cells together.
        self._amps_per_lpm = float(current_for_gas_a(self._mol_s_per_lpm, bench.stack.cells))
        self._water_ml_per_h = (
            3.6e6 * float(water_rate_g_s(1.0, bench.stack.cells)) / float(water_density_kg_m3(20.0))
        )

    def assess(self, bins: Bins, ends: IntArray, steps: int) -> Numbers:
        """The numbers of windows of `steps` steps; `ends` names the step after each one's last."""
        return self.numbers(measure(self.bench, bins, ends, steps))

    def numbers(self, measured: Measured) -> Numbers:
        """The numbers of what was measured."""
        m = measured.end_ns.size
        notes, refused = _Notes(m), _Notes(m)
        means = measured.means
        amps, volts, lye_temp, flow = means["amps"], means["volts"], means["lye_temp"], means["gas_flow"]
        out: dict[str, Quantity] = {
            "amps": amps,
            "volts": volts,
            "lye_temp": lye_temp,
            "flow_as_read_lpm": flow,
        }
        out["temp_rate_c_per_min"] = measured.temp_rate
        powered = np.nan_to_num(np.asarray(amps.value)) > self.bench.supply.powered_above_amps
        power = self._power(means, notes, refused)
        out["power_w"] = power
        out["cell_volts"] = cell = self._cell_volts(means, power, powered)
        pressure = self._pressure(means, notes)
        dry = self._dry_flow(means, pressure, notes)
        out["flow_dry_ref_lpm"] = dry
        on_power = _where(power, powered & _above_noise(power))
        out["mmw_as_read"] = (flow / on_power * 1000.0).named(UNITS["mmw_as_read"])
        out["mmw_dry_ref"] = (dry / on_power * 1000.0).named(UNITS["mmw_dry_ref"])
        taken = dry * self._amps_per_lpm
        out["faradaic_efficiency"] = taken.named("A") / _where(amps, powered)
        out["leak_amps"] = _where(amps - taken.named("A"), powered)
        made = _where(dry, powered & _above_noise(dry))
        out["watt_hours_per_litre"] = power / made * (1.0 / 60.0)
        h2_mol_s = made * (self._mol_s_per_lpm * H2_SHARE)
        out["energy_efficiency_hhv"] = h2_mol_s * HHV_J_MOL / on_power
        out["kwh_per_kg_h2"] = power / h2_mol_s * (1.0 / (3600.0 * M_H2))
        out["kwh_per_nm3_h2"] = power / h2_mol_s * (1.0 / (3600.0 * NORMAL.molar_volume_l))
        out["water_ml_per_h"] = amps * self._water_ml_per_h
        self._voltage_side(out, cell, lye_temp, notes)
        self._heat(out, power, amps, dry, lye_temp, pressure, powered, notes)
        value = {k: np.broadcast_to(np.asarray(out[k].value, dtype=np.float64), (m,)) for k in UNITS}
        u95 = {k: np.broadcast_to(np.asarray(out[k].u95, dtype=np.float64), (m,)) for k in UNITS}
        return Numbers(
            measured.end_ns, measured.window_ns, value, u95, self.reference.words, notes.texts, refused.texts
        )

    # -- parts ---------------------------------------------------------------------------------------------

    def _power(self, means: Mapping[str, Quantity], notes: _Notes, refused: _Notes) -> Quantity:
        bench = self.bench
        watts, product, amps = means["watts"].named("W"), means["volt_amps"].named("W"), means["amps"]
        if bench.supply.mode == "pwm":
            both = np.isfinite(np.asarray(product.value)) & ~np.isfinite(np.asarray(watts.value))
            refused.add(PWM_REFUSAL, both)
            power = watts
        else:
            fallback = ~np.isfinite(np.asarray(watts.value)) & np.isfinite(np.asarray(product.value))
            if "volts" in bench.channels and "amps" in bench.channels:
                apart = bench.channels["volts"].source != bench.channels["amps"].source
                notes.add(
                    "volts and amps come from different devices: the supply is taken as steady between them",
                    fallback & apart,
                )
            power = first_known(watts, product)
        if bench.supply.lead_milliohms:
            ohms = Quantity(
                bench.supply.lead_milliohms * 1e-3, 0.1e-3 * bench.supply.lead_milliohms, "ohm", label="leads"
            )
            lost = (ohms * means["amps2"]).named("W")
            notes.add(
                "the drop in the leads between sense point and stack is taken out, their resistance to 10 %",
                np.isfinite(np.asarray(amps.value)),
            )
            power = power - lost
        return power

    def _cell_volts(
        self, means: Mapping[str, Quantity], power: Quantity, powered: NDArray[np.bool_]
    ) -> Quantity:
        supply, cells = self.bench.supply, self.bench.stack.cells
        amps, volts = means["amps"], means["volts"]
        if supply.mode == "pwm":
            # What the charge met on average; mean volts include the time when nothing flowed.
            return (power / _where(amps, powered) * (1.0 / cells)).named("V")
        if supply.lead_milliohms:
            ohms = Quantity(
                supply.lead_milliohms * 1e-3, 0.1e-3 * supply.lead_milliohms, "ohm", label="leads"
            )
            volts = volts - (ohms * amps).named("V")
        return volts * (1.0 / cells)

    def _pressure(self, means: Mapping[str, Quantity], notes: _Notes) -> Quantity:
        """Absolute pressure of the gas at the meter, and of the room where that is all there is [kPa]."""
        site = self.bench.site
        measured = first_known(means["gas_pressure"].named("kPa"), means["room_pressure"].named("kPa"))
        missing = ~np.isfinite(np.asarray(measured.value))
        if site.pressure_kpa is not None:
            notes.add(f"no pressure measured: the bench file's {site.pressure_kpa:g} kPa used", missing)
            stated, u = site.pressure_kpa, STATED_PRESSURE_U
        else:
            altitude = site.altitude_m or 0.0
            stated, u = float(pressure_from_altitude(altitude)), ALTITUDE_PRESSURE_U_KPA
            notes.add(
                f"no pressure measured: that of {altitude:g} m altitude used ({stated:.1f} kPa)", missing
            )
        return first_known(measured, Quantity(np.full(notes.size, stated), u, "kPa", label="pressure"))

    def _meter_temp(
        self, means: Mapping[str, Quantity], notes: _Notes, wanted: NDArray[np.bool_]
    ) -> Quantity:
        bench, full = self.bench, np.ones(notes.size)
        temp = means["gas_temp"].named("degC")
        missing = wanted & ~np.isfinite(np.asarray(temp.value))
        gas = bench.gas
        if gas.meter_temp_c is not None:
            notes.add(
                f"gas temperature at the meter not measured: the bench file's {gas.meter_temp_c:g} °C used",
                missing,
            )
            return first_known(
                temp, Quantity(gas.meter_temp_c * full, gas.meter_temp_u, "degC", label="meter temperature")
            )
        notes.add("gas temperature at the meter not measured: the room's is used", missing)
        room = means["room_temp"].named("degC")
        roomless = missing & ~np.isfinite(np.asarray(room.value))
        near = Quantity(0.0 * full, ROOM_TO_METER_U, "degC", label="meter temperature")
        if bench.site.room_temp_c is not None:
            notes.add(
                f"room temperature assumed: {bench.site.room_temp_c:g} °C from the bench file", roomless
            )
            stated = Quantity(bench.site.room_temp_c * full, STATED_ROOM_U, "degC", label="room temperature")
        else:
            notes.add("room temperature assumed: 20 °C", roomless)
            stated = Quantity(20.0 * full, 2.0 * STATED_ROOM_U, "degC", label="room temperature")
        return first_known(temp, first_known(room, stated) + near)

    def _dry_flow(self, means: Mapping[str, Quantity], pressure: Quantity, notes: _Notes) -> Quantity:
        bench, reference = self.bench, self.reference
        gas, flow = bench.gas, means["gas_flow"].named("L/min")
        wanted = np.isfinite(np.asarray(flow.value))
        if not wanted.any():
            return Quantity(np.full(notes.size, np.nan), 0.0, "L/min")
        if gas.meter_factor == 1.0 and gas.meter_factor_u == 0.0:
            notes.add("meter gas factor assumed 1", wanted)
        temp = self._meter_temp(means, notes, wanted)
        sensor = (means["gas_humidity"] * 0.01).named("")
        sensed = np.isfinite(np.asarray(sensor.value))
        words = {"water": "water", "lye": "the lye at the meter's temperature"}
        if gas.wet_over in words:
            notes.add(f"gas taken as saturated at the meter over {words[gas.wet_over]}", wanted & ~sensed)
        else:
            notes.add("gas taken as dry at the meter", wanted & ~sensed)
        width = 0.0 if gas.wet_over == "dry" else SATURATION_HALF_WIDTH / np.sqrt(3.0)
        taken = Quantity(np.ones(notes.size), width, "", shape="rectangular", label="saturation")
        share = first_known(sensor, taken)

        def factor(t_c: FloatArray, p_kpa: FloatArray, humidity: FloatArray) -> FloatArray:
            humid = np.clip(humidity, 0.0, 1.0)
            vapour = vapour_in_gas_kpa(
                gas.wet_over, t_c, humidity=humid, mass_fraction=bench.stack.mass_fraction,
                electrolyte=bench.stack.electrolyte, outside="nan",
            )  # fmt: skip
            if sensed.any():  # a humidity sensor reads against water
                vapour = np.where(sensed, humid * psat_water(t_c, outside="nan"), vapour)
            dry = dry_flow_at_reference(
                1.0, t_c, p_kpa, vapour_kpa=vapour, reference=reference, outside="nan"
            )
            return np.asarray(dry)

        to_dry = propagate(factor, temp, pressure, share, unit="")
        meter = Quantity(gas.meter_factor, gas.meter_factor_u, "", label="meter factor")
        return (flow * meter * to_dry).named("L/min")

    def _voltage_side(
        self, out: dict[str, Quantity], cell: Quantity, lye_temp: Quantity, notes: _Notes
    ) -> None:
        reference = self.reference
        usable = _where(cell, np.nan_to_num(np.asarray(cell.value)) > 0.2)
        out["voltage_efficiency_hhv"] = propagate(
            voltage_efficiency_hhv, usable, 25.0, unit="", outside="nan"
        )
        out["mmw_ceiling_faraday"] = propagate(
            mmw_ceiling_faraday, usable, reference=reference, unit="mL/min/W", outside="nan"
        )
        known = np.isfinite(np.asarray(lye_temp.value))
        notes.add("lye temperature not measured: 25 °C taken for the ceilings", ~known)
        temp = first_known(lye_temp.named("degC"), Quantity(np.full(notes.size, 25.0), 0.0, "degC"))
        for key, ceiling in (
            ("mmw_ceiling_thermoneutral", mmw_ceiling_thermoneutral),
            ("mmw_ceiling_reversible", mmw_ceiling_reversible),
        ):
            out[key] = propagate(ceiling, temp, reference=reference, unit="mL/min/W", outside="nan")

    def _heat(
        self,
        out: dict[str, Quantity],
        power: Quantity,
        amps: Quantity,
        dry: Quantity,
        lye_temp: Quantity,
        pressure: Quantity,
        powered: NDArray[np.bool_],
        notes: _Notes,
    ) -> None:
        """Heat = power less enthalpy of the gas less latent heat of the vapour it carries off the lye."""
        stack = self.bench.stack
        gas_made = np.isfinite(np.asarray(dry.value))
        guessed = Quantity(
            np.full(notes.size, YIELD_GUESS),
            YIELD_HALF_WIDTH / np.sqrt(3.0),
            "",
            shape="rectangular",
            label="gas yield",
        )
        could = (amps * (1.0 / self._amps_per_lpm)).named("L/min")
        notes.add(
            "no gas flow measured: for the heat, 95 ± 5 % of the current is taken to make gas",
            powered & ~gas_made,
        )
        made = first_known(dry, could * guessed)
        # More gas than the current can make is a fault of the reading; the heat balance does not follow it.
        most = np.nan_to_num(np.asarray(could.value), nan=np.inf)
        over = np.nan_to_num(np.asarray(made.value)) > most
        made = first_known(_where(made, ~over), could)
        made = _where(made, np.asarray(made.value) >= 0.0)
        made = first_known(
            made, Quantity(np.where(np.isfinite(np.asarray(amps.value)), 0.0, np.nan), 0.0, "L/min")
        )
        mol_s = made * self._mol_s_per_lpm

        def vapour_j_mol(t_c: FloatArray, p_kpa: FloatArray) -> FloatArray:
            over_lye = vapour_pressure_lye(t_c, stack.mass_fraction, stack.electrolyte, outside="nan")
            carried = vapour_per_dry(over_lye, p_kpa, outside="nan")
            return np.asarray(carried * (M_H2O * 1e-3) * latent_heat_j_kg(t_c, outside="nan"))

        temp = lye_temp.named("degC")
        vapour = (mol_s * propagate(vapour_j_mol, temp, pressure, unit="")).named("W")
        enthalpy = propagate(reaction_enthalpy_j_mol, temp, unit="", outside="nan")
        out["vapour_w"] = vapour
        out["heat_w"] = power - (mol_s * H2_SHARE * enthalpy).named("W") - vapour

    def thermoneutral_volts(self) -> float:
        """Thermoneutral voltage of the whole stack at 25 degC [V]."""
        return self.bench.stack.cells * float(v_tn(25.0))


def _where(quantity: Quantity, condition: NDArray[np.bool_]) -> Quantity:
    return Quantity.from_parts(np.where(condition, quantity.value, np.nan), quantity.unit, quantity.parts)


def _above_noise(quantity: Quantity) -> NDArray[np.bool_]:
    """Where a value stands above its own expanded uncertainty: only then may it be divided by."""
    found: Any = np.nan_to_num(np.asarray(quantity.value)) > np.nan_to_num(np.asarray(quantity.u95))
    return np.asarray(found, dtype=bool)
