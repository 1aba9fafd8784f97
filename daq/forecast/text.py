"""What the runaway watch says, in sentences."""

from __future__ import annotations

from daq.forecast.ensemble import Band

__all__ = ["in_words", "span"]


def span(seconds: float) -> str:
    """A time as one would say it: ``48 min``, ``2 h 10 min``."""
    minutes = round(seconds / 60.0)
    if minutes < 1:
        return "less than a minute"
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(5 * round(minutes / 5), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def _spans(band: Band) -> str:
    low = None if band.low is None else span(band.low)
    high = None if band.high is None else span(band.high)
    if low is None or low == high:
        return ""
    return f" (at the earliest {low})" if high is None else f" ({low} to {high})"


def _degrees(band: Band) -> str:
    if band.low is None or band.high is None:
        return ""
    return f" ({band.low:.0f} to {band.high:.0f} °C)"


def in_words(limit_c: float | None, time: Band | None, settles: Band) -> str:
    """One sentence: where it goes at these settings, and when."""
    if limit_c is not None and time is not None and time.value is not None:
        if time.value <= 0.0:
            return f"The lye is above its limit of {limit_c:g} °C."
        return (
            f"At these settings the lye does not settle below {limit_c:g} °C; "
            f"it crosses in about {span(time.value)}{_spans(time)}."
        )
    if settles.value is None:
        return "At these settings the lye does not settle."
    words = f"At these settings the lye settles at about {settles.value:.0f} °C{_degrees(settles)}"
    if limit_c is None:
        return f"{words}."
    if time is not None and time.low is not None:
        return f"{words}; it may cross {limit_c:g} °C, at the earliest in {span(time.low)}."
    return f"{words}, below its limit of {limit_c:g} °C."
