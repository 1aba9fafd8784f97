"""The lye of a recorded run: how strong it was at any time, from its samples and from what people said of
it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from daq.bench import Bench
from daq.errors import RequestRefused
from daq.frame import Block
from daq.measure import Bins, Columns, LyeTrack, entries_of, entry_of, lye_of_run, mark_of
from daq.store import Mark, RunRecord, Store
from daq.study.runs.benches import recorded_bench
from daq.watch import suited_to

__all__ = ["bench_then", "lye_dict", "lye_of_bins", "lye_of_blocks", "note_entry", "stored_lye"]

STEP_NS = 1_000_000_000


def lye_of_bins(bench: Bench, bins: Bins, marks: Iterable[Mark] = ()) -> LyeTrack:
    """The lye through a run.

    Parameters
    ----------
    bench : Bench
    bins : Bins
        With the run's samples, from its start on.
    marks : iterable of Mark
        What people said of the lye; other marks are passed over.
    """
    return lye_of_run(bench, bins, entries_of(marks, bench.stack.electrolyte))


def lye_of_blocks(bench: Bench, blocks: Sequence[Block], marks: Iterable[Mark] = ()) -> LyeTrack:
    """The lye through a run.

    Parameters
    ----------
    bench : Bench
    blocks : sequence of Block
        All samples of the run.
    marks : iterable of Mark
        What people said of the lye; other marks are passed over.
    """
    columns = Columns.from_blocks(blocks)
    first = (columns.span_ns or (0, 0))[0]
    bins = Bins(bench, step_ns=STEP_NS, first=(first - 1) // STEP_NS)
    bins.add(columns)
    return lye_of_bins(bench, bins, marks)


def stored_lye(store: Store, record: RunRecord, *, until_ns: int | None = None) -> LyeTrack:
    """The lye through a run in the store.

    Parameters
    ----------
    store : Store
    record : RunRecord
    until_ns : int, optional
        Up to which time of the run [ns]; None for all of it.
    """
    blocks = list(store.read(record.id, end_ns=until_ns).values())
    bench, _ = suited_to(recorded_bench(store, record), blocks)
    return lye_of_blocks(bench, blocks, store.logbook.list_marks(record.id))


def bench_then(bench: Bench, lye: LyeTrack, from_ns: int, to_ns: int | None = None) -> Bench:
    """The bench with the lye as it was at a time of the run, or on the mean between two.

    For what takes the lye's strength as the bench file's: the amount, the strength and their uncertainties
    are those of then.

    Parameters
    ----------
    bench : Bench
    lye : LyeTrack
        Of the run.
    from_ns : int
        The time [ns of the run].
    to_ns : int, optional
        Until when the mean is taken [ns of the run]; None for the one instant.
    """
    to_ns = from_ns if to_ns is None else max(to_ns, from_ns)
    at = lye.at(np.linspace(from_ns, to_ns, 1 if to_ns == from_ns else 60).astype(np.int64))
    w, litres = (np.asarray(q.value, dtype=np.float64) for q in (at.mass_fraction, at.litres))
    w_u, litres_u = (np.asarray(q.u, dtype=np.float64) for q in (at.mass_fraction, at.litres))
    then = {
        "mass_fraction": float(min(w.mean(), 0.599)),
        "mass_fraction_u": float(max(w_u.mean(), 1e-6)),
        "litres": float(litres.mean()),
        "litres_u": float(max(litres_u.mean(), 1e-9)),
    }
    return bench.model_copy(update={"stack": bench.stack.model_copy(update=then)})


def lye_dict(lye: LyeTrack, start_ns: int, end_ns: int) -> dict[str, Any]:
    """The lye of a run as JSON says it: at its start, at its end, and what was said of it.

    Parameters
    ----------
    lye : LyeTrack
        Of the run.
    start_ns, end_ns : int
        The run's first and last instant [ns].
    """

    def at(t_ns: int) -> dict[str, Any]:
        found = lye.at(np.array([t_ns], dtype=np.int64))
        return {
            "percent": _one(found.mass_fraction, 100.0),
            "litres": _one(found.litres),
            "top_up_ml": _one(found.top_up_ml),
        }

    every = np.arange(start_ns, end_ns + 1, 60 * STEP_NS, dtype=np.int64)
    along = 100.0 * np.asarray(lye.at(every).mass_fraction.value) if every.size else np.array([])
    return {
        "electrolyte": lye.bench.stack.electrolyte,
        "start": at(start_ns),
        "end": at(end_ns),
        "highest_percent": float(along.max()) if along.size else None,
        "entries": [dict(entry) for entry in lye.entries_taken],
        "words": lye.words(),
    }


def note_entry(
    store: Store, record: RunRecord, fields: Mapping[str, Any], who: str = "", t_ns: int | None = None
) -> dict[str, Any]:
    """Keep what was said of the lye as a mark of a run.

    Parameters
    ----------
    store : Store
    record : RunRecord
    fields : mapping of str to object
        As `entry_of` takes it.
    who : str
        The person's name; empty where none is given.
    t_ns : int, optional
        When it was so [ns of the run]; None for now.

    Raises
    ------
    UsageError
        For an entry that can not be.
    RequestRefused
        Without a time, where the run has ended.
    """
    entry = entry_of(fields, recorded_bench(store, record).stack.electrolyte)
    if t_ns is None:
        if record.ended_ns is not None:
            raise RequestRefused(
                "has ended, so it has no now", place=record.id, remedy="say when, in its seconds"
            )
        t_ns = store.last_t_ns(record.id) or 0
    mark = mark_of(entry)
    store.logbook.add_mark(record.id, t_ns, mark["kind"], mark["text"], who, mark["data"])
    return {"t_s": t_ns / 1e9, "message": entry.words}


def _one(quantity: Any, factor: float = 1.0) -> dict[str, float]:
    value, u95 = (float(np.asarray(x).reshape(-1)[0]) for x in (quantity.value, quantity.u95))
    return {"value": factor * value, "u95": factor * u95}
