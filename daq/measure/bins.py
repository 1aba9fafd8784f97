"""Sums over short steps of time, from which every window is made.

A step (one second by default) keeps, for each quantity, the seconds that its samples stand for and the sum of
value times seconds. Sums add up, so a window live, a phase of a run and a whole day in review are the same
arithmetic, and a sample that arrives late is simply added to the step in which it was taken.

A sample of a channel whose `align` is "last" stands for the time since the sample before it, as the reading
of a meter that averages does. One that is to be interpolated is the end of a straight line from the sample
before it, whose integral goes to the very steps that the line crosses. Where the sample before is older than
the channel's staleness there was a gap: the sample then stands for one nominal interval, and the gap for
nothing.

Volts and amps are multiplied at the instants of the one that comes more often, the other brought there by
interpolation or as its last value; of one device's frames that is sample by sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.measure.align import integrals_by_step, interpolated, step_of
from daq.measure.columns import Columns, FloatArray, IntArray, last_before

__all__ = [
    "QUANTITIES",
    "Bins",
    "HoldTimes",
    "Late",
    "OwnSums",
    "interval_s",
    "stale_ns",
    "with_late",
]


@dataclass(frozen=True, slots=True)
class Late:
    """What went to a step before the one in which it was known: by quantity, one element a piece."""

    step: IntArray
    known: IntArray
    seconds: FloatArray
    sums: FloatArray

    def since(self, first: int) -> Late:
        """Without what was known before this step."""
        kept = self.known >= first
        if kept.all():
            return self
        return Late(self.step[kept], self.known[kept], self.seconds[kept], self.sums[kept])


def with_late(old: Late | None, new: Late) -> Late:
    """Both."""
    if old is None:
        return new
    return Late(
        np.concatenate([old.step, new.step]),
        np.concatenate([old.known, new.known]),
        np.concatenate([old.seconds, new.seconds]),
        np.concatenate([old.sums, new.sums]),
    )


def _take_back(
    late: Late, ends: IntArray, steps: int, later: int, seconds: FloatArray, sums: FloatArray
) -> None:
    """Out of windows goes what was not yet known when they were looked at: live it could not be there."""
    of = np.flatnonzero(late.known >= ends.min(initial=np.iinfo(np.int64).max) + later)
    if of.size == 0:
        return
    step = late.step[of]
    low = np.searchsorted(ends, step + 1)
    high = np.searchsorted(ends, np.minimum(late.known[of] - later, step + steps), side="right")
    count = np.maximum(high - low, 0)
    entry = np.repeat(np.arange(of.size), count)
    window = low[entry] + np.arange(entry.size) - np.repeat(np.cumsum(count) - count, count)
    column = step[entry] - ends[window] + steps
    np.subtract.at(seconds, (window, column), late.seconds[of][entry])
    np.subtract.at(sums, (window, column), late.sums[of][entry])
    # What rounding leaves of nothing must not count as a sample.
    rest = seconds[window, column] < 1e-9
    seconds[window[rest], column[rest]] = sums[window[rest], column[rest]] = 0.0


@dataclass(frozen=True, slots=True)
class OwnSums:
    """Seconds of samples by step from `low` on; `at` is each sample's step from there, `kept` which of the
    samples these are (None: all)."""

    low: int
    at: IntArray
    seconds: FloatArray
    total: FloatArray
    kept: NDArray[np.bool_] | None


@dataclass(slots=True)
class HoldTimes:
    """What samples of some times stand for."""

    t_ns: IntArray
    hold_ns: IntArray
    """[ns]"""
    gap: NDArray[np.bool_]
    steps: IntArray
    seconds: FloatArray
    sums: OwnSums | None = None


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
    "lye_level",
    "lye_conductivity",
)
"""What is summed: channels by name, `volt_amps` the product of volts and amps, and `amps2` the square of
amps.
"""

_INDEX = {name: i for i, name in enumerate(QUANTITIES)}


def stale_ns(bench: Bench, channel: str) -> int:
    """The channel's staleness [ns]."""
    return int(bench.channels[channel].stale_after_s * 1e9)


