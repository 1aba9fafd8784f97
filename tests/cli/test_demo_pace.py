"""How fast the demo goes: each of its stages can be read before the next comes."""

from __future__ import annotations

from pathlib import Path

from daq.bench import parse_bench
from daq.cli.demo import SPEED, demo_bench_text
from daq.forecast.adapter import RunawayForecaster
from daq.sources.virtual_bench import VirtualBench

STEP_S = 1.0
LONGEST_S = 900.0


def test_the_warning_comes_after_half_a_minute_and_the_cut_a_minute_later() -> None:
    bench = parse_bench(demo_bench_text("port"), Path("bench.toml"))
    assert bench.bench.simulated
    limit = bench.limits["lye_temp"].trip
    assert limit is not None
    virtual = VirtualBench()
    watch = RunawayForecaster(bench)
    warned_s = cut_s = None
    while cut_s is None:
        virtual.advance(STEP_S)
        at_s, truth = virtual.elapsed_s, virtual.stack.truth()
        assert at_s < LONGEST_S
        watch.update(at_s, truth["volts"], truth["amps"], None, truth["lye_temp"], truth["room_temp"])
        if warned_s is None and watch.warnings:
            warned_s = at_s
        if truth["lye_temp"] >= limit:
            cut_s = at_s
    assert warned_s is not None
    assert 20.0 <= warned_s / SPEED <= 40.0, "the warning"
    assert 75.0 <= cut_s / SPEED <= 100.0, "the cut"
