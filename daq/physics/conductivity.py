"""Conductivity of KOH, and the concentration that a conductivity tells.

No published correlation for NaOH of the same standing was found, so none is here: measure it, and give the
value to `daq.physics.leak_path` as it is.

References
----------
.. [1] R. Gilliam, J. Graydon, D. Kirk, S. Thorpe, Int. J. Hydrogen Energy 32 (2007) 359,
   DOI 10.1016/j.ijhydene.2006.10.062: a review of measurements, 0 to 12 mol/L, 0 to 100 degC.
.. [2] D. M. See, R. E. White, J. Chem. Eng. Data 42 (1997) 1266, DOI 10.1021/je970140x: measured at 15 to
   45 mass %, -15 to 100 degC.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np

from daq.physics._ranges import FloatArray, Num, Outside, plain, within
from daq.physics._solve import inverted
from daq.physics.constants import KELVIN, M_KOH
from daq.physics.lye import density_gilliam_kg_m3

__all__ = [
    "Branch",
    "bubble_factor",
    "conductivity_gilliam_s_cm",
    "conductivity_see_white_s_cm",
    "mass_fraction_from_conductivity",
    "strongest_conductivity",
]

Branch: TypeAlias = Literal["weak", "strong"]

_MOLARITY_MAX = 12.0
_FRACTION_MAX = 0.5


def _gilliam(t_c: Num, w: Num) -> Num:
    """[1], NaN where the molarity is beyond 12 mol/L."""
    t = t_c + KELVIN
    m = w * density_gilliam_kg_m3(t_c, w) / M_KOH
    m = within(m, 0.0, _MOLARITY_MAX, place="", name="", unit="", outside="nan")
    return m * (-2.041 + 0.005332 * t + 207.2 / t + m * (-0.0028 - 3e-7 * t * t + 0.001043 * m))


@plain
def conductivity_gilliam_s_cm(t_c: Num, mass_fraction: Num, *, outside: Outside = "raise") -> Num:
    """Specific conductivity of KOH solution free of bubbles [S/cm], [1].

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 0 to 100.
    mass_fraction : float or array
        Mass of KOH over mass of solution [1], 0 to a molarity of 12 mol/L (about 0.46).
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".

    Notes
    -----
    Within 3 % of [2] from 20 to 30 mass %.
    """
    place = "conductivity_gilliam_s_cm"
    t = within(t_c, 0.0, 100.0, place=place, name="t_c", unit="degC", outside=outside)
    w = within(mass_fraction, 0.0, _FRACTION_MAX, place=place, name="mass_fraction", unit="", outside=outside)
    if outside == "raise":
        molarity = w * density_gilliam_kg_m3(t, w) / M_KOH
        within(molarity, 0.0, _MOLARITY_MAX, place=place, name="molarity", unit="mol/L")
    return _gilliam(t, w)


@plain
def conductivity_see_white_s_cm(t_c: Num, mass_fraction: Num, *, outside: Outside = "raise") -> Num:
    """Specific conductivity of KOH solution [S/cm], [2]; the second opinion on `conductivity_gilliam_s_cm`.

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], -15 to 100.
    mass_fraction : float or array
        [1], 0.15 to 0.45.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    place = "conductivity_see_white_s_cm"
    t = within(t_c, -15.0, 100.0, place=place, name="t_c", unit="degC", outside=outside) + KELVIN
    c = 100.0 * within(mass_fraction, 0.15, 0.45, place=place, name="mass_fraction", unit="", outside=outside)
    return (
        0.279844803 * c
        - 0.00924129482 * t
        - 0.000149660371 * t * t
        - 0.000905209551 * t * c
        + 0.000114933252 * t * t * c**0.1765
        + 0.0696648518 * t / c
        - 28.9815658 * c / t
    )


