"""Numbers, spans and dates as a reader of a report would write them."""

from __future__ import annotations

from daq.measure import unit_words
from daq.quantity import duration_words, shown, shown_time
from daq.study.render.models import Number

__all__ = ["clock_words", "date_words", "duration_words", "number_words"]


def clock_words(seconds: float) -> str:
    """An instant of the run: ``1:02:03``."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d}"


def date_words(start_utc_ns: int | None) -> str:
    """A start as a date in this computer's zone, which is named, as on the pages; a dash where not known."""
    return "–" if start_utc_ns is None else shown_time(start_utc_ns)


def number_words(number: Number) -> str:
    """A number with its expanded uncertainty, rounded by it: ``4.51 ± 0.37 mL/min/W``."""
    unit = unit_words(number.unit) if number.value is not None else ""
    return shown(number.value, number.u95, unit).text
