"""A run of the virtual bench, reviewed, against what the simulation knows to be true.

The simulation has its own electrochemistry, heat balance, wet gas, sensor lag, noise and quantisation; the
review sees only what its devices send.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.bench import Bench, parse_bench
from daq.cli.demo import demo_bench_text
from daq.frame import Block
from daq.sources.reading import Reading
from daq.sources.virtual_bench import VirtualDevice, VirtualStack, load_scenario
from daq.sources.wire import decode_line
from daq.study.review import review


@cache
def simulated(
    name: str, seconds: int, fan_stops_s: int | None = None
) -> tuple[Bench, Block, list[dict[str, float]]]:
    """The bench, what it sent, and the truth at every second."""
    scenario = load_scenario(name)
    made = parse_bench(demo_bench_text("unused", scenario=name), Path("bench.toml"))
    stack = VirtualStack(scenario.parameters)
    device = VirtualDevice(stack, seed=4, clock=lambda: 0.0)
    frames: list[Reading] = []
    truth: list[dict[str, float]] = []
    for second in range(seconds):
        if second == fan_stops_s:
            stack.fan = False
        device.advance(1.0)
        truth.append(stack.truth())
        for line in b"".join(device.take_output()).splitlines():
            message = decode_line(line)
            if isinstance(message, Reading):
                frames.append(message)
    values = {
        name: np.array([f.fields[spec.field] * spec.scale + spec.offset for f in frames])
        for name, spec in made.channels.items()
    }
    t_ns = np.array([f.ms for f in frames], dtype=np.int64) * 1_000_000
    return made, Block("head", t_ns, np.array([f.seq for f in frames], dtype=np.int64), values), truth


def within_u(number: dict[str, Any], true: float) -> bool:
    return bool(abs(number["value"] - true) <= number["u95"])


def test_totals_hold_the_truth_within_their_uncertainty() -> None:
    made, block, truth = simulated("settles", 1800)
    totals = review(made, [block]).as_dict()["totals"]
    end = truth[-1]
    assert within_u(totals["energy_wh"], end["energy_j"] / 3600.0)
    assert within_u(totals["charge_ah"], end["charge_c"] / 3600.0)
    assert within_u(totals["gas_dry_ref_l"], end["gas_mol"] * 22.41397)  # molar volume at 0 C, 1 atm, CODATA
    # The simulation's noise is small: accuracy is the uncertainty, and the value itself is near.
    assert totals["energy_wh"]["value"] == pytest.approx(end["energy_j"] / 3600.0, rel=2e-3)


@pytest.mark.parametrize(
    ("key", "true"),
    [
        ("faradaic_efficiency", "faradaic_efficiency"),
        ("flow_dry_ref_lpm", "flow_dry_lpm"),
        ("heat_w", "heat_w"),
        ("vapour_w", "vapour_w"),
        ("leak_amps", "leak_amps"),
        ("cell_volts", "cell_volts"),
        ("lye_temp", "lye_temp"),
    ],
)
def test_windows_hold_the_truth_within_their_uncertainty(key: str, true: str) -> None:
    made, block, truth = simulated("settles", 1800)
    windows = review(made, [block]).windows
    known = np.array([t[true] for t in truth])
    missed = []
    for i in range(4, len(windows)):
        end = round(windows.end_ns[i] / 1e9)
        mean = float(known[end - 30 : end].mean())
        if abs(windows.value[key][i] - mean) > windows.u95[key][i]:
            missed.append((end, float(windows.value[key][i]), mean))
    assert len(missed) <= 0.02 * len(windows), missed


def test_a_run_away_is_told_as_it_was() -> None:
    made, block, _ = simulated("runaway", 900, 90)
    result = review(made, [block]).as_dict()
    raised = [line["alarm"] for line in result["alarm_summary"]]
    assert raised == ["lye_temp.warn", "lye_temp.high", "lye_temp.trip"]
    assert [p["phase"] for p in result["phases"]][-1] == "cool-down"
    assert result["phases"][0]["phase"] == "warm-up"
    assert result["channels"]["lye_temp"]["max"] > 65.0
    assert result["findings"] == []
