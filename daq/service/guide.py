"""What one is seeing on a simulated bench: sentences for page and terminal, by what is so now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["guide_words"]

_HOT = ("lye_temp.high", "lye_temp.warn")


def guide_words(
    data: Mapping[str, Any],
    supply: Mapping[str, Any],
    trip: Mapping[str, Any] | None,
    standing: Sequence[Mapping[str, Any]],
) -> str:
    """What one is seeing, and what a person would do.

    Parameters
    ----------
    data, supply : mapping
        The words of the status band, each with its `state`.
    trip : mapping or None
        The standing trip.
    standing : sequence of mapping
        The alarms that are not normal.
    """
    active = {a["alarm"]: a for a in standing if a["active"]}
    if data["state"] != "fresh":
        return "The simulated bench is not heard; its readings come within seconds of its start."
    if trip is not None and supply["state"] == "tripped":
        return (
            "The reader has cut the supply by itself: it needs neither page nor person for that. The lye "
            "cools. On a real bench one now looks for the cause, and gives the supply back with the form."
        )
    if trip is not None:
        return "The supply is being cut; the page calls it cut when the readings show it, and not before."
    hot = next((active[name] for name in _HOT if name in active), None)
    if hot is not None:
        return (
            f"{hot['title']}: a limit is passed, and the alarm sounds until it is acknowledged. Left alone, "
            "it warms on, and the reader cuts the supply at the cut limit."
        )
    if "lye_temp.forecast" in active:
        return (
            "Nothing is too hot yet, but it will be: the watch foresees a limit, says when, and names the "
            "likeliest cause. This is the time to turn the voltage down or see to the fan."
        )
    if supply["state"] == "on":
        return (
            "The stack warms up under a held voltage. All is grey while all is normal; once the watch has "
            "seen enough it foresees where the temperature goes."
        )
    return "No current flows on the simulated bench."
