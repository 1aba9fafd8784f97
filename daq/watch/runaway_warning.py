"""Warnings from forecasts: raised, cleared, raised again with hysteresis, each with its reason in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["RunawayWarning", "WarningState"]

RAISE_AT: Final = 0.85
CLEAR_AT: Final = 0.30
RAISE_AFTER_S: Final = 60.0
CLEAR_AFTER_S: Final = 240.0


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

    def update(self, t_s: float, chance: float, *, powered: bool) -> bool:
        """Take the chance that the limit is crossed under present conditions; True when the state changes."""
        if self.raised and not powered:
            self.raised, self._since = False, None
            return True
        wants = chance < CLEAR_AT if self.raised else (powered and chance >= RAISE_AT)
        if not wants:
            self._since = None
            return False
        if self._since is None:
            self._since = t_s
        wait = CLEAR_AFTER_S if self.raised else RAISE_AFTER_S
        if t_s - self._since < wait:
            return False
        self.raised, self._since = not self.raised, None
        return True
