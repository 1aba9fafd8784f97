"""True mean power where the supply is chopped, from what the instruments happen to give.

Power is the mean of volts times amps. Under PWM the mean of volts times the mean of amps is something else,
low by up to the duty; RMS volts times RMS amps is something else again, high for a stack that holds its own
voltage while off. Only the mean current makes gas; an RMS current never enters an efficiency.

What holds for any waveform: ``P = V I + r s_v s_i`` with means V and I, standard deviations
``s^2 = rms^2 - mean^2`` and the correlation r of the two waveforms, from -1 to 1 (Cauchy and Schwarz); two
rectangular waves in step have r = 1.

A stack keeps its own voltage while the switch is open: the gases on its plates make a battery of it, and it
falls from its working voltage towards the reversible one (1.23 V a cell at 25 degC, 1.18 V at 80 degC) as
fast as leaks between the cells discharge it. `HOLD_VOLTS` is what is left at least.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from daq.errors import PhysicsRangeError, RequestRefused
from daq.physics._ranges import FloatArray, Num, within

__all__ = [
    "HOLD_VOLTS",
    "LIKENESS",
    "PowerEstimate",
    "PowerUnknown",
    "true_power",
]

# A true-RMS meter may read a little below the mean on smooth direct current; more is a mistake.
_RMS_SLACK: Final = 0.02
HOLD_VOLTS: Final = 1.0
"""Volts a cell that a stack still holds at the end of an open time of up to a second: the reversible voltage
less 0.2 V of discharge [V] (judgement; common practice, no published source)."""
LIKENESS: Final = (0.9, 1.0)
"""Limits of the correlation of volts and amps of a chopped supply (judgement): 1 for sharp edges, less where
the leads' inductance rounds the current."""
_BEST = "log the mean of volts times amps, sampled together many times a pulse (channel watts)"


class PowerUnknown(RequestRefused):
    """What was measured does not determine the power; the remedy says what to measure."""


@dataclass(frozen=True, slots=True)
class PowerEstimate:
    """True mean power as far as the readings determine it, the readings taken as exact.

    Attributes
    ----------
    watts : float or array
        The middle of `low` and `high` [W].
    low, high : float or array
        Limits that the unknown part of the waveform leaves [W]; equal where nothing is left open.
    method : str
        How it was found, in words.
    assumptions : tuple of str
        What it rests on, in words.
    """

    watts: Num
    low: Num
    high: Num
    method: str
    assumptions: tuple[str, ...]

    @property
    def u_w(self) -> Num:
        """Standard uncertainty of not knowing the waveform [W]: rectangular between the limits."""
        return (self.high - self.low) / (2.0 * math.sqrt(3.0))


