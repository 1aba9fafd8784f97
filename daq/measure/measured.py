"""Means of the channels over windows, as quantities: accuracy shared, noise each window's own.

A reading belongs to an instant that is known only so well: to the uncertainty of its source's clock, and
within the interval since the reading before, of which the meter may have taken any part. While a signal
moves, its mean is uncertain by that time multiplied by its rate of change; the error of one source's clock is
shared by all its channels, so that in a ratio of two of them most of it cancels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.measure.bins import QUANTITIES, Bins, interval_s
from daq.measure.columns import FloatArray, IntArray, zeroed
from daq.quantity import Quantity, Variable, combine, specified, type_a_windows

__all__ = ["LEAST_COVER", "Measured", "first_known", "mean_of", "measure", "specified_mean", "taken_apart"]

LEAST_COVER = 0.5
"""A window of which less than this share has samples says nothing of that channel."""

NEGLIGIBLE = 0.01
"""What adds less than this share of an uncertainty changes it by less than a ten-thousandth: left out."""
_NOISY = (
    "volts", "amps", "watts", "volt_amps", "lye_temp", "gas_flow", "volts_rms", "amps_rms", "duty",
)  # fmt: skip
_QUIET = ("room_temp", "gas_temp", "room_pressure", "gas_pressure", "gas_humidity")
"""Their noise is nothing beside their accuracy; that they move while they are read may not be."""
_SLOPED = ("lye_temp",)
_UNIT = {"volt_amps": "W", "amps2": "A2"}
_ROW = {name: i for i, name in enumerate(QUANTITIES)}


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured in m windows.

    Attributes
    ----------
    end_ns : int64[m]
        [ns]
    window_ns : int
        Length of each window [ns].
    means : dict of str to Quantity
        By name of `bins.QUANTITIES`, arrays of m elements, NaN where the window has too few samples.
    seconds : dict of str to float64[m]
        Seconds of each window that have samples, by the same names.
    temp_rate : Quantity
        Slope of the lye's temperature [degC/min], m elements.
    bare : bool
        Whether the means come without uncertainties.
    """

    end_ns: IntArray
    window_ns: int
    means: dict[str, Quantity]
    seconds: dict[str, FloatArray]
    temp_rate: Quantity
    bare: bool = False


def measure(bench: Bench, bins: Bins, ends: IntArray, steps: int, *, bare: bool = False) -> Measured:
    """Measure windows.

    Parameters
    ----------
    bench : Bench
    bins : Bins
    ends : int64[m]
        Number of the step after each window's last, rising; see `Bins.windows`.
    steps : int
        Steps in a window, at least 1.
    bare : bool
        Whether the means come without uncertainties, at a fraction of the cost; the slope keeps its own.
    """
    seconds, sums = bins.windows(ends, steps)
    m = ends.size
    whole = steps * bins.step_ns * 1e-9
    total_s = seconds.sum(axis=2)
    total = sums.sum(axis=2)
    covered = total_s >= LEAST_COVER * whole
    value = np.divide(total, total_s, out=np.full_like(total, np.nan), where=covered)
    means: dict[str, Quantity] = {}
    for name, row in _ROW.items():
        if bare or not covered[row].any():
            means[name] = Quantity(value[row], 0.0, _unit(bench, name))
        else:
            means[name] = specified_mean(bench, name, value[row])
    noisy = [name for name in (_SLOPED if bare else _NOISY) if covered[_ROW[name]].any()]
    moving = noisy if bare else [*noisy, *(name for name in _QUIET if covered[_ROW[name]].any())]
    rows = [_ROW[name] for name in moving]
    there = seconds[rows] > 0.0
    batches = np.divide(sums[rows], seconds[rows], out=np.full(there.shape, np.nan), where=there)
    noise = _noise(batches[: len(noisy)])
    lines = _slopes(batches, bins.step_ns)
    if not bare:
        _timed(bench, means, moving, lines.per_s)
        _count_in(bench, means, noisy, noise)
    temp_rate = Quantity(np.full(m, np.nan), 0.0, "degC/min")
    if "lye_temp" in noisy:
        k = noisy.index("lye_temp")
        enough = covered[_ROW["lye_temp"]]
        temp_rate = _temp_rate(lines, k, enough, noise.s[k], noise.n_eff[k])
    covered_s = {n: total_s[r] for n, r in _ROW.items()}
    return Measured(ends * bins.step_ns, steps * bins.step_ns, means, covered_s, temp_rate, bare)


