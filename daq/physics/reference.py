"""Reference conditions: the temperature and pressure to which a gas volume is reduced.

The bare words "STP", "NTP" and "standard" are refused: in use they mean anything from 22.41 to 24.79 litres
for one and the same mole, a spread of 10.6 %.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from daq.errors import UsageError
from daq.physics.constants import GAS_CONSTANT, KELVIN

__all__ = ["REFERENCE_CONDITIONS", "ReferenceCondition", "reference_condition"]


@dataclass(frozen=True, slots=True)
class ReferenceCondition:
    """A temperature and a pressure for stating gas volumes; the gas is meant dry.

    Attributes
    ----------
    t_c : float
        Temperature [degC].
    p_kpa : float
        Absolute pressure [kPa].
    origin : str
        Who uses this condition, in words; empty for the user's own.
    """

    t_c: float
    p_kpa: float
    origin: str = ""

    @property
    def name(self) -> str:
        """The name a bench file uses, such as ``0C_101.325kPa``."""
        return f"{self.t_c:.10g}C_{self.p_kpa:.10g}kPa"

    @property
    def words(self) -> str:
        """How the condition is shown: ``0 °C, 101.325 kPa``."""
        return f"{self.t_c:.10g} °C, {self.p_kpa:.10g} kPa"

    @property
    def t_k(self) -> float:
        """Temperature [K]."""
        return self.t_c + KELVIN

    @property
    def p_pa(self) -> float:
        """Absolute pressure [Pa]."""
        return self.p_kpa * 1000.0

    @property
    def molar_volume_l(self) -> float:
        """Volume of one mole of ideal gas [L/mol]. Real 2:1 gas differs by less than 0.01 %."""
        return GAS_CONSTANT * self.t_k / self.p_kpa

    def __str__(self) -> str:
        return self.words


_KNOWN = (
    ReferenceCondition(0.0, 100.0, "IUPAC since 1982"),
    ReferenceCondition(0.0, 101.325, "DIN 1343, the normal cubic metre"),
    ReferenceCondition(15.0, 101.325, "ISO 13443 and ISO 2533"),
    ReferenceCondition(20.0, 101.325, "NIST, EPA"),
    ReferenceCondition(25.0, 101.325, "EPA, room conditions"),
)
REFERENCE_CONDITIONS: Final = MappingProxyType({c.name: c for c in _KNOWN})
"""The named conditions, by name."""

_VAGUE = re.compile(r"\b(satp|stp|ntp|ntc|standard|normal|std|sccm|slpm|nm3|sl|nl|isa|anr)\b", re.IGNORECASE)
_PARTS = re.compile(
    r"""^\s*(?P<t>[+-]?\d+(?:\.\d+)?)\s*(?:°|deg)?\s*(?P<tu>[CKF])
        [\s_,;/]+(?:and\s+)?
        (?P<p>\d+(?:\.\d+)?)\s*(?P<pu>kPa|hPa|mbar|bar|atm|Pa)\s*$""",
    re.VERBOSE | re.IGNORECASE,
)
_TO_KPA: Final = {"kpa": 1.0, "hpa": 0.1, "mbar": 0.1, "bar": 100.0, "atm": 101.325, "pa": 0.001}
_T_RANGE = (-50.0, 100.0)
_P_RANGE = (50.0, 200.0)


def reference_condition(text: str, *, place: str = "reference") -> ReferenceCondition:
    """Read a reference condition.

    Parameters
    ----------
    text : str
        A name of `REFERENCE_CONDITIONS`, or a temperature (C, K or F) and an absolute pressure (kPa, hPa,
        mbar, bar, atm or Pa) such as ``20C_100kPa`` or ``20 °C, 1013.25 hPa``. Temperatures from -50 to
        100 degC and pressures from 50 to 200 kPa.
    place : str
        The key an error names.

    Raises
    ------
    UsageError
        For words without numbers, for anything unreadable, and for conditions out of range.
    """
    known = REFERENCE_CONDITIONS.get(text)
    if known is not None:
        return known
    names = ", ".join(REFERENCE_CONDITIONS)
    match = _PARTS.match(text)
    if match is None:
        if _VAGUE.search(text):
            message = "this word means different temperatures and pressures to different people"
        else:
            message = "this is no temperature and pressure"
        raise UsageError(
            message,
            place=place,
            value=text,
            remedy=f"write one of {names}, or your own as in 20C_100kPa",
        )
    t = float(match["t"])
    scale = match["tu"].upper()
    t_c = t if scale == "C" else t - KELVIN if scale == "K" else (t - 32.0) / 1.8
    t_c = round(t_c, 9)
    p_kpa = round(float(match["p"]) * _TO_KPA[match["pu"].lower()], 9)
    if not (_T_RANGE[0] <= t_c <= _T_RANGE[1] and _P_RANGE[0] <= p_kpa <= _P_RANGE[1]):
        raise UsageError(
            "no one states gas volumes at such a condition",
            place=place,
            value=text,
            remedy=f"give {_T_RANGE[0]:g} to {_T_RANGE[1]:g} C and an absolute pressure of "
            f"{_P_RANGE[0]:g} to {_P_RANGE[1]:g} kPa",
        )
    own = ReferenceCondition(t_c, p_kpa)
    return REFERENCE_CONDITIONS.get(own.name, own)
