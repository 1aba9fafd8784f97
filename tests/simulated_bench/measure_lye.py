"""How well the lye's strength is told over four hours, and a comparison of builds in lyes three points apart.

``python -m tests.simulated_bench.measure_lye --n 200 --pairs 200 --seed 1`` prints both. Nothing of the
product is in the simulation: masses, vapour, density, conductivity and volts are worked out here, the
conductivity by another published equation than the product's [1]_. Drawn at random: the stack, its leak and
its gap, how full of steam the gas leaves, the supply's levels and pauses, what is poured in and how well it
was measured, when somebody measures the lye and by what, rows that are lost, every sensor's error within its
limits.

References
----------
.. [1] D. M. See, R. E. White, J. Chem. Eng. Data 42 (1997) 1266, DOI 10.1021/je970140x.
.. [2] R. Gilliam et al., Int. J. Hydrogen Energy 32 (2007) 359: density of KOH as an exponential.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from daq.bench import Bench, parse_bench
from daq.frame import Block
from daq.measure import Bins, Columns, LyeTrack, entry_of, lye_of_run
from daq.store import Mark
from daq.study.compare.comparison import Days, compare_groups
from daq.study.compare.records import Group
from daq.study.compare.run_blocks import run_blocks
from tests.simulated_bench.measure_plant import Array, buck_kpa, koh_kg_l, over_koh_kpa

__all__ = ["Bath", "Pair", "compared_pair", "draw_bath", "kappa_s_cm", "lye_error", "run_bath"]

S = 1_000_000_000
F, M_WATER, MOLAR_L = 96485.33212, 18.01528e-3, 22.413969545
STEP_S = 5
HOURS = 4.0
KPA = 100.0
FLOW_GAIN = 0.015
"""Limit of the flow meter's error, as a share."""


def kappa_s_cm(t_c: float, w: float) -> float:
    """Conductivity of KOH [S/cm], [1]."""
    t, c = t_c + 273.15, 100.0 * w
    return float(
        0.279844803 * c - 0.00924129482 * t - 0.000149660371 * t * t - 0.000905209551 * t * c
        + 0.000114933252 * t * t * c**0.1765 + 0.0696648518 * t / c - 28.9815658 * c / t
    )  # fmt: skip


@dataclass(frozen=True)
class Bath:
    """A stack in its lye, and what is done with it."""

    cells: int
    area_cm2: float
    litres: float
    strength: float
    stated_litres: float
    stated_strength: float
    start_u: float
    """Standard uncertainty of the stated strength [1]."""
    plan: tuple[tuple[float, float], ...]
    """Seconds and amps of each stretch."""
    settle_c: float
    tau_s: float
    saturation: float
    leak_siemens_cm: float
    """Leak current of a volt a cell at a conductivity of 1 S/cm [A/V]."""
    gas_lost: float
    gap_mm: float
    bubbles: float
    v0: float
    tafel: float
    contact: float
    meter: bool
    """Whether the bench has a flow meter."""
    poured: tuple[tuple[float, float, float], ...] = ()
    """When, how much truly, how much was read [s, mL, mL]."""
    looked: tuple[tuple[float, str], ...] = ()
    """When somebody measured the lye, and what [s]."""
    kpa: float = KPA
    """The air's pressure on that day, of which the bench file states the usual one [kPa]."""
    meter_c: float = 22.0
    """The gas at the meter, of which the bench file states the usual [degC]."""
    gas: float = 1.0
    """By what factor this build makes more gas of its current than another."""


@dataclass
class Ran:
    """What was so and what was read."""

    bath: Bath
    t_s: Array
    strength: Array
    litres: Array
    columns: dict[str, Array] = field(default_factory=dict)
    marks: list[Mark] = field(default_factory=list)


