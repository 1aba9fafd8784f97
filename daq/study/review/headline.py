"""What a run comes to in a few numbers, over which time they hold, and what limits them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.measure import Assessor, Balance
from daq.quantity import Quantity
from daq.study.runs import Phase

__all__ = ["headline"]

LEAST_STEADY_S = 300.0
"""A steady phase shorter than this does not speak for the run [s] (judgement)."""


def headline(assessor: Assessor, balance: Balance, phases: Sequence[Phase]) -> dict[str, Any] | None:
    """The numbers of the longest steady phase, else of all time that was powered and undisturbed.

    Returns
    -------
    dict or None
        `phase`, `from_s`, `to_s`, `duration_s`; `numbers` as everywhere; `spent`: shares of the power that
        left as gas, as vapour and as heat [1]; `budget`: where the variance of dry MMW comes from, as shares
        [1], largest first. None for a run that was never powered.
    """
    size = balance.end_ns.size
    steady = [p for p in phases if p.name == "steady" and p.to_s - p.from_s >= LEAST_STEADY_S]
    where = np.zeros(size, dtype=bool)
    if steady:
        best = max(steady, key=lambda p: p.to_s - p.from_s)
        picked, name = [best], "steady"
    else:
        picked = [p for p in phases if p.name in ("warm-up", "steady")]
        name = "powered and undisturbed"
    for phase in picked:
        where[phase.first : phase.last + 1] = True
    if not where.any():
        return None
    averaged = balance.averaged(where)
    numbers = assessor.ratios.numbers(averaged.flows)
    return {
        "phase": name,
        "from_s": picked[0].from_s,
        "to_s": picked[-1].to_s,
        "duration_s": sum(p.to_s - p.from_s for p in picked),
        "numbers": assessor.numbers(averaged).at(0),
        "spent": _spent(numbers),
        "budget": _budget(numbers["mmw_dry_ref"]),
    }


def _spent(numbers: Mapping[str, Quantity]) -> dict[str, dict[str, Any]]:
    """Shares of the power; what is not gas or vapour is heat."""
    power = numbers["power_w"]
    shares = {
        "gas": power - numbers["heat_w"] - numbers["vapour_w"],
        "vapour": numbers["vapour_w"],
        "heat": numbers["heat_w"],
    }
    out = {}
    for name, watts in shares.items():
        share = watts / power
        value, u = _one(share.value), _one(share.u95)
        known = np.isfinite(value) and _one(power.value) > 0.0
        out[name] = {
            "value": value if known else None,
            "u95": u if known and np.isfinite(u) else None,
            "unit": "1",
        }
    return out


def _budget(quantity: Quantity) -> list[dict[str, Any]]:
    by_label: dict[str, float] = {}
    for variable, part in quantity.parts.items():
        size = _one(part)
        if np.isfinite(size):
            by_label[variable.label] = by_label.get(variable.label, 0.0) + size * size
    total = sum(by_label.values())
    if not (total > 0.0 and np.isfinite(_one(quantity.value))):
        return []
    found = sorted(by_label.items(), key=lambda pair: -pair[1])
    return [{"from": label, "share": v / total} for label, v in found if v / total >= 0.01]


def _one(value: Any) -> float:
    array: NDArray[np.float64] = np.asarray(value, dtype=np.float64).reshape(-1)
    return float(array[0])
