"""Score a set of scenarios: ``python -m tests.runaway_bench --n 200 --seed 7``."""

from __future__ import annotations

import argparse

from tests.runaway_bench.report import report
from tests.runaway_bench.scenarios import FAMILIES, make_set
from tests.runaway_bench.simulate import simulate
from tests.runaway_bench.watched import listen


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
    report(runs, listen, lambda r: r.scenario.design.limit_c, peers=args.peers, one_by_one=args.each)


if __name__ == "__main__":
    main()
