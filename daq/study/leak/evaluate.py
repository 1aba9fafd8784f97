"""The leak test: the leak predicted, measured by a slow rise of the voltage, and told by the missing gas.

Two estimates agree when ``|a - b| <= sqrt(U_a^2 + U_b^2)``: the normalised error of ISO/IEC 17043:2010, B.3.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from daq.bench import Bench, StackSpec
from daq.errors import PhysicsRangeError, UsageError
from daq.frame import Block
from daq.measure import Assessor, Columns, IntArray, Numbers, assess_windows
from daq.quantity import Quantity
from daq.store import Mark
from daq.study.leak.changes import Variant, not_to_be_had, variants
from daq.study.leak.predict import LIMITS, Conditions, Prediction, lye_conductivity
from daq.study.leak.ramp import Ramp, find_ramps, ramp_leak
from daq.study.leak.unequal_plates import UNEQUAL_U, unequal_plates
from daq.study.render import Internal, Magnitude, NumberOf, plain, with_schema
from daq.study.runs import Phase, as_read, bench_then, find_phases, lye_of_blocks
from daq.watch import suited_to

__all__ = ["SCHEMA", "LeakTest", "leak_test", "run_conditions", "stated_conditions"]

SCHEMA = "lyewatch.leak/1"
WINDOW_S = 60.0
GASSING_V = 1.45
"""Above this a cell makes gas at a rate worth measuring [V] (judgement: just below thermoneutral)."""
DEFAULT_TEMP_C, DEFAULT_TEMP_U = 40.0, 5.0
"""Temperature taken where none is stated [degC], and its standard uncertainty [K] (judgement)."""

STATED_U, STATED_TEMP_U = 0.01, 1.0
"""Standard uncertainty of volts and amps that are stated, as a share, and of a temperature [K], where the
bench file does not say how well its channel reads (judgement)."""

_RAMP_LIMITS = (
    (
        "The stack must have stood without current until its voltage had fallen, and the voltage must rise "
        "slowly, without jumps."
    ),
    (
        "Oxide on the plates that is turned over while the voltage rises takes current too, and then counts "
        "as leak."
    ),
    "Bubbles that fill the openings in operation are not there during the rise: in operation less leaks.",
)
_UNEQUAL_KNOWN = (
    "Plates that leak unequally are in series during the rise: what that hides is put back by "
    "[stack.geometry], and is as right as its lists."
)
_UNEQUAL_UNKNOWN = (
    "Plates are taken to leak alike, within 35 %: where they do not, as drilled or sealed each its own way, "
    "more leaks than this says. A [stack.geometry] with a list for each plate corrects for it."
)
_DEFICIT_LIMITS = (
    (
        "Whatever is missing counts as leak: gas that leaks out or recombines, and every error of the flow "
        "meter, its factor and its steam."
    ),
)


@dataclass(frozen=True, slots=True)
class Estimate:
    """One way to the mean leak current per cell."""

    kind: str
    words: str
    leak: NumberOf
    limits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two estimates, by their kinds, and the normalised error between them; up to 1 they agree."""

    a: str
    b: str
    normalised_error: Magnitude
    agree: bool


@dataclass(frozen=True, slots=True)
class LeakTest:
    """The result.

    Attributes
    ----------
    bench, stack, build : str
        Names.
    reference : str
        Condition at which gas not made is counted.
    conditions : Conditions
    prediction : Prediction or None
        None where the bench file has no geometry.
    variants : tuple of Variant
    not_to_be_had : str
        Why moving the openings is not among them; empty where it is.
    ramps : tuple of Ramp
    estimates : tuple of Estimate
        Those that could be made.
    agreement : tuple of Agreement
        Of each two of them.
    missing : tuple of str
        Why the others could not.
    """

    bench: str
    stack: Internal[str]
    build: str
    reference: str
    conditions: Conditions
    prediction: Annotated[Prediction | None, Field(serialization_alias="predicted")]
    variants: Annotated[tuple[Variant, ...], Field(serialization_alias="changes")]
    not_to_be_had: Internal[str]
    ramps: tuple[Ramp, ...]
    estimates: tuple[Estimate, ...]
    agreement: tuple[Agreement, ...]
    missing: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return with_schema(self, SCHEMA)


