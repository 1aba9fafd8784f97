"""Leaks of a whole stack, against the ladder's closed form and against the circuit simulator ngspice.

ngspice (Berkeley SPICE 3 and its heirs) solves the same circuit from its own net list, by its own matrices.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from daq.errors import PhysicsRangeError
from daq.physics.leak_network import LeakNetwork
from tests.ci_rule import missing_program
from tests.published.ladder import solve_ladder


@dataclass(frozen=True)
class Row:
    """A published case: cells, E, R_port, R_duct, I, R_cell, and the digits that stand beside it."""

    cells: int
    step: str
    port: str
    duct: str
    duct_a: tuple[float, ...]
    amps: str = "10"
    cell_ohm: str = "0"
    sum_a: float | None = None
    lost: float | None = None
    lost_w: float | None = None
    volts: tuple[float, ...] = ()


ROWS = (
    Row(2, "1", "1", "1", (1 / 3,)),
    Row(3, "1", "1", "1", (1 / 2, 1 / 2)),
    Row(5, "1", "1", "1", (3 / 5, 4 / 5, 4 / 5, 3 / 5)),
    Row(6, "1", "1", "1", (11 / 18, 5 / 6, 8 / 9, 5 / 6, 11 / 18)),
    Row(5, "2", "10", "10", (0.12, 0.16, 0.16, 0.12), sum_a=0.56, lost=0.0112, lost_w=1.12),
    Row(6, "2", "20", "5", (0.13602694, 0.20606061, 0.22760943), sum_a=0.91178451, lost=0.01519641),
    Row(6, "1.6", "20", "5", (0.14220458, 0.21531581, 0.23779428), cell_ohm="0.05",
        volts=(2.092890, 2.089234, 2.088110)),
    Row(7, "2", "10", "0", (0.6, 1.0, 1.2, 1.2, 1.0, 0.6)),
    Row(100, "2", "10", "1", (), sum_a=187.193752),
)  # fmt: skip
"""The circuit of Kaminski and Savinell 1983 and Kuhn and Booth 1980, worked by hand and by closed form."""


def exactly(row: Row) -> list[Fraction]:
    """The duct's currents as fractions, by elimination: no rounding at all."""
    e, r, d, i, c = (Fraction(x) for x in (row.step, row.port, row.duct, row.amps, row.cell_ohm))
    steps = row.cells - 1
    across, known = 2 * r + d + c, e + c * i
    pivot, right = [across], [known]
    for _ in range(steps - 1):
        factor = -r / pivot[-1]
        right.append(known - factor * right[-1])
        pivot.append(across + factor * r)
    out = [right[-1] / pivot[-1]]
    for k in range(steps - 2, -1, -1):
        out.append((right[k] + r * out[-1]) / pivot[k])
    return out[::-1]


@pytest.mark.parametrize("row", ROWS, ids=[f"{r.cells} cells, {r.step} V, {r.port}, {r.duct}" for r in ROWS])
def test_both_solvers_give_the_published_ladders_to_1e_9(row: Row) -> None:
    exact = exactly(row)
    duct_a = np.array([float(x) for x in exact])
    given = (row.cells, float(row.step), float(row.port), float(row.duct), float(row.amps))
    ladder = solve_ladder(*given, cell_ohm=float(row.cell_ohm))
    network = LeakNetwork(row.cells)
    network.duct(float(row.port), float(row.duct) or 1e-4)
    sparse = network.solve(float(row.step), float(row.amps), cell_ohm=float(row.cell_ohm))
    assert ladder.duct_a == pytest.approx(duct_a, rel=1e-9)
    if row.duct == "0":
        # The network knows no conductor without resistance, and loses digits as one comes near to it.
        nearly = [float(x) for x in exactly(replace(row, duct="0.0001"))]
        assert sparse.past_a == pytest.approx(nearly, rel=1e-9)
        assert sparse.past_a == pytest.approx(duct_a, rel=1e-4)
        assert duct_a == pytest.approx(np.array(row.duct_a), rel=1e-12)
        return
    assert sparse.past_a == pytest.approx(duct_a, rel=1e-9)
    ports = np.diff(np.concatenate([[0.0], duct_a, [0.0]]))
    assert ladder.port_a == pytest.approx(-ports, rel=1e-9, abs=1e-9 * float(duct_a.max()))
    volts = float(row.step) + float(row.cell_ohm) * (float(row.amps) - duct_a)
    lost = float(sum(exact) / (row.cells * Fraction(row.amps)))
    for got in (ladder, sparse):
        assert got.step_volts == pytest.approx(volts, rel=1e-9)
        assert got.lost_fraction == pytest.approx(lost, rel=1e-9)
        assert got.lost_w == pytest.approx(float(volts @ duct_a), rel=1e-9)
    # ... and the digits as they are published
    assert duct_a[: len(row.duct_a)] == pytest.approx(np.array(row.duct_a), abs=6e-9)
    assert volts[: len(row.volts)] == pytest.approx(np.array(row.volts), abs=6e-7)
    for printed, is_so in ((row.sum_a, duct_a.sum()), (row.lost, lost), (row.lost_w, volts @ duct_a)):
        assert printed is None or float(is_so) == pytest.approx(printed, rel=5e-9, abs=6e-9)
    if row.cells == 100:
        assert ladder.duct_a[49] == pytest.approx(2.0, abs=6e-4), "the middle carries E / R_duct"


def test_two_ducts_alike_double_the_leak() -> None:
    one, two = LeakNetwork(6), LeakNetwork(6)
    one.duct(20.0, 5.0)
    two.duct(20.0, 5.0)
    two.duct(20.0, 5.0)
    assert two.solve(2.0, 10.0).past_a == pytest.approx(2.0 * one.solve(2.0, 10.0).past_a, rel=1e-12)


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
