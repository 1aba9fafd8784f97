"""The heat balance of a whole run: how much heat the stack holds, and how hard it is to give away.

``heat = C dT/dt + (T - T_room) / R``, summed over spans of minutes, is linear in C and 1/R and is fitted by
least squares. What warmed the stack, in each span, is the power less what left with gas and vapour.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.errors import LyewatchError
from daq.measure import Balance, FloatArray, Measured, heat_of_run
from daq.physics.heat import thermal_mass_j_k
from daq.quantity import Quantity
from daq.stats import cosine_scores, cosines_for, least_squares
from daq.study.render import Count, Number

__all__ = ["HeatBalance", "HeatBalanceResult", "heat_balance"]

SPAN_S = 120.0
LEAST_SPANS = 12
LEAST_RISE_K = 5.0
"""Below this the loss to the room can not be told [K]."""
ROOM_U_K = 1.5
"""Standard uncertainty of a room's temperature that is not measured [K] (judgement)."""
CAPACITY_U = 0.1
"""Standard uncertainty of the bench file's heat capacity, as a share: hoses and housing (judgement)."""


@dataclass(frozen=True, slots=True)
class HeatBalanceResult:
    """How much heat the stack holds and how it gives it away; `reason`: why that can not be told.

    `capacity_stated` is by lye and steel of the bench file; `spans` stand behind the fit; `scatter` is that
    of the heat about the balance.
    """

    capacity: Number
    resistance: Number
    room: Number
    time_constant: Number
    capacity_stated: Number
    room_measured: bool
    spans: Count
    scatter: Number
    reason: str | None


@dataclass(frozen=True, slots=True)
class HeatBalance:
    """What was found.

    Attributes
    ----------
    capacity, resistance, room, time_constant : (float, float) or None
        Value and expanded uncertainty: C [J/K], R [K/W], mean room temperature [degC], R C [s].
    stated : (float, float)
        C by lye and steel of the bench file [J/K].
    spans : int
        Behind the fit.
    rms_w : float
        Scatter of the heat about the balance [W].
    room_measured : bool
    reason : str
        Why there is no fit.
    """

    capacity: tuple[float, float] | None
    resistance: tuple[float, float] | None
    room: tuple[float, float] | None
    time_constant: tuple[float, float] | None
    stated: tuple[float, float]
    spans: int
    rms_w: float
    room_measured: bool
    reason: str = ""

    def result(self) -> HeatBalanceResult:
        """As a review tells it."""

        def number(pair: tuple[float, float] | None, unit: str) -> Number:
            return Number.of(*(pair if pair is not None else (math.nan, math.nan)), unit)

        return HeatBalanceResult(
            capacity=number(self.capacity, "J/K"),
            resistance=number(self.resistance, "K/W"),
            room=number(self.room, "degC"),
            time_constant=number(self.time_constant, "s"),
            capacity_stated=number(self.stated, "J/K"),
            room_measured=self.room_measured,
            spans=self.spans,
            scatter=number((self.rms_w, math.nan), "W"),
            reason=self.reason or None,
        )


