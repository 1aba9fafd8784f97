"""Power under a chopped supply from what there is besides mean volts and amps: the duty, or RMS values.

`daq.physics.pwm.true_power` says which readings determine it and between which limits they leave it open.
Here the readings are means with uncertainties; what the waveform leaves open is one more, of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from daq.measure.bounded import truncated
from daq.physics.pwm import HOLD_VOLTS, LIKENESS, PowerEstimate, true_power
from daq.quantity import Quantity, propagate

__all__ = ["READINGS", "Chopped", "chopped_power", "squared_amps"]

READINGS = ("volts", "amps", "volts_rms", "amps_rms", "duty")
"""What the power of a chopped supply is found from, where no device multiplies volts and amps."""
_UNITS = {"volts": "V", "amps": "A", "volts_rms": "V", "amps_rms": "A", "duty": ""}
_KEYS = {"volts": "volts_mean", "amps": "amps_mean", "volts_rms": "volts_rms", "amps_rms": "amps_rms",
         "duty": "duty"}  # fmt: skip
# The surest first; volts before the switch hold steady, so that mean amps are all that is needed there.
_WAYS: tuple[tuple[Literal["stack", "supply"], tuple[str, ...]], ...] = (
    ("supply", ("volts", "amps")),
    ("stack", ("volts", "amps", "volts_rms", "amps_rms")),
    ("stack", ("volts", "amps", "duty")),
    ("stack", ("volts_rms", "amps", "duty")),
)
OFF = "power while the switch stays open (duty 0, or no current): volts times amps, next to nothing"
_OFF_DUTY = 0.01
"""A duty within this of 0 while no current flows is none: the switch stays open [1] (judgement)."""
# RMS readings may lie this much below their means by the meters' errors; `true_power` allows 2 %.
_SLACK = 0.019
RMS_BELOW_MEAN = (
    "Power is not known: the RMS of {name} reads below its mean, which no waveform can do. See that the "
    "channels are not swapped, and that the meter measures true RMS with the mean included (AC+DC)."
)


@dataclass(frozen=True, slots=True)
class Chopped:
    """The power of m windows.

    Attributes
    ----------
    power : Quantity
        [W], NaN where the readings do not tell it.
    notes, refused : dict of str to bool[m]
        What it rests on, and why it is refused although there are readings enough.
    """

    power: Quantity
    notes: dict[str, NDArray[np.bool_]] = field(default_factory=dict)
    refused: dict[str, NDArray[np.bool_]] = field(default_factory=dict)


def chopped_power(
    readings: Mapping[str, Quantity],
    *,
    off_volts: tuple[float, float] | None = None,
    sensed_at: Literal["stack", "supply"] = "stack",
    cells: int = 0,
    powered_above_amps: float = 0.0,
) -> Chopped:
    """True mean power under a chopped supply, as far as the readings determine it.

    Parameters
    ----------
    readings : mapping of str to Quantity
        By names of `READINGS`, arrays of one length, NaN where not known; any may be missing.
    off_volts : tuple of two floats, optional
        Limits of the stack's volts while the switch is open [V].
    sensed_at : {"stack", "supply"}
        Where the volts are sensed: across the stack, or before the switch.
    cells : int
        Of the stack, which bound its volts while the switch is open where `off_volts` does not; 0 where they
        are not known.
    powered_above_amps : float
        Up to this current nothing flows, if the duty, or the current's RMS, says so too [A].
    """
    at = {n: readings[n].named(_UNITS[n]) for n in READINGS if n in readings}
    m = max((np.size(q.value) for q in at.values()), default=1)
    out = Chopped(Quantity(np.full(m, np.nan), 0.0, "W"))
    found = _while_open(at, powered_above_amps, out)
    idle = np.isfinite(np.asarray(found.value))
    for name in ("volts", "amps"):
        at = _without_false_rms(name, at, out, ~idle)
    if "duty" in at:
        # A duty of nothing makes no power to speak of, and one above 1 is a percentage or a fault.
        value = np.asarray(at["duty"].value)
        at["duty"] = _masked(at["duty"], (value > 0.0) & (value <= 1.0))
    for place, names in _WAYS:
        if place != sensed_at or not all(n in at for n in names):
            continue
        there = np.isnan(np.asarray(found.value))
        for n in names:
            there = there & np.isfinite(np.asarray(at[n].value))
        if not there.any():
            continue
        power, estimate = _one_way(
            names, {n: _masked(at[n], there) for n in names}, off_volts, place, cells * HOLD_VOLTS
        )
        found = _filled(found, power, there)
        out.notes[_words(estimate, names, off_volts)] = there
    return Chopped(found, out.notes, out.refused)


def squared_amps(readings: Mapping[str, Quantity]) -> Quantity:
    """Mean square of a chopped current, by its RMS, else by its mean and the duty [A2]; NaN where neither is
    known.

    Parameters
    ----------
    readings : mapping of str to Quantity
        `amps`, and of `amps_rms` and `duty` what there is; arrays of one length.
    """
    amps = readings["amps"]
    out = Quantity(np.full(np.shape(amps.value), np.nan), 0.0, "A2")
    if "amps_rms" in readings:
        rms = readings["amps_rms"]
        out = _filled(out, (rms * rms).named("A2"), np.isfinite(np.asarray(rms.value)))
    if "duty" in readings:
        value = np.asarray(readings["duty"].value)
        there = np.isnan(np.asarray(out.value)) & (value > 0.0) & (value <= 1.0)
        duty = _masked(readings["duty"], there)
        out = _filled(out, (amps * amps / duty).named("A2"), there & np.isfinite(np.asarray(amps.value)))
    return out


def _while_open(at: Mapping[str, Quantity], powered_above_amps: float, out: Chopped) -> Quantity:
    """Power where the switch stays open: nothing flows, whatever volts the stack keeps. That it does is told
    by the duty, else by the current's RMS; a mean alone may be of short pulses."""
    found = out.power
    if "volts" not in at or "amps" not in at:
        return found
    amps = np.asarray(at["amps"].value)
    duty, rms = (
        np.asarray(at[n].value) if n in at else np.full(amps.shape, np.nan) for n in ("duty", "amps_rms")
    )
    silent = np.where(np.isfinite(duty), np.abs(duty) < _OFF_DUTY, rms <= powered_above_amps)
    idle = silent & (np.abs(amps) <= powered_above_amps)
    idle &= np.isfinite(np.asarray(at["volts"].value))
    if not idle.any():
        return found
    out.notes[OFF] = idle
    return _filled(found, (_masked(at["volts"], idle) * _masked(at["amps"], idle)).named("W"), idle)


