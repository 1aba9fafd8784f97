"""What is journalled into the outbox of what is published, every row once.

A run that ends is moved to the archive at once, and a service that was away finds the rows of meanwhile moved
too: those are read from there. Only what is in neither, as standby data that were dropped, is passed over.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import partial
from itertools import groupby
from typing import Final

import numpy as np

from daq.broker import Batch, encode_batch
from daq.errors import RunNotFound
from daq.frame import Block
from daq.store import Outgoing, RunRecord, Store

__all__ = ["Filler"]

_ROWS_AT_ONCE: Final = 1000
_RUNS_KNOWN: Final = 8
_NUMBERS_AT_ONCE: Final = 50_000
"""So many numbers make a batch of some 0.6 MB."""


class Filler:
    """Fills an outbox from a store.

    Parameters
    ----------
    bench_id : str
        The bench's identity, for batches.
    store : Store
    outbox : Outgoing
    """

    def __init__(self, bench_id: str, store: Store, outbox: Outgoing) -> None:
        self._bench_id = bench_id
        self._store = store
        self._outbox = outbox
        self._runs: dict[str, RunRecord] = {}
        self._twice_to = 0

    def fill(self) -> bool:
        """Put the next rows in; whether there may be more.

        Raises
        ------
        StoreError
            When the store can not be read, or the outbox not be written; nothing is lost by trying again.
        """
        box = self._outbox
        last_id = self._store.last_id()
        rows = self._store.tail(box.row, limit=_ROWS_AT_ONCE)
        gap = rows[0].first_id - box.row - 1 if rows else last_id - box.row
        if gap > 0:
            self._from_archive(box.row + gap, gap)
            return True
        if not rows:
            return False
        marks = dict(box.marks)
        make = []
        at = box.row
        for run_id, same_run in groupby(rows, lambda row: row.run_id):
            before, fresh = dict(marks), []
            for row in same_run:
                if row.first_id != at + 1:
                    break  # rows between have left the journal: those come first
                at = row.last_id
                key, t_ns = (run_id, row.block.source), row.block.t_ns
                new = (row.first_id + np.arange(t_ns.size) > self._twice_to) | (t_ns > before.get(key, -1))
                fresh.append(row.block.rows(new))
                marks[key] = max(marks.pop(key, -1), int(t_ns.max()))
            for some in _parts(fresh) if self._run(run_id) is not None else ():
                make.append((sum(map(len, some)), partial(self._body, run_id, some)))
        box.put(make, at, _latest(marks))
        return at < last_id

    def _from_archive(self, up_to_row: int, gap: int) -> None:
        """Put rows in that have left the journal, up to a row's id."""
        box = self._outbox
        marks = dict(box.marks)
        make, found = [], 0
        before = self._run(next(reversed(marks))[0]) if marks else None
        kept = not marks or (before is not None and before.kind == "run")
        for run_id in self._store.journal.runs_sealed_after(box.row):
            known = {source: t for (run, source), t in marks.items() if run == run_id}
            start_ns = min(known.values()) if known else None
            for block in self._store.read(run_id, start_ns=start_ns, raw=True).values():
                known_ns = known.get(block.source, known.get("*"))
                fresh = block if known_ns is None else block.between(known_ns + 1)
                for i in range(0, len(fresh), _ROWS_AT_ONCE):
                    some = fresh.rows(slice(i, i + _ROWS_AT_ONCE))
                    make.append((len(some), partial(self._body, run_id, [some])))
                if len(fresh):
                    found += len(fresh)
                    marks.pop((run_id, block.source), None)
                    marks[run_id, block.source] = int(fresh.t_ns[-1])
        self._twice_to = self._store.last_id()  # rows up to here may have been read as well
        # The standby's data are dropped when a run begins: that is no loss.
        box.put(make, up_to_row, _latest(marks), missed=max(0, gap - found) if kept else 0)

    def _run(self, run_id: str) -> RunRecord | None:
        """A run's record; None for one that has been dropped."""
        run = self._runs.get(run_id)
        if run is None:
            try:
                run = self._runs[run_id] = self._store.logbook.get_run(run_id)
            except RunNotFound:
                return None
            while len(self._runs) > _RUNS_KNOWN:
                self._runs.pop(next(iter(self._runs)))
        return run

    def _body(self, run_id: str, blocks: Sequence[Block], n: int) -> bytes:
        run = self._run(run_id)
        assert run is not None
        return encode_batch(
            Batch(
                bench=self._bench_id,
                epoch=self._outbox.epoch,
                n=n,
                run=run_id,
                kind=run.kind,
                build=run.build,
                start_utc_ns=run.start_utc_ns,
                sent_utc_ns=time.time_ns(),
                blocks=tuple(blocks),
            )
        )


def _latest(marks: dict[tuple[str, str], int]) -> dict[tuple[str, str], int]:
    """Without the runs of long ago; the latest are at the end."""
    runs = list(dict.fromkeys(run for run, _ in reversed(marks)))[:_RUNS_KNOWN]
    return {key: t for key, t in marks.items() if key[0] in runs}


def _parts(blocks: Sequence[Block]) -> list[list[Block]]:
    """Rows in parts of a bounded count of numbers, in each one block a source."""
    parts: list[dict[str, list[Block]]] = [{}]
    room = _NUMBERS_AT_ONCE
    for block in blocks:
        width = 2 + len(block.values) + len(block.raw)
        at = 0
        while at < len(block):
            if room < width:
                parts.append({})
                room = _NUMBERS_AT_ONCE
            some = block.rows(slice(at, at + max(1, room // width)))
            parts[-1].setdefault(block.source, []).append(some)
            at += len(some)
            room -= len(some) * width
    return [[Block.concat(source, own) for source, own in part.items()] for part in parts if part]
