"""Kinds of alarm rule: what each looks at, and how that becomes the beginning and end of its condition."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.alarms.detectors import Edge, LimitDetector, PulseDetector, no_gap
from daq.alarms.states import AlarmSpec
from daq.frame import Status
from daq.measure import Columns, FloatArray, IntArray, Numbers, last_before
from daq.stillness import Stillness

__all__ = [
    "ChannelRule",
    "ExternalRule",
    "FailedRule",
    "FrozenRule",
    "LostRule",
    "Rule",
    "StaleRule",
    "ThoughOpenRule",
    "TickRule",
    "Ticks",
]


@dataclass(frozen=True, slots=True)
class Ticks:
    """What is known at each of m ticks of the watch.

    Attributes
    ----------
    t_ns : int64[m]
        [ns]
    numbers : Numbers
        Of the window that ends at each tick.
    brief : dict of str to float64[m]
        Means of `amps`, `gas_flow` over the last few seconds, NaN where there are none.
    powered : bool[m]
        Whether current flows.
    powered_s, off_s : float64[m]
        Seconds since it last began or ceased to; 0 in the other case.
    unchanged_s : dict of str to float64[m]
        Seconds for which a channel's value has not changed at all while powered.
    litres : float64[m]
        Lye that is in the circuit at least, at 20 degC [L].
    stronger : float64[m]
        By how much the lye's mass fraction has risen since it was filled, at least [1].
    efficiency_kept : float64[m]
        Faradaic efficiency, averaged over minutes, as a share of the best of this run [1].
    """

    t_ns: IntArray
    numbers: Numbers
    brief: dict[str, FloatArray]
    powered: NDArray[np.bool_]
    powered_s: FloatArray
    off_s: FloatArray
    unchanged_s: dict[str, FloatArray]
    litres: FloatArray
    stronger: FloatArray
    efficiency_kept: FloatArray


@dataclass(slots=True)
class ChannelRule:
    """A limit on every sample of a channel."""

    spec: AlarmSpec
    channel: str
    detector: LimitDetector
    settles_s: float = 0.0
    """Where it is suppressed while off: so long after the supply comes on the value still says nothing."""

    def edges(self, columns: Columns, on_for: Callable[[IntArray], FloatArray]) -> list[Edge]:
        """The changes that new samples bring; `on_for` tells for how long current has flowed [s]."""
        t_ns, values = columns.good(self.channel)
        if self.spec.suppressed_while_off and t_ns.size:
            # What a channel reads while off must not stand as an alarm at the moment the supply comes on.
            values = np.where(on_for(t_ns) > self.settles_s, values, self.detector.normal)
        return self.detector.process(t_ns, values)


@dataclass(slots=True)
class FailedRule:
    """A channel whose values are bad: outside what its sensor can read."""

    spec: AlarmSpec
    channel: str
    detector: LimitDetector

    def edges(self, columns: Columns) -> list[Edge]:
        """The changes that new samples bring."""
        column = columns.channels.get(self.channel)
        if column is None:
            return []
        bad = column.status == Status.BAD
        if not (self.detector.active or self.detector.since_ns is not None or bad.any()):
            return []
        failed = np.where(column.status == Status.MISSING, np.nan, bad.astype(np.float64))
        return self.detector.process(column.t_ns, failed)


@dataclass(slots=True)
class FrozenRule:
    """A source all of whose readings stand still while the stack is powered."""

    spec: AlarmSpec
    source: str
    detector: Stillness

    def edges(self, columns: Columns, switched: list[Edge], powered: bool) -> list[Edge]:
        """The changes that new samples bring.

        Parameters
        ----------
        columns : Columns
            The new samples.
        switched : list of Edge
            When the stack was switched on or off among them.
        powered : bool
            How it was before the first of `switched`.
        """
        still = self.detector
        t_ns = columns.frames.get(self.source, _NONE)
        edges: list[Edge] = []
        if still.since_ns is None and t_ns.size:
            edges += self._power(int(t_ns[0]), powered)
        at = 0
        for turn in switched:
            upto = int(np.searchsorted(t_ns, turn.t_ns))
            edges += self._steps(columns, t_ns, at, upto)
            edges += self._power(turn.t_ns, turn.active)
            at = max(at, upto)
        return edges + self._steps(columns, t_ns, at, int(t_ns.size))

    def _steps(self, columns: Columns, t_ns: IntArray, first: int, last: int) -> list[Edge]:
        if last <= first:
            return []
        rule = self.detector.rule
        rows = np.stack([self._values(columns, c, t_ns)[first:last] for c in rule.channels], axis=1)
        return [
            Edge(t, active, rule.after_s if active else None)
            for t, active in self.detector.steps(t_ns[first:last], rows)
        ]

    def _power(self, t_ns: int, on: bool) -> list[Edge]:
        was = self.detector.active
        self.detector.power(t_ns, on)
        return [Edge(t_ns, False, None)] if was and not self.detector.active else []

    @staticmethod
    def _values(columns: Columns, channel: str, t_ns: IntArray) -> FloatArray:
        column = columns.channels.get(channel)
        if column is None or column.t_ns is not t_ns:
            return np.full(t_ns.size, np.nan)
        return np.where(column.status <= Status.UNCERTAIN, column.values, np.nan)


@dataclass(slots=True)
class ThoughOpenRule:
    """Current that is read though the relay says open."""

    spec: AlarmSpec
    stale_ns: int
    """How old the relay's word may be [ns]."""
    detector: LimitDetector
    relay: tuple[int, float] | None = None
    """When its last word came, and what it was."""

    def edges(self, columns: Columns) -> list[Edge]:
        """The changes that new samples bring."""
        times, relay = columns.good("relay")
        t_ns, amps = columns.good("amps")
        if self.relay is not None:
            times, relay = np.append(self.relay[0], times), np.append(self.relay[1], relay)
        if times.size:
            self.relay = int(times[-1]), float(relay[-1])
        if t_ns.size == 0:
            return []
        relay_state = last_before(times, relay, t_ns, self.stale_ns)
        return self.detector.process(t_ns, np.where(relay_state < 0.5, np.abs(amps), 0.0))