def stated_conditions(
    bench: Bench, *, volts: float | None = None, amps: float | None = None, temp_c: float | None = None
) -> Conditions:
    """Conditions from what a person states.

    Parameters
    ----------
    bench : Bench
    volts, amps : float, optional
        At the stack [V, A]; None takes what the bench file sets the supply to.
    temp_c : float, optional
        Lye temperature [degC]; None assumes `DEFAULT_TEMP_C`.

    Raises
    ------
    UsageError
        When neither says at which voltage.
    """
    supply = bench.supply
    v = volts if volts is not None else supply.volts_set
    i = amps if amps is not None else supply.amps_set
    if v is None:
        raise UsageError(
            "the voltage is not known",
            place=f"{bench.path}: supply.volts_set",
            remedy="write it there, or give --volts",
        )
    temp = (
        _stated(bench, "lye_temp", temp_c, "degC", STATED_TEMP_U)
        if temp_c is not None
        else Quantity(DEFAULT_TEMP_C, DEFAULT_TEMP_U, "degC", label="lye_temp")
    )
    words = "as stated" if volts is not None or amps is not None else "the bench file's supply"
    if temp_c is None:
        words += f"; lye at {DEFAULT_TEMP_C:g} ± {2 * DEFAULT_TEMP_U:g} °C assumed"
    return Conditions(
        words,
        volts=_stated(bench, "volts", v, "V", STATED_U * v),
        amps=None if i is None else _stated(bench, "amps", i, "A", STATED_U * i),
        lye_temp=temp,
    )


