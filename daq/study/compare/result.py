"""A comparison as a typed result, from which its JSON and its schema follow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field

from daq.measure import FloatArray
from daq.store import LookRecord
from daq.study.compare.band import ConfidenceBand, Curve
from daq.study.compare.bench_differences import BenchDifference
from daq.study.compare.comparison import Comparison, Difference, Group
from daq.study.compare.days import StatedBy
from daq.study.compare.document import basis
from daq.study.compare.equal_lye import EqualLye
from daq.study.compare.looks import left_out
from daq.study.compare.verdict import Verdict, verdict
from daq.study.render import Count, FiniteOrNull, Magnitude, Number, Share, TextOrNull, Value, with_schema
from daq.study.render import OrAbsent as Maybe

__all__ = ["ComparisonResult", "DifferenceResult", "KnownDifference", "as_dict", "difference_result"]

SCHEMA = "lyewatch.compare/1"
METHOD = (
    "one look: Student's t of the runs' scatter (Satterthwaite) from two repeats on, else a half-t "
    "distribution of the scatter (Gelman 2006, 10.1214/06-BA117A); any look: Robbins' confidence sequence "
    "with a Cauchy mixture (10.1214/aoms/1177696786; Howard et al. 2021, 10.1214/20-AOS1991)"
)
_UNITS = {"lye_temp": "degC", "density": "mA/cm2", "cell_volts": "V"}


@dataclass(frozen=True, slots=True)
class Series:
    """Values over the temperatures."""

    unit: str
    value: Sequence[float]


@dataclass(frozen=True, slots=True)
class LevelSeries(Series):
    """A build's own, with its expanded uncertainty (k = 2)."""

    u95: Sequence[float]


@dataclass(frozen=True, slots=True)
class DifferenceSeries(Series):
    """With 95 % intervals at each temperature, and at all of them together."""

    low95: Sequence[float]
    high95: Sequence[float]
    low95_all: Sequence[float]
    high95_all: Sequence[float]


@dataclass(frozen=True, slots=True)
class SlopeDifference:
    """By how much the difference changes for each 10 K."""

    at: Value
    value: float
    low95: float
    high95: float
    unit: str


@dataclass(frozen=True, slots=True)
class OverTemperature:
    """The difference over the temperatures that both builds had; `reason` alone where that is not told."""

    reason: str | None
    lye_temp: Maybe[Series] = None
    levels: Maybe[Sequence[LevelSeries]] = None
    difference: Maybe[DifferenceSeries] = None
    change_per_10_k: Maybe[SlopeDifference] = None
    slopes_differ: Maybe[bool] = None


@dataclass(frozen=True, slots=True)
class HalfWidths:
    """Of the interval, from each cause alone."""

    noise: float
    between_runs: FiniteOrNull
    calibration: float
    calibration_mostly_from: TextOrNull
    calibration_of_each_run: FiniteOrNull
    noise_by_cosine_scores: FiniteOrNull


@dataclass(frozen=True, slots=True)
class DayScatter:
    """What is known of the scatter from run to run, on the scale of the differences."""

    sd: Magnitude
    sd_low90: Magnitude
    sd_high90: Magnitude
    from_: Annotated[Literal["repeats", "stated"], Field(serialization_alias="from")]
    stated_share: Share
    stated_by: StatedBy
    method: str


@dataclass(frozen=True, slots=True)
class DifferenceResult:
    """A difference that could not be had, and why; a "ratio" is a share [1]."""

    metric: str
    label: str
    scale: Literal["ratio", "difference"]
    unit: str
    better: Literal["higher", "lower"] | None
    value: FiniteOrNull
    low95: FiniteOrNull
    high95: FiniteOrNull
    low95_any_look: FiniteOrNull
    high95_any_look: FiniteOrNull
    reason: TextOrNull


@dataclass(frozen=True, slots=True)
class KnownDifference(DifferenceResult):
    """A difference with its 95 % intervals, and what these are made of."""

    levels: Sequence[Number]
    half_width_alone: HalfWidths
    between_dof: Count
    days: DayScatter | None
    day_sd: FiniteOrNull
    matched: Mapping[str, Value]
    not_adjusted: Sequence[str]
    blocks: Sequence[Count]
    hours: Sequence[Magnitude]
    noise_correlation: FiniteOrNull
    over_temperature: OverTemperature | None


@dataclass(frozen=True, slots=True)
class GroupRun:
    """A run, and what of it was compared."""

    id: str
    name: str
    build: str
    bench: str
    start_utc_ns: int | None
    blocks: Count
    block_s: Magnitude
    notes: Sequence[str]


@dataclass(frozen=True, slots=True)
class GroupResult:
    """Runs of one build."""

    name: str
    hours: Magnitude
    runs: Sequence[GroupRun]


@dataclass(frozen=True, slots=True)
class LyeResult:
    """What was done about lyes that differ in strength."""

    brought_to_percent: float | None
    ranges_percent: Sequence[Sequence[FiniteOrNull]]
    gas_per_watt_moved: Sequence[float]
    words: str


@dataclass(frozen=True, slots=True)
class Look:
    """A look that was taken: when, at which runs, and what it found."""

    t_utc_ns: int
    runs: Sequence[str]
    kind: str
    low95: float | None
    high95: float | None


