"""Warnings from forecasts: raised, cleared, raised again with hysteresis, each with its reason in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from daq.forecast.causes import Cause
from daq.forecast.forecast import LIKELIER
from daq.forecast.tuning import TUNING

__all__ = ["RunawayWarning", "WarningState"]

CLEAR_AT: Final = TUNING.clear_at
CLEAR_AFTER_S: Final = TUNING.clear_after_s


@dataclass(frozen=True, slots=True)
class RunawayWarning:
    """One warning; `cleared_s` is None while it stands."""

    raised_s: float
    limit_c: float
    reason: str
    numbers: dict[str, float | None]
    cleared_s: float | None = None
    why_cleared: str = ""
    causes: Mapping[Cause, float] = field(default_factory=dict)
    """Its likely causes with their probabilities, the likeliest first."""

    @property
    def cause(self) -> str:
        """The likeliest; empty where none was weighed."""
        return next(iter(self.causes), "")


class WarningState:
    """Hysteresis in probability and in time.

    Parameters
    ----------
    false_costs_min : float
        What a false warning costs, in minutes of lead: a warning is raised where it costs less than to wait.
    """

    def __init__(self, false_costs_min: float = TUNING.false_costs_min) -> None:
        self._raise_at, self._raise_at_early, self._raise_at_rising = (
            TUNING.raise_at(false_costs_min, stake)
            for stake in (TUNING.stake_min, TUNING.stake_early_min, TUNING.stake_rising_min)
        )
        self.raised = False
        self._since: float | None = None
        self._loss_seen = False

    def says_from(self, rises_to_s: float) -> float:
        """The chance from which on it is said that the limit is crossed, rather than where it settles.

        A warning never stands beside words that speak against it: while one stands, or less certainty would
        do for one, the bare majority of the futures is enough.
        """
        if self.raised or rises_to_s < TUNING.rises_to_s:
            return min(LIKELIER, self._raise_at_rising)
        return min(TUNING.likelier, self._raise_at)

    def update(
        self,
        t_s: float,
        chance: float,
        *,
        powered: bool,
        left_s: float = math.inf,
        rises_to_s: float = math.inf,
        watched_s: float = math.inf,
        loss_sd: float = 0.0,
    ) -> bool:
        """Take a forecast; True when the warning is raised or cleared.

        Parameters
        ----------
        t_s : float
            Time of the run [s].
        chance : float
            Probability that the limit is crossed under present conditions [1].
        powered : bool
            Whether the stack is.
        left_s : float
            Time until it is crossed [s]; infinite where it is not.
        rises_to_s : float
            Time until the temperature is at the limit were it to rise on as it did of late [s].
        watched_s : float
            Time since the first that was seen of the stack [s].
        loss_sd : float
            Standard deviation of the heat loss's logarithm [1].
        """
        if self.raised and not powered:
            self.raised, self._since = False, None
            return True
        self._loss_seen = self._loss_seen or loss_sd <= TUNING.loss_unseen_sd
        surely = self._raise_at_early if watched_s < TUNING.early_s else self._raise_at
        soon = rises_to_s < TUNING.rises_to_s
        if soon:
            enough = self._raise_at_rising
        else:
            enough = (
                surely
                if loss_sd <= TUNING.loss_unseen_sd
                else max(surely, TUNING.again_at)
                if self._loss_seen
                else math.inf
            )
        wants = chance < CLEAR_AT if self.raised else (powered and chance >= enough)
        if not wants:
            self._since = None
            return False
        if self._since is None:
            self._since = t_s
        if min(left_s, rises_to_s) < TUNING.at_once_s and chance >= surely:
            sure = 0.0
        elif (left_s < TUNING.near_s and chance >= surely) or rises_to_s < TUNING.at_once_s:
            sure = TUNING.raise_after_near_s
        else:
            far_s = 0.0 if soon else left_s
            sure = min(max(TUNING.raise_after_share * far_s, TUNING.raise_after_s), TUNING.raise_after_most_s)
        if t_s - self._since < (TUNING.clear_after_s if self.raised else sure):
            return False
        self.raised, self._since = not self.raised, None
        return True
