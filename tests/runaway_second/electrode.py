"""Current of a cell from first principles: two electrodes, lye between them, a contact.

    V = E(T) + (R T / a F) asinh(j / 2 j_a) + (R T / b F) asinh(j / 2 j_b) + j (gap / kappa(T, w) + contact)

Exchange current densities j_a, j_b grow by Arrhenius' law. Unlike the published curves of
`tests.runaway_bench`, the parameters are drawn, one set a stack, from ranges of nickel and stainless steel in
KOH: relative slopes of the current from 0.006 to 0.05 for each kelvin.

References
----------
.. [1] R. L. LeRoy, C. T. Bowen, D. J. LeRoy, J. Electrochem. Soc. 127 (1980) 1954, DOI 10.1149/1.2130044:
   ``E = 1.5184 - 1.5421e-3 T + 9.523e-5 T ln T + 9.84e-8 T^2`` [V], T in K.
.. [2] R. J. Gilliam et al., Int. J. Hydrogen Energy 32 (2007) 359, DOI 10.1016/j.ijhydene.2006.10.062:
   conductivity of KOH.
.. [3] Ranges of exchange currents (1e-8 to 1e-3 A/cm2 at 25 degC), transfer coefficients (0.3 to 1.2) and
   activation energies (20 to 55 kJ/mol): common practice, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Cells", "FloatArray", "conductivity_s_cm", "reversible_v"]

FloatArray = NDArray[np.float64]

_R = 8.314462618
_F = 96485.33212
_M_KOH = 56.1056
_T0 = 298.15
_BUBBLES = 0.75
"""Of the conductivity of clear lye: about a sixth of the gap is gas (Bruggeman)."""


def reversible_v(t_k: FloatArray) -> FloatArray:
    """Reversible cell voltage at 1 atm [V], [1]; T in K."""
    return np.asarray(1.5184 - 1.5421e-3 * t_k + 9.523e-5 * t_k * np.log(t_k) + 9.84e-8 * t_k**2)


def conductivity_s_cm(t_k: FloatArray, w: FloatArray) -> FloatArray:
    """Conductivity of KOH of mass fraction `w` [S/cm], [2]; 0 to 100 degC, w to 0.45."""
    density = (1001.53 - 0.08343 * (t_k - 273.15) - 0.004 * (t_k - 273.15) ** 2) * np.exp(0.86 * w)
    m = w * density / _M_KOH
    return np.asarray(
        -2.041 * m - 0.0028 * m**2 + 0.005332 * m * t_k + 207.2 * m / t_k + 0.001043 * m**3
        - 3.0e-7 * m**2 * t_k**2
    )  # fmt: skip


@dataclass(slots=True)
class Cells:
    """Parameters by stack, any shape: exchange currents [A/cm2] at 25 degC, energies [J/mol], gap [cm],
    contact [ohm cm2].
    """

    exchange_a: FloatArray
    exchange_b: FloatArray
    energy_a: FloatArray
    energy_b: FloatArray
    share_a: FloatArray
    share_b: FloatArray
    gap_cm: FloatArray
    contact: FloatArray

    def volts(self, j: FloatArray, t_c: FloatArray, w: FloatArray) -> FloatArray:
        """Cell voltage at a current density [A/cm2]."""
        return self._volts(j, t_c, w)[0]

    def _volts(self, j: FloatArray, t_c: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Cell voltage, and its slope over ln j."""
        t = t_c + 273.15
        v = reversible_v(t)
        slope = np.zeros_like(v)
        colder = (1.0 / t - 1.0 / _T0) / _R
        for exchange, energy, share in (
            (self.exchange_a, self.energy_a, self.share_a),
            (self.exchange_b, self.energy_b, self.share_b),
        ):
            z = 0.5 * j / (exchange * np.exp(-energy * colder))
            v = v + _R * t / (share * _F) * np.arcsinh(z)
            slope = slope + _R * t / (share * _F) * z / np.sqrt(1.0 + z * z)
        ohmic = j * (self.gap_cm / (_BUBBLES * conductivity_s_cm(t, w)) + self.contact)
        return v + ohmic, slope + ohmic

    def density(self, v: FloatArray, t_c: FloatArray, w: FloatArray, guess: FloatArray) -> FloatArray:
        """Current density at a cell voltage [A/cm2], by Newton's method in ln j from a guess."""
        log_j = np.log(guess)
        for _ in range(30):
            at, slope = self._volts(np.exp(log_j), t_c, w)
            step = np.clip((v - at) / np.maximum(slope, 1e-6), -2.0, 2.0)
            log_j = np.maximum(log_j + step, -25.0)
            if np.abs(step).max() < 1e-8:
                break
        return np.asarray(np.exp(log_j))

    def take(self, index: NDArray[np.int64]) -> Cells:
        """Those of these stacks."""
        return Cells(*(getattr(self, f)[index] for f in self.__slots__))
