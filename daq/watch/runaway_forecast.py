"""From what is known of a stack to its futures: a hundred of them, each as likely as the data leave it.

The balance has one state, so no stepping is needed: where the net rate first falls to zero the temperature
settles, and the time to a limit is the integral of dT over the rate.

References
----------
.. [1] Additive recurrences (Kronecker sequences): L. Kuipers, H. Niederreiter, Uniform Distribution of
   Sequences (1974), ch. 2. The step, powers of the root of ``x^(d+1) = x + 1``, is common practice, no
   published source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtri

from daq.watch.runaway_current import VOLTS_SLOPE, CurrentLaw
from daq.watch.runaway_model import GRID_HIGH_C, FloatArray, Tables
from daq.watch.runaway_thermal import CAPACITY, GAMMA, KAPPA, REFERENCE_RISE_K, ROOM, VAPOUR, ThermalFilter
from daq.watch.runaway_thermal import T as TEMP

__all__ = ["FUTURES", "Band", "Futures", "roll_out"]

FUTURES: Final = 96
_DIMENSIONS: Final = 12
_GRID_UP: Final = 64
_GRID_DOWN: Final = 24
_CAP_BELIEVED: Final = 0.9
HORIZON_S: Final = 24.0 * 3600.0


@dataclass(frozen=True, slots=True)
class Band:
    """A value with the 5 % and 95 % points of its distribution; None is beyond what is looked at."""

    value: float | None
    low: float | None
    high: float | None


def _normals() -> FloatArray:
    """Standard normal numbers, evenly spread: an additive recurrence, [1]."""
    root = _generalised_golden_ratio(_DIMENSIONS)
    steps = root ** -np.arange(1.0, _DIMENSIONS + 1.0)
    u = (0.5 + np.arange(1.0, FUTURES + 1.0)[:, None] * steps) % 1.0
    return np.asarray(ndtri(np.clip(u, 1e-4, 1.0 - 1e-4)))


def _generalised_golden_ratio(d: int) -> float:
    x = 2.0
    for _ in range(64):
        x = float((1.0 + x) ** (1.0 / (d + 1.0)))
    return x


_Z: Final = _normals()


@dataclass(frozen=True, slots=True)
class Futures:
    """All futures at one instant: where each settles [degC] (inf: it does not), and the way there."""

    settles_c: FloatArray
    gain: FloatArray
    grid: FloatArray
    reach_s: FloatArray
    """Time to each temperature of `grid` from now [s], futures by temperatures; inf where not reached."""

    def time_to(self, limit_c: float, now_c: float) -> FloatArray:
        """Time to a limit in each future [s]; 0 if already there, inf if never within the horizon."""
        if limit_c <= now_c:
            return np.zeros(len(self.settles_c))
        k = int(np.searchsorted(self.grid, limit_c))
        k = min(max(k, 1), len(self.grid) - 1)
        f = (limit_c - self.grid[k - 1]) / (self.grid[k] - self.grid[k - 1])
        a, b = self.reach_s[:, k - 1], self.reach_s[:, k]
        with np.errstate(invalid="ignore"):
            t = np.where(np.isfinite(b), a + f * (b - a), np.inf)
        return np.where(t <= HORIZON_S, t, np.inf)


def _square_root(p: FloatArray) -> FloatArray:
    w, v = np.linalg.eigh(p)
    return np.asarray(v * np.sqrt(np.maximum(w, 0.0)))


def _current(law: CurrentLaw, grid: FloatArray, capped: bool) -> tuple[FloatArray, FloatArray]:
    """Current and stack volts on the grid in each future (futures by temperatures)."""
    z = _Z[:, 7:10]
    x = grid[None, :]
    if law.held == "current":
        slope = law.volts_slope + math.sqrt(law.volts_slope_var) * z[:, :1]
        volts = law.volts * np.exp(-np.clip(slope, 0.0, 0.006) * (x - law.t_now))
        return np.full(volts.shape, law.amps), volts
    s = law.x + z @ _square_root(law.p).T
    alpha, m = np.clip(s[:, 1:2], 0.0, 0.08), np.clip(s[:, 2:3], 0.05, 1.6)
    g = np.maximum(1.0 + m * alpha * (x - law.t_ref), 0.2)
    amps = np.exp(s[:, 0:1] + np.log(g) / m)
    volts = np.full(amps.shape, law.volts)
    if capped and law.cap is not None and not law.cap_exceeded and not law.pulsed:
        cap = np.maximum(law.cap * np.exp(0.015 * _Z[:, 10:11]), law.amps)
        cap[_Z[:, 11] > ndtri(_CAP_BELIEVED)] = np.inf
        over = np.log(np.maximum(amps / cap, 1.0))
        amps = np.minimum(amps, cap)
        volts = volts * np.exp(-VOLTS_SLOPE[0] * over / np.maximum(alpha / g, 0.004))
    return amps, volts


def roll_out(
    thermal: ThermalFilter, law: CurrentLaw, tables: Tables, faradaic: float, *, capped: bool = True
) -> Futures:
    """Every future from now, under present conditions."""
    now = float(thermal.x[TEMP])
    s = thermal.x + _Z[:, :7] @ _square_root(thermal.p).T
    room_low = float(thermal.x[ROOM]) - 2.0 * thermal.sd(ROOM)
    down = np.linspace(min(room_low, now - 2.0), now, _GRID_DOWN, endpoint=False)
    up = now + (GRID_HIGH_C - now) * np.linspace(0.0, 1.0, _GRID_UP) ** 1.4
    grid = np.concatenate([down, up])
    amps, volts = _current(law, grid, capped)
    gas_volts = np.interp(grid, tables.grid, tables.gas_volts)
    vapour_volts = np.interp(grid, tables.grid, tables.vapour_volts)
    c, kappa = np.exp(s[:, CAPACITY, None]), np.exp(s[:, KAPPA, None])
    gamma = np.clip(s[:, GAMMA, None], -0.1, 0.5)
    vapour = np.clip(s[:, VAPOUR, None], 0.0, 1.3)
    rise = grid[None, :] - s[:, ROOM, None]
    shape = (np.maximum(np.abs(rise), 0.5) / REFERENCE_RISE_K) ** gamma
    made = c * amps * (volts - faradaic * gas_volts - vapour * faradaic * vapour_volts)
    rate = made - kappa * rise * shape
    return _follow(grid, rate, made, kappa * rise * shape)


def _follow(grid: FloatArray, rate: FloatArray, made: FloatArray, lost: FloatArray) -> Futures:
    n = _GRID_DOWN
    at_now = rate[:, n]
    # Upwards: first temperature at which the rate falls to zero
    up = rate[:, n:]
    stop = up <= 0.0
    first = np.where(stop.any(1), stop.argmax(1), up.shape[1])
    cells = np.arange(up.shape[1] - 1)[None, :]
    a, b = up[:, :-1], up[:, 1:]
    inside = cells + 1 < first[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = b / a
        mean = np.where(np.abs(ratio - 1.0) < 1e-6, a, (b - a) / np.log(ratio))
        spent = np.where(inside, np.diff(grid[n:])[None, :] / mean, np.inf)
    reach = np.concatenate([np.zeros((len(up), 1)), np.cumsum(spent, 1)], 1)
    reach[first == 0, 1:] = np.inf
    settles = np.full(len(up), np.inf)
    rows = np.arange(len(up))
    hit = (first > 0) & (first < up.shape[1])
    k = first[hit]
    fa, fb = up[rows[hit], k - 1], up[rows[hit], k]
    g = grid[n:]
    settles[hit] = g[k - 1] + (g[k] - g[k - 1]) * fa / (fa - fb)
    # Downwards: last temperature below now at which the rate is not negative
    falling = at_now <= 0.0
    if falling.any():
        below = rate[falling, : n + 1]
        holds = below[:, ::-1] >= 0.0
        j = np.where(holds.any(1), n - holds.argmax(1), 0)
        j = np.minimum(j, n - 1)
        r = np.arange(len(j))
        fa, fb = below[r, j], below[r, j + 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.clip(np.where(fa > fb, fa / (fa - fb), 0.0), 0.0, 1.0)
        settles[falling] = grid[j] + (grid[j + 1] - grid[j]) * part
    i = n + 1
    d = grid[i] - grid[i - 2]
    gain = (made[:, i] - made[:, i - 2]) / d / np.maximum((lost[:, i] - lost[:, i - 2]) / d, 1e-9)
    full = np.full((len(up), len(grid)), np.inf)
    full[:, : n + 1] = 0.0
    full[:, n:] = reach
    return Futures(settles, gain, grid, full)
