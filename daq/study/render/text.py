"""Numbers, spans and dates as a reader of a report would write them."""

from __future__ import annotations

from daq.measure import unit_words
from daq.quantity import shown, shown_time
from daq.study.render.models import Number


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
