"""Statistics of correlated series: regression, prewhitening, intervals valid under repeated looks."""

from daq.stats.autocorrelated import CovarianceAnalysis, analyse_covariance
from daq.stats.regression import cosine_scores, cosines_for, least_squares
from daq.stats.sequential import PRIOR_DOF, Calls, Repeats, Scatter, calls, half_width, half_width_anytime
from daq.stats.whitening import CorrelatedSeries

__all__ = [
    "PRIOR_DOF",
    "Calls",
    "CorrelatedSeries",
    "CovarianceAnalysis",
    "Repeats",
    "Scatter",
    "analyse_covariance",
    "calls",
    "cosine_scores",
    "cosines_for",
    "half_width",
    "half_width_anytime",
    "least_squares",
]
