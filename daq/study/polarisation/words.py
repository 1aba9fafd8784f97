"""A polarisation as JSON and as readable lines."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

from daq.physics.polarisation import transfer_coefficient
from daq.quantity import shown
from daq.study.polarisation.curves import BuildCurve, PartDifference, Polarisation
from daq.study.polarisation.fit import PARTS
from daq.study.polarisation.steps import Sweep
from daq.study.render import clock_words, date_words

__all__ = ["LIMITS", "PART_LABELS", "SCHEMA", "as_dict", "part_words", "polarisation_text", "sentence"]

_DAY = "One run of each can not separate the build from the day: repeat both, in the order A B B A."

SCHEMA = "lyewatch.polarisation/1"

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
_JSON_UNITS = {
    "ohmic_volts": "V",
    "activation_volts": "V",
    "cell_volts": "V",
    "ohmic_ohm_cm2": "ohm cm2",
    "tafel_v_decade": "V/decade",
    "ln_exchange": "ln(mA/cm2)",
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


def sentence(made: Polarisation, k: int) -> str:
    """What build `k` + 1 does otherwise than the first, in one sentence."""
    first, other = made.builds[0], made.builds[k + 1]
    found = {d.part: d for d in made.differences[k]}
    if not found:
        lacking = first if first.fit is None else other
        return f"Cannot tell: {lacking.name} has no curve: {lacking.reason}."
    at = f"at {made.at_density:g} mA/cm² and {made.reference_c:.0f} °C"
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
    days = "" if made.repeated else f" {_DAY}"
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


def basis(made: Polarisation) -> list[str]:
    """What it rests on and where it ends, in plain words."""
    out = [n for b in made.builds for n in b.notes]
    out += [f"{b.name}: {text}" for b in made.builds if b.fit is not None for text in b.fit.at_bounds]
    for b in made.builds:
        if b.fit is not None and b.fit.mixing < MIXED:
            out.append(
                f"{b.name}: ohmic and activation part are hard to tell apart by these steps (correlation "
                f"{b.fit.mixing:.3f}); steps at a tenth of the current would part them"
            )
    return [*dict.fromkeys(out), *LIMITS]


def polarisation_text(made: Polarisation) -> str:
    """Readable lines."""
    lines: list[str] = []
    for k in range(len(made.builds) - 1):
        lines += [sentence(made, k), ""]
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
    lines += ["WHAT THIS HOLDS FOR", *(f"  {text}" for text in basis(made))]
    return "\n".join(lines)


def as_dict(made: Polarisation) -> dict[str, Any]:
    """For JSON; `schema` names its version."""
    known = math.isfinite(made.reference_c)
    return {
        "schema": SCHEMA,
        "lye_temp": {"value": made.reference_c if known else None, "unit": "degC"},
        "current_density": {"value": made.at_density if known else None, "unit": "mA/cm2"},
        "builds": [_build(b) for b in made.builds],
        "comparisons": [
            {
                "first": made.builds[0].name,
                "second": made.builds[k + 1].name,
                "sentence": sentence(made, k),
                "differences": [
                    {
                        "part": d.part,
                        "value": d.value,
                        "low95": d.low,
                        "high95": d.high,
                        "unit": "V",
                        "reason": d.reason or None,
                    }
                    for d in found
                ],
            }
            for k, found in enumerate(made.differences)
        ],
        "rests_on": basis(made),
    }


# -- parts -------------------------------------------------------------------------------------------------


def _build(curve: BuildCurve) -> dict[str, Any]:
    fit = curve.fit
    parts: dict[str, Any] | None = None
    if fit is not None:
        parts = {p: {"value": fit.part(p)[0], "u95": fit.part(p)[1], "unit": _JSON_UNITS[p]} for p in PARTS}
        parts["reversible_volts"] = {"value": fit.reversible_at, "u95": None, "unit": "V"}
        parts["activation_energy"] = {"value": float(fit.theta[3]), "u95": None, "unit": "J/mol"}
        parts["transfer_coefficient"] = {
            "value": float(transfer_coefficient(float(fit.theta[1]), fit.reference_c)),
            "u95": None,
            "unit": "1",
        }
    return {
        "name": curve.name,
        "runs": [
            {"id": r.run_id or None, "name": r.name, "start_utc_ns": r.start_utc_ns} for r in curve.runs
        ],
        "parts": parts,
        "reason": curve.reason or None,
        "at_bounds": [] if fit is None else list(fit.at_bounds),
        "scatter_volts": None if fit is None else fit.rms,
        "mixing": None if fit is None else fit.mixing,
        "leaks": [
            None if x is None else {"value": x.siemens, "u95": x.u95, "unit": "S"} for x in curve.leaks
        ],
        "steps": [
            {
                "run": r.run_id or None,
                "from_s": s.from_s,
                "to_s": s.to_s,
                "density": _number(s.density, s.u95[0], "mA/cm2"),
                "cell_volts": _number(s.cell_volts, s.u95[1], "V"),
                "lye_temp": _number(s.lye_temp, s.u95[2], "degC"),
                "used": not s.reason,
                "reason": s.reason or None,
            }
            for r in curve.runs
            for s in r.sweep.steps
        ],
        "notes": list(curve.notes),
    }


def _number(value: float, u95: float, unit: str) -> dict[str, Any]:
    known = math.isfinite(value)
    return {
        "value": value if known else None,
        "u95": u95 if known and math.isfinite(u95) else None,
        "unit": unit,
    }
