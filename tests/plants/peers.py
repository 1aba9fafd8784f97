"""What else could warn, on the same data: three simple rules, a plain filter, and two criteria of the
reactor literature.

References
----------
.. [1] N. Semenov, Z. Phys. 48 (1928) 571, DOI 10.1007/BF01340021: no steady temperature where heat made
   grows faster with temperature than heat lost.
.. [2] F. Strozzi, J. M. Zaldivar, A. E. Kronberg, K. R. Westerterp, AIChE J. 45 (1999) 2429,
   DOI 10.1002/aic.690451116; J. M. Zaldivar et al., AIChE J. 51 (2005) 678: warn where the divergence of the
   reconstructed state space is positive; of one state that is d(dT/dt)/dT. From memory.
.. [3] R. E. Kalman, J. Basic Eng. 82 (1960) 35, DOI 10.1115/1.3662552, extended by linearisation.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from tests.plants.physics import FloatArray
from tests.plants.simulate import Course
from tests.plants.watched import Heard
from tests.runaway_bench.peers import ForecastSeries, exponential_fit, rate_rule, threshold_rule
from tests.runaway_bench.truth import Log

__all__ = ["PEERS"]

_V_TN: Final = 1.48
_DT_S: Final = 60.0


def _as_log(c: Course) -> Log:
    x = c.log
    return Log(x.t_s, x.volts, x.amps, x.watts, x.lye_temp, x.room_temp, x.gas_lpm)


def _ruled(rule: Callable[[Log, float], ForecastSeries]) -> Callable[[Course], Heard]:
    def listen(c: Course) -> Heard:
        forecasts = rule(_as_log(c), c.bench.limit_c)
        n = len(forecasts.at_s)
        left = forecasts.time_to_limit_s or [np.inf] * n
        steady = forecasts.steady_c or [np.nan] * n
        return Heard(
            forecasts.warnings, [], list(forecasts.at_s), [np.nan] * n,
            [(float(v), np.nan, np.nan) for v in left], [(float(v), np.nan, np.nan) for v in steady],
        )  # fmt: skip

    return listen


def _minutes(c: Course) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Time, temperature, heat, current, room by the minute."""
    x = c.log
    n = len(x.t_s) // 12
    watts = x.volts * x.amps if x.watts is None else x.watts
    heat = watts - _V_TN * c.bench.plant.cells[0] * x.amps
    room_c = c.bench.stated.room_c
    room = np.full(len(x.t_s), 22.0 if room_c is None else room_c) if x.room_temp is None else x.room_temp
    cut = [y[: 12 * n].reshape(n, 12).mean(1) for y in (x.lye_temp, heat, x.amps, room)]
    return (_DT_S * (1.0 + np.arange(n)), *cut)


