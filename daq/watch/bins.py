"""Sums over short steps of time, from which every window is made.

A step (one second by default) keeps, for each quantity, the seconds that its samples stand for and the sum of
value times seconds. Sums add up, so a window live, a phase of a run and a whole day in review are the same
arithmetic, and a sample that arrives late is simply added to the step in which it was taken.

A sample stands for the time since the sample before it, as a meter's reading does. Where the one before is
older than the channel's staleness there was a gap: the sample then stands for one nominal interval of its
source, and the gap for nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from daq.bench import Bench
from daq.watch.columns import Columns, FloatArray, IntArray, last_before

__all__ = ["QUANTITIES", "Bins", "stale_ns"]

QUANTITIES = (
    "volts",
    "amps",
    "watts",
    "volt_amps",
    "amps2",
    "lye_temp",
    "room_temp",
    "gas_temp",
    "gas_flow",
    "room_pressure",
    "gas_pressure",
    "gas_humidity",
    "volts_rms",
    "amps_rms",
    "duty",
)
"""What is summed: channels by name, `volt_amps` the product of volts and amps, and `amps2` the square of
amps.
"""

_INDEX = {name: i for i, name in enumerate(QUANTITIES)}


def stale_ns(bench: Bench, channel: str) -> int:
    """The channel's staleness [ns]."""
    return int(bench.channels[channel].stale_after_s * 1e9)


@dataclass(slots=True)
class Bins:
    """Sums by step; step `k` covers the instants in ``(k * step_ns, (k + 1) * step_ns]``.

    Attributes
    ----------
    bench : Bench
    step_ns : int
        Length of a step [ns].
    first : int
        Number of the first step that is kept.
    seconds, sums : float64[len(QUANTITIES), n]
        Seconds stood for, and value times seconds, of each step kept.
    """

    bench: Bench
    step_ns: int = 1_000_000_000
    first: int = 0
    seconds: FloatArray = field(default_factory=lambda: np.zeros((len(QUANTITIES), 0)))
    sums: FloatArray = field(default_factory=lambda: np.zeros((len(QUANTITIES), 0)))
    _last_ns: dict[str, int] = field(default_factory=dict)
    _last_amps: tuple[IntArray, FloatArray] | None = None

    @property
    def end(self) -> int:
        """Number of the step after the last one kept."""
        return self.first + int(self.seconds.shape[1])

    def extend(self, end: int) -> None:
        """Make room so that steps up to, not including, `end` are kept."""
        more = end - self.end
        if more > 0:
            empty = np.zeros((len(QUANTITIES), more))
            self.seconds = np.concatenate([self.seconds, empty], axis=1)
            self.sums = np.concatenate([self.sums, empty], axis=1)

    def trim(self, first: int) -> None:
        """Forget the steps before `first`."""
        drop = min(first - self.first, int(self.seconds.shape[1]))
        if drop > 0:
            self.seconds = self.seconds[:, drop:].copy()
            self.sums = self.sums[:, drop:].copy()
            self.first += drop

    def add(self, columns: Columns) -> None:
        """Add samples; those of steps already forgotten are left out."""
        for name in QUANTITIES:
            if name in columns.channels:
                self._add(name, name, *columns.good(name))
        amps_t, amps = columns.good("amps")
        if amps_t.size:
            self._add("amps2", "amps", amps_t, amps * amps)
        self._add_product(columns, amps_t, amps)

    def _add_product(self, columns: Columns, amps_t: IntArray, amps: FloatArray) -> None:
        volts_t, volts = columns.good("volts")
        if "amps" not in self.bench.channels:
            return
        stale = stale_ns(self.bench, "amps")
        if self._last_amps is not None and amps_t.size:
            # Amps of another source may have come with the call before.
            amps_t = np.concatenate([self._last_amps[0], amps_t])
            amps = np.concatenate([self._last_amps[1], amps])
        elif self._last_amps is not None:
            amps_t, amps = self._last_amps
        if volts_t.size:
            product = volts * last_before(amps_t, amps, volts_t, stale)
            known = np.isfinite(product)
            if known.any():
                self._add("volt_amps", "volts", volts_t[known], product[known])
        if amps_t.size:
            self._last_amps = (amps_t[-1:], amps[-1:])

    def _add(self, quantity: str, channel: str, t_ns: IntArray, values: FloatArray) -> None:
        spec = self.bench.channels.get(channel)
        if spec is None or t_ns.size == 0:
            return
        stale = int(spec.stale_after_s * 1e9)
        nominal = min(stale, int(1e9 / self.bench.sources[spec.source].rate_hz))
        before = self._last_ns.get(quantity, int(t_ns[0]) - nominal)
        held = np.diff(t_ns, prepend=before)
        held[(held > stale) | (held < 0)] = nominal
        self._last_ns[quantity] = int(t_ns[-1])
        steps = -(-t_ns // self.step_ns) - 1 - self.first
        if steps[0] < 0:
            kept = steps >= 0
            steps, held, values = steps[kept], held[kept], values[kept]
            if steps.size == 0:
                return
        size = self.seconds.shape[1]
        if steps[-1] >= size:
            self.extend(self.first + int(steps[-1]) + 1)
            size = self.seconds.shape[1]
        row = _INDEX[quantity]
        seconds = held * 1e-9
        self.seconds[row] += np.bincount(steps, seconds, size)
        self.sums[row] += np.bincount(steps, seconds * values, size)

    def windows(self, ends: IntArray, steps: int) -> tuple[FloatArray, FloatArray]:
        """Seconds and sums of windows of `steps` steps.

        Parameters
        ----------
        ends : int64[m]
            Number of the step after each window's last.
        steps : int
            Steps in a window, at least 1.

        Returns
        -------
        seconds, sums : float64[len(QUANTITIES), m, steps]
            Steps that are not kept count as empty.
        """
        lead = max(0, self.first - (int(ends.min()) - steps)) if ends.size else 0
        tail = max(0, int(ends.max()) - self.end) if ends.size else 0
        pad = ((0, 0), (lead, tail))
        seconds = np.pad(self.seconds, pad) if lead or tail else self.seconds
        sums = np.pad(self.sums, pad) if lead or tail else self.sums
        starts = ends - steps - (self.first - lead)
        if seconds.shape[1] < steps:
            shape = (len(QUANTITIES), 0, steps)
            return np.zeros(shape), np.zeros(shape)
        view = np.lib.stride_tricks.sliding_window_view
        return view(seconds, steps, axis=1)[:, starts], view(sums, steps, axis=1)[:, starts]
