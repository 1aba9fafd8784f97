"""What the API answers of runs."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from daq.service.answers import Answer, Channel, Link, Quantity

__all__ = [
    "Imported",
    "Marked",
    "Marks",
    "Run",
    "RunOrder",
    "RunRecordAnswer",
    "RunResult",
    "Runs",
    "Series",
    "Transitions",
]


class MmwByFills(Answer):
    """Dry gas per watt by the run's timed fills."""

    value: float | None
    u95: float | None
    unit: str
    fills: int
    reference: str


class RunResult(Answer):
    """What a run came to: means over its longest steady phase, or over all that was powered and undisturbed."""

    phase: str | None
    duration_s: float | None
    reference: str
    numbers: dict[str, Quantity]
    findings: list[str]


class Run(Answer):
    """A run's line in the list; `result` is null until it has been worked out (`/api/runs/RUN/result`)."""

    id: str
    name: str
    build: str
    kind: str
    bench: str
    start_utc: str
    duration_s: float
    state: Literal["recording", "ended"]
    peak_lye_temp: float | None
    alarm_count: int
    mmw_by_fills: MmwByFills | None
    fill_count: int
    cut: bool = Field(description="whether the supply was cut in this run")
    note: str
    result: RunResult | None


class Runs(Answer):
    """The runs, newest first."""

    runs: list[Run]


class RunTrip(Answer):
    """A trip of the run."""

    cause: str
    detail: str
    utc: str
    t_s: float
    value: float | None


class RunRecordAnswer(Run):
    """All of a run's record."""

    bench_file: dict[str, Any]
    channels: list[Channel]
    trips: list[RunTrip]
    links: list[Link]


class RunOrder(Answer):
    """The reader started or stopped a run; `run` is what it said."""

    ok: Literal[True]
    run: str


class Trace(Answer):
    """One channel or number against time; `u95` and `window_s` only of a number."""

    unit: str
    t: list[float] = Field(description="seconds of the run")
    lo: list[float | None]
    hi: list[float | None]
    u95: list[float | None] | None = None
    window_s: float | None = None


class Series(Answer):
    """Channels and numbers of a run against time: the lowest and the highest value of each span."""

    run: str
    from_s: float
    to_s: float | None
    channels: dict[str, Trace]


class Mark(Answer):
    """A note pinned to an instant."""

    t_s: float
    kind: str
    text: str
    who: str
    data: dict[str, Any] | None = None
    """The numbers of an entry of the lye; the key is there for such a mark alone."""


class Marks(Answer):
    """A run's marks."""

    marks: list[Mark]


class Marked(Answer):
    """The note was pinned to this second of the run."""

    ok: Literal[True]
    t_s: float


class Transition(Answer):
    """An alarm that went from one state to another."""

    t_s: float
    alarm: str
    state_from: str = Field(alias="from")
    state_to: str = Field(alias="to")
    cause: str
    value: float | None
    who: str
    note: str
    priority: str
    unit: str


class Transitions(Answer):
    """Every transition of every alarm of a run."""

    alarms: list[Transition]


class Imported(Answer):
    """The run that a log became."""

    ok: Literal[True]
    run: str
    rows: int
    duration_s: float
    alarms: int
    channels: list[str]
    notes: list[str]
