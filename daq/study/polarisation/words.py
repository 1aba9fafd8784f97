"""A polarisation in words."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from daq.quantity import shown
from daq.study.polarisation.result import BuildCurve, PartDifference, Polarisation
from daq.study.polarisation.steps import Sweep
from daq.study.render import clock_words, date_words

__all__ = ["LIMITS", "PART_LABELS", "part_words", "polarisation_text", "sentence"]

_DAY = "One run of each can not separate the build from the day: repeat both, in the order A B B A."

PART_LABELS = {
    "ohmic_volts": "Ohmic part",
    "activation_volts": "Activation part",
    "cell_volts": "Volts per cell",
    "ohmic_ohm_cm2": "Ohmic resistance",
    "tafel_v_decade": "Tafel slope",
}
_UNITS = {
    "ohmic_volts": ("mV", 1e3),
    "activation_volts": ("mV", 1e3),
    "cell_volts": ("V", 1.0),
    "ohmic_ohm_cm2": ("Ω cm²", 1.0),
    "tafel_v_decade": ("mV/decade", 1e3),
    "ln_exchange": ("ln(mA/cm²)", 1.0),
}
MIXED = -0.98
MOST_UNUSED = 6
"""More unused steps than this of a run are told in one line."""

LIMITS = (
    "Both electrodes are one activation part: two terminals can not tell anode from cathode.",
    "The ohmic part is all that grows in proportion to the current: lye, bubbles in the gaps, contacts.",
    "A plate's true area is not known: a rougher plate shows as more exchange current, so less activation.",
    "Steps are taken as settled by volts and amps; plates that go on changing for hours count as they were.",
    "The strength of the lye is taken from the bench file.",
)


def part_words(curve: BuildCurve, part: str) -> str:
    """A part with its uncertainty: ``84 ± 12 mV``."""
    if curve.fit is None:
        return "–"
    value, u = curve.fit.part(part)
    unit, factor = _UNITS[part]
    return shown(factor * value, factor * u, unit).text


def difference_words(d: PartDifference) -> str:
    """``lower by 21 to 60 mV``, or ``not told apart (-12 to 9 mV)``."""
    unit, factor = "mV", 1e3
    low, high = factor * d.low, factor * d.high
    if d.reason:
        return f"not to be told: {d.reason}"
    if not d.told:
        return f"not told apart ({low:.0f} to {high:.0f} {unit})"
    near, far = sorted((abs(low), abs(high)))
    return f"{'higher' if d.value > 0.0 else 'lower'} by {near:.0f} to {far:.0f} {unit}"


def sentence(
    first: BuildCurve,
    other: BuildCurve,
    differences: Sequence[PartDifference],
    at: str,
    *,
    repeated: bool,
) -> str:
    """What a build does otherwise than the first, in one sentence.

    Parameters
    ----------
    first, other : BuildCurve
    differences : sequence of PartDifference
        None where one of them has no fit.
    at : str
        Where the parts hold, in words.
    repeated : bool
        Whether every build has more than one run.
    """
    found = {d.part: d for d in differences}
    if not found:
        lacking = first if first.fit is None else other
        return f"Cannot tell: {lacking.name} has no curve: {lacking.reason}."
    act, ohmic = found["activation_volts"], found["ohmic_volts"]
    if act.told and ohmic.told:
        what = "changed both parts"
    elif act.told:
        what = "changed the activation part"
    elif ohmic.told:
        what = "changed the ohmic part"
    else:
        what = "is not told apart in either part"
        if act.reason:
            what = "has no parts to be told by"
    days = "" if repeated else f" {_DAY}"
    return (
        f"{other.name} against {first.name} {what} {at}: activation {difference_words(act)}, ohmic "
        f"{difference_words(ohmic)}, volts per cell {difference_words(found['cell_volts'])}.{days}"
    )


def unused_words(sweep: Sweep) -> list[str]:
    """The steps that were not used, one line each, or one line for many."""
    unused = [s for s in sweep.steps if s.reason]
    if len(unused) <= MOST_UNUSED:
        return [f"step at {clock_words(s.from_s)} not used: {s.reason}" for s in unused]
    kinds = Counter(s.reason.split(":")[0].split(" for ")[0] for s in unused)
    counted = ", ".join(f"{n} {kind}" for kind, n in kinds.most_common())
    first, last = clock_words(unused[0].from_s), clock_words(unused[-1].to_s)
    words = "are no steps of a sweep and not used"
    return [f"{len(unused)} stretches between {first} and {last} {words}: {counted}"]


def basis(builds: Sequence[BuildCurve]) -> list[str]:
    """What it rests on and where it ends, in plain words."""
    out = [n for b in builds for n in b.notes]
    out += [f"{b.name}: {text}" for b in builds for text in b.at_bounds]
    for b in builds:
        if b.mixing is not None and b.mixing < MIXED:
            out.append(
                f"{b.name}: ohmic and activation part are hard to tell apart by these steps (correlation "
                f"{b.mixing:.3f}); steps at a tenth of the current would part them"
            )
    return [*dict.fromkeys(out), *LIMITS]


def polarisation_text(made: Polarisation) -> str:
    """Readable lines."""
    lines: list[str] = []
    for comparison in made.comparisons:
        lines += [comparison.sentence, ""]
    if math.isfinite(made.reference_c):
        lines += [
            f"Parts of a cell's volts at {made.at_density:g} mA/cm², {made.reference_c:.0f} °C; ± U for 95 %",
            "",
        ]
    for curve in made.builds:
        runs = len(curve.runs)
        used = sum(len(r.sweep.used) for r in curve.runs)
        lines.append(f"{curve.name}: {runs} run{'s' if runs > 1 else ''}, {used} settled steps")
        for run in curve.runs:
            if run.run_id:
                lines.append(f"  {run.run_id}  {run.name}  {date_words(run.start_utc_ns)}")
        if curve.fit is None:
            lines.append(f"  no curve: {curve.reason}")
        else:
            lines.append(f"  {'Reversible voltage':<22}{curve.fit.reversible_at:.3f} V, by thermodynamics")
            lines += [
                f"  {PART_LABELS[p]:<22}{part_words(curve, p)}"
                for p in ("activation_volts", "ohmic_volts", "cell_volts", "ohmic_ohm_cm2", "tafel_v_decade")
            ]
            lines.append(f"  {'Scatter of the steps':<22}{1e3 * curve.fit.rms:.2g} mV about the curve")
            lines += [f"  AT ITS BOUND: {text}" for text in curve.fit.at_bounds]
        for leak in curve.leaks:
            if leak is not None:
                told = shown(leak.siemens, leak.u95, "S").text
                lines.append(f"  {'Leak, taken out':<22}{told} a cell in lye of 25 °C")
        for run in curve.runs:
            lines += [f"  {text}" for text in unused_words(run.sweep)]
        lines.append("")
    lines += ["WHAT THIS HOLDS FOR", *(f"  {text}" for text in made.rests_on)]
    return "\n".join(lines)
