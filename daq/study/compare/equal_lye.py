"""Runs of lyes that differ in strength, brought to one strength before their builds are compared.

Stronger lye conducts otherwise: the drop in the gaps and the current that leaks past the plates follow its
conductivity [1]_, the reversible voltage the activity of its water [2]_. Two builds run in lyes three points
apart would differ by that alone. Each block is moved to the mean strength of all blocks:

* leak current, and the share of the current that makes no gas, by the ratio of the conductivities;
* volts per cell by the drop over the gap and by the reversible voltage;
* gas per watt by both;
* current density at given volts by the slope of the polarisation.

How much of the missing gas is leak, how full of bubbles a gap is and, where the bench file gives no gap, how
wide it is, are not known. So half of what the leak moves, and half of what the volts move, are taken as
standard uncertainties that all blocks share. They are two, since stronger lye leaks more and drops less: that
their effects on the gas per watt cancel makes neither of them known. What the strength's own uncertainty does
is each run's own.

References
----------
.. [1] R. Gilliam et al., Int. J. Hydrogen Energy 32 (2007) 359, DOI 10.1016/j.ijhydene.2006.10.062.
.. [2] J. Balej, Int. J. Hydrogen Energy 10 (1985) 233, DOI 10.1016/0360-3199(85)90093-X.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from daq.measure import FloatArray
from daq.physics.cell_voltage import v_rev_in_lye
from daq.physics.conductivity import bubble_factor, conductivity_gilliam_s_cm
from daq.study.compare.run_blocks import Response, RunBlocks

__all__ = ["EqualLye", "equal_lye"]

GAP_MM = 3.0
"""Gap between plates where the bench file gives none [mm] (common practice of dry cells, no published
source)."""
BUBBLES = 0.15
"""Share of a gap that bubbles fill (judgement)."""
MODEL_U = 0.5
"""Standard uncertainty of what is moved, as a share of it (judgement)."""
TAFEL_V = 0.05
"""Slope of volts against the logarithm of the current, both electrodes [V] (judgement: steel in lye)."""
LEAST_SPREAD = 0.002
"""Strengths that differ by less are left as they are [1]: it moves nothing by a thousandth."""
LEAK_LABEL, VOLTS_LABEL = "lye: leak at one strength", "lye: volts at one strength"
OWN_LABEL = "lye strength"
_PRESSURE_KPA = 101.325
"""The reversible voltage's change with strength does not depend on it."""


@dataclass(frozen=True, slots=True)
class EqualLye:
    """What was done about the lyes.

    Attributes
    ----------
    strength : float or None
        Mass fraction to which all blocks were moved [1]; None where nothing was.
    ranges : tuple of (float, float)
        Lowest and highest mass fraction of each group's blocks [1].
    moved : tuple of float
        By what factor less one each group's gas per watt was moved, on the mean [1].
    words : str
        In a sentence or two; empty where there is nothing to say.
    """

    strength: float | None = None
    ranges: tuple[tuple[float, float], ...] = ()
    moved: tuple[float, ...] = ()
    words: str = ""


def equal_lye(
    groups: Sequence[tuple[str, Sequence[RunBlocks]]], beside: Sequence[RunBlocks] = ()
) -> tuple[list[tuple[RunBlocks, ...]], tuple[RunBlocks, ...], EqualLye]:
    """The runs of each named group, all moved to one strength of lye, the runs `beside` them moved to the
    same, and what was done.

    Runs of differing electrolytes, of NaOH (whose conductivity is not published well enough), and such as do
    not say their lye, stay as they are.
    """
    as_they_are = [tuple(runs) for _, runs in groups]
    others = tuple(beside)
    runs = [r for some in as_they_are for r in some if len(r)]
    lyes = [r.lye for r in runs]
    if not runs or any(lye is None for lye in lyes):
        return as_they_are, others, EqualLye()
    known = [lye for lye in lyes if lye is not None]
    every = np.concatenate([lye.strength for lye in known])
    ranges = tuple(_range(some) for some in as_they_are)
    if float(np.ptp(every)) < LEAST_SPREAD:
        return as_they_are, others, EqualLye(None, ranges)
    listed = "; ".join(
        f"{name}: {100.0 * low:.1f} to {100.0 * high:.1f} %"
        for (name, _), (low, high) in zip(groups, ranges, strict=True)
    )
    if {lye.electrolyte for lye in known} != {"KOH"}:
        words = f"The lyes differed in strength ({listed}); for these nothing takes out what that does."
        return as_they_are, others, EqualLye(None, ranges, (), words)
    # Each run weighs alike, however long it was.
    at = float(np.mean([lye.strength.mean() for lye in known]))
    made = [tuple(_moved(r, at) for r in some) for some in as_they_are]
    others = tuple(_moved(r, at) if r.lye is not None and r.lye.electrolyte == "KOH" else r for r in others)
    moved = tuple(_shift(a, b) for a, b in zip(as_they_are, made, strict=True))
    shifts = "; ".join(
        f"{name} {100.0 * shift:+.1f} %" for (name, _), shift in zip(groups, moved, strict=True)
    )
    words = (
        f"The lyes differed in strength ({listed}). All blocks are brought to {100.0 * at:.1f} % by what "
        "conductivity and reversible voltage of KOH make of it, which moves gas per watt by: "
        f"{shifts}. Half of what leak and volts each do to it, and what is uncertain of each strength, is in "
        "the interval."
    )
    return made, others, EqualLye(at, ranges, moved, words)


