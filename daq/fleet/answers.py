"""What the fleet's API answers."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from daq.service.answers import Answer

__all__ = ["FleetAnswer", "FleetBench", "FleetHealth", "FleetSeries"]


class FleetHealth(Answer):
    """Whether the overview hears the broker."""

    status: Literal["ok", "impaired", "failed"]
    why: str | None
    spoilt_messages: int
    faults: int


class BenchLine(Answer):
    """One bench in the list."""

    bench: str
    name: str
    build: str
    run: str | None
    rank: int = Field(description="how urgent it is: 6 for a critical alarm, 0 for normal")
    state: str
    alarms: list[str]
    age_s: float | None
    utc_ns: int | None
    rows: int
    missing_batches: int
    values: dict[str, float | None]


class FleetAnswer(Answer):
    """All benches, the worst first, as of `utc_ns`."""

    utc_ns: int
    trouble: str | None
    benches: list[BenchLine]


class FleetBench(BenchLine):
    """One bench with what it says of itself, by stream."""

    told: dict[str, Any]
    units: dict[str, str]


class FleetTrace(Answer):
    """One channel: lowest and highest value of each span."""

    utc_s: list[float]
    lo: list[float | None]
    hi: list[float | None]


class FleetSeries(Answer):
    """The last minutes of a bench by channel."""

    bench: str
    seconds: float
    channels: dict[str, FleetTrace]
