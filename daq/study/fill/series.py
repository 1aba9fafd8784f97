"""Several fills together: mean and repeatability, and the same fills at another reference."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from daq.errors import UsageError
from daq.physics.flow_meters import rescaled_flow
from daq.physics.reference import reference_condition
from daq.study.fill.result import FILL_NUMBERS

__all__ = ["METER_FACTOR", "Repeated", "at_reference", "repeated", "series_of"]

METER_FACTOR = "meter_factor"
_BY_VOLUME = {"flow_dry_ref_lpm": 1.0, "mmw_dry_ref": 1.0, "watt_hours_per_litre": -1.0}
"""How the numbers that count dry gas go with the volume of a mole at the reference."""


@dataclass(frozen=True, slots=True)
class Repeated:
    """One number over n fills.

    Attributes
    ----------
    n : int
        Fills that have it.
    mean : float
    s : float
        Repeatability standard deviation of one fill (ISO 5725-1); NaN for n = 1.
    t : float
        Student's t for 95 % at n - 1 degrees of freedom (JCGM 100, G.3); NaN for n = 1.
    u95 : float
        Expanded uncertainty of the mean: its scatter, and what all the fills have in common.
    """

    n: int
    mean: float
    s: float
    t: float
    u95: float

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "n": self.n,
            "value": self.mean,
            "u95": _or_none(self.u95),
            "repeatability_s": _or_none(self.s),
            "student_t": _or_none(self.t),
        }


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
        return Repeated(1, mean, math.nan, math.nan, math.hypot(own, common))
    from scipy.special import stdtrit  # SciPy takes as long to import as all else of a short command

    s, t = float(x.std(ddof=1)), float(stdtrit(n - 1, 0.975))
    return Repeated(n, mean, s, t, math.hypot(max(t * s / math.sqrt(n), own), common))


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


def _or_none(value: float) -> float | None:
    return value if math.isfinite(value) else None
