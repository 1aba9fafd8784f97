"""The lye's properties for the simulation: `daq.physics`, held at the end of each published range.

A simulation must go on where a correlation ends (a boiling stack, a dried-out one), so here a value out of
range is taken at the range's end. The product's own numbers never are.
"""

from __future__ import annotations

from daq.errors import UsageError
from daq.physics.cell_voltage import v_rev_in_lye
from daq.physics.conductivity import conductivity_gilliam_s_cm
from daq.physics.lye import lye_density_kg_m3, lye_heat_capacity_j_kg_k
from daq.physics.moist_gas import vapour_per_dry, vapour_pressure_lye
from daq.sources.virtual_bench.parameters import StackParameters

__all__ = ["COUNTS_AS_BOILING", "LyeAt"]

COUNTS_AS_BOILING = 0.97
"""Vapour pressure over total pressure at which the lye counts as boiling [1]."""

_STRONGEST = {"KOH": 0.45, "NaOH": 0.30}
_WARMEST_C = 95.0
_COLDEST_C = 4.0


class LyeAt:
    """Properties of one stack's lye at a temperature [degC] and a mass fraction [1].

    Raises
    ------
    UsageError
        For NaOH without a conductivity of its own: no published correlation is at hand.
    """

    def __init__(self, stack: StackParameters) -> None:
        self._electrolyte = stack.electrolyte
        self._strongest = _STRONGEST[stack.electrolyte]
        self._kappa_25, self._kappa_per_k = stack.kappa_25_s_cm, stack.kappa_per_k
        if stack.electrolyte == "NaOH" and stack.kappa_25_s_cm is None:
            raise UsageError(
                "no published conductivity of NaOH is at hand",
                place="stack.kappa_25_s_cm",
                remedy="give the lye's conductivity at 25 degC, measured, and kappa_per_k",
            )

    def density_kg_m3(self, t_c: float, w: float) -> float:
        """[kg/m3]"""
        return float(lye_density_kg_m3(_clamped(t_c, 95.0), min(w, self._strongest), self._electrolyte))

    def heat_capacity_j_kg_k(self, t_c: float, w: float) -> float:
        """[J/(kg K)]"""
        return float(
            lye_heat_capacity_j_kg_k(_clamped(t_c, 100.0), min(w, self._strongest), self._electrolyte)
        )

    def conductivity_s_cm(self, t_c: float, w: float) -> float:
        """Free of bubbles [S/cm]; the stack's own value where it gives one, else Gilliam's for KOH."""
        if self._kappa_25 is not None:
            return self._kappa_25 * max(1.0 + self._kappa_per_k * (t_c - 25.0), 0.1)
        return float(conductivity_gilliam_s_cm(_clamped(t_c, 100.0), min(w, self._strongest)))

    def vapour_kpa(self, t_c: float, w: float) -> float:
        """[kPa]"""
        return float(vapour_pressure_lye(t_c, min(w, self._strongest), self._electrolyte))

    def vapour_per_gas(self, vapour_kpa: float, p_kpa: float) -> float:
        """Moles of vapour that a mole of dry gas carries off [1], at most what counts as boiling."""
        return float(vapour_per_dry(min(vapour_kpa, COUNTS_AS_BOILING * p_kpa), p_kpa))

    def v_rev(self, t_c: float, w: float, p_kpa: float) -> float:
        """Reversible voltage of a cell [V].

        Parameters
        ----------
        t_c, w : float
            As of the class [degC, 1].
        p_kpa : float
            Absolute pressure [kPa], 20 to 10000 and above the vapour's.
        """
        return float(
            v_rev_in_lye(_clamped(t_c, _WARMEST_C), min(w, self._strongest), p_kpa, self._electrolyte)
        )


def _clamped(t_c: float, most: float) -> float:
    return min(max(t_c, _COLDEST_C), most)
