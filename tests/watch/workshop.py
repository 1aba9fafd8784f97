"""A bench and made samples for the watch's tests: a jewellery workshop's water torch, in plain numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.alarms import Transition
from daq.bench import Bench, parse_bench
from daq.frame import NO_SEQ, Block

__all__ = ["ALL", "HZ", "LPM_PER_AMP", "S", "bench", "block", "cut", "raised", "run_of", "steady"]

S = 1_000_000_000
HZ = 10
ALL = dict.fromkeys(("volts", "amps", "lye_temp", "gas_flow", "relay"), "head")
LPM_PER_AMP = 6 * 0.0104537 * 1.1
"""Six cells by Faraday's law, as a meter reads the gas wet and warm."""

_ACCURACY = {
    "volts": ("V", "0.5 % of reading + 0.02", [0.0, 60.0]),
    "amps": ("A", "1 % of reading + 0.05", [-1.0, 60.0]),
    "watts": ("W", "1.2 % of reading + 0.5", None),
    "volts_rms": ("V", "0.5 % of reading + 0.02", None),
    "amps_rms": ("A", "1 % of reading + 0.05", None),
    "lye_temp": ("degC", "0.5", [-10.0, 120.0]),
    "room_temp": ("degC", "0.5", None),
    "gas_temp": ("degC", "0.5", None),
    "gas_flow": ("L/min", "2 % of reading + 0.005", [-0.1, 20.0]),
    "gas_humidity": ("%", "3", None),
    "room_pressure": ("kPa", "0.1", None),
    "relay": ("1", "0", None),
    "mass": ("g", "0.1", None),
    "lye_level": ("L", "0.01", None),
    "lye_conductivity": ("S/cm", "1 % of reading", None),
}


def bench(
    channels: Mapping[str, str] | None = None,
    *,
    accuracy: Mapping[str, str] | None = None,
    limits: Mapping[str, Mapping[str, float]] | None = None,
    **tables: Mapping[str, Any],
) -> Bench:
    """A bench with these channels (name to source) and changed keys of `stack`, `supply`, `site`, `gas`.

    `accuracy` replaces the channels' own; a channel that it leaves out is exact.
    """
    by_source = (
        channels if channels is not None else dict.fromkeys(("volts", "amps", "lye_temp", "gas_flow"), "head")
    )
    base: dict[str, dict[str, Any]] = {
        "bench": {"name": "water-torch"},
        "stack": {"cells": 6, "plate_area_cm2": 150.0, "electrolyte": "KOH", "mass_fraction": 0.2,
                  "litres": 1.1, "litres_min": 0.7, "steel_kg": 2.0},
        "supply": {"mode": "constant_voltage", "volts_max": 14.5, "amps_max": 30.0, "trip_source": "head"},
        "site": {"pressure_kpa": 101.325, "room_temp_c": 20.0},
        "gas": {"meter_temp_c": 20.0, "meter_temp_u": 0.5},
    }  # fmt: skip
    for table, keys in tables.items():
        base.setdefault(table, {}).update(keys)
    for written in base.values():
        for key in [k for k, v in written.items() if v is None]:
            del written[key]
    for name in sorted({"head", *by_source.values()}):
        base[f"sources.{name}"] = {"port": f"/dev/{name}", "rate_hz": float(HZ)}
    for name, source in by_source.items():
        unit, words, valid = _ACCURACY.get(name, ("1", "0", None))
        base[f"channels.{name}"] = {"source": source, "field": name, "unit": unit}
        words = words if accuracy is None else accuracy.get(name, "0")
        base[f"channels.{name}"]["accuracy"] = words
        if valid is not None:
            base[f"channels.{name}"]["valid"] = valid
    if limits is None:
        limits = {"lye_temp": {"warn": 50.0, "high": 60.0, "trip": 65.0}} if "lye_temp" in by_source else {}
    for name, keys in limits.items():
        base[f"limits.{name}"] = {"deadband": 1.0, **keys}
    text = "\n".join(
        f"[{table}]\n" + "\n".join(f"{k} = {_toml(v)}" for k, v in keys.items())
        for table, keys in base.items()
    )
    return parse_bench(text, Path("bench.toml"))


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else repr(value)


def block(
    t_s: NDArray[np.floating[Any]],
    values: Mapping[str, NDArray[np.float64]],
    *,
    source: str = "head",
    status: Mapping[str, NDArray[np.uint8]] | None = None,
) -> Block:
    """A block from seconds and columns."""
    t_ns = np.round(np.asarray(t_s) * S).astype(np.int64)
    seq = np.full(t_ns.size, NO_SEQ, dtype=np.int64)
    return Block(
        source, t_ns, seq, {k: np.asarray(v, dtype=np.float64) for k, v in values.items()}, dict(status or {})
    )


def cut(whole: Block, first: int, last: int) -> Block:
    """Rows `first` up to, not including, `last`."""
    rows = slice(first, last)
    return Block(
        whole.source,
        whole.t_ns[rows],
        whole.seq[rows],
        {n: v[rows] for n, v in whole.values.items()},
        {n: s[rows] for n, s in whole.status.items()},
    )


def steady(seconds: float, *, hz: float = HZ, **levels: float) -> Block:
    """Samples that do not change: ``steady(60, volts=12.0, amps=10.0)``, the first after one interval."""
    t_s = (np.arange(round(seconds * hz)) + 1) / hz
    return block(t_s, {name: np.full(t_s.size, level) for name, level in levels.items()})


def run_of(
    seconds: float,
    *,
    seed: int = 1,
    lye: Any = 30.0,
    amps: Any = 10.0,
    flow: Any = None,
    volts: Any = 13.2,
    extra: dict[str, Any] | None = None,
) -> Block:
    """A run with a little noise; each argument a level or an array of 10 Hz."""
    n = round(seconds * HZ)
    rng = np.random.default_rng(seed)
    current = np.broadcast_to(np.asarray(amps, dtype=np.float64), (n,))
    gas = (
        0.93 * LPM_PER_AMP * current
        if flow is None
        else np.broadcast_to(np.asarray(flow, dtype=np.float64), (n,))
    )
    on = current > 0.3
    values = {
        "volts": np.where(on, volts, 0.0) + 0.004 * rng.standard_normal(n),
        "amps": current + 0.02 * rng.standard_normal(n),
        "lye_temp": np.asarray(lye, dtype=np.float64) + 0.03 * rng.standard_normal(n),
        "gas_flow": gas + 0.004 * rng.standard_normal(n),
        "relay": np.ones(n),
    }
    return block((np.arange(n) + 1) / HZ, {**values, **(extra or {})})


def raised(transitions: Sequence[Transition]) -> dict[str, float]:
    """Alarm to the second at which it was first raised."""
    out: dict[str, float] = {}
    for t in transitions:
        if t.state_to == "unacknowledged":
            out.setdefault(t.alarm, t.t_ns / S)
    return out
