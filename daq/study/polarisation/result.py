"""What a polarisation comes to: each build's steps and curve, and what sets the builds apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field, PlainSerializer

from daq.study.polarisation.fit import Points, PolarisationFit
from daq.study.polarisation.points import Leak
from daq.study.polarisation.steps import OperatingPoint, Sweep
from daq.study.render import Internal, Number, TextOrNull, Unchecked, Value, with_schema

__all__ = ["BuildComparison", "BuildCurve", "PartDifference", "Polarisation", "RunPoint", "SweptRun"]

SCHEMA = "lyewatch.polarisation/1"


def _leak_amounts(leaks: tuple[Leak | None, ...]) -> list[Number | None]:
    return [None if x is None else Number(x.siemens, x.u95, "S") for x in leaks]


@dataclass(frozen=True, slots=True)
class SweptRun:
    """A run and the steps found in it."""

    run_id: Annotated[TextOrNull, Field(serialization_alias="id")]
    name: str
    build: Internal[str]
    start_utc_ns: int | None
    sweep: Internal[Sweep]


@dataclass(frozen=True, slots=True)
class RunPoint:
    """A step as JSON says it, as `OperatingPoint`."""

    run: TextOrNull
    from_s: float
    to_s: float
    density: Number
    cell_volts: Number
    lye_temp: Number
    used: bool
    reason: TextOrNull


@dataclass(frozen=True, slots=True)
class BuildCurve:
    """A build's steps and the curve through them.

    Attributes
    ----------
    name : str
    runs : tuple of SweptRun
    points : Points or None
    fit : PolarisationFit or None
        JSON has its parts.
    reason : str
        Why there is no fit.
    at_bounds : tuple of str
        As `PolarisationFit.at_bounds`.
    rms, mixing : float or None
        As of `PolarisationFit`.
    leaks : tuple of Leak or None
        Of each run.
    steps : tuple of RunPoint
        Of all runs.
    notes : tuple of str
    """

    name: str
    runs: tuple[SweptRun, ...]
    points: Internal[Points | None]
    fit: Annotated[
        PolarisationFit | None,
        Unchecked,
        PlainSerializer(lambda f: f and f.amounts(), return_type=dict[str, Number] | None),
        Field(serialization_alias="parts"),
    ]
    reason: TextOrNull
    at_bounds: tuple[str, ...]
    rms: Annotated[float | None, Field(serialization_alias="scatter_volts")]
    mixing: float | None
    leaks: Annotated[
        tuple[Leak | None, ...],
        Unchecked,
        PlainSerializer(_leak_amounts, return_type=list[Number | None]),
    ]
    steps: tuple[RunPoint, ...]
    notes: tuple[str, ...]

    @classmethod
    def of(
        cls,
        name: str,
        runs: tuple[SweptRun, ...],
        points: Points | None,
        leaks: tuple[Leak | None, ...],
        fit: PolarisationFit | None,
        reason: str,
        notes: tuple[str, ...],
    ) -> BuildCurve:
        """One with what follows from its runs and its fit.

        Parameters
        ----------
        name, runs, points, leaks, fit, reason, notes
            As the attributes.
        """
        return cls(
            name,
            runs,
            points,
            fit,
            reason,
            () if fit is None else fit.at_bounds,
            None if fit is None else fit.rms,
            None if fit is None else fit.mixing,
            leaks,
            tuple(_run_point(r.run_id, s) for r in runs for s in r.sweep.steps),
            notes,
        )


@dataclass(frozen=True, slots=True)
class PartDifference:
    """One part of one build less the first build's, with its 95 % interval [V]."""

    part: str
    value: float
    low: Annotated[float, Field(serialization_alias="low95")]
    high: Annotated[float, Field(serialization_alias="high95")]
    unit: str = "V"
    reason: TextOrNull = ""
    """Why the part can not be told at all; empty where it can."""

    @property
    def significant(self) -> bool:
        """Whether it is told apart from none."""
        return not self.reason and (self.low > 0.0 or self.high < 0.0)


@dataclass(frozen=True, slots=True)
class BuildComparison:
    """A build against the first, in one sentence and part by part; no parts where one has no fit."""

    first: str
    second: str
    sentence: str
    differences: tuple[PartDifference, ...]


def _at(unit: str) -> PlainSerializer:
    return PlainSerializer(lambda x: Value(x if math.isfinite(x) else None, unit), return_type=Value)


@dataclass(frozen=True, slots=True)
class Polarisation:
    """Builds side by side.

    Attributes
    ----------
    reference_c, at_density : float
        Where the parts hold [degC, mA/cm2]; NaN without any settled step.
    builds : tuple of BuildCurve
    comparisons : tuple of BuildComparison
        Of each build after the first.
    rests_on : tuple of str
        What it rests on and where it ends, in plain words.
    """

    reference_c: Annotated[float, _at("degC"), Field(serialization_alias="lye_temp")]
    at_density: Annotated[float, _at("mA/cm2"), Field(serialization_alias="current_density")]
    builds: tuple[BuildCurve, ...]
    comparisons: tuple[BuildComparison, ...]
    rests_on: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return with_schema(self, SCHEMA)


# -- parts -------------------------------------------------------------------------------------------------


def _run_point(run_id: str, s: OperatingPoint) -> RunPoint:
    density, volts, temp = (
        Number(v if math.isfinite(v) else None, u if math.isfinite(v) and math.isfinite(u) else None, unit)
        for v, u, unit in zip(
            (s.density, s.cell_volts, s.lye_temp), s.u95, ("mA/cm2", "V", "degC"), strict=True
        )
    )
    return RunPoint(run_id, s.from_s, s.to_s, density, volts, temp, not s.reason, s.reason)