@plain
def _strongest_fraction(t_c: Num) -> Num:
    """Mass fraction at which [1] is greatest, found on a fine grid and a parabola through its top."""
    t = np.atleast_1d(np.asarray(t_c, dtype=np.float64))
    grid = np.linspace(0.2, 0.4, 401)
    kappa = np.asarray(_gilliam(t[..., np.newaxis], grid))
    top = np.clip(np.argmax(np.where(np.isnan(kappa), -1.0, kappa), axis=-1), 1, grid.size - 2)
    below, here, above = (
        np.take_along_axis(kappa, (top + k)[..., np.newaxis], -1)[..., 0] for k in (-1, 0, 1)
    )
    shift = 0.5 * (below - above) / (below - 2.0 * here + above)
    best = grid[top] + shift * (grid[1] - grid[0])
    return best if np.ndim(t_c) else float(best[0])


def strongest_conductivity(t_c: Num, *, outside: Outside = "raise") -> tuple[Num, Num]:
    """Mass fraction of best conductivity at a temperature, and that conductivity [1, S/cm], from [1].

    It moves from 27 % at 25 degC to 33 % at 80 degC. `t_c` is the temperature [degC], 0 to 100.
    """
    t = within(t_c, 0.0, 100.0, place="strongest_conductivity", name="t_c", unit="degC", outside=outside)
    best = _strongest_fraction(t)
    return best, conductivity_gilliam_s_cm(t, best, outside="nan")


@plain
def mass_fraction_from_conductivity(
    t_c: Num, conductivity_s_cm: Num, branch: Branch, *, outside: Outside = "raise"
) -> Num:
    """Mass fraction [1] of KOH from its conductivity [S/cm]; the inverse of `conductivity_gilliam_s_cm`.

    Two concentrations share each conductivity, one on either side of the maximum: the reading alone can not
    tell them apart, so the caller must say which is meant. Near the maximum the answer is poorly determined.

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 0 to 100.
    conductivity_s_cm : float or array
        [S/cm], from 0 ("weak") or the conductivity at the end of the range ("strong") to the maximum. In the
        cold the published cubic stops falling at 11 mol/L already, and the branch ends there.
    branch : {"weak", "strong"}
        Below or above the concentration of best conductivity.
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        Where no concentration on that branch has this conductivity, unless `outside` is "nan".
    """
    place = "mass_fraction_from_conductivity"
    t = within(t_c, 0.0, 100.0, place=place, name="t_c", unit="degC", outside=outside)
    best = _strongest_fraction(t)

    def kappa(at: FloatArray, w: FloatArray) -> FloatArray:
        return np.asarray(_gilliam(at, w))

    low: Num = 0.0 if branch == "weak" else best
    high = best if branch == "weak" else _end_of_strong_branch(t, best)
    return inverted(
        kappa,
        t,
        conductivity_s_cm,
        low,
        high,
        place=place,
        name="conductivity_s_cm",
        unit="S/cm",
        outside=outside,
    )


def _end_of_strong_branch(t_c: Num, best: Num) -> Num:
    """Where the conductivity of [1] stops falling: 12 mol/L, or in the cold the cubic's turn before it."""

    def molarity(at: FloatArray, w: FloatArray) -> FloatArray:
        return np.asarray(w * density_gilliam_kg_m3(at, w) / M_KOH)

    end = inverted(
        molarity, t_c, _MOLARITY_MAX, 0.3, _FRACTION_MAX, place="", name="", unit="", outside="nan"
    )
    along = np.linspace(0.0, 1.0, 201)
    w = np.asarray(best)[..., np.newaxis] + np.asarray(end - 1e-12 - best)[..., np.newaxis] * along
    kappa = np.asarray(_gilliam(np.asarray(t_c)[..., np.newaxis], w))
    lowest = np.argmin(np.where(np.isnan(kappa), np.inf, kappa), axis=-1)
    return np.take_along_axis(w, lowest[..., np.newaxis], -1)[..., 0]


@plain
def bubble_factor(gas_fraction: Num) -> Num:
    """Conductivity of lye with bubbles over that without [1]: ``(1 - gas)^1.5``.

    D. A. G. Bruggeman, Annalen der Physik 416 (1935) 636, DOI 10.1002/andp.19354160705.

    Parameters
    ----------
    gas_fraction : float or array
        Volume of gas over volume of lye and gas [1], 0 to 0.6.
    """
    gas = within(gas_fraction, 0.0, 0.6, place="bubble_factor", name="gas_fraction", unit="")
    return (1.0 - gas) ** 1.5
