"""What a run comes to: energy, charge, gas, water with uncertainty; extremes; time beyond limits; gaps."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.frame import NO_SEQ, Block, Status
from daq.measure import (
    Balance,
    Columns,
    Finding,
    FloatArray,
    IntArray,
    Ratios,
    at_most_of_run,
    first_known,
    known,
    mean_of,
    without_noise,
)
from daq.physics.water import latent_heat_j_kg, water_density_kg_m3
from daq.quantity import Quantity
from daq.study.render import Count, Magnitude, Number, OrAbsent
from daq.study.runs import read_u95

__all__ = [
    "SEQ_WRAP",
    "BadValues",
    "Bridged",
    "ChannelExtremes",
    "LimitTime",
    "Silence",
    "Total",
    "Totals",
    "bad_values",
    "bridged",
    "channel_extremes",
    "gaps",
    "limit_times",
    "missing_rows",
    "noise_of_integral",
    "run_totals",
]


_MEDIAN_OF_DIFFERENCES = 0.6744897501960817 * math.sqrt(2.0)
"""Median magnitude of the difference of two normal deviates, in standard deviations."""
LEAST_SHAM = 5
"""So many stretches that were recorded tell how far the same bridging misses; fewer do not."""


def noise_of_integral(t_ns: IntArray, values: FloatArray, stale_after_s: float) -> float:
    """Standard uncertainty of a record's integral over time, by its samples alone [unit s].

    Parameters
    ----------
    t_ns : int64[n]
        Rising times [ns].
    values : float64[n]
        Finite.
    stale_after_s : float
        Samples further apart have a gap between them, over which nothing is integrated [s].

    Returns
    -------
    float
        ``u^2 = sum (s dt)^2 + sum (dx dt)^2 / 12``. The first is the noise of independent samples, its
        deviation s from the median difference of neighbours, which steps of the signal do not move; the
        second that a change dx may lie anywhere between its two samples (rectangular, JCGM 100:2008 4.3.7).
        0 below three samples.
    """
    if t_ns.size < 3:
        return 0.0
    dt = np.diff(t_ns) * 1e-9
    step = np.abs(np.diff(values))
    near = (dt > 0.0) & (dt <= stale_after_s)
    if not near.any():
        return 0.0
    dt, step = dt[near], step[near]
    s = float(np.median(step)) / _MEDIAN_OF_DIFFERENCES
    return math.sqrt(float(np.sum((s * dt) ** 2)) + float(np.sum((step * dt) ** 2)) / 12.0)


@dataclass(frozen=True, slots=True)
class Bridged:
    """An integral with what stands in for the time that was not recorded.

    Attributes
    ----------
    added : float
        Integral over that time [unit s].
    u : float
        Its standard uncertainty, the meters' accuracy aside [unit s].
    missing_s, whole_s : float
        Time that was not recorded, and all time of the record [s].
    """

    added: float
    u: float
    missing_s: float
    whole_s: float


def bridged(rate: FloatArray, seconds: FloatArray, width_s: FloatArray) -> Bridged:
    """Put a straight line across what is missing of a record of windows.

    Parameters
    ----------
    rate : float64[m]
        Mean of each window [unit]; NaN where it has none.
    seconds : float64[m]
        Seconds of each window that were recorded, counted where the mean is known.
    width_s : float64[m]
        Seconds of each window that belong to the record.

    Returns
    -------
    Bridged
        In a window that lacks some samples its mean goes on; between windows a straight line. How far that
        misses is judged by doing the same over stretches that were recorded, each as long as the gap; and
        where the windows on both sides differ, the change may have come at any moment between them.
    """
    known = np.isfinite(rate)
    there = np.where(known, np.minimum(seconds, width_s), 0.0)
    lacks = width_s - there
    lacks = np.where(lacks > 1e-6 * np.maximum(width_s, 1e-9), lacks, 0.0)
    whole, missing = float(width_s.sum()), float(lacks.sum())
    if missing == 0.0 or not known.any():
        return Bridged(0.0, 0.0, missing, whole)
    at = np.arange(rate.size, dtype=np.float64)
    line = np.where(known, rate, np.interp(at, at[known], rate[known]))
    added = float(np.sum(line * lacks))
    some = known & (lacks > 0.0)
    variance = float(np.sum((_miss(rate, known, 1) * lacks[some]) ** 2))
    for first, last in _gaps(~known & (width_s > 0.0)):
        before = float(rate[first - 1]) if first > 0 else float(line[last])
        after = float(rate[last]) if last < rate.size else before
        seconds_lost = float(lacks[first:last].sum())
        miss = _miss(rate, known, last - first)
        variance += (seconds_lost**2) * (miss**2 + (after - before) ** 2 / 12.0)
    return Bridged(added, math.sqrt(variance), missing, whole)


def _gaps(missing: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First window of each gap and the one after its last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], missing, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _miss(rate: FloatArray, known: NDArray[np.bool_], length: int) -> float:
    """Root mean square by which a line across `length` windows misses their mean, over all that are known."""
    span = length + 2
    if rate.size >= span:
        windows = np.lib.stride_tricks.sliding_window_view(rate, span)
        windows = windows[np.lib.stride_tricks.sliding_window_view(known, span).all(axis=1)]
        if windows.shape[0] >= LEAST_SHAM:
            ends = 0.5 * (windows[:, 0] + windows[:, -1])
            return float(np.sqrt(np.mean((windows[:, 1:-1].mean(axis=1) - ends) ** 2)))
    there = rate[known]
    return float(np.std(there)) if there.size > 1 else float(abs(there[0]))


LEAST_MISSING = 1e-3
"""A total is said of the recorded part, and bridged, where a larger share of the time has no samples."""
LEAST_LOST = 0.01
"""Rows missing here and there are a finding from this share on (judgement)."""
LEAST_ROWS = 100
"""Of fewer rows nothing is said of what is missing."""
LONGEST_LOSS = 20
"""Rows so far apart have rows missing between them; further apart there is a silence, counted as a gap."""
EVEN_SHARE = 0.9
"""Rows come evenly when this share of their distances is a whole number of the usual one."""
SEQ_WRAP = 1 << 32
"""Sequence numbers begin again after so many."""

LONGEST_LIST = 200
"""So many gaps are listed, the longest; all are counted."""


@dataclass(frozen=True, slots=True)
class Total:
    """Of what was recorded: recorded_s of whole_s. whole: a straight line across what is not.

    Value and u95 are None where the run has no such channel.
    """

    value: float | None
    u95: float | None
    unit: str
    recorded_s: OrAbsent[Magnitude] = None
    whole_s: OrAbsent[Magnitude] = None
    whole: OrAbsent[Number] = None
    by: OrAbsent[Literal["gas", "charge"]] = None

    @property
    def number(self) -> Number:
        """Of what was recorded."""
        return Number(self.value, self.u95, self.unit)


@dataclass(frozen=True, slots=True)
class Totals:
    """What a run comes to; the water that was split `by` the gas where that is measured, else by charge."""

    energy_wh: Total
    charge_ah: Total
    gas_as_read_l: Total
    gas_dry_ref_l: Total
    water_split_ml: Total
    water_vapour_ml: Total


@dataclass(frozen=True, slots=True)
class ChannelExtremes:
    """Lowest, highest and mean good value of a channel, and when the extremes were [s].

    Each `u95` is what the channel's calibration or accuracy and its resolution leave open; None where the
    bench file says neither.
    """

    unit: str
    min: float
    min_u95: float | None
    min_at_s: float
    max: float
    max_u95: float | None
    max_at_s: float
    mean: float
    mean_u95: float | None
    samples: Count

    @property
    def highest(self) -> Number:
        """Its highest value with its U."""
        return Number(self.max, self.max_u95, self.unit)


@dataclass(frozen=True, slots=True)
class LimitTime:
    """How long a channel was beyond a limit of the bench file [s], and first when [s]."""

    channel: str
    level: str
    limit: float
    unit: str
    seconds_beyond: Magnitude
    samples_beyond: Count
    first_at_s: float | None


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch without samples of a source [s]."""

    source: str
    from_s: float
    seconds: Magnitude


