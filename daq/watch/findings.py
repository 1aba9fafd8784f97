"""What can not be as the numbers say: in plain words, with the likely causes in order.

A finding is no alarm. It says that a number must not be believed, or that the bench is not what its file says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daq.bench import Bench
from daq.physics.faraday import gas_rate_lpm, reference_condition

__all__ = ["Finding", "cells_that_fit", "find"]

CELL_VOLTS_REASON = (1.45, 2.6)
"""Volts per cell of stainless plates in lye from a trickle to a hard drive (judgement)."""
NO_FLOW_SHARE = 0.2
"""Below this share of what the current could make, gas is missing rather than merely less."""
LEAST_EFFICIENCY = 0.5
"""Stacks leak; below this Faradaic efficiency the cell count itself is in doubt."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that can not be, in words, and why it may seem so.

    Attributes
    ----------
    code : str
        For machines: ``faradaic_above_one``.
    text : str
    causes : tuple of str
        Likely ones first.
    """

    code: str
    text: str
    causes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {"code": self.code, "text": self.text, "causes": list(self.causes)}


@dataclass(frozen=True, slots=True)
class _Seen:
    """The numbers as plain floats, NaN where not known."""

    numbers: Mapping[str, Mapping[str, Any]]

    def __call__(self, key: str) -> float:
        value = self.numbers[key]["value"]
        return math.nan if value is None else float(value)

    def u(self, key: str) -> float:
        value = self.numbers[key]["u95"]
        return 0.0 if value is None else float(value)


def find(bench: Bench, numbers: Mapping[str, Mapping[str, Any]], *, refusals: list[str] | None = None,
         relay_open: bool = False, settled: bool = True) -> list[Finding]:  # fmt: skip
    """Findings of one window.

    Parameters
    ----------
    bench : Bench
    numbers : mapping
        As `Numbers.at` gives them.
    refusals : list of str
        What was refused as a number, see `Numbers.refused`.
    relay_open : bool
        Whether the relay reads open at the window's end.
    settled : bool
        Whether the supply has been as it is for the whole window; missing flow is judged only then.
    """
    seen = _Seen(numbers)
    out = [
        Finding("power_refused", text, ("the supply chops and no device multiplies sample by sample",))
        for text in refusals or []
    ]
    out += _above_ceilings(bench, seen)
    out += _cells(bench, seen)
    if settled:
        out += _flow(bench, seen)
    amps, threshold = seen("amps"), bench.supply.powered_above_amps
    if relay_open and amps - seen.u("amps") > threshold and settled:
        out.append(
            Finding(
                "current_with_open_relay",
                f"The relay reads open and {amps:.2f} A flow.",
                (
                    "the relay's contacts have welded, or something bridges it: cut the supply by hand",
                    "the relay's feedback is wired or named the wrong way round",
                    "the current sensor's zero is off",
                ),
            )
        )
    return out


def _above_ceilings(bench: Bench, seen: _Seen) -> list[Finding]:
    out: list[Finding] = []
    efficiency, u = seen("faradaic_efficiency"), seen.u("faradaic_efficiency")
    if efficiency - u > 1.0:
        causes = ["the gas carries more steam than is taken out: it is hotter at the meter than said, or wet from foam",
                  "the meter's gas factor: a meter scaled for another gas reads this one wrong",
                  "`cells` in the bench file is too low",
                  "the current reads low"]  # fmt: skip
        if bench.gas.wet_over == "dry":
            causes[0] = "the gas is called dry (wet_over) and is not: its steam counts as gas"
        out.append(Finding("faradaic_above_one",
                           f"More gas than the current can make: Faradaic efficiency {efficiency:.2f} ± {u:.2f}. No stack does that.",
                           tuple(causes)))  # fmt: skip
    dry, u_dry = seen("mmw_dry_ref"), seen.u("mmw_dry_ref")
    reversible, neutral = seen("mmw_ceiling_reversible"), seen("mmw_ceiling_thermoneutral")
    power = ("the power reads low: mean volts times mean amps under a chopped supply, or volts sensed in the wrong place",
             "steam counted as gas, or the meter's gas factor",
             "a clock or a volume is wrong by a factor")  # fmt: skip
    if dry - u_dry > reversible:
        out.append(Finding("mmw_impossible",
                           f"MMW {dry:.2f} ± {u_dry:.2f} lies above {reversible:.2f}, which no cell can pass at any voltage.", power))  # fmt: skip
    elif dry - u_dry > neutral:
        out.append(Finding("mmw_above_thermoneutral",
                           f"MMW {dry:.2f} ± {u_dry:.2f} lies above {neutral:.2f}: the stack would have to cool itself while it works.",
                           power))  # fmt: skip
    return out


def cells_that_fit(bench: Bench, numbers: Mapping[str, Mapping[str, Any]]) -> list[int]:
    """Cell counts at which both volts per cell and gas from the current are in reason, the likeliest first.

    A count is in reason when the volts per cell lie in `CELL_VOLTS_REASON` and the Faradaic efficiency between
    `LEAST_EFFICIENCY` and 1, uncertainties allowed for. Empty where neither volts nor gas are known.
    """
    seen = _Seen(numbers)
    said = bench.stack.cells
    stack_volts = seen("cell_volts") * said
    efficiency, u = seen("faradaic_efficiency"), seen.u("faradaic_efficiency")
    if not stack_volts > CELL_VOLTS_REASON[0] or math.isnan(efficiency):
        return []
    low, high = CELL_VOLTS_REASON
    fits = []
    for n in range(max(1, math.ceil(stack_volts / high)), math.floor(stack_volts / low) + 1):
        here, spread = efficiency * said / n, u * said / n
        if here - spread <= 1.0 and here + spread >= LEAST_EFFICIENCY:
            fits.append((abs(here - 0.95), n))
    return [n for _, n in sorted(fits)]


def _cells(bench: Bench, seen: _Seen) -> list[Finding]:
    cell, efficiency, u = seen("cell_volts"), seen("faradaic_efficiency"), seen.u("faradaic_efficiency")
    if math.isnan(cell) or math.isnan(efficiency) or not seen("amps") > bench.supply.powered_above_amps:
        return []
    low, high = CELL_VOLTS_REASON
    said = bench.stack.cells
    odd_volts = not low <= cell <= high
    odd_gas = efficiency - u > 1.0 or efficiency + u < LEAST_EFFICIENCY
    fits = [n for n in cells_that_fit(bench, seen.numbers) if n != said]
    if not fits or not (odd_volts or odd_gas):
        return []
    if not odd_volts and efficiency + u < NO_FLOW_SHARE:
        return []  # that is gas gone missing, not a count
    best = fits[0]
    text = (f"With {said} cells the stack would run at {cell:.2f} V a cell and {efficiency:.2f} Faradaic efficiency; "
            f"{best} would make that {cell * said / best:.2f} V and {efficiency * said / best:.2f}.")  # fmt: skip
    return [Finding("wrong_cells", text, (
        f"`cells` in the bench file: count the gaps between powered plates, not the plates; {best} fits"
        + (f", so do {', '.join(map(str, fits[1:4]))}" if fits[1:] else ""),
        "cells in parallel: `cells` counts only those in series",
        "the flow meter or the volts read wrong",
    ))]  # fmt: skip


def _flow(bench: Bench, seen: _Seen) -> list[Finding]:
    amps, flow = seen("amps"), seen("flow_as_read_lpm")
    if math.isnan(amps) or math.isnan(flow):
        return []
    threshold = bench.supply.powered_above_amps
    could = (
        float(gas_rate_lpm(1.0, bench.stack.cells, reference=reference_condition(bench.site.reference)))
        * amps
    )
    if (
        amps <= threshold
        and flow - seen.u("flow_as_read_lpm") > 0.02
        and amps + seen.u("amps") < 3.0 * threshold
    ):
        return [Finding("flow_without_current", f"Gas flows at {flow:.2f} L/min as read and no current is measured.", (
            "the meter's zero is off",
            "the current sensor fails: see by the supply's own display whether it is on",
            "gas or air comes from elsewhere: a purge, a leaning hose, warming of a closed vessel",
        ))]  # fmt: skip
    if amps - seen.u("amps") > threshold and flow + seen.u("flow_as_read_lpm") < NO_FLOW_SHARE * could:
        return [Finding("current_without_flow",
                        f"{amps:.1f} A could make {could:.2f} L/min and the meter reads {flow:.2f}.", (
            "gas escapes before the meter: turn the supply off, keep flames away, look at hoses and seals",
            "the line, the arrestor or the bubbler is blocked",
            "the meter fails or stands below its range",
            "plates touch: the current makes heat and no gas",
        ))]  # fmt: skip
    return []
