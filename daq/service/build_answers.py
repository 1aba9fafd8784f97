"""What the API answers of builds."""

from __future__ import annotations

from daq.service.answers import Answer
from daq.service.fill_answers import Fill
from daq.service.run_answers import Run

__all__ = ["Build", "Builds", "WholeBuild"]


class Build(Answer):
    """A build in the list of builds."""

    build: str
    description: str
    runs: int
    fills: int
    first_utc: str | None
    last_utc: str | None
    newest: Run | None


class Builds(Answer):
    """The bench's builds, the one that was run last first."""

    builds: list[Build]


class Calibrated(Answer):
    """A calibration in force: of which channel, when, against what, by whom, and until when."""

    channel: str
    calibration: int
    utc: str
    reference: str
    who: str
    due_utc: str | None


class Standing(Answer):
    """The newest comparison of this build with another: what it said, and its interval for any number of looks."""

    first: str
    second: str
    metric: str
    kind: str
    low: float | None
    high: float | None
    utc: str
    runs: int


class WholeBuild(Answer):
    """All of a build: what it is, its runs and fills, the calibrations in force, the comparisons that stand."""

    build: str
    bench: str
    description: str
    described_by: str
    described_utc: str | None
    runs: list[Run]
    fills: list[Fill]
    calibrations: list[Calibrated]
    comparisons: list[Standing]
