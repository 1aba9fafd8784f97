"""Statistics of correlated series: regression, prewhitening, intervals valid under repeated looks."""

from daq.stats.autocorrelated import RecordFit, fit_records
from daq.stats.regression import cosine_scores, cosines_for, least_squares
from daq.stats.sequential import PRIOR_DOF, Calls, Repeats, Scatter, calls, half_width, half_width_anytime
from daq.stats.whitening import Record

__all__ = [
    "PRIOR_DOF",
    "Calls",
    "Record",
    "RecordFit",
    "Repeats",
    "Scatter",
    "calls",
    "cosine_scores",
    "cosines_for",
    "fit_records",
    "half_width",
    "half_width_anytime",
    "least_squares",
]
