"""Timed fills of a vessel: the gas rate from volume and time, alone, in series and for a whole run."""

from daq.study.fill.book import FillMade, builds_of, fill_record, made_in_run, result_of
from daq.study.fill.edges import GateFinder, fill_by_gate, fills_by_edges
from daq.study.fill.form import FillForm, form_from_bench, form_in_run
from daq.study.fill.result import timed_fill
from daq.study.fill.run import fills_dict, gas_by_fills, mmw_by_fills, run_fills
from daq.study.fill.series import series_of
from daq.study.fill.words import LABELS, bench_file_lines, fill_text, number_text, series_text, side_by_side

__all__ = [
    "LABELS",
    "FillForm",
    "FillMade",
    "GateFinder",
    "bench_file_lines",
    "builds_of",
    "fill_by_gate",
    "fill_record",
    "fill_text",
    "fills_by_edges",
    "fills_dict",
    "form_from_bench",
    "form_in_run",
    "gas_by_fills",
    "made_in_run",
    "mmw_by_fills",
    "number_text",
    "result_of",
    "run_fills",
    "series_of",
    "series_text",
    "side_by_side",
    "timed_fill",
]
