"""From samples to quantities with their uncertainty: bins, columns, efficiency, ratios, findings.

It knows samples and the bench; it knows nothing of HTTP, stores or wall clocks.
"""

from daq.measure.bins import QUANTITIES, Bins
from daq.measure.bounded import at_most_of_run, heat_of_run, without_noise
from daq.measure.calibrated import overdue
from daq.measure.chopped import READINGS, chopped_power, squared_amps
from daq.measure.columns import Column, Columns, FloatArray, IntArray, frames_of, last_before, zeroed
from daq.measure.conditions import (
    GUESSED_ROOM_C,
    GUESSED_ROOM_U,
    ROOM_TO_METER_U,
    Liquid,
    Notes,
    dry_factor,
    dry_flow,
    known,
    pressure_kpa,
    taken_as_saturated,
)
from daq.measure.efficiency import LEAD_U_SHARE, Assessor, Balance, GivenGas, assess_windows, reference_words
from daq.measure.findings import JUDGED, Finding, Setting, judge
from daq.measure.lye_entries import LYE_MARKS, LyeEntry, entries_of, entry_of, mark_of
from daq.measure.lye_strength import (
    STRONGER_BY,
    LyeAt,
    LyeSource,
    LyeTrack,
    StatedLye,
    least_litres,
    litres_u,
    lye_of_run,
)
from daq.measure.measured import Measured, first_known, mean_of, measure
from daq.measure.numbers import NUMBERS, RATIOS, UNITS, Numbers, NumberSpec, unit_words
from daq.measure.ratios import Ratios, above_noise

__all__ = [
    "GUESSED_ROOM_C",
    "GUESSED_ROOM_U",
    "JUDGED",
    "LEAD_U_SHARE",
    "LYE_MARKS",
    "NUMBERS",
    "QUANTITIES",
    "RATIOS",
    "READINGS",
    "ROOM_TO_METER_U",
    "STRONGER_BY",
    "UNITS",
    "Assessor",
    "Balance",
    "Bins",
    "Column",
    "Columns",
    "Finding",
    "FloatArray",
    "GivenGas",
    "IntArray",
    "Liquid",
    "LyeAt",
    "LyeEntry",
    "LyeSource",
    "LyeTrack",
    "Measured",
    "Notes",
    "NumberSpec",
    "Numbers",
    "Ratios",
    "Setting",
    "StatedLye",
    "above_noise",
    "assess_windows",
    "at_most_of_run",
    "chopped_power",
    "dry_factor",
    "dry_flow",
    "entries_of",
    "entry_of",
    "first_known",
    "frames_of",
    "heat_of_run",
    "judge",
    "known",
    "last_before",
    "least_litres",
    "litres_u",
    "lye_of_run",
    "mark_of",
    "mean_of",
    "measure",
    "overdue",
    "pressure_kpa",
    "reference_words",
    "squared_amps",
    "taken_as_saturated",
    "unit_words",
    "without_noise",
    "zeroed",
]
