"""What the logbook keeps, as plain records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

__all__ = [
    "ARCHIVE_STATE",
    "AlarmTransition",
    "BuildRecord",
    "CalibrationRecord",
    "FillRecord",
    "ForecastLog",
    "Gap",
    "LookRecord",
    "Mark",
    "RunRecord",
    "Transition",
    "TripRecord",
]


ARCHIVE_STATE: Final = "archive"
"""Key under which a sealing process says how the server of the archive is: `away_since_ns` and `error`, both
None when it takes samples, `refused_rows` and `spool_rows`."""


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One recording.

    Attributes
    ----------
    id : str
        `YYYYMMDD-HHMMSS` of its start in UTC, with the milliseconds behind it when that is taken.
    bench, name, build : str
        The bench it was made on, its title, and the revision of the stack.
    kind : str
        "run", "standby" (what is read between runs) or "import".
    start_utc_ns : int
        Wall time at the run's zero [ns since 1970-01-01 UTC].
    mono0_ns : int
        The host's monotonic clock at the run's zero [ns].
    clock_offset_ns : int
        Wall clock less monotonic clock at the start [ns].
    bench_toml, bench_json : str
        The bench as it was, as written and as read.
    ended_ns : int or None
        The run's time at its end [ns]; None while it is open.
    note : str
        Free words.
    rows : int
        Samples that were stored, as of the last touch.
    touched_utc_ns : int or None
        Wall time when the last samples were stored, to about half a minute [ns].
    """

    id: str
    bench: str
    kind: str
    name: str
    build: str
    start_utc_ns: int
    mono0_ns: int = 0
    clock_offset_ns: int = 0
    bench_toml: str = ""
    bench_json: str = "{}"
    ended_ns: int | None = None
    note: str = ""
    rows: int = 0
    touched_utc_ns: int | None = None


@dataclass(frozen=True, slots=True)
class BuildRecord:
    """What was written of a build: what it is, by whom, and when [ns since 1970-01-01 UTC]."""

    bench: str
    build: str
    description: str
    who: str
    t_utc_ns: int


@dataclass(frozen=True, slots=True)
class ForecastLog:
    """What one watch foresaw of a run, as it was said at the time.

    Attributes
    ----------
    from_ns, until_ns : int
        From the samples of which time of the run it was told, and up to which [ns].
    forecasts : tuple of dict
        One a minute while there was one, each with `at_s`, in order of time.
    warnings : tuple of dict
        `raised_s`, `cleared_s` (None while it stood), `reason`, ...
    """

    from_ns: int
    until_ns: int
    forecasts: tuple[dict[str, Any], ...]
    warnings: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples of a run that were taken and are not kept.

    Attributes
    ----------
    run_id : str
    start_ns, end_ns : int
        The run's time from the first of them to the last [ns].
    samples : int
        How many.
    why : str
        In words.
    source : str
        Whose; empty when of all sources.
    """

    run_id: str
    start_ns: int
    end_ns: int
    samples: int
    why: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class LookRecord:
    """A comparison of two builds that somebody asked for.

    Attributes
    ----------
    bench : str
        Whose runs they were.
    first, second : str
        The builds; the runs, where runs were compared one by one.
    metric : str
        Key of the result that the verdict was on.
    runs : tuple of (str, int)
        What was looked at: the runs' ids in order, each with how many of its blocks counted.
    t_utc_ns : int
        When it was first asked for [ns since 1970-01-01 UTC].
    kind : str
        The verdict's.
    low, high : float or None
        The interval for any number of looks that it went by.
    id : int
        In the logbook; 0 before it is kept.
    """

    bench: str
    first: str
    second: str
    metric: str
    runs: tuple[tuple[str, int], ...]
    t_utc_ns: int
    kind: str
    low: float | None = None
    high: float | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """A note pinned to an instant of a run. Kinds: note, reopened, lost, gap, clock_step, trip, reset ...

    Those of kind top_up and lye carry in `data` what was poured in or measured (`daq.watch.lye_entries`).
    """

    id: int
    run_id: str
    t_ns: int
    kind: str
    text: str
    who: str
    data: Mapping[str, Any] | None = None


class Transition(Protocol):
    """What the logbook needs to know of an alarm's change of state."""

    @property
    def t_ns(self) -> int: ...
    @property
    def alarm(self) -> str: ...
    @property
    def state_from(self) -> str: ...
    @property
    def state_to(self) -> str: ...
    @property
    def cause(self) -> str: ...
    @property
    def value(self) -> float | None: ...
    @property
    def who(self) -> str: ...
    @property
    def note(self) -> str: ...
    @property
    def priority(self) -> str: ...


@dataclass(frozen=True, slots=True)
class AlarmTransition:
    """One change of an alarm's state: what, when, why, and who."""

    run_id: str
    t_ns: int
    alarm: str
    state_from: str
    state_to: str
    cause: str
    value: float | None = None
    who: str = ""
    note: str = ""
    priority: str = "medium"


@dataclass(frozen=True, slots=True)
class TripRecord:
    """The supply was cut: when, why, by whom; and how the trip was cleared, when it was.

    `cause` is the first one; `later` holds those that came while the trip stood.
    """

    t_utc_ns: int
    run_id: str
    t_ns: int
    cause: str
    detail: str
    value: float | None = None
    by: str = ""
    cleared_utc_ns: int | None = None
    cleared_by: str = ""
    cleared_reason: str = ""
    id: int = field(default=0, compare=False)
    later: tuple[TripRecord, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class FillRecord:
    """A timed fill: when, of which build, by whom, and what it came to.

    Attributes
    ----------
    bench, build : str
    t_utc_ns : int
        When it was stopped, UTC [ns].
    body : dict
        The form as written down and the result, as anything JSON can say.
    run_id : str or None
        The run during which it was made.
    t_ns : int or None
        The run's time at its start [ns].
    who, note : str
    id : int
        Given by the logbook.
    """

    bench: str
    build: str
    t_utc_ns: int
    body: dict[str, Any]
    run_id: str | None = None
    t_ns: int | None = None
    who: str = ""
    note: str = ""
    id: int = 0


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """A calibration of one channel: when, against what, by whom, and the curve.

    Attributes
    ----------
    bench, channel : str
    t_utc_ns : int
        When it was made, UTC [ns].
    who : str
    reference : str
        The instrument or standard that it was made against.
    due_utc_ns : int or None
        When it is due again, UTC [ns].
    body : dict
        The points and the curve, as anything JSON can say.
    id : int
        Given by the logbook.
    withdrawn_utc_ns, withdrawn_by, withdrawn_reason
        Of one that turned out to be wrong; None while it stands.
    """

    bench: str
    channel: str
    t_utc_ns: int
    who: str
    reference: str
    due_utc_ns: int | None
    body: dict[str, Any]
    id: int = 0
    withdrawn_utc_ns: int | None = None
    withdrawn_by: str = ""
    withdrawn_reason: str = ""
