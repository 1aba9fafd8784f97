"""Scores as printed: the watch and, beside it on the same data, the simple rules."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import TypeVar

from tests.runaway_bench.peers import ForecastSeries, exponential_fit, rate_rule, threshold_rule
from tests.runaway_bench.score import Card, Score, card, total
from tests.runaway_bench.truth import Truth

__all__ = ["each", "line", "report"]

R = TypeVar("R", bound=Truth)


def line(name: str, s: Score) -> str:
    """One row of the table."""
    e = " / ".join(f"{100 * s.time_error[m]:.0f} ({100 * s.time_median[m]:.0f})" for m in s.time_error)
    c = " / ".join(f"{v:.1f}" for v in s.settling.values())
    return (
        f"{name:<12} runaway {s.runaways} benign {s.benign} | detected {100 * s.detected:.1f} % "
        f"lead>=10 {100 * s.lead_10:.1f} %  used {s.lead_used:.2f}  median {s.lead_min:.0f} min "
        f"false {s.false_per_100h:.2f}/100h  none {100 * s.benign_none:.1f} % "
        f"error 5/10/20/30 {e} %  settling {c} C"
    )


def each(c: Card) -> str:
    """One run's marks."""
    used = c.lead_s / c.interval_s if c.interval_s else 0.0
    errors = " ".join(f"{m}:{100 * v:.0f}" for m, v in c.time_errors.items())
    settling = " ".join(f"{m}:{v:.1f}" for m, v in c.settling.items())
    return (
        f"{c.name:36s} {'X' if c.crossed else 'b' if c.benign else '-'} {'det' if c.detected else '   '} "
        f"used {used:5.2f} of {c.interval_s / 60:4.0f} min  false {c.false} err {errors:24s} "
        f"settle {settling}"
    )


def report(
    runs: Sequence[R],
    hear: Callable[[R], ForecastSeries],
    limit_c: Callable[[R], float],
    *,
    peers: bool,
    one_by_one: bool,
) -> None:
    """Play runs to the watch, and to the rules where asked; print a line for each of them."""
    rules: dict[str, Callable[[R], ForecastSeries]] = {"watch": hear}
    if peers:
        rules["limit-5"] = lambda r: threshold_rule(r.log, limit_c(r))
        rules["rate 60 min"] = lambda r: rate_rule(r.log, limit_c(r))
        rules["exponential"] = lambda r: exponential_fit(r.log, limit_c(r))
    for name, rule in rules.items():
        began = time.perf_counter()
        cards: list[Card] = [card(r, rule(r)) for r in runs]
        spent = time.perf_counter() - began
        if one_by_one:
            print("\n".join(each(c) for c in cards))
        print(line(name, total(cards)), f"[{spent:.1f} s]")
