"""Timed fills of a vessel: the gas rate from volume and time, alone, in series and for a whole run."""

from daq.study.fill.book import FillMade, builds_of, fill_record, made_in_run, result_of
from daq.study.fill.document import LABELS, bench_file_lines, fill_document, fills_document, number_text
from daq.study.fill.edges import GateFinder, fill_by_gate, fills_by_edges
from daq.study.fill.form import FillForm, form_from_bench, form_in_run
from daq.study.fill.result import timed_fill
from daq.study.fill.run import MmwByFills, RunFillsResult, fills_result, gas_by_fills, mmw_by_fills, run_fills
from daq.study.fill.series import series_of, side_by_side

__all__ = [
    "LABELS",
    "FillForm",
    "FillMade",
    "GateFinder",
    "MmwByFills",
    "RunFillsResult",
    "bench_file_lines",
    "builds_of",
    "fill_by_gate",
    "fill_document",
    "fill_record",
    "fills_by_edges",
    "fills_document",
    "fills_result",
    "form_from_bench",
    "form_in_run",
    "gas_by_fills",
    "made_in_run",
    "mmw_by_fills",
    "number_text",
    "result_of",
    "run_fills",
    "series_of",
    "side_by_side",
    "timed_fill",
]
