"""What the API answers of timed fills."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from daq.service.answers import Answer, Finding, Quantity

__all__ = ["EdgeFills", "Fill", "Fills", "KeptFill", "StartedFill"]


class LabelledQuantity(Quantity):
    """A quantity with its name in words."""

    label: str


class Fill(Answer):
    """A kept fill: its numbers, and the lines for the bench file where it told a meter's factor."""

    id: int
    stopped_utc: str
    run: str | None
    t_s: float | None
    build: str
    who: str
    note: str
    volume_ml: float
    seconds: float
    numbers: dict[str, LabelledQuantity]
    reference: str
    findings: list[Finding]
    assumptions: list[str]
    bench_file: list[str]


class RepeatedQuantity(Answer):
    """A quantity over several fills: mean and repeatability."""

    n: int
    value: float
    u95: float | None
    repeatability_s: float | None
    student_t: float | None
    unit: str
    label: str


class RepeatedFills(Answer):
    """The fills of a build that has several."""

    build: str
    fills: list[int]
    numbers: dict[str, RepeatedQuantity]


class BuildDifference(Answer):
    """Dry MMW of a build less that of the first, as a share; `told`: whether they are told apart."""

    from_: str = Field(alias="from")
    value: float
    u95: float
    told: bool
    words: str


class BuildFills(Answer):
    """The fills of a build: on how many days, and their means."""

    build: str
    fills: list[int]
    days: int
    means: dict[str, RepeatedQuantity]
    difference: BuildDifference | None


class Fills(Answer):
    """The fill that is running, those that are kept, and their means by build."""

    open: dict[str, Any] | None
    fills: list[Fill]
    series: list[RepeatedFills]
    builds: list[BuildFills]


class KeptFill(Answer):
    """The fill was worked out and is kept."""

    ok: Literal[True]
    fill: Fill


class EdgeFills(Answer):
    """The fills that the level switch timed, and why others were refused."""

    ok: Literal[True]
    fills: list[Fill]
    refused: list[str]


class StartedFill(Answer):
    """The fill that is running."""

    ok: Literal[True]
    open: dict[str, Any]