@dataclass(slots=True)
class LostRule:
    """A source that has fallen silent."""

    spec: AlarmSpec
    source: str
    detector: PulseDetector

    def edges(self, columns: Columns, now_ns: int) -> list[Edge]:
        """The changes that new samples, or their absence until now, bring."""
        return self.detector.process(columns.frames.get(self.source, _NONE), now_ns)


@dataclass(slots=True)
class StaleRule:
    """A channel without a good value for too long.

    Where no limit protects anything by this channel, its clock stands still while its whole source is lost:
    one alarm for a pulled plug is enough.
    """

    spec: AlarmSpec
    channel: str
    source: str
    protective: bool
    silent_ns: int
    detector: PulseDetector
    frame_ns: int | None = None

    def edges(self, columns: Columns, now_ns: int) -> list[Edge]:
        """The changes that new samples, or their absence until now, bring."""
        good, _ = columns.good(self.channel)
        if self.protective:
            return self.detector.process(good, now_ns)
        frames = columns.frames.get(self.source, _NONE)
        if frames.size == 0:
            return []
        before = int(frames[0]) if self.frame_ns is None else self.frame_ns
        whole = no_gap(before, frames, self.silent_ns)
        breaks = _NONE if whole else np.flatnonzero(np.diff(frames, prepend=before) > self.silent_ns)
        self.frame_ns = int(frames[-1])
        if breaks.size == 0:
            return self.detector.process(good, self.frame_ns)
        edges: list[Edge] = []
        bounds = [0, *breaks.tolist(), frames.size]
        for i, j in itertools.pairwise(bounds):
            if i in breaks:
                self.detector.last_ns = int(frames[i])
            if j > i:
                part = good[
                    np.searchsorted(good, frames[i]) : np.searchsorted(good, frames[j - 1], side="right")
                ]
                edges += self.detector.process(part, int(frames[j - 1]))
        return edges


@dataclass(slots=True)
class TickRule:
    """A limit on something that is computed at each tick; NaN where it can not be."""

    spec: AlarmSpec
    value: Callable[[Ticks], FloatArray]
    detector: LimitDetector

    def edges(self, ticks: Ticks) -> list[Edge]:
        """The changes that new ticks bring."""
        values = self.value(ticks)
        if self.spec.suppressed_while_off:
            values = np.where(ticks.powered, values, self.detector.normal)
        return self.detector.process(ticks.t_ns, values)


@dataclass(slots=True)
class ExternalRule:
    """A condition that somebody else knows: the service of the recording, the reader of a trip."""

    spec: AlarmSpec
    pending: list[tuple[Edge, str]] = field(default_factory=list)


Rule = ChannelRule | FailedRule | FrozenRule | LostRule | StaleRule | ThoughOpenRule | TickRule | ExternalRule

_NONE: Any = np.empty(0, dtype=np.int64)
