"""What a maker's accuracy line says: ``0.5 % of reading + 0.02``, ``±(0.5 % rdg + 2 dgt)``, ``1 % FS``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, fields

from daq.bench.units import factor_between, unit_named

__all__ = ["Accuracy", "parse_accuracy"]

_NUMBER = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_TERM = re.compile(rf"^(?P<number>{_NUMBER})\s*(?P<what>.*)$", re.DOTALL)
_STATED = re.compile(rf"^(?:of|at)\s+(?P<at>{_NUMBER})\s*(?P<unit>\S.*)$")
_READING = frozenset(
    {
        "reading",
        "rdg",
        "rd",
        "r",
        "o.r.",
        "value",
        "measured",
        "measuredvalue",
        "measuredreading",
        "mv",
        "m.v.",
        "v.m.",
        "indicated",
        "indicatedvalue",
        "measurement",
    }
)
_RANGE = frozenset(
    {
        "range",
        "rng",
        "span",
        "fs",
        "f.s.",
        "fullscale",
        "full-scale",
        "fullrange",
        "fsr",
        "fso",
        "f.s.o.",
        "measuringrange",
    }
)
_COUNTS = frozenset(
    {
        "count",
        "counts",
        "cts",
        "digit",
        "digits",
        "dig",
        "digs",
        "dgt",
        "dgts",
        "d",
        "lsd",
        "lsds",
        "lsb",
        "lsbs",
    }
)
_TEMPERATURES = ("K", "degF")
FORM = (
    'write it as "0.5 % of reading + 0.02", with "% of range" or "counts" where the maker says so; what '
    "counts are is said by resolution, and what the range is by valid = [low, high]"
)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A maker's accuracy specification, as limits of error (not standard uncertainties); none is negative.

    Attributes
    ----------
    percent_of_reading : float
        [%] of the value shown.
    absolute : float
        In the channel's unit.
    percent_of_range : float
        [%] of the width of the channel's `valid` range, whether the maker calls it range, span or full scale.
    counts : float
        Multiples of the channel's `resolution`: counts, digits, least significant digits.

    Raises
    ------
    ValueError
        For a limit that is negative or no number.
    """

    percent_of_reading: float = 0.0
    absolute: float = 0.0
    percent_of_range: float = 0.0
    counts: float = 0.0

    def __post_init__(self) -> None:
        for each in fields(self):
            limit = getattr(self, each.name)
            if not (math.isfinite(limit) and limit >= 0.0):
                raise ValueError(
                    f"{each.name} is {limit:g}, and a limit of error is never negative: drop its sign"
                )


def parse_accuracy(text: str, unit: str) -> Accuracy:
    """Parse an accuracy line.

    Parameters
    ----------
    text : str
        Terms joined by ``+`` or ``±``, in the maker's words: a share of the reading or of the range (``%`` or
        ``ppm``), a share of a stated value (``0.5 % of 25 A``), counts, or a number in a unit that can be
        turned into the channel's.
    unit : str
        The channel's, as the bench file writes it.

    Raises
    ------
    ValueError
        With the term that can not be read and how to write it.
    """
    parts = dict.fromkeys((f.name for f in fields(Accuracy)), 0.0)
    for term in _terms(text):
        name, limit = _limit(term, unit)
        parts[name] += limit
    return Accuracy(**parts)


def _terms(text: str) -> list[str]:
    """The terms without signs and brackets."""
    plain = re.sub(r"\+\s*/\s*-|\+-|±", "±", text).strip()
    whole = re.fullmatch(r"±?\s*[(\[](?P<inside>[^()\[\]]*)[)\]]", plain)
    plain = whole["inside"] if whole else plain
    plain = plain.strip().removeprefix("±").removeprefix("+")
    # The plus of an exponent (1e+3) parts no terms.
    terms = [term.strip() for term in re.split(r"(?<![eE])\+\s*±?|±|(?<=\S)\s+and\s+", plain)]
    for term in terms:
        if term.startswith(("-", "−")):
            raise ValueError(f'"{term}" is negative, and a limit of error never is: drop its sign; {FORM}')
    return terms


def _limit(term: str, unit: str) -> tuple[str, float]:
    """Which part of an `Accuracy` a term is, and how much."""
    match = _TERM.match(term)
    if match is None or re.match(r",\d", match["what"]):
        point = "; a decimal point is a point" if match is not None else ""
        raise ValueError(f'"{term}" is no accuracy term: {FORM}{point}')
    number, what = float(match["number"]), match["what"].strip()
    share = re.match(r"(?P<sign>%|percent\b|ppm\b)\s*(?P<of>.*)$", what, re.IGNORECASE | re.DOTALL)
    if share is not None:
        percent = number if share["sign"].lower() != "ppm" else 1e-4 * number
        return _share(term, percent, share["of"].strip(), share["sign"], unit)
    word = re.sub(r"\s+", "", what.lower())
    if word in _COUNTS or word in ("leastsignificantdigit", "leastsignificantdigits"):
        return "counts", number
    if not what:
        return "absolute", number
    return "absolute", number * _factor(term, what, unit)


def _share(term: str, percent: float, of: str, sign: str, unit: str) -> tuple[str, float]:
    """A share of something: of the reading, of the range, or of a value that is stated."""
    stated = _STATED.match(of)
    if stated is not None:
        return "absolute", 0.01 * percent * float(stated["at"]) * _factor(term, stated["unit"].strip(), unit)
    word = re.sub(r"^(of|from)?(the)?", "", re.sub(r"[\s_]+", "", of.lower()))
    if word in _RANGE or word.removesuffix("s") in _RANGE:
        return "percent_of_range", percent
    if unit == "%" and sign == "%" and word in ("", "rh", "r.h."):
        return "absolute", percent
    if word in _READING:
        if unit in _TEMPERATURES:
            raise ValueError(
                f'"{term}" of a temperature in {unit}: 1 % of 300 K is 3 K, and 1 % of the same 26.85 degC '
                "is 0.27 K; makers mean one or the other. Say of which value, as in "
                f'"{percent:g} % of 60 degC", or write the limit itself, as in "0.3 {unit}"'
            )
        return "percent_of_reading", percent
    if not word:
        raise ValueError(f'"{term}" does not say of what: {FORM}')
    raise ValueError(f'"{term}" is a share of something that is not known: {FORM}')


def _factor(term: str, written: str, unit: str) -> float:
    """What turns a difference in the unit that is written into one in the channel's."""
    name = unit_named(written)
    if name == unit or written.lower() == unit.lower():
        return 1.0
    factor = factor_between(name, unit)
    if factor is None:
        raise ValueError(f'"{term}" is in another unit than the channel\'s {unit}: {FORM}')
    return factor