def draw_bath(rng: np.random.Generator, *, hours: float = HOURS, start_u: float = 0.005) -> Bath:
    """A bath and a plan for some hours of it."""
    cells, litres = int(rng.integers(5, 9)), float(rng.uniform(0.8, 1.6))
    amps = float(rng.uniform(10.0, 20.0))
    plan, left = [], hours * 3600.0
    while left > 0.0:
        on = min(left, float(rng.uniform(1800.0, 6000.0)))
        plan.append((on, amps * float(rng.uniform(0.8, 1.2))))
        left -= on
        if left > 0.0 and rng.random() < 0.4:
            off = min(left, float(rng.uniform(120.0, 1200.0)))
            plan.append((off, 0.0))
            left -= off
    strength = float(rng.uniform(0.15, 0.28))
    poured = []
    for _ in range(int(rng.integers(0, 3))):
        read = float(rng.uniform(20.0, 80.0))
        poured.append(
            (float(rng.uniform(0.2, 0.9)) * hours * 3600.0, read + float(rng.uniform(-5.0, 5.0)), read)
        )
    looked = [
        (float(rng.uniform(0.3, 0.98)) * hours * 3600.0, str(rng.choice(["density", "strength", "level"])))
        for _ in range(int(rng.integers(0, 3)))
    ]
    return Bath(
        cells=cells, area_cm2=float(rng.uniform(100.0, 200.0)),
        litres=litres * (1.0 + 0.02 * float(rng.standard_normal())), strength=strength, stated_litres=litres,
        stated_strength=strength + start_u * float(rng.standard_normal()), start_u=start_u, plan=tuple(plan),
        settle_c=float(rng.uniform(35.0, 65.0)), tau_s=float(rng.uniform(1500.0, 4000.0)),
        saturation=float(1.0 + 0.1 * rng.standard_normal()), leak_siemens_cm=float(rng.uniform(0.0, 0.6)),
        gas_lost=float(rng.choice([0.0, rng.uniform(0.0, 0.01)])), gap_mm=float(rng.uniform(2.0, 4.0)),
        bubbles=float(rng.uniform(0.05, 0.3)), v0=float(rng.uniform(1.42, 1.52)),
        tafel=float(rng.uniform(0.08, 0.18)), contact=float(rng.uniform(0.2, 1.0)),
        meter=bool(rng.random() < 0.6), poured=tuple(poured), looked=tuple(looked),
        kpa=KPA + 0.5 * float(rng.standard_normal()), meter_c=22.0 + 0.3 * float(rng.standard_normal()),
    )  # fmt: skip


def run_bath(b: Bath, rng: np.random.Generator, *, lost: bool = False) -> Ran:
    """Carry the plan out, every few seconds, and read the sensors."""
    levels = np.concatenate([np.full(round(s / STEP_S), amps) for s, amps in b.plan])
    n = levels.size
    t: Array = (np.arange(n, dtype=np.float64) + 1.0) * float(STEP_S)
    mass = b.litres * koh_kg_l(b.strength)
    hydroxide, water = b.strength * mass, (1.0 - b.strength) * mass
    poured, looked = sorted(b.poured), sorted(b.looked)
    lye, marks = 21.0, []
    out = {k: np.zeros(n) for k in ("w", "litres", "lye", "amps", "volts", "gas")}
    for k in range(n):
        while poured and poured[0][0] <= t[k]:
            _, ml, read = poured.pop(0)
            water += 1e-3 * ml * 0.9982
            marks.append(_mark(t[k], {"what": "top_up", "millilitres": read, "millilitres_error": 5.0}))
        w = hydroxide / (hydroxide + water)
        while looked and looked[0][0] <= t[k]:
            marks.append(_mark(t[k], _measured(looked.pop(0)[1], w, (hydroxide + water) / koh_kg_l(w), rng)))
        on = float(levels[k]) * (1.0 + 0.001 * math.sin(k / 40.0))
        goal = b.settle_c if on > 0.0 else 21.0
        lye += (goal - lye) * (1.0 - math.exp(-STEP_S / b.tau_s))
        kappa = kappa_s_cm(lye, w)
        volts = leak = gas = 0.0
        if on > 0.0:
            j = on / b.area_cm2
            # Nernst: R T/2F ln(1/a) more with the activity of the water, vapour over lye over water's
            activity = over_koh_kpa(lye, w) / over_koh_kpa(lye, 1e-9)
            nernst = 8.314462618 * (lye + 273.15) / (2.0 * F) * -math.log(activity)
            drop = j * (b.contact + 0.1 * b.gap_mm / (kappa * (1.0 - b.bubbles) ** 1.5))
            cell = b.v0 - 0.0011 * (lye - 25.0) + b.tafel * math.log10(1.0 + j / 0.002) * 0.9 + drop + nernst
            leak = min(0.3 * on, b.leak_siemens_cm * kappa * cell)
            gas = 0.75 * b.cells * (on - leak) / F * b.gas
            volts = b.cells * cell
        steam = gas * b.saturation * over_koh_kpa(lye, w) / (b.kpa - over_koh_kpa(lye, w)) * M_WATER
        water -= (gas * (2.0 / 3.0) * M_WATER + steam) * STEP_S
        out["w"][k], out["litres"][k] = w, (hydroxide + water) / koh_kg_l(w)
        out["lye"][k], out["amps"][k], out["volts"][k] = lye, on, volts
        out["gas"][k] = gas * (1.0 - b.gas_lost)
    wrong = rng.uniform(-1.0, 1.0, 5)
    columns = {
        "amps": np.where(out["amps"] > 0.0, out["amps"] * (1.0 + 0.008 * wrong[0]), 0.0),
        "volts": out["volts"] * (1.0 + 0.003 * wrong[1]) + 0.005 * rng.standard_normal(n),
        "lye_temp": out["lye"] + 0.5 * wrong[2] + 0.03 * rng.standard_normal(n),
    }
    if b.meter:
        # behind a water bubbler of the meter's temperature
        wet = (
            out["gas"]
            * MOLAR_L
            * 60.0
            * 101.325
            / (b.kpa - buck_kpa(b.meter_c))
            * (b.meter_c + 273.15)
            / 273.15
        )
        columns["gas_flow"] = wet * (1.0 + FLOW_GAIN * wrong[3]) + 0.003 * rng.standard_normal(n) * (
            wet > 0.0
        )
    keep = np.ones(n, dtype=bool)
    if lost:
        keep = rng.random(n) >= 0.1
        for _ in range(2):
            start = int(rng.integers(0, n - 100))
            keep[start : start + int(rng.integers(10, 100))] = False
    keep[0] = keep[-1] = True
    return Ran(
        b, t[keep], out["w"][keep], out["litres"][keep], {c: x[keep] for c, x in columns.items()}, marks
    )


