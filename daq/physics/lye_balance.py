"""The lye of a bench as a state: mass of water and mass of hydroxide, estimated together with what uses them
up.

Hydroxide stays; water is split, leaves as vapour and is topped up. A Kalman filter carries both masses and
their covariance. Errors that stay the same over a run (the ammeter's gain in the water that is split, the
saturation taken for the vapour, the scales of a level and of a conductivity meter) are states too,
standardised to a prior standard deviation of 1, so that what grows with them grows in proportion and not with
its root, and so that a measurement corrects them along with the masses [1]_. The filling's own litres and
strength are kept as constant states: how far below its start a level stands is then known better than the
level itself.

Non-linear measurements (density, level, conductivity) enter linearised about the estimate [2]_. One whose
innovation is far beyond what filter and measurement allow shows that something happened that nobody wrote
down; the covariance is then inflated to the most likely scale of that innovation [3]_ before the update.

Standard uncertainties throughout; litres are those at 20 degC.

References
----------
.. [1] S. F. Schmidt, in: Advances in Control Systems, vol. 3, 1966, p. 293: states augmented by biases. R. E.
   Kalman, J. Basic Eng. 82 (1960) 35, DOI 10.1115/1.3662552.
.. [2] A. Gelb (ed.), Applied Optimal Estimation, 1974, section 6.1: the extended filter. The update is in the
   form of P. D. Joseph (R. S. Bucy, P. D. Joseph, Filtering for Stochastic Processes, 1968).
.. [3] R. K. Mehra, IEEE Trans. Autom. Control 17 (1972) 693, DOI 10.1109/TAC.1972.1100100: covariance
   matching.
.. [4] JCGM 102:2011, 6.2: propagation of the covariance of several quantities.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from daq.physics._ranges import FloatArray
from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.physics.lye import (
    Electrolyte,
    lye_density_kg_m3,
    mass_fraction_from_density,
    strongest_density_published,
)
from daq.quantity import Quantity

__all__ = ["FILLED_AT_C", "Innovation", "LyeBalance"]

FILLED_AT_C: Final = 20.0
"""Litres of a filling, of a level and of what is left are those at this temperature [degC]."""
SURPRISING: Final = 3.0
"""An innovation of more than so many of its standard deviations inflates the covariance."""
LEAST_WATER: Final = 0.05
"""So much of the filling's water is taken to be there at least [1]: what is known ends before."""

_WATER, _HYDROXIDE, _LITRES0, _FRACTION0, _SPLIT, _VAPOUR, _LEVEL, _KAPPA = range(8)
_SIZE: Final = 8


@dataclass(frozen=True, slots=True)
class Innovation:
    """What a measurement said beside what was expected.

    Attributes
    ----------
    expected, measured : float
        In the unit of the measurement.
    deviation : float
        Their difference in standard deviations of both together.
    surprising : bool
        Whether it is more than chance explains: something was poured in, spilt or measured wrongly.
    """

    expected: float
    measured: float
    deviation: float
    surprising: bool


