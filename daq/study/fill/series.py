"""Several fills together: mean and repeatability, and the same fills at another reference."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from daq.errors import UsageError
from daq.physics.flow_meters import rescaled_flow
from daq.physics.reference import reference_condition
from daq.quantity import shown
from daq.store import FillRecord
from daq.study.fill.result import FILL_NUMBERS
from daq.study.render import Count, FiniteOrNull

__all__ = [
    "METER_FACTOR",
    "BuildFills",
    "Repeated",
    "at_reference",
    "repeated",
    "series_of",
    "side_by_side",
]

METER_FACTOR = "meter_factor"
DAY_NS = 86_400_000_000_000
_BY_VOLUME = {"flow_dry_ref_lpm": 1.0, "mmw_dry_ref": 1.0, "watt_hours_per_litre": -1.0}
"""How the numbers that count dry gas go with the volume of a mole at the reference."""


@dataclass(frozen=True, slots=True)
class Repeated:
    """One number over n fills.

    Attributes
    ----------
    n : int
        Fills that have it.
    value : float
        Their mean.
    u95 : float
        Expanded uncertainty of the mean: its scatter, and what all the fills have in common.
    repeatability_s : float
        Repeatability standard deviation of one fill (ISO 5725-1); NaN for n = 1.
    student_t : float
        Student's t for 95 % at n - 1 degrees of freedom (JCGM 100, G.3); NaN for n = 1.
    """

    n: Count
    value: float
    u95: FiniteOrNull
    repeatability_s: FiniteOrNull
    student_t: FiniteOrNull


def repeated(values: Sequence[float], u95: Sequence[float], u95_shared: Sequence[float]) -> Repeated:
    """Mean and repeatability.

    Parameters
    ----------
    values : sequence of n floats
    u95 : sequence of n floats
        Expanded uncertainty of each, k = 2.
    u95_shared : sequence of n floats
        What that would be were the fill's own errors (stop-watch, noise) not there.

    Notes
    -----
    Type A of the mean is ``t s / sqrt(n)`` (JCGM 100, 4.2.3 and G.3). It is not let fall below what the
    stop-watch alone should make of n fills: three that agree by luck are no better than three presses of a
    thumb.
    """
    x, all_u, shared = (np.asarray(a, dtype=np.float64) for a in (values, u95, u95_shared))
    n = x.size
    mean = float(x.mean())
    common = float(np.sqrt(np.mean(shared**2)))
    own = math.sqrt(max(float(np.mean(all_u**2 - shared**2)), 0.0) / n)
    if n == 1:
        return Repeated(1, mean, math.hypot(own, common), math.nan, math.nan)
    from scipy.special import stdtrit  # SciPy takes as long to import as all else of a short command

    s, t = float(x.std(ddof=1)), float(stdtrit(n - 1, 0.975))
    return Repeated(n, mean, math.hypot(max(t * s / math.sqrt(n), own), common), s, t)


def series_of(results: Sequence[Mapping[str, Any]]) -> dict[str, Repeated]:
    """Every number of several fills, as `TimedFill.as_dict(shared=True)` gave them, all at one reference.

    Numbers that no fill has are left out; `METER_FACTOR` is among them where fills told it.

    Raises
    ------
    UsageError
        When the fills count dry gas at differing references.
    """
    references = {str(r["reference"]) for r in results}
    if len(references) > 1:
        raise UsageError(
            "the fills count dry gas at differing conditions",
            place="reference",
            value=", ".join(sorted(references)),
            remedy="bring all to one with at_reference",
        )
    out: dict[str, Repeated] = {}
    for name in (*FILL_NUMBERS, METER_FACTOR):
        known = [r[name] for r in results if r.get(name) and r[name]["value"] is not None]
        if known:
            values, u95 = ([float(k[key]) for k in known] for key in ("value", "u95"))
            shared = [float(k.get("u95_shared") or 0.0) for k in known]
            out[name] = repeated(values, u95, shared)
    return out


def at_reference(result: Mapping[str, Any], reference: str) -> dict[str, Any]:
    """A fill's result with its dry gas counted at another condition.

    Raises
    ------
    UsageError
        When either condition can not be read.
    """
    was, now = reference_condition(str(result["reference"])), reference_condition(reference)
    ratio = rescaled_flow(1.0, was, now)
    out = dict(result)
    for name, power in _BY_VOLUME.items():
        factor = ratio**power
        out[name] = {k: None if v is None else v * factor for k, v in result[name].items()}
    out["reference"] = now.words
    return out


@dataclass(frozen=True, slots=True)
class BuildDifference:
    """Dry MMW of a build less that of the first, as a share [1], and whether they are told apart."""

    from_: Annotated[str, Field(serialization_alias="from")]
    value: float
    u95: float
    significant: Annotated[bool, Field(serialization_alias="told")]
    words: str


@dataclass(frozen=True, slots=True)
class BuildFills:
    """The fills of a build: their numbers in the logbook, on how many days, their means."""

    build: str
    fills: Sequence[int]
    days: Count
    means: Mapping[str, Repeated]
    difference: BuildDifference | None


def side_by_side(
    builds: Sequence[tuple[str, Sequence[FillRecord], Mapping[str, Repeated]]],
) -> list[BuildFills]:
    """The builds with their means, and of dry MMW the difference from the first build that has one.

    The difference's U counts both means' whole: what the fills of both share, such as the vessel, is not
    taken out, since nobody says that it was the same. A difference is told where it stands beyond its U *and*
    each build was filled on two days or more; fills of one day each can not tell the build from the day.
    """
    out = []
    first: tuple[str, Repeated, int] | None = None
    for build, records, series in builds:
        days = len({r.t_utc_ns // DAY_NS for r in records})
        mmw, difference = series.get("mmw_dry_ref"), None
        if mmw is not None and first is None:
            first = build, mmw, days
        elif mmw is not None and first is not None and first[1].value:
            value = mmw.value / first[1].value - 1.0
            u = math.hypot(mmw.u95, first[1].u95) / first[1].value
            beyond, twice = abs(value) > u, min(days, first[2]) > 1
            words = _difference_words(value, u, first[0], beyond=beyond, repeated=twice)
            difference = BuildDifference(first[0], value, u, beyond and twice, words)
        out.append(BuildFills(build, [r.id for r in records], days, series, difference))
    return out


# -- parts -------------------------------------------------------------------------------------------------


def _difference_words(value: float, u: float, first: str, *, beyond: bool, repeated: bool) -> str:
    share = shown(100.0 * value, 100.0 * u, "%").text
    against = f"{share} against {first or 'no build named'}"
    if not beyond:
        return f"{against}: not told apart"
    if not repeated:
        return f"{against}: one day each can not tell the build from the day"
    return against
