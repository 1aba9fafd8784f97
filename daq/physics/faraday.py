"""What the current could make: gas, hydrogen, oxygen, and the water it takes.

Faraday's law: each electron that passes a cell frees half a molecule of hydrogen and a quarter of a molecule
of oxygen, and takes half a molecule of water. Only the *mean* current counts; an RMS value must never enter.
"""

from __future__ import annotations

import numpy as np

from daq.physics._ranges import Num, plain, within
from daq.physics.constants import (
    ELECTRONS_PER_H2,
    FARADAY,
    GAS_CONSTANT,
    M_H2O,
    MIXED_GAS_PER_ELECTRON,
)
from daq.physics.reference import REFERENCE_CONDITIONS, ReferenceCondition, reference_condition

__all__ = [
    "REFERENCE_CONDITIONS",
    "ReferenceCondition",
    "current_for_gas_a",
    "faradaic_efficiency",
    "gas_rate_lpm",
    "gas_rate_mol_s",
    "h2_rate_mol_s",
    "mol_s_from_lpm",
    "molar_volume_l",
    "reference_condition",
    "water_rate_g_s",
]

_INF = float("inf")


def _charge_rate(place: str, current_a: Num, cells: Num, faradaic: Num) -> Num:
    """Moles of electrons a second that make gas, all cells together."""
    # Negative means appear when a sensor's zero is off; the law is linear, so they are let through.
    amps = within(current_a, -1e5, 1e5, place=place, name="current_a", unit="A")
    n = within(cells, 1.0, 1000.0, place=place, name="cells", unit="")
    share = within(faradaic, 0.0, 10.0, place=place, name="faradaic", unit="")
    return amps * n * share / FARADAY


@plain
def gas_rate_mol_s(current_a: Num, cells: Num, faradaic: Num = 1.0) -> Num:
    """Mixed gas (2 H2 + O2) made by a stack [mol/s]: ``0.75 cells I faradaic / F``.

    Parameters
    ----------
    current_a : float or array
        Mean current through the stack [A], at most 1e5 either way.
    cells : float or array
        Gaps in series between powered plates [1], 1 to 1000.
    faradaic : float or array
        Faradaic efficiency [1], 0 to 10.

    Raises
    ------
    PhysicsRangeError
        For values out of range.

    References
    ----------
    Faraday's law; F from CODATA 2018 (exact), DOI 10.1103/RevModPhys.93.025010.
    """
    return MIXED_GAS_PER_ELECTRON * _charge_rate("gas_rate_mol_s", current_a, cells, faradaic)


@plain
def h2_rate_mol_s(current_a: Num, cells: Num, faradaic: Num = 1.0) -> Num:
    """Hydrogen made by a stack [mol/s]: ``cells I faradaic / (2 F)``.

    Parameters
    ----------
    current_a, cells, faradaic : float or array
        As `gas_rate_mol_s` [A, 1, 1].
    """
    return _charge_rate("h2_rate_mol_s", current_a, cells, faradaic) / ELECTRONS_PER_H2


@plain
def water_rate_g_s(current_a: Num, cells: Num, faradaic: Num = 1.0) -> Num:
    """Water split by a stack [g/s], one molecule for each of hydrogen.

    What the gas carries off as vapour comes on top.

    Parameters
    ----------
    current_a, cells, faradaic : float or array
        As `gas_rate_mol_s` [A, 1, 1].
    """
    return M_H2O * _charge_rate("water_rate_g_s", current_a, cells, faradaic) / ELECTRONS_PER_H2


@plain
def molar_volume_l(t_k: Num, p_pa: Num) -> Num:
    """Volume of a mole of ideal gas [L/mol]: ``R T / p``.

    Parameters
    ----------
    t_k : float or array
        Temperature [K], 150 to 1000.
    p_pa : float or array
        Absolute pressure [Pa], 1e3 to 1e6; there hydrogen and oxygen stay within 1 % of ideal at room
        temperature (0.1 % at one atmosphere).

    Raises
    ------
    PhysicsRangeError
        For values out of range.
    """
    t = within(t_k, 150.0, 1000.0, place="molar_volume_l", name="t_k", unit="K")
    p = within(p_pa, 1e3, 1e6, place="molar_volume_l", name="p_pa", unit="Pa")
    return 1000.0 * GAS_CONSTANT * t / p


@plain
def gas_rate_lpm(current_a: Num, cells: Num, faradaic: Num = 1.0, *, reference: ReferenceCondition) -> Num:
    """Dry mixed gas made by a stack [L/min].

    Parameters
    ----------
    current_a, cells, faradaic : float or array
        As `gas_rate_mol_s` [A, 1, 1].
    reference : ReferenceCondition
        At which the flow is stated.
    """
    return gas_rate_mol_s(current_a, cells, faradaic) * (60.0 * reference.molar_volume_l)


@plain
def mol_s_from_lpm(flow_lpm: Num, reference: ReferenceCondition) -> Num:
    """Amount of dry gas in a flow stated at a reference condition [mol/s], flow in [L/min]."""
    flow = within(flow_lpm, -_INF, _INF, place="mol_s_from_lpm", name="flow_lpm", unit="L/min")
    return flow / (60.0 * reference.molar_volume_l)


@plain
def faradaic_efficiency(
    dry_flow_lpm: Num, current_a: Num, cells: Num, *, reference: ReferenceCondition
) -> Num:
    """Dry gas made over the gas the current could make [1].

    Parameters
    ----------
    dry_flow_lpm : float or array
        Dry mixed gas at `reference` [L/min].
    current_a, cells
        As `gas_rate_mol_s`; where the current is zero or less there is no efficiency: NaN.
    reference : ReferenceCondition
        The condition at which `dry_flow_lpm` is stated.

    Notes
    -----
    Results above 1 are returned as they come: they are a finding (steam, meter factor, wrong `cells`), and
    hiding it would hide the mistake.
    """
    dry_mol_s = mol_s_from_lpm(dry_flow_lpm, reference)
    could = gas_rate_mol_s(current_a, cells)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(np.asarray(could) > 0.0, np.divide(dry_mol_s, could), np.nan)


@plain
def current_for_gas_a(gas_mol_s: Num, cells: Num, faradaic: Num = 1.0) -> Num:
    """Mean current that makes a given rate of mixed gas [A]; the inverse of `gas_rate_mol_s`.

    Parameters
    ----------
    gas_mol_s : float or array
        Mixed gas [mol/s].
    cells : float or array
        As `gas_rate_mol_s` [1].
    faradaic : float or array
        Faradaic efficiency [1], 1e-6 to 10.
    """
    n = within(cells, 1.0, 1000.0, place="current_for_gas_a", name="cells", unit="")
    share = within(faradaic, 1e-6, 10.0, place="current_for_gas_a", name="faradaic", unit="")
    return gas_mol_s * FARADAY / (MIXED_GAS_PER_ELECTRON * n * share)
