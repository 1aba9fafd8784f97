"""What every study needs of a recorded run: its bench, its phases, its numbers window by window."""

from daq.study.runs.accuracy import as_read, read_u95
from daq.study.runs.benches import recorded_bench
from daq.study.runs.lost import loss_notes
from daq.study.runs.lye import bench_then, lye_dict, lye_of_bins, lye_of_blocks, note_entry, stored_lye
from daq.study.runs.phases import PHASES, Phase, find_phases
from daq.study.runs.windows import window_numbers

__all__ = [
    "PHASES",
    "Phase",
    "as_read",
    "bench_then",
    "find_phases",
    "loss_notes",
    "lye_dict",
    "lye_of_bins",
    "lye_of_blocks",
    "note_entry",
    "read_u95",
    "recorded_bench",
    "stored_lye",
    "window_numbers",
]
