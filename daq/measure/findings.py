"""What can not be as the numbers say: in plain words, with the likely causes in order.

A finding is no alarm. It says that a number must not be believed, or that the bench is not what its file
says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from daq.bench import Bench
from daq.physics.faraday import gas_rate_lpm, reference_condition
from daq.physics.reference import ReferenceCondition

__all__ = ["JUDGED", "Finding", "Setting", "cells_that_fit", "find", "judge"]

JUDGED = (
    "amps",
    "cell_volts",
    "faradaic_efficiency",
    "flow_as_read_lpm",
    "mmw_ceiling_reversible",
    "mmw_ceiling_thermoneutral",
    "mmw_dry_ref",
)
"""The numbers that are judged."""

CELL_VOLTS_REASON = (1.45, 2.6)
"""Volts per cell of stainless plates in lye from a trickle to a hard drive (judgement)."""
NO_FLOW_SHARE = 0.2
"""Below this share of what the current could make, gas is missing rather than merely less (judgement)."""
SOUND_EFFICIENCY = 0.85
"""What stacks' own leak current leaves; below this Faradaic efficiency gas is missing (judgement; common
practice, no published source: sealed stacks show 0.9 to 1, ones with open ports down to about 0.85)."""
AIR_SCALE = 0.64
"""What a float meter with a scale for air shows of the mixed gas [1]: the root of the densities' ratio."""
LEAST_EFFICIENCY = 0.5
"""Stacks leak; below this Faradaic efficiency the cell count itself is in doubt (judgement)."""
MOST_CELLS = 500
"""As many as a bench file takes."""
LIKELY_EFFICIENCY = 0.95
"""Of several counts that fit, the one nearest to this Faradaic efficiency is the likeliest (judgement)."""
LEAST_FLOW_LPM = 0.02
"""Below this a meter's reading is its zero [L/min] (judgement)."""

Known: TypeAlias = Mapping[str, Mapping[str, Any]]


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
class Setting:
    """What the numbers were made with, as far as judging them goes.

    Attributes
    ----------
    cells : int
    wet_over : {"water", "lye", "dry"}
        The last liquid that the gas touched.
    reference : ReferenceCondition
    powered_above_amps : float
        [A]
    gas_by : {"meter", "fill"}
        Whether a flow meter told the gas, or a vessel filled against the clock.
    meter : str
        What kind of flow meter the bench file says it is, see `GasSpec.meter`.
    """

    cells: int
    wet_over: str
    reference: ReferenceCondition
    powered_above_amps: float
    gas_by: Literal["meter", "fill"] = "meter"
    meter: str = "volume"

    @classmethod
    def of(cls, bench: Bench) -> Setting:
        """The bench's own."""
        return cls(
            bench.stack.cells,
            bench.gas.wet_over,
            reference_condition(bench.site.reference),
            bench.supply.powered_above_amps,
            meter=bench.gas.meter,
        )

    @property
    def stated_where(self) -> str:
        """Where what is said of the stack was said."""
        return " in the bench file" if self.gas_by == "meter" else ""


class _Seen:
    """The numbers as plain floats, NaN where not known."""

    def __init__(self, numbers: Known) -> None:
        self._numbers = numbers

    def __call__(self, key: str) -> float:
        value = self._numbers[key]["value"]
        return math.nan if value is None else float(value)

    def u(self, key: str) -> float:
        """Expanded uncertainty; 0 where none is known."""
        value = self._numbers[key]["u95"]
        return 0.0 if value is None else float(value)


def find(
    bench: Bench,
    numbers: Known,
    *,
    refusals: Sequence[str] = (),
    relay_open: bool = False,
    settled: bool = True,
) -> list[Finding]:
    """Findings of one window.

    Parameters
    ----------
    bench : Bench
    numbers : mapping
        As `Numbers.at` gives them.
    refusals : sequence of str
        What was refused as a number, see `Numbers.refused`.
    relay_open : bool
        Whether the relay reads open at the window's end.
    settled : bool
        Whether the supply has been as it is for the whole window. While it was switched, volts, current and
        the gas that comes after them do not belong together, and nothing is judged but what was refused.
    """
    return judge(Setting.of(bench), numbers, refusals=refusals, relay_open=relay_open, settled=settled)