@dataclass(frozen=True, slots=True)
class BadValues:
    """How many samples of a channel were not good."""

    uncertain: Count
    bad: Count
    missing: Count


def run_totals(bench: Bench, balance: Balance, ratios: Ratios, columns: Columns) -> Totals:
    """Totals over a whole run.

    Parameters
    ----------
    bench : Bench
    balance : Balance
        Of consecutive windows; each counts for the seconds that have samples.
    ratios : Ratios
        The stack's equations.
    columns : Columns
        The samples, which tell how well the integrals are known.
    """
    flows, seconds = balance.flows, balance.seconds
    whole_s = _within(balance, columns)
    temp = np.clip(np.nan_to_num(np.asarray(flows["lye_temp"].value), nan=25.0), 0.0, 100.0)
    latent_j_ml = np.asarray(latent_heat_j_kg(temp)) * 1e-6 * float(water_density_kg_m3(20.0))
    vapour_ml_s = Quantity.from_parts(
        np.asarray(flows["vapour"].value) / latent_j_ml,
        "mL/s",
        {v: np.asarray(p) / latent_j_ml for v, p in flows["vapour"].parts.items()},
    )
    noise = _Noise(bench, columns)
    by_gas = noise.of("gas_flow")
    gas_ml_s, split = ratios.water_by_gas_and_charge(flows)
    by: Literal["gas", "charge"] = "charge"
    water, water_s = noise.of("amps"), seconds["amps"]
    metered = known(gas_ml_s)
    if metered.any():
        water, water_s, by = by_gas, np.where(metered, seconds["flow"], seconds["amps"]), "gas"
        split = first_known(at_most_of_run(gas_ml_s, split, seconds["flow"]), split)
    per_hour, per_minute = 1.0 / 3600.0, 1.0 / 60.0
    return Totals(
        energy_wh=_total(flows["power"], seconds["power"], per_hour, "Wh", noise.of_power(), whole_s),
        charge_ah=_total(flows["amps"], seconds["amps"], per_hour, "Ah", noise.of("amps"), whole_s),
        gas_as_read_l=_total(flows["flow"], seconds["flow"], per_minute, "L", by_gas, whole_s),
        gas_dry_ref_l=_total(flows["dry"], seconds["flow"], per_minute, "L", by_gas, whole_s),
        water_split_ml=replace(_total(split, water_s, 1.0, "mL", water, whole_s), by=by),
        water_vapour_ml=_total(vapour_ml_s, seconds["amps"], 1.0, "mL", water, whole_s),
    )