@dataclass(frozen=True, slots=True)
class Looks:
    """All looks at these builds, and runs that an earlier one counted and this one does not."""

    count: Count
    left_out: Sequence[str]
    taken: Sequence[Look]


@dataclass(frozen=True, slots=True)
class PairResult:
    """One build against the first."""

    first: str
    second: str
    verdict: Verdict
    repeated: bool
    bench_differences: Sequence[BenchDifference]
    lye: LyeResult
    looks: Looks
    differences: Sequence[KnownDifference | DifferenceResult]


@dataclass(frozen=True, slots=True)
class ComparisonResult:
    """Builds compared with the first; `matters` is the share from which on a difference matters [1]."""

    reference: str
    matters: Share
    groups: Sequence[GroupResult]
    comparisons: Sequence[PairResult]
    rests_on: Sequence[str]


def as_dict(comparisons: Sequence[Comparison]) -> dict[str, Any]:
    """For JSON; `schema` names its version."""
    groups = [comparisons[0].first, *(c.second for c in comparisons)]
    result = ComparisonResult(
        reference=groups[0].runs[0].reference,
        matters=comparisons[0].matters,
        groups=[_group(g) for g in groups],
        comparisons=[
            PairResult(
                c.first.name,
                c.second.name,
                verdict(c),
                c.repeated,
                c.benches,
                _lye(c.lye),
                Looks(len(c.looks), left_out(c), [_look(k) for k in c.looks]),
                [difference_result(d, KnownDifference, DifferenceResult) for d in c.differences],
            )
            for c in comparisons
        ],
        rests_on=basis(comparisons),
    )
    return with_schema(result, SCHEMA)


_Known = TypeVar("_Known", bound=KnownDifference)
_Unknown = TypeVar("_Unknown", bound=DifferenceResult)


def difference_result(
    d: Difference, known: type[_Known], unknown: type[_Unknown], **more: Any
) -> _Known | _Unknown:
    """A difference as one of two types.

    Parameters
    ----------
    d : Difference
    known, unknown : type
        Of one that could be had, and of one that could not.
    **more
        What these have beside the fields of `KnownDifference` and `DifferenceResult`.
    """
    m = d.metric
    fields: dict[str, Any] = {
        "metric": m.key,
        "label": m.label,
        "scale": m.scale,
        "unit": "1" if m.scale == "ratio" else m.unit,
        "better": m.better or None,
        "value": d.value,
        "low95": d.low,
        "high95": d.high,
        "low95_any_look": d.any_low,
        "high95_any_look": d.any_high,
        "reason": d.reason,
        **more,
    }
    if not d.known:
        return unknown(**fields)
    return known(
        **fields,
        levels=[Number(v, u, m.unit) for v, u in d.levels],
        half_width_alone=HalfWidths(d.noise, d.between, d.calibration, d.calibration_from, d.own, d.hac),
        between_dof=d.between_dof,
        days=_days(d),
        day_sd=d.day_sd,
        matched={k: Value(v, _UNITS[k]) for k, v in (d.matched or {}).items()},
        not_adjusted=d.unmatched,
        blocks=d.blocks,
        hours=d.hours,
        noise_correlation=d.rho,
        over_temperature=None if d.band is None else _over_temperature(d, d.band),
    )


# -- parts -------------------------------------------------------------------------------------------------


def _group(group: Group) -> GroupResult:
    runs = [
        GroupRun(r.run_id, r.name, r.build, r.bench, r.start_utc_ns, len(r), r.block_s, r.notes)
        for r in group.runs
    ]
    return GroupResult(group.name, group.hours, runs)


def _lye(lye: EqualLye) -> LyeResult:
    brought = None if lye.strength is None else 100.0 * lye.strength
    return LyeResult(brought, [[100.0 * x for x in some] for some in lye.ranges], lye.moved, lye.words)


def _look(look: LookRecord) -> Look:
    return Look(look.t_utc_ns, [run for run, _ in look.runs], look.kind, look.low, look.high)


def _days(d: Difference) -> DayScatter | None:
    if d.days is None or d.outlook is None:
        return None
    scatter = d.outlook.scatter
    return DayScatter(
        scatter.sd,
        scatter.quantile(0.05),
        scatter.quantile(0.95),
        "repeats" if d.between_dof else "stated",
        d.days.sd,
        d.days.stated,
        METHOD,
    )


def _over_temperature(d: Difference, band: ConfidenceBand) -> OverTemperature:
    if not band.known:
        return OverTemperature(band.reason)
    unit = "1" if d.metric.scale == "ratio" else d.metric.unit
    curves = [band.difference.value, band.difference.low, band.difference.high, band.all_low, band.all_high]
    return OverTemperature(
        None,
        Series("degC", band.temps.tolist()),
        [_level(curve, d.metric.unit) for curve in (band.first, band.second)],
        DifferenceSeries(unit, *(c.tolist() for c in curves)),
        SlopeDifference(Value(band.middle, "degC"), *band.slope, unit),
        band.slopes_differ,
    )


def _level(curve: Curve, unit: str) -> LevelSeries:
    u95: FloatArray = curve.high - curve.value
    return LevelSeries(unit, curve.value.tolist(), u95.tolist())