def judge(
    setting: Setting,
    numbers: Known,
    *,
    refusals: Sequence[str] = (),
    relay_open: bool = False,
    settled: bool = True,
) -> list[Finding]:
    """As `find`, of numbers made by a meter or by a fill; those of `JUDGED` are enough.

    Parameters
    ----------
    setting : Setting
        What they were made with.
    numbers : mapping
        As `Numbers.at` gives them; those of `JUDGED` are enough.
    refusals, relay_open, settled : sequence of str, bool, bool
        As `find`.
    """
    seen = _Seen(numbers)
    chopped = ("the supply chops and no device multiplies volts and amps sample by sample",)
    out = [Finding("power_refused", text, chopped) for text in refusals]
    if settled:
        out += _above_one(setting, seen)
        out += _above_ceilings(setting, seen)
        out += _cells(setting, numbers, seen)
        flow = _flow(setting, seen) if setting.gas_by == "meter" else []
        out += flow or _missing(setting, seen)
        out += _relay(setting, seen, relay_open)
    return out


def _above_one(setting: Setting, seen: _Seen) -> list[Finding]:
    efficiency, u = seen("faradaic_efficiency"), seen.u("faradaic_efficiency")
    if not efficiency - u > 1.0:
        return []
    steam = "more steam than is taken out: the gas is hotter at the meter than said, or wet from foam"
    if setting.wet_over == "dry":
        steam = f"the gas is called dry{setting.stated_where} and is not: its steam counts as gas"
    gas = "the meter's gas factor: a meter scaled for another gas reads this one wrong"
    if setting.gas_by == "fill":
        steam = steam.replace("at the meter than said", "in the vessel than said")
        gas = "the vessel holds less than said, or the time was taken too short"
    return [
        Finding(
            "faradaic_above_one",
            f"More gas than the current can make: Faradaic efficiency {efficiency:.2f} ± {u:.2f}. "
            "No stack does that.",
            (
                steam,
                gas,
                f"`cells`{setting.stated_where} is too low",
                "the current reads low",
            ),
        )
    ]


def _above_ceilings(setting: Setting, seen: _Seen) -> list[Finding]:
    dry, u = seen("mmw_dry_ref"), seen.u("mmw_dry_ref")
    reversible, neutral = seen("mmw_ceiling_reversible"), seen("mmw_ceiling_thermoneutral")
    causes = (
        "the power reads low: volts sensed in the wrong place, or a chopped supply's mean volts by mean amps",
        "steam counted as gas" + (", or the meter's gas factor" if setting.gas_by == "meter" else ""),
        "a volume or a time is wrong by a factor",
    )
    if dry - u > reversible:
        text = f"MMW {dry:.2f} ± {u:.2f} lies above {reversible:.2f}, which no cell can pass at any voltage."
        return [Finding("mmw_impossible", text, causes)]
    if dry - u > neutral:
        text = (
            f"MMW {dry:.2f} ± {u:.2f} lies above {neutral:.2f}: the stack would have to cool itself while it "
            "works."
        )
        return [Finding("mmw_above_thermoneutral", text, causes)]
    return []


def cells_that_fit(cells: int, numbers: Known) -> list[int]:
    """Cell counts at which both volts per cell and gas from the current are in reason, the likeliest first.

    `cells` is the count that the numbers were made with. A count is in reason when the volts per cell lie in
    `CELL_VOLTS_REASON` and the Faradaic efficiency between `LEAST_EFFICIENCY` and 1, uncertainties allowed
    for. Empty where volts or gas are not known.
    """
    seen = _Seen(numbers)
    cells_assumed = cells
    stack_volts, u_volts = seen("cell_volts") * cells_assumed, seen.u("cell_volts") * cells_assumed
    efficiency, u = seen("faradaic_efficiency"), seen.u("faradaic_efficiency")
    low, high = CELL_VOLTS_REASON
    if not stack_volts > low or math.isnan(efficiency):
        return []
    fits = []
    least, most = math.ceil((stack_volts - u_volts) / high), math.floor((stack_volts + u_volts) / low)
    for n in range(max(1, least), min(most, MOST_CELLS) + 1):
        here, spread = efficiency * cells_assumed / n, u * cells_assumed / n
        if here - spread <= 1.0 and here + spread >= LEAST_EFFICIENCY:
            fits.append((abs(here - LIKELY_EFFICIENCY), n))
    return [n for _, n in sorted(fits)]


