"""What the alarms need to know of each tick beyond the window's numbers, carried from tick to tick."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.alarms.detectors import Edge, LimitDetector
from daq.alarms.rule_kinds import Ticks
from daq.alarms.rules import stuck_after_s
from daq.bench import Bench
from daq.measure import Bins, Columns, FloatArray, IntArray, LyeAt, Numbers
from daq.physics.faraday import gas_rate_lpm, reference_condition

__all__ = ["BRIEF_STEPS", "AlarmContext"]

BRIEF_STEPS = 5
"""Loss of flow is judged over so many steps, not over the whole window."""
EFFICIENCY_WINDOWS = 20
"""The Faradaic efficiency is judged by the median of so many windows."""

_BRIEF = ("amps", "gas_flow")


@dataclass(slots=True)
class _LastChange:
    """Since when a channel has had its present value."""

    value: float = math.nan
    since_ns: int = 0


@dataclass(slots=True)
class AlarmContext:
    """Follows a run from tick to tick: whether it is powered, what stands still, what its efficiency was."""

    bench: Bench
    step_ns: int
    powered: bool = False
    changed_ns: int = 0
    """When it was last switched [ns]."""
    efficiencies: deque[float] = field(default_factory=lambda: deque(maxlen=EFFICIENCY_WINDOWS))
    efficiency_best: float = 0.0
    switch: LimitDetector = field(init=False)
    """From the current, or else the relay: whether it is powered."""
    _channel: str | None = field(init=False)
    _last_changes: dict[str, _LastChange] = field(init=False)
    _lpm_per_amp: float = field(init=False)

    def __post_init__(self) -> None:
        bench = self.bench
        limit = bench.supply.powered_above_amps
        if "amps" in bench.channels:
            self._channel, self.switch = "amps", LimitDetector(limit, deadband=0.3 * limit)
        else:
            self._channel, self.switch = ("relay" if "relay" in bench.channels else None), LimitDetector(0.5)
        self.powered = self._channel is None  # where it can not be known, alarms must not be suppressed
        self._last_changes = {c: _LastChange() for c in bench.channels if stuck_after_s(bench, c) is not None}
        reference = reference_condition(bench.site.reference)
        self._lpm_per_amp = float(gas_rate_lpm(1.0, bench.stack.cells, reference=reference))

    def switched(self, columns: Columns) -> list[Edge]:
        """When the supply began or ceased to drive current, among new samples."""
        if self._channel is None:
            return []
        return self.switch.process(*columns.good(self._channel))

    def passed(self, switched: list[Edge]) -> None:
        """These switchings lie behind."""
        if switched:
            self.powered, self.changed_ns = switched[-1].active, switched[-1].t_ns

    def on_for(self, t_ns: IntArray, switched: list[Edge]) -> FloatArray:
        """For how long current has flowed at these instants [s]; 0 while none does."""
        states, since = self._switched_at(t_ns, switched)
        return np.where(states, (t_ns - since) * 1e-9, 0.0)

    def ticks(
        self, t_ns: IntArray, columns: Columns, switched: list[Edge], bins: Bins, numbers: Numbers, lye: LyeAt
    ) -> Ticks:
        """What is known at each of these ticks, a step apart; carries efficiency on.

        Parameters
        ----------
        t_ns : int64[n]
            The ticks, rising [ns of the run].
        columns : Columns
            The new samples, up to the last tick.
        switched : list of Edge
            From `switched` of the same columns.
        bins : Bins
            With the steps of the last `BRIEF_STEPS` before each tick.
        numbers : Numbers
            Of the n windows that end at the ticks.
        lye : LyeAt
            The lye at the ticks, or one value for all.
        """
        powered, since = self._switched_at(t_ns, switched)
        elapsed = (t_ns - since) * 1e-9
        brief = self._brief(bins, t_ns // bins.step_ns)
        return Ticks(
            t_ns=t_ns,
            numbers=numbers,
            brief=brief,
            powered=powered,
            powered_s=np.where(powered, elapsed, 0.0),
            off_s=np.where(powered, 0.0, elapsed),
            unchanged_s={c: self._unchanged(c, columns, t_ns, powered, since) for c in self._last_changes},
            litres=np.broadcast_to(lye.least_litres, t_ns.shape),
            stronger=np.broadcast_to(lye.stronger, t_ns.shape),
            efficiency_kept=self._kept(numbers),
        )

    def _switched_at(self, t_ns: IntArray, switched: list[Edge]) -> tuple[NDArray[np.bool_], IntArray]:
        times = np.array([self.changed_ns, *(e.t_ns for e in switched)], dtype=np.int64)
        states = np.array([self.powered, *(e.active for e in switched)], dtype=bool)
        index = np.maximum(np.searchsorted(times, t_ns, side="right") - 1, 0)
        return states[index], times[index]

    def _brief(self, bins: Bins, ends: IntArray) -> dict[str, FloatArray]:
        seconds, sums = (x.sum(axis=2) for x in bins.windows(ends, BRIEF_STEPS, of=_BRIEF))
        means = np.divide(sums, seconds, out=np.full(sums.shape, np.nan), where=seconds > 0.0)
        out: dict[str, FloatArray] = dict(zip(_BRIEF, means, strict=True))
        out["could_lpm"] = out["amps"] * self._lpm_per_amp
        return out

    def _unchanged(
        self, channel: str, columns: Columns, t_ns: IntArray, powered: NDArray[np.bool_], since: IntArray
    ) -> FloatArray:
        last_change = self._last_changes[channel]
        times, values = columns.good(channel)
        marks = np.array([last_change.since_ns], dtype=np.int64)
        if times.size:
            changed = np.diff(values, prepend=last_change.value) != 0.0
            marks = np.concatenate([marks, times[changed]])
            last_change.value, last_change.since_ns = float(values[-1]), int(marks[-1])
        last = marks[np.maximum(np.searchsorted(marks, t_ns, side="right") - 1, 0)]
        return np.where(powered, (t_ns - np.maximum(last, since)) * 1e-9, 0.0)

    def _kept(self, numbers: Numbers) -> FloatArray:
        """Median Faradaic efficiency of the last minutes over the best such median; NaN until there is one.

        A median, because a minute without gas is another alarm's matter and says nothing of the cells.
        """
        raw = numbers.value["faradaic_efficiency"]
        kept = np.full(raw.shape, np.nan)
        # One window after another, not windows that share most of their samples.
        due = (numbers.end_ns // numbers.window_ns) > ((numbers.end_ns - self.step_ns) // numbers.window_ns)
        for i in np.flatnonzero(np.isfinite(raw) & due).tolist():
            self.efficiencies.append(float(raw[i]))
            if len(self.efficiencies) < EFFICIENCY_WINDOWS:
                continue
            now = median(self.efficiencies)
            self.efficiency_best = max(now, self.efficiency_best)
            if self.efficiency_best > 0.0:
                kept[i] = now / self.efficiency_best
        return kept

    def save(self) -> dict[str, Any]:
        """State as JSON says it."""
        return {
            "powered": self.powered,
            "changed_ns": self.changed_ns,
            "efficiencies": list(self.efficiencies),
            "efficiency_best": self.efficiency_best,
            "switch": self.switch.save(),
            "still": {
                c: [None if math.isnan(s.value) else s.value, s.since_ns]
                for c, s in self._last_changes.items()
            },
        }

    def load(self, saved: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.powered, self.changed_ns = bool(saved["powered"]), int(saved["changed_ns"])
        self.efficiency_best = float(saved["efficiency_best"])
        self.efficiencies.extend(float(e) for e in saved["efficiencies"])
        self.switch.load(saved["switch"])
        for channel, (value, since_ns) in saved["still"].items():
            if channel in self._last_changes:
                self._last_changes[channel] = _LastChange(_or_nan(value), int(since_ns))


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)