def true_power(
    *,
    waveform: Literal["smooth", "pulsed"],
    watts: Num | None = None,
    volts_mean: Num | None = None,
    amps_mean: Num | None = None,
    volts_rms: Num | None = None,
    amps_rms: Num | None = None,
    duty: Num | None = None,
    off_volts: tuple[float, float] | None = None,
    hold_volts: float = 0.0,
    sensed_at: Literal["stack", "supply"] = "stack",
    likeness: tuple[float, float] = LIKENESS,
) -> PowerEstimate:
    """True mean power from whichever readings there are, the surest first.

    Parameters
    ----------
    waveform : {"smooth", "pulsed"}
        Direct current, or chopped by PWM.
    watts : float or array, optional
        Mean of volts times amps as measured [W]: then that is the answer.
    volts_mean, amps_mean, volts_rms, amps_rms : float or array, optional
        Readings [V, A]; RMS ones true RMS with the mean included (AC+DC).
    duty : float or array, optional
        Share of the time that the switch is closed [1], above 0 to 1.
    off_volts : tuple of two floats, optional
        Limits of the stack's volts while the switch is open [V]. A stack keeps 1 to 1.5 V a cell for a while.
        Without it, anything from `hold_volts` to the mean counts as possible.
    hold_volts : float
        What the stack at least keeps while open [V]: cells times `HOLD_VOLTS`; 0 where that is not known.
        A reading that lies below it is of a stack that was open for longer: then 0 counts as possible.
    sensed_at : {"stack", "supply"}
        Where the volts are sensed: across the stack, or before the switch, where they hold steady.
    likeness : tuple of two floats
        Limits of the waveforms' correlation r, -1 to 1, for the estimate from means and RMS values. The
        default is judgement: 1 for sharp edges, less where leads' inductance rounds the current.

    Raises
    ------
    PowerUnknown
        Where the readings leave the power open, with what to measure instead.
    PhysicsRangeError
        For a duty outside 0 to 1, limits in the wrong order, or an RMS value clearly below its mean.
    """
    if watts is not None:
        return _exact(watts, "mean of volts times amps", ())
    for name, mean, rms in (("volts", volts_mean, volts_rms), ("amps", amps_mean, amps_rms)):
        _check_rms(name, mean, rms)
    if duty is not None:
        duty = within(duty, 1e-6, 1.0, place="true_power", name="duty", unit="")
    steady = volts_mean if volts_mean is not None else volts_rms
    amps = _mean_amps(amps_mean, amps_rms, duty, waveform)
    if waveform == "smooth":
        return _smooth(volts_mean, amps_mean, volts_rms, amps_rms)
    if sensed_at == "supply" and steady is not None and amps is not None:
        return _exact(
            steady * amps,
            "steady supply volts times mean amps",
            (
                "the supply's volts hold steady through each pulse",
                "what the switch and the leads behind the sense point take is counted in",
                *_from_rms(amps_mean),
            ),
        )
    if volts_mean is not None and volts_rms is not None and amps_mean is not None and amps_rms is not None:
        return _from_spread(volts_mean, amps_mean, volts_rms, amps_rms, likeness)
    if duty is not None and steady is not None and amps is not None and sensed_at == "stack":
        return _from_duty(volts_mean, volts_rms, amps, duty, off_volts, hold_volts, _from_rms(amps_mean))
    raise _refusal(volts_mean, amps_mean, volts_rms, amps_rms)


def _exact(watts: Num, method: str, assumptions: tuple[str, ...]) -> PowerEstimate:
    return PowerEstimate(watts, watts, watts, method, assumptions)


def _between(a: Num, b: Num, method: str, assumptions: tuple[str, ...]) -> PowerEstimate:
    low, high = np.minimum(a, b), np.maximum(a, b)
    return PowerEstimate(_plain(0.5 * (low + high)), _plain(low), _plain(high), method, assumptions)


def _plain(value: FloatArray | np.float64) -> Num:
    array = np.asarray(value, dtype=np.float64)
    return array if array.ndim else float(array)


def _check_rms(name: str, mean: Num | None, rms: Num | None) -> None:
    if mean is None or rms is None:
        return
    short = np.asarray(np.less(rms, np.abs(mean) * (1.0 - _RMS_SLACK)))
    if short.any():
        raise PhysicsRangeError(
            f"the RMS of {name} is below its mean, which no waveform can do",
            place="true_power",
            value=float(np.broadcast_to(np.asarray(rms), short.shape)[short].flat[0]),
            remedy="check that the channels are not swapped and that the meter measures true RMS, AC+DC",
        )


def _spread(mean: Num, rms: Num) -> Num:
    return _plain(np.sqrt(np.maximum(np.square(rms) - np.square(mean), 0.0)))


def _mean_amps(mean: Num | None, rms: Num | None, duty: Num | None, waveform: str) -> Num | None:
    if mean is not None:
        return mean
    if rms is not None and duty is not None and waveform == "pulsed":
        return _plain(rms * np.sqrt(duty))
    return None


def _from_rms(amps_mean: Num | None) -> tuple[str, ...]:
    return () if amps_mean is not None else ("mean amps taken as RMS amps times the root of the duty",)