def run_conditions(
    bench: Bench, blocks: Sequence[Block], marks: Sequence[Mark] = ()
) -> tuple[Conditions, Quantity | None] | None:
    """Conditions in a run's longest steady phase, and its leak current from the missing gas.

    Without a steady phase the longest warm-up. None where the run was never powered.

    Parameters
    ----------
    bench : Bench
        As the run was recorded with.
    blocks : sequence of Block
        All samples of the run.
    marks : sequence of Mark
        What people said of the lye; other marks are passed over.
    """
    suited, _ = suited_to(bench, blocks)
    columns = Columns.from_blocks(blocks)
    if columns.span_ns is None:
        return None
    width = round(WINDOW_S * 1e9)
    first, last = columns.span_ns
    edges = np.arange(first // width * width, last + width + 1, width, dtype=np.int64)
    lye = lye_of_blocks(suited, blocks, marks)
    assessor = Assessor(suited, lye)
    windows = assess_windows(columns, edges, suited, steps=30, assessor=assessor)
    found = _operating(windows, find_phases(suited, windows))
    if found is None:
        return None
    phase, here = found

    def mean(key: str, unit: str) -> Quantity:
        return _mean(windows, key, here, unit)

    leak = mean("leak_amps", "A")
    words = f"the run's longest {phase.name} phase, {phase.from_s / 60:.0f} to {phase.to_s / 60:.0f} min"
    temp = mean("lye_temp", "degC")
    if not math.isfinite(plain(temp.value)):
        temp = Quantity(DEFAULT_TEMP_C, DEFAULT_TEMP_U, "degC", label="lye_temp")
    strength = mean("lye_percent", "%").scaled(0.01, "")
    conditions = Conditions(words, mean("volts", "V"), mean("amps", "A"), temp, strength)
    if not (math.isfinite(plain(conditions.volts.value)) and math.isfinite(plain(mean("amps", "A").value))):
        return None
    return conditions, leak if math.isfinite(plain(leak.value)) else None


def leak_test(
    bench: Bench,
    conditions: Conditions,
    *,
    deficit: Quantity | None = None,
    ramp_blocks: Sequence[Block] | None = None,
    ramp_marks: Sequence[Mark] = (),
    run_given: bool = False,
) -> LeakTest:
    """Bring together what can be said of the leak.

    Parameters
    ----------
    bench : Bench
    conditions : Conditions
        Of operation.
    deficit : Quantity, optional
        Leak current by missing gas [A].
    ramp_blocks : sequence of Block, optional
        Samples that may hold a slow rise of the voltage.
    ramp_marks : sequence of Mark
        Those of that run that tell of the lye.
    run_given : bool
        Whether a run was named, so that what it lacks is worth saying.
    """
    missing: list[str] = []
    estimates: list[Estimate] = []
    prediction: Prediction | None = None
    changed: list[Variant] = []
    if bench.stack.geometry is not None and bench.stack.cells > 1:
        prediction, changed = variants(bench, conditions)
        estimates.append(Estimate("geometry", "predicted from the geometry", prediction.leak, LIMITS))
    else:
        missing.append("geometry: the bench file has no [stack.geometry] to predict from")
    ramps: list[Ramp] = []
    if ramp_blocks is not None:
        suited, _ = suited_to(bench, ramp_blocks)
        ramps = find_ramps(suited, Columns.from_blocks(ramp_blocks))
    for ramp in ramps[-1:]:
        then = bench_then(
            suited,
            lye_of_blocks(suited, ramp_blocks or (), ramp_marks),
            int(1e9 * ramp.from_s),
            int(1e9 * ramp.to_s),
        )
        estimates.append(_ramp_estimate(bench, conditions, prediction, ramp, then.stack))
    if not ramps:
        missing.append(
            "slow rise: no run with one was given; record a run in which the voltage is raised from zero to "
            "operation over ten minutes, and name it with --ramp"
            if ramp_blocks is None
            else "slow rise: the run has none; raise the voltage from zero to operation over ten minutes, "
            "without turning back"
        )
    if deficit is not None:
        estimates.append(
            Estimate("missing gas", "current less what the gas accounts for", deficit, _DEFICIT_LIMITS)
        )
    else:
        missing.append(
            "missing gas: the run has no gas flow while powered"
            if run_given
            else "missing gas: no run was named; name one with --run"
        )
    return LeakTest(
        bench=bench.name,
        stack=bench.stack.name,
        build=bench.stack.build,
        reference=Assessor(bench).reference.words,
        conditions=conditions,
        prediction=prediction,
        variants=tuple(changed),
        not_to_be_had=not_to_be_had(bench),
        ramps=tuple(ramps),
        estimates=tuple(estimates),
        agreement=tuple(itertools.starmap(_agreement, itertools.combinations(estimates, 2))),
        missing=tuple(missing),
    )


# -- parts -------------------------------------------------------------------------------------------------


def _agreement(a: Estimate, b: Estimate) -> Agreement:
    spread = math.hypot(plain(a.leak.u95), plain(b.leak.u95))
    apart = abs(plain(a.leak.value) - plain(b.leak.value))
    error = apart / spread if spread > 0.0 else math.inf
    return Agreement(a.kind, b.kind, error, error <= 1.0)


def _stated(bench: Bench, channel: str, value: float, unit: str, otherwise_u: float) -> Quantity:
    """A number that a person states, as well known as the bench's channel reads it."""
    read = as_read(bench, channel, value, unit)
    return read if plain(read.u) > 0.0 else Quantity(value, otherwise_u, unit, label=channel)


def _operating(windows: Numbers, phases: Sequence[Phase]) -> tuple[Phase, IntArray] | None:
    """The phase with the most windows in which the cells make gas, a steady one first, and those windows."""
    gassing = np.nan_to_num(windows.value["cell_volts"]) >= GASSING_V
    for name in ("steady", "warm-up"):
        found = [
            (p, p.first + np.flatnonzero(gassing[p.first : p.last + 1])) for p in phases if p.name == name
        ]
        best = max(found, key=lambda pair: pair[1].size, default=None)
        if best is not None and best[1].size:
            return best
    return None


def _mean(windows: Numbers, key: str, here: IntArray, unit: str) -> Quantity:
    """Mean over a phase; the accuracy, which all windows share, is most of its U."""
    value, u95 = windows.value[key][here], windows.u95[key][here]
    known = np.isfinite(value)
    if not known.any():
        return Quantity(math.nan, 0.0, unit)
    return Quantity(float(value[known].mean()), 0.5 * float(np.nanmedian(u95[known])), unit, label=key)


def _ramp_estimate(
    bench: Bench, conditions: Conditions, prediction: Prediction | None, ramp: Ramp, lye: StackSpec
) -> Estimate:
    geometry = bench.stack.geometry
    cell = conditions.volts * (1.0 / bench.stack.cells)
    words = "from the slow rise of the voltage"
    known = bench.stack.electrolyte == "KOH" or (
        geometry is not None and geometry.conductivity_s_cm is not None
    )
    if prediction is not None:
        cell = prediction.step_volts
    if known:
        now = lye_conductivity(bench, conditions.lye_temp, conditions.strength)
        strength = Quantity(lye.mass_fraction, lye.mass_fraction_u, "", label="lye strength")
        then = lye_conductivity(bench, ramp.lye_temp, strength)
        ratio = Quantity(plain(now.value) / plain(then.value), 0.0, "")
        # The correlation's own error is in both; of the ratio a fifth of it remains (judgement).
        ratio = ratio * Quantity(1.0, 0.2 * plain(now.u) / plain(now.value), "", label="conductivity")
    else:
        ratio = Quantity(1.0, 0.1, "", label="conductivity")
        words += ", not corrected for temperature"
    leak = ramp_leak(bench, ramp, cell, ratio)
    factor, limit = Quantity(1.0, UNEQUAL_U, "", label="plates that leak unequally"), _UNEQUAL_UNKNOWN
    if prediction is not None:
        try:
            factor = unequal_plates(bench, conditions, ramp, plain(ratio.value))
            words += f", times {plain(factor.value):.3f} for how the geometry's plates differ"
            limit = _UNEQUAL_KNOWN
        except PhysicsRangeError as exc:
            limit = f"{_UNEQUAL_UNKNOWN} The geometry was of no help: {exc.message}."
    return Estimate("slow rise", words, (leak * factor).named("A"), (*_RAMP_LIMITS, limit))
