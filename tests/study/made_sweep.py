"""A sweep on the simulated bench: current steps held, as its device sends them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from daq.bench import Bench, parse_bench
from daq.frame import Block
from daq.sources.reading import Reading
from daq.sources.virtual_bench import VirtualDevice, VirtualStack, load_scenario
from daq.sources.virtual_bench.parameters import StackParameters
from daq.sources.wire import decode_line
from tests.study.stored_runs import bench_text

__all__ = ["LEVELS", "made_sweep", "sweep_stack", "sweep_text"]

LEVELS = (2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0, 20.0)


def sweep_text() -> str:
    """The bench file: the worked example's with the simulation's own air pressure."""
    return bench_text(**{"altitude_m = 240 ": "pressure_kpa = 98.5 "})


def sweep_stack(**changed: float) -> StackParameters:
    """The stack of the scenario "settles" without bubbles in its gaps: its ohmic part is one number."""
    stack: StackParameters = replace(load_scenario("settles").parameters.stack, void_max=0.0, **changed)  # type: ignore[arg-type]
    return stack


def made_sweep(
    *,
    levels: Sequence[float] = LEVELS,
    hold_s: int = 120,
    seed: int = 1,
    start_c: float = 40.0,
    every: int = 5,
    by_volts: bool = False,
    stack: StackParameters | None = None,
) -> tuple[Bench, Block]:
    """What the bench sends while its current (or its voltage) is stepped up; the stack starts warm."""
    scenario = load_scenario("settles").parameters
    made = VirtualStack(
        replace(
            scenario,
            stack=stack or sweep_stack(),
            thermal=replace(scenario.thermal, start_c=start_c),
            supply=replace(scenario.supply, volts=18.0, amps=60.0),
        )
    )
    device = VirtualDevice(made, seed=seed, clock=lambda: 0.0)
    bench = parse_bench(sweep_text(), Path("bench.toml"))
    frames: list[Reading] = []
    for level in levels:
        if by_volts:
            made.volts_set = level
        else:
            made.amps_set = level
        for _ in range(hold_s):
            device.advance(1.0)
            for line in b"".join(device.take_output()).splitlines()[::every]:
                message = decode_line(line)
                if isinstance(message, Reading):
                    frames.append(message)
    values = {
        n: np.array([f.fields[spec.field] * spec.scale + spec.offset for f in frames])
        for n, spec in bench.channels.items()
    }
    t_ns = np.array([f.ms for f in frames], dtype=np.int64) * 1_000_000
    return bench, Block("head", t_ns, np.array([f.seq for f in frames], dtype=np.int64), values)
