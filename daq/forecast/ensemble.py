"""From what is known of a stack to its futures: a hundred of them, each as likely as the data leave it.

The balance has one state, so no stepping is needed: where the net rate first falls to zero the temperature
settles, and the time to a limit is the integral of dT over the rate.

The stack's fast mode is taken as having come to rest: the balance is followed along the temperatures at which
it stands, from where it will stand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

from daq.forecast.config import GRID_HIGH_C, FloatArray, Tables
from daq.forecast.current_model import CurrentLaw
from daq.forecast.thermal_filter_bank import (
    CAPACITY,
    FARADAIC,
    FAST,
    FAST_SHARE,
    FAST_SHARE_LEAST,
    FAST_TIME,
    GAMMA,
    KAPPA,
    LOSS_OFF,
    REFERENCE_RISE_K,
    ROOM,
    STATES,
    VAPOUR,
    ThermalFilter,
)
from daq.forecast.tuning import TUNING, Tuning

__all__ = ["MEMBERS", "Band", "Ensemble", "propagate"]

MEMBERS: Final = 64
_DIMENSIONS: Final = STATES + 9
_LAW, _CAP, _CAP_IS, _SAG, _STRONGER, _BEYOND_SEEN = (
    slice(STATES, STATES + 4), slice(STATES + 4, STATES + 5), STATES + 5, slice(STATES + 6, STATES + 7),
    slice(STATES + 7, STATES + 8), slice(STATES + 8, STATES + 9),
)  # fmt: skip
"""Which of the numbers drawn are whose."""
_GRID_TO: Final = 28
_GRID_ON: Final = 8
_GRID_DOWN: Final = 10


@dataclass(frozen=True, slots=True)
class Band:
    """A value with the 5 % and 95 % points of its distribution; None is beyond what is looked at."""

    value: float | None
    low: float | None
    high: float | None


_DESIGN: Final = 98
"""Of two hundred seeds the one whose numbers have the least centred L2 discrepancy (F. J. Hickernell, Math.
Comput. 67 (1998) 299, DOI 10.1090/S0025-5718-98-00894-1): the most even cover of all pairs of dimensions."""


_NORMAL: Final = NormalDist()
"""The standard library's: SciPy's would take the service 30 MiB for two quantiles."""


def _normals() -> FloatArray:
    """Standard normal numbers: even strata in each dimension, both signs, mean 0 and covariance 1."""
    rng = np.random.default_rng(_DESIGN)
    n = MEMBERS // 2
    strata = np.stack([rng.permutation(n) for _ in range(_DIMENSIONS)], axis=1)
    at = [_NORMAL.inv_cdf((n + k + 0.5) / (2.0 * n)) for k in range(n)]
    z = np.array(at)[strata] * np.where(rng.random((n, _DIMENSIONS)) < 0.5, -1.0, 1.0)
    both = np.concatenate([z, -z])
    low = np.linalg.cholesky(both.T @ both / MEMBERS)
    return np.asarray(np.linalg.solve(low, both.T).T)


_Z: Final = _normals()
_SPREAD: Final = np.argsort(np.random.default_rng(7).random(MEMBERS))
"""Which future belongs to which filter has nothing to do with the numbers drawn for it."""
_WIDENING: Final = np.linspace(0.0, 1.0, _GRID_TO, endpoint=False) ** 1.2
_BEYOND: Final = np.linspace(0.0, 1.0, _GRID_ON + 1)


@dataclass(frozen=True, slots=True)
class Ensemble:
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
        return np.where(t <= TUNING.horizon_s, t, np.inf)


_JITTER: Final = 1e-9 * np.eye(STATES)
"""Keeps correlations that rounding has brought to one positive definite."""


def _square_root(p: FloatArray) -> FloatArray:
    """A matrix whose square is each covariance: lower triangular, so that each number drawn bears on the same
    states at every look.
    """
    diagonal = np.einsum("...ii->...i", p)
    scale = np.sqrt(np.maximum(diagonal, 1e-24))
    normed = p / scale[..., :, None] / scale[..., None, :] + _JITTER[: p.shape[-1], : p.shape[-1]]
    try:
        return np.asarray(np.linalg.cholesky(normed) * scale[..., :, None])
    except np.linalg.LinAlgError:
        # Rounding has left it a little indefinite
        w, v = np.linalg.eigh(p)
        return np.asarray(v * np.sqrt(np.maximum(w, 0.0))[..., None, :])


def _drawn(thermal: ThermalFilter) -> FloatArray:
    """States of the futures: of each filter of the bank as many as it counts for."""
    ends = np.floor(np.cumsum(thermal.w) * MEMBERS + 0.5).astype(np.int64)
    ends[-1] = MEMBERS
    counts = np.diff(ends, prepend=0)
    which = np.repeat(np.arange(len(counts)), counts)[_SPREAD]
    used = np.unique(which)
    roots = _square_root(thermal.p[used])
    place = np.searchsorted(used, which)
    return np.asarray(thermal.x[which] + np.einsum("nij,nj->ni", roots[place], _Z[:, :STATES]))


def _current(
    law: CurrentLaw, grid: FloatArray, now_c: float, capped: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Current and stack volts on the grid in each future (futures by temperatures), and what the current
    wanders now (logarithm).
    """
    z = _Z[:, _LAW]
    x = grid[None, :]
    if law.regulated == "current":
        slope = law.volts_slope + math.sqrt(law.volts_slope_var) * z[:, :1]
        volts = law.volts * np.exp(-_within(slope, 0.0, 0.006) * (x - law.t_now))
        return np.full(volts.shape, law.amps), volts, np.zeros((MEMBERS, 1))
    s = law.x + z @ _square_root(law.p).T
    alpha, q = _within(s[:, 1:2], 0.0, 0.08), _within(s[:, 2:3], 1e-5, 0.05)
    g = np.maximum(1.0 + q * (x - law.t_ref), 0.2)
    log_amps = s[:, 0:1] + np.log(g) * alpha / q
    # Leads let the volts sag as the current grows
    at_now = s[:, 0:1] + np.log(np.maximum(1.0 + q * (now_c - law.t_ref), 0.2)) * alpha / q
    sag = law.sag[1] + math.sqrt(max(float(law.sag_p[1, 1]), 0.0)) * _Z[:, _SAG]
    volts = law.volts * np.exp(-_within(sag, 0.0, 3.0) * (log_amps - at_now))
    amps = np.exp(log_amps)
    if capped and law.cap is not None and not law.pulsed:
        z = _Z[:, _CAP]
        if law.cap_exceeded:
            cap, believed = law.amps * np.exp(TUNING.cap_wrong_spread * np.abs(z)), TUNING.cap_wrong_believed
        else:
            cap, believed = np.maximum(law.cap * np.exp(TUNING.cap_spread * z), law.amps), TUNING.cap_believed
        cap[_Z[:, _CAP_IS] > _NORMAL.inv_cdf(believed)] = np.inf
        over = np.log(np.maximum(amps / cap, 1.0))
        amps = np.minimum(amps, cap)
        volts = volts * np.exp(-TUNING.volts_slope[0] * over / np.maximum(alpha / g, 0.004))
    return amps, volts, s[:, 3:4]


