"""The numbers that the watch computes: their keys, units and meaning, and the values of many windows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.measure.columns import FloatArray, IntArray

__all__ = ["NUMBERS", "RATIOS", "UNITS", "NumberSpec", "Numbers", "unit_words"]


@dataclass(frozen=True, slots=True)
class NumberSpec:
    """A number's key, what it is called, its unit, and what it means."""

    key: str
    label: str
    unit: str
    help: str


NUMBERS = (
    NumberSpec(
        "power_w",
        "Power",
        "W",
        "True mean power into the stack: the mean of volts times amps, not the product of their means.",
    ),
    NumberSpec("volts", "Voltage", "V", "Mean volts where they are sensed."),
    NumberSpec("amps", "Current", "A", "Mean current through the stack."),
    NumberSpec(
        "cell_volts",
        "Volts per cell",
        "V",
        "Volts at the stack over its cells; with a chopped supply, weighted by current.",
    ),
    NumberSpec("lye_temp", "Lye temperature", "degC", "Mean temperature of the lye."),
    NumberSpec(
        "flow_as_read_lpm",
        "Gas flow as read",
        "L/min",
        "What the meter shows: wet, at its own temperature and pressure.",
    ),
    NumberSpec(
        "flow_dry_ref_lpm",
        "Dry gas flow",
        "L/min",
        "Gas without its steam, meter factor applied, reduced to the reference condition.",
    ),
    NumberSpec("mmw_as_read", "MMW as read", "mL/min/W", "Flow as read over power: what people quote."),
    NumberSpec(
        "mmw_dry_ref",
        "MMW dry",
        "mL/min/W",
        "Dry gas at the reference condition over power: what can be compared.",
    ),
    NumberSpec(
        "faradaic_efficiency", "Faradaic efficiency", "1", "Dry gas over the gas that the current could make."
    ),
    NumberSpec("leak_amps", "Leak current", "A", "Mean current per cell that made no gas."),
    NumberSpec(
        "voltage_efficiency_hhv",
        "Voltage efficiency",
        "1",
        "Thermoneutral voltage at 25 °C over volts per cell.",
    ),
    NumberSpec(
        "energy_efficiency_hhv",
        "Energy efficiency",
        "1",
        "Higher heating value of the hydrogen over the power.",
    ),
    NumberSpec(
        "watt_hours_per_litre",
        "Energy per litre",
        "Wh/L",
        "Energy for a litre of dry gas at the reference condition.",
    ),
    NumberSpec(
        "kwh_per_nm3_h2", "Energy per Nm³ hydrogen", "kWh/m3", "For hydrogen at 0 °C and 101.325 kPa."
    ),
    NumberSpec("kwh_per_kg_h2", "Energy per kg hydrogen", "kWh/kg", "For the hydrogen in the gas."),
    NumberSpec(
        "water_ml_per_h",
        "Water split",
        "mL/h",
        "By the gas where it is measured, else by charge as if all current made gas; vapour comes on top.",
    ),
    NumberSpec(
        "heat_w",
        "Heat",
        "W",
        "Power less the enthalpy of the gas made and the latent heat of the vapour it carries.",
    ),
    NumberSpec(
        "vapour_w", "Heat in vapour", "W", "Latent heat of the vapour that the gas carries off the lye."
    ),
    NumberSpec("temp_rate_c_per_min", "Temperature rate", "degC/min", "Slope of the lye's temperature."),
    NumberSpec(
        "mmw_ceiling_faraday",
        "MMW at these volts",
        "mL/min/W",
        "Dry, if every electron made gas at these volts per cell.",
    ),
    NumberSpec(
        "mmw_ceiling_thermoneutral",
        "MMW, no heat",
        "mL/min/W",
        "Dry; above it the stack would have to draw in heat.",
    ),
    NumberSpec("mmw_ceiling_reversible", "MMW, limit", "mL/min/W", "Dry; a reading above it is impossible."),
    NumberSpec(
        "lye_percent",
        "Lye strength",
        "%",
        "Hydroxide in the lye by mass: from its filling, the water split and carried off, what was "
        "poured in and what "
        "was measured.",
    ),
    NumberSpec("lye_litres", "Lye volume", "L", "Lye in the whole circuit, as it would measure at 20 °C."),
    NumberSpec(
        "top_up_ml",
        "Water wanting",
        "mL",
        "Distilled water that brings the lye back to the strength of its filling.",
    ),
)
"""Every number, in the order of showing."""

RATIOS = frozenset(
    {
        "mmw_as_read",
        "mmw_dry_ref",
        "faradaic_efficiency",
        "leak_amps",
        "energy_efficiency_hhv",
        "watt_hours_per_litre",
        "kwh_per_nm3_h2",
        "kwh_per_kg_h2",
    }
)
"""Those that set gas against power or current: the two do not belong together while the supply switches."""

UNITS = {n.key: n.unit for n in NUMBERS}

_UNIT_WORDS = {"degC": "°C", "1": "", "degC/min": "°C/min", "kWh/m3": "kWh/m³", "mA/cm2": "mA/cm²"}


def unit_words(unit: str) -> str:
    """A unit as people write it: ``°C`` for ``degC``, nothing for ``1``."""
    return _UNIT_WORDS.get(unit, unit)


def _with_u95(value: float, u95: float, unit: str) -> dict[str, Any]:
    known = math.isfinite(value)
    return {
        "value": value if known else None,
        "u95": u95 if known and math.isfinite(u95) else None,
        "unit": unit,
    }


@dataclass(frozen=True, slots=True)
class Numbers:
    """The numbers of m windows.

    Attributes
    ----------
    end_ns : int64[m]
        End of each window [ns].
    window_ns : int
        Length of each window [ns].
    value, u95 : dict of str to float64[m]
        By key of `NUMBERS`; NaN where not known. `u95` is the expanded uncertainty, k = 2.
    reference : str
        The condition at which dry gas is counted, in words.
    assumed : dict of str to bool[m]
        What each window's numbers rest on that was not measured.
    refused : dict of str to bool[m]
        What was not computed although its channels are there, and what to measure instead.
    """

    end_ns: IntArray
    window_ns: int
    value: dict[str, FloatArray]
    u95: dict[str, FloatArray]
    reference: str
    assumed: dict[str, NDArray[np.bool_]]
    refused: dict[str, NDArray[np.bool_]]

    def __len__(self) -> int:
        return int(self.end_ns.size)

    def at(self, i: int) -> dict[str, dict[str, Any]]:
        """Window `i` as JSON says it: key to value, u95 and unit, None where not known."""
        return {
            key: _with_u95(float(self.value[key][i]), float(self.u95[key][i]), unit)
            for key, unit in UNITS.items()
        }

    def every(self, keys: Sequence[str]) -> Iterator[dict[str, dict[str, Any]]]:
        """These numbers of every window in turn, as `at` says them."""
        columns = [
            [
                _with_u95(v, u, UNITS[key])
                for v, u in zip(self.value[key].tolist(), self.u95[key].tolist(), strict=True)
            ]
            for key in keys
        ]
        for row in zip(*columns, strict=True):
            yield dict(zip(keys, row, strict=True))

    def assumptions(self, i: int) -> list[str]:
        """What window `i` rests on."""
        return [text for text, where in self.assumed.items() if where[i]]

    def refusals(self, i: int) -> list[str]:
        """What window `i` refuses to say."""
        return [text for text, where in self.refused.items() if where[i]]
