"""Pure water: saturation pressure, density and latent heat along the saturation line.

References
----------
.. [1] IAPWS R7-97(2012), Industrial Formulation 1997, region 4 (saturation line).
.. [2] IAPWS SR1-86(1992), supplementary release on saturation properties; W. Wagner, A. Pruss, J. Phys. Chem.
   Ref. Data 22 (1993) 783, DOI 10.1063/1.555926.
"""

from __future__ import annotations

import numpy as np

from daq.physics._ranges import Num, Outside, plain, within
from daq.physics.constants import KELVIN

__all__ = ["latent_heat_j_kg", "psat_water", "psat_water_slope", "water_density_kg_m3"]

# [1], table 34
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
_T_LOW, _T_HIGH = 0.0, 373.946
_T_CRITICAL_K, _RHO_CRITICAL = 647.096, 322.0


def _region4(t_c: Num) -> tuple[Num, Num, Num, Num, Num]:
    """Temperature [K], theta of [1] eq. 29b, and A, B, C of its eq. 30."""
    t = t_c + KELVIN
    theta = t + _N[8] / (t - _N[9])
    a = theta * theta + _N[0] * theta + _N[1]
    b = _N[2] * theta * theta + _N[3] * theta + _N[4]
    c = _N[5] * theta * theta + _N[6] * theta + _N[7]
    return t, theta, a, b, c


@plain
def psat_water(t_c: Num, *, outside: Outside = "raise") -> Num:
    """Saturation pressure of water vapour over liquid water [kPa], [1] equation 30.

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 0 to 373.946 (the critical point). Ice is not covered.
    outside : {"raise", "nan"}
        What a value out of range gives.

    Raises
    ------
    PhysicsRangeError
        For a temperature out of range, unless `outside` is "nan".
    """
    t = within(t_c, _T_LOW, _T_HIGH, place="psat_water", name="t_c", unit="degC", outside=outside)
    _, _, a, b, c = _region4(t)
    return 1000.0 * (2.0 * c / (-b + np.sqrt(b * b - 4.0 * a * c))) ** 4


@plain
def psat_water_slope(t_c: Num, *, outside: Outside = "raise") -> Num:
    """Slope of `psat_water` against temperature [kPa/K], from the implicit form of [1]. Range as there."""
    t = within(t_c, _T_LOW, _T_HIGH, place="psat_water_slope", name="t_c", unit="degC", outside=outside)
    kelvin, theta, a, b, c = _region4(t)
    beta = 2.0 * c / (-b + np.sqrt(b * b - 4.0 * a * c))
    # F(beta, theta) = a beta^2 + b beta + c = 0
    by_theta = (
        (2.0 * theta + _N[0]) * beta * beta
        + (2.0 * _N[2] * theta + _N[3]) * beta
        + 2.0 * _N[5] * theta
        + _N[6]
    )
    by_beta = 2.0 * a * beta + b
    theta_slope = 1.0 - _N[8] / (kelvin - _N[9]) ** 2
    return -4000.0 * beta**3 * by_theta / by_beta * theta_slope


@plain
def water_density_kg_m3(t_c: Num, *, outside: Outside = "raise") -> Num:
    """Density of saturated liquid water [kg/m3], [2]; at one atmosphere within 0.01 % below 100 degC.

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 0 to 370.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    t = within(t_c, 0.0, 370.0, place="water_density_kg_m3", name="t_c", unit="degC", outside=outside)
    third = np.cbrt(1.0 - (t + KELVIN) / _T_CRITICAL_K)
    return _RHO_CRITICAL * (
        1.0
        + 1.99274064 * third
        + 1.09965342 * third**2
        - 0.510839303 * third**5
        - 1.75493479 * third**16
        - 45.5170352 * third**43
        - 6.74694450e5 * third**110
    )


def _vapour_density(t_c: Num) -> Num:
    """Density of saturated vapour [kg/m3], [2]."""
    sixth = (1.0 - (t_c + KELVIN) / _T_CRITICAL_K) ** (1.0 / 6.0)
    return _RHO_CRITICAL * np.exp(
        -2.03150240 * sixth**2
        - 2.68302940 * sixth**4
        - 5.38626492 * sixth**8
        - 17.2991605 * sixth**18
        - 44.7586581 * sixth**37
        - 63.9201063 * sixth**71
    )


@plain
def latent_heat_j_kg(t_c: Num, *, outside: Outside = "raise") -> Num:
    """Heat to turn a kilogram of water to vapour [J/kg], by Clapeyron's equation from [1] and [2].

    ``T (1/rho_vapour - 1/rho_liquid) dp/dT``; within 0.1 % of IAPWS-95 up to 200 degC. Over lye a little more
    is needed (the heat of dilution, below 5 % for 30 % KOH), which is not counted.

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 0 to 200.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    t = within(t_c, 0.0, 200.0, place="latent_heat_j_kg", name="t_c", unit="degC", outside=outside)
    volume = 1.0 / _vapour_density(t) - 1.0 / water_density_kg_m3(t)
    return (t + KELVIN) * volume * 1000.0 * psat_water_slope(t)
