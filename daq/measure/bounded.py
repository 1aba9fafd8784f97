"""Estimates that a law of nature bounds: the heat of a stack, of which the gas is at most the current's.

A meter's error puts a reading beyond such a bound about as often as the stack comes near it. To set the
reading to the bound and forget the meter's uncertainty claims to know what is not known; to leave it claims
what can not be. With what is known beforehand (the quantity lies on one side of the bound, every value there
alike) and the reading (normal, its standard uncertainty u) Bayes' theorem gives the normal distribution cut
off at the bound [1]_; its expectation is the best estimate and its standard deviation the standard
uncertainty, as ISO 11929 evaluates an activity that can not be negative [2]_.

References
----------
.. [1] JCGM 101:2008, 6.2 (Bayes' theorem) and 6.4.7 (normal distribution); moments of the truncated normal
   distribution: N. L. Johnson, S. Kotz, N. Balakrishnan, Continuous Univariate Distributions, vol. 1, 2nd ed.
   1994, section 13.10.1.
.. [2] ISO 11929-1:2019, best estimate and its standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from daq.measure.columns import FloatArray
from daq.measure.measured import first_known, mean_of
from daq.quantity import Num, Quantity, Variable

__all__ = ["at_most", "at_most_of_run", "heat_of_run", "heat_of_windows", "truncated", "without_noise"]

_FAR = 6.0
"""So many u away from a bound it changes nothing that a double shows in a report."""
_TAIL = 30.0
"""So many u beyond a bound the tail's series is good to a millionth."""