def _one_way(
    names: tuple[str, ...],
    at: Mapping[str, Quantity],
    off_volts: tuple[float, float] | None,
    place: Literal["stack", "supply"],
    hold_volts: float,
) -> tuple[Quantity, PowerEstimate]:
    def estimate(*values: Any) -> PowerEstimate:
        given = {_KEYS[n]: v for n, v in zip(names, values, strict=True)}
        if "duty" in given:
            given["duty"] = np.clip(given["duty"], 1e-6, 1.0)
        return true_power(
            waveform="pulsed", off_volts=off_volts, hold_volts=hold_volts, sensed_at=place, **given
        )

    central = estimate(*(at[n].value for n in names))
    if "volts_rms" in names and "amps_rms" in names:
        return _by_spreads(at), central
    power = propagate(lambda *v: estimate(*v).watts, *(at[n] for n in names), unit="W")
    u = np.nan_to_num(np.asarray(central.u_w))
    if u.any():
        power = power + Quantity(np.zeros_like(u), u, "W", shape="rectangular", label="waveform")
    return power, central


def _by_spreads(at: Mapping[str, Quantity]) -> Quantity:
    """``V I + r s_v s_i`` from means and RMS values [W], r between its limits."""
    both = _spread(at["volts"], at["volts_rms"]) * _spread(at["amps"], at["amps_rms"])
    low, high = LIKENESS
    likeness = Quantity(0.5 * (low + high), (high - low) / math.sqrt(12.0), "", shape="rectangular",
                        common=False, label="waveform")  # fmt: skip
    return ((at["volts"] * at["amps"]).named("W") + (both * likeness).named("W")).named("W")


def _spread(mean: Quantity, rms: Quantity) -> Quantity:
    """Standard deviation of a waveform, ``s^2 = rms^2 - mean^2``.

    Where the two readings nearly agree their errors are as large as the difference, and the root has no
    slope that would tell how far off it is: at a difference of 0 first-order propagation (JCGM 100:2008,
    5.1.2) finds either none or an infinite one. So the square q is held above 0 first, see
    `daq.measure.bounded.truncated`, and the slope is that between ``q - u`` and ``q + u`` (5.1.3, note 2),
    with the root in the middle of theirs.
    """
    square = (rms * rms - mean * mean).named("")
    u_square = np.broadcast_to(np.asarray(square.u, dtype=np.float64), np.shape(square.value))
    q, u = truncated(np.asarray(square.value, dtype=np.float64), u_square)
    low, high = np.sqrt(np.maximum(q - u, 0.0)), np.sqrt(np.maximum(q + u, 0.0))
    slope = np.divide(high - low, 2.0 * u_square, out=np.zeros_like(low), where=u_square > 0.0)
    parts = {v: slope[..., np.newaxis] * p if v.is_pooled else slope * p for v, p in square.parts.items()}
    return Quantity.from_parts(0.5 * (low + high), mean.unit, parts)


def _words(estimate: PowerEstimate, names: tuple[str, ...], off_volts: tuple[float, float] | None) -> str:
    more = "; give supply.off_volts to know it better" if "duty" in names and off_volts is None else ""
    return f"power from {estimate.method}: {'; '.join(estimate.assumptions)}{more}"


def _without_false_rms(
    name: str, at: dict[str, Quantity], out: Chopped, powered: NDArray[np.bool_]
) -> dict[str, Quantity]:
    mean, rms = at.get(name), at.get(f"{name}_rms")
    if mean is None or rms is None:
        return at
    false = np.asarray(rms.value) < np.abs(np.asarray(mean.value)) * (1.0 - _SLACK)
    false &= powered
    if false.any():
        out.refused[RMS_BELOW_MEAN.format(name=name)] = false
    return {**at, f"{name}_rms": _masked(rms, ~false)}


def _masked(quantity: Quantity, where: NDArray[np.bool_]) -> Quantity:
    return Quantity.from_parts(np.where(where, quantity.value, np.nan), quantity.unit, quantity.parts)


def _filled(found: Quantity, estimated: Quantity, there: NDArray[np.bool_]) -> Quantity:
    parts = {v: np.where(there, 0.0, p) for v, p in found.parts.items()}
    for v, p in estimated.parts.items():
        parts[v] = parts.get(v, 0.0) + np.where(there, p, 0.0)
    return Quantity.from_parts(np.where(there, estimated.value, found.value), found.unit, parts)
