"""The words of the state: what a trip is dated by, and what is explained on a simulated bench."""

from __future__ import annotations

from typing import Any

import pytest

from daq.service.guide import guide_words
from daq.service.words import trip_dict
from daq.store import RunRecord

FRESH = {"state": "fresh"}
START_NS = 1_741_080_600_000_000_000
TRIP = {
    "t_utc_ns": START_NS + 20_000_000_000,
    "run_id": "20250304-093000",
    "t_ns": 480_000_000_000,
    "cause": "lye_temp.trip",
    "detail": "",
    "by": "guard",
    "later": [],
}


def alarm(name: str, *, active: bool = True) -> dict[str, Any]:
    return {"alarm": name, "title": "Lye temperature high", "active": active}


def test_a_trip_is_dated_by_the_clock_of_its_run_as_its_alarms_are() -> None:
    # A device that paces the run at 24 times real speed: 480 s of the run in 20 s.
    run = RunRecord("20250304-093000", "water-torch", "run", "", "A", start_utc_ns=START_NS)
    own, other, none = trip_dict(TRIP, run), trip_dict({**TRIP, "run_id": "another"}, run), trip_dict(TRIP)
    assert own is not None
    assert other is not None
    assert none is not None
    assert own["utc"] == "2025-03-04T09:38:00.000Z"
    assert other["utc"] == none["utc"] == "2025-03-04T09:30:20.000Z"


@pytest.mark.parametrize(
    ("data", "supply", "trip", "standing", "says"),
    [
        ({"state": "none"}, "unknown", None, [], "is not heard"),
        (FRESH, "on", None, [], "warms up"),
        (FRESH, "on", None, [alarm("lye_temp.forecast")], "it will be"),
        (FRESH, "on", None, [alarm("lye_temp.forecast"), alarm("lye_temp.high")], "a limit is passed"),
        (FRESH, "on", None, [alarm("lye_temp.high", active=False)], "warms up"),
        (FRESH, "cutting", TRIP, [alarm("lye_temp.high")], "is being cut"),
        (FRESH, "tripped", TRIP, [alarm("lye_temp.high")], "has cut the supply by itself"),
        (FRESH, "unknown", TRIP, [], "and not before"),
        (FRESH, "off", None, [], "No current flows"),
    ],
)
def test_what_one_sees_is_told_by_what_is_so(
    data: dict[str, Any], supply: str, trip: dict[str, Any] | None, standing: list[dict[str, Any]], says: str
) -> None:
    assert says in guide_words(data, {"state": supply}, trip, standing)
