"""A leak test as readable lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.measure import unit_words
from daq.quantity import Quantity, shown
from daq.study.leak.changes import Variant, not_to_be_had
from daq.study.leak.evaluate import LeakTest, plain, reference_of
from daq.study.leak.predict import Prediction

__all__ = ["each_said", "leak_text"]


def leak_text(test: LeakTest) -> str:
    """The result as readable lines."""
    bench, c = test.bench, test.conditions
    at = [str(_said(c.volts)), *([str(_said(c.amps))] if c.amps is not None else []), str(_said(c.lye_temp))]
    lines = [
        f"Leak of {bench.stack.name}, build {bench.stack.build}, on bench {bench.name}",
        f"At {', '.join(at)} ({c.words}); ± is the expanded uncertainty, k = 2",
        "",
        "MEAN LEAK CURRENT PER CELL",
    ]
    lines += [f"  {e.kind:<14}{_said(e.leak):<18}{e.words}" for e in test.estimates]
    lines += [f"  not told by {m}" for m in test.missing]
    for a, b, error in test.agreement():
        verdict = "agree" if error <= 1.0 else "do not agree"
        lines.append(f"  {a} and {b} {verdict} (normalised error {error:.2f}; up to 1 is agreement)")
    if test.prediction is not None:
        lines += [
            "",
            *_prediction_lines(test.prediction, reference_of(bench)),
            "",
            *_change_lines(test.variants),
            *([f"  {no}"] if (no := not_to_be_had(bench)) else []),
        ]
    for ramp in test.ramps:
        lines += [
            "",
            (
                f"SLOW RISE from {ramp.from_s / 60:.1f} to {ramp.to_s / 60:.1f} min, "
                f"about {ramp.volts_per_min:.2g} V/min, lye {_said(ramp.lye_temp)}"
            ),
            f"  conductance end to end      {_said(ramp.conductance)}",
            f"  taken by the end plates     {_said(ramp.offset_volts)}",
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


def _said(quantity: Quantity, *, percent: bool = False) -> str:
    if percent:
        return shown(100.0 * plain(quantity.value), 100.0 * plain(quantity.u95), "%").text
    return shown(plain(quantity.value), plain(quantity.u95), unit_words(quantity.unit)).text


def _prediction_lines(p: Prediction, reference: str) -> list[str]:
    lines = [
        "PREDICTED FROM THE GEOMETRY",
        f"  lye without bubbles         {_said(p.kappa)}",
        f"  driven past each plate by   {_said(p.step_volts)}",
        f"  leak current                {_said(p.leak)}",
        f"  gas not made                {_said(p.lost_gas)}, dry at {reference}",
        f"  heat                        {_said(p.heat)}",
    ]
    if p.lost_share is not None:
        lines.insert(5, f"  share of the gas            {_said(p.lost_share, percent=True)}")
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
        gas = "" if v.gains is None else f", gas {_said(v.gains, percent=True)} more"
        lines.append(f"  {v.words}: leaks {_said(v.prediction.leak)}, {_said(v.saves)} less{gas}")
        lines += [f"    {text}" for text in v.limits]
    return lines
