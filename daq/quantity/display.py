"""Rounding for display: as many digits as the uncertainty leaves meaning to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import ROUND_HALF_UP, Decimal

__all__ = ["Shown", "duration_words", "shown", "shown_time"]


@dataclass(frozen=True, slots=True)
class Shown:
    """A rounded value as text.

    Attributes
    ----------
    value, u : str
        Value and expanded uncertainty to the same decimal place; `u` is empty where none is known.
    unit : str
    """

    value: str
    u: str
    unit: str

    @property
    def text(self) -> str:
        """All in one: ``4.55 ± 0.12 mL/min/W``."""
        number = f"{self.value} ± {self.u}" if self.u else self.value
        return f"{number} {self.unit}".rstrip()


def shown(value: float | None, u95: float | None, unit: str = "", *, digits: int = 2) -> Shown:
    """Round `value` and its expanded uncertainty to `digits` significant digits of the uncertainty.

    JCGM 100:2008, 7.2.6. Rounding is to nearest, halves away from zero, on the shortest decimal that stands
    for the float. No exponent is used: ``12340 ± 560``.

    Parameters
    ----------
    value : float or None
        None, NaN or infinite gives a dash.
    u95 : float or None
        Expanded uncertainty; None, NaN, infinite or zero means that none is known, and the value is shown to
        four significant digits.
    unit : str
    digits : int
        Significant digits of `u95`, 1 or 2.
    """
    if value is None or not math.isfinite(value):
        return Shown("–", "", unit)
    number = Decimal(repr(float(value)))
    if u95 is None or not math.isfinite(u95) or u95 <= 0.0:
        place = (number.adjusted() if number else 0) - 3
        return Shown(_text(_rounded(number, place), place), "", unit)
    spread = Decimal(repr(float(u95)))
    place = spread.adjusted() - digits + 1
    rounded = _rounded(spread, place)
    if rounded.adjusted() > spread.adjusted():
        # 0.0996 rounds to 0.100: two digits of that are 0.10
        place += 1
        rounded = _rounded(spread, place)
    return Shown(_text(_rounded(number, place), place), _text(rounded, place), unit)


def _rounded(number: Decimal, place: int) -> Decimal:
    """`number` to the decimal place 10^`place`."""
    return number.scaleb(-place).quantize(Decimal(1), rounding=ROUND_HALF_UP).scaleb(place)


def _text(number: Decimal, place: int) -> str:
    text = f"{number:.{max(-place, 0)}f}"
    return text[1:] if text.startswith("-") and not any(c in "123456789" for c in text) else text


def shown_time(utc_ns: int) -> str:
    """An instant [ns since 1970, UTC] in this computer's zone, which is named by its offset from UTC.

    Examples
    --------
    ``2025-03-04 15:02:11 UTC+01:00``, and ``... UTC`` where there is no offset.
    """
    local = datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone()
    offset = local.strftime("%z")
    return f"{local:%Y-%m-%d %H:%M:%S} UTC{'' if offset == '+0000' else f'{offset[:3]}:{offset[3:5]}'}"


def duration_words(seconds: float) -> str:
    """A span as a person would say it: ``0.1 s``, ``42 s``, ``6 min 10 s``, ``2 h 05 min``."""
    whole = round(seconds)
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
