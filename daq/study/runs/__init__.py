"""What every study needs of a recorded run: its bench, its phases, its numbers window by window."""

from daq.study.runs.accuracy import as_read, read_u95
from daq.study.runs.benches import recorded_bench
from daq.study.runs.lost import loss_notes
from daq.study.runs.phases import PHASES, Phase, find_phases
from daq.study.runs.windows import window_numbers

__all__ = [
    "PHASES",
    "Phase",
    "as_read",
    "find_phases",
    "loss_notes",
    "read_u95",
    "recorded_bench",
    "window_numbers",
]
