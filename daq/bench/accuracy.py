"""What a maker's accuracy line says: ``0.5 % of reading + 0.02``, ``1 % of range + 2 counts``."""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["Accuracy", "parse_accuracy"]

_TERM = re.compile(
    r"""^\s*(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*
        (?P<what>%\s*(?:of\s+)?(?:reading|rdg|range|rng|full\s+scale|fs)|%|counts?|digits?|dgt|[^\d%+\s]\S*)?\s*$""",
    re.VERBOSE | re.IGNORECASE,
)
FORM = 'write it as "0.5 % of reading + 0.02", with "% of range" or "counts" where the maker says so'


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A maker's accuracy specification, as limits of error (not standard uncertainties).

    Attributes
    ----------
    percent_of_reading : float
        [%] of the value shown.
    absolute : float
        In the channel's unit.
    percent_of_range : float
        [%] of the width of the channel's `valid` range.
    counts : float
        Multiples of the channel's `resolution`.
    """

    percent_of_reading: float = 0.0
    absolute: float = 0.0
    percent_of_range: float = 0.0
    counts: float = 0.0


def parse_accuracy(text: str, unit: str) -> Accuracy:
    """Parse an accuracy line; its absolute term may carry `unit`.

    Raises
    ------
    ValueError
        With the term that can not be read and how to write it.
    """
    parts = {"percent_of_reading": 0.0, "absolute": 0.0, "percent_of_range": 0.0, "counts": 0.0}
    # The plus of an exponent (1e+3) parts no terms.
    for term in re.split(r"(?<![eE])\+", text):
        match = _TERM.match(term)
        if match is None:
            raise ValueError(f'"{term.strip()}" is no accuracy term: {FORM}')
        number = abs(float(match["number"]))
        what = re.sub(r"\s+", " ", (match["what"] or "").lower())
        if "range" in what or "rng" in what or "full" in what or what.endswith("fs"):
            parts["percent_of_range"] += number
        elif what.startswith("%") and unit == "%" and what == "%":
            parts["absolute"] += number
        elif what == "%":
            raise ValueError(f'"{term.strip()}" does not say of what: {FORM}')
        elif what.startswith("%"):
            parts["percent_of_reading"] += number
        elif what.startswith(("count", "digit", "dgt")):
            parts["counts"] += number
        elif what in ("", unit.lower()):
            parts["absolute"] += number
        else:
            raise ValueError(f'"{term.strip()}" is in another unit than the channel\'s {unit}: {FORM}')
    return Accuracy(**parts)
