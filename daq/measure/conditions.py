"""What stands between a flow meter's reading and dry gas at the reference: pressure, temperature, steam.

Each is measured where the bench has a channel for it, else taken from the bench file or from custom, with an
uncertainty to match, and then said among the assumptions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench, GasSpec
from daq.measure.columns import FloatArray
from daq.measure.measured import first_known
from daq.measure.meter import PLAIN, dry_per_reading, meter_factor, meter_words
from daq.physics.lye import Electrolyte
from daq.physics.moist_gas import (
    ALTITUDE_PRESSURE_U_KPA,
    WetOver,
    dry_flow_at_reference,
    pressure_from_altitude,
    psat_water,
    vapour_in_gas_kpa,
)
from daq.physics.reference import ReferenceCondition
from daq.quantity import Num, Quantity, propagate

__all__ = [
    "GUESSED_ROOM_C",
    "GUESSED_ROOM_U",
    "ROOM_TO_METER_U",
    "Liquid",
    "Notes",
    "dry_factor",
    "dry_flow",
    "known",
    "pressure_kpa",
    "taken_as_saturated",
]

SATURATION_HALF_WIDTH = 0.05
"""How far from saturation gas behind a bubbler is taken to be, at most [1] (judgement)."""
ROOM_TO_METER_U = 2.0
"""Standard uncertainty of taking the room's temperature for the gas's at the meter [K] (judgement)."""
STATED_ROOM_U = 2.0
"""Standard uncertainty of the room temperature that the bench file states [K] (judgement)."""
GUESSED_ROOM_C, GUESSED_ROOM_U = 20.0, 4.0
"""Room temperature and its standard uncertainty where nobody states one [degC, K] (judgement)."""
STATED_PRESSURE_U = 0.5
"""Standard uncertainty of the pressure that the bench file states [kPa] (judgement: a few days' weather)."""

BEYOND_GAS = (
    "dry gas not told: at the meter's temperature and pressure the gas is all but steam, or the lye it came "
    "over is stronger than what is published"
)
_SATURATED = {
    "water": "gas taken as saturated at the meter over water",
    "lye": "gas taken as saturated at the meter over lye of the meter's temperature",
    "dry": "gas taken as dry at the meter",
}


@dataclass(frozen=True, slots=True)
class Liquid:
    """What the gas touched last: water, lye of a mass fraction [kg/kg], or ("dry") nothing."""

    wet_over: WetOver
    mass_fraction: float | Quantity
    electrolyte: Electrolyte

    @property
    def strength(self) -> float | Quantity:
        """Its mass fraction where that matters, else 0."""
        return self.mass_fraction if self.wet_over == "lye" else 0.0

    def vapour_kpa(self, t_c: FloatArray, humidity: FloatArray, strength: Num) -> FloatArray:
        """Pressure of the vapour that the gas carries [kPa]; NaN out of range.

        Parameters
        ----------
        t_c : float64[...]
            Temperature of the gas [degC], 0 to 200.
        humidity : float64[...]
            Share of saturation over the liquid [1], 0 to 1.
        strength : float or float64[...]
            Mass fraction of the lye [1]; of no account over water or behind a drier.
        """
        return np.asarray(
            vapour_in_gas_kpa(
                self.wet_over,
                t_c,
                humidity=humidity,
                mass_fraction=strength,
                electrolyte=self.electrolyte,
                outside="nan",
            )
        )


@dataclass(slots=True)
class Notes:
    """Sentences, and for which of `size` windows each holds."""

    size: int
    texts: dict[str, NDArray[np.bool_]] = field(default_factory=dict)

    def add(self, text: str, where: NDArray[np.bool_]) -> None:
        """Say `text` of the windows in `where`; nothing where that is none."""
        if where.any():
            before = self.texts.get(text)
            self.texts[text] = where if before is None else where | before

    def gathered(self, where: NDArray[np.bool_]) -> Notes:
        """The same of the one window that those in `where` make together."""
        texts = {t: np.array([True]) for t, mask in self.texts.items() if (mask & where).any()}
        return Notes(1, texts)


def known(quantity: Quantity) -> NDArray[np.bool_]:
    """Where a quantity has a value."""
    found: NDArray[np.bool_] = np.isfinite(np.asarray(quantity.value))
    return found


def pressure_kpa(bench: Bench, means: Mapping[str, Quantity], notes: Notes) -> Quantity:
    """Absolute pressure of the gas at the meter; the room's where that is all there is [kPa].

    Parameters
    ----------
    bench : Bench
    means : mapping of str to Quantity
        With `gas_pressure` and `room_pressure` of n windows, NaN where not measured.
    notes : Notes
        Of the same windows; told where the pressure was not measured.
    """
    site = bench.site
    measured = first_known(means["gas_pressure"].named("kPa"), means["room_pressure"].named("kPa"))
    missing = ~known(measured)
    if not missing.any():
        return measured
    if site.pressure_kpa is not None:
        stated, u = site.pressure_kpa, STATED_PRESSURE_U
        notes.add(f"no pressure measured: the bench file's {stated:g} kPa used", missing)
    else:
        altitude = site.altitude_m or 0.0
        stated, u = float(pressure_from_altitude(altitude)), ALTITUDE_PRESSURE_U_KPA
        notes.add(f"no room pressure: altitude used ({altitude:g} m, {stated:.1f} kPa)", missing)
    return first_known(measured, Quantity(np.full(notes.size, stated), u, "kPa", label="pressure"))


def dry_flow(
    bench: Bench,
    reference: ReferenceCondition,
    means: Mapping[str, Quantity],
    pressure: Quantity,
    notes: Notes,
    *,
    factor: Quantity | None = None,
    strength: Quantity | None = None,
) -> Quantity:
    """Dry gas at the reference [L/min]: the meter's reading, its factor applied, its steam taken out.

    Parameters
    ----------
    bench : Bench
    reference : ReferenceCondition
    means : mapping of str to Quantity
        With `gas_flow`, `gas_humidity` [%] and the temperatures of n windows, NaN where not measured.
    pressure : Quantity
        Absolute, at the meter [kPa].
    notes : Notes
        Of the same windows; told what was assumed.
    factor : Quantity, optional
        Factor of the meter [1], while it is just being compared; None takes the bench file's.
    strength : Quantity, optional
        Mass fraction of the lye [1]; None takes that at the start.
    """
    gas, stack, flow = bench.gas, bench.stack, means["gas_flow"].named("L/min")
    wanted = known(flow)
    if not wanted.any():
        return flow
    conversion = meter_words(gas)
    if conversion is not None:
        notes.add(conversion, wanted)
    temp = _meter_temp(bench, means, notes, wanted)
    sensor = (means["gas_humidity"] * 0.01).named("")
    sensor = Quantity.from_parts(np.clip(sensor.value, 0.0, 1.0), "", sensor.parts)
    sensed = known(sensor)
    notes.add(_SATURATED[gas.wet_over], wanted & ~sensed)
    share = first_known(sensor, taken_as_saturated(gas.wet_over, notes.size))
    strength = (
        Quantity(stack.mass_fraction, stack.mass_fraction_u, "", label="lye strength")
        if strength is None
        else strength
    )
    over = Liquid(gas.wet_over, strength, stack.electrolyte)
    to_dry = dry_factor(over, reference, temp, pressure, share, sensed=sensed, meter=gas)
    there = wanted & known(temp) & known(pressure) & known(share)
    notes.add(BEYOND_GAS, there & ~known(to_dry))
    true = meter_factor(gas) if factor is None else factor
    return (flow * true * to_dry).named("L/min")


def taken_as_saturated(wet_over: WetOver, size: int) -> Quantity:
    """Share of saturation where no sensor tells it [1]."""
    width = 0.0 if wet_over == "dry" else SATURATION_HALF_WIDTH / np.sqrt(3.0)
    return Quantity(np.ones(size), width, "", shape="rectangular", label="saturation")


def dry_factor(
    over: Liquid,
    reference: ReferenceCondition,
    temp: Quantity,
    pressure: Quantity,
    share: Quantity,
    *,
    sensed: NDArray[np.bool_] | None = None,
    meter: GasSpec = PLAIN,
) -> Quantity:
    """Dry gas at the reference to moist gas as it is [1], by volume or by flow, or as a meter reads it.

    Parameters
    ----------
    over : Liquid
        The last liquid that the gas touched.
    reference : ReferenceCondition
    temp, pressure : Quantity
        Of the gas where its volume is told [degC, kPa absolute].
    share : Quantity
        Share of saturation over that liquid; against water where `sensed`.
    sensed : bool[m], optional
        Where a humidity sensor told `share`.
    meter : GasSpec
        What the reading stands for; by default the volume as it is.

    Returns
    -------
    Quantity
        NaN where out of the equations' range.
    """

    def factor(t_c: FloatArray, p_kpa: FloatArray, humidity: FloatArray, strength: Num) -> FloatArray:
        vapour = over.vapour_kpa(t_c, humidity, strength)
        if sensed is not None and sensed.any():
            # a humidity sensor reads against water, whatever the gas stood over
            vapour = np.where(sensed, humidity * psat_water(t_c, outside="nan"), vapour)
        plain = np.asarray(
            dry_flow_at_reference(1.0, t_c, p_kpa, vapour_kpa=vapour, reference=reference, outside="nan")
        )
        if meter.meter == "volume":
            return plain
        in_range = np.where(np.isfinite(plain), 1.0, np.nan)
        return dry_per_reading(meter, reference, t_c * in_range, p_kpa * in_range, vapour * in_range)

    return propagate(factor, temp, pressure, share, over.strength, unit="")


def _meter_temp(
    bench: Bench, means: Mapping[str, Quantity], notes: Notes, wanted: NDArray[np.bool_]
) -> Quantity:
    """Temperature of the gas at the meter [degC]."""
    full, gas = np.ones(notes.size), bench.gas
    temp = means["gas_temp"].named("degC")
    missing = wanted & ~known(temp)
    if not missing.any():
        return temp
    if gas.meter_temp_c is not None:
        notes.add(f"gas temperature at the meter: the bench file's {gas.meter_temp_c:g} °C used", missing)
        stated = Quantity(gas.meter_temp_c * full, gas.meter_temp_u, "degC", label="meter temperature")
        return first_known(temp, stated)
    notes.add("gas temperature at the meter not measured: the room's used", missing)
    room = means["room_temp"].named("degC")
    roomless = missing & ~known(room)
    near = Quantity(0.0 * full, ROOM_TO_METER_U, "degC", label="meter temperature")
    if bench.site.room_temp_c is not None:
        room_c, u = bench.site.room_temp_c, bench.site.room_temp_c_u or STATED_ROOM_U
        notes.add(f"room temperature assumed: the bench file's {room_c:g} °C", roomless)
    else:
        room_c, u = GUESSED_ROOM_C, GUESSED_ROOM_U
        notes.add(f"room temperature assumed: {room_c:g} °C", roomless)
    assumed = Quantity(room_c * full, u, "degC", label="room temperature")
    return first_known(temp, first_known(room, assumed) + near)
