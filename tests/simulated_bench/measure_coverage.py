"""How often the stated 95 % intervals hold what was so: counted over benches simulated from their physics.

``python -m tests.simulated_bench.measure_coverage --n 200 --seed 1`` prints a table. A case is a way of
supplying the stack, with or without gaps; each run of it is another stack in another room with other sensors.

Where one error that is known by its limits outweighs all others the interval (k = 2) is wider than those
limits and holds every time: then its coverage says nothing, and the spread of the errors in units of the
stated standard uncertainty, which is 1 where that is right, says more. Both are printed.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench, parse_bench
from daq.frame import Block
from daq.measure import Assessor, Columns, lye_of_run
from daq.measure.bins import Bins
from daq.measure.measured import measure
from daq.study.review.heat_balance import heat_balance
from daq.study.review.totals import run_totals
from daq.study.runs.phases import find_phases
from tests.simulated_bench.measure_plant import Array, History, draw_plant, run_plant
from tests.simulated_bench.measure_sensors import (
    ACCURACY,
    RESOLUTION,
    Instruments,
    Readings,
    draw_instruments,
    read,
)

__all__ = ["CASES", "Row", "Tally", "cover", "table"]

S = 1_000_000_000
WINDOW = 30
LEAST_ON_S = 1200
"""Runs that were on for less, as where a held voltage ran away in minutes, are drawn again [s]."""
MOLAR_L = 22.413969545  # CODATA, 0 degC and 101.325 kPa
UNITS = {
    "volts": "V", "amps": "A", "watts": "W", "volts_rms": "V", "amps_rms": "A", "duty": "1",
    "gas_flow": "L/min", "gas_temp": "degC", "lye_temp": "degC", "room_temp": "degC", "room_pressure": "kPa",
}  # fmt: skip
CASES = {
    "steady": (False, "product", False),
    "steady, gaps": (False, "product", True),
    "chopped, wattmeter": (True, "watts", False),
    "chopped, wattmeter, gaps": (True, "watts", True),
    "chopped, volts before the switch": (True, "supply", False),
    "chopped, duty and off volts": (True, "duty_off", False),
    "chopped, duty alone": (True, "duty", False),
    "chopped, RMS values, gaps": (True, "rms", True),
}
"""Name to chopped, what the power is found by, and whether there are gaps."""
QUANTITIES = (
    "MMW, dry",
    "Faradaic efficiency",
    "power",
    "energy efficiency",
    "heat",
    "C",
    "R",
    "total energy",
    "total charge",
    "total gas, dry",
    "total water",
    "total vapour",
    "lye strength",
)


@dataclass
class Row:
    """One quantity of one case: errors in units of U, and U as a share of the value."""

    errors: list[float] = field(default_factory=list)
    shares: list[float] = field(default_factory=list)

    def add(self, value: float, u95: float, true: float) -> None:
        """Take one run in."""
        if math.isfinite(value) and math.isfinite(u95) and u95 > 0.0:
            self.errors.append((value - true) / u95)
            self.shares.append(u95 / abs(true))

    @property
    def coverage(self) -> float:
        """Share of intervals that hold the truth."""
        return float(np.mean(np.abs(self.errors) <= 1.0)) if self.errors else math.nan

    @property
    def spread(self) -> float:
        """Root mean square of the errors in units of the standard uncertainty."""
        return 2.0 * float(np.sqrt(np.mean(np.square(self.errors)))) if self.errors else math.nan


@dataclass
class Tally:
    """All quantities of one case."""

    case: str
    rows: dict[str, Row] = field(default_factory=lambda: {q: Row() for q in QUANTITIES})


def bench_of(h: History, i: Instruments, r: Readings) -> Bench:
    """The bench file that the person who built it would write: what is stated, and nothing of the truth."""
    p = h.plant
    supply = ""
    if i.power_by == "supply":
        supply = 'volts_at = "supply"'
    elif i.power_by == "duty_off":
        supply = f"off_volts = [{i.off_limits[0]:.3f}, {i.off_limits[1]:.3f}]"
    lines = [
        f"""