def truncated(value: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Expectation and standard deviation of a normal distribution cut off below 0.

    Parameters
    ----------
    value : float64[m]
        Estimate without the bound; NaN where not known.
    u : float64[m]
        Its standard uncertainty, not negative; where it is 0 the value is set to the bound if it lies beyond.

    Returns
    -------
    mean, sd : float64[m]
        For ``z = value / u``: ``u (z + h)`` and ``u sqrt(1 - h (z + h))`` with the hazard
        ``h = phi(z) / Phi(z)``, [1].
    """
    near = (u > 0.0) & (value < _FAR * u)
    mean, sd = np.where(value < 0.0, 0.0, value), np.where(value < 0.0, 0.0, u)
    if not near.any():
        return mean, sd
    from scipy.special import log_ndtr  # SciPy takes as long to import as all else of a short command

    z = np.maximum(value[near] / u[near], -1e6)
    beyond = z < -_TAIL
    inner = np.maximum(z, -_TAIL)
    hazard = np.exp(-0.5 * inner * inner - 0.5 * np.log(2.0 * np.pi) - log_ndtr(inner))
    # Far beyond the bound z + h is a difference of two large numbers: there its asymptotic series.
    square = np.maximum(z * z, _TAIL)
    over = np.where(beyond, (1.0 - 2.0 / square) / np.maximum(-z, 1.0), inner + hazard)
    share = np.where(beyond, (1.0 - 6.0 / square) / square, 1.0 - hazard * (inner + hazard))
    mean[near] = u[near] * np.maximum(over, 0.0)
    sd[near] = u[near] * np.sqrt(np.maximum(share, 0.0))
    return mean, sd


def at_most(value: Quantity, bound: Quantity) -> Quantity:
    """`value` where it is known to lie from 0 to `bound`, see `truncated`; arrays of one length and unit."""
    known = np.isfinite(np.asarray(value.value)) & np.isfinite(np.asarray(bound.value))
    short = bound - value
    kept, share = _within_bound(short, known)
    within = np.maximum(np.asarray(bound.value) - kept, 0.0)
    return Quantity.from_parts(
        np.where(known, within, value.value), value.unit, _moved(value, bound, np.where(known, share, 1.0))
    )


def heat_of_windows(flows: Mapping[str, Quantity]) -> Quantity:
    """Heat of each window by itself [W], held between what is left when all current makes gas and the power.

    Parameters
    ----------
    flows : mapping of str to Quantity
        `heat` by the gas as measured, `heat_least` by the gas that the current could make, `power` and `dry`,
        see `Balance`; arrays of one length. Without `heat_least` the heat is taken as it is.
    """
    heat = flows["heat"]
    least = flows.get("heat_least")
    if least is None:
        return heat
    measured = _measured(flows)
    if not measured.any():
        return heat
    excess = heat - least
    kept, share = _within_bound(excess, measured)
    over = least - flows["power"]  # not positive: the gas's part of the power with its sign turned
    room = np.maximum(-np.asarray(over.value), 0.0) - kept
    turned = Quantity.from_parts(room, "W", _scaled(excess.parts, share))
    above, more = _within_bound(turned, measured)
    kept, share = kept + (room - above), share * more
    return Quantity.from_parts(
        np.where(measured, np.asarray(least.value) + kept, heat.value),
        "W",
        _moved(heat, least, share),
    )


def at_most_of_run(value: Quantity, bound: Quantity, seconds: FloatArray) -> Quantity:
    """`value` of each window of a run where it is known to lie from 0 to `bound`, the run taken together.

    What a meter's gain puts beyond the bound it does so in every window alike; a window's own noise is as
    often on either side, and to cut each off by itself would leave a bias. So the run's mean is held, see
    `truncated`, and the readings are scaled by as much. Noise is left out of the judgement: it averages out,
    and where the current moves most of it is the current's course.

    Parameters
    ----------
    value, bound : Quantity
        Arrays of one length and unit; NaN where not known.
    seconds : float64[m]
        Weight of each window [s]; 0 where it does not count.
    """
    known = np.isfinite(np.asarray(value.value)) & np.isfinite(np.asarray(bound.value))
    weight = np.where(known, seconds, 0.0)
    if not (weight > 0.0).any():
        return value
    short, mean = mean_of(without_noise(bound - value), weight), mean_of(value, weight)
    short_value, u = (float(np.asarray(x).reshape(-1)[0]) for x in (short.value, short.u))
    kept, sd = truncated(np.array([short_value]), np.array([u]))
    mean_value = float(np.asarray(mean.value).reshape(-1)[0])
    factor = 1.0 - (float(kept[0]) - short_value) / mean_value if mean_value > 0.0 else 1.0
    share = np.where(known, float(sd[0]) / u if u > 0.0 else 1.0, 1.0)
    scaled = np.where(known, factor * np.asarray(value.value), value.value)
    return Quantity.from_parts(scaled, value.unit, _moved(value, bound, share))


def without_noise(quantity: Quantity) -> Quantity:
    """The same without the parts that are each window's own scatter."""
    return quantity.without(*{v.label for v in quantity.parts if v.label.endswith(": noise")})


def heat_of_run(flows: Mapping[str, Quantity], seconds: FloatArray) -> Quantity:
    """Heat of each window of a run [W], the bound applied to all of it together, see `at_most_of_run`.

    Parameters
    ----------
    flows : mapping of str to Quantity
        As for `heat_of_windows`.
    seconds : float64[m]
        Weight of each window [s]; 0 where it does not count.
    """
    heat, least = flows["heat"], flows.get("heat_least")
    if least is None:
        return heat
    measured = _measured(flows)
    gas, most = flows["power"] - heat, flows["power"] - least
    most_heat = flows["power"] - at_most_of_run(gas, most, np.where(measured, seconds, 0.0))
    return first_known(_where(most_heat, measured), heat)


# -- parts -------------------------------------------------------------------------------------------------


def _measured(flows: Mapping[str, Quantity]) -> NDArray[np.bool_]:
    """Where gas was measured and the heat is known; what is assumed of the gas lies within the bounds."""
    found: NDArray[np.bool_] = np.isfinite(np.asarray(flows["dry"].value)) & np.isfinite(
        np.asarray(flows["heat"].value)
    )
    found &= np.isfinite(np.asarray(flows["heat_least"].value))
    return found


def _where(quantity: Quantity, condition: NDArray[np.bool_]) -> Quantity:
    value = np.where(condition, quantity.value, np.nan)
    return Quantity.from_parts(value, quantity.unit, quantity.parts)


def _within_bound(excess: Quantity, measured: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Value held above 0, and by what its parts are to be multiplied."""
    value = np.asarray(excess.value, dtype=np.float64)
    u = np.broadcast_to(np.asarray(excess.u, dtype=np.float64), value.shape)
    known = measured & np.isfinite(u)
    mean, sd = truncated(np.where(known, value, 1.0), np.where(known, u, 0.0))
    share = np.divide(sd, u, out=np.ones_like(value), where=known & (u > 0.0))
    return np.where(known, mean, value), np.where(known, share, 1.0)


def _by(variable: Variable, part: Num, share: FloatArray) -> Num:
    array = np.asarray(part)
    if variable.is_pooled:
        return np.asarray(share[..., np.newaxis] * array)
    return np.asarray(share * array)


def _scaled(parts: Mapping[Variable, Num], share: FloatArray) -> dict[Variable, Num]:
    return {v: _by(v, p, share) for v, p in parts.items()}


def _moved(heat: Quantity, least: Quantity, share: FloatArray) -> dict[Variable, Num]:
    """Parts of ``least + share (heat - least)``."""
    if bool(np.all(share == 1.0)):
        return dict(heat.parts)
    parts = _scaled(heat.parts, share)
    for v, p in least.parts.items():
        parts[v] = parts.get(v, 0.0) + _by(v, p, 1.0 - share)
    return parts
