"""A run as blocks for comparing: each block's conditions and results, with the errors they share.

A run is read in pieces and kept as sums, so that a thousand runs take no more memory than their blocks.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.frame import Block
from daq.measure import Assessor, Balance, Bins, Columns, FloatArray, IntArray, Measured, heat_of_run, measure
from daq.physics.heat import thermal_mass_j_k
from daq.quantity import Quantity
from daq.store import FillRecord, Mark, RunRecord, Store
from daq.study.compare.bench_facts import bench_facts
from daq.study.fill import gas_by_fills
from daq.study.runs import find_phases, lye_of_bins, recorded_bench
from daq.watch import suited_to

__all__ = [
    "Response",
    "RunBlocks",
    "block_seconds",
    "fingerprint",
    "read_run",
    "recorded_seconds",
    "run_blocks",
]

STEP_NS = 1_000_000_000
SHORTEST_S = 60
"""Shortest block [s]: long against the meters' lag and the gas space."""
MOST_BLOCKS, LEAST_PER_RUN = 4000, 24
"""So many blocks in all, if that leaves each run so many."""
SETTLE_S = 180.0
"""After switching on nothing counts for so long: the gas space fills, the meters follow [s] (judgement)."""
CHUNK_NS = 2 * 3600 * STEP_NS
CAPACITY_U = 0.1
"""Standard uncertainty of the heat capacity from the bench file, as a share: hoses, housing (judgement)."""
LEAST_RISE_K = 5.0
"""Below this rise over the room a block tells nothing of the thermal resistance [K]."""

_OWN = ("resolution", "noise", "pressure", "room temperature", "meter temperature", "lye strength")
"""Errors that are another one on another day: their labels hold one of these words."""


@dataclass(frozen=True, slots=True)
class Response:
    """One result in every block: float64[n], and the errors all blocks of the run share, by label."""

    value: FloatArray
    parts: dict[str, FloatArray]

    def taken(self, where: NDArray[np.bool_] | IntArray) -> Response:
        """Of these blocks only."""
        return Response(self.value[where], {k: p[where] for k, p in self.parts.items()})


@dataclass(frozen=True, slots=True)
class Lye:
    """The lye of a run's blocks.

    Attributes
    ----------
    electrolyte : str
    start : float
        Mass fraction that the bench file states for the start [1].
    strength, u : float64[n]
        Mass fraction in each block and its standard uncertainty, shared by all of them [1].
    gap_mm : float
        Between neighbouring plates; NaN where the bench file does not say [mm].
    """

    electrolyte: str
    start: float
    strength: FloatArray
    u: FloatArray
    gap_mm: float = math.nan

    def taken(self, where: NDArray[np.bool_] | IntArray) -> Lye:
        """Of these blocks only."""
        return replace(self, strength=self.strength[where], u=self.u[where])


@dataclass(frozen=True, slots=True)
class RunBlocks:
    """The blocks of one run in which it was powered, undisturbed and settled.

    Attributes
    ----------
    run_id, name, build, bench : str
    start_utc_ns : int or None
    reference : str
        The condition at which its dry gas is counted.
    block_s : float
    at : int64[n]
        Number of each block in the run.
    lye_temp, density, cell_volts : float64[n]
        Conditions [degC, mA/cm2, V].
    responses : dict of str to Response
        By key of a metric.
    shared : dict of str to str
        Of each error's label, what it must agree in to be the same error in another run; empty for one that
        is another each time.
    notes : tuple of str
    area_cm2 : float
        Of one plate's face [cm2]; NaN where it is not known.
    lye : Lye or None
        How strong the lye was in each block; None where it is not known.
    facts : dict of str to str or float or None
        What its bench file says that bears on a comparison (`daq.study.compare.bench_facts`), by key.
    """

    run_id: str
    name: str
    build: str
    bench: str
    start_utc_ns: int | None
    reference: str
    block_s: float
    at: IntArray
    lye_temp: FloatArray
    density: FloatArray
    cell_volts: FloatArray
    responses: dict[str, Response]
    shared: dict[str, str]
    notes: tuple[str, ...] = ()
    assumed: tuple[str, ...] = field(default=())
    area_cm2: float = math.nan
    lye: Lye | None = None
    facts: Mapping[str, str | float | None] = field(default_factory=dict)

    def __len__(self) -> int:
        return int(self.at.size)

    @property
    def hours(self) -> float:
        """Time in its blocks [h]."""
        return len(self) * self.block_s / 3600.0