[bench]
name = "simulated"
[stack]
cells = {p.cells}
plate_area_cm2 = {p.area_cm2:.1f}
electrolyte = "KOH"
mass_fraction = {p.stated_fraction:.5f}
litres = 1.5
steel_kg = 2.0
[supply]
mode = "{"pwm" if p.duty < 1.0 else "constant_current"}"
volts_max = 60.0
amps_max = 100.0
amps_set = 20.0
trip_source = "head"
{supply}
[site]
altitude_m = 300.0
[gas]
meter_factor = 1.0
meter_factor_u = {i.factor_u:.5f}
[sources.head]
port = "/dev/head"
rate_hz = 1.0"""
    ]
    for name in r.columns:
        percent, absolute = ACCURACY[name]
        lines.append(
            f'[channels.{name}]\nsource = "head"\nfield = "{name}"\nunit = "{UNITS[name]}"\n'
            f'accuracy = "{percent} % of reading + {absolute}"\nresolution = {RESOLUTION.get(name, 0.0)}'
        )
    return parse_bench("\n".join(lines), Path("bench.toml"))


def lost_rows(n: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Rows that came: silences of seconds to minutes anywhere, and some rows lost here and there."""
    keep = rng.random(n) >= float(rng.choice([0.0, 0.02, 0.2]))
    for _ in range(int(rng.integers(1, 4))):
        length = int(np.exp(rng.uniform(np.log(8.0), np.log(600.0))))
        start = int(rng.integers(60, n - length - 60))
        keep[start : start + length] = False
    keep[0] = keep[-1] = True
    return keep


def _seconds_to_windows(x: Array, count: int) -> Array:
    padded = np.full(count * WINDOW, np.nan)
    padded[: x.size] = x
    return np.asarray(np.nanmean(padded.reshape(count, WINDOW), axis=1))


