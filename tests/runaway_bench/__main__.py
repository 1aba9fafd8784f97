"""Score a set of scenarios: ``python -m tests.runaway_bench --n 200 --seed 7``."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

from tests.runaway_bench.peers import Said, exponential_fit, rate_rule, threshold_rule
from tests.runaway_bench.scenarios import FAMILIES, make_set
from tests.runaway_bench.score import Card, Score, card, total
from tests.runaway_bench.simulate import Run, simulate
from tests.runaway_bench.watched import listen


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


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.runaway_bench", description=__doc__)
    parser.add_argument("--n", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--families", nargs="*", choices=list(FAMILIES))
    parser.add_argument("--peers", action="store_true")
    parser.add_argument("--each", action="store_true", help="one line a run")
    args = parser.parse_args()
    runs = simulate(make_set(args.n, args.seed, tuple(args.families) if args.families else None))
    rules: dict[str, Callable[[Run], Said]] = {"watch": listen}
    if args.peers:
        rules["limit-5"] = lambda r: threshold_rule(r.log, r.scenario.design.limit_c)
        rules["rate 60 min"] = lambda r: rate_rule(r.log, r.scenario.design.limit_c)
        rules["exponential"] = lambda r: exponential_fit(r.log, r.scenario.design.limit_c)
    for name, rule in rules.items():
        began = time.perf_counter()
        cards: list[Card] = [card(r, rule(r)) for r in runs]
        spent = time.perf_counter() - began
        if args.each:
            print("\n".join(each(c) for c in cards))
        print(line(name, total(cards)), f"[{spent:.1f} s]")


if __name__ == "__main__":
    main()