def _measured(what: str, w: float, litres: float, rng: np.random.Generator) -> dict[str, Any]:
    """What somebody reads, wrong within the limits that are stated with it."""
    off = float(rng.uniform(-1.0, 1.0))
    if what == "density":  # of a sample that was let cool to 20 degC
        return {
            "what": what,
            "density_kg_m3": 1e3 * koh_kg_l(w) + 3.0 * off,
            "density_error": 6.0,
            "temp_c": 20.0,
        }
    if what == "strength":
        return {"what": what, "mass_fraction": w + 0.01 * off, "mass_fraction_error": 0.01}
    return {"what": what, "litres": litres + 0.02 * off, "litres_error": 0.025, "temp_c": 20.0}


def _mark(t_s: float, fields: dict[str, Any]) -> Mark:
    return Mark(1, "", round(t_s * S), "top_up" if fields["what"] == "top_up" else "lye", "", "", fields)


def bench_of(b: Bath, build: str = "A", *, gap: bool = False) -> Bench:
    """The bench file that the bath's owner would write."""
    geometry = (
        f"[stack.geometry]\nplates = {b.cells + 1}\nplate_thickness_mm = 1.0\ngap_mm = {b.gap_mm:.2f}\n"
        '[[stack.geometry.ports]]\ndiameter_mm = 6.0\nlayout = "in line"\n'
        if gap
        else ""
    )
    text = f"""
[bench]
name = "bath"
[stack]
build = "{build}"
cells = {b.cells}
plate_area_cm2 = {b.area_cm2:.2f}
electrolyte = "KOH"
mass_fraction = {b.stated_strength:.5f}
mass_fraction_u = {b.start_u}
litres = {b.stated_litres:.4f}
steel_kg = 2.0
{geometry}
[supply]
mode = "constant_current"
volts_max = 40.0
amps_set = 15.0
amps_max = 60.0
trip_source = "head"
[site]
pressure_kpa = {KPA}
room_temp_c = 21.0
[gas]
meter_temp_c = 22.0
meter_temp_u = 0.3
[sources.head]
port = "/dev/head"
rate_hz = {1.0 / STEP_S}
silent_after_s = 30.0
"""
    lines = {
        "amps": ("A", "0.8 % of reading"),
        "volts": ("V", "0.3 % of reading"),
        "lye_temp": ("degC", "0.5"),
        "gas_flow": ("L/min", f"{100.0 * FLOW_GAIN} % of reading"),
    }
    for name, (unit, accuracy) in lines.items():
        if name == "gas_flow" and not b.meter:
            continue
        text += (
            f'[channels.{name}]\nsource = "head"\nfield = "{name}"\nunit = "{unit}"\n'
            f'accuracy = "{accuracy}"\nstale_after_s = 30.0\n'
        )
    return parse_bench(text, Path("bench.toml"))


def _block(ran: Ran) -> Block:
    t_ns = (ran.t_s * S).astype(np.int64)
    return Block("head", t_ns, np.arange(t_ns.size, dtype=np.int64), dict(ran.columns), {})