def heat_balance(bench: Bench, measured: Measured, balance: Balance) -> HeatBalance:
    """Fit C and R over a run.

    Parameters
    ----------
    bench : Bench
    measured, balance
        Of consecutive windows of one width.
    """
    stack = bench.stack
    # On the mean over the run: what is split and carried off no longer warms with the rest.
    litres, w = (float(np.mean(np.asarray(balance.flows[k].value))) for k in ("litres", "strength"))
    mass = float(
        np.asarray(thermal_mass_j_k(litres, w, stack.steel_kg, stack.electrolyte, stronger="nearest"))
    )
    stated = (mass, 2.0 * CAPACITY_U * mass)
    room, room_measured = _room(bench, measured)
    width = balance.window_ns * 1e-9
    temp, heat = balance.flows["lye_temp"], _heat(bench, balance)
    t, q, r = (np.asarray(x.value, dtype=np.float64) for x in (temp, heat, room))

    def none(reason: str) -> HeatBalance:
        return HeatBalance(None, None, _mean_room(room), None, stated, 0, math.nan, room_measured, reason)

    every = max(1, round(SPAN_S / width))
    spans = _Spans(t.size, every, width, np.isfinite(t) & np.isfinite(q) & np.isfinite(r))
    if spans.count < LEAST_SPANS:
        return none(f"too short: {spans.count} spans of {every * width:.0f} s, {LEAST_SPANS} needed")
    if float(np.nanmax(t - r)) < LEAST_RISE_K:
        return none(f"the lye never was {LEAST_RISE_K:g} K above the room")
    x = np.column_stack([spans.gained(t), spans.summed(t - r)])
    y = spans.summed(q)
    try:
        fit = least_squares(x, y)
    except LyewatchError:
        return none("warming and losing heat went together: let the stack settle, or cool down")
    c, g = (float(v) for v in fit.beta)
    cosines = cosines_for(y.size)
    noise = cosine_scores(fit.influence * fit.residuals, cosines)
    # What all spans share: the meters' errors in the heat, and those of both temperatures.
    shared = np.zeros((2, 2))
    for shifted in (
        *(spans.summed(p) for p in _shared(heat)),
        *(-g * spans.summed(p) - c * spans.gained(p) for p in _shared(temp)),
        *(g * spans.summed(p) for p in _shared(room)),
    ):
        moved = fit.influence @ shifted
        shared += np.outer(moved, moved)
    cov = noise + shared
    if not (c > 0.0 and g > 0.0) or 2.0 * math.sqrt(cov[1, 1]) > g or 2.0 * math.sqrt(cov[0, 0]) > c:
        return none("warming and losing heat can not be told apart: let the stack settle, or cool down")
    u_c, u_g = math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])
    tau = c / g
    relative = cov[0, 0] / c**2 + cov[1, 1] / g**2 - 2.0 * cov[0, 1] / (c * g)
    return HeatBalance(
        capacity=(c, 2.0 * u_c),
        resistance=(1.0 / g, 2.0 * u_g / g**2),
        room=_mean_room(room),
        time_constant=(tau, 2.0 * tau * math.sqrt(max(relative, 0.0))),
        stated=stated,
        spans=spans.count,
        rms_w=fit.s / (every * width),
        room_measured=room_measured,
    )


# -- parts -------------------------------------------------------------------------------------------------


class _Spans:
    """Runs of windows without a hole, joined to spans."""

    def __init__(
        self, size: int, every: int, width: float, known: np.ndarray[Any, np.dtype[np.bool_]]
    ) -> None:
        starts = np.arange(0, size - every, every)
        whole = np.array([bool(known[s : s + every + 1].all()) for s in starts], dtype=bool)
        self.starts = starts[whole]
        self.every, self.width = every, width

    @property
    def count(self) -> int:
        return int(self.starts.size)

    def gained(self, series: FloatArray) -> FloatArray:
        """Last less first."""
        out: FloatArray = series[self.starts + self.every] - series[self.starts]
        return out

    def summed(self, series: FloatArray) -> FloatArray:
        """Integral from the first's middle to the last's, by trapezia."""
        # holes lie in no span
        filled = np.nan_to_num(series)
        total = np.concatenate([[0.0], np.cumsum(0.5 * (filled[1:] + filled[:-1]))])
        out: FloatArray = self.width * (total[self.starts + self.every] - total[self.starts])
        return out


def _shared(quantity: Quantity) -> list[FloatArray]:
    size = np.asarray(quantity.value).shape
    return [
        np.nan_to_num(np.broadcast_to(np.asarray(p, dtype=np.float64), size))
        for v, p in quantity.parts.items()
        if v.common and not v.label.endswith("noise")
    ]


def _room(bench: Bench, measured: Measured) -> tuple[Quantity, bool]:
    room = measured.means["room_temp"].named("degC")
    if np.isfinite(np.asarray(room.value)).any():
        value = np.asarray(room.value, dtype=np.float64)
        known = np.isfinite(value)
        at = np.arange(value.size)
        filled = np.interp(at, at[known], value[known])
        return Quantity.from_parts(filled, "degC", room.parts), True
    n = measured.end_ns.size
    u = bench.site.room_temp_c_u or ROOM_U_K
    return Quantity(np.full(n, bench.site.room_temp_c), u, "degC", label="room temperature"), False


def _mean_room(room: Quantity) -> tuple[float, float]:
    shared = math.sqrt(sum(float(np.mean(p)) ** 2 for p in _shared(room)))
    return float(np.mean(np.asarray(room.value))), 2.0 * shared


def _heat(bench: Bench, balance: Balance) -> Quantity:
    """Heat that warms the stack; none while the supply is off, where meters show their own zero."""
    heat = heat_of_run(balance.flows, balance.seconds["flow"])
    off = ~bench.supply.drives(balance.flows["amps"].value)
    off &= np.isfinite(np.asarray(balance.flows["amps"].value))
    parts: Mapping[Any, Any] = {
        v: np.where(off, 0.0, np.nan_to_num(np.asarray(p))) for v, p in heat.parts.items()
    }
    return Quantity.from_parts(np.where(off, 0.0, heat.value), "W", dict(parts))