def _warned(t: FloatArray, up: list[bool], down: list[bool]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    since: float | None = None
    for at, raises, clears in zip(t.tolist(), up, down, strict=True):
        if since is None and raises:
            since = at
        elif since is not None and clears:
            out.append((since, at))
            since = None
    return out if since is None else [*out, (since, np.inf)]


class _GreyBox:
    """``dT/dt = c Q - k (T - room)``, ``ln I = b + a (T - T0)``: a filter over (T, ln c, ln k), a regression
    for a [3].
    """

    def __init__(self, c: Course, t_c: float, heat: float, room: float) -> None:
        stated = c.bench.stated
        capacity = 3450.0 * stated.litres + 500.0 * stated.steel_kg
        rise = max(0.85 * (c.bench.limit_c - room), 10.0)
        self.x = np.array([t_c, -np.log(capacity), np.log(max(heat, 1.0) / capacity / rise)])
        self.p = np.diag([0.1, 0.3**2, 0.7**2])
        self.a, self.b = np.array([0.0, 0.019]), np.diag([1.0, 0.009**2])
        self.t0 = t_c

    def take(self, t_c: float, heat: float, amps: float, room: float) -> None:
        c, k = np.exp(self.x[1:])
        kept = np.exp(-k * _DT_S)
        eff = (1.0 - kept) / k
        rise = self.x[0] - room
        f = np.array([[kept, eff * c * heat, -eff * k * rise], [0, 1, 0], [0, 0, 1]])
        self.x[0] += eff * (c * heat - k * rise)
        self.p = f @ self.p @ f.T + np.diag([0.01**2, 1e-5, 1e-5])
        s = self.p[0, 0] + 0.1**2
        gain = self.p[:, 0] / s
        self.x = self.x + gain * (t_c - self.x[0])
        self.p = self.p - np.outer(gain, self.p[0])
        h = np.array([1.0, self.x[0] - self.t0])
        ph = self.b @ h
        s = float(h @ ph) + 0.01**2
        self.a = self.a + ph / s * (np.log(max(amps, 1e-3)) - float(h @ self.a))
        self.b = self.b - np.outer(ph, ph) / s

    def ahead(self, heat: float, room: float, limit: float) -> tuple[float, float, float]:
        """Time to the limit [s], where it settles [degC], loop gain."""
        c, k = np.exp(self.x[1:])
        grid = np.linspace(self.x[0], 100.0, 60)
        grown = heat * np.exp(np.clip(self.a[1], 0.0, 0.06) * (grid - self.x[0]))
        rate = c * grown - k * (grid - room)
        gain = float(c * heat * self.a[1] / k)
        stops = np.nonzero(rate <= 0.0)[0]
        settles = float(grid[stops[0]]) if len(stops) else np.inf
        if len(stops) and stops[0] == 0:
            settles = room + float(c * heat / k)
        if self.x[0] >= limit:
            return 0.0, settles, gain
        way = grid <= limit
        if settles <= limit or way.sum() < 2:
            return np.inf, settles, gain
        return float(np.trapezoid(1.0 / np.maximum(rate[way], 1e-9), grid[way])), settles, gain


def _grey_box(c: Course, *, by_gain: bool) -> Heard:
    t, y, heat, amps, room = _minutes(c)
    box = _GreyBox(c, float(y[0]), float(heat[0]), float(room[0]))
    limit = c.bench.limit_c
    heard = Heard(at_s=t.tolist())
    up, down, before = [], [], False
    for k in range(len(t)):
        box.take(float(y[k]), float(heat[k]), float(amps[k]), float(room[k]))
        left, settles, gain = box.ahead(float(heat[k]), float(room[k]), limit)
        warns = k >= 10 and (gain >= 1.0 if by_gain else np.isfinite(left))
        up.append(bool(warns and before))
        down.append(gain < 0.95 if by_gain else settles < limit - 1.0)
        before = bool(warns)
        heard.chance.append(np.nan)
        heard.left_s.append((left, np.nan, np.nan))
        heard.settles_c.append((settles, np.nan, np.nan))
    heard.warnings = _warned(t, up, down)
    return heard


def _divergence(c: Course) -> Heard:
    """Rate and its growth by a parabola through the last twenty minutes; positive for three of them."""
    t, y, *_ = _minutes(c)
    grows = np.zeros(len(t))
    for k in range(19, len(t)):
        x = (t[k - 19 : k + 1] - t[k]) / 60.0
        bend, slope, _ = np.polyfit(x, y[k - 19 : k + 1], 2)
        grows[k] = 2.0 * bend / slope if slope > 0.02 else 0.0
    up = [k >= 2 and bool((grows[k - 2 : k + 1] > 0.0).all()) for k in range(len(t))]
    down = [k >= 2 and bool((grows[k - 2 : k + 1] <= 0.0).all()) for k in range(len(t))]
    n = len(t)
    nothing = (np.nan, np.nan, np.nan)
    return Heard(
        _warned(t, up, down), [], t.tolist(), [np.nan] * n, [(np.inf, *nothing[1:])] * n, [nothing] * n
    )


PEERS: Final[dict[str, Callable[[Course], Heard]]] = {
    "rate 60 min": _ruled(rate_rule),
    "limit-5": _ruled(threshold_rule),
    "exponential": _ruled(exponential_fit),
    "grey-box filter": lambda c: _grey_box(c, by_gain=False),
    "Semenov": lambda c: _grey_box(c, by_gain=True),
    "divergence": _divergence,
}
