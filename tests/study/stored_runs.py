"""Runs of the simulated bench in a store, quickly made: what its devices send, put into the archive."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from daq.bench import Bench, parse_bench
from daq.cli.demo import demo_bench_text
from daq.frame import Block
from daq.sources.reading import Reading
from daq.sources.virtual_bench import VirtualDevice, VirtualStack, load_scenario
from daq.sources.wire import decode_line
from daq.store import Store

__all__ = ["START_NS", "bench_text", "sent", "store_run"]

START_NS = 1_735_732_800_000_000_000


def bench_text(**changed: str) -> str:
    """The worked example's text for the scenario "settles", with `changed` lines, old to new."""
    text = demo_bench_text("unused", scenario="settles")
    for old, new in changed.items():
        assert old in text
        text = text.replace(old, new)
    return text


def sent(
    text: str, *, seconds: int, seed: int = 1, leak_siemens: float = 0.5, room_c: float = 20.0, every: int = 5
) -> tuple[Bench, Block]:
    """What a simulated bench sends, every `every`-th frame of its ten a second kept."""
    scenario = load_scenario("settles").parameters
    stack = replace(scenario.stack, leak_siemens=leak_siemens)
    site = replace(scenario.site, room_c=room_c, room_wave_k=0.8)
    made = parse_bench(text, Path("bench.toml"))
    device = VirtualDevice(
        VirtualStack(replace(scenario, stack=stack, site=site)), seed=seed, clock=lambda: 0.0
    )
    frames: list[Reading] = []
    for _ in range(seconds):
        device.advance(1.0)
        for line in b"".join(device.take_output()).splitlines()[::every]:
            message = decode_line(line)
            if isinstance(message, Reading):
                frames.append(message)
    values = {
        n: np.array([f.fields[spec.field] * spec.scale + spec.offset for f in frames])
        for n, spec in made.channels.items()
    }
    t_ns = np.array([f.ms for f in frames], dtype=np.int64) * 1_000_000
    return made, Block("head", t_ns, np.array([f.seq for f in frames], dtype=np.int64), values)


def store_run(store: Store, text: str, block: Block, *, build: str, day: int, name: str = "") -> str:
    """Put a run into the archive; its id."""
    run_id = store.logbook.create_run(
        bench="water-torch-demo",
        name=name or f"{build} on day {day}",
        build=build,
        start_utc_ns=START_NS + day * 86_400_000_000_000,
        bench_toml=text,
    ).id
    store.add_blocks(run_id, [block])
    store.logbook.stop_run(run_id, int(block.t_ns[-1]))
    return run_id
