"""A timed fill: a known volume of gas against the clock, and what it says of the stack.

The oldest and, done with care, the best flow measurement of the trade: no gas factor, no calibration, only a
volume, a time, a temperature and a pressure. Its numbers come from the same equations as a run's windows
(`daq.measure.ratios`, `daq.measure.conditions`), each with its uncertainty (JCGM 100).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np

from daq.measure import (
    LEAD_U_SHARE,
    UNITS,
    Finding,
    Ratios,
    Setting,
    chopped_power,
    first_known,
    judge,
    squared_amps,
)
from daq.physics.cell_voltage import mmw_ceiling_reversible, mmw_ceiling_thermoneutral
from daq.quantity import Part, Quantity, propagate, specified
from daq.study.fill.form import DUTY_ERROR, During, FillForm
from daq.study.fill.gas import STOPWATCH, Correction, gas_of, is_known, limited, number

__all__ = ["FILL_NUMBERS", "Correction", "During", "FillForm", "TimedFill", "timed_fill"]

FILL_NUMBERS: Final = (
    "flow_as_read_lpm",
    "flow_dry_ref_lpm",
    "mmw_as_read",
    "mmw_dry_ref",
    "faradaic_efficiency",
    "cell_volts",
    "voltage_efficiency_hhv",
    "energy_efficiency_hhv",
    "watt_hours_per_litre",
    "leak_amps",
)
"""What a fill tells, in the order of showing."""

STEADY = "the stack ran as steadily before the fill as during it, so that hoses and bubbler kept their gas"
REFUSAL = (
    "Power is not known: under a chopped supply mean volts times mean amps is not power. Measure true mean "
    "power with an instrument that multiplies volts and amps sample by sample, and give it as watts; or give "
    "the duty, or RMS volts and amps beside the means, with less certainty."
)
_NAN = Quantity(np.array([np.nan]), 0.0, "")


@dataclass(frozen=True, slots=True)
class TimedFill:
    """A fill, worked out.

    Attributes
    ----------
    form : FillForm
    numbers : dict of str to Quantity
        By name of `FILL_NUMBERS`; NaN where not known.
    dry : Quantity
        Dry gas at the reference [L/min], an array of one element.
    reference : str
    findings : tuple of Finding
    assumptions : tuple of str
    corrections : tuple of Correction
        From the gas as it stood to dry gas at the reference.
    """

    form: FillForm
    numbers: Mapping[str, Quantity]
    dry: Quantity
    reference: str
    findings: tuple[Finding, ...]
    assumptions: tuple[str, ...]
    corrections: tuple[Correction, ...]

    def as_dict(self, *, shared: bool = False) -> dict[str, Any]:
        """For JSON: each number's value and expanded uncertainty (k = 2), None where not known.

        With `shared` also `u95_shared`, what it would be were the stop-watch and the noise without error:
        what a second fill with the same vessel has in common with this one.
        """
        out: dict[str, Any] = {}
        for name, quantity in self.numbers.items():
            entry = {"value": _json(quantity.value), "u95": _json(quantity.u95)}
            if entry["value"] is None:
                entry["u95"] = None
            if shared:
                entry["u95_shared"] = None if entry["u95"] is None else _json(_shared(quantity).u95)
            out[name] = entry
        out["reference"] = self.reference
        out["findings"] = [f.as_dict() for f in self.findings]
        out["assumptions"] = list(self.assumptions)
        return out

    def budget(self, name: str) -> list[Part]:
        """Where the uncertainty of a number comes from, largest first."""
        return [p for p in self.numbers[name].budget() if float(np.nansum(np.square(p.u))) > 0.0]


def timed_fill(form: FillForm, during: During | None = None) -> TimedFill:
    """Work a timed fill out.

    Parameters
    ----------
    form : FillForm
        What was written down. A reading in it counts before the same one of `during`.
    during : During, optional
        What a run measured meanwhile.

    Raises
    ------
    PhysicsRangeError
        Where the gas boils off the liquid, or the lye lies outside what is published.
    """
    made = _Workings(form, during or During())
    return made.result()


class _Workings:
    """The way from a form to its numbers, gathering what it rests on."""

    def __init__(self, form: FillForm, during: During) -> None:
        self.form = form
        self.during = during
        self.notes: list[str] = list(during.notes)
        self.refused: list[str] = list(during.refused)
        self.reference = form.condition()

    def result(self) -> TimedFill:
        form = self.form
        gas = gas_of(form, self.during, self.reference)
        self.notes += gas.notes
        flows = {**self._electrics(), "flow": gas.flow, "dry": gas.dry, **self._ceilings()}
        numbers = Ratios(form.cells, self.reference, 0.0, form.chopped).numbers(flows)
        self.notes.append(STEADY)
        setting = Setting(form.cells, form.seal, self.reference, 0.0, "fill")
        values = {
            k: {"value": _json(q.value), "u95": _json(q.u95), "unit": UNITS[k]} for k, q in numbers.items()
        }
        return TimedFill(
            form,
            {k: numbers[k] for k in FILL_NUMBERS},
            gas.dry,
            self.reference.words,
            tuple(judge(setting, values, refusals=self.refused)),
            tuple(dict.fromkeys(self.notes)),
            gas.corrections,
        )

    # -- volts and amps ------------------------------------------------------------------------------------

    def _electrics(self) -> dict[str, Quantity]:
        """The flows that are electrical, by the names of `Balance.flows`."""
        form, during = self.form, self.during
        amps, volts, watts = self._read("amps", "A"), self._read("volts", "V"), self._read("watts", "W")
        given = amps is not None or volts is not None or watts is not None
        nothing = {unit: _NAN.named(unit) for unit in ("A", "V", "W", "degC", "degC/min")}
        if amps is None:
            amps = during.amps or nothing["A"]
        lead = self._lead()
        cell = during.cell_volts or nothing["V"]
        sensed = volts or during.volts or nothing["V"]
        if volts is not None:
            if lead is not None:
                volts = volts - (lead * amps).named("V")
            cell = volts * (1.0 / form.cells)
        volts = volts or during.volts or nothing["V"]
        if watts is not None:
            power = watts if lead is None else watts - (lead * self._mean_square(amps)).named("W")
        elif not given and during.power is not None:
            power = during.power
        elif form.chopped:
            power = self._chopped(sensed, amps)
            if lead is not None:
                power = power - (lead * self._mean_square(amps)).named("W")
        else:
            power = (volts * amps).named("W")
        return {
            "power": power,
            "amps": amps,
            "volts": volts,
            "cell_volts": cell,
            "lye_temp": during.lye_temp or nothing["degC"],
            "vapour": nothing["W"],
            "heat": nothing["W"],
            "rate": nothing["degC/min"],
        }

    def _chopped(self, volts: Quantity, amps: Quantity) -> Quantity:
        """True mean power under a chopped supply, by the duty or by RMS values [W]."""
        form, inputs = self.form, {"volts": volts, "amps": amps, **self._beside_means}
        found = chopped_power(inputs, off_volts=form.off_volts, sensed_at=form.volts_at, cells=form.cells)
        self.notes += found.notes
        self.refused += found.refused
        if not is_known(found.power) and not found.refused and is_known(volts) and is_known(amps):
            self.refused.append(REFUSAL)
        return found.power

    @cached_property
    def _beside_means(self) -> dict[str, Quantity]:
        """RMS values and the duty, as far as they were given."""
        form, inputs = self.form, {}
        for name, unit in (("volts", "V"), ("amps", "A")):
            if getattr(form, f"{name}_rms") is not None:
                a = form.accuracy(name)
                inputs[f"{name}_rms"] = specified(
                    np.array([getattr(form, f"{name}_rms")]),
                    unit,
                    label=f"{name}_rms",
                    percent_of_reading=a.percent_of_reading,
                    absolute=a.absolute,
                )
        if form.duty is not None:
            self.notes.append(f"duty taken as known to {DUTY_ERROR:g}")
            inputs["duty"] = limited(form.duty, DUTY_ERROR, "", "duty")
        return inputs

    def _mean_square(self, amps: Quantity) -> Quantity:
        """Mean square of the current, which warms the leads [A2]."""
        plain = (amps * amps).named("A2")
        return first_known(squared_amps({"amps": amps, **self._beside_means}), plain)

    def _lead(self) -> Quantity | None:
        form = self.form
        if not form.lead_milliohms or (form.volts is None and form.watts is None):
            return None
        ohms = 1e-3 * form.lead_milliohms
        seen = form.duty is not None or form.amps_rms is not None or not form.chopped
        ripple = "" if seen else "; the current's ripple is not seen, so they lose more than that"
        self.notes.append(f"the drop in the leads is taken out, their resistance known to 10 %{ripple}")
        return Quantity(np.array([ohms]), LEAD_U_SHARE * ohms, "ohm", label="leads")

    def _read(self, name: str, unit: str) -> Quantity | None:
        value = getattr(self.form, name)
        if value is None:
            return None
        if getattr(self.form, f"{name}_accuracy") is None:
            self.notes.append(f"{name} taken as known to {self.form.accuracy(name).percent_of_reading:g} %")
        a = self.form.accuracy(name)
        return specified(
            np.array([value]),
            unit,
            label=name,
            percent_of_reading=a.percent_of_reading,
            absolute=a.absolute,
        )

    def _ceilings(self) -> dict[str, Quantity]:
        at = Quantity(np.array([25.0]), 0.0, "degC")
        if self.form.lye_temp_c is not None:
            at = limited(self.form.lye_temp_c, 1.0, "degC", "lye temperature")
        elif self.during.lye_temp is not None and is_known(self.during.lye_temp):
            at = self.during.lye_temp
        ceilings = {"thermoneutral": mmw_ceiling_thermoneutral, "reversible": mmw_ceiling_reversible}
        mmw = UNITS["mmw_dry_ref"]
        return {
            f"ceiling_{name}": propagate(f, at, reference=self.reference, unit=mmw, outside="nan")
            for name, f in ceilings.items()
        }


def _json(value: Any) -> float | None:
    found = number(value)
    return found if math.isfinite(found) else None


def _shared(quantity: Quantity) -> Quantity:
    kept = {v: p for v, p in quantity.parts.items() if v.common and not v.label.startswith(STOPWATCH)}
    return Quantity.from_parts(quantity.value, quantity.unit, kept)
