"""The gas of a timed fill: what stood in the vessel, and how much dry gas at the reference that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from daq.errors import PhysicsRangeError
from daq.measure import (
    GUESSED_ROOM_C,
    GUESSED_ROOM_U,
    ROOM_TO_METER_U,
    Liquid,
    dry_factor,
    taken_as_saturated,
)
from daq.physics.lye import lye_density_kg_m3
from daq.physics.moist_gas import ALTITUDE_PRESSURE_U_KPA, bubbler_head_kpa, pressure_from_altitude
from daq.physics.reference import ReferenceCondition
from daq.physics.water import water_density_kg_m3
from daq.quantity import Quantity, propagate
from daq.study.fill.form import (
    GAS_TEMP_ERROR_C,
    HEAD_ERROR_MM,
    LEVELS_ERROR_MM,
    PRESSURE_ERROR_KPA,
    REACTION_S,
    SEA_LEVEL_U_KPA,
    SHORT_FILL_S,
    VOLUME_ERROR_SHARE,
    During,
    FillForm,
)

__all__ = ["STOPWATCH", "Correction", "FillGas", "gas_of", "is_known", "limited", "number"]

STOPWATCH: Final = "stop-watch"
_SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Correction:
    """One thing taken out on the way from the gas as it stood to dry gas at the reference."""

    words: str
    factor: float
    lpm: float


@dataclass(frozen=True, slots=True)
class FillGas:
    """The gas, arrays of one element.

    Attributes
    ----------
    flow : Quantity
        As it stood in the vessel, over the time [L/min].
    dry : Quantity
        Dry, at the reference [L/min].
    corrections : tuple of Correction
        From the one to the other.
    notes : tuple of str
        What they rest on.
    """

    flow: Quantity
    dry: Quantity
    corrections: tuple[Correction, ...]
    notes: tuple[str, ...]


def gas_of(form: FillForm, during: During, reference: ReferenceCondition) -> FillGas:
    """Work the gas out; see `daq.study.fill.result.timed_fill`.

    Parameters
    ----------
    form : FillForm
    during : During
        What was measured over the fill's time.
    reference : ReferenceCondition
        At which dry gas is counted.
    """
    return _Vessel(form, during, reference).gas()


class _Vessel:
    """The way from a form to its gas, gathering what it rests on."""

    def __init__(self, form: FillForm, during: During, reference: ReferenceCondition) -> None:
        self.form = form
        self.during = during
        self.reference = reference
        self.notes: list[str] = []

    def gas(self) -> FillGas:
        form = self.form
        flow = (self._volume() * self._per_second() * 0.06).named("L/min")
        temp = self._gas_temp()
        strength = Quantity(form.mass_fraction or 0.0, form.mass_fraction_u or 0.0, "", label="lye strength")
        over = Liquid(form.seal, strength, form.electrolyte)
        pressure = (self._pressure() + self._head(temp)).named("kPa")
        self._say_wet()
        factor = dry_factor(over, self.reference, temp, pressure, taken_as_saturated(form.seal, 1))
        dry = (flow * factor).named("L/min")
        if not is_known(dry):
            raise PhysicsRangeError(
                "gas of this temperature over this liquid is all but steam, or lies beyond what is published",
                place="fill: gas temperature, pressure, seal",
                value=f"{number(temp.value):g} °C at {number(pressure.value):.4g} kPa",
                remedy="let the gas cool before it is measured, and give the temperature in the vessel",
            )
        return FillGas(flow, dry, self._corrections(over, temp, pressure, flow, dry), tuple(self.notes))

    def _volume(self) -> Quantity:
        form, error = self.form, self.form.volume_error_ml
        if error is None:
            error = VOLUME_ERROR_SHARE * form.volume_ml
            self.notes.append(f"volume taken as known to ± {error:g} mL (1 %): nobody said")
        return limited(form.volume_ml, error, "mL", "volume")

    def _per_second(self) -> Quantity:
        """One over the time [1/s].

        The two presses' errors are one triangular distribution of twice their limit to either side. In a
        short fill one over the time bends within it: what the two are said to be off is then widened until
        the 95 % interval's upper end, ``1 / (t - h)``, lies within U (JCGM 101, 7.7: intervals by the
        distribution where the linear law does not hold).
        """
        form, error = self.form, self.form.reaction_s
        if error is None:
            error = REACTION_S
            self.notes.append(f"each press of the stop-watch taken as {error:g} s off at most: nobody said")
        if form.seconds < SHORT_FILL_S and error >= 0.1 * REACTION_S:
            self.notes.append(
                f"a fill of {form.seconds:g} s timed by hand tells little: most of U is the presses; "
                "a vessel ten times as large, or a level switch, would tell more"
            )
        t = form.seconds
        beyond = 2.0 * error * (1.0 - math.sqrt(0.05))
        linear = math.sqrt(2.0) * error / _SQRT3
        # both as standard uncertainties of the time, the larger counts
        stretched = 0.5 * t * (t / (t - beyond) - 1.0)
        share = max(1.0, stretched / linear) if linear > 0.0 else 1.0
        start = limited(0.0, share * error, "s", f"{STOPWATCH}: start")
        stop = limited(0.0, share * error, "s", f"{STOPWATCH}: stop")
        off = stop - start
        return ((1.0 - off * (1.0 / t)) * (1.0 / t)).named("1/s")

    def _gas_temp(self) -> Quantity:
        form = self.form
        if form.gas_temp_c is not None:
            error = GAS_TEMP_ERROR_C if form.gas_temp_error_c is None else form.gas_temp_error_c
            return limited(form.gas_temp_c, error, "degC", "gas temperature")
        self.notes.append("temperature of the gas in the vessel not given: the room's taken, ± 4 °C")
        near = Quantity(np.zeros(1), ROOM_TO_METER_U, "degC", label="gas temperature")
        if form.room_temp_c is not None:
            return limited(form.room_temp_c, GAS_TEMP_ERROR_C, "degC", "room temperature") + near
        if is_known(self.during.room_temp):
            assert self.during.room_temp is not None
            return self.during.room_temp.named("degC") + near
        self.notes.append(f"room temperature not given: {GUESSED_ROOM_C:g} °C taken, ± 8 °C")
        return Quantity(np.array([GUESSED_ROOM_C]), GUESSED_ROOM_U, "degC", label="room temperature") + near

    def _pressure(self) -> Quantity:
        form = self.form
        if form.pressure_kpa is not None:
            error = PRESSURE_ERROR_KPA if form.pressure_error_kpa is None else form.pressure_error_kpa
            return limited(form.pressure_kpa, error, "kPa", "pressure")
        if form.altitude_m is None and is_known(self.during.pressure):
            assert self.during.pressure is not None
            return self.during.pressure.named("kPa")
        if form.altitude_m is not None:
            kpa, u = float(pressure_from_altitude(form.altitude_m)), ALTITUDE_PRESSURE_U_KPA
            self.notes.append(f"no pressure given: altitude used ({form.altitude_m:g} m, {kpa:.1f} kPa)")
        else:
            kpa, u = float(pressure_from_altitude(0.0)), SEA_LEVEL_U_KPA
            self.notes.append(
                "neither pressure nor altitude given: sea level taken, ± 6 kPa; "
                "at 1500 m there is 17 % less gas"
            )
        return Quantity(np.array([kpa]), u, "kPa", label="pressure")

    def _head(self, temp: Quantity) -> Quantity:
        """What the liquid presses on the gas beyond the room's air [kPa]."""
        form = self.form
        if form.head_mm is None:
            mm, error = 0.0, LEVELS_ERROR_MM
            if form.seal != "dry":
                self.notes.append("levels inside and outside taken as equal at the stop, within 20 mm")
        else:
            mm, error = form.head_mm, HEAD_ERROR_MM
        t_c = float(np.clip(temp.value, 4.0, 95.0).item())
        if form.seal == "lye":
            density = float(lye_density_kg_m3(t_c, form.mass_fraction or 0.0, form.electrolyte))
        else:
            density = float(water_density_kg_m3(t_c))
        if form.seal == "dry" and form.head_mm is None:
            error = 0.0
        return propagate(bubbler_head_kpa, limited(mm, error, "mm", "levels"), density, unit="kPa")

    def _say_wet(self) -> None:
        self.notes.append(
            {
                "water": "gas taken as saturated over water of its own temperature, within 5 %",
                "lye": "gas taken as saturated over lye of its own temperature, within 5 %",
                "dry": "gas taken as dry: it went through a drier and touched no liquid after it",
            }[self.form.seal]
        )

    def _corrections(
        self, over: Liquid, temp: Quantity, pressure: Quantity, flow: Quantity, dry: Quantity
    ) -> tuple[Correction, ...]:
        t_c, p = float(np.asarray(temp.value)[0]), float(np.asarray(pressure.value)[0])
        vapour = float(over.vapour_kpa(np.array([t_c]), np.ones(1), self.form.mass_fraction or 0.0)[0])
        steam = (p - vapour) / p
        lpm, rest = float(np.asarray(flow.value)[0]), float(np.asarray(dry.value)[0])
        return (
            Correction(f"as read, at {t_c:g} °C, {p:.4g} kPa", 1.0, lpm),
            Correction(f"without its steam, {vapour:.3g} of {p:.4g} kPa", steam, lpm * steam),
            Correction(f"at {self.reference.words} instead", rest / (lpm * steam), rest),
        )


def limited(value: float, error: float, unit: str, label: str) -> Quantity:
    """A reading with a limit of error, as a rectangular distribution (JCGM 100, 4.3.7).

    Parameters
    ----------
    value : float
        The reading [unit].
    error : float
        Its limit of error, either way [unit].
    unit, label : str
        As of `Quantity`.
    """
    return Quantity(np.array([value]), error / _SQRT3, unit, shape="rectangular", label=label)


def is_known(quantity: Quantity | None) -> bool:
    """Whether there is a value at all."""
    return quantity is not None and bool(np.isfinite(np.asarray(quantity.value)).all())


def number(value: Any) -> float:
    """The one element as a float."""
    return float(np.asarray(value).ravel()[0])
