"""Propagation of distributions by Monte Carlo, the check on first-order propagation.

References
----------
.. [1] JCGM 101:2008, Supplement 1 to the GUM.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from daq.errors import LyewatchError
from daq.quantity._core import Quantity
from daq.quantity._variable import FloatArray, Variable

__all__ = ["MonteCarlo", "draw", "monte_carlo"]


@dataclass(frozen=True, slots=True)
class MonteCarlo:
    """What the draws say.

    Attributes
    ----------
    mean, u : float
        Mean and standard deviation of the draws.
    low, high : float
        Ends of the probabilistically symmetric interval of coverage probability `p`.
    shortest : tuple of two floats
        Ends of the shortest one, [1] 5.3.4.
    p : float
    draws : int
    """

    mean: float
    u: float
    low: float
    high: float
    shortest: tuple[float, float]
    p: float
    draws: int

    @property
    def u_standard_error(self) -> float:
        """How well `u` itself is known from so many draws, for a normal result."""
        return self.u / math.sqrt(2.0 * (self.draws - 1))


def draw(quantities: tuple[Quantity, ...], draws: int, rng: np.random.Generator) -> list[FloatArray]:
    """Draws of scalar quantities, arrays (draws,); those that share a variable share its draws.

    A normal variable with finite degrees of freedom is drawn from Student's t, [1] 6.4.9; correlated ones
    from the multivariate t.

    Parameters
    ----------
    quantities : tuple of Quantity
        Each of a single value.
    draws : int
        How many of each.
    rng : np.random.Generator
    """
    drawn: dict[Variable, FloatArray] = {}
    divisors: dict[object, FloatArray] = {}
    out: list[FloatArray] = []
    for quantity in quantities:
        if not isinstance(quantity.value, float):
            raise LyewatchError(
                "Monte Carlo draws one value at a time",
                value=f"array of shape {np.shape(quantity.value)}",
                remedy="give it the quantities of one window",
            )
        sample = np.full(draws, quantity.value)
        for variable, part in quantity.parts.items():
            if variable.is_pooled:
                raise LyewatchError(
                    "Monte Carlo can not draw an average's many elements", remedy="draw before averaging"
                )
            if variable not in drawn:
                drawn[variable] = _standard(variable, draws, rng, divisors)
            sample += float(np.asarray(part)) * drawn[variable]
        out.append(sample)
    return out


def _standard(
    variable: Variable, draws: int, rng: np.random.Generator, divisors: dict[object, FloatArray]
) -> FloatArray:
    """Draws of a variable, its standard uncertainty as the unit."""
    if variable.shape == "rectangular":
        return rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), draws)
    if variable.shape == "triangular":
        return math.sqrt(6.0) * (rng.random(draws) - rng.random(draws))
    if variable.shape == "arcsine":
        return math.sqrt(2.0) * np.sin(rng.uniform(-math.pi, math.pi, draws))
    normal = rng.standard_normal(draws)
    dof = float(np.asarray(variable.dof))
    if math.isinf(dof):
        return normal
    if variable.group not in divisors:
        divisors[variable.group] = np.sqrt(rng.chisquare(dof, draws) / dof)
    return normal / divisors[variable.group]


def monte_carlo(
    function: Callable[..., FloatArray],
    *quantities: Quantity,
    draws: int = 1_000_000,
    seed: int = 0,
    p: float = 0.95,
) -> MonteCarlo:
    """Distribution of ``function(*quantities)``, [1] clause 7 with a fixed number of draws.

    Parameters
    ----------
    function : callable
        Takes one array (draws,) a quantity, returns an array (draws,).
    *quantities : Quantity
        Scalar ones.
    draws, seed : int
        How many, and where the generator starts: the same seed gives the same result.
    p : float
        Coverage probability.

    Raises
    ------
    LyewatchError
        For quantities that are arrays or averages.
    """
    rng = np.random.default_rng(seed)
    result = np.asarray(function(*draw(quantities, draws, rng)), dtype=np.float64)
    ordered = np.sort(result)
    inside = round(p * draws)
    widths = ordered[inside:] - ordered[: draws - inside]
    start = int(np.argmin(widths))
    low, high = np.quantile(ordered, [0.5 - 0.5 * p, 0.5 + 0.5 * p])
    return MonteCarlo(
        mean=float(result.mean()),
        u=float(result.std(ddof=1)),
        low=float(low),
        high=float(high),
        shortest=(float(ordered[start]), float(ordered[start + inside])),
        p=p,
        draws=draws,
    )