def propagate(
    thermal: ThermalFilter, law: CurrentLaw, tables: Tables, *, capped: bool = True, tuning: Tuning = TUNING
) -> Ensemble:
    """Every future from now, under present conditions: what wanders comes back, what is used up goes on.

    Parameters
    ----------
    thermal : ThermalFilter
    law : CurrentLaw
    tables : Tables
        Of the bench's lye and gas.
    capped : bool
        Whether the supply's limit of current holds.
    tuning : Tuning
    """
    now = thermal.lye_c
    s = _drawn(thermal)
    room_low = thermal.mean(ROOM) - 2.0 * thermal.sd(ROOM)
    grid = _grid(min(room_low, now - 2.0), now, tables.highest_c)
    amps, volts, amps_off = _current(law, grid, now, capped)
    gas_volts = np.interp(grid, tables.grid, tables.gas_volts)
    vapour_volts = np.interp(grid, tables.grid, tables.vapour_volts)
    c, kappa = np.exp(s[:, CAPACITY, None]), np.exp(s[:, KAPPA, None])
    gamma = _within(s[:, GAMMA, None], -0.1, 0.5)
    vapour = _within(s[:, VAPOUR, None], 0.0, 1.3)
    fast = (
        _within(s[:, FAST_SHARE, None], FAST_SHARE_LEAST, 4.0)
        * np.exp(np.minimum(s[:, FAST_TIME, None], 9.0))
        * c
    )
    # Not cut at 1: it makes up for the gains of the meters too, and the loss was learned along with it
    faradaic = _within(s[:, FARADAIC, None], 0.3, 1.2)
    beyond = np.maximum(grid - max(now, law.high_t), 0.0)[None, :] / 10.0
    amps = amps * np.exp(tuning.beyond_sd * beyond * _Z[:, _BEYOND_SEEN])
    heat = amps * (volts - faradaic * gas_volts)
    stands = fast * heat
    rise = grid[None, :] - stands - s[:, ROOM, None]
    loss_rate = kappa * rise * (np.maximum(np.abs(rise), 0.5) / REFERENCE_RISE_K) ** gamma
    heat_rate = c * (heat - vapour * faradaic * (amps * vapour_volts))
    # dM/dT along the standing fast mode: it grows with the heat
    along = _within(1.0 - _slope(stands, grid), 0.3, 1.5)
    used_s = 1.0 / max(tables.used_per_s(law.amps), 1e-12)
    stronger = np.maximum(tuning.strengthens + tuning.strengthens_sd * _Z[:, _STRONGER], 0.0) / used_s
    if law.regulated == "current":
        stronger = 0.0 * stronger
    loss_off = s[:, LOSS_OFF, None]
    n = _GRID_DOWN
    to_s = _time_up(
        grid[n:],
        ((heat_rate * np.exp(amps_off) - loss_rate * np.exp(loss_off)) / along)[:, n:],
        tables.highest_c,
    )
    heat_rate, loss_rate = _later(heat_rate, loss_rate, amps_off, loss_off, stronger, to_s)
    later = (stands[:, n] - s[:, FAST]) / along[:, n]
    return _follow(grid, (heat_rate - loss_rate) / along, heat_rate, loss_rate, _within(later, -20.0, 20.0))


