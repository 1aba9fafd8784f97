"""Polarisation of builds: what drives the current through each, apart, and what a change to one changed.

Each build's settled steps (`polarisation_steps`) give one fit (`polarisation_fit`); all builds are set side
by side at one temperature and one current density, which all of them had.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import stdtrit

from daq.bench import Bench
from daq.errors import LyewatchError, UsageError
from daq.frame import Block
from daq.measure import FloatArray
from daq.store import RunRecord, Store
from daq.study.polarisation.fit import PARTS, Points, PolarisationFit, fit_parts
from daq.study.polarisation.points import Leak, concatenated, points_of
from daq.study.polarisation.result import (
    BuildComparison,
    BuildCurve,
    PartDifference,
    Polarisation,
    SweptRun,
)
from daq.study.polarisation.steps import find_steps
from daq.study.polarisation.words import basis, sentence
from daq.study.runs import recorded_bench

__all__ = [
    "COMPARED",
    "part_differences",
    "polarise",
    "side_by_side",
    "swept_blocks",
    "swept_run",
]

COMPARED = ("ohmic_volts", "activation_volts", "cell_volts")
"""The parts that builds are compared by, all at one current density [V]."""
LEAK_ROUNDS = 2
"""So often the leak is worked out again with the ohmic drop that the fit before told."""


def swept_run(store: Store, record: RunRecord) -> SweptRun:
    """Find the steps of a run in the store."""
    bench = recorded_bench(store, record)
    blocks = list(store.read(record.id).values())
    steps = find_steps(bench, blocks, store.logbook.list_marks(record.id))
    return SweptRun(record.id, record.name, record.build, record.start_utc_ns, steps)


def swept_blocks(bench: Bench, blocks: Sequence[Block], name: str = "") -> SweptRun:
    """Find the steps of samples that are not in a store.

    Parameters
    ----------
    bench : Bench
    blocks : sequence of Block
        All samples of the run.
    name : str
        The run's title.
    """
    return SweptRun("", name, bench.stack.build, None, find_steps(bench, blocks))


def polarise(runs: Sequence[SweptRun], *, by: str = "build") -> Polarisation:
    """Set the builds of some runs side by side.

    Parameters
    ----------
    runs : sequence of SweptRun
        Of one build or several; the build that comes first is what the others are compared with.
    by : {"build", "run"}
        Whether runs of one build are fitted together.

    Raises
    ------
    UsageError
        Without runs.
    """
    if not runs:
        raise UsageError("no run was named", place="polarisation", remedy="name one run or more")
    names = list(dict.fromkeys(r.build for r in runs))
    if by == "build":
        grouped = [(n, tuple(r for r in runs if r.build == n)) for n in names]
    else:
        grouped = [(r.name or r.run_id or f"run {i + 1}", (r,)) for i, r in enumerate(runs)]
    gathered = [_gathered(name, members) for name, members in grouped]
    usable = [p for p, *_ in gathered if p is not None]
    if not usable:
        curves = [
            BuildCurve.of(name, members, None, (), None, _why_none(members), notes)
            for (name, members), (_, _, notes) in zip(grouped, gathered, strict=True)
        ]
        return side_by_side(math.nan, math.nan, curves)
    reference_c = float(round(float(np.concatenate([p.lye_temp for p in usable]).mean())))
    at_density = _common_density(usable)
    builds = []
    for (name, members), (points, leaks, notes) in zip(grouped, gathered, strict=True):
        fit, reason = None, ""
        if points is None:
            reason = _why_none(members)
        else:
            try:
                fit = fit_parts(points, reference_c=reference_c, at_density=at_density)
                for _ in range(LEAK_ROUNDS):
                    points, leaks, notes = _gathered(name, members, fit.ohmic_steps, reference_c)
                    assert points is not None
                    fit = fit_parts(points, reference_c=reference_c, at_density=at_density)
            except LyewatchError as exc:
                reason = f"{exc.message} ({exc.value}); {exc.remedy}"
        builds.append(BuildCurve.of(name, members, points, leaks, fit, reason, notes))
    return side_by_side(reference_c, at_density, builds)


def side_by_side(reference_c: float, at_density: float, builds: Sequence[BuildCurve]) -> Polarisation:
    """Curves as one result.

    Parameters
    ----------
    reference_c : float
        The one temperature at which they hold [degC].
    at_density : float
        The current density at which they are compared [mA/cm2].
    builds : sequence of BuildCurve
        At least one; the others are compared with the first.
    """
    first, others = builds[0], builds[1:]
    at = f"at {at_density:g} mA/cm² and {reference_c:.0f} °C"
    repeated = all(len(b.runs) > 1 for b in builds)
    comparisons = []
    for other in others:
        found = () if first.fit is None or other.fit is None else part_differences(first.fit, other.fit)
        text = sentence(first, other, found, at, repeated=repeated)
        comparisons.append(BuildComparison(first.name, other.name, text, found))
    return Polarisation(reference_c, at_density, tuple(builds), tuple(comparisons), tuple(basis(builds)))


# -- parts -------------------------------------------------------------------------------------------------


def _gathered(
    name: str,
    members: Sequence[SweptRun],
    ohmic_volts: FloatArray | None = None,
    reference_c: float = 25.0,
) -> tuple[Points | None, tuple[Leak | None, ...], tuple[str, ...]]:
    with_steps = [(i, r) for i, r in enumerate(members) if r.sweep.numbers]
    notes = [n for r in members if not r.sweep.numbers for n in r.sweep.notes]
    found = []
    at = 0
    for _, r in with_steps:
        n = len(r.sweep.numbers)
        known = None if ohmic_volts is None else ohmic_volts[at : at + n]
        found.append(points_of(r.sweep, known, reference_c))
        at += n
    notes += [n for _, _, own_notes in found for n in own_notes]
    if not found:
        return None, (), tuple(dict.fromkeys(notes))
    own_names = [f"{r.run_id or name} {i}" for i, r in with_steps]
    points = concatenated([r.sweep for _, r in with_steps], own_names, [p for p, _, _ in found])
    return points, tuple(leak for _, leak, _ in found), tuple(dict.fromkeys(notes))


def _why_none(members: Sequence[SweptRun]) -> str:
    steps = [s for r in members for s in r.sweep.steps]
    if not steps:
        return "no stretch in which the supply stood still while gas was made"
    return f"none of {len(steps)} steps settled: {steps[0].reason}"


def _common_density(points: Sequence[Points]) -> float:
    """The middle, on a logarithmic scale, of the current densities that all builds had, two digits of it."""
    low = max(float(p.density.min()) for p in points)
    high = min(float(p.density.max()) for p in points)
    middle = math.sqrt(low * high)
    digits = 1 - math.floor(math.log10(middle)) if middle > 0.0 else 0
    return round(middle, digits)


def part_differences(first: PolarisationFit, other: PolarisationFit) -> tuple[PartDifference, ...]:
    """Differences of the parts; errors of one name cancel as far as both curves carry them alike."""
    out = []
    bound = "a fit ended at its bound, so that its ohmic and activation part are not those of the stack"
    reason = bound if first.at_bounds or other.at_bounds else ""
    for part in COMPARED:
        k = list(PARTS).index(part)
        value = float(other.parts[k] - first.parts[k])
        own = [(float(f.parts_u[k]), f.dof) for f in (first, other)]
        u2 = sum(u * u for u, _ in own)
        dof = u2 * u2 / sum(u**4 / n for u, n in own) if u2 > 0.0 else math.inf
        shared = 0.0
        for name in {*first.propagated, *other.propagated}:
            a, b = (float(f.propagated[name][k]) if name in f.propagated else 0.0 for f in (first, other))
            shared += (b - a) ** 2
        half = math.hypot(float(stdtrit(min(dof, 1e9), 0.975)) * math.sqrt(u2), 1.96 * math.sqrt(shared))
        why = reason if part != "cell_volts" else ""
        out.append(PartDifference(part, value, value - half, value + half, reason=why))
    return tuple(out)
