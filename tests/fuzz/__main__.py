"""Run the fuzz and print its figures: `python -m tests.fuzz --n 1000000 [decoder ...]`."""

from __future__ import annotations

import argparse
import random
import time

import psutil

from tests.fuzz.targets import TARGETS

WARM = 0.1
"""Caches fill at first: memory is compared from here on."""


def main() -> None:
    """Each decoder named, or all. Ends with the first foreign exception, its input in a note."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("decoder", nargs="*", choices=[*TARGETS, []], help="all unless named")
    parser.add_argument("--n", type=int, default=10_000, help="inputs for each; slow decoders get fewer")
    parser.add_argument("--all-of-n", action="store_true", help="slow decoders get as many")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    process = psutil.Process()
    for name in args.decoder or TARGETS:
        target, rng = TARGETS[name](), random.Random(args.seed)
        count = args.n if args.all_of_n else max(1, args.n // target.cost)
        began, before, size = time.perf_counter(), 0, 0
        for i in range(count):
            if i == int(WARM * count):
                before = process.memory_info().rss
            size += len(target.once(rng))
        target.close()
        took = time.perf_counter() - began
        grown = (process.memory_info().rss - before) / 2**20
        print(
            f"{name:7} {count:8d} inputs, {size / 2**20:7.1f} MiB, {took:6.1f} s; "
            f"resident memory {grown:+.1f} MiB over the last nine tenths",
            flush=True,
        )


if __name__ == "__main__":
    main()