def _within(balance: Balance, columns: Columns) -> FloatArray:
    """Seconds of each window that lie between the run's first and last sample."""
    first, last = columns.span_ns or (0, 0)
    ends = np.minimum(balance.end_ns, last)
    starts = np.maximum(balance.end_ns - balance.window_ns, first)
    return np.asarray(np.maximum(ends - starts, 0) * 1e-9)


class _Noise:
    """Standard uncertainties of integrals by their samples, each as a share of its integral."""

    def __init__(self, bench: Bench, columns: Columns) -> None:
        self.bench, self.columns = bench, columns

    def of(self, channel: str) -> float:
        """Of a channel."""
        spec = self.bench.channels.get(channel)
        t_ns, values = self.columns.good(channel)
        return 0.0 if spec is None else self._share(t_ns, values, spec.stale_after_s)

    def of_power(self) -> float:
        """Of the power, as measured or as the product of volts and amps; under a chopped supply, where it is
        neither, of both."""
        if self.columns.good("watts")[0].size:
            return self.of("watts")
        amps = self.bench.channels.get("amps")
        volts = self.bench.channels.get("volts")
        if amps is None or volts is None or self.bench.supply.mode == "pwm":
            return math.hypot(self.of("amps"), self.of("volts"))
        t_ns, values = self.columns.good("amps")
        product = values * self.columns.at("volts", t_ns, volts.stale_after_s)
        there = np.isfinite(product)
        return self._share(t_ns[there], product[there], amps.stale_after_s)

    @staticmethod
    def _share(t_ns: IntArray, values: FloatArray, stale_after_s: float) -> float:
        held = _held_s(t_ns, stale_after_s)
        whole = abs(float(np.sum(held * values)))
        return noise_of_integral(t_ns, values, stale_after_s) / whole if whole > 0.0 else 0.0


