"""Platinum resistance thermometers and thermistors.

References
----------
.. [1] IEC 60751:2008, industrial platinum resistance thermometers.
.. [2] J. S. Steinhart, S. R. Hart, Deep-Sea Research 15 (1968) 497, DOI 10.1016/0011-7471(68)90057-0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daq.errors import PhysicsRangeError
from daq.physics._ranges import FloatArray, Num, Outside, plain, within
from daq.physics.constants import KELVIN

__all__ = [
    "SteinhartHart",
    "ntc_beta_ohm",
    "ntc_beta_temperature_c",
    "pt_resistance_ohm",
    "pt_temperature_c",
]

_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12

# [1]: limits of error, constant and per kelvin. AA and C from memory of the standard.


def _ratio(t: Num) -> FloatArray:
    cold = np.minimum(t, 0.0)
    return np.asarray(1.0 + t * (_A + _B * t) + _C * (cold - 100.0) * cold**3)


_LOW_RATIO, _HIGH_RATIO = float(_ratio(-200.0)) - 1e-12, float(_ratio(850.0)) + 1e-12


@plain
def pt_resistance_ohm(t_c: Num, r0_ohm: float = 100.0, *, outside: Outside = "raise") -> Num:
    """Resistance of an industrial platinum thermometer [ohm], [1].

    ``R0 (1 + A t + B t^2 + C (t - 100) t^3)``, the last term below 0 degC only.

    Parameters
    ----------
    t_c : float or array
        Temperature (ITS-90) [degC], -200 to 850.
    r0_ohm : float
        Resistance at 0 degC [ohm], 1 to 10000: 100 for Pt100, 1000 for Pt1000.
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan" (`r0_ohm` always).
    """
    place = "pt_resistance_ohm"
    r0 = within(r0_ohm, 1.0, 1e4, place=place, name="r0_ohm", unit="ohm")
    return r0 * _ratio(within(t_c, -200.0, 850.0, place=place, name="t_c", unit="degC", outside=outside))


@plain
def pt_temperature_c(resistance_ohm: Num, r0_ohm: float = 100.0, *, outside: Outside = "raise") -> Num:
    """Temperature of an industrial platinum thermometer [degC]; the inverse of `pt_resistance_ohm` to 1e-9 K.

    Parameters
    ----------
    resistance_ohm : float or array
        [ohm], 0.1852 to 3.9048 times `r0_ohm`. Leads' resistance taken off: 0.39 ohm reads one kelvin.
    r0_ohm : float
        [ohm], 1 to 10000.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    place = "pt_temperature_c"
    r0 = float(np.asarray(within(r0_ohm, 1.0, 1e4, place=place, name="r0_ohm", unit="ohm")))
    r = within(
        resistance_ohm,
        _LOW_RATIO * r0,
        _HIGH_RATIO * r0,
        place=place,
        name="resistance_ohm",
        unit="ohm",
        outside=outside,
    )
    ratio = r / r0
    t = (-_A + np.sqrt(_A * _A - 4.0 * _B * (1.0 - ratio))) / (2.0 * _B)
    # Below 0 degC the quartic term bends the curve; Newton from the quadratic's root settles in a few steps.
    for _ in range(5):
        cold = np.minimum(t, 0.0)
        slope = _A + 2.0 * _B * t + _C * (4.0 * cold - 300.0) * cold**2
        t = t - (_ratio(t) - ratio) / slope
    return t


def _beta_inputs(place: str, beta_k: float, r25_ohm: float) -> tuple[Num, Num]:
    beta = within(beta_k, 500.0, 10_000.0, place=place, name="beta_k", unit="K")
    return beta, within(r25_ohm, 1.0, 1e8, place=place, name="r25_ohm", unit="ohm")


