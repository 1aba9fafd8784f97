"""When warmth feeds on itself: a stack at a held voltage draws more current as it warms.

Heat ``q(T)`` against the loss ``(T - T_room) / R``: where the heat grows faster than the loss, no temperature
is stable. At a held *current* the heat falls with temperature, and the stack can not run away.

References
----------
.. [1] N. N. Semenov's thermal explosion; F. A. Williams, Combustion Theory, 2nd ed. 1985, appendix B.
.. [2] R. M. Corless et al., Adv. Comput. Math. 5 (1996) 329, DOI 10.1007/BF02124750: the Lambert W function.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from daq.physics._ranges import Num, plain, within

__all__ = [
    "CRITICAL_PSI",
    "loop_gain",
    "settled_rise_exponential_k",
    "settled_rise_linear_k",
    "tipping_rise_k",
]

CRITICAL_PSI: Final = math.exp(-1.0)
"""Largest ``alpha heat R`` that has a steady state under an exponential law, [1]."""


def _checked(place: str, heat_w: Num, alpha_per_k: Num, resistance_k_w: Num) -> tuple[Num, Num, Num]:
    heat = within(heat_w, 0.0, 1e7, place=place, name="heat_w", unit="W")
    alpha = within(alpha_per_k, 0.0, 1.0, place=place, name="alpha_per_k", unit="1/K")
    resistance = within(resistance_k_w, 1e-9, 1e6, place=place, name="resistance_k_w", unit="K/W")
    return heat, alpha, resistance


@plain
def loop_gain(heat_slope_w_k: Num, resistance_k_w: Num) -> Num:
    """Gain of the loop from temperature through heat back to temperature [1]: ``R dq/dT``.

    At 1 and above no temperature is stable.

    Parameters
    ----------
    heat_slope_w_k : float or array
        How much the heat grows with the lye's temperature [W/K], -1e6 to 1e6.
    resistance_k_w : float or array
        Thermal resistance to the room [K/W], above 0.
    """
    slope = within(heat_slope_w_k, -1e6, 1e6, place="loop_gain", name="heat_slope_w_k", unit="W/K")
    resistance = within(resistance_k_w, 1e-9, 1e6, place="loop_gain", name="resistance_k_w", unit="K/W")
    return slope * resistance


@plain
def settled_rise_linear_k(heat_w: Num, alpha_per_k: Num, resistance_k_w: Num) -> Num:
    """Where the temperature settles over the room when heat is ``heat (1 + alpha dT)`` [K].

    ``heat R / (1 - alpha heat R)``; infinite where the gain is 1 or more.

    Parameters
    ----------
    heat_w : float or array
        Heat at room temperature [W], 0 to 1e7.
    alpha_per_k : float or array
        Relative growth of heat per kelvin [1/K], 0 to 1.
    resistance_k_w : float or array
        Thermal resistance to the room [K/W], above 0.
    """
    heat, alpha, resistance = _checked("settled_rise_linear_k", heat_w, alpha_per_k, resistance_k_w)
    gain = np.asarray(alpha * heat * resistance)
    with np.errstate(divide="ignore"):
        return np.where(
            gain < 1.0, heat * resistance / (1.0 - gain), np.where(np.isnan(gain), np.nan, np.inf)
        )


def _exponential_root(place: str, heat_w: Num, alpha_per_k: Num, resistance_k_w: Num, branch: int) -> Num:
    from scipy.special import lambertw  # SciPy takes as long to import as all else of a short command

    heat, alpha, resistance = _checked(place, heat_w, alpha_per_k, resistance_k_w)
    psi = np.asarray(alpha * heat * resistance)
    beyond = psi > CRITICAL_PSI
    root = -lambertw(-np.where(beyond, 0.1, psi), branch).real / np.asarray(alpha)
    return np.where(beyond, np.inf if branch == 0 else np.nan, root)


@plain
def settled_rise_exponential_k(heat_w: Num, alpha_per_k: Num, resistance_k_w: Num) -> Num:
    """Where the temperature settles when heat is ``heat exp(alpha dT)`` [K]: ``-W0(-psi) / alpha``, [1], [2].

    psi is ``alpha heat R``; infinite beyond `CRITICAL_PSI`. No stable rise exceeds 1/alpha. Parameters as
    `settled_rise_linear_k`, `alpha_per_k` above 0.
    """
    return _exponential_root("settled_rise_exponential_k", heat_w, alpha_per_k, resistance_k_w, 0)


@plain
def tipping_rise_k(heat_w: Num, alpha_per_k: Num, resistance_k_w: Num) -> Num:
    """The rise beyond which a stack that would settle runs away after all [K]: ``-W-1(-psi) / alpha``.

    NaN beyond `CRITICAL_PSI`, where it runs away from anywhere. Parameters as `settled_rise_exponential_k`.
    """
    return _exponential_root("tipping_rise_k", heat_w, alpha_per_k, resistance_k_w, -1)
