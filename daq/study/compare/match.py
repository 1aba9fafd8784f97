"""What is compared, and at which conditions runs can be matched.

What is adjusted for is chosen by the conditions alone, never by the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daq.measure import FloatArray
from daq.stats import CorrelatedSeries
from daq.study.compare.run_blocks import RunBlocks

__all__ = [
    "LEAST_BLOCKS",
    "METRICS",
    "Covariates",
    "MetricSpec",
    "common_range",
    "covariates_of",
    "held_by_supply",
    "never_alike",
    "record_of",
    "records_of",
    "usable",
]

LEAST_BLOCKS = 12
"""Of each build, at temperatures that both had."""
CURVED_K = 10.0
"""A wider range of temperature takes a curved covariate [K]."""
OWN_VARIATION = 0.05
"""Current counts as a covariate where this share of its variance within runs does not go with temperature."""
MOVING = 0.01
"""... and where it varies by this share of itself at all."""
HELD = 0.02
"""A voltage (or current) that varies by less than this share within the runs is held by the supply."""


@dataclass(frozen=True, slots=True)
class MetricSpec:
    """A result that is compared.

    Attributes
    ----------
    key, label, unit : str
    scale : "ratio" or "difference"
        Whether the difference is given in percent of the first build's, or in the unit.
    better : "higher", "lower" or ""
    matched : tuple of str
        Covariates: "lye_temp", "density", "cell_volts".
    """

    key: str
    label: str
    unit: str
    scale: Literal["ratio", "difference"]
    better: Literal["higher", "lower", ""]
    matched: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Covariates:
    """What is adjusted for.

    Attributes
    ----------
    columns : list of float64[n, p]
        Of each run's blocks, centred where the builds are compared.
    matched : dict of str to float
        Covariates that count, and where the builds are compared.
    unmatched : tuple of str
        Those that could not be adjusted for, in words.
    spreads : dict of str to float
        By which each was divided.
    along_temp : tuple of int
        Columns that go with the lye's temperature, the second with its square.
    """

    columns: list[FloatArray]
    matched: dict[str, float]
    unmatched: tuple[str, ...]
    spreads: dict[str, float]
    along_temp: tuple[int, ...]

    def temp_terms(self, lye_temp: FloatArray) -> FloatArray:
        """Those columns at temperatures [degC], float64[m, terms]."""
        x = (lye_temp - self.matched["lye_temp"]) / self.spreads["lye_temp"]
        return np.column_stack([x**k for k in range(1, len(self.along_temp) + 1)])


METRICS = (
    MetricSpec("mmw_dry_ref", "MMW dry", "mL/min/W", "ratio", "higher", ("lye_temp", "density")),
    MetricSpec(
        "faradaic_efficiency", "Faradaic efficiency", "1", "difference", "higher", ("lye_temp", "density")
    ),
    MetricSpec("cell_volts", "Volts per cell", "V", "difference", "lower", ("lye_temp", "density")),
    MetricSpec("current_density", "Current density", "mA/cm2", "ratio", "", ("lye_temp", "cell_volts")),
    MetricSpec("leak_amps", "Leak current", "A", "difference", "lower", ("lye_temp", "density")),
    MetricSpec("thermal_resistance", "Thermal resistance", "K/W", "ratio", "", ()),
)
_COVARIATE = {"lye_temp": "temperature", "density": "current density", "cell_volts": "volts per cell"}


def usable(run: RunBlocks, metric: MetricSpec) -> NDArray[np.bool_]:
    """Which blocks say something of this metric."""
    value = run.responses[metric.key].value
    known = np.isfinite(value)
    if metric.scale == "ratio":
        known &= np.nan_to_num(value) > 0.0
    return known


def record_of(
    run: RunBlocks, mask: NDArray[np.bool_], metric: MetricSpec, columns: FloatArray, labels: Sequence[str]
) -> CorrelatedSeries:
    """A run's blocks for the regression: logarithms where the metric is compared as a ratio.

    Parameters
    ----------
    run : RunBlocks
    mask : bool[n]
        Which of its blocks count.
    metric : MetricSpec
    columns : float64[m, p]
        Covariates of the m blocks that count.
    labels : sequence of str
        Errors that the runs may share, in the order in which the record carries them.
    """
    response = run.responses[metric.key].taken(mask)
    value = response.value
    scale = 1.0 / value if metric.scale == "ratio" else np.ones_like(value)
    shared_errors = np.zeros((value.size, len(labels)))
    for column, label in enumerate(labels):
        if label in response.parts:
            shared_errors[:, column] = response.parts[label] * scale
    return CorrelatedSeries(
        at=run.at[mask],
        response=np.log(value) if metric.scale == "ratio" else value,
        covariates=columns,
        shared_errors=shared_errors,
    )


def records_of(
    runs: Sequence[RunBlocks], metric: MetricSpec
) -> tuple[list[RunBlocks], list[CorrelatedSeries]]:
    """The runs that have a metric, and their records, all adjusted to one temperature and current."""
    kept, masks = [], []
    for run in runs:
        mask = usable(run, metric)
        if mask.sum() >= LEAST_BLOCKS:
            kept.append(run)
            masks.append(mask)
    if not kept:
        return [], []
    columns = covariates_of(kept, masks, np.zeros(len(kept), dtype=np.intp), metric).columns
    return kept, [record_of(r, m, metric, x, ()) for r, m, x in zip(kept, masks, columns, strict=True)]


def held_by_supply(runs: Sequence[RunBlocks], masks: Sequence[NDArray[np.bool_]], metric: MetricSpec) -> str:
    """Why a result that the supply itself holds is not compared; empty where it is.

    Parameters
    ----------
    runs : sequence of RunBlocks
    masks : sequence of bool[n]
        Which blocks of each run count.
    metric : MetricSpec
    """
    if metric.key not in ("cell_volts", "current_density"):
        return ""
    volts, density = (
        max(float(np.std(x[m]) / np.mean(x[m])) for x, m in pairs if m.sum() > 1)
        for pairs in (
            [(r.cell_volts, m) for r, m in zip(runs, masks, strict=True)],
            [(r.density, m) for r, m in zip(runs, masks, strict=True)],
        )
    )
    if metric.key == "cell_volts" and volts < HELD and volts < density:
        return "the supply held the voltage: current density at it tells more"
    if metric.key == "current_density" and density < HELD and density < volts:
        return "the supply held the current: volts per cell at it tell more"
    if metric.key == "current_density" and volts >= HELD:
        return "both voltage and current moved: volts per cell at matched current tell it"
    return ""


def common_range(
    runs: Sequence[RunBlocks], masks: Sequence[NDArray[np.bool_]], side: NDArray[np.intp]
) -> tuple[float, float]:
    """Lowest and highest temperature that both builds had [degC].

    Parameters
    ----------
    runs : sequence of RunBlocks
    masks : sequence of bool[n]
        Which blocks of each run count.
    side : intp[runs]
        0 for the first build's runs, 1 for the second's.
    """
    spans = []
    for k in (0, 1):
        temps = np.concatenate([r.lye_temp[m] for r, m, s in zip(runs, masks, side, strict=True) if s == k])
        spans.append((float(temps.min()), float(temps.max())))
    return max(s[0] for s in spans), min(s[1] for s in spans)


def never_alike(
    runs: Sequence[RunBlocks],
    masks: Sequence[NDArray[np.bool_]],
    side: NDArray[np.intp],
    names: tuple[str, str],
) -> str:
    """Why builds that were never at the same temperature are not compared.

    Parameters
    ----------
    runs, masks, side : sequence of RunBlocks, sequence of bool[n], intp[runs]
        As `common_range`.
    names : (str, str)
        The builds'.
    """
    words = []
    for k, name in enumerate(names):
        temps = np.concatenate([r.lye_temp[m] for r, m, s in zip(runs, masks, side, strict=True) if s == k])
        words.append(f"{name} {temps.min():.0f} to {temps.max():.0f} °C")
    return f"the builds were never at the same temperature: {', '.join(words)}"


def covariates_of(
    runs: Sequence[RunBlocks],
    masks: Sequence[NDArray[np.bool_]],
    side: NDArray[np.intp],
    metric: MetricSpec,
) -> Covariates:
    """Covariates of each run, where the builds are compared, and what could not be adjusted for.

    Parameters
    ----------
    runs, masks, side : sequence of RunBlocks, sequence of bool[n], intp[runs]
        As `common_range`.
    metric : MetricSpec
        Says which covariates may count.
    """
    columns: list[list[FloatArray]] = [[] for _ in runs]
    matched: dict[str, float] = {}
    spreads: dict[str, float] = {}
    along_temp: list[int] = []
    unmatched: list[str] = []
    for name in metric.matched:
        values = [getattr(r, name)[m] for r, m in zip(runs, masks, strict=True)]
        # Halfway between the builds' means: there the shared slopes matter least.
        means = _build_means(values, side)
        centre = float(0.5 * (means[0] + means[1]))
        spread = max(float(np.concatenate([v - v.mean() for v in values]).std()), 1e-12)
        moving = spread >= (0.1 if name == "lye_temp" else MOVING * abs(centre))
        own, gap = _apart_from(columns, values, side)
        if not moving or own < OWN_VARIATION:
            if gap > (0.5 if name == "lye_temp" else 0.01 * abs(centre)):
                unit = {"lye_temp": "K", "density": "mA/cm²", "cell_volts": "V"}[name]
                why = "moved only with temperature" if moving else "hardly moved"
                unmatched.append(
                    f"{_COVARIATE[name]} differed by {gap:.2g} {unit} between the builds and {why} within "
                    "the runs: not adjusted for"
                )
            continue
        matched[name], spreads[name] = centre, spread
        if name == "lye_temp":
            along_temp.append(len(columns[0]))
        scaled = [(v - centre) / spread for v in values]
        for column, x in zip(columns, scaled, strict=True):
            column.append(x)
        if name == "lye_temp" and np.ptp(np.concatenate(values)) > CURVED_K:
            along_temp.append(len(columns[0]))
            for column, x in zip(columns, scaled, strict=True):
                column.append(x * x)
    sizes = [int(m.sum()) for m in masks]
    return Covariates(
        [np.column_stack(c) if c else np.zeros((n, 0)) for c, n in zip(columns, sizes, strict=True)],
        matched,
        tuple(unmatched),
        spreads,
        tuple(along_temp),
    )


def _apart_from(
    columns: Sequence[Sequence[FloatArray]], values: Sequence[FloatArray], side: NDArray[np.intp]
) -> tuple[float, float]:
    """How far a covariate varies within the runs apart from those already taken, as a share of its variance;
    and by how much it differs between the builds beyond what those explain.
    """
    means = _build_means(values, side)
    gap = means[1] - means[0]
    y = np.concatenate([v - v.mean() for v in values])
    if not columns[0]:
        return 1.0, float(np.abs(gap))
    x = np.vstack([np.column_stack(c) - np.column_stack(c).mean(axis=0) for c in columns])
    slope = np.linalg.lstsq(x, y, rcond=None)[0]
    left = y - x @ slope
    taken = [np.column_stack(c) for c in columns]
    first, second = (
        np.concatenate([t for t, s in zip(taken, side, strict=True) if s == k]).mean(axis=0)
        for k in (int(side.min()), int(side.max()))
    )
    across = second - first
    return float(left @ left) / max(float(y @ y), 1e-300), abs(float(gap - across @ slope))


def _build_means(values: Sequence[FloatArray], side: NDArray[np.intp]) -> tuple[float, float]:
    first, second = (
        float(np.concatenate([v for v, s in zip(values, side, strict=True) if s == k]).mean())
        for k in (int(side.min()), int(side.max()))
    )
    return first, second
