"""What a run comes to in a few numbers, over which time they hold, and what limits them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from daq.measure import NUMBERS, Assessor, Balance
from daq.measure import Numbers as Windows
from daq.quantity import Quantity
from daq.study.render import Magnitude, Number, Share
from daq.study.runs import Phase

__all__ = ["BudgetShare", "Headline", "NumberSet", "Spent", "headline", "numbers_at"]

LEAST_STEADY_S = 300.0
"""A steady phase shorter than this does not speak for the run [s] (judgement)."""


NumberSet = Annotated[
    Mapping[str, Number], Field(json_schema_extra={"required": [spec.key for spec in NUMBERS]})
]
"""Every number of `daq.measure.NUMBERS` by its key."""


@dataclass(frozen=True, slots=True)
class Spent:
    """Shares of the power that left as gas, as vapour and as heat [1]."""

    gas: Number
    vapour: Number
    heat: Number

    @property
    def shares(self) -> dict[str, Number]:
        """By name."""
        return {"gas": self.gas, "vapour": self.vapour, "heat": self.heat}

    @property
    def known(self) -> bool:
        """Whether all of them are."""
        return all(share.value is not None for share in self.shares.values())


@dataclass(frozen=True, slots=True)
class BudgetShare:
    """A share of a variance [1], and what it comes from."""

    from_: Annotated[str, Field(serialization_alias="from")]
    share: Share


@dataclass(frozen=True, slots=True)
class Headline:
    """The numbers that speak for a run, over which time, and what they rest on.

    Attributes
    ----------
    phase : {"steady", "powered and undisturbed"}
    from_s, to_s, duration_s : float
        [s]
    numbers : mapping of str to Number
    spent : Spent
    budget : sequence of BudgetShare
        Where the variance of dry MMW comes from, largest first.
    """

    phase: Literal["steady", "powered and undisturbed"]
    from_s: Magnitude
    to_s: Magnitude
    duration_s: Magnitude
    numbers: NumberSet
    spent: Spent
    budget: Sequence[BudgetShare]


def numbers_at(windows: Windows, i: int = 0) -> dict[str, Number]:
    """All numbers of one window."""
    return {key: Number(**number) for key, number in windows.at(i).items()}


def headline(assessor: Assessor, balance: Balance, phases: Sequence[Phase]) -> Headline | None:
    """The numbers of the longest steady phase, else of all time that was powered and undisturbed.

    None for a run that was never powered.

    Parameters
    ----------
    assessor : Assessor
        Of the run's bench.
    balance : Balance
        Of consecutive windows of the run.
    phases : sequence of Phase
        Of the same windows.
    """
    size = balance.end_ns.size
    steady = [p for p in phases if p.name == "steady" and p.to_s - p.from_s >= LEAST_STEADY_S]
    where = np.zeros(size, dtype=bool)
    name: Literal["steady", "powered and undisturbed"]
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
    return Headline(
        phase=name,
        from_s=picked[0].from_s,
        to_s=picked[-1].to_s,
        duration_s=sum(p.to_s - p.from_s for p in picked),
        numbers=numbers_at(assessor.numbers(averaged)),
        spent=_spent(numbers),
        budget=_budget(numbers["mmw_dry_ref"]),
    )


def _spent(numbers: Mapping[str, Quantity]) -> Spent:
    """Shares of the power; what is not gas or vapour is heat."""
    power = numbers["power_w"]
    powered = _one(power.value) > 0.0

    def share(watts: Quantity) -> Number:
        found = watts / power
        return Number.of(_one(found.value) if powered else np.nan, _one(found.u95), "1")

    vapour, heat = numbers["vapour_w"], numbers["heat_w"]
    return Spent(gas=share(power - heat - vapour), vapour=share(vapour), heat=share(heat))


def _budget(quantity: Quantity) -> list[BudgetShare]:
    by_label: dict[str, float] = {}
    for variable, part in quantity.parts.items():
        size = _one(part)
        if np.isfinite(size):
            by_label[variable.label] = by_label.get(variable.label, 0.0) + size * size
    total = sum(by_label.values())
    if not (total > 0.0 and np.isfinite(_one(quantity.value))):
        return []
    found = sorted(by_label.items(), key=lambda pair: -pair[1])
    return [BudgetShare(label, v / total) for label, v in found if v / total >= 0.01]


def _one(value: Any) -> float:
    array: NDArray[np.float64] = np.asarray(value, dtype=np.float64).reshape(-1)
    return float(array[0])