def block_seconds(run_seconds: Iterable[float]) -> int:
    """Length of a block for runs of these lengths [s]: as short as keeps their number in bounds."""
    spans = [max(s, 1.0) for s in run_seconds]
    most = max(MOST_BLOCKS, LEAST_PER_RUN * len(spans))
    return SHORTEST_S * max(1, math.ceil(sum(spans) / most / SHORTEST_S))


def recorded_seconds(store: Store, record: RunRecord) -> float:
    """How long a run is, or has been up to now [s]."""
    end = record.ended_ns if record.ended_ns is not None else store.last_t_ns(record.id)
    return (end or 0) / 1e9


def read_run(
    store: Store, record: RunRecord, block_s: int, progress: Callable[[float], None] = lambda done: None
) -> RunBlocks:
    """One run of the store, read a piece at a time.

    Parameters
    ----------
    store : Store
    record : RunRecord
    block_s : int
        Length of a block [s].
    progress : callable
        Told the share that is done, 0 to 1.
    """
    bench = recorded_bench(store, record)
    whole = max(round(recorded_seconds(store, record) * 1e9), 1)

    def pieces() -> Iterator[Mapping[str, Block]]:
        start = 0
        while start <= whole:
            yield store.read(record.id, start_ns=start, end_ns=start + CHUNK_NS)
            start += CHUNK_NS
            progress(min(1.0, start / whole))

    fills = store.logbook.fills.find(run_id=record.id)
    marks = store.logbook.list_marks(record.id)
    return run_blocks(bench, pieces(), block_s=block_s, record=record, fills=fills, marks=marks)