class LyeBalance:
    """Mass of water and of hydroxide with their covariance.

    Parameters
    ----------
    litres, litres_u : float
        Lye in the whole circuit at 20 degC, and its standard uncertainty [L].
    mass_fraction, mass_fraction_u : float
        Of hydroxide in the lye, and its standard uncertainty [1].
    electrolyte : {"KOH", "NaOH"}

    Raises
    ------
    PhysicsRangeError
        For lye stronger than its density is published for (0.518 KOH, 0.502 NaOH).

    Examples
    --------
    >>> lye = LyeBalance(0.8, 0.01, 0.20, 0.002)
    >>> lye.use(split_kg=0.16, split_u=0.003, vapour_kg=0.03, vapour_u=0.003)
    >>> round(float(lye.mass_fraction.value), 3)
    0.255
    """

    def __init__(
        self,
        litres: float,
        litres_u: float,
        mass_fraction: float,
        mass_fraction_u: float,
        electrolyte: Electrolyte = "KOH",
    ) -> None:
        self.electrolyte: Electrolyte = electrolyte
        self._strongest = strongest_density_published(electrolyte)
        self._x: FloatArray = np.zeros(_SIZE)
        self._p: FloatArray = np.eye(_SIZE)
        self.fill(litres, litres_u, mass_fraction, mass_fraction_u)

    # -- what it says ----------------------------------------------------------------------------------------

    @property
    def water_kg(self) -> Quantity:
        """Water in the lye [kg]."""
        return self._one(_WATER)

    @property
    def hydroxide_kg(self) -> Quantity:
        """Hydroxide in the lye [kg]."""
        return self._one(_HYDROXIDE)

    @property
    def mass_fraction(self) -> Quantity:
        """Mass of hydroxide over mass of lye [1]."""
        w, slope = self._fraction()
        return Quantity(w, self._u(slope), "", label="lye strength")

    @property
    def strengthened(self) -> Quantity:
        """Mass fraction now less that of the filling [1]: an error of the filling cancels in great part."""
        w, slope = self._fraction()
        slope = slope.copy()
        slope[_FRACTION0] -= 1.0
        return Quantity(w - float(self._x[_FRACTION0]), self._u(slope), "", label="lye strength")

    @property
    def litres(self) -> Quantity:
        """Lye in the circuit, as it would measure at 20 degC [L]."""
        value, slope = self._linear(self._volume_l)
        return Quantity(value, self._u(slope), "L", label="lye")

    @property
    def below_start_ml(self) -> Quantity:
        """By how much the lye has gone down since it was filled, at 20 degC [mL]; negative above."""

        def below(x: FloatArray) -> float:
            return 1e3 * (float(x[_LITRES0]) - self._volume_l(x))

        value, slope = self._linear(below)
        return Quantity(value, self._u(slope), "mL", label="lye")

    @property
    def water_wanting_ml(self) -> Quantity:
        """Water at 20 degC that would bring the lye back to the strength it was filled with [mL]; negative
        where it is weaker."""

        def wanting(x: FloatArray) -> float:
            w0 = float(x[_FRACTION0])
            kg = float(x[_HYDROXIDE]) * (1.0 - w0) / w0 - float(x[_WATER])
            return 1e6 * kg / _density(FILLED_AT_C, 0.0, self.electrolyte)

        value, slope = self._linear(wanting)
        return Quantity(value, self._u(slope), "mL", label="water")

    # -- what happens to it ----------------------------------------------------------------------------------

    def fill(self, litres: float, litres_u: float, mass_fraction: float, mass_fraction_u: float) -> None:
        """The circuit was emptied and filled anew. What was learned of meters stays.

        Parameters
        ----------
        litres, litres_u, mass_fraction, mass_fraction_u : float
            As of the class.
        """
        keep = slice(_SPLIT, _SIZE)
        kept_x, kept_p = self._x[keep].copy(), self._p[keep, keep].copy()

        def masses(v: float, w: float) -> FloatArray:
            kg = 1e-3 * v * _density(FILLED_AT_C, w, self.electrolyte)
            return np.array([kg * (1.0 - w), kg * w, v, w])

        at = masses(litres, mass_fraction)
        step = 1e-5
        by_litres = (masses(litres + step, mass_fraction) - at) / step
        side = -step if mass_fraction + step > self._strongest else step
        by_fraction = (masses(litres, mass_fraction + side) - at) / side
        j = np.stack([by_litres, by_fraction], axis=1)
        self._x = np.zeros(_SIZE)
        self._p = np.zeros((_SIZE, _SIZE))
        self._x[:_SPLIT] = at
        self._p[:_SPLIT, :_SPLIT] = j @ np.diag([litres_u**2, mass_fraction_u**2]) @ j.T  # [4]
        self._x[keep], self._p[keep, keep] = kept_x, kept_p

    def use(
        self, split_kg: float, split_u: float, vapour_kg: float, vapour_u: float, *, own_u: float = 0.0
    ) -> None:
        """Water was split and carried off [kg].

        Parameters
        ----------
        split_kg, vapour_kg : float
            As worked out from what was measured, not negative.
        split_u, vapour_u : float
            Of these the standard uncertainties that go the same way all the run.
        own_u : float
            Standard uncertainty of the sum that is another one each time.
        """
        x, f = self._x, np.eye(_SIZE)
        f[_WATER, _SPLIT], f[_WATER, _VAPOUR] = -split_u, -vapour_u
        x = f @ x
        least = LEAST_WATER * float(x[_LITRES0])
        x[_WATER] = max(float(x[_WATER]) - split_kg - vapour_kg, least)
        self._x = x
        self._p = f @ self._p @ f.T
        self._p[_WATER, _WATER] += own_u * own_u

    def top_up(
        self, kg: float, kg_u: float, mass_fraction: float = 0.0, mass_fraction_u: float = 0.0
    ) -> None:
        """Water or lye was poured in.

        Parameters
        ----------
        kg, kg_u : float
            Its mass and standard uncertainty [kg].
        mass_fraction, mass_fraction_u : float
            Its strength and standard uncertainty [1]; 0 for water.
        """
        w = mass_fraction
        self._x[_WATER] += kg * (1.0 - w)
        self._x[_HYDROXIDE] += kg * w
        j = np.array([[1.0 - w, -kg], [w, kg]])
        self._p[:2, :2] += j @ np.diag([kg_u**2, mass_fraction_u**2]) @ j.T

    def draw_off(self, kg: float, kg_u: float) -> None:
        """Lye was taken out, of the strength it has [kg]."""
        total = float(self._x[_WATER] + self._x[_HYDROXIDE])
        share = min(max(kg / total, 0.0), 0.95)
        f = np.eye(_SIZE)
        f[_WATER, _WATER] = f[_HYDROXIDE, _HYDROXIDE] = 1.0 - share
        of = np.zeros(_SIZE)
        of[:2] = self._x[:2] / total
        self._x = f @ self._x
        self._p = f @ self._p @ f.T + kg_u**2 * np.outer(of, of)

    # -- what is measured ------------------------------------------------------------------------------------

    def measured_fraction(self, mass_fraction: float, u: float) -> Innovation:
        """A mass fraction was measured [1], with its standard uncertainty."""
        return self._update(mass_fraction, u, *self._fraction())

    def measured_density(self, density_kg_m3: float, u: float, t_c: float, t_u: float = 0.0) -> Innovation:
        """A density was measured, as a hydrometer reads it.

        Parameters
        ----------
        density_kg_m3, u : float
            With its standard uncertainty [kg/m3].
        t_c, t_u : float
            Temperature of what was measured, with its standard uncertainty [degC, K].

        Raises
        ------
        PhysicsRangeError
            Where lye of no published strength has this density.
        """
        w = float(np.asarray(mass_fraction_from_density(t_c, density_kg_m3, self.electrolyte)))
        step_w = 1e-4 if w < self._strongest - 1e-4 else -1e-4
        per_w = (_density(t_c, w + step_w, self.electrolyte) - _density(t_c, w, self.electrolyte)) / step_w
        step_t = 0.1 if t_c < 94.0 else -0.1
        per_k = (_density(t_c + step_t, w, self.electrolyte) - _density(t_c, w, self.electrolyte)) / step_t
        return self.measured_fraction(w, math.hypot(u, per_k * t_u) / per_w)

    def measured_litres(self, litres: float, u: float, t_c: float = FILLED_AT_C) -> Innovation:
        """All the lye was measured.

        Parameters
        ----------
        litres, u : float
            With its standard uncertainty [L].
        t_c : float
            Its temperature then [degC].
        """
        value, slope = self._linear(lambda x: self._volume_l(x, t_c))
        return self._update(litres, u, value, slope)

    def measured_below_start(self, ml: float, u: float, t_c: float = FILLED_AT_C) -> Innovation:
        """The level was measured against the mark to which it was filled at 20 degC.

        Parameters
        ----------
        ml, u : float
            So much lye below it, with its standard uncertainty [mL]; negative above.
        t_c : float
            Lye temperature now [degC].
        """

        def below(x: FloatArray) -> float:
            return 1e3 * (float(x[_LITRES0]) - self._volume_l(x, t_c))

        return self._update(ml, u, *self._linear(below))

    def level_read(
        self, litres: float, u: float, scale_u: float, t_c: float, *, gate: float = math.inf
    ) -> Innovation:
        """A level meter read.

        Parameters
        ----------
        litres, u : float
            With the standard uncertainty that is another one each time [L].
        scale_u : float
            Standard uncertainty that stays, as a share [1].
        t_c : float
            Lye temperature [degC].
        gate : float
            What lies more than so many standard deviations off is told and left out.
        """

        def read(x: FloatArray) -> float:
            return self._volume_l(x, t_c) * (1.0 + scale_u * float(x[_LEVEL]))

        return self._update(litres, u, *self._linear(read), gate=gate)

    def conductivity_read(
        self, s_cm: float, u: float, scale_u: float, t_c: float, *, gate: float = math.inf
    ) -> Innovation:
        """A conductivity meter read, in KOH.

        Near its maximum (27 % at 25 degC, 33 % at 80 degC) conductivity hardly tells the strength, and the
        update then changes little by itself.

        Parameters
        ----------
        s_cm, u : float
            With the standard uncertainty that is another one each time [S/cm].
        scale_u : float
            Standard uncertainty that stays, as a share [1]: cell constant, and the equation's own spread.
        t_c : float
            Lye temperature [degC], 0 to 100.
        gate : float
            As of `level_read`.
        """

        def read(x: FloatArray) -> float:
            w = self._clamped(float(x[_HYDROXIDE] / (x[_WATER] + x[_HYDROXIDE])), 0.44)
            kappa = float(np.asarray(conductivity_gilliam_s_cm(t_c, w)))
            return kappa * (1.0 + scale_u * float(x[_KAPPA]))

        return self._update(s_cm, u, *self._linear(read), gate=gate)

    # -- kept over a restart ---------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """Its state as JSON says it."""
        return {"x": self._x.tolist(), "p": self._p.tolist()}

    def load(self, saved: dict[str, Any]) -> None:
        """Take up a saved state."""
        x, p = np.asarray(saved["x"], dtype=np.float64), np.asarray(saved["p"], dtype=np.float64)
        if x.shape == (_SIZE,) and p.shape == (_SIZE, _SIZE):
            self._x, self._p = x, p

    # -- parts -----------------------------------------------------------------------------------------------

    def _one(self, row: int) -> Quantity:
        return Quantity(float(self._x[row]), math.sqrt(max(float(self._p[row, row]), 0.0)), "kg")

    def _u(self, slope: FloatArray) -> float:
        return math.sqrt(max(float(slope @ self._p @ slope), 0.0))

    def _clamped(self, w: float, most: float) -> float:
        return min(max(w, 0.0), most)

    def _fraction(self) -> tuple[float, FloatArray]:
        water, hydroxide = float(self._x[_WATER]), float(self._x[_HYDROXIDE])
        total = water + hydroxide
        slope = np.zeros(_SIZE)
        slope[_WATER], slope[_HYDROXIDE] = -hydroxide / total**2, water / total**2
        return hydroxide / total, slope

    def _volume_l(self, x: FloatArray, t_c: float = FILLED_AT_C) -> float:
        total = float(x[_WATER] + x[_HYDROXIDE])
        w = self._clamped(float(x[_HYDROXIDE]) / total, self._strongest)
        return 1e3 * total / _density(min(max(t_c, 4.0), 95.0), w, self.electrolyte)

    def _linear(self, of: Callable[[FloatArray], float]) -> tuple[float, FloatArray]:
        """Its value, and its gradient by central differences."""
        slope = np.zeros(_SIZE)
        for k in range(_SIZE):
            step = 1e-5 * max(abs(float(self._x[k])), 0.1)
            up, down = self._x.copy(), self._x.copy()
            up[k] += step
            down[k] -= step
            slope[k] = (of(up) - of(down)) / (2.0 * step)
        return of(self._x), slope

    def _update(
        self, measured: float, u: float, expected: float, slope: FloatArray, *, gate: float = math.inf
    ) -> Innovation:
        r = max(u, 1e-12) ** 2
        spread = float(slope @ self._p @ slope)
        innovation = measured - expected
        deviation = innovation / math.sqrt(spread + r)
        surprising = abs(deviation) > SURPRISING
        if abs(deviation) > gate:
            return Innovation(expected, measured, deviation, surprising)
        if surprising and spread > 0.0:
            # the masses' part alone: what is known of meters and of the filling is not what went wrong
            scale = np.ones(_SIZE)
            scale[:2] = math.sqrt(max((innovation**2 - r) / spread, 1.0))
            self._p *= np.outer(scale, scale)
            spread = float(slope @ self._p @ slope)
        gain = self._p @ slope / (spread + r)
        self._x = self._x + gain * innovation
        keep = np.eye(_SIZE) - np.outer(gain, slope)
        self._p = keep @ self._p @ keep.T + r * np.outer(gain, gain)  # Joseph's form, [2]
        self._p = 0.5 * (self._p + self._p.T)
        self._x[:2] = np.maximum(self._x[:2], 1e-9)
        return Innovation(expected, measured, deviation, surprising)


def _density(t_c: float, w: float, electrolyte: Electrolyte) -> float:
    return float(np.asarray(lye_density_kg_m3(t_c, w, electrolyte)))
