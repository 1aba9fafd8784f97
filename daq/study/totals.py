"""What a run comes to: energy, charge, gas, water with uncertainty; extremes; time beyond limits; gaps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.frame import Status
from daq.physics.water import latent_heat_j_kg, water_density_kg_m3
from daq.quantity import Quantity
from daq.study.as_read import read_u95
from daq.watch import Balance, Columns
from daq.watch.columns import FloatArray, IntArray
from daq.watch.measured import mean_of

__all__ = ["bad_values", "channel_extremes", "gaps", "limit_times", "run_totals"]

LONGEST_LIST = 200
"""So many gaps are listed, the longest; all are counted."""


def run_totals(bench: Bench, balance: Balance, water_ml_per_coulomb: float) -> dict[str, dict[str, Any]]:
    """Totals over a whole run.

    Parameters
    ----------
    bench : Bench
    balance : Balance
        Of consecutive windows; each counts for the seconds that have samples.
    water_ml_per_coulomb : float
        Water that a coulomb splits in all cells [mL/C].

    Returns
    -------
    dict
        `energy_wh`, `charge_ah`, `gas_as_read_l`, `gas_dry_ref_l`, `water_split_ml`, `water_vapour_ml`, each
        value, u95 and unit; None where the run has no such channel.
    """
    flows, seconds = balance.flows, balance.seconds
    hours, minutes = {k: s / 3600.0 for k, s in seconds.items()}, {k: s / 60.0 for k, s in seconds.items()}
    temp = np.clip(np.nan_to_num(np.asarray(flows["lye_temp"].value), nan=25.0), 0.0, 100.0)
    latent_j_ml = np.asarray(latent_heat_j_kg(temp)) * 1e-6 * float(water_density_kg_m3(20.0))
    vapour_ml_s = Quantity.from_parts(
        np.asarray(flows["vapour"].value) / latent_j_ml,
        "mL/s",
        {v: np.asarray(p) / latent_j_ml for v, p in flows["vapour"].parts.items()},
    )
    out = {
        "energy_wh": (flows["power"], hours["power"], "Wh"),
        "charge_ah": (flows["amps"], hours["amps"], "Ah"),
        "gas_as_read_l": (flows["flow"], minutes["flow"], "L"),
        "gas_dry_ref_l": (flows["dry"], minutes["flow"], "L"),
        "water_split_ml": (flows["amps"] * water_ml_per_coulomb, seconds["amps"], "mL"),
        "water_vapour_ml": (vapour_ml_s, seconds["amps"], "mL"),
    }
    return {key: _total(q, weight, unit) for key, (q, weight, unit) in out.items()}


def _total(quantity: Quantity, weight: FloatArray, unit: str) -> dict[str, Any]:
    weight = np.where(np.isfinite(np.asarray(quantity.value)), weight, 0.0)
    total = float(weight.sum())
    if total == 0.0:
        return {"value": None, "u95": None, "unit": unit}
    mean = mean_of(quantity, weight)
    value, u95 = float(np.asarray(mean.value)[0]) * total, float(np.asarray(mean.u95)[0]) * total
    return {"value": value, "u95": u95 if math.isfinite(u95) else None, "unit": unit}


def channel_extremes(bench: Bench, columns: Columns) -> dict[str, dict[str, Any]]:
    """Lowest, highest and mean good value of each channel, and when the extremes were [s].

    Each `u95` is what the channel's calibration or accuracy and its resolution leave open; null where the
    bench file says neither.
    """
    out: dict[str, dict[str, Any]] = {}
    for name, spec in bench.channels.items():
        t_ns, values = columns.good(name)
        if t_ns.size == 0:
            continue
        low, high = int(np.argmin(values)), int(np.argmax(values))
        out[name] = {
            "unit": spec.unit,
            "min": float(values[low]),
            "min_u95": read_u95(bench, name, float(values[low])),
            "min_at_s": float(t_ns[low]) / 1e9,
            "max": float(values[high]),
            "max_u95": read_u95(bench, name, float(values[high])),
            "max_at_s": float(t_ns[high]) / 1e9,
            "mean": float(values.mean()),
            "mean_u95": read_u95(bench, name, float(values.mean())),
            "samples": int(values.size),
        }
    return out


def limit_times(bench: Bench, columns: Columns) -> list[dict[str, Any]]:
    """For each limit of the bench file: how long the channel was beyond it [s], and first when [s]."""
    out: list[dict[str, Any]] = []
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
                {
                    "channel": channel,
                    "level": level,
                    "limit": at,
                    "unit": bench.channels[channel].unit,
                    "seconds_beyond": float(held[beyond].sum()),
                    "samples_beyond": int(beyond.sum()),
                    "first_at_s": None if first is None else float(t_ns[first]) / 1e9,
                }
            )
    return out


def _held_s(t_ns: IntArray, stale_after_s: float) -> FloatArray:
    """Seconds that each sample stands for: up to the next, none across a gap."""
    if t_ns.size == 0:
        return np.empty(0)
    held = np.diff(t_ns, append=t_ns[-1]) * 1e-9
    return np.where(held > stale_after_s, 0.0, held)


def gaps(bench: Bench, columns: Columns) -> dict[str, Any]:
    """Stretches of silence of a source: how many, how long in all [s], and the longest in order of time."""
    listed: list[dict[str, Any]] = []
    total, count = 0.0, 0
    for source, times in columns.frames.items():
        spec = bench.sources.get(source)
        if spec is None or times.size < 2:
            continue
        spans = np.diff(times) * 1e-9
        for i in np.flatnonzero(spans > spec.silent_after_s).tolist():
            count += 1
            total += float(spans[i])
            listed.append({"source": source, "from_s": float(times[i]) / 1e9, "seconds": float(spans[i])})
    listed.sort(key=lambda g: -float(g["seconds"]))
    listed = sorted(listed[:LONGEST_LIST], key=lambda g: float(g["from_s"]))
    return {"count": count, "seconds": total, "list": listed}


def bad_values(columns: Columns) -> dict[str, dict[str, int]]:
    """By channel: how many samples were uncertain, bad and missing; channels with none are left out."""
    out: dict[str, dict[str, int]] = {}
    for name, column in columns.channels.items():
        counts = np.bincount(column.status, minlength=4)
        found = {
            "uncertain": int(counts[Status.UNCERTAIN]),
            "bad": int(counts[Status.BAD]),
            "missing": int(counts[Status.MISSING]),
        }
        if any(found.values()):
            out[name] = found
    return out
