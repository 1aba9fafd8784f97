"""Whether a source says the same again and again: a converter or a program that hangs, and not a calm bench.

A reading of fine digits never stands still: its own noise moves it, whatever the bench does. A reading of
coarse digits may well. So what is to be expected of a source is learned from the source itself, while it
moves: a channel is *restless* when nearly every reading differs from the one before it and the changes turn
about, as noise does and a slow drift through digits does not. A source with restless channels that then
stands still as a whole hangs. Reader and watch go through this same code.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench

__all__ = ["Stillness", "StillnessRule", "stillness_rule"]

AFTER_S: Final = 10.0
"""A restless source that has stood still for so long hangs [s] (judgement: trends of lye take minutes)."""
LEAST_FRAMES: Final = 60
"""... and for so many of its own readings. Where each repeats the one before with a chance of 0.5, as with
white noise of half a digit, so many in a row repeat with a chance of 1e-18; with 0.3 digits, about the middle
of a digit, 7e-6. What was learned is 1.4 digits at least, see `MOST_SAME`."""
CHUNK: Final = 100
"""Readings of each channel that are looked at to learn whether it is restless."""
MOST_SAME: Final = 0.2
"""Share of readings equal to the one before. White noise of s digits, rounded, repeats with a chance of
1 / (2 s sqrt(pi)), the density of the difference of two normal values at 0: 0.2 is s = 1.4."""
LEAST_TURNS: Final = 0.3
"""Share of readings that turn about; independent noise has 2/3 (three values in a row make a peak or a
trough with that chance), a random walk 1/2, a drift none."""
CALM_FRAMES: Final = 5
"""Readings further into a standstill teach nothing: they are what is to be judged."""
REST_CHUNKS: Final = 9
"""Once a source is known to be restless, this many chunks pass before it is looked at again."""
FINE: Final = 0.02
"""A stated resolution of so little [unit] is fine ..."""
FINE_CHANNELS: Final = 3
"""... and where so many channels of a source state one, an electrical one among them, they need not be seen
to move first ..."""
FINE_AFTER_S: Final = 60.0
"""... to hang when none of them has moved for so long [s] (judgement)."""

STATES: Final = ("relay", "duty")
"""Channels that are settings rather than readings."""
REGULATED: Final = ("volts", "amps", "watts")
"""What a supply holds may stand still by its own doing; alone it proves nothing."""


@dataclass(frozen=True, slots=True)
class StillnessRule:
    """When a source counts as frozen.

    Attributes
    ----------
    source : str
    channels : tuple of str
        Its readings.
    after_s : float
        [s]
    stated : bool
        The bench file says after how long: nothing is learned then.
    slots : int
        Over how many frames the readings are spread: one where each frame carries all.
    fine : bool
        The stated digits are so fine that the source need not be seen to move first.
    """

    source: str
    channels: tuple[str, ...]
    after_s: float
    stated: bool
    slots: int
    fine: bool


def stillness_rule(bench: Bench, source: str) -> StillnessRule | None:
    """The rule of a source; None where it has no readings, or the bench file switches it off."""
    spec = bench.sources[source]
    channels = tuple(n for n, c in bench.channels.items() if c.source == source and n not in STATES)
    if not channels or spec.frozen_after_s == 0.0:
        return None
    slots = len(channels) if spec.sparse else 1
    fines = [c for c in channels if 0.0 < bench.channels[c].resolution <= FINE]
    fine = len(fines) >= FINE_CHANNELS and any(c in REGULATED for c in fines)
    if spec.frozen_after_s is not None:
        return StillnessRule(source, channels, spec.frozen_after_s, True, slots, fine)
    interval_s = max(spec.interval_s(bench.channels[c].field) for c in channels)
    return StillnessRule(source, channels, max(AFTER_S, LEAST_FRAMES * interval_s), False, slots, fine)


@dataclass(slots=True)
class Stillness:
    """Follows one source from frame to frame.

    Parameters
    ----------
    rule : StillnessRule

    Attributes
    ----------
    active : bool
        It is frozen: it has stood still for too long while the stack was powered.
    since_ns : int or None
        When it last moved, or when the stack was last powered [ns]; None before the first reading.
    """

    rule: StillnessRule
    active: bool = False
    since_ns: int | None = None
    _on: bool = False
    _frames: int = 0
    """Since it last moved."""
    _last: list[float] = field(init=False)
    _rising: list[bool] = field(init=False)
    _same: list[int] = field(init=False)
    _turns: list[int] = field(init=False)
    _seen: list[int] = field(init=False)
    _chunk: int = 0
    """Frames of the present chunk; negative while none is looked at."""
    _restless: bool = False

    def __post_init__(self) -> None:
        n = len(self.rule.channels)
        self._last, self._rising = [float("nan")] * n, [False] * n
        self._same, self._turns, self._seen = [0] * n, [0] * n, [0] * n

    def power(self, t_ns: int, on: bool) -> None:
        """Whether the stack is powered from `t_ns` on: what is off may stand still, and is learned anew."""
        if on == self._on:
            return
        self._on = on
        self.active = False
        if on:
            self.since_ns, self._frames = t_ns, 0
        else:
            self._restless = False
            self._begin()

    def step(self, t_ns: int, row: Sequence[float]) -> bool:
        """Take one frame's readings, in the order of the rule's channels, NaN where there is none; returns
        `active`."""
        last, moved, seen = self._last, False, False
        learns = self._chunk >= 0 and self._frames <= CALM_FRAMES * self.rule.slots
        for i, value in enumerate(row):
            if value != value:
                continue
            seen = True
            before = last[i]
            if value != before:
                moved = True
                last[i] = value
            if not learns or before != before:
                continue
            self._seen[i] += 1
            if value == before:
                self._same[i] += 1
            elif (value > before) != self._rising[i]:
                self._turns[i] += 1
                self._rising[i] = not self._rising[i]
        if not seen:
            return self.active
        if learns or self._chunk < 0:
            self._chunk += 1
            if self._chunk >= CHUNK * self.rule.slots:
                self._judge()
        if moved or self.since_ns is None:
            self.since_ns, self._frames, self.active = t_ns, 0, False
        else:
            self._frames += 1
            self.active = self._on and self._stands_too_long(t_ns - self.since_ns)
        return self.active

    def steps(self, t_ns: NDArray[np.int64], rows: NDArray[np.float64]) -> list[tuple[int, bool]]:
        """As `step` for each of many frames; when it became frozen [ns] and when it moved again.

        Parameters
        ----------
        t_ns : int64[n]
        rows : float64[n, channels]

        Returns
        -------
        list of (int, bool)
            Each change of `active`, with its time.
        """
        changes: list[tuple[int, bool]] = []
        at, n = 0, len(t_ns)
        while at < n:
            done = self._skip(t_ns[at:], rows[at:])
            if done:
                at += done
                continue
            upto = min(n, at + CHUNK)
            for t, row in zip(t_ns[at:upto].tolist(), rows[at:upto].tolist(), strict=True):
                was = self.active
                if self.step(t, row) != was:
                    changes.append((t, not was))
            at = upto
        return changes

    def _skip(self, t_ns: NDArray[np.int64], rows: NDArray[np.float64]) -> int:
        """Take many frames of a source that moves, while nothing is learned; how many, 0 where one must look
        closer."""
        n = min(-self._chunk, len(t_ns))
        if n < 2 or self.active or self.since_ns is None:
            return 0
        part = rows[:n]
        moved = (np.diff(part, axis=0, prepend=np.array([self._last])) != 0.0).any(axis=1)
        if not np.isfinite(part).all() or not np.isfinite(self._last).all() or not moved.any():
            return 0
        at = np.flatnonzero(moved)
        stood_ns = np.diff(np.concatenate(([self.since_ns], t_ns[at], t_ns[n - 1 : n])))
        if not 0 <= int(stood_ns.min()) <= int(stood_ns.max()) < self.rule.after_s * 1e9:
            return 0
        self._last = part[-1].tolist()
        self._chunk += n
        self.since_ns, self._frames = int(t_ns[at[-1]]), n - 1 - int(at[-1])
        if self._chunk == 0:
            self._begin()
        return n

    def _stands_too_long(self, for_ns: int) -> bool:
        rule, for_s = self.rule, for_ns * 1e-9
        if for_s < rule.after_s:
            return False
        if rule.stated:
            return True
        if self._frames < LEAST_FRAMES * rule.slots:
            return False
        return self._restless or (rule.fine and for_s >= FINE_AFTER_S)

    def _judge(self) -> None:
        names = [
            c
            for c, same, turns, n in zip(self.rule.channels, self._same, self._turns, self._seen, strict=True)
            if n >= CHUNK // 2 and same <= MOST_SAME * n and turns >= LEAST_TURNS * n
        ]
        self._restless = len(names) > 1 or any(c not in REGULATED for c in names)
        self._begin()
        if self._restless:
            self._chunk = -REST_CHUNKS * CHUNK * self.rule.slots

    def _begin(self) -> None:
        n = len(self.rule.channels)
        self._chunk = 0
        self._same, self._turns, self._seen = [0] * n, [0] * n, [0] * n

    def save(self) -> dict[str, Any]:
        """State as JSON says it."""
        return {
            "active": self.active,
            "still_ns": self.since_ns,
            "on": self._on,
            "frames": self._frames,
            "last": [None if v != v else v for v in self._last],
            "rising": list(self._rising),
            "learned": [self._same, self._turns, self._seen],
            "chunk": self._chunk,
            "restless": self._restless,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state; one of other channels is left aside."""
        if len(state["last"]) != len(self._last):
            return
        self.active, self._on = bool(state["active"]), bool(state["on"])
        self.since_ns = None if state["still_ns"] is None else int(state["still_ns"])
        self._frames, self._chunk = int(state["frames"]), int(state["chunk"])
        self._last = [float("nan") if v is None else float(v) for v in state["last"]]
        self._rising = [bool(v) for v in state["rising"]]
        self._same, self._turns, self._seen = ([int(v) for v in part] for part in state["learned"])
        self._restless = bool(state["restless"])
