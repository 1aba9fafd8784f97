"""What is journalled into the outbox of what is published, every row once.

A run that ends is moved to the archive at once, and a service that was away finds the rows of meanwhile moved
too: those are read from there. Only what is in neither, as standby data that were dropped, is passed over.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import partial
from typing import Final

from daq.broker import Batch, encode_batch
from daq.errors import RunNotFound
from daq.frame import Block
from daq.service.tail import blocks_of, by_run, part_of
from daq.store import RunRecord, Store, TailRow
from daq.store.outgoing import Outgoing

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
        gap = rows[0].id - box.row - 1 if rows else last_id - box.row
        if gap > 0:
            self._from_archive(box.row + gap, gap)
            return True
        if not rows:
            return False
        # Up to the next row that has left the journal: those come first.
        rows = [row for i, row in enumerate(rows, start=box.row + 1) if row.id == i]
        marks = dict(box.marks)
        make = []
        for run_id, part in by_run(rows):
            fresh = [r for r in part if r.id > self._twice_to or r.sample.t_ns > _mark(marks, run_id, r)]
            for row in part:
                key = (run_id, row.sample.source)
                marks[key] = max(marks.pop(key, -1), row.sample.t_ns)
            for some in _parts(fresh) if self._run(run_id) is not None else ():
                make.append((len(some), partial(self._body, run_id, blocks_of([r.sample for r in some]))))
        box.put(make, rows[-1].id, _latest(marks))
        return rows[-1].id < last_id

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
                fresh = part_of(block, known.get(block.source, known.get("*")), None)
                for i in range(0, len(fresh), _ROWS_AT_ONCE):
                    piece = _slice(fresh, i, i + _ROWS_AT_ONCE)
                    make.append((len(piece), partial(self._body, run_id, [piece])))
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


def _mark(marks: dict[tuple[str, str], int], run_id: str, row: TailRow) -> int:
    return marks.get((run_id, row.sample.source), -1)


def _slice(block: Block, start: int, stop: int) -> Block:
    rows = slice(start, stop)
    return Block(
        block.source,
        block.t_ns[rows],
        block.seq[rows],
        {n: v[rows] for n, v in block.values.items()},
        {n: v[rows] for n, v in block.status.items()},
        {n: v[rows] for n, v in block.raw.items()},
    )


def _parts(rows: Sequence[TailRow]) -> list[Sequence[TailRow]]:
    """Rows in parts of a bounded count of numbers."""
    parts: list[Sequence[TailRow]] = []
    begin = numbers = 0
    for i, row in enumerate(rows):
        size = 2 + len(row.sample.values) + len(row.sample.raw)
        numbers += size
        if numbers > _NUMBERS_AT_ONCE and i > begin:
            parts.append(rows[begin:i])
            begin, numbers = i, size
    if rows:
        parts.append(rows[begin:])
    return parts
