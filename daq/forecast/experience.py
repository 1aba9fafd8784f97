"""What a run taught of a bench, carried to its next run as a prior.

Recursive Bayes over runs: what one run ends with is what the next begins with, widened by what changes
between two runs, as process noise widens a state between two readings. Since the run before began from the
one before it, the last run carries all of them.

A prior that is wrong does harm, so that a part of the bank begins in ignorance all the same: a robust mixture
prior [1]. Where readings speak against the experience, its filters lose their probability as any others do.

References
----------
.. [1] H. Schmidli et al., Biometrics 70 (2014) 1023, DOI 10.1111/biom.12242: a mixture of an informative and
   a vague prior. From memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from daq.forecast.tuning import TUNING

__all__ = ["THERMAL_NAMES", "Experience"]

THERMAL_NAMES: Final = (
    "log_capacity", "log_loss", "gamma", "vapour", "log_lag", "fast_share", "log_fast_time", "gas_share",
)  # fmt: skip
"""The thermal states that belong to a bench rather than to an hour, in the order of `Experience.mean`."""
CURRENT_AT_C: Final = 30.0
"""Where the slope and the bend of the current are stated [degC]."""


@dataclass(frozen=True, slots=True)
class Experience:
    """What was known when a run ended.

    Attributes
    ----------
    mean : tuple of float
        States of `THERMAL_NAMES`.
    covariance : tuple of tuple of float
        Theirs, all of it: what was learned of loss and capacity together is worth more than of each.
    current : tuple of float or None
        Relative slope of the current, its bend [1/K], both at `CURRENT_AT_C`, and their standard deviations;
        None where the voltage was never held.
    sag : tuple of float
        As `daq.forecast.tuning.Tuning.sag`, and its standard deviation.
    build : str
        Of the stack.
    runs : int
        How many it rests on.
    """

    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    current: tuple[float, float, float, float] | None
    sag: tuple[float, float]
    build: str = ""
    runs: int = 1

    def widened(self, build: str) -> Experience:
        """As a prior for a run of `build`: a fan or a lid may stand elsewhere, and another build more so."""
        same = build == self.build
        sds = TUNING.between_runs if same else TUNING.between_builds
        wider = np.array(self.covariance) + np.diag(np.square(sds))
        current = self.current
        if current is not None:
            slope, bend, slope_sd, bend_sd = current
            spread = TUNING.between_runs_current if same else TUNING.between_builds_current
            current = (slope, bend, math.hypot(slope_sd, spread * slope), math.hypot(bend_sd, spread * bend))
        sag = (self.sag[0], min(math.hypot(self.sag[1], TUNING.between_runs_sag), TUNING.sag_sd))
        return replace(
            self, covariance=tuple(tuple(float(v) for v in row) for row in wider), current=current, sag=sag
        )

    def as_json(self) -> dict[str, Any]:
        """Plain values, six digits of each."""

        def short(v: float) -> float:
            return float(f"{v:.6g}")

        return {
            "states": list(THERMAL_NAMES),
            "mean": [short(v) for v in self.mean],
            "covariance": [[short(v) for v in row] for row in self.covariance],
            "current": None if self.current is None else [short(v) for v in self.current],
            "sag": [short(v) for v in self.sag],
            "build": self.build,
            "runs": self.runs,
        }

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> Experience | None:
        """The same again; None where it is of another version, or is not what `as_json` gives."""
        try:
            n = len(THERMAL_NAMES)
            mean = tuple(float(v) for v in document["mean"])
            covariance = tuple(tuple(float(v) for v in row) for row in document["covariance"])
            p = np.array(covariance)
            known = list(document["states"]) == list(THERMAL_NAMES) and len(mean) == n and p.shape == (n, n)
            if not known or not np.isfinite([*mean, *p.ravel()]).all() or np.linalg.eigvalsh(p)[0] < -1e-6:
                return None
            current = document["current"]
            if current is not None:
                slope, bend, slope_sd, bend_sd = (float(v) for v in current)
                current = (slope, bend, slope_sd, bend_sd)
            sag, sag_sd = (float(v) for v in document["sag"])
            return cls(
                mean, covariance, current, (sag, sag_sd), str(document["build"]), int(document["runs"])
            )
        except (KeyError, TypeError, ValueError):
            return None
