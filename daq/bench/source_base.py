"""What all sources of a bench file share: ports, clocks, and for those that are asked, how often."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, model_validator

from daq.bench._table import NotNegative, Positive, Table

__all__ = ["Baud", "Clock", "Framing", "PolledSpec", "Port", "PortedSpec", "SourceSpec"]

Framing = Literal["8N1", "8E1", "8O1", "8N2", "7E1", "7O1", "7N2"]
"""Data bits, parity (none, even, odd) and stop bits of a serial port."""
Baud = Annotated[int, Field(ge=50, le=4_000_000, strict=True)]
Clock = Literal["host", "fitted", "device"]
Port = Annotated[str, Field(min_length=1)]

TIMING_U_S: dict[str, float] = {"host": 0.02, "fitted": 0.005, "device": 0.001}
"""Standard uncertainty of a sample's time by the source's clock [s] (judgement): a port's delay and a
computer's scheduler; what the fit leaves of them; a device's own milliseconds."""


class SourceSpec(Table):
    """What every source has."""

    sparse: ClassVar[bool] = False
    """Whether a frame carries only what was measured just then: a field that it lacks is not missing."""

    kind: str
    clock: Clock = "host"
    rate_hz: Positive = 10.0
    """Frames a second that are to be expected."""
    silent_after_s: Positive = 1.0
    """Without a frame for so long the source counts as lost [s]."""
    stale_after_s: Positive | None = None
    """How old a value of its channels may be, where they say nothing else [s]; where neither does, three of
    their intervals and at least 2 s."""
    frozen_after_s: NotNegative | None = None
    """All its readings unchanged for so long while powered: it hangs [s]. Where it is not given it is learned
    from the source's own noise, 10 s at the least; 0 switches it off."""
    align: Literal["interpolate", "last"] = "last"
    """How its values are brought to other instants: on the line from one to the next, as of a meter that
    looks at an instant; or held from the one before, as of one that averages since its last reading."""
    delay_ms: NotNegative = 0.0
    """How long before its frame came a value was measured, at the least [ms]: the line, half the window of a
    device that averages. Of what is asked: before the middle of question and answer."""
    time_u_s: NotNegative | None = None
    """Standard uncertainty of its samples' times [s]; by its clock where it is not given."""

    def interval_s(self, field: str) -> float:
        """How far apart the values of a field are to be expected [s]."""
        return 1.0 / self.rate_hz

    def together(self, field: str, other: str) -> bool:
        """Whether two fields are measured at one instant, as those of one frame are."""
        return True

    @property
    def timing_u_s(self) -> float:
        """Standard uncertainty of its samples' times [s]."""
        return TIMING_U_S[self.clock] if self.time_u_s is None else self.time_u_s

    @property
    def place(self) -> str:
        """The port, file or broker, for messages."""
        raise AttributeError(f"a source of kind {self.kind} has no place")


class PortedSpec(SourceSpec):
    """A source on a port."""

    port: Port

    @property
    def place(self) -> str:
        return self.port


class PolledSpec(PortedSpec):
    """What is asked, rather than listened to."""

    sparse: ClassVar[bool] = True

    align: Literal["interpolate", "last"] = "interpolate"
    timeout_s: Annotated[float, Field(ge=0.02, le=30, strict=True)] = 1.0
    """How long an answer may take [s]."""
    period_s: Positive = 0.5
    """How often each question is asked that has no period of its own [s]."""

    def interval_s(self, field: str) -> float:
        return self.period_s

    @model_validator(mode="before")
    @classmethod
    def _rates_follow(cls, data: Any) -> Any:
        """What is to be expected follows from how often is asked, where the file says nothing else."""
        period = data.get("period_s", 0.5) if isinstance(data, dict) else None
        timeout = data.get("timeout_s", 1.0) if isinstance(data, dict) else None
        if not (isinstance(period, float | int) and isinstance(timeout, float | int) and period > 0):
            return data
        silent = max(2.0, 3.0 * period + 2.0 * timeout)
        return {"rate_hz": 1.0 / period, "silent_after_s": silent, **data}