def _smooth(
    volts_mean: Num | None, amps_mean: Num | None, volts_rms: Num | None, amps_rms: Num | None
) -> PowerEstimate:
    if volts_mean is None or amps_mean is None:
        raise PowerUnknown(
            "mean volts and mean amps are both needed for power",
            place="true_power",
            remedy=f"log both, or {_BEST}",
        )
    product = volts_mean * amps_mean
    if volts_rms is None or amps_rms is None:
        return _exact(product, "mean volts times mean amps", ("volts and amps are smooth",))
    ripple = _spread(volts_mean, volts_rms) * _spread(amps_mean, amps_rms)
    return _between(
        product,
        product + ripple,
        "mean volts times mean amps, and up to all of their ripple's power",
        ("volts and amps ripple in step, if at all",),
    )


def _from_spread(
    volts_mean: Num, amps_mean: Num, volts_rms: Num, amps_rms: Num, likeness: tuple[float, float]
) -> PowerEstimate:
    low, high = likeness
    if not -1.0 <= low <= high <= 1.0:
        raise PhysicsRangeError(
            "the limits of likeness lie from -1 to 1, the lower first", place="true_power", value=likeness
        )
    together = _spread(volts_mean, volts_rms) * _spread(amps_mean, amps_rms)
    product = volts_mean * amps_mean
    return _between(
        product + low * together,
        product + high * together,
        "means and RMS values of both volts and amps",
        (f"volts and amps rise and fall together, likeness {low:g} to {high:g}",),
    )


def _from_duty(
    volts_mean: Num | None,
    volts_rms: Num | None,
    amps: Num,
    duty: Num,
    off_volts: tuple[float, float] | None,
    hold_volts: float,
    more: tuple[str, ...],
) -> PowerEstimate:
    """Amps flow only while the switch is closed: ``P = I V_on``, and V_on depends on the volts while open."""
    most: Num
    low: Num
    high: Num
    if volts_mean is not None:
        most = volts_mean
    else:
        assert volts_rms is not None
        most = volts_rms
    if off_volts is None:
        low, high = _plain(np.where(np.less(most, hold_volts), 0.0, hold_volts)), most
        assumption = f"the stack's volts while off lie anywhere from {hold_volts:.3g} V to the reading"
        if hold_volts:
            assumption += ", as it keeps them where the switch opens for a second or less"
    else:
        low, high = _plain(np.minimum(off_volts[0], most)), _plain(np.minimum(off_volts[1], most))
        assumption = f"the stack's volts while off lie from {off_volts[0]:g} to {off_volts[1]:g} V"
        if not 0.0 <= off_volts[0] <= off_volts[1]:
            raise PhysicsRangeError(
                "the limits of off_volts are not negative, the lower first",
                place="true_power",
                value=off_volts,
            )

    def on(off: Num) -> Num:
        if volts_mean is not None:
            return (volts_mean - (1.0 - duty) * off) / duty
        square = (np.square(most) - (1.0 - duty) * np.square(np.minimum(off, most))) / duty
        return _plain(np.sqrt(square))

    return _between(
        amps * on(low),
        amps * on(high),
        "mean amps times volts while on, from the duty",
        ("the pulses are rectangular and no current flows while off", assumption, *more),
    )


def _refusal(
    volts_mean: Num | None, amps_mean: Num | None, volts_rms: Num | None, amps_rms: Num | None
) -> PowerUnknown:
    if volts_mean is not None and amps_mean is not None:
        message = "mean volts times mean amps is not the power of a pulsed stack: it is low by up to the duty"
        more = "give the duty, or RMS volts and amps too, or sense the volts before the switch"
    elif volts_rms is not None and amps_rms is not None:
        message = "RMS volts times RMS amps is not the power of a stack that holds its voltage while off"
        more = "give the duty, or mean volts and amps too, or sense the volts before the switch"
    else:
        message = "power needs both volts and amps"
        more = "log both with the duty, or sense steady volts before the switch and mean amps"
    return PowerUnknown(message, place="true_power", remedy=f"{_BEST}; or {more}")
