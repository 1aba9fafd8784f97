"""The one alarm that the head of the page names."""

from __future__ import annotations

from typing import Any

from daq.service.words import alarm_words


def standing(title: str, priority: str, minute: int) -> dict[str, Any]:
    """One alarm that waits for a person."""
    since = f"2025-03-04T09:{minute:02d}:00Z"
    return {"title": title, "priority": priority, "state": "unacknowledged", "since_utc": since}


def test_the_newest_of_the_gravest_is_named() -> None:
    forecast = standing("Forecast: will cross 60 °C", "high", 10)
    crossed = standing("Lye temperature high", "high", 25)
    cold = standing("Room cold", "low", 30)
    text = alarm_words([forecast, crossed, cold])
    assert "3 to acknowledge" in text["words"]
    assert text["words"].endswith("Lye temperature high")
    assert text["worst"] == "high"
