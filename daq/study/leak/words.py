"""A leak test as readable lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.measure import unit_words
from daq.quantity import Quantity, shown
from daq.study.leak.changes import Variant
from daq.study.leak.evaluate import LeakTest
from daq.study.leak.predict import Prediction
from daq.study.render import plain

__all__ = ["each_said", "leak_text", "said"]


def leak_text(test: LeakTest) -> str:
    """The result as readable lines."""
    c = test.conditions
    at = [said(c.volts), *([said(c.amps)] if c.amps is not None else []), said(c.lye_temp)]
    lines = [
        f"Leak of {test.stack}, build {test.build}, on bench {test.bench}",
        f"At {', '.join(at)} ({c.words}); ± is the expanded uncertainty, k = 2",
        "",
        "MEAN LEAK CURRENT PER CELL",
    ]
    lines += [f"  {e.kind:<14}{said(e.leak):<18}{e.words}" for e in test.estimates]
    lines += [f"  not told by {m}" for m in test.missing]
    for pair in test.agreement:
        agree = "agree" if pair.agree else "do not agree"
        error = f"normalised error {pair.normalised_error:.2f}; up to 1 is agreement"
        lines.append(f"  {pair.a} and {pair.b} {agree} ({error})")
    if test.prediction is not None:
        lines += [
            "",
            *_prediction_lines(test.prediction, test.reference),
            "",
            *_change_lines(test.variants),
            *([f"  {test.not_to_be_had}"] if test.not_to_be_had else []),
        ]
    for ramp in test.ramps:
        lines += [
            "",
            (
                f"SLOW RISE from {ramp.from_s / 60:.1f} to {ramp.to_s / 60:.1f} min, "
                f"about {ramp.volts_per_min:.2g} V/min, lye {said(ramp.lye_temp)}"
            ),
            f"  conductance end to end      {said(ramp.conductance)}",
            f"  taken by the end plates     {said(ramp.offset_volts)}",
        ]
    lines += ["", "WHAT THIS HOLDS FOR"]
    for e in test.estimates:
        lines += [f"  {e.kind}: {text}" for text in e.limits]
    return "\n".join(lines)


# -- parts -------------------------------------------------------------------------------------------------


def each_said(quantity: Quantity) -> list[str]:
    """Each element with U and unit."""
    values, u95 = (np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (quantity.value, quantity.u95))
    unit = unit_words(quantity.unit)
    return [shown(float(v), float(u), unit).text for v, u in zip(values, u95, strict=True)]


def said(quantity: Quantity, *, percent: bool = False) -> str:
    """With U and unit."""
    factor = 100.0 if percent else 1.0
    unit = "%" if percent else unit_words(quantity.unit)
    return shown(factor * plain(quantity.value), factor * plain(quantity.u95), unit).text


def _prediction_lines(p: Prediction, reference: str) -> list[str]:
    lines = [
        "PREDICTED FROM THE GEOMETRY",
        f"  lye without bubbles         {said(p.kappa)}",
        f"  driven past each plate by   {said(p.step_volts)}",
        f"  leak current                {said(p.leak)}",
        f"  gas not made                {said(p.lost_gas)}, dry at {reference}",
        f"  heat                        {said(p.heat)}",
    ]
    if p.lost_share is not None:
        lines.insert(5, f"  share of the gas            {said(p.lost_share, percent=True)}")
    past, gaps = each_said(p.past), each_said(p.by_gap)
    if len(set(past)) == 1:
        lines.append(f"  past each neutral plate     {past[0]}, alike past all {len(past)}")
        ends, inner = gaps[0], gaps[1] if len(gaps) > 2 else ""
        lines.append(
            f"  lost in each gap            {inner or ends}"
            + (f", in the two at the ends {ends}" if inner else "")
        )
    else:
        lines.append("  past each neutral plate, from the positive end, and lost in each gap:")
        for k, (plate, gap) in enumerate(zip([*past, ""], gaps, strict=True)):
            name = f"plate {k + 1}" if plate else ""
            lines.append(f"    {name:<10}{plate:<18}gap {k + 1:<4}{gap}")
    return lines


def _change_lines(changed: Sequence[Variant]) -> list[str]:
    lines = ["WHAT A CHANGE WOULD GAIN"]
    for v in changed:
        gas = "" if v.gains is None else f", gas {said(v.gains, percent=True)} more"
        lines.append(f"  {v.words}: leaks {said(v.leak)}, {said(v.saves)} less{gas}")
        lines += [f"    {text}" for text in v.limits]
    return lines