def _count_in(bench: Bench, means: dict[str, Quantity], noisy: Sequence[str], noise: _Noise) -> None:
    """Put noise into the means of the `noisy`."""
    if np.isfinite(means["volt_amps"].value).any():
        # The product's accuracy is that of the two it was made of: the same errors, not new ones.
        means["volt_amps"] = combine(
            means["volt_amps"].value,
            "W",
            [(_number(means["amps"]), means["volts"]), (_number(means["volts"]), means["amps"])],
        )
        means["volt_amps"] = _apart(bench, means["volt_amps"], noisy, noise)
    for k, name in enumerate(noisy):
        mean, own = means[name], Variable(f"{name}: noise", dof=noise.dof[k], common=False)
        means[name] = Quantity.from_parts(mean.value, mean.unit, {**mean.parts, own: noise.u[k]})


def mean_of(quantity: Quantity, seconds: FloatArray) -> Quantity:
    """The mean of m elements weighted by `seconds` [s], as a quantity of one element.

    Noise averages down; accuracy, which every element shares, does not. What changes slowly from element to
    element is taken as the run's course and not as noise.
    """
    value = np.asarray(quantity.value)
    weight = np.where(np.isfinite(value), seconds, 0.0)
    if not weight.any():
        return Quantity(np.array([np.nan]), 0.0, quantity.unit)
    zero = np.zeros_like(weight)
    parts = {v: zeroed(np.asarray(p)) + zero for v, p in quantity.parts.items()}
    mean = Quantity.from_parts(zeroed(value), quantity.unit, parts).mean(weight)
    one = {v: np.asarray(p)[np.newaxis] for v, p in mean.parts.items()}
    return Quantity.from_parts(np.atleast_1d(np.asarray(mean.value)), quantity.unit, one)


def first_known(*given: Quantity) -> Quantity:
    """The first of several quantities that is known, element by element (arrays of one length and unit)."""
    out = given[0]
    for other in given[1:]:
        known = np.isfinite(np.asarray(out.value))
        if known.all():
            return out
        value = np.where(known, out.value, other.value)
        parts = {v: np.where(known, p, 0.0) for v, p in out.parts.items()}
        for v, p in other.parts.items():
            parts[v] = parts.get(v, 0.0) + np.where(known, 0.0, p)
        out = Quantity.from_parts(value, out.unit, parts)
    return out


def _unit(bench: Bench, name: str) -> str:
    spec = bench.channels.get(name)
    return _UNIT.get(name, spec.unit if spec else "")


def specified_mean(bench: Bench, name: str, value: FloatArray) -> Quantity:
    """Means of a channel with what its accuracy or its calibration says of them; noise left out.

    Parameters
    ----------
    bench : Bench
    name : str
        The channel; one that the bench does not have gets no uncertainty.
    value : float64[m]
        The means, in the channel's unit.
    """
    spec = bench.channels.get(name)
    if spec is None:
        return Quantity(value, 0.0, _unit(bench, name))
    calibration = bench.calibrations.get(name)
    if calibration is not None:
        return calibration.quantity(value, name, spec.resolution)
    width = 0.0 if spec.valid is None else spec.valid[1] - spec.valid[0]
    a = spec.accuracy
    return specified(
        value,
        spec.unit,
        label=name,
        percent_of_reading=a.percent_of_reading,
        absolute=a.absolute,
        percent_of_range=a.percent_of_range,
        range_width=width,
        counts=a.counts,
        resolution=spec.resolution,
    )