# -- parts -------------------------------------------------------------------------------------------------


def _range(runs: Sequence[RunBlocks]) -> tuple[float, float]:
    some = [r.lye.strength for r in runs if r.lye is not None and len(r)]
    every = np.concatenate(some) if some else np.array([np.nan])
    return float(every.min()), float(every.max())


def _shift(before: Sequence[RunBlocks], after: Sequence[RunBlocks]) -> float:
    key = "mmw_dry_ref"
    ratios = [b.responses[key].value / a.responses[key].value for a, b in zip(before, after, strict=True)]
    every = np.concatenate(ratios) if ratios else np.array([])
    every = every[np.isfinite(every)]
    return float(every.mean()) - 1.0 if every.size else 0.0


def _moved(run: RunBlocks, at: float) -> RunBlocks:
    """The run with its lye at mass fraction `at`."""
    lye = run.lye
    assert lye is not None
    here = _at_strength(run, lye.strength, at)
    step = 1e-3
    beside = _at_strength(run, lye.strength + step, at)
    alone = {
        LEAK_LABEL: _at_strength(run, lye.strength, at, volts=False),
        VOLTS_LABEL: _at_strength(run, lye.strength, at, leak=False),
    }
    responses = {}
    for key, response in run.responses.items():
        if key not in here:
            responses[key] = response
            continue
        value = here[key]
        share = np.divide(value, response.value, out=np.ones_like(value), where=response.value != 0.0)
        parts = {label: share * part for label, part in response.parts.items()}
        own = np.nan_to_num((beside[key] - value) / step * lye.u)
        parts[OWN_LABEL] = parts.get(OWN_LABEL, np.zeros_like(own)) + own
        for label, moved in alone.items():
            parts[label] = np.nan_to_num(MODEL_U * (moved[key] - response.value))
        responses[key] = Response(value, parts)
    shared = {**run.shared, OWN_LABEL: "", **{label: label for label in alone}}
    return replace(run, responses=responses, shared=shared)


def _at_strength(
    run: RunBlocks, strength: FloatArray, at: float, *, leak: bool = True, volts: bool = True
) -> dict[str, FloatArray]:
    """Its responses if blocks of these strengths had had strength `at` instead, by leak and by volts."""
    lye = run.lye
    assert lye is not None
    t = np.clip(run.lye_temp, 0.0, 95.0)
    w, to = np.clip(strength, 0.01, 0.44), min(max(at, 0.01), 0.44)
    kappa, kappa_to = (np.asarray(conductivity_gilliam_s_cm(t, x)) for x in (w, to))
    ratio = kappa_to / kappa if leak else np.ones_like(kappa)
    gap_cm = 0.1 * (lye.gap_mm if np.isfinite(lye.gap_mm) else GAP_MM)
    full = float(np.asarray(bubble_factor(BUBBLES)))
    density = 1e-3 * run.density
    drop, drop_to = (density * gap_cm / (k * full) for k in (kappa, kappa_to))
    reversible, reversible_to = (
        np.asarray(v_rev_in_lye(t, x, _PRESSURE_KPA, "KOH")) for x in (w, np.full_like(w, to))
    )
    more = ((drop_to - drop) + (reversible_to - reversible)) * float(volts)
    cell = run.cell_volts
    faradaic = run.responses["faradaic_efficiency"].value
    missing = np.clip(1.0 - faradaic, 0.0, 1.0)
    kept = np.where(np.isfinite(faradaic), (1.0 - missing * ratio) / np.maximum(1.0 - missing, 1e-3), 1.0)
    slope = TAFEL_V / np.maximum(density, 1e-4) + gap_cm / (kappa * full)
    out = {
        "mmw_dry_ref": run.responses["mmw_dry_ref"].value * kept * cell / (cell + more),
        "faradaic_efficiency": faradaic * kept,
        "cell_volts": run.responses["cell_volts"].value + more,
        "leak_amps": run.responses["leak_amps"].value * ratio,
        "current_density": run.responses["current_density"].value - 1e3 * more / slope,
    }
    return {key: value for key, value in out.items() if key in run.responses}
