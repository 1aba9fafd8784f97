"""A polarisation in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from daq.quantity import shown
from daq.study.polarisation.result import BuildCurve, PartDifference
from daq.study.polarisation.steps import OperatingPoint, Sweep
from daq.study.render import clock_words

__all__ = [
    "PART_LABELS",
    "basis",
    "difference_words",
    "listed_steps",
    "part_words",
    "sentence",
    "unused_words",
]

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
    if not d.significant:
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
    if act.significant and ohmic.significant:
        what = "changed both parts"
    elif act.significant:
        what = "changed the activation part"
    elif ohmic.significant:
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


def listed_steps(sweep: Sweep) -> Sequence[OperatingPoint]:
    """The steps to list one by one: of many unused ones none."""
    return sweep.used if len(sweep.steps) - len(sweep.used) > MOST_UNUSED else sweep.steps


def unused_words(sweep: Sweep) -> list[str]:
    """One line on the unused steps where they are too many to list."""
    unused = [s for s in sweep.steps if s.reason]
    if len(unused) <= MOST_UNUSED:
        return []
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