def interval_s(bench: Bench, channel: str) -> float:
    """How far apart the channel's samples are to be expected [s]."""
    spec = bench.channels[channel]
    return min(spec.stale_after_s, bench.sources[spec.source].interval_s(spec.field))


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
    causal : bool
        Whether a window shows only what was known at its end, as live; False in hindsight.
    seconds, sums : float64[len(QUANTITIES), n]
        Seconds stood for, and value times seconds, of each step kept.
    """

    bench: Bench
    step_ns: int = 1_000_000_000
    first: int = 0
    causal: bool = False
    seconds: FloatArray = field(default_factory=lambda: np.zeros((len(QUANTITIES), 0)))
    sums: FloatArray = field(default_factory=lambda: np.zeros((len(QUANTITIES), 0)))
    _last: dict[str, tuple[int, float, int]] = field(default_factory=dict)
    """Of each quantity the last sample's time [ns] and value, and when it was known [ns]."""
    _late: dict[str, Late] = field(default_factory=dict)
    _shared: dict[tuple[int, int, int, int | None], HoldTimes] = field(default_factory=dict, repr=False)
    """Within one `add`: what samples of some times stand for."""
    _other: tuple[IntArray, FloatArray] | None = None
    _waiting: tuple[IntArray, FloatArray] | None = None

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
            self._late = {name: late.since(self.first) for name, late in self._late.items()}

    def add(self, columns: Columns) -> None:
        """Add samples; those of steps already forgotten are left out."""
        self._shared.clear()
        for name in QUANTITIES:
            if name in columns.channels:
                self._add(name, name, *columns.good(name))
        amps_t, amps = columns.good("amps")
        if amps_t.size:
            self._add("amps2", "amps", amps_t, amps * amps)
        if "amps" in self.bench.channels and "volts" in self.bench.channels:
            self._add_product(columns)
        self._shared.clear()

    def _add_product(self, columns: Columns) -> None:
        faster, slower = self._pair()
        spec = self.bench.channels[slower]
        stale = stale_ns(self.bench, slower)
        times, values = _after(self._other, columns.good(slower))
        t_ns, driver = columns.good(faster)
        known = t_ns
        if spec.align == "interpolate":
            t_ns, driver = _after(self._waiting, (t_ns, driver))
            # Until the next value of the slower one has come the line to it is not known; and beyond its
            # staleness there will be none.
            last = int(times[-1]) if times.size else -stale
            ready, expired = np.searchsorted(t_ns, [last, last + stale], side="right").tolist()
            self._waiting = t_ns[ready:expired], driver[ready:expired]
            t_ns, driver = t_ns[:ready], driver[:ready]
            other, known = interpolated(times, values, t_ns, stale)
        else:
            other = last_before(times, values, t_ns, stale)
        product = driver * other
        there = np.isfinite(product)
        if there.any():
            self._add("volt_amps", faster, t_ns[there], product[there], known[there])
        if times.size:
            self._other = (times[-1:], values[-1:])

    def _pair(self) -> tuple[str, str]:
        """Volts and amps, the one that comes more often first."""
        volts, amps = interval_s(self.bench, "volts"), interval_s(self.bench, "amps")
        return ("amps", "volts") if amps < volts else ("volts", "amps")

    def _add(
        self,
        quantity: str,
        channel: str,
        t_ns: IntArray,
        values: FloatArray,
        known_ns: IntArray | None = None,
    ) -> None:
        spec = self.bench.channels.get(channel)
        if spec is None or t_ns.size == 0:
            return
        last = self._last.get(quantity)
        hold = self._hold_times(channel, t_ns, None if last is None else last[0])
        if spec.align != "last":
            self._add_lines(
                quantity, t_ns, values, t_ns if known_ns is None else known_ns, hold.hold_ns, hold.gap
            )
        elif known_ns is None:
            self._post_at_once(quantity, hold, values)
        else:
            seconds = hold.seconds
            self._post(quantity, hold.steps, step_of(known_ns, self.step_ns), seconds, seconds * values)
        known = int(t_ns[-1]) if known_ns is None else int(known_ns[-1])
        self._last[quantity] = (int(t_ns[-1]), float(values[-1]), known)

    def _hold_times(self, channel: str, t_ns: IntArray, before: int | None) -> HoldTimes:
        """What samples of these times stand for; of channels that come in one frame it is the same."""
        stale = stale_ns(self.bench, channel)
        nominal = min(stale, int(1e9 * interval_s(self.bench, channel)))
        key = (id(t_ns), stale, nominal, before)
        found = self._shared.get(key)
        if found is not None and found.t_ns is t_ns:
            return found
        hold_ns = np.empty_like(t_ns)
        hold_ns[0] = nominal if before is None else int(t_ns[0]) - before
        np.subtract(t_ns[1:], t_ns[:-1], out=hold_ns[1:])
        gap = (hold_ns > stale) | (hold_ns < 0)
        if before is None:
            gap[0] = True
        hold_ns[gap] = nominal
        times = self._shared[key] = HoldTimes(
            t_ns, hold_ns, gap, step_of(t_ns, self.step_ns), np.multiply(hold_ns, 1e-9)
        )
        return times

    def _post_at_once(self, quantity: str, hold: HoldTimes, values: FloatArray) -> None:
        """Add what was known in its own step."""
        sums = hold.sums
        if sums is None:
            sums = hold.sums = self._own_steps(hold)
        if sums.total.size == 0:
            return
        kept = values if sums.kept is None else values[sums.kept]
        row, first = _INDEX[quantity], sums.low - self.first
        some = slice(first, first + sums.total.size)
        self.seconds[row, some] += sums.total
        self.sums[row, some] += np.bincount(sums.at, sums.seconds * kept, sums.total.size)

    def _own_steps(self, hold: HoldTimes) -> OwnSums:
        """Their seconds summed by step, of those steps that are kept; makes room for these."""
        steps, seconds, kept = hold.steps, hold.seconds, None
        if int(steps.min()) < self.first:
            kept = steps >= self.first
            steps, seconds = steps[kept], seconds[kept]
        if steps.size == 0:
            return OwnSums(0, steps, seconds, np.zeros(0), kept)
        low = int(steps.min())
        self.extend(int(steps.max()) + 1)
        at = steps - low
        return OwnSums(low, at, seconds, np.bincount(at, seconds).astype(np.float64), kept)

    def _add_lines(
        self,
        quantity: str,
        t_ns: IntArray,
        values: FloatArray,
        known_ns: IntArray,
        hold_ns: IntArray,
        gap: NDArray[np.bool_],
    ) -> None:
        """Straight lines from sample to sample; after a gap a sample stands for itself."""
        last = self._last.get(quantity, (0, 0.0, 0))
        first = np.concatenate([[last[1]], values[:-1]])
        known = np.maximum(known_ns, np.concatenate([np.array([last[2]], dtype=np.int64), known_ns[:-1]]))
        first[gap], known[gap] = values[gap], known_ns[gap]
        some = hold_ns > 0
        integrals = integrals_by_step(
            (t_ns - hold_ns)[some], t_ns[some], first[some], values[some], self.step_ns
        )
        self._post(
            quantity,
            integrals.step,
            step_of(known[some][integrals.of], self.step_ns),
            integrals.seconds,
            integrals.sums,
        )

    def _post(
        self, quantity: str, steps: IntArray, known: IntArray, seconds: FloatArray, sums: FloatArray
    ) -> None:
        """Add to steps; `known` is the step in which each was known."""
        kept = steps >= self.first
        if not kept.all():
            steps, known, seconds, sums = steps[kept], known[kept], seconds[kept], sums[kept]
        if steps.size == 0:
            return
        end = int(steps.max()) + 1
        if end > self.end:
            self.extend(end)
        row, size, at = _INDEX[quantity], self.seconds.shape[1], steps - self.first
        self.seconds[row] += np.bincount(at, seconds, size)
        self.sums[row] += np.bincount(at, sums, size)
        late = known > steps
        if self.causal and late.any():
            self._late[quantity] = with_late(
                self._late.get(quantity), Late(steps[late], known[late], seconds[late], sums[late])
            )

    def windows(
        self, ends: IntArray, steps: int, *, of: Sequence[str] = QUANTITIES, later: int = 0
    ) -> tuple[FloatArray, FloatArray]:
        """Seconds and sums of windows of `steps` steps.

        Parameters
        ----------
        ends : int64[m]
            Number of the step after each window's last, rising.
        steps : int
            Steps in a window, at least 1.
        of : sequence of str
            Which of `QUANTITIES`.
        later : int
            So many steps after its end a window is looked at.

        Returns
        -------
        seconds, sums : float64[len(of), m, steps]
            Steps that are not kept count as empty.
        """
        if ends.size == 0:
            return np.zeros((len(of), 0, steps)), np.zeros((len(of), 0, steps))
        first, last = int(ends[0]) - steps, int(ends[-1])
        rows = [_INDEX[name] for name in of]
        found = (
            _windows_of(self._between(self.seconds, rows, first, last), ends - steps - first, steps),
            _windows_of(self._between(self.sums, rows, first, last), ends - steps - first, steps),
        )
        for name, late in self._late.items():
            if name in of:
                k = of.index(name)
                _take_back(late, ends, steps, later, found[0][k], found[1][k])
        return found

    def _between(self, kept: FloatArray, rows: list[int], first: int, last: int) -> FloatArray:
        """Columns of steps `first` up to, not including, `last`; empty where no step is kept."""
        low, high = max(first, self.first), min(last, self.end)
        if low == first and high == last:
            return kept[rows, low - self.first : high - self.first]
        out = np.zeros((len(rows), last - first))
        if high > low:
            out[:, low - first : high - first] = kept[rows, low - self.first : high - self.first]
        return out


def _windows_of(columns: FloatArray, starts: IntArray, steps: int) -> FloatArray:
    """Windows that begin at these columns, float64[rows, m, steps]; an array of its own."""
    if starts.size == 1:  # live
        return columns[:, np.newaxis]
    windows: FloatArray = np.lib.stride_tricks.sliding_window_view(columns, steps, axis=1)[:, starts]
    return windows


def _after(
    kept: tuple[IntArray, FloatArray] | None, new: tuple[IntArray, FloatArray]
) -> tuple[IntArray, FloatArray]:
    """What was kept from the call before, and what is new."""
    if kept is None or kept[0].size == 0:
        return new
    return np.concatenate([kept[0], new[0]]), np.concatenate([kept[1], new[1]])
