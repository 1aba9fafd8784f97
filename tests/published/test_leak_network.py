"""Leaks of a whole stack, against the ladder's closed form and against the circuit simulator ngspice.

ngspice (Berkeley SPICE 3 and its heirs) solves the same circuit from its own net list, by its own matrices.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from daq.errors import PhysicsRangeError
from daq.physics.leak_network import LeakNetwork
from daq.physics.leak_path import duct_currents_closed_a, solve_ladder
from tests.ci_rule import missing_program


@pytest.mark.parametrize(
    ("cells", "step", "port", "duct", "amps", "cell_ohm"),
    [  # the published cases of the ladder: see test_published_instruments
        (2, 1.0, 1.0, 1.0, 10.0, 0.0),
        (5, 2.0, 10.0, 10.0, 10.0, 0.0),
        (6, 2.0, 20.0, 5.0, 10.0, 0.0),
        (6, 1.6, 20.0, 5.0, 10.0, 0.05),
        (100, 2.0, 10.0, 1.0, 10.0, 0.0),
    ],
)
def test_one_duct_is_the_ladder(
    cells: int, step: float, port: float, duct: float, amps: float, cell_ohm: float
) -> None:
    network = LeakNetwork(cells)
    network.duct(port, duct)
    got = network.solve(step, amps, cell_ohm=cell_ohm)
    closed = duct_currents_closed_a(cells, step, port, duct, amps, cell_ohm=cell_ohm)
    ladder = solve_ladder(cells, step, port, duct, amps, cell_ohm=cell_ohm)
    assert got.past_a == pytest.approx(closed, rel=1e-9)
    assert got.plate_a == pytest.approx(ladder.plate_a, rel=1e-9)
    assert got.step_volts == pytest.approx(ladder.step_volts, rel=1e-9)
    assert got.lost_fraction == pytest.approx(ladder.lost_fraction, rel=1e-9)
    assert got.lost_w == pytest.approx(ladder.lost_w, rel=1e-9)


def test_offset_openings_stand_alone() -> None:
    network = LeakNetwork(4)
    network.openings([1.0, 2.0, math.inf], [0.5, 0.5, 0.5])
    network.openings([3.0, 3.0, 3.0], [0.5, 0.5, 0.5])
    got = network.solve([2.0, 2.0, 1.8], 10.0)
    # Ohm's law by hand: through each plate its own openings in parallel, and no others
    assert got.past_a == pytest.approx([2.0 / 2 + 2.0 / 4, 2.0 / 3 + 2.0 / 4, 1.8 / 4], rel=1e-12)
    assert got.lost_w == pytest.approx(float(got.past_a @ got.step_volts), rel=1e-12)


def test_facing_openings_join_as_the_gap_narrows() -> None:
    def middle(column: float) -> float:
        network = LeakNetwork(31)
        network.openings([1.0] * 30, [2.0] * 30, [column] * 29)
        return float(network.solve(2.0, 10.0).past_a[15])

    apart, joined = 2.0 / 5.0, 2.0 / 1.0
    assert middle(1e9) == pytest.approx(apart, rel=1e-6)
    # no column at all between the mouths: one long duct, whose middle carries E over its channel alone
    assert middle(1e-9) == pytest.approx(joined, rel=1e-3)
    falling = [middle(c) for c in (0.01, 0.1, 1.0, 10.0, 100.0)]
    assert falling == sorted(falling, reverse=True)


def test_what_is_no_circuit_is_refused() -> None:
    network = LeakNetwork(3)
    with pytest.raises(PhysicsRangeError, match="ohm"):
        network.link(0, 1, -1.0)
    with pytest.raises(PhysicsRangeError, match="nodes"):
        network.link(0, 7, 1.0)
    with pytest.raises(PhysicsRangeError, match="openings"):
        network.openings([1.0], [1.0])
    with pytest.raises(PhysicsRangeError, match="step_volts"):
        network.solve([1.0, 1.0, 1.0], 10.0)
    assert network.solve(1.0, 10.0).lost_fraction == pytest.approx(0.0, abs=1e-15), "nothing to leak through"


def twenty_cells() -> tuple[LeakNetwork, np.ndarray, np.ndarray]:
    """Unequal ports in two columns, one facing and one offset, one plate's port sealed, and a duct."""
    rng = np.random.default_rng(2024)
    network = LeakNetwork(20)
    facing = rng.uniform(0.3, 3.0, 19)
    facing[7] = math.inf
    network.openings(facing.tolist(), rng.uniform(0.5, 2.0, 19).tolist(), rng.uniform(0.2, 2.0, 18).tolist())
    network.openings(rng.uniform(0.3, 3.0, 19).tolist(), rng.uniform(0.5, 2.0, 19).tolist())
    network.duct(25.0, 3.0)
    return network, rng.uniform(1.6, 2.0, 19), rng.uniform(0.01, 0.05, 19)


def net_list(network: LeakNetwork, volts: np.ndarray, slope: np.ndarray, amps: float) -> str:
    """The circuit in SPICE's words; node n19, the last gap, is ground."""

    def name(node: int) -> str:
        return "0" if node == network.cells - 1 else f"n{node}"

    lines = ["leaks of a stack", f"i0 0 n0 dc {amps!r}"]
    for k, (v, r) in enumerate(zip(volts.tolist(), slope.tolist(), strict=True)):
        lines.append(f"v{k} {name(k)} e{k} dc {v!r}")
        lines.append(f"rc{k} e{k} {name(k + 1)} {r!r}")
    for i, (a, b, ohm) in enumerate(network.links):
        lines.append(f"rl{i} {name(a)} {name(b)} {ohm!r}")
    wanted = " ".join(f"i(v{k})" for k in range(network.cells - 1))
    return "\n".join(
        [*lines, ".options reltol=1e-9 abstol=1e-15 vntol=1e-12 gmin=1e-18 numdgt=12", ".control",
         "set numdgt=12", "op", f"print {wanted}", ".endc", ".end", ""]
    )  # fmt: skip


@pytest.mark.server
def test_twenty_unequal_cells_as_ngspice_solves_them(tmp_path: Path) -> None:
    program = shutil.which("ngspice")
    if program is None:
        missing_program("ngspice", "apt-get install ngspice")
    assert program is not None
    network, volts, slope = twenty_cells()
    amps = 12.0
    file = tmp_path / "stack.cir"
    file.write_text(net_list(network, volts, slope, amps), encoding="ascii")
    done = subprocess.run([program, "-b", str(file)], capture_output=True, text=True, timeout=60, check=False)
    through = dict(re.findall(r"i\(v(\d+)\) = (\S+)", done.stdout))
    assert len(through) == 19, done.stdout + done.stderr
    spice = np.array([float(through[str(k)]) for k in range(19)])
    got = network.solve(volts, amps, cell_ohm=slope)
    # ngspice prints twelve digits and iterates to 1e-9
    assert got.plate_a == pytest.approx(spice, rel=1e-8)
    assert got.past_a == pytest.approx(amps - spice, rel=1e-7)
    assert 0.05 < got.lost_fraction < 0.5, "a case worth comparing"
