"""Voltage of a cell against its current: reversible, ohmic and activation part.

``V = V_rev + r k(T) j + b T/T0 asinh(j / (2 j0(T)))`` with ``k(T) = kappa(T0) / kappa(T)`` and
``j0(T) = j0 exp(-Ea/R (1/T - 1/T0))``. Both electrodes are lumped into one activation part: a two-electrode
measurement can not tell them apart. At many times j0 the inverse hyperbolic sine is Tafel's logarithm, of
slope ``ln(10) b`` a decade; towards zero it is finite.

References
----------
.. [1] J. S. Newman, N. P. Balsara, Electrochemical Systems, 4th ed. 2021, ch. 8: Butler and Volmer's law with
   equal branches, and Tafel's.
.. [2] L. Jin, R. Nogueira Nakashima, G. Comodi, H. L. Frandsen, Appl. Therm. Eng. 262 (2025) 125154: the same
   three parts, with an Arrhenius law for j0 and an ohmic part that follows the lye's conductivity.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from daq.physics._ranges import Num, plain, within
from daq.physics.constants import FARADAY, GAS_CONSTANT, KELVIN

__all__ = [
    "LN10",
    "activation_volts",
    "exchange_density_ma_cm2",
    "ohmic_volts",
    "transfer_coefficient",
]

LN10: Final = math.log(10.0)
_INF = float("inf")


@plain
def ohmic_volts(current_density_ma_cm2: Num, ohm_cm2: Num, kappa_ratio: Num = 1.0) -> Num:
    """Ohmic part [V]: ``r k j``.

    Parameters
    ----------
    current_density_ma_cm2 : float or array
        [mA/cm2], 0 to 1e5.
    ohm_cm2 : float or array
        Area-specific resistance at the reference temperature [ohm cm2], 0 to 1e4.
    kappa_ratio : float or array
        Conductivity at the reference temperature over that at hand [1], above 0.
    """
    place = "ohmic_volts"
    j = within(current_density_ma_cm2, 0.0, 1e5, place=place, name="current_density_ma_cm2", unit="mA/cm2")
    r = within(ohm_cm2, 0.0, 1e4, place=place, name="ohm_cm2", unit="ohm cm2")
    k = within(kappa_ratio, 1e-6, 1e6, place=place, name="kappa_ratio", unit="")
    return 1e-3 * r * k * j


@plain
def exchange_density_ma_cm2(t_c: Num, at_reference: Num, reference_c: Num, activation_j_mol: Num) -> Num:
    """Exchange current density at a temperature, by Arrhenius' law [mA/cm2].

    Parameters
    ----------
    t_c, reference_c : float or array
        [degC], -20 to 150.
    at_reference : float or array
        At `reference_c` [mA/cm2], above 0.
    activation_j_mol : float or array
        [J/mol], -5e5 to 5e5.
    """
    place = "exchange_density_ma_cm2"
    t = within(t_c, -20.0, 150.0, place=place, name="t_c", unit="degC") + KELVIN
    t0 = within(reference_c, -20.0, 150.0, place=place, name="reference_c", unit="degC") + KELVIN
    energy = within(activation_j_mol, -5e5, 5e5, place=place, name="activation_j_mol", unit="J/mol")
    return at_reference * np.exp(-energy / GAS_CONSTANT * (1.0 / t - 1.0 / t0))


@plain
def activation_volts(current_density_ma_cm2: Num, exchange_ma_cm2: Num, b_volts: Num) -> Num:
    """Activation part of both electrodes together [V]: ``b asinh(j / (2 j0))``, [1].

    Parameters
    ----------
    current_density_ma_cm2 : float or array
        [mA/cm2], 0 and above.
    exchange_ma_cm2 : float or array
        At that temperature [mA/cm2], above 0.
    b_volts : float or array
        ``R T / (alpha 2 F)`` at that temperature [V], above 0.
    """
    place = "activation_volts"
    j = within(current_density_ma_cm2, 0.0, 1e5, place=place, name="current_density_ma_cm2", unit="mA/cm2")
    j0 = within(exchange_ma_cm2, 1e-300, _INF, place=place, name="exchange_ma_cm2", unit="mA/cm2")
    b = within(b_volts, 1e-9, 10.0, place=place, name="b_volts", unit="V")
    return b * np.arcsinh(j / (2.0 * j0))


@plain
def transfer_coefficient(b_volts: Num, t_c: Num) -> Num:
    """Lumped transfer coefficient that belongs to b at a temperature [1]: ``R T / (2 F b)``, as in [2]."""
    b = within(b_volts, 1e-9, 10.0, place="transfer_coefficient", name="b_volts", unit="V")
    t = within(t_c, -20.0, 150.0, place="transfer_coefficient", name="t_c", unit="degC")
    return GAS_CONSTANT * (t + KELVIN) / (2.0 * FARADAY * b)