def one_run(tally: Tally, rng: np.random.Generator, *, chopped: bool, power_by: str, gaps: bool) -> None:
    """Simulate a run, put it through the watch and the study, and take errors down."""
    h = run_plant(draw_plant(rng, chopped=chopped), rng)
    while np.count_nonzero(h.amps > 0.0) < LEAST_ON_S:
        h = run_plant(draw_plant(rng, chopped=chopped), rng)
    i = draw_instruments(rng, h, power_by=power_by)
    r = read(h, i)
    n = r.t_s.size
    keep = lost_rows(n, rng) if gaps else np.ones(n, dtype=bool)
    made = bench_of(h, i, r)
    seq = np.flatnonzero(keep).astype(np.int64)
    block = Block(
        "head",
        (r.t_s[keep] * S).astype(np.int64),
        seq,
        {name: x[keep] for name, x in r.columns.items()},
        {},
    )
    columns = Columns.from_blocks([block])
    bins = Bins(made, step_ns=S, first=0)
    bins.add(columns)
    count = -(-n // WINDOW)
    ends = WINDOW * np.arange(1, count + 1, dtype=np.int64)
    measured = measure(made, bins, ends, WINDOW)
    lye = lye_of_run(made, bins)
    assessor = Assessor(made, lye)
    balance = assessor.balance(measured)
    numbers = assessor.numbers(balance)
    on = np.zeros(count, dtype=bool)
    for phase in find_phases(made, numbers):
        if phase.name in ("warm-up", "steady"):
            on[phase.first + 1 : phase.last] = True
    on &= np.isfinite(numbers.value["mmw_dry_ref"])
    if on.any():
        _means(tally, h, assessor.numbers(balance.averaged(on)).at(0), on, count)
    fit = heat_balance(made, measured, balance)
    for name, found, true in (
        ("C", fit.capacity, h.plant.capacity_j_k),
        ("R", fit.resistance, h.plant.resistance_k_w),
    ):
        if found is not None:
            tally.rows[name].add(*found, true)
    said_w = lye.at(np.array([n * S], dtype=np.int64)).mass_fraction
    w, w_u95 = (float(np.asarray(x)[0]) for x in (said_w.value, said_w.u95))
    tally.rows["lye strength"].add(w, w_u95, float(h.strength[-1]))
    totals = run_totals(made, balance, assessor.ratios, columns)
    for name, key, true in (
        ("total energy", "energy_wh", float(h.power_w.sum()) / 3600.0),
        ("total charge", "charge_ah", float(h.amps.sum()) / 3600.0),
        ("total gas, dry", "gas_dry_ref_l", float(h.gas_mol_s.sum()) * MOLAR_L),
        ("total water", "water_split_ml", float(h.gas_mol_s.sum()) * 2.0 / 3.0 * 18.01528 / 0.998207),
        ("total vapour", "water_vapour_ml", float(h.vapour_kg_s.sum()) * 1000.0 / 0.998207),
    ):
        number = getattr(totals, key).whole or getattr(totals, key).number
        if number.value is not None:
            tally.rows[name].add(number.value, number.u95 or math.nan, true)


def _means(
    tally: Tally,
    h: History,
    numbers: dict[str, dict[str, float | None]],
    on: NDArray[np.bool_],
    count: int,
) -> None:
    power, amps, gas, heat = (
        float(_seconds_to_windows(x, count)[on].mean()) for x in (h.power_w, h.amps, h.gas_mol_s, h.heat_w)
    )
    faraday = gas / (0.75 * h.plant.cells * amps / 96485.33212)
    truths = {
        "MMW, dry": ("mmw_dry_ref", gas * MOLAR_L * 60_000.0 / power),
        "Faradaic efficiency": ("faradaic_efficiency", faraday),
        "power": ("power_w", power),
        "energy efficiency": ("energy_efficiency_hhv", gas * (2.0 / 3.0) * 285_830.0 / power),
        "heat": ("heat_w", heat),
    }
    for name, (key, true) in truths.items():
        value, u95 = numbers[key]["value"], numbers[key]["u95"]
        tally.rows[name].add(math.nan if value is None else value, math.nan if u95 is None else u95, true)


def cover(n: int, seed: int, cases: Sequence[str] = tuple(CASES)) -> Iterator[Tally]:
    """Tally each case over `n` runs."""
    for number, case in enumerate(CASES):
        if case not in cases:
            continue
        chopped, power_by, gaps = CASES[case]
        tally = Tally(case)
        for run in range(n):
            one_run(tally, np.random.default_rng([seed, number, run]), chopped=chopped, power_by=power_by,
                    gaps=gaps)  # fmt: skip
        yield tally


def table(tally: Tally) -> str:
    """A case in words."""
    lines = [f"{tally.case}", f"  {'':<22}{'runs':>6}{'held, %':>10}{'rms error / u':>15}{'U, %':>8}"]
    for name, row in tally.rows.items():
        if row.errors:
            lines.append(
                f"  {name:<22}{len(row.errors):>6}{100.0 * row.coverage:>10.1f}{row.spread:>15.2f}"
                f"{100.0 * float(np.median(row.shares)):>8.2f}{_word(row)}"
            )
    return "\n".join(lines)


def _word(row: Row) -> str:
    if row.coverage > 0.97:
        return "  a limit of error binds" if row.spread > 0.85 else "  limits wider than what was drawn"
    return "" if row.coverage >= 0.93 else "  below 93 %"


def main(argv: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--n", type=int, default=200, help="runs of each case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--case", action="append", choices=list(CASES), help="only these")
    args = parser.parse_args(argv)
    for tally in cover(args.n, args.seed, args.case or tuple(CASES)):
        print(table(tally), flush=True)


if __name__ == "__main__":
    main()
