"""What follows from what went in and what came out: the numbers, whoever measured.

A window of a run and a timed fill come to their numbers by these equations, written once. Physics comes
from `daq.physics`, propagation from `daq.quantity`, so that an input that enters twice (the current, in power
and in Faraday's law) is one and the same error both times.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from daq.measure.bounded import at_most, heat_of_windows
from daq.measure.columns import zeroed
from daq.measure.measured import first_known
from daq.measure.numbers import UNITS
from daq.physics.cell_voltage import HHV_J_MOL, mmw_ceiling_faraday, voltage_efficiency_hhv
from daq.physics.constants import M_H2
from daq.physics.faraday import current_for_gas_a, mol_s_from_lpm, water_rate_g_s
from daq.physics.reference import REFERENCE_CONDITIONS, ReferenceCondition
from daq.physics.water import water_density_kg_m3
from daq.quantity import Quantity, propagate

__all__ = ["H2_SHARE", "Ratios", "above_noise", "where"]

H2_SHARE = 2.0 / 3.0
"""Hydrogen in the mixed gas [mol/mol]."""
NORMAL = REFERENCE_CONDITIONS["0C_101.325kPa"]


@dataclass(frozen=True)
class Ratios:
    """The equations of one stack.

    Attributes
    ----------
    cells : int
        Gaps in series.
    reference : ReferenceCondition
        At which dry gas is counted.
    powered_above_amps : float
        At this current and below nothing is divided by it [A].
    chopped : bool
        Whether the supply chops: mean volts then include the time when nothing flowed.
    """

    cells: int
    reference: ReferenceCondition
    powered_above_amps: float
    chopped: bool = False

    @cached_property
    def mol_s_per_lpm(self) -> float:
        """Gas in a litre a minute at the reference [mol/s]."""
        return float(mol_s_from_lpm(1.0, self.reference))

    @cached_property
    def amps_per_lpm(self) -> float:
        """Current that a litre a minute of dry gas takes [A]."""
        return float(current_for_gas_a(self.mol_s_per_lpm, self.cells))

    @cached_property
    def water_ml_per_coulomb(self) -> float:
        """Water that a coulomb splits in all cells [mL/C]."""
        return 1e3 * float(water_rate_g_s(1.0, self.cells)) / float(water_density_kg_m3(20.0))

    def water_ml_s(self, flows: Mapping[str, Quantity]) -> Quantity:
        """Water split [mL/s]: by the gas where it is measured, at most what the charge could split; else by
        the charge, as if all current made gas."""
        by_gas, by_charge = self.water_by_gas_and_charge(flows)
        return first_known(at_most(by_gas, by_charge), by_charge)

    def water_by_gas_and_charge(self, flows: Mapping[str, Quantity]) -> tuple[Quantity, Quantity]:
        """Water split [mL/s] by the gas as measured, and as if all current made gas."""
        per_lpm = self.amps_per_lpm * self.water_ml_per_coulomb
        by_gas, by_charge = flows["dry"] * per_lpm, flows["amps"] * self.water_ml_per_coulomb
        return by_gas.named("mL/s"), by_charge.named("mL/s")

    def watched(self, flows: Mapping[str, Quantity]) -> dict[str, Quantity]:
        """Those of `numbers` that alarms and forecasts go by; takes `flows` without heat and ceilings."""
        powered = np.asarray(flows["amps"].value) > self.powered_above_amps
        on_amps = where(flows["amps"], powered)
        taken = (flows["dry"] * self.amps_per_lpm).named("A")
        return {
            "volts": flows["volts"],
            "cell_volts": self._cell_volts(flows, on_amps),
            "lye_temp": flows["lye_temp"],
            "flow_as_read_lpm": flows["flow"],
            "flow_dry_ref_lpm": flows["dry"],
            "faradaic_efficiency": taken / on_amps,
            "vapour_w": flows["vapour"],
            "temp_rate_c_per_min": flows["rate"],
        }

    def _cell_volts(self, flows: Mapping[str, Quantity], on_amps: Quantity) -> Quantity:
        """Volts of a cell [V].

        Under a chopped supply mean volts include the time when nothing flowed: there the cell's volts are
        what the charge met on average.
        """
        if not self.chopped:
            return flows["cell_volts"]
        return (flows["power"] / on_amps * (1.0 / self.cells)).named("V")

    def numbers(self, flows: Mapping[str, Quantity]) -> dict[str, Quantity]:
        """Every number of `NUMBERS`.

        Parameters
        ----------
        flows : mapping of str to Quantity
            As `Balance.flows`: arrays of one length, NaN where not known.

        Returns
        -------
        dict of str to Quantity
            By key of `NUMBERS`, in its unit; NaN where not known and where it would be divided by noise.
        """
        f, mmw = flows, UNITS["mmw_dry_ref"]
        power, amps, dry = f["power"], f["amps"], f["dry"]
        powered = np.asarray(amps.value) > self.powered_above_amps
        on_power = where(power, powered & above_noise(power))
        on_amps = where(amps, powered)
        lpm = where(dry, powered & above_noise(dry))
        taken = (dry * self.amps_per_lpm).named("A")
        h2_mol_s = lpm * (self.mol_s_per_lpm * H2_SHARE)
        cell = self._cell_volts(f, on_amps)
        unknown = Quantity(np.full(np.shape(power.value), np.nan))  # of a fill that was typed in, say
        usable = where(cell, np.asarray(cell.value) > 0.2)
        return {
            "power_w": power,
            **self.watched(f),
            "amps": amps,
            "mmw_as_read": f["flow"] / on_power * 1000.0,
            "mmw_dry_ref": dry / on_power * 1000.0,
            "leak_amps": on_amps - taken,
            "voltage_efficiency_hhv": propagate(voltage_efficiency_hhv, usable, 25.0, unit="", outside="nan"),
            "energy_efficiency_hhv": h2_mol_s * HHV_J_MOL / on_power,
            "watt_hours_per_litre": power / lpm * (1.0 / 60.0),
            "kwh_per_nm3_h2": power / h2_mol_s * (1.0 / (3600.0 * NORMAL.molar_volume_l)),
            "kwh_per_kg_h2": power / h2_mol_s * (1.0 / (3600.0 * M_H2)),
            "water_ml_per_h": (self.water_ml_s(f) * 3600.0).named("mL/h"),
            "heat_w": heat_of_windows(f),
            "mmw_ceiling_faraday": propagate(
                mmw_ceiling_faraday, usable, reference=self.reference, unit=mmw, outside="nan"
            ),
            "mmw_ceiling_thermoneutral": f["ceiling_thermoneutral"],
            "mmw_ceiling_reversible": f["ceiling_reversible"],
            "lye_percent": f.get("strength", unknown).scaled(100.0, "%"),
            "lye_litres": f.get("litres", unknown).named("L"),
            "top_up_ml": f.get("top_up", unknown).named("mL"),
        }


def where(quantity: Quantity, condition: NDArray[np.bool_]) -> Quantity:
    """The quantity where `condition` holds, NaN elsewhere."""
    return Quantity.from_parts(np.where(condition, quantity.value, np.nan), quantity.unit, quantity.parts)


def above_noise(quantity: Quantity) -> NDArray[np.bool_]:
    """Where a value stands above its own expanded uncertainty: only then may it be divided by."""
    value, u95 = np.asarray(quantity.value), np.asarray(quantity.u95)
    above: NDArray[np.bool_] = value > zeroed(u95)
    return above
