"""What the runaway watch says, in sentences."""

from __future__ import annotations

from collections.abc import Mapping

from daq.forecast.causes import CAUSE_WORDS, Cause
from daq.forecast.ensemble import Band

__all__ = ["cause_in_words", "in_words", "span"]


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


def in_words(
    limit_c: float | None,
    time: Band | None,
    settles: Band,
    chance: float,
    cut: tuple[float, Band] | None = None,
) -> str:
    """Where it goes at these settings, and when: what is likelier first, and nothing that speaks against it.

    Parameters
    ----------
    limit_c : float or None
        The watched limit [degC].
    time : Band or None
        Until then [s].
    settles : Band
        Where it settles in the futures that `chance` makes the likelier [degC].
    chance : float
        That the limit is crossed.
    cut : tuple of float and Band, optional
        The temperature at which the supply is cut [degC], and the time until then [s].
    """
    if limit_c is not None and time is not None and time.value is not None:
        if time.value <= 0.0:
            return f"The lye is above its limit of {limit_c:g} °C.{_cut(cut)}"
        return (
            f"At these settings the lye does not settle below {limit_c:g} °C; "
            f"it crosses in about {span(time.value)}{_spans(time)}.{_cut(cut)}"
        )
    if settles.value is None:
        return "At these settings the lye does not settle."
    words = f"At these settings the lye settles at about {settles.value:.0f} °C{_degrees(settles)}"
    if limit_c is None:
        return f"{words}."
    if time is not None and time.low is not None:
        share = f" with a chance of {100.0 * chance:.0f} %" if chance >= 0.05 else ""
        return f"{words}; it may cross {limit_c:g} °C{share}, at the earliest in {span(time.low)}."
    return f"{words}, below its limit of {limit_c:g} °C."


def _cut(cut: tuple[float, Band] | None) -> str:
    if cut is None or cut[1].value is None or cut[1].value <= 0.0:
        return ""
    return f" The supply is cut at {cut[0]:g} °C, in about {span(cut[1].value)}{_spans(cut[1])}."


def cause_in_words(causes: Mapping[Cause, float]) -> str:
    """The likeliest cause with its probability, and the next where it is nearly as likely."""
    named = [(CAUSE_WORDS[c], p) for c, p in causes.items()]
    if not named:
        return ""
    what, p = named[0]
    # Nothing is certain of what a model says: 100 % would claim it.
    share = "over 95" if p > 0.95 else f"{100.0 * p:.0f}"
    words = f"Likely cause ({share} %): {what}."
    if len(named) > 1 and named[1][1] > 0.25:
        words += f" Or ({100.0 * named[1][1]:.0f} %): {named[1][0]}."
    return words
