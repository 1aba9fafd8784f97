"""A value with its standard uncertainty and unit: propagation, evaluation, Monte Carlo, rounding.

Follows the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008) and its Supplement 1
(JCGM 101:2008). Values may be floats or arrays with one element a window; the code is the same.
"""

from daq.quantity._core import Part, Quantity, combine
from daq.quantity._variable import Num, Shape, Variable
from daq.quantity.correlated import correlated, correlation
from daq.quantity.curve import KINDS, Curve, Fit, Kind, fit_curve
from daq.quantity.display import Shown, duration_words, shown, shown_time
from daq.quantity.evaluate import (
    TypeA,
    effective_size,
    resolution_u,
    specification_limit,
    specification_u,
    specified,
    type_a,
    type_a_windows,
)
from daq.quantity.monte_carlo import MonteCarlo, monte_carlo
from daq.quantity.propagate import propagate

__all__ = [
    "KINDS",
    "Curve",
    "Fit",
    "Kind",
    "MonteCarlo",
    "Num",
    "Part",
    "Quantity",
    "Shape",
    "Shown",
    "TypeA",
    "Variable",
    "combine",
    "correlated",
    "correlation",
    "duration_words",
    "effective_size",
    "fit_curve",
    "monte_carlo",
    "propagate",
    "resolution_u",
    "shown",
    "shown_time",
    "specification_limit",
    "specification_u",
    "specified",
    "type_a",
    "type_a_windows",
]
