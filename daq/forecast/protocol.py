"""What the watch says of a window, and the seam for what foresees."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

from daq.measure import Finding
from daq.utc import iso_utc

__all__ = ["Assessment", "Forecaster", "LearningForecaster"]


class Forecaster(Protocol):
    """What foresees: fed tick by tick, it says where the temperature goes and warns.

    It must be causal and, fed the same ticks, say the same.
    """

    def update(
        self,
        t_s: float,
        volts: float | None,
        amps: float | None,
        watts: float | None,
        lye_temp: float | None,
        room_temp: float | None = None,
        gas_flow: float | None = None,
    ) -> None:
        """Take the means of one tick; NaN or None for what is not known.

        Parameters
        ----------
        t_s : float
            Time of the run, rising [s].
        volts, amps, watts : float, optional
            Of the stack [V, A, W].
        lye_temp, room_temp : float, optional
            [degC]
        gas_flow : float, optional
            Dry, at the reference [L/min].
        """

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        """The lye is of that strength [1] and amount [L] from now on."""

    def forecast(self) -> dict[str, Any] | None:
        """What it foresees now, as JSON says it; None while it can not."""

    @property
    def weaknesses(self) -> Mapping[str, str]:
        """What weakens the protection now: alarm by name (as `FORECAST_ALARMS`), and the cause in words."""

    @property
    def warnings(self) -> Sequence[Mapping[str, Any]]:
        """All warnings so far, oldest first: `raised_s`, `cleared_s` (None while it stands), `reason`, ..."""


@runtime_checkable
class LearningForecaster(Forecaster, Protocol):
    """One that carries what a run taught to the next run of the same bench."""

    def experience(self, build: str) -> dict[str, Any] | None:
        """What this run has taught so far of a stack's build, for JSON; None where that is too little."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """What the watch says of the last window."""

    t_ns: int
    window_s: float
    reference: str
    numbers: dict[str, dict[str, Any]]
    findings: tuple[Finding, ...]
    assumptions: tuple[str, ...]
    forecast: dict[str, Any] | None = None
    lye: dict[str, Any] | None = None
    run: str | None = None
    start_utc_ns: int | None = None

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "run": self.run,
            "t": self.t_ns / 1e9,
            "utc": iso_utc(None if self.start_utc_ns is None else self.start_utc_ns + self.t_ns),
            "window_s": self.window_s,
            "reference": self.reference,
            "numbers": self.numbers,
            "findings": [f.as_dict() for f in self.findings],
            "assumptions": list(self.assumptions),
            "forecast": self.forecast,
            "lye": self.lye,
        }