def _within(x: FloatArray, low: float, high: float) -> FloatArray:
    return np.minimum(np.maximum(x, low), high)


def _slope(y: FloatArray, x: FloatArray) -> FloatArray:
    """dy/dx along the last axis, of the cell before each point and, at the first, of the one after it."""
    cells = (y[:, 1:] - y[:, :-1]) / (x[1:] - x[:-1])
    return np.concatenate([cells[:, :1], cells], 1)


def _time_up(grid: FloatArray, rate: FloatArray, limit_c: float) -> FloatArray:
    """Time to the limit as things are just now [s], futures by one; infinite where it is not reached."""
    k = int(np.searchsorted(grid, limit_c - 1e-6))
    up = rate[:, : k + 1]
    if up.shape[1] < 2:
        return np.zeros((len(rate), 1))
    slowest = up.min(1, keepdims=True)
    safe = np.maximum(up, 1e-7)
    spent = (0.5 / safe[:, :-1] + 0.5 / safe[:, 1:]) @ np.diff(grid[: k + 1])
    return np.where(slowest > 0.0, spent[:, None], np.inf)


def _later(
    heat_rate: FloatArray, loss_rate: FloatArray, amps_off: FloatArray, loss_off: FloatArray,
    stronger: FloatArray,
    to_s: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Heat and loss as they are on the way: what wanders fades as ``exp(-t / tau)``, of which the mean until
    then is taken, and the lye grows stronger by the charge to come.
    """
    x, y = (np.minimum(to_s / tau, 1e6) + 1e-9 for tau in (TUNING.amps_wander_s, TUNING.loss_wander_s))
    on_way = np.minimum(0.5 * to_s, TUNING.strengthens_for_s)
    grown = amps_off * (1.0 - np.exp(-x)) / x + stronger * on_way
    return heat_rate * np.exp(grown), loss_rate * np.exp(loss_off * (1.0 - np.exp(-y)) / y)


def _grid(low: float, now: float, limit: float) -> FloatArray:
    """Temperatures from the room to the lye's boiling, closest between now and the limits."""
    if not now + 1.0 < limit < GRID_HIGH_C - 1.0:
        limit = 0.5 * (now + GRID_HIGH_C)
    down = np.linspace(low, now, _GRID_DOWN, endpoint=False)
    to = now + (limit - now) * _WIDENING
    return np.concatenate([down, to, limit + (GRID_HIGH_C - limit) * _BEYOND])


def _follow(
    grid: FloatArray, rate: FloatArray, heat_rate: FloatArray, loss_rate: FloatArray, later: FloatArray
) -> Ensemble:
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
    # What the fast mode still has to gain (or lose) comes at once, the rest from there on.
    head = later / np.maximum(at_now, 1e-6)
    reach[:, 1:] = np.maximum(reach[:, 1:] - _within(head, -7200.0, 7200.0)[:, None], 0.0)
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
    gain = (
        (heat_rate[:, i] - heat_rate[:, i - 2])
        / d
        / np.maximum((loss_rate[:, i] - loss_rate[:, i - 2]) / d, 1e-9)
    )
    full = np.full((len(up), len(grid)), np.inf)
    full[:, : n + 1] = 0.0
    full[:, n:] = reach
    return Ensemble(settles, gain, grid, full)
