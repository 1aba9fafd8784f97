"""A fill that two edges of a level switch time: the run's own channel says when the gas passed either mark.

`fill_level` is 1 while the vessel fills between its marks. An edge lies between two samples; it is taken in
their middle, its limit of error half the time between them and `EDGE_ERROR_S`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from daq.bench import Bench
from daq.errors import LyewatchError, UsageError
from daq.measure import Columns
from daq.store import FillRecord, RunRecord, Store
from daq.study.fill.book import fill_record, made_in_run
from daq.study.fill.form import EDGE_ERROR_S, form_in_run
from daq.study.runs import recorded_bench

__all__ = ["Gate", "GateFinder", "fill_by_gate", "fills_by_edges"]

HIGH: Final = 0.5
BOUNCE_NS: Final = 300_000_000
"""A pulse or a drop shorter than this is the switch bouncing [ns] (judgement)."""
WIDEST_NS: Final = 2_000_000_000
"""Samples further apart than this hide an edge [ns] (judgement)."""
SAME_NS: Final = 1_000_000_000
"""A fill kept within this of a gate's start is that gate's [ns]."""


@dataclass(frozen=True, slots=True)
class Gate:
    """One passage from mark to mark: its start and stop [ns], and the limit of error of either [s]."""

    start_ns: int
    stop_ns: int
    error_s: float

    @property
    def seconds(self) -> float:
        """From edge to edge [s]."""
        return (self.stop_ns - self.start_ns) / 1e9


@dataclass(slots=True)
class GateFinder:
    """Finds gates in samples that come one after the other."""

    _last: tuple[int, bool] | None = None
    _start: tuple[int, float] | None = None
    _stop: tuple[int, float] | None = None
    _found: list[Gate] = field(default_factory=list)

    def add(self, t_ns: int, value: float) -> None:
        """Take one good sample in."""
        high = value > HIGH
        last, self._last = self._last, (t_ns, high)
        if self._stop is not None and t_ns - self._stop[0] > BOUNCE_NS and not high:
            self._close()
        if last is None or t_ns <= last[0]:
            return
        if t_ns - last[0] > WIDEST_NS:
            self._start = self._stop = None  # an edge may have passed unseen
            return
        if high == last[1]:
            return
        edge = (t_ns + last[0]) // 2, 0.5 * (t_ns - last[0]) / 1e9 + EDGE_ERROR_S
        if high and self._stop is not None:
            self._stop = None  # it bounced: the gas has not passed the second mark
        elif high:
            self._start = edge
        elif self._start is not None:
            if edge[0] - self._start[0] < BOUNCE_NS:
                self._start = None
            else:
                self._stop = edge

    def taken(self) -> list[Gate]:
        """The gates that have closed since the last asking."""
        found, self._found = self._found, []
        return found

    def _close(self) -> None:
        if self._start is not None and self._stop is not None:
            error = max(self._start[1], self._stop[1])
            self._found.append(Gate(self._start[0], self._stop[0], error))
        self._start = self._stop = None


def fill_by_gate(
    store: Store, record: RunRecord, bench: Bench, gate: Gate, *, who: str = "level switch", note: str = ""
) -> FillRecord:
    """Work out the fill of one gate of a run, and keep it.

    Parameters
    ----------
    store : Store
    record : RunRecord
    bench : Bench
        As the run was recorded with.
    gate : Gate
        The two edges.
    who, note : str
        As `FillRecord`.

    Raises
    ------
    UsageError
        When the bench file does not say the volume between the marks, or the fill is none.
    """
    if bench.fill is None:
        raise UsageError(
            "does not say the volume between the level switch's marks",
            place=f"{bench.path}: fill.volume_ml",
            remedy="add [fill] with volume_ml, and volume_error_ml where it was weighed",
        )
    fields: dict[str, Any] = {
        **bench.fill.model_dump(exclude_none=True),
        "seconds": gate.seconds,
        "reaction_s": gate.error_s,
    }
    made = made_in_run(store, record, form_in_run(bench, fields), gate.start_ns)
    kept = record.kind != "standby"
    return store.logbook.fills.add(
        fill_record(
            made,
            bench=record.bench,
            build=record.build,
            t_utc_ns=record.start_utc_ns + gate.stop_ns,
            run_id=record.id if kept else None,
            t_ns=gate.start_ns if kept else None,
            who=who,
            note=note,
        )
    )


def fills_by_edges(
    store: Store, record: RunRecord, *, who: str = "level switch"
) -> tuple[list[FillRecord], list[str]]:
    """Keep every fill that a run's level switch timed and that is not kept yet; and why others are none.

    Parameters
    ----------
    store : Store
    record : RunRecord
    who : str
        As `FillRecord`.
    """
    bench = recorded_bench(store, record)
    if "fill_level" not in bench.channels:
        raise UsageError(
            "has no level switch of a fill vessel",
            place=f"run {record.id}",
            remedy="give the bench file a channel fill_level, and [fill] with the volume between its marks",
        )
    columns = Columns.from_blocks(list(store.read(record.id).values()))
    finder = GateFinder()
    for t_ns, value in zip(*(a.tolist() for a in columns.good("fill_level")), strict=True):
        finder.add(t_ns, value)
    if columns.span_ns is not None:
        finder.add(columns.span_ns[1] + 2 * BOUNCE_NS, 0.0)
    kept: Sequence[FillRecord] = store.logbook.fills.find(run_id=record.id)
    out, refused = [], []
    for gate in finder.taken():
        if any(f.t_ns is not None and abs(f.t_ns - gate.start_ns) <= SAME_NS for f in kept):
            continue
        try:
            out.append(fill_by_gate(store, record, bench, gate, who=who))
        except LyewatchError as exc:
            refused.append(f"{gate.start_ns / 1e9:.1f} s: {exc.message}")
    return out, refused