@plain
def ntc_beta_ohm(t_c: Num, beta_k: float, r25_ohm: float, *, outside: Outside = "raise") -> Num:
    """Resistance of a thermistor by its beta [ohm]: ``R25 exp(beta (1/T - 1/298.15))``.

    Parameters
    ----------
    t_c : float or array
        [degC], -55 to 200. A beta stated for 25 to 50 degC is off by a kelvin or more towards the ends;
        prefer `SteinhartHart`.
    beta_k : float
        [K], 500 to 10000.
    r25_ohm : float
        Resistance at 25 degC [ohm], 1 to 1e8.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    beta, r25 = _beta_inputs("ntc_beta_ohm", beta_k, r25_ohm)
    t = within(t_c, -55.0, 200.0, place="ntc_beta_ohm", name="t_c", unit="degC", outside=outside)
    return r25 * np.exp(beta * (1.0 / (t + KELVIN) - 1.0 / 298.15))


@plain
def ntc_beta_temperature_c(
    resistance_ohm: Num, beta_k: float, r25_ohm: float, *, outside: Outside = "raise"
) -> Num:
    """Temperature of a thermistor by its beta [degC]; the inverse of `ntc_beta_ohm`, same range.

    Parameters
    ----------
    resistance_ohm : float or array
        [ohm], above 0.
    beta_k, r25_ohm
        As `ntc_beta_ohm`.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    place = "ntc_beta_temperature_c"
    beta, r25 = _beta_inputs(place, beta_k, r25_ohm)
    r = within(resistance_ohm, 1e-6, 1e12, place=place, name="resistance_ohm", unit="ohm", outside=outside)
    t = 1.0 / (1.0 / 298.15 + np.log(r / r25) / beta) - KELVIN
    return within(
        t, -55.0 - 1e-9, 200.0 + 1e-9, place=place, name="temperature", unit="degC", outside=outside
    )


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """A thermistor's curve ``1/T = A + B ln R + C (ln R)^3``, [2].

    Attributes
    ----------
    a, b, c : float
        Coefficients [1/K], R in ohm; `c` not negative and `b` positive, so that the curve falls everywhere.
    t_low_c, t_high_c : float
        Range in which it may be used [degC].
    """

    a: float
    b: float
    c: float
    t_low_c: float = -80.0
    t_high_c: float = 260.0

    @classmethod
    def from_points(cls, points: Sequence[tuple[float, float]], *, margin_k: float = 10.0) -> SteinhartHart:
        """The curve through three pairs of resistance [ohm] and temperature [degC].

        It may be used from `margin_k` below the coldest to `margin_k` above the warmest of them.

        Raises
        ------
        PhysicsRangeError
            For another number of points, and for points that no falling curve joins.
        """
        place = "SteinhartHart.from_points"
        if len(points) != 3 or any(not r > 0.0 or not t > -KELVIN for r, t in points):
            raise PhysicsRangeError(
                "a Steinhart-Hart curve takes three pairs of resistance and temperature",
                place=place,
                value=points,
                remedy="give three, well apart, over the range of use",
            )
        logs = [float(np.log(r)) for r, _ in points]
        inverse = [1.0 / (t + KELVIN) for _, t in points]
        u, v = (inverse[1] - inverse[0]), (inverse[2] - inverse[0])
        x, y = (logs[1] - logs[0]), (logs[2] - logs[0])
        distinct = len({*logs}) == 3 and len({*inverse}) == 3
        total = sum(logs)
        c = (v / y - u / x) / (y - x) / total if distinct and total else float("nan")
        b = u / x - c * (logs[0] ** 2 + logs[0] * logs[1] + logs[1] ** 2) if distinct else float("nan")
        if not (b > 0.0 and c >= 0.0):
            raise PhysicsRangeError(
                "no thermistor curve falls through these points",
                place=place,
                value=points,
                remedy="check that each resistance stands with its own temperature, in ohm and degC",
            )
        temperatures = [t for _, t in points]
        return cls(
            inverse[0] - logs[0] * (b + c * logs[0] ** 2),
            b,
            c,
            min(temperatures) - margin_k,
            max(temperatures) + margin_k,
        )

    def temperature_c(self, resistance_ohm: Num, *, outside: Outside = "raise") -> Num:
        """Temperature [degC] at a resistance [ohm] above 0; outside the curve's range as `outside` says."""
        return _steinhart_hart(resistance_ohm, self, outside)

    def resistance_ohm(self, t_c: Num, *, outside: Outside = "raise") -> Num:
        """Resistance [ohm] at a temperature [degC]; the inverse of `temperature_c`, in closed form."""
        return _steinhart_hart_inverse(t_c, self, outside)


@plain
def _steinhart_hart(resistance_ohm: Num, curve: SteinhartHart, outside: Outside) -> Num:
    place = "SteinhartHart.temperature_c"
    r = within(resistance_ohm, 1e-6, 1e12, place=place, name="resistance_ohm", unit="ohm", outside=outside)
    log = np.log(r)
    t = 1.0 / (curve.a + log * (curve.b + curve.c * log * log)) - KELVIN
    low, high = curve.t_low_c - 1e-9, curve.t_high_c + 1e-9
    return within(t, low, high, place=place, name="temperature", unit="degC", outside=outside)


@plain
def _steinhart_hart_inverse(t_c: Num, curve: SteinhartHart, outside: Outside) -> Num:
    place = "SteinhartHart.resistance_ohm"
    t = within(t_c, curve.t_low_c, curve.t_high_c, place=place, name="t_c", unit="degC", outside=outside)
    wanted = 1.0 / (t + KELVIN) - curve.a
    if curve.c == 0.0:
        return np.exp(wanted / curve.b)
    # the real root of c x^3 + b x = wanted, by hyperbolic functions: no cancellation
    p = curve.b / curve.c
    root = 2.0 * np.sqrt(p / 3.0)
    angle = np.arcsinh(1.5 * wanted / curve.c / p * np.sqrt(3.0 / p))
    return np.asarray(np.exp(root * np.sinh(angle / 3.0)))
