"""What is written down at a timed fill, and what is taken where nobody wrote.

A vessel of known volume, full of liquid, is filled with the stack's gas against the clock (displacement over
water or lye). The form holds plain numbers, so that it can be kept in the logbook and worked out again.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from daq.bench import Accuracy, Bench, ChannelSpec, parse_accuracy
from daq.errors import UsageError
from daq.physics.lye import Electrolyte
from daq.physics.reference import ReferenceCondition, reference_condition
from daq.quantity import Quantity

__all__ = [
    "DEFAULT_ACCURACY",
    "DUTY_ERROR",
    "EDGE_ERROR_S",
    "GAS_TEMP_ERROR_C",
    "HEAD_ERROR_MM",
    "LEVELS_ERROR_MM",
    "PRESSURE_ERROR_KPA",
    "REACTION_S",
    "SEA_LEVEL_U_KPA",
    "SHORT_FILL_S",
    "VOLUME_ERROR_SHARE",
    "During",
    "FillForm",
    "Seal",
    "form_from_bench",
    "form_in_run",
]

Seal = Literal["water", "lye", "dry"]

VOLUME_ERROR_SHARE: Final = 0.01
"""How far the mark on a bottle may be off, as a share of the volume (judgement; no published source)."""
REACTION_S: Final = 0.2
"""How far each of the two presses of a stop-watch may be off [s], a limit of error: its standard uncertainty,
0.12 s, stands above what 4304 timings of an expected sight scattered by, 0.07 s about a mean of 0.11 s, which
both presses have and which falls away (Am. J. Phys. 87 (2019) 110)."""
EDGE_ERROR_S: Final = 0.02
"""The same of an edge that a level switch gave, beside half the time between its samples [s] (judgement:
debouncing, and the float's travel)."""
SHORT_FILL_S: Final = 2.0
"""A fill timed by hand in less than this is told to be short [s] (judgement)."""
DEFAULT_ACCURACY: Final = {"amps": "2 % of reading", "volts": "1 % of reading", "watts": "2 % of reading"}
"""Of panel meters whose makers say nothing (judgement)."""
DUTY_ERROR: Final = 0.01
"""Limit of error of a duty that was read off a generator or an oscilloscope [1] (judgement)."""
GAS_TEMP_ERROR_C: Final = 1.0
"""Limit of error of a gas temperature that was read [K] (judgement)."""
PRESSURE_ERROR_KPA: Final = 0.3
"""Limit of error of a pressure that was read off a barometer [kPa] (judgement)."""
STATED_PRESSURE_ERROR_KPA: Final = 0.9
"""The same of a pressure that the bench file states, which the weather has left behind [kPa] (judgement)."""
SEA_LEVEL_U_KPA: Final = 3.0
"""Standard uncertainty of taking sea level where nobody says where the bench stands [kPa]: some 250 m of
height and the weather (judgement)."""
HEAD_ERROR_MM: Final = 10.0
"""Limit of error of a head that was read [mm] (judgement)."""
LEVELS_ERROR_MM: Final = 20.0
"""How far apart levels that are called equal may stand [mm] (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FillForm:
    """One timed fill as it was written down; None where nobody said.

    Attributes
    ----------
    volume_ml : float
        Volume of gas in the vessel when the time was stopped, as it stood there [mL].
    seconds : float
        Time that it took to fill [s].
    cells : int
        Gaps in series between powered plates.
    volume_error_ml : float
        Limit of error of the volume [mL].
    reaction_s : float
        How far each press of the stop-watch may be off [s].
    amps, volts, watts : float
        Mean current, mean volts at the stack, true mean power, over that time.
    amps_accuracy, volts_accuracy, watts_accuracy : str
        Accuracy lines as in a bench file.
    chopped : bool
        Whether the supply chops (PWM): volts times amps is then no power, and `watts` is needed, or the duty,
        or RMS values.
    volts_rms, amps_rms : float
        True RMS with the mean included [V, A]; as accurate as `volts` and `amps`.
    duty : float
        Share of the time for which the switch is closed [1], known to `DUTY_ERROR`.
    off_volts : tuple of two floats
        Limits of the stack's volts while the switch is open [V].
    volts_at : {"stack", "supply"}
        With a chopped supply: whether volts are read across the stack, or before the switch.
    lead_milliohms : float
        Resistance from where volts are sensed to the stack [mohm].
    gas_temp_c, gas_temp_error_c : float
        Temperature of the gas in the vessel, and its limit of error [degC, K].
    room_temp_c : float
        Taken for the gas's where that is not given [degC].
    pressure_kpa, pressure_error_kpa : float
        Air pressure as a barometer shows it, not reduced to the sea, and its limit of error [kPa].
    altitude_m : float
        Used for the pressure where that is not given [m].
    seal : {"water", "lye", "dry"}
        The liquid that the gas pushed out; "dry" where the gas went through a drier and met none after it.
    electrolyte, mass_fraction
        Of the lye, where that is the seal.
    head_mm : float
        How much higher the liquid stood outside than inside when the time was stopped [mm].
    lye_temp_c : float
        Of the stack, for the ceilings [degC].
    reference : str
        The condition at which dry gas is counted, see `daq.physics.reference`.
    """

    volume_ml: float
    seconds: float
    cells: int
    volume_error_ml: float | None = None
    reaction_s: float | None = None
    amps: float | None = None
    volts: float | None = None
    watts: float | None = None
    amps_accuracy: str | None = None
    volts_accuracy: str | None = None
    watts_accuracy: str | None = None
    chopped: bool = False
    volts_rms: float | None = None
    amps_rms: float | None = None
    duty: float | None = None
    off_volts: tuple[float, float] | None = None
    volts_at: Literal["stack", "supply"] = "stack"
    lead_milliohms: float = 0.0
    gas_temp_c: float | None = None
    gas_temp_error_c: float | None = None
    room_temp_c: float | None = None
    pressure_kpa: float | None = None
    pressure_error_kpa: float | None = None
    altitude_m: float | None = None
    seal: Seal = "water"
    electrolyte: Electrolyte = "KOH"
    mass_fraction: float | None = None
    mass_fraction_u: float | None = None
    head_mm: float | None = None
    lye_temp_c: float | None = None
    reference: str = "0C_101.325kPa"

    def __post_init__(self) -> None:
        for name, (low, high, unit) in _RANGES.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise UsageError(
                    f"lies outside {low:g} to {high:g} {unit}".rstrip(),
                    place=f"fill: {name}",
                    value=value,
                    remedy="give what was read, in that unit",
                )
        if self.seal == "lye" and self.mass_fraction is None:
            raise UsageError(
                "is needed for gas over lye: its steam depends on it",
                place="fill: mass_fraction",
                remedy="give the lye's mass fraction, such as 0.2, or name a bench file",
            )
        if self.off_volts is not None and not 0.0 <= self.off_volts[0] <= self.off_volts[1] <= 1e4:
            raise UsageError(
                "are no limits of volts, the lower first",
                place="fill: off_volts",
                value=list(self.off_volts),
                remedy="give what the stack's volts fall to between pulses, at least and at most",
            )
        reaction = REACTION_S if self.reaction_s is None else self.reaction_s
        if self.seconds <= 2.0 * reaction:
            raise UsageError(
                f"is no longer than what two presses of {reaction:g} s each may be off: the flow could be "
                "anything",
                place="fill: seconds",
                value=self.seconds,
                remedy="fill a larger vessel; or let a level switch take the time, and give reaction_s",
            )
        for name, unit in (("amps", "A"), ("watts", "W")):
            if getattr(self, name) == 0.0:
                raise UsageError(
                    "the supply was off: no gas was made that could be set against it",
                    place=f"fill: {name}",
                    value=f"0 {unit}",
                    remedy="switch the supply on, let the stack settle, and fill again",
                )
        self.condition()
        for name in DEFAULT_ACCURACY:
            self.accuracy(name)

    def condition(self) -> ReferenceCondition:
        """The reference condition.

        Raises
        ------
        UsageError
            When it can not be read.
        """
        return reference_condition(self.reference, place="fill: reference")

    def accuracy(self, name: str) -> Accuracy:
        """The accuracy of `amps`, `volts` or `watts`, said or taken.

        Raises
        ------
        UsageError
            When the line can not be read.
        """
        line = getattr(self, f"{name}_accuracy") or DEFAULT_ACCURACY[name]
        unit = {"amps": "A", "volts": "V", "watts": "W"}[name]
        try:
            found = parse_accuracy(line, unit)
        except ValueError as exc:
            raise UsageError(str(exc), place=f"fill: {name}_accuracy", value=line) from None
        if found.percent_of_range or found.counts:
            raise UsageError(
                "no range and no resolution is known here",
                place=f"fill: {name}_accuracy",
                value=line,
                remedy=f'write both in {unit}, as in "0.5 % of reading + 0.02"',
            )
        return found

    def as_dict(self) -> dict[str, Any]:
        """For JSON: only what was said."""
        given = dataclasses.asdict(self)
        return {k: v for k, v in given.items() if v is not None}

    @classmethod
    def from_dict(cls, document: Mapping[str, Any]) -> FillForm:
        """The form that `as_dict` gave; keys that a later lyewatch added are left aside."""
        known = {f.name for f in dataclasses.fields(cls)}
        given = {k: v for k, v in document.items() if k in known}
        if given.get("off_volts") is not None:
            given["off_volts"] = tuple(given["off_volts"])
        return cls(**given)


@dataclass(frozen=True, slots=True, kw_only=True)
class During:
    """What a run measured in the very seconds of the fill; arrays of one element, None where it did not.

    Attributes
    ----------
    volts, amps, power, cell_volts : Quantity
        At the stack [V], [A], [W], [V].
    lye_temp, room_temp : Quantity
        [degC]
    pressure : Quantity
        Of the room [kPa].
    notes, refused : tuple of str
        What these rest on, and what was refused.
    """

    volts: Quantity | None = None
    amps: Quantity | None = None
    power: Quantity | None = None
    cell_volts: Quantity | None = None
    lye_temp: Quantity | None = None
    room_temp: Quantity | None = None
    pressure: Quantity | None = None
    notes: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()


_RANGES: Final = {
    "volume_ml": (0.1, 1e6, "mL"),
    "seconds": (0.1, 86_400.0, "s"),
    "cells": (1, 500, ""),
    "volume_error_ml": (0.0, 1e5, "mL"),
    "reaction_s": (0.0, 60.0, "s"),
    "amps": (0.0, 1e4, "A"),
    "volts": (0.0, 1e4, "V"),
    "watts": (0.0, 1e6, "W"),
    "volts_rms": (0.0, 1e4, "V"),
    "amps_rms": (0.0, 1e4, "A"),
    "duty": (0.001, 1.0, ""),
    "lead_milliohms": (0.0, 1e4, "mohm"),
    "gas_temp_c": (0.0, 100.0, "degC"),
    "gas_temp_error_c": (0.0, 50.0, "K"),
    "room_temp_c": (-20.0, 60.0, "degC"),
    "pressure_kpa": (30.0, 120.0, "kPa"),
    "pressure_error_kpa": (0.0, 20.0, "kPa"),
    "altitude_m": (-500.0, 9000.0, "m"),
    "mass_fraction": (0.0, 0.5, ""),
    "mass_fraction_u": (0.0, 0.5, ""),
    "head_mm": (-2000.0, 2000.0, "mm"),
    "lye_temp_c": (0.0, 120.0, "degC"),
}


def form_from_bench(bench: Bench) -> dict[str, Any]:
    """What a bench file says that a form asks for, by the form's names."""
    stack, site, supply = bench.stack, bench.site, bench.supply
    out: dict[str, Any] = {
        "cells": stack.cells,
        "electrolyte": stack.electrolyte,
        "mass_fraction": stack.mass_fraction,
        "mass_fraction_u": stack.mass_fraction_u,
        "chopped": supply.mode == "pwm",
        "off_volts": supply.off_volts,
        "volts_at": supply.volts_at,
        "lead_milliohms": supply.lead_milliohms,
        "reference": site.reference,
        "room_temp_c": site.room_temp_c,
        "altitude_m": site.altitude_m,
        "pressure_kpa": site.pressure_kpa,
        # Gas that was dried before the meter is wet again in a vessel over water.
        "seal": bench.gas.wet_over if bench.gas.wet_over != "dry" else "water",
    }
    if site.pressure_kpa is not None:
        out["pressure_error_kpa"] = STATED_PRESSURE_ERROR_KPA
    for name in DEFAULT_ACCURACY:
        spec = bench.channels.get(name)
        if spec is not None and (line := _line(spec)):
            out[f"{name}_accuracy"] = line
    return {k: v for k, v in out.items() if v is not None}


def form_in_run(bench: Bench, fields: Mapping[str, Any]) -> FillForm:
    """A form for a fill in a run of the bench: what was said, else what the bench file says and no run tells.

    Raises
    ------
    UsageError
        For what can not be.
    """
    given = form_from_bench(bench)
    # The run tells the air's pressure, by its channels or by the same bench file, and allows for either.
    for name in ("pressure_kpa", "pressure_error_kpa", "altitude_m"):
        given.pop(name, None)
    if "room_temp" in bench.channels:
        given.pop("room_temp_c", None)
    return FillForm(**{**given, **{k: v for k, v in fields.items() if v is not None}})


def _line(spec: ChannelSpec) -> str:
    """The channel's accuracy with range and counts turned into its unit; empty where it states none."""
    a = spec.accuracy
    width = 0.0 if spec.valid is None else spec.valid[1] - spec.valid[0]
    fixed = a.absolute + 0.01 * a.percent_of_range * width + a.counts * spec.resolution
    if not (a.percent_of_reading or fixed) or not math.isfinite(fixed):
        return ""
    return f"{a.percent_of_reading:g} % of reading + {fixed:g}"
