"""Thermocouples of type K and T, with the cold junction's share added where it belongs: in millivolts.

References
----------
.. [1] NIST ITS-90 Thermocouple Database (SRD 60), from NIST Monograph 175 (1993): reference functions.
"""

from __future__ import annotations

from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.polynomial.polynomial import polyder, polyval

from daq.physics._ranges import FloatArray, Num, Outside, plain, within

__all__ = ["ThermocoupleType", "thermocouple_emf_mv", "thermocouple_temperature_c"]

ThermocoupleType: TypeAlias = Literal["K", "T"]


class _Reference:
    """A reference function: a polynomial below and above 0 degC, for K with an exponential on top."""

    def __init__(
        self,
        t_high: float,
        below: tuple[float, ...],
        above: tuple[float, ...],
        bump: tuple[float, float, float] | None = None,
    ) -> None:
        self.t_low, self.t_high = -200.0, t_high
        self._below, self._above = np.array(below), np.array(above)
        self._below_slope, self._above_slope = polyder(self._below), polyder(self._above)
        self._bump = bump
        # a start for Newton: within 0.1 K everywhere
        self._grid = np.arange(self.t_low, t_high + 0.5)
        self._grid_mv = self.mv(self._grid)
        self.mv_low, self.mv_high = float(self._grid_mv[0]), float(self._grid_mv[-1])

    def mv(self, t: FloatArray) -> FloatArray:
        warm = polyval(np.maximum(t, 0.0), self._above)
        if self._bump is not None:
            a0, a1, middle = self._bump
            warm = warm + a0 * np.exp(a1 * (t - middle) ** 2)
        return np.asarray(np.where(t < 0.0, polyval(np.minimum(t, 0.0), self._below), warm))

    def slope(self, t: FloatArray) -> FloatArray:
        warm = polyval(np.maximum(t, 0.0), self._above_slope)
        if self._bump is not None:
            a0, a1, middle = self._bump
            warm = warm + 2.0 * a0 * a1 * (t - middle) * np.exp(a1 * (t - middle) ** 2)
        return np.asarray(np.where(t < 0.0, polyval(np.minimum(t, 0.0), self._below_slope), warm))

    def temperature(self, mv: FloatArray) -> FloatArray:
        t = np.interp(mv, self._grid_mv, self._grid)
        for _ in range(3):
            t = np.clip(t - (self.mv(t) - mv) / self.slope(t), self.t_low, self.t_high)
        return np.where(np.isnan(mv), np.nan, t)


_TYPES: Final[dict[str, _Reference]] = {
    "K": _Reference(
        1372.0,
        (
            0.0,
            0.039450128025,
            2.3622373598e-05,
            -3.2858906784e-07,
            -4.9904828777e-09,
            -6.7509059173e-11,
            -5.7410327428e-13,
            -3.1088872894e-15,
            -1.0451609365e-17,
            -1.9889266878e-20,
            -1.6322697486e-23,
        ),
        (
            -0.017600413686,
            0.038921204975,
            1.8558770032e-05,
            -9.9457592874e-08,
            3.1840945719e-10,
            -5.6072844889e-13,
            5.6075059059e-16,
            -3.2020720003e-19,
            9.7151147152e-23,
            -1.2104721275e-26,
        ),
        (0.1185976, -1.183432e-4, 126.9686),
    ),
    "T": _Reference(
        400.0,
        (
            0.0,
            0.038748106364,
            4.4194434347e-05,
            1.1844323105e-07,
            2.0032973554e-08,
            9.0138019559e-10,
            2.2651156593e-11,
            3.6071154205e-13,
            3.8493939883e-15,
            2.8213521925e-17,
            1.4251594779e-19,
            4.8768662286e-22,
            1.079553927e-24,
            1.3945027062e-27,
            7.9795153927e-31,
        ),
        (
            0.0,
            0.038748106364,
            3.329222788e-05,
            2.0618243404e-07,
            -2.1882256846e-09,
            1.0996880928e-11,
            -3.0815758772e-14,
            4.547913529e-17,
            -2.7512901673e-20,
        ),
    ),
}


@plain
def thermocouple_emf_mv(t_c: Num, kind: ThermocoupleType, *, outside: Outside = "raise") -> Num:
    """Voltage of a thermocouple against a junction at 0 degC [mV], [1].

    Parameters
    ----------
    t_c : float or array
        [degC], -200 to 1372 for K, to 400 for T.
    kind : {"K", "T"}
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".
    """
    reference = _TYPES[kind]
    t = within(
        t_c,
        reference.t_low,
        reference.t_high,
        place="thermocouple_emf_mv",
        name="t_c",
        unit="degC",
        outside=outside,
    )
    return reference.mv(np.asarray(t, dtype=np.float64))


@plain
def thermocouple_temperature_c(
    measured_mv: Num, cold_junction_c: Num, kind: ThermocoupleType, *, outside: Outside = "raise"
) -> Num:
    """Temperature of a thermocouple's hot junction [degC]; the inverse of `thermocouple_emf_mv` to 1e-6 K.

    The cold junction's voltage is added to the measured one, and the sum turned to temperature. Turning the
    measured voltage to temperature and adding the cold junction's *temperature* is wrong by a kelvin or two.

    Parameters
    ----------
    measured_mv : float or array
        As measured between the leads [mV].
    cold_junction_c : float or array
        Temperature where the thermocouple meets copper [degC], -40 to 125.
    kind : {"K", "T"}
    outside : {"raise", "nan"}
        What values out of range give.
    """
    place = "thermocouple_temperature_c"
    reference = _TYPES[kind]
    cold = within(
        cold_junction_c, -40.0, 125.0, place=place, name="cold_junction_c", unit="degC", outside=outside
    )
    # rounding of the sum must not push the ends of the range out of it
    slack = 1e-9
    total = within(
        measured_mv + reference.mv(np.asarray(cold, dtype=np.float64)),
        reference.mv_low - slack,
        reference.mv_high + slack,
        place=place,
        name="measured_mv with the cold junction's share",
        unit="mV",
        outside=outside,
    )
    return reference.temperature(np.asarray(total, dtype=np.float64))