def track_of(ran: Ran) -> LyeTrack:
    """The product's word on the lye of a run."""
    made = bench_of(ran.bath)
    bins = Bins(made, step_ns=S, first=0)
    bins.add(Columns.from_blocks([_block(ran)]))
    return lye_of_run(made, bins, [(m.t_ns, entry_of(m.data or {})) for m in ran.marks])


def lye_error(
    rng: np.random.Generator, *, start_u: float = 0.005, lost: bool = False
) -> tuple[float, float, float]:
    """Error of the mass fraction at the end of four hours, its expanded uncertainty, and how much it moved
    [1]."""
    ran = run_bath(draw_bath(rng, start_u=start_u), rng, lost=lost)
    found = track_of(ran).at(np.array([round(ran.t_s[-1] * S)], dtype=np.int64)).mass_fraction
    value, u95 = (float(np.asarray(x)[0]) for x in (found.value, found.u95))
    return value - float(ran.strength[-1]), u95, float(ran.strength[-1]) - ran.bath.strength


@dataclass(frozen=True)
class Pair:
    """A comparison: the truth at equal lye, and the interval that was stated, as shares."""

    true: float
    value: float
    low: float
    high: float

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low <= self.true <= self.high


def compared_pair(
    rng: np.random.Generator, *, apart: float = 0.03, day_sd: float = 0.002, gap: bool = False
) -> Pair | None:
    """Two builds of one stack, the second in lye `apart` stronger; None where they can not be compared."""
    one = replace(draw_bath(rng, hours=2.5), meter=True, looked=(), gas_lost=0.0)
    other = draw_bath(rng, hours=2.5)
    true = float(rng.choice([0.0, 0.02]))
    strength = one.strength + apart
    two = replace(
        one, strength=strength, stated_strength=strength + one.start_u * float(rng.standard_normal()),
        litres=one.stated_litres * (1.0 + 0.02 * float(rng.standard_normal())), poured=other.poured,
        kpa=other.kpa, meter_c=other.meter_c, gas=1.0 + true,
    )  # fmt: skip
    groups = []
    errors = rng.bit_generator.random_raw()
    for name, bath in (("A", one), ("B", two)):
        day = replace(bath, gas=bath.gas * (1.0 + day_sd * float(rng.standard_normal())))
        # one set of meters: their errors are the same in both runs
        ran = run_bath(day, np.random.default_rng(errors))
        blocks = run_blocks(bench_of(bath, name, gap=gap), [[_block(ran)]], marks=ran.marks)
        groups.append(Group(name, (blocks,)))
    (c,) = compare_groups(groups, days=Days(day_sd, "asked"))
    d = c.headline
    return Pair(true, d.value, d.low, d.high) if d.known else None


def main(argv: Sequence[str] | None = None) -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--n", type=int, default=200)
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    for words, start_u, lost in (
        ("start known to 0.5 %", 0.005, False),
        ("the same with gaps", 0.005, True),
        ("start known to 0.05 %", 0.0005, False),
    ):
        if args.n:
            found = [
                lye_error(
                    np.random.default_rng([args.seed, round(1e5 * start_u), lost, k]),
                    start_u=start_u,
                    lost=lost,
                )
                for k in range(args.n)
            ]
            errors, u95, moved = (np.array(x) for x in zip(*found, strict=True))
            print(
                f"{words}: moved by {100.0 * np.median(moved):.1f} %, "
                f"held {100.0 * np.mean(np.abs(errors) <= u95):.1f} %, "
                f"rms error / u {2.0 * np.sqrt(np.mean((errors / u95) ** 2)):.2f}, "
                f"U {100.0 * np.median(u95):.2f} %, "
                f"largest error {100.0 * np.abs(errors).max():.2f} % by mass, 95 % of them below "
                f"{100.0 * np.quantile(np.abs(errors), 0.95):.2f}",
                flush=True,
            )
    for apart, gap in ((0.0, False), (0.03, False), (0.03, True)):
        if args.pairs:
            pairs = [
                compared_pair(
                    np.random.default_rng([args.seed, 7, round(1e3 * apart), gap, k]), apart=apart, gap=gap
                )
                for k in range(args.pairs)
            ]
            known = [p for p in pairs if p is not None]
            print(
                f"{100.0 * apart:.0f} points apart, gap {'stated' if gap else 'not stated'}: "
                f"{len(known)} pairs, "
                f"held {100.0 * np.mean([p.held for p in known]):.1f} %, mean error "
                f"{100.0 * np.mean([p.value - p.true for p in known]):+.2f} %, half-width "
                f"{100.0 * np.median([0.5 * (p.high - p.low) for p in known]):.2f} %",
                flush=True,
            )


if __name__ == "__main__":
    main()
