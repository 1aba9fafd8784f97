"""What flowed through the plates in each settled step, with the errors that steps and runs share."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from daq.bench import Bench
from daq.measure import FloatArray
from daq.physics.cell_voltage import v_rev_in_lye
from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.quantity import Quantity, Variable
from daq.study.compare import fingerprint
from daq.study.leak import KAPPA_PER_K
from daq.study.polarisation.fit import Points
from daq.study.polarisation.steps import Sweep

__all__ = ["Leak", "concatenated", "points_of"]

Propagated = dict[str, tuple[FloatArray, FloatArray, FloatArray]]
Gathered = tuple[FloatArray, dict[Variable, FloatArray]]

_NO_LEAK = (
    "no gas flow measured: current that leaks past the plates is counted as through them, which takes from "
    "the activation part at low current"
)
_NO_GAIN = "the gas shows no leak: all current is counted as through the plates"


@dataclass(frozen=True, slots=True)
class Leak:
    """What leaks past the plates, told by the gas that is missing in all steps together.

    Attributes
    ----------
    siemens, u95 : float
        From a cell's volts less their ohmic part to the current that makes no gas, in lye of 25 degC;
        expanded uncertainty [S].
    """

    siemens: float
    u95: float


def points_of(
    sweep: Sweep, ohmic_volts: FloatArray | None = None, reference_c: float = 25.0
) -> tuple[Points, Leak | None, tuple[str, ...]]:
    """The points of one run, what leaks, and what was assumed.

    The leak is taken to follow the lye's conductivity and what drives it past the plates, which is the cell's
    volts less the ohmic drop; so the deficit of all steps tells it, and it is taken from each step's current.

    Parameters
    ----------
    sweep : Sweep
        With one settled step at least.
    ohmic_volts : float64[n], optional
        Ohmic drop in each settled step [V], once a fit has told it.
    reference_c : float
        To which that fit moves it [degC].
    """
    bench, notes = sweep.bench, list(sweep.notes)
    kappa = _kappa(bench, notes)
    volts, amps, temp, leak = (
        _gathered(sweep.numbers, k) for k in ("cell_volts", "amps", "lye_temp", "leak_amps")
    )
    warm = kappa(temp[0]) / kappa(np.array([25.0]))[0]
    drive = volts[0] if ohmic_volts is None else volts[0] - ohmic_volts
    g, g_parts, g_noise, mean_leak = _conductance(drive, leak, warm, notes)
    per_amp = 1000.0 / bench.stack.plate_area_cm2
    zero = np.zeros_like(warm)
    propagated: Propagated = {}
    if ohmic_volts is not None:
        # bolts and lugs do not follow the lye: of what the ohmic part owes to temperature, half may be wrong
        owed = ohmic_volts * (1.0 - kappa(temp[0]) / kappa(np.array([reference_c]))[0])
        propagated["ohmic part over temperature"] = (zero, 0.5 * owed, zero)
    if g_noise:
        # one conductance for all steps: its noise moves them together, and is the run's own
        propagated["leak: noise"] = (-per_amp * g_noise * warm * drive, zero, zero)
    seen: dict[str, int] = {}
    for variable in {**volts[1], **amps[1], **temp[1], **g_parts}:
        if not variable.common or variable.is_pooled or variable.label.endswith("noise"):
            continue
        dv, di, dt = (q[1].get(variable, zero) for q in (volts, amps, temp))
        dj = per_amp * (di - g_parts.get(variable, 0.0) * warm * drive - g * warm * dv)
        number = seen[variable.label] = seen.get(variable.label, 0) + 1
        propagated[variable.label if number == 1 else f"{variable.label} ({number})"] = (dj, dv, dt)
    density = per_amp * (amps[0] - g * warm * drive)
    return Points(density, volts[0], temp[0], _reversible(sweep), kappa, propagated), mean_leak, tuple(notes)


def concatenated(sweeps: Sequence[Sweep], names: Sequence[str], points: Sequence[Points]) -> Points:
    """The points of several runs of one build as one set.

    An error that is the same in several runs, as far as `fingerprint` tells, is one; any other is its run's
    own.

    Parameters
    ----------
    sweeps : sequence of Sweep
    names : sequence of str
        The runs', each another.
    points : sequence of Points
        Of each sweep.
    """
    total = sum(len(p) for p in points)
    propagated: Propagated = {}
    at = 0
    for sweep, name, one in zip(sweeps, names, points, strict=True):
        n = len(one)
        for label, shifts in one.propagated.items():
            key = fingerprint(sweep.bench, label) or f"{label}, {name}"
            whole = propagated.setdefault(key, (np.zeros(total), np.zeros(total), np.zeros(total)))
            for into, part in zip(whole, shifts, strict=True):
                into[at : at + n] = part
        at += n
    density, volts, temp = (
        np.concatenate([getattr(p, key) for p in points]) for key in ("density", "cell_volts", "lye_temp")
    )
    return Points(density, volts, temp, points[0].reversible, points[0].kappa, propagated)


# -- parts -------------------------------------------------------------------------------------------------


def _gathered(numbers: Sequence[Mapping[str, Quantity]], key: str) -> Gathered:
    """One number of all steps: values, and what each input does to each."""
    n = len(numbers)
    values = np.array([float(np.asarray(q[key].value)[0]) for q in numbers])
    parts: dict[Variable, FloatArray] = {}
    for i, of_step in enumerate(numbers):
        for variable, part in of_step[key].parts.items():
            parts.setdefault(variable, np.zeros(n))[i] = float(np.asarray(part).reshape(-1)[0])
    return values, parts


def _conductance(
    drive: FloatArray, leak: Gathered, warm: FloatArray, notes: list[str]
) -> tuple[float, dict[Variable, float], float, Leak | None]:
    """The leak's conductance at 25 degC: each step's own, weighted by what is known of it; the parts of its
    uncertainty that all steps share, and what the steps' own noise adds."""
    known = np.isfinite(leak[0])
    if not known.any():
        notes.append(_NO_LEAK)
        return 0.0, {}, 0.0, None
    scale = np.where(known, 1.0 / (warm * drive), 0.0)
    each = {v: np.nan_to_num(p) * scale for v, p in leak[1].items()}
    u2 = sum((p**2 for p in each.values()), np.zeros_like(scale))
    weight = np.where(known & (u2 > 0.0), 1.0 / np.where(u2 > 0.0, u2, 1.0), 0.0)
    if not weight.any():
        weight = known.astype(np.float64)
    weight /= weight.sum()
    value = float(weight @ np.where(known, np.nan_to_num(leak[0]) * scale, 0.0))
    parts = {v: float(weight @ p) for v, p in each.items() if v.common}
    own = sum(float((weight * p) @ (weight * p)) for v, p in each.items() if not v.common)
    # What the steps scatter about it counts too: windows of seconds hardly tell a flow meter's noise.
    n = int(known.sum())
    apart = weight * np.where(known, np.nan_to_num(leak[0]) * scale - value, 0.0)
    own = max(own, float(apart @ apart) * n / (n - 1)) if n > 1 else own
    noise = float(np.sqrt(own))
    u95 = 2.0 * float(np.sqrt(own + sum(p * p for p in parts.values())))
    if value <= 0.0:
        notes.append(_NO_GAIN)
        return 0.0, parts, noise, Leak(0.0, u95)
    return value, parts, noise, Leak(value, u95)


def _kappa(bench: Bench, notes: list[str]) -> Callable[[FloatArray], FloatArray]:
    stack, geometry = bench.stack, bench.stack.geometry
    if stack.electrolyte == "KOH":
        return lambda t_c: np.asarray(
            conductivity_gilliam_s_cm(np.clip(t_c, 0.0, 100.0), max(stack.mass_fraction, 0.01))
        )
    at = 25.0 if geometry is None else geometry.conductivity_temp_c
    notes.append(f"the conductivity of the lye is taken to rise by {100.0 * KAPPA_PER_K:g} % a kelvin")
    return lambda t_c: np.asarray(1.0 + KAPPA_PER_K * (t_c - at))


def _reversible(sweep: Sweep) -> Callable[[FloatArray], FloatArray]:
    stack, p_kpa = sweep.bench.stack, sweep.p_kpa
    return lambda t_c: np.asarray(
        v_rev_in_lye(np.clip(t_c, 0.0, 95.0), min(stack.mass_fraction, 0.45), p_kpa, stack.electrolyte)
    )
