"""Current of a cell by voltage, temperature and strength of lye, from three published polarisation sets.

The sets are bundled with aec-modelling: `ulleberg` (DOI 10.1016/S0360-3199(02)00033-2) and
`degroot_temperature`, `degroot_pressure` (DOI 10.1016/j.ijhydene.2022.08.075). Its four-parameter law is
fitted to each; a contact resistance, which no temperature changes, comes on top.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from aec_modelling import AECModel, cell_voltage, datasets, fit_polarization
from numpy.typing import NDArray

__all__ = ["CONTACTS_OHM_CM2", "SETS", "Electrodes", "electrodes"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SETS: Final = ("ulleberg", "degroot_temperature", "degroot_pressure")
CONTACTS_OHM_CM2: Final = (0.0, 0.3, 0.8)

_V = np.arange(1.30, 3.001, 0.02)
_T = np.arange(0.0, 112.6, 2.5)
_W = np.arange(0.10, 0.4501, 0.05)
_MA_PER_A = 1000.0


class Electrodes:
    """Tables of ln j [ln(mA/cm2)] for each pair of literature set and contact resistance."""

    def __init__(self) -> None:
        self.models: list[AECModel] = [
            fit_polarization(datasets.load(name), activation="asinh").model.with_conditions(P=1.01325)
            for name in SETS
        ]
        tables = [self._table(m, rc) for m in self.models for rc in CONTACTS_OHM_CM2]
        self._tables: FloatArray = np.stack(tables)
        self._parameters: FloatArray = np.array(
            [[m.delta_l, m.alpha, m.C1, m.C2] for m in self.models for _ in CONTACTS_OHM_CM2]
        ).T
        self._contact: FloatArray = np.tile(CONTACTS_OHM_CM2, len(SETS))

    @staticmethod
    def _table(model: AECModel, contact: float) -> FloatArray:
        v, t, w = np.meshgrid(_V, _T + 273.15, _W, indexing="ij")
        low = np.full(v.shape, -12.0)
        high = np.full(v.shape, 11.0)
        for _ in range(40):
            middle = 0.5 * (low + high)
            j = np.exp(middle)
            above = model.voltage(j, t, None, w) + j * contact / _MA_PER_A > v
            high = np.where(above, middle, high)
            low = np.where(above, low, middle)
        return np.asarray(0.5 * (low + high))

    def current_density(self, which: IntArray, v: FloatArray, t_c: FloatArray, w: FloatArray) -> FloatArray:
        """Current density [mA/cm2] at cell volts, trilinear in the logarithm."""
        fv = np.clip((v - _V[0]) / 0.02, 0.0, len(_V) - 1.001)
        ft = np.clip((t_c - _T[0]) / 2.5, 0.0, len(_T) - 1.001)
        fw = np.clip((w - _W[0]) / 0.05, 0.0, len(_W) - 1.001)
        iv, it, iw = fv.astype(np.int64), ft.astype(np.int64), fw.astype(np.int64)
        rv, rt, rw = fv - iv, ft - it, fw - iw
        total = np.zeros(np.broadcast(fv, ft, fw).shape)
        for dv in (0, 1):
            for dt in (0, 1):
                for dw in (0, 1):
                    weight = (rv if dv else 1.0 - rv) * (rt if dt else 1.0 - rt) * (rw if dw else 1.0 - rw)
                    total += weight * self._tables[which, iv + dv, it + dt, iw + dw]
        return np.exp(total)

    def voltage(self, which: IntArray, j: FloatArray, t_c: FloatArray, w: FloatArray) -> FloatArray:
        """Cell volts at a current density [mA/cm2], from the fitted law itself."""
        delta_l, alpha, c1, c2 = self._parameters[:, which]
        volts = cell_voltage(j, t_c + 273.15, 1.01325, w, delta_l, alpha, c1, c2, activation="asinh")
        return np.asarray(volts + j * self._contact[which] / _MA_PER_A)


@cache
def electrodes() -> Electrodes:
    """The tables, made once a process."""
    return Electrodes()
