"""Constants, each with its source.

`FARADAY` and `GAS_CONSTANT` are exact since the SI of 2019: products of defined constants (CODATA 2018,
Tiesinga et al., Rev. Mod. Phys. 93 (2021) 025010, DOI 10.1103/RevModPhys.93.025010). Molar masses are the
conventional values of the Commission on Isotopic Abundances and Atomic Weights (CIAAW). Enthalpies and
entropies are the CODATA key values for thermodynamics (Cox, Wagman, Medvedev, 1989).
"""

from __future__ import annotations

from typing import Final

__all__ = [
    "ATMOSPHERE_KPA",
    "DELTA_H_298",
    "DELTA_H_298_U",
    "DELTA_S_298",
    "ELECTRONS_PER_H2",
    "FARADAY",
    "GAS_CONSTANT",
    "GRAVITY",
    "KELVIN",
    "LHV_MOLAR",
    "MIXED_GAS_PER_ELECTRON",
    "M_AIR",
    "M_H2",
    "M_H2O",
    "M_KOH",
    "M_MIXED_GAS",
    "M_NAOH",
    "M_O2",
    "molar_mass",
]

FARADAY: Final = 1.602176634e-19 * 6.02214076e23
"""[C/mol] exact: elementary charge times Avogadro constant."""
GAS_CONSTANT: Final = 1.380649e-23 * 6.02214076e23
"""[J/(mol K)] exact: Boltzmann constant times Avogadro constant."""
KELVIN: Final = 273.15
"""[K] at 0 degC, exact."""
ATMOSPHERE_KPA: Final = 101.325
"""[kPa] standard atmosphere, exact by definition (10th CGPM, 1954)."""
GRAVITY: Final = 9.80665
"""[m/s2] standard acceleration of free fall (3rd CGPM, 1901)."""

M_H2: Final = 2.01588
"""[g/mol] CIAAW conventional."""
M_O2: Final = 31.9988
"""[g/mol] CIAAW conventional."""
M_H2O: Final = 18.01528
"""[g/mol] CIAAW conventional."""
M_KOH: Final = 56.1056
"""[g/mol] CIAAW conventional."""
M_NAOH: Final = 39.9971
"""[g/mol] CIAAW conventional."""
M_AIR: Final = 28.9647
"""[g/mol] dry air, the mean of ISO 6976:2016."""
M_MIXED_GAS: Final = (2.0 * M_H2 + M_O2) / 3.0
"""[g/mol] mean of two parts hydrogen and one part oxygen."""

ELECTRONS_PER_H2: Final = 2.0
"""Electrons for one molecule of hydrogen."""
MIXED_GAS_PER_ELECTRON: Final = 0.75
"""[mol/mol] 1/2 H2 + 1/4 O2 for each electron and cell."""

DELTA_H_298: Final = 285_830.0
"""[J/mol] H2O(l) -> H2 + 1/2 O2 at 298.15 K, 1 bar: the higher heating value of hydrogen."""
DELTA_H_298_U: Final = 40.0
"""[J/mol] CODATA's uncertainty of it."""
DELTA_S_298: Final = 130.680 + 0.5 * 205.152 - 69.95
"""[J/(mol K)] of the same reaction, from CODATA's entropies of H2, O2 and H2O(l)."""
LHV_MOLAR: Final = 241_826.0
"""[J/mol] lower heating value of hydrogen, water as vapour (JANAF, 4th ed. 1998)."""

_ELECTROLYTES: Final = {"KOH": M_KOH, "NaOH": M_NAOH}


def molar_mass(electrolyte: str) -> float:
    """Molar mass of an electrolyte [g/mol]: "KOH" or "NaOH".

    Raises
    ------
    KeyError
        For any other name; bench files are checked before they come here.
    """
    return _ELECTROLYTES[electrolyte]