def _total(
    quantity: Quantity, seconds: FloatArray, factor: float, unit: str, noise: float, whole_s: FloatArray
) -> Total:
    """The integral of `quantity` over the seconds that were recorded, times `factor`, and over all of them.

    Scatter within windows is left out: it is the run's course, and what noise makes of an integral is
    `noise`, a share of it.
    """
    rate = np.asarray(quantity.value, dtype=np.float64)
    weight = np.where(np.isfinite(rate), seconds, 0.0)
    recorded_s = float(weight.sum())
    if recorded_s == 0.0:
        return Total(None, None, unit)
    mean = mean_of(without_noise(quantity), weight)
    value = float(np.asarray(mean.value)[0]) * recorded_s
    accuracy = float(np.asarray(mean.u)[0]) * recorded_s
    own = noise * abs(value)
    u = math.hypot(accuracy, own)
    u95 = 2.0 * u * factor if math.isfinite(u) else None
    across = bridged(rate, weight, whole_s)
    whole = None
    if across.missing_s > LEAST_MISSING * across.whole_s and math.isfinite(u):
        more = (value + across.added) / value if value else 1.0
        u = math.sqrt((accuracy * more) ** 2 + own**2 + across.u**2)
        whole = Number((value + across.added) * factor, 2.0 * u * factor, unit)
    return Total(value * factor, u95, unit, across.whole_s - across.missing_s, across.whole_s, whole)


def missing_rows(blocks: Iterable[Block]) -> list[Finding]:
    """Rows that are missing one here and one there, which no gap shows.

    Parameters
    ----------
    blocks : iterable of Block
        All samples. A source that numbers its rows is judged by the numbers, another by the spacing of its
        rows where that is even.

    Returns
    -------
    list of Finding
        One for each source that lost more than `LEAST_LOST` of its rows outside of its longest silences.
    """
    there: dict[str, int] = {}
    lost: dict[str, int] = {}
    for block in blocks:
        there[block.source] = there.get(block.source, 0) + len(block)
        lost[block.source] = lost.get(block.source, 0) + _lost(block)
    out = []
    for source, missing in lost.items():
        share = missing / max(1, missing + there[source])
        if there[source] < LEAST_ROWS or share < LEAST_LOST:
            continue
        text = (
            f"Rows of {source} are missing, one here and one there: {100.0 * share:.2g} % of them, {missing} "
            f"beside the {there[source]} that came."
        )
        causes = (
            "the line drops bytes: see the link's errors, its speed, cable and earth",
            "the device skips rows while it does something else",
            "the computer was too busy to read in time, or a radio link is weak",
        )
        out.append(Finding("rows_missing", text, causes))
    return out


