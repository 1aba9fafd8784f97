"""Warnings from forecasts: raised, cleared, raised again with hysteresis, each with its reason in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["RunawayWarning", "WarningState"]

RAISE_AT: Final = 0.85
CLEAR_AT: Final = 0.30
RAISE_AFTER_S: Final = 60.0
RAISE_AFTER_SHARE: Final = 0.02
"""Of the time left: a limit far off leaves time to hear the same again before it is said,"""
RAISE_AFTER_MOST_S: Final = 300.0
"""but no longer than this."""
CLEAR_AFTER_S: Final = 240.0
NEAR_S: Final = 1800.0
"""Where the limit is this near, a minute's wait is dear:"""
RAISE_AFTER_NEAR_S: Final = 20.0
RISES_TO_S: Final = 600.0
"""Where the temperature, rising as it did, would be at the limit as soon as this, less certainty will do:"""
RAISE_AT_RISING: Final = 0.65
EARLY_S: Final = 600.0
"""Watched for no longer than this, a stack's start, its mixing and a late sensor look like little loss:"""
RAISE_AT_EARLY: Final = 0.90
LOSS_UNSEEN: Final = 0.45
"""It is the loss that decides: where its logarithm's standard deviation is above this it is only believed,
and nothing is warned of that a straight rise would not bring soon."""


@dataclass(frozen=True, slots=True)
class RunawayWarning:
    """One warning; `cleared_s` is None while it stands."""

    raised_s: float
    limit_c: float
    reason: str
    numbers: dict[str, float | None]
    cleared_s: float | None = None
    why_cleared: str = ""


class WarningState:
    """Hysteresis in probability and in time."""

    def __init__(self) -> None:
        self.raised = False
        self._since: float | None = None

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
        """Take the chance that the limit is crossed under present conditions; True when the state changes.

        `left_s` is the time until then, `rises_to_s` the time until the temperature is at the limit were it
        to rise on as it did of late, `watched_s` the time since the first that was seen of the stack [s];
        `loss_sd` is the standard deviation of the loss' logarithm [1].
        """
        if self.raised and not powered:
            self.raised, self._since = False, None
            return True
        surely = RAISE_AT_EARLY if watched_s < EARLY_S else RAISE_AT
        soon = rises_to_s < RISES_TO_S
        if soon:
            enough = RAISE_AT_RISING
        else:
            enough = surely if loss_sd <= LOSS_UNSEEN else math.inf
        wants = chance < CLEAR_AT if self.raised else (powered and chance >= enough)
        if not wants:
            self._since = None
            return False
        if self._since is None:
            self._since = t_s
        if left_s < NEAR_S and chance >= surely:
            sure = RAISE_AFTER_NEAR_S
        else:
            far_s = 0.0 if soon else left_s
            sure = min(max(RAISE_AFTER_SHARE * far_s, RAISE_AFTER_S), RAISE_AFTER_MOST_S)
        if t_s - self._since < (CLEAR_AFTER_S if self.raised else sure):
            return False
        self.raised, self._since = not self.raised, None
        return True
