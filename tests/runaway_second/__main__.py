"""Score the second simulator's scenarios: ``python -m tests.runaway_second --n 40 --seed 7``."""

from __future__ import annotations

import argparse

from tests.runaway_bench.report import report
from tests.runaway_bench.watched import heard
from tests.runaway_second.simulate import build, config_of


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.runaway_second", description=__doc__)
    parser.add_argument("--n", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--peers", action="store_true")
    parser.add_argument("--each", action="store_true", help="one line a run")
    args = parser.parse_args()
    report(
        build(args.n, args.seed),
        lambda r: heard(r.log, config_of(r)),
        lambda r: r.scenario.limit_c,
        peers=args.peers,
        one_by_one=args.each,
    )


if __name__ == "__main__":
    main()
