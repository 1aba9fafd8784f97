"""From ticks to bins: what a reading is worth before the heat balance sees it.

Glitches (the 85.0 of a power-on sensor) are held back unless they persist; a reading that stands still is
told from a steady one; a clipped current is told from a held one; gaps are counted.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Final

from daq.forecast.tuning import TUNING

__all__ = ["Bin", "Preprocessor"]

POWER_ON_C: Final = 85.0
"""What a DS18B20 says after power-up before its first conversion (its data sheet)."""

_SAME_C: Final = 1e-6
"""Readings no further apart are the same one, however they were rounded."""


def _power_on(value: float) -> bool:
    return math.isclose(value, POWER_ON_C, rel_tol=1e-9)


@dataclass(slots=True)
class Bin:
    """Means over a bin; None is not known in it."""

    t_s: float
    dt_s: float
    lye_c: float | None
    lye_var: float
    amps: float | None
    watts: float | None
    room_c: float | None
    flow: float | None
    jumped: bool
    stuck: bool
    still_since_s: float
    """When the temperature last changed in its last digit [s]."""
    clipped: bool
    amps_still_since_s: float
    """When the current last changed in its last digit [s]."""
    missing: float
    noise_c: float
    glitches: int
    """Readings that leapt away and back."""


@dataclass(slots=True)
class _Mean:
    total: float = 0.0
    n: int = 0

    def add(self, value: float) -> None:
        self.total += value
        self.n += 1

    def take(self) -> float | None:
        mean = self.total / self.n if self.n else None
        self.total, self.n = 0.0, 0
        return mean


@dataclass(slots=True)
class _StuckAtDetector:
    """How long a reading has not changed in its last digit, and whether it used to: in its own ticks."""

    last: float = math.nan
    since_s: float = math.nan
    run: int = 0
    changes: float = 0.0
    """Share of ticks with another value than the one before."""
    ticks: int = 0
    longest: int = 0
    """Of the runs that were not held to be stuck."""
    ever: bool = False
    """Whether it has ever changed."""

    def add(self, value: float, t_s: float) -> None:
        if math.isnan(self.last):
            self.last, self.since_s = value, t_s
            return
        # Means of equal readings differ by how they are rounded.
        same = math.isclose(value, self.last, rel_tol=1e-9)
        if self.run < TUNING.stuck_often:
            self.ticks += 1
            self.changes += max(TUNING.stuck_forgets, 1.0 / self.ticks) * (
                (0.0 if same else 1.0) - self.changes
            )
        if same:
            self.run += 1
            return
        if self.run and not self.beyond():
            self.longest = max(self.longest, self.run)
        self.run = 0
        self.ever = True
        self.last, self.since_s = value, t_s

    def beyond(self) -> bool:
        """Whether it stands still for longer than its own noise allows."""
        # Two standard deviations of the share, as so many ticks tell it, on the safe side
        over = max(0.5 * TUNING.stuck_forgets, 1.0 / (self.ticks + 4.0))
        share = self.changes - 2.0 * math.sqrt(over * self.changes * (1.0 - self.changes))
        if share <= TUNING.stuck_changes_least or self.run < TUNING.stuck_outlasts * self.longest:
            return False
        return (1.0 - min(share, TUNING.stuck_changes_most)) ** self.run < TUNING.stuck_by_chance


@dataclass(slots=True)
class Preprocessor:
    """Collects ticks; `add` returns a bin when one is full."""

    bin_s: float
    powered_above_amps: float = 0.3
    _powered_s: float | None = None
    """Since when [s]."""
    _start: float | None = None
    _last_t: float = math.nan
    _lye: list[float] = field(default_factory=list)
    _accepted: float = math.nan
    _doubt: list[float] = field(default_factory=list)
    _recent: deque[float] = field(default_factory=lambda: deque(maxlen=3))
    _noise: float = 0.08
    _digit: float = math.inf
    """Least change seen [K]: the last digit, where that is coarse."""
    _jumped: bool = False
    _glitches: int = 0
    _lye_still: _StuckAtDetector = field(default_factory=_StuckAtDetector)
    _amps_still: _StuckAtDetector = field(default_factory=_StuckAtDetector)
    _amps: _Mean = field(default_factory=_Mean)
    _watts: _Mean = field(default_factory=_Mean)
    _room: _Mean = field(default_factory=_Mean)
    _flow: _Mean = field(default_factory=_Mean)
    _missing: float = 0.0

    def add(
        self,
        t_s: float,
        amps: float | None,
        watts: float | None,
        lye: float | None,
        room: float | None,
        flow: float | None,
    ) -> Bin | None:
        """Take one tick; None for what is missing or bad.

        Parameters
        ----------
        t_s : float
            Time of the run, rising [s].
        amps, watts : float, optional
            Of the stack [A, W].
        lye, room : float, optional
            Temperatures [degC].
        flow : float, optional
            Dry gas at the reference [L/min].
        """
        full = None
        if self._start is None:
            self._start = t_s
        elif t_s - self._start >= self.bin_s:
            full = self._close(t_s)
        self._missing += 0.02 * ((1.0 if lye is None or amps is None else 0.0) - self._missing)
        if lye is not None:
            self._temperature(lye, t_s)
        if amps is not None:
            self._amps.add(amps)
            self._amps_still.add(amps, t_s)
            if amps <= self.powered_above_amps:
                self._powered_s = None
            elif self._powered_s is None:
                self._powered_s = t_s
        if watts is not None:
            self._watts.add(watts)
        if room is not None:
            self._room.add(room)
        if flow is not None:
            self._flow.add(flow)
        self._last_t = t_s
        return full

    def _temperature(self, value: float, t_s: float) -> None:
        allowed = 1.5 + 6.0 * self._noise
        first = math.isnan(self._accepted)
        if first and _power_on(value) and not self._doubt:
            self._doubt.append(value)
            return
        if not first and abs(value - self._accepted) > allowed:
            if self._doubt and abs(value - self._doubt[-1]) > allowed:
                self._doubt.clear()
            self._doubt.append(value)
            if len(self._doubt) < TUNING.glitch_ticks or _power_on(value):
                return
            # It persists: the temperature has really moved, as when cold water is added.
            self._jumped = True
            self._lye.clear()
            self._recent.clear()
        elif self._doubt:
            self._glitches += len(self._doubt)
        self._doubt.clear()
        moved = abs(value - self._accepted)
        if moved > _SAME_C:
            self._digit = min(self._digit, moved)
        self._accepted = value
        self._lye_still.add(value, t_s)
        self._lye.append(value)
        self._recent.append(value)
        if len(self._recent) == 3:
            a, b, c = self._recent
            # sd of a second difference of white noise is sqrt(6) times its own
            bend = min(abs(a - 2.0 * b + c) / 2.45, 6.0 * self._noise)
            self._noise += 0.02 * (1.25 * bend - self._noise)
            self._noise = max(self._noise, 0.004)

    def _never_moves(self, t_s: float) -> bool:
        still = self._lye_still
        if still.ever or self._powered_s is None or math.isnan(still.since_s):
            return False
        return t_s - max(still.since_s, self._powered_s) > TUNING.stuck_never_s

    def _variance(self, n: int) -> float:
        """Of a mean of `n` readings [K2]: a coarse digit averages away only where noise moves it about."""
        if n == 0:
            return math.inf
        white, digit = self._noise**2, self._digit**2 / 12.0 if self._digit < math.inf else 0.0
        dithered = 2.0 * self._noise > self._digit
        return (white + digit) / n + 0.01**2 if dithered else white / n + digit + 0.01**2

    def _close(self, t_s: float) -> Bin:
        assert self._start is not None
        n = len(self._lye)
        stuck = self._lye_still.beyond() or self._never_moves(t_s)
        made = Bin(
            t_s=t_s,
            dt_s=t_s - self._start,
            lye_c=math.fsum(self._lye) / n if n else None,
            lye_var=self._variance(n),
            amps=self._amps.take(),
            watts=self._watts.take(),
            room_c=self._room.take(),
            flow=self._flow.take(),
            jumped=self._jumped,
            stuck=stuck,
            still_since_s=self._lye_still.since_s,
            clipped=self._amps_still.beyond(),
            amps_still_since_s=self._amps_still.since_s,
            missing=self._missing,
            noise_c=self._noise,
            glitches=self._glitches,
        )
        self._lye.clear()
        self._jumped = False
        self._glitches = 0
        self._start = t_s
        return made
