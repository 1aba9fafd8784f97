"""What the product says of simulated series: how often it calls, and calls wrongly, how wide it is.

``python -m tests.simulated_days.score --pairs 500`` and ``--series 500`` print the tables of
`docs/numbers.md`."""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import numpy as np

from daq.study.compare.comparison import Comparison, Days, Difference, Group, compare_metric
from daq.study.compare.match import METRICS
from daq.study.compare.run_blocks import Response, RunBlocks
from daq.study.compare.verdict import verdict
from tests.simulated_days.bench import Minutes, draw_series, orders

__all__ = ["Told", "blocks", "look", "single_pair", "watched"]

MMW = METRICS[0]
SCATTERS = (0.0, 0.005, 0.01, 0.02)


def blocks(run: Minutes, build: str, number: int, area_cm2: float) -> RunBlocks:
    """A simulated run in the form in which the product compares runs; the meter's gain is 1 % and shared."""
    n = run.lye.size
    nothing = Response(np.full(n, np.nan), {})
    return RunBlocks(
        run_id=f"r{number}",
        name="",
        build=build,
        bench="simulated",
        start_utc_ns=None,
        reference="0 °C, 101.325 kPa",
        block_s=60.0,
        at=np.arange(n, dtype=np.int64),
        lye_temp=run.lye,
        density=run.density,
        cell_volts=run.cell_volts,
        responses={
            "mmw_dry_ref": Response(run.mmw, {"gas_flow: accuracy": 0.01 * run.mmw}),
            "faradaic_efficiency": Response(run.faradaic, {}),
            "cell_volts": Response(run.cell_volts, {}),
            "current_density": Response(run.density, {}),
            "leak_amps": nothing,
            "thermal_resistance": nothing,
        },
        shared={"gas_flow: accuracy": "one meter"},
        area_cm2=area_cm2,
    )


def look(runs: list[RunBlocks], days: Days | None = None) -> tuple[Difference, str]:
    """Gas per watt of B against A, and the verdict's kind."""
    one, two = (Group(name, tuple(r for r in runs if r.build == name)) for name in "AB")
    d = compare_metric(one, two, MMW, days=days, check=False)
    return d, verdict(Comparison(one, two, (d,), 0.03)).kind


@dataclass(frozen=True)
class Told:
    """Of a watched series: after how many runs it was called, 0 for never; whether the call was wrong;
    whether the interval for any look ever missed the truth; and, at four runs, whether that for one look held
    it."""

    runs: int
    wrong: bool
    missed: bool
    held_at_four: bool


def single_pair(seed: int, day_sd: float, true: float = 0.0) -> tuple[Difference, str]:
    """One run of each build."""
    rng = np.random.default_rng([18, seed, round(1e4 * day_sd), round(1e4 * true)])
    bench = draw_series(rng, day_sd)
    runs = [
        blocks(bench.run(rng, gas), build, k, bench.area_cm2)
        for k, (build, gas) in enumerate((("A", 1.0), ("B", 1.0 + true)))
    ]
    return look(runs)


def watched(seed: int, day_sd: float, true: float = 0.0, most: int = 30, *, stop: bool = False) -> Told:
    """A look after each run from the second on; with `stop` until the first call."""
    rng = np.random.default_rng([81, seed, round(1e4 * day_sd), round(1e4 * true)])
    bench = draw_series(rng, day_sd, (16, 26))
    runs: list[RunBlocks] = []
    called, wrong, missed, held = 0, False, False, True
    for k, build in enumerate(orders(most)):
        gas = 1.0 + true if build == "B" else 1.0
        runs.append(blocks(bench.run(rng, gas), build, k, bench.area_cm2))
        if len(runs) < 2:
            continue
        d, kind = look(runs)
        if not d.known:
            continue
        missed |= not d.any_low <= true <= d.any_high
        if len(runs) == 4:
            held = d.low <= true <= d.high
        if kind in ("better", "worse"):
            called = called or len(runs)
            wrong |= true == 0.0 or (kind == "better") != (true > 0.0)
            if stop:
                break
    return Told(called, wrong, missed, held)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--pairs", type=int, default=0)
    parser.add_argument("--series", type=int, default=0)
    parser.add_argument("--detect", type=int, default=0)
    parser.add_argument("--scatter", type=float, nargs="*", default=SCATTERS)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    args = parser.parse_args()

    def seeds(n: int) -> range:
        return range(args.first, args.first + n)

    for sd in args.scatter:
        if args.pairs:
            found = [single_pair(s, sd) for s in seeds(args.pairs)]
            known = [(d, k) for d, k in found if d.known]
            calls = np.mean([k in ("better", "worse") for _, k in known])
            held = np.mean([d.low <= 0.0 <= d.high for d, _ in known])
            day = np.mean([k == "day" for _, k in known])
            half = np.median([0.5 * (d.high - d.low) for d, _ in known])
            print(
                f"one run each, days {sd:.1%}: {len(known)} pairs, called {calls:.3f}, 'day' {day:.3f}, "
                f"one look holds {held:.3f}, half-width {half:.1%}",
                flush=True,
            )
        if args.series:
            series = [watched(s, sd) for s in seeds(args.series)]
            print(
                f"30 looks, days {sd:.1%}: {len(series)} series, ever called "
                f"{np.mean([t.wrong for t in series]):.3f}, any look misses "
                f"{np.mean([t.missed for t in series]):.3f}, one look at A B B A holds "
                f"{np.mean([t.held_at_four for t in series]):.3f}",
                flush=True,
            )
        for true in (0.02, 0.05) if args.detect else ():
            series = [watched(s, sd, true, stop=True) for s in seeds(args.detect)]
            runs = np.array([t.runs or math.inf for t in series])
            print(
                f"true {true:.0%}, days {sd:.1%}: called within 30 runs {np.isfinite(runs).mean():.2f}, "
                f"mean runs to the end {np.minimum(runs, 30).mean():.1f}, median {np.median(runs):.0f}, "
                f"wrong side {np.mean([t.wrong for t in series]):.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
