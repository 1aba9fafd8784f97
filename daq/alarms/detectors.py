"""From a series of values to the instants at which a condition begins and ends: limit, deadband, delays.

Exact to the sample: a single sample beyond the limit with no delay begins the condition. Quiet stretches cost
one comparison of the whole block. State is carried from block to block, so how a series is cut up does not
matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from daq.measure import FloatArray, IntArray

__all__ = ["Edge", "LimitDetector", "PulseDetector"]

_BEYOND, _BETWEEN, _CLEAR = 1, 0, -1


@dataclass(frozen=True, slots=True)
class Edge:
    """A condition began (`active`) or ended at an instant [ns], and the value then."""

    t_ns: int
    active: bool
    value: float | None


@dataclass(slots=True)
class LimitDetector:
    """A value beyond a limit.

    The condition begins when the value has been beyond the limit at every sample for the whole on-delay, and
    ends when it has been back by more than the deadband at every sample for the whole off-delay. NaN tells
    nothing and changes nothing.

    Parameters
    ----------
    limit : float
        [unit of the value]
    low : bool
        Beyond means below the limit instead of above.
    deadband : float
        [unit of the value], not negative.
    on_delay_s, off_delay_s : float
        [s], not negative.

    References
    ----------
    Definitions of on-delay, off-delay and deadband as in ANSI/ISA-18.2-2016 and IEC 62682.
    """

    limit: float
    low: bool = False
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    active: bool = False
    since_ns: int | None = None
    """When the pending change began; None while none is pending."""

    @property
    def normal(self) -> float:
        """A value that is surely not beyond the limit."""
        return math.inf if self.low else -math.inf

    def process(self, t_ns: IntArray, values: FloatArray) -> list[Edge]:
        """Take samples in order of time; returns the changes they brought."""
        if t_ns.size == 0:
            return []
        beyond = values < self.limit if self.low else values > self.limit
        if not self.active:
            if not beyond.any():
                # Something that is not beyond ends a pending on-delay; NaN does not.
                if self.since_ns is not None and not np.isnan(values).all():
                    self.since_ns = None
                return []
        elif self.since_ns is None and beyond.all():
            return []
        back = values >= self.limit + self.deadband if self.low else values <= self.limit - self.deadband
        if self.deadband > 0.0:
            back = values > self.limit + self.deadband if self.low else values < self.limit - self.deadband
        return self._walk(t_ns, values, beyond.astype(np.int8) - back.astype(np.int8))

    def _walk(self, t_ns: IntArray, values: FloatArray, kinds: Any) -> list[Edge]:
        known = ~np.isnan(values)
        if not known.all():
            t_ns, values, kinds = t_ns[known], values[known], kinds[known]
            if t_ns.size == 0:
                return []
        edges: list[Edge] = []
        on_ns, off_ns = round(self.on_delay_s * 1e9), round(self.off_delay_s * 1e9)
        # Stretches of one kind; within one, time alone matters.
        starts = np.flatnonzero(np.diff(kinds, prepend=kinds[0] + 5))
        stops = np.append(starts[1:], t_ns.size)
        for i, j in zip(starts.tolist(), stops.tolist(), strict=True):
            kind = int(kinds[i])
            wanted = _CLEAR if self.active else _BEYOND
            if kind != wanted:
                self.since_ns = None
                continue
            if self.since_ns is None:
                self.since_ns = int(t_ns[i])
            due = self.since_ns + (off_ns if self.active else on_ns)
            k = i + int(np.searchsorted(t_ns[i:j], due))
            if k < j:
                self.active = not self.active
                self.since_ns = None
                edges.append(Edge(int(t_ns[k]), self.active, float(values[k])))
        return edges

    def save(self) -> dict[str, Any]:
        """State as JSON says it."""
        return {"active": self.active, "since_ns": self.since_ns}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.active = bool(state["active"])
        self.since_ns = None if state["since_ns"] is None else int(state["since_ns"])


@dataclass(slots=True)
class PulseDetector:
    """Nothing has come for too long: begins at the last pulse plus the allowance, ends at the next pulse.

    Parameters
    ----------
    allowance_s : float
        [s]
    last_ns : int
        When the last pulse came, or when waiting began [ns].
    """

    allowance_s: float
    last_ns: int = 0
    active: bool = False

    def process(self, pulses_ns: IntArray, now_ns: int) -> list[Edge]:
        """Take pulses in order of time, and then the time up to which none other has come."""
        allowance = round(self.allowance_s * 1e9)
        edges: list[Edge] = []
        if not self.active and no_gap(self.last_ns, pulses_ns, allowance):
            self.last_ns = int(pulses_ns[-1])
        elif pulses_ns.size:
            if self.active:
                self.active = False
                edges.append(Edge(int(pulses_ns[0]), False, None))
            gaps = np.diff(pulses_ns, prepend=self.last_ns if not edges else int(pulses_ns[0]))
            for i in np.flatnonzero(gaps > allowance).tolist():
                begun = int(pulses_ns[i] - gaps[i]) + allowance
                edges.append(Edge(begun, True, self.allowance_s))
                edges.append(Edge(int(pulses_ns[i]), False, None))
            self.last_ns = max(self.last_ns, int(pulses_ns[-1]))
        if not self.active and now_ns - self.last_ns > allowance:
            self.active = True
            edges.append(Edge(self.last_ns + allowance, True, self.allowance_s))
        return edges

    def save(self) -> dict[str, Any]:
        """State as JSON says it."""
        return {"last_ns": self.last_ns, "active": self.active}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.last_ns, self.active = int(state["last_ns"]), bool(state["active"])


def no_gap(before_ns: int, pulses_ns: IntArray, allowance_ns: int) -> bool:
    """Whether pulses follow `before_ns` with no gap among them.

    True only where all of them together take no longer than one gap may: the usual case live, and told by
    two of them.

    Parameters
    ----------
    before_ns : int
        When the pulse before them came [ns].
    pulses_ns : int64[n]
        In order of time [ns].
    allowance_ns : int
        The longest time that is no gap [ns].
    """
    if pulses_ns.size == 0:
        return False
    return before_ns <= int(pulses_ns[0]) and int(pulses_ns[-1]) - before_ns <= allowance_ns


def finite_or_none(value: float | None) -> float | None:
    """`value`, or None where JSON could not say it."""
    return value if value is not None and math.isfinite(value) else None