def _lost(block: Block) -> int:
    """Rows missing between rows that are at most `LONGEST_LOSS` rows apart."""
    numbered = block.seq[block.seq != NO_SEQ]
    if numbered.size > 0.5 * len(block):
        holes = np.diff(numbered) % SEQ_WRAP
        return int(np.sum(holes[(holes > 1) & (holes <= LONGEST_LOSS)] - 1))
    steps = np.diff(np.sort(block.t_ns)).astype(np.float64)
    usual = float(np.median(steps)) if steps.size else 0.0
    if usual <= 0.0:
        return 0
    near = steps[steps < (LONGEST_LOSS + 0.5) * usual] / usual
    whole = np.round(near)
    if float(np.mean(np.abs(near - whole) < 0.25)) < EVEN_SHARE:
        return 0
    return int(np.sum(np.maximum(whole - 1.0, 0.0)))


def channel_extremes(bench: Bench, columns: Columns) -> dict[str, ChannelExtremes]:
    """Those of each channel that has good values."""
    out = {}
    for name, spec in bench.channels.items():
        t_ns, values = columns.good(name)
        if t_ns.size == 0:
            continue
        low, high = int(np.argmin(values)), int(np.argmax(values))
        out[name] = ChannelExtremes(
            unit=spec.unit,
            min=float(values[low]),
            min_u95=read_u95(bench, name, float(values[low])),
            min_at_s=float(t_ns[low]) / 1e9,
            max=float(values[high]),
            max_u95=read_u95(bench, name, float(values[high])),
            max_at_s=float(t_ns[high]) / 1e9,
            mean=float(values.mean()),
            mean_u95=read_u95(bench, name, float(values.mean())),
            samples=int(values.size),
        )
    return out


def limit_times(bench: Bench, columns: Columns) -> list[LimitTime]:
    """Of each limit of the bench file."""
    out = []
    for channel, limit in bench.limits.items():
        t_ns, values = columns.good(channel)
        held = _held_s(t_ns, bench.channels[channel].stale_after_s)
        for level in ("low_trip", "low_warn", "warn", "high", "trip"):
            at = getattr(limit, level)
            if at is None:
                continue
            beyond = values < at if level.startswith("low") else values > at
            first = int(np.argmax(beyond)) if beyond.any() else None
            out.append(
                LimitTime(
                    channel=channel,
                    level=level,
                    limit=at,
                    unit=bench.channels[channel].unit,
                    seconds_beyond=float(held[beyond].sum()),
                    samples_beyond=int(beyond.sum()),
                    first_at_s=None if first is None else float(t_ns[first]) / 1e9,
                )
            )
    return out


def _held_s(t_ns: IntArray, stale_after_s: float) -> FloatArray:
    """Seconds that each sample stands for: up to the next, none across a gap."""
    if t_ns.size == 0:
        return np.empty(0)
    held = np.diff(t_ns, append=t_ns[-1]) * 1e-9
    return np.where(held > stale_after_s, 0.0, held)


def gaps(bench: Bench, columns: Columns) -> tuple[int, float, list[Silence]]:
    """Stretches of silence of a source: how many, how long in all [s], and the longest in order of time."""
    listed = []
    total, count = 0.0, 0
    for source, times in columns.frames.items():
        spec = bench.sources.get(source)
        if spec is None or times.size < 2:
            continue
        spans = np.diff(times) * 1e-9
        for i in np.flatnonzero(spans > spec.silent_after_s).tolist():
            count += 1
            total += float(spans[i])
            listed.append(Silence(source, float(times[i]) / 1e9, float(spans[i])))
    listed.sort(key=lambda g: -g.seconds)
    return count, total, sorted(listed[:LONGEST_LIST], key=lambda g: g.from_s)


def bad_values(columns: Columns) -> dict[str, BadValues]:
    """By channel; those with none are left out."""
    out = {}
    for name, column in columns.channels.items():
        counts = np.bincount(column.status, minlength=4)
        uncertain, bad, missing = (int(counts[s]) for s in (Status.UNCERTAIN, Status.BAD, Status.MISSING))
        if uncertain or bad or missing:
            out[name] = BadValues(uncertain, bad, missing)
    return out