def run_blocks(
    bench: Bench,
    pieces: Iterable[Mapping[str, Block]] | Iterable[Iterable[Block]],
    *,
    block_s: int = SHORTEST_S,
    record: RunRecord | None = None,
    fills: Sequence[FillRecord] = (),
    marks: Sequence[Mark] = (),
) -> RunBlocks:
    """Blocks from a run's samples, given in pieces that follow each other.

    Parameters
    ----------
    bench : Bench
        As it was when the run was made.
    pieces : iterable of blocks
    block_s : int
        Length of a block [s].
    record : RunRecord, optional
        What the run is called.
    fills : sequence of FillRecord
        Timed fills of this run: on a bench without a flow meter its gas is theirs.
    marks : sequence of Mark
        Those that tell of the lye.
    """
    suited, last = bench, 0
    notes: tuple[str, ...] = ()
    bins: Bins | None = None
    for piece in pieces:
        blocks = list(piece.values() if isinstance(piece, Mapping) else piece)
        columns = Columns.from_blocks(blocks)
        span = columns.span_ns
        if span is None:
            continue
        if bins is None:
            suited, notes = suited_to(bench, blocks)
            bins = Bins(suited, step_ns=STEP_NS, first=(span[0] - 1) // STEP_NS)
        bins.add(columns)
        last = max(last, span[1])
    if bins is None:
        bins, last = Bins(suited, step_ns=STEP_NS, first=0), 1
    first = bins.first // block_s
    count = max(1, -(-last // (block_s * STEP_NS)) - first)
    ends = (first + np.arange(1, count + 1, dtype=np.int64)) * block_s
    measured = measure(suited, bins, ends, block_s)
    lye = lye_of_bins(suited, bins, marks)
    assessor = Assessor(suited, lye)
    balance = assessor.balance(measured, gas_by_fills(suited, measured, fills))
    numbers = assessor.numbers(balance)
    keep = np.zeros(count, dtype=bool)
    for phase in find_phases(suited, numbers):
        if phase.name in ("warm-up", "steady"):
            keep[phase.first : phase.last + 1] = True
    amps = numbers.value["amps"]
    on = suited.supply.drives(amps)
    keep &= on & ~_just_on(on, math.ceil(SETTLE_S / block_s))
    temp, cell = numbers.value["lye_temp"], numbers.value["cell_volts"]
    keep &= np.isfinite(temp) & np.isfinite(amps) & np.isfinite(cell)
    quantities = dict(assessor.ratios.numbers(balance.flows))
    quantities["current_density"] = (balance.flows["amps"] * (1000.0 / suited.stack.plate_area_cm2)).named(
        "mA/cm2"
    )
    quantities["thermal_resistance"] = _thermal_resistance(suited, measured, balance)
    kept = np.flatnonzero(keep)
    responses = {key: _response(quantities[key], keep) for key in RESPONSES}
    labels = {label for r in responses.values() for label in r.parts}
    return RunBlocks(
        run_id=record.id if record else "",
        name=record.name if record else "",
        build=record.build if record else bench.stack.build,
        bench=bench.name,
        start_utc_ns=record.start_utc_ns if record else None,
        reference=assessor.reference.words,
        block_s=float(block_s),
        at=kept.astype(np.int64),
        lye_temp=temp[keep],
        density=1000.0 * amps[keep] / suited.stack.plate_area_cm2,
        cell_volts=cell[keep],
        responses=responses,
        shared={label: fingerprint(bench, label) for label in labels},
        notes=tuple(notes),
        assumed=tuple(sorted(text for text, where in numbers.assumed.items() if (where & keep).any())),
        area_cm2=suited.stack.plate_area_cm2,
        lye=_lye(suited, balance, keep),
        facts=bench_facts(bench),
    )


RESPONSES = (
    "mmw_dry_ref",
    "faradaic_efficiency",
    "cell_volts",
    "current_density",
    "leak_amps",
    "thermal_resistance",
)


def _lye(bench: Bench, balance: Balance, keep: NDArray[np.bool_]) -> Lye:
    stack, found = bench.stack, balance.flows["strength"]
    strength, u = (
        np.broadcast_to(np.asarray(x, dtype=np.float64), keep.shape)[keep] for x in (found.value, found.u)
    )
    gap = math.nan if stack.geometry is None else stack.geometry.gap_mm
    return Lye(stack.electrolyte, stack.mass_fraction, strength, u, gap)


def _just_on(on: NDArray[np.bool_], blocks: int) -> NDArray[np.bool_]:
    """Blocks within the first `blocks` after switching on."""
    out = np.zeros_like(on)
    starts = np.flatnonzero(on & ~np.concatenate([[False], on[:-1]]))
    for start in starts.tolist():
        # The block in which it was switched on is only in part powered.
        out[start : start + blocks + 1] = True
    return out


def _thermal_resistance(bench: Bench, measured: Measured, balance: Balance) -> Quantity:
    """``(T - T_room) / (heat - C dT/dt)`` [K/W]; NaN where the room is not measured."""
    stack, flows = bench.stack, balance.flows
    temp, room = flows["lye_temp"], measured.means["room_temp"].named("degC")
    litres, w = (np.asarray(flows[key].value, dtype=np.float64) for key in ("litres", "strength"))
    capacity = np.asarray(
        thermal_mass_j_k(litres, w, stack.steel_kg, stack.electrolyte, stronger="nearest"), dtype=np.float64
    )
    c = Quantity(capacity, CAPACITY_U * capacity, "J/K", label="heat capacity")
    rise = (temp - room).named("K")
    loss = heat_of_run(flows, balance.seconds["flow"]) - (c * (flows["rate"] * (1.0 / 60.0))).named("W")
    resistance = (rise / loss).named("K/W")
    sound = (np.nan_to_num(np.asarray(rise.value)) > LEAST_RISE_K) & (
        np.nan_to_num(np.asarray(loss.value)) > 0.0
    )
    return Quantity.from_parts(np.where(sound, resistance.value, np.nan), "K/W", resistance.parts)


def _response(quantity: Quantity, keep: NDArray[np.bool_]) -> Response:
    value = np.broadcast_to(np.asarray(quantity.value, dtype=np.float64), keep.shape)[keep]
    parts: dict[str, FloatArray] = {}
    seen: dict[str, int] = {}
    for variable, part in quantity.parts.items():
        if not variable.common or variable.label.endswith("noise"):
            continue
        number = seen[variable.label] = seen.get(variable.label, 0) + 1
        label = variable.label if number == 1 else f"{variable.label} ({number})"
        array = np.nan_to_num(np.broadcast_to(np.asarray(part, dtype=np.float64), keep.shape)[keep])
        if array.any():
            parts[label] = array
    return Response(value, parts)


def fingerprint(bench: Bench, label: str) -> str:
    """What must be alike for an error of this label to be the same one in another run; "" for never."""
    plain = label.split(" (")[0]
    if any(word in plain for word in _OWN):
        return ""
    channel, _, kind = plain.partition(": ")
    spec = bench.channels.get(channel)
    if kind and spec is not None:
        source = bench.sources[spec.source]
        calibration = bench.calibrations.get(channel)
        about = [spec.model_dump(mode="json"), source.model_dump(mode="json").get("port")]
        about.append("" if calibration is None else str(calibration.id))
    elif plain == "heat capacity":
        about = [bench.stack.model_dump(mode="json", include={"litres", "steel_kg", "electrolyte"})]
    else:
        about = [bench.gas.model_dump(mode="json"), bench.supply.lead_milliohms]
    return json.dumps([plain, bench.name, *about], sort_keys=True, default=str)