def _cells(setting: Setting, numbers: Known, seen: _Seen) -> list[Finding]:
    cell, efficiency, u = seen("cell_volts"), seen("faradaic_efficiency"), seen.u("faradaic_efficiency")
    if math.isnan(cell) or math.isnan(efficiency):
        return []
    low, high = CELL_VOLTS_REASON
    stated = setting.cells
    u_cell = seen.u("cell_volts")
    odd_volts = cell + u_cell < low or cell - u_cell > high
    odd_gas = efficiency - u > 1.0 or efficiency + u < LEAST_EFFICIENCY
    if not odd_volts and (not odd_gas or efficiency + u < NO_FLOW_SHARE):
        return []  # in reason, or gas that has gone missing, which is no matter of counting
    fits = [n for n in cells_that_fit(stated, numbers) if n != stated]
    if not fits:
        return []
    best, others = fits[0], ", ".join(map(str, fits[1:4]))
    text = (
        f"With {stated} cells the stack would run at {cell:.2f} V a cell and {efficiency:.2f} Faradaic "
        f"efficiency; with {best} at {cell * stated / best:.2f} V and {efficiency * stated / best:.2f}."
    )
    count = (
        f"`cells`{setting.stated_where}: count the gaps between powered plates, not the plates; {best} fits"
    )
    causes = (
        f"{count}, and so do {others}" if others else count,
        "cells in parallel: `cells` counts only those in series",
        "the flow meter, or the volts, read wrong"
        if setting.gas_by == "meter"
        else "the volume, the time or the volts are wrong",
    )
    return [Finding("wrong_cells", text, causes)]


def _flow(setting: Setting, seen: _Seen) -> list[Finding]:
    amps, u_amps = seen("amps"), seen.u("amps")
    flow, u_flow = seen("flow_as_read_lpm"), seen.u("flow_as_read_lpm")
    if math.isnan(amps) or math.isnan(flow):
        return []
    threshold = setting.powered_above_amps
    if amps <= threshold and flow - u_flow > LEAST_FLOW_LPM:
        text = f"Gas flows at {flow:.2f} L/min as read and no current is measured."
        causes: tuple[str, ...] = (
            "the meter's zero is off",
            "the current sensor fails: see by the supply's own display whether it is on",
            "gas or air comes from elsewhere: a purge, a closed vessel that warms",
        )
        return [Finding("flow_without_current", text, causes)]
    could = float(gas_rate_lpm(max(amps, 0.0), setting.cells, reference=setting.reference))
    if amps - u_amps > threshold and flow + u_flow < NO_FLOW_SHARE * could:
        text = f"{amps:.1f} A could make {could:.2f} L/min, and the meter reads {flow:.2f}."
        causes = (
            "gas escapes before the meter: turn the supply off, keep flames away, look at hoses and seals",
            "the line, the arrestor or the bubbler is blocked",
            "the meter fails, or the flow lies below its range",
            "plates touch: the current makes heat and no gas",
        )
        return [Finding("current_without_flow", text, causes)]
    return []


def _missing(setting: Setting, seen: _Seen) -> list[Finding]:
    """Less gas than the current makes, by more than a stack's own leak current and the uncertainty."""
    efficiency, u = seen("faradaic_efficiency"), seen.u("faradaic_efficiency")
    if not efficiency + u < SOUND_EFFICIENCY:
        return []
    could = float(gas_rate_lpm(max(seen("amps"), 0.0), setting.cells, reference=setting.reference))
    missing = max(0.0, 1.0 - efficiency) * could
    text = (
        f"Gas is missing: Faradaic efficiency {efficiency:.2f} ± {u:.2f}. Of {could:.2f} L/min that the "
        f"current could make {missing:.2f} L/min did not come; if it escapes, {60.0 * missing:.0f} L an hour "
        "of explosive gas go into the room."
    )
    if setting.gas_by == "meter":
        where, by = "before the meter", "the meter reads low: its zero, its range, its gas factor"
        if setting.meter == "volume":
            by = (
                f"the meter reads low: a float with a scale for air shows {AIR_SCALE:g} of this gas "
                "(say gas.meter and gas.scale_gas), and any may lie below its range"
            )
    else:
        where = "before the vessel"
        by = "the vessel holds more than said, or the time was taken too long"
    escapes = (
        f"gas escapes into the room {where}: turn the supply off, keep flames and sparks away, air the room, "
        "then look for bubbles with soapy water at hoses, seals, bubbler and arrestor"
    )
    past = "current leaks past the cells through ports and lye, makes heat and no gas: `lyewatch leak` tells"
    causes = (
        escapes,
        by,
        f"{past} how much",
        f"`cells`{setting.stated_where} is too high: count the gaps in series between powered plates",
        "the current reads high: the shunt's value, the sensor's zero",
        "plates touch, or hydrogen and oxygen meet again on a hot plate",
    )
    return [Finding("gas_missing", text, causes)]


def _relay(setting: Setting, seen: _Seen, relay_open: bool) -> list[Finding]:
    amps = seen("amps")
    if not (relay_open and amps - seen.u("amps") > setting.powered_above_amps):
        return []
    causes = (
        "the relay's contacts have welded, or something bridges it: cut the supply by hand",
        "the relay's reading is wired or named the wrong way round",
        "the current sensor's zero is off",
    )
    return [Finding("current_with_open_relay", f"The relay reads open, and {amps:.2f} A flow.", causes)]
