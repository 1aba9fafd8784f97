"""The lye: density, concentration and heat capacity of KOH and NaOH solutions.

Concentration is the mass fraction throughout, the mass of hydroxide over the mass of solution; "28 % by
weight" is 0.28, which is 387.7 g in a litre of *water* and 355 g in a litre of *solution*.

References
----------
.. [1] M. Laliberte, J. Chem. Eng. Data 54 (2009) 1725, DOI 10.1021/je8008123: density and heat capacity, with
   coefficients and ranges from its supporting table.
.. [2] R. Gilliam, J. Graydon, D. Kirk, S. Thorpe, Int. J. Hydrogen Energy 32 (2007) 359,
   DOI 10.1016/j.ijhydene.2006.10.062: density of KOH as an exponential.
.. [3] G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, DOI 10.1021/je60064a005: density of water, as [1] uses it.
.. [4] C. O. Popiel, J. Wojtkowiak, Heat Transfer Eng. 19 (1998) 87, DOI 10.1080/01457639808939929: heat
   capacity of water.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, TypeAlias

import numpy as np

from daq.physics._ranges import FloatArray, Num, Outside, plain, within
from daq.physics._solve import inverted
from daq.physics.constants import molar_mass

__all__ = [
    "Electrolyte",
    "density_gilliam_kg_m3",
    "lye_density_kg_m3",
    "lye_heat_capacity_j_kg_k",
    "mass_fraction_from_density",
    "mass_fraction_from_molality",
    "mass_fraction_from_molarity",
    "molality_mol_kg",
    "molarity_mol_l",
    "strongest_density_published",
    "strongest_published",
]

Electrolyte: TypeAlias = Literal["KOH", "NaOH"]


@dataclass(frozen=True, slots=True)
class _Fit:
    """Coefficients of [1] for one solute, with the range of the data behind them."""

    c: tuple[float, float, float, float, float]
    t_density: tuple[float, float]
    w_density: float
    a: tuple[float, float, float, float, float, float]
    t_heat: tuple[float, float]
    w_heat: float


_LALIBERTE: Final = MappingProxyType(
    {
        "KOH": _Fit(
            c=(821.119043254761, 1043.20173374381, 0.112873330222752, 0.00124023636407386, 539.630388368877),
            t_density=(4.0, 95.0),
            w_density=0.51861,
            a=(
                -0.612709529812129,
                -0.0454225316920391,
                1.87598005977999,
                -5.62731016809735,
                2.42547035549534,
                1.24500822569176,
            ),
            t_heat=(4.0, 120.0),
            w_heat=0.465314066384833,
        ),
        "NaOH": _Fit(
            c=(
                319.020509469838,
                528.592358475315,
                -0.102197896602724,
                0.000350420706415566,
                765.970470238438,
            ),
            t_density=(4.0, 120.0),
            w_density=0.502885546184013,
            a=(
                -0.922780764834469,
                -0.0412353462450485,
                1.8722524604359,
                -5.94223565147303,
                3.13007617842649,
                0.141040805508813,
            ),
            t_heat=(4.0, 120.0),
            w_heat=0.303470562208185,
        ),
    }
)


def strongest_published(electrolyte: Electrolyte) -> float:
    """The mass fraction up to which both density and heat capacity are published [1], [1]."""
    fit = _LALIBERTE[electrolyte]
    return min(fit.w_density, fit.w_heat)


def strongest_density_published(electrolyte: Electrolyte) -> float:
    """The mass fraction up to which the density is published [1], [1]."""
    return _LALIBERTE[electrolyte].w_density


def _fraction(w: Num, high: float, place: str, outside: Outside) -> Num:
    return within(w, 0.0, high, place=place, name="mass_fraction", unit="", outside=outside)


def _t_density(t_c: Num, electrolyte: Electrolyte, place: str, outside: Outside) -> Num:
    t_range = _LALIBERTE[electrolyte].t_density
    return within(t_c, *t_range, place=place, name="t_c", unit="degC", outside=outside)


def _water_density_kell(t_c: Num) -> Num:
    """Density of water at one atmosphere [kg/m3], [3]; the one [1] was fitted with."""
    t = t_c
    top = (
        (((-2.8054253e-10 * t + 1.0556302e-7) * t - 4.6170461e-5) * t - 0.0079870401) * t + 16.945176
    ) * t + 999.83952
    return top / (1.0 + 0.01687985 * t)


@plain
def lye_density_kg_m3(
    t_c: Num, mass_fraction: Num, electrolyte: Electrolyte = "KOH", *, outside: Outside = "raise"
) -> Num:
    """Density of KOH or NaOH solution [kg/m3], [1].

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 4 to 95 for KOH, 4 to 120 for NaOH.
    mass_fraction : float or array
        Mass of hydroxide over mass of solution [1], up to 0.518 for KOH, 0.502 for NaOH.
    electrolyte : {"KOH", "NaOH"}
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".
    """
    fit = _LALIBERTE[electrolyte]
    place = "lye_density_kg_m3"
    t = _t_density(t_c, electrolyte, place, outside)
    w = _fraction(mass_fraction, fit.w_density, place, outside)
    c0, c1, c2, c3, c4 = fit.c
    apparent = (c0 * w + c1) * np.exp(1e-6 * (t + c4) ** 2) / (w + c2 + c3 * t)
    return 1.0 / ((1.0 - w) / _water_density_kell(t) + w / apparent)


@plain
def density_gilliam_kg_m3(t_c: Num, mass_fraction: Num, *, outside: Outside = "raise") -> Num:
    """Density of KOH solution [kg/m3], [2]: ``rho_water(t) exp(0.86 w)``.

    The conductivity of [2] is stated in the molarity that follows from this density. For the density itself
    prefer `lye_density_kg_m3`: at 30 % and 80 degC this one is 0.9 % high.

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 0 to 200.
    mass_fraction : float or array
        [1], 0 to 0.5.
    outside : {"raise", "nan"}
        What values out of range give.
    """
    place = "density_gilliam_kg_m3"
    t = within(t_c, 0.0, 200.0, place=place, name="t_c", unit="degC", outside=outside)
    w = _fraction(mass_fraction, 0.5, place, outside)
    return (-0.0032 * t * t - 0.1108 * t + 1001.7) * np.exp(0.86 * w)


@plain
def lye_heat_capacity_j_kg_k(
    t_c: Num, mass_fraction: Num, electrolyte: Electrolyte = "KOH", *, outside: Outside = "raise"
) -> Num:
    """Specific heat capacity of KOH or NaOH solution [J/(kg K)], [1].

    Parameters
    ----------
    t_c : float or array
        Temperature [degC], 4 to 100 (the fits reach 120; the water part used here ends at 100).
    mass_fraction : float or array
        [1], up to 0.465 for KOH, 0.303 for NaOH.
    electrolyte : {"KOH", "NaOH"}
    outside : {"raise", "nan"}

    Raises
    ------
    PhysicsRangeError
        For values out of range, unless `outside` is "nan".
    """
    fit = _LALIBERTE[electrolyte]
    place = "lye_heat_capacity_j_kg_k"
    t = within(t_c, fit.t_heat[0], 100.0, place=place, name="t_c", unit="degC", outside=outside)
    w = _fraction(mass_fraction, fit.w_heat, place, outside)
    a1, a2, a3, a4, a5, a6 = fit.a
    solute = a1 * np.exp(a2 * t + a3 * np.exp(0.01 * t) + a4 * w) + a5 * w**a6
    return (1.0 - w) * _water_heat_capacity(t) + 1000.0 * w * solute


def _water_heat_capacity(t_c: Num) -> Num:
    """Heat capacity of water at one atmosphere [J/(kg K)], [4]; 0 to 150 degC, within 0.1 % of IAPWS-95."""
    t = t_c
    root = np.sqrt(t)
    return 1000.0 * (
        4.2174356 + t * (-0.0056181625 + 0.0012992528 * root - 0.00011535353 * t + 4.14964e-6 * t * root)
    )


@plain
def molality_mol_kg(mass_fraction: Num, electrolyte: Electrolyte = "KOH") -> Num:
    """Moles of hydroxide in a kilogram of water [mol/kg]; `mass_fraction` [1] from 0 to 0.6."""
    w = _fraction(mass_fraction, 0.6, "molality_mol_kg", "raise")
    return 1000.0 * w / (molar_mass(electrolyte) * (1.0 - w))


@plain
def mass_fraction_from_molality(molality: Num, electrolyte: Electrolyte = "KOH") -> Num:
    """Mass fraction [1] of a molality [mol/kg], 0 to 40; the inverse of `molality_mol_kg`."""
    m = within(molality, 0.0, 40.0, place="mass_fraction_from_molality", name="molality", unit="mol/kg")
    mass = m * molar_mass(electrolyte)
    return mass / (1000.0 + mass)


@plain
def molarity_mol_l(
    t_c: Num, mass_fraction: Num, electrolyte: Electrolyte = "KOH", *, outside: Outside = "raise"
) -> Num:
    """Moles of hydroxide in a litre of solution [mol/L].

    Parameters
    ----------
    t_c, mass_fraction, electrolyte, outside
        As `lye_density_kg_m3`.
    """
    density = lye_density_kg_m3(t_c, mass_fraction, electrolyte, outside=outside)
    return mass_fraction * density / molar_mass(electrolyte)


@plain
def mass_fraction_from_molarity(
    t_c: Num, molarity: Num, electrolyte: Electrolyte = "KOH", *, outside: Outside = "raise"
) -> Num:
    """Mass fraction [1] of a molarity; the inverse of `molarity_mol_l`, to 1e-12.

    Parameters
    ----------
    t_c : float or array
        Lye temperature [degC], range of `lye_density_kg_m3`.
    molarity : float or array
        [mol/L]
    electrolyte : {"KOH", "NaOH"}
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        Where no mass fraction within the range of `lye_density_kg_m3` has this molarity, unless `outside` is
        "nan".
    """

    def molarity_at(t: FloatArray, w: FloatArray) -> FloatArray:
        return np.asarray(molarity_mol_l(t, w, electrolyte, outside="nan"))

    t = _t_density(t_c, electrolyte, "mass_fraction_from_molarity", outside)
    return inverted(
        molarity_at,
        t,
        molarity,
        0.0,
        _LALIBERTE[electrolyte].w_density,
        place="mass_fraction_from_molarity",
        name="molarity",
        unit="mol/L",
        outside=outside,
    )


@plain
def mass_fraction_from_density(
    t_c: Num, density_kg_m3: Num, electrolyte: Electrolyte = "KOH", *, outside: Outside = "raise"
) -> Num:
    """Mass fraction [1] of lye from its density, as a hydrometer reads it.

    The inverse of `lye_density_kg_m3`, to 1e-12. Carbonate from the air makes lye look stronger than it is.

    Parameters
    ----------
    t_c : float or array
        Lye temperature [degC], range of `lye_density_kg_m3`.
    density_kg_m3 : float or array
        [kg/m3]
    electrolyte : {"KOH", "NaOH"}
    outside : {"raise", "nan"}
        What values out of range give.

    Raises
    ------
    PhysicsRangeError
        Where no mass fraction within the range of `lye_density_kg_m3` has this density, unless `outside` is
        "nan".
    """

    def density_at(t: FloatArray, w: FloatArray) -> FloatArray:
        return np.asarray(lye_density_kg_m3(t, w, electrolyte, outside="nan"))

    t = _t_density(t_c, electrolyte, "mass_fraction_from_density", outside)
    return inverted(
        density_at,
        t,
        density_kg_m3,
        0.0,
        _LALIBERTE[electrolyte].w_density,
        place="mass_fraction_from_density",
        name="density_kg_m3",
        unit="kg/m3",
        outside=outside,
    )