def _number(quantity: Quantity) -> FloatArray:
    return zeroed(np.asarray(quantity.value, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class _Noise:
    """Of each window: Type A of the mean, its degrees of freedom, scatter, independent batches."""

    u: FloatArray
    dof: FloatArray
    s: FloatArray
    n_eff: FloatArray


def _noise(batches: FloatArray) -> _Noise:
    """Noise of the means of `batches`, float64[quantities, m, steps], all at once."""
    shape, steps = batches.shape[:2], batches.shape[2]
    found = type_a_windows(batches.ravel(), np.arange(0, batches.size + 1, steps), detrend=True)
    u, dof, s, n_eff = (
        np.asarray(x, dtype=np.float64).reshape(shape) for x in (found.u, found.dof, found.s, found.n_eff)
    )
    # Too few batches to tell noise: the accuracy alone counts.
    return _Noise(zeroed(u), dof, zeroed(s), np.maximum(n_eff, 2.0))


def _timed(bench: Bench, means: dict[str, Quantity], names: Sequence[str], slopes: FloatArray) -> None:
    """Put into `means` what the uncertain times of samples make of a signal that moves.

    Parameters
    ----------
    bench : Bench
    means : dict of str to Quantity
        By channel.
    names : sequence of str
        The channels of `slopes`; those that the bench has not are passed over.
    slopes : float64[n, m]
        Rates of change over the windows [unit/s], NaN where not known.
    """
    clocks: dict[str, Variable] = {}
    for k, name in enumerate(names):
        spec = bench.channels.get(name)
        if spec is None:
            continue
        source = bench.sources[spec.source]
        clock = clocks.setdefault(spec.source, Variable(f"{spec.source}: when its samples were taken"))
        within = interval_s(bench, name) / math.sqrt(12.0)
        part = zeroed(slopes[k]) * math.hypot(source.timing_u_s, within)
        mean = means[name]
        counts = np.abs(part) > NEGLIGIBLE * zeroed(np.asarray(mean.u))
        if not counts.any():
            continue
        part = np.where(counts, part, 0.0)  # window by window: the same live and in hindsight
        means[name] = Quantity.from_parts(mean.value, mean.unit, {**mean.parts, clock: part})


def taken_apart(bench: Bench) -> bool:
    """Whether volts and amps are not taken at the same instants."""
    volts, amps = (bench.channels.get(name) for name in ("volts", "amps"))
    if volts is None or amps is None:
        return False
    return volts.source != amps.source or not bench.sources[volts.source].together(volts.field, amps.field)


def _apart(bench: Bench, product: Quantity, noisy: Sequence[str], noise: _Noise) -> Quantity:
    """Of volts and amps that are not taken together nobody knows how they fluctuate together: their product
    may differ by as much as the product of their scatters either way."""
    if not (taken_apart(bench) and "volts" in noisy and "amps" in noisy):
        return product
    most = noise.s[noisy.index("volts")] * noise.s[noisy.index("amps")]
    unseen = Variable("volts and amps: not taken together", shape="rectangular", common=False)
    return Quantity.from_parts(product.value, product.unit, {**product.parts, unseen: most / math.sqrt(3.0)})


@dataclass(frozen=True, slots=True)
class _Slopes:
    """Least-squares lines through batches, float64[quantities, m]; NaN below four batches."""

    per_s: FloatArray
    """Rate of change [unit/s]."""
    spread_s: FloatArray
    """Root of the sum of squared distances from the mean time [s]; 0 where there are no batches."""
    count: FloatArray


def _slopes(batches: FloatArray, step_ns: int) -> _Slopes:
    """Lines through `batches`, float64[quantities, m, steps], over time."""
    known = np.isfinite(batches)
    n = known.sum(axis=2)
    k = np.where(known, np.arange(batches.shape[2], dtype=np.float64), 0.0)
    k = np.where(known, k - (k.sum(axis=2) / np.maximum(n, 1))[:, :, np.newaxis], 0.0)
    kk = np.einsum("qij,qij->qi", k, k)
    kx = np.einsum("qij,qij->qi", k, np.where(known, batches, 0.0))
    step_s = step_ns * 1e-9
    slope = np.divide(kx, kk, out=np.full(kk.shape, np.nan), where=(n >= 4) & (kk > 0.0))
    return _Slopes(slope / step_s, np.sqrt(kk) * step_s, n.astype(np.float64))


def _temp_rate(
    lines: _Slopes, k: int, covered: NDArray[np.bool_], s: FloatArray, n_eff: FloatArray
) -> Quantity:
    """Slope of quantity number `k` in each window [1/min], its noise counted with autocorrelation."""
    slope = np.where(covered, lines.per_s[k], np.nan)
    known = np.isfinite(slope)
    u = s * np.sqrt(lines.count[k] / n_eff)
    u = np.divide(u, lines.spread_s[k], out=np.zeros_like(u), where=known)
    label = "lye_temp: noise of its slope"
    return Quantity(60.0 * slope, 60.0 * u, "degC/min", common=False, label=label)
