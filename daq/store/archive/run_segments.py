"""In which backend the segments of a run are, and moving them from one to another.

A move goes batch by batch: written, read back, compared, and only then taken over. Each batch is one
transaction of the catalogue, so that a reader sees every sample once at any instant, and a move that was
interrupted goes on where it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from daq.errors import RequestRefused, StoreCorrupt, StoreError
from daq.frame import Block, plain_status
from daq.store._lock import seal_lock
from daq.store.archive.archive import Archive
from daq.store.archive.places import KINDS
from daq.store.archive.sealing import Sealer
from daq.store.journal import Journal, add_segments, add_stray, drop_segments, segments_of
from daq.store.protocol import Segment, SegmentAbout

__all__ = ["RunSegments", "difference"]

_WAIT_S = 60.0


class RunSegments:
    """What can be asked and done about where runs are kept.

    Parameters
    ----------
    journal : Journal
        With the catalogue.
    archive : Archive
    sealer : Sealer
        Gives the names of new segments.
    about : callable
        Gives what may be written beside a segment of a run.
    """

    def __init__(
        self, journal: Journal, archive: Archive, sealer: Sealer, about: Callable[[str], SegmentAbout]
    ) -> None:
        self._journal = journal
        self._archive = archive
        self._sealer = sealer
        self._about = about

    def of(self, run_id: str) -> list[Segment]:
        """The batches of a run that are sealed, in the order of their rows."""
        with self._journal.db.reading() as con:
            return segments_of(con, run_id)

    def rows_by_backend(self, run_id: str) -> dict[str, int]:
        """How many of a run's samples are in the journal, in each backend, and refused by them."""
        rows = {"journal": self._journal.count(run_id), **dict.fromkeys([*KINDS, *self._archive.backends], 0)}
        for segment in self.of(run_id):
            rows[segment.backend] = rows.get(segment.backend, 0) + segment.rows
        refused = 0
        for name, backend in self._archive.backends.items():
            own = sum(letters.count for letters in backend.dead_letters(run_id))
            rows[name] -= own
            refused += own
        return {**rows, "refused": refused}

    def elsewhere(self, run_id: str, backend: str) -> list[Segment]:
        """The batches of a run that are not in that backend."""
        return [s for s in self.of(run_id) if s.backend != backend]

    def move(self, run_id: str, *, to: str, tell: Callable[[Segment], None] = lambda _: None) -> int:
        """Move what is sealed of a run to a backend; returns how many rows were moved.

        Parameters
        ----------
        run_id : str
        to : str
            The backend's name.
        tell : callable
            Called after each batch.

        Raises
        ------
        RequestRefused
            When the store does not know that backend.
        StoreCorrupt
            When what was written does not read back the same: the batch stays where it was.
        StoreError
            When either backend fails; what was moved before stays moved.
        """
        if to not in self._archive.backends:
            raise RequestRefused(
                "the store knows no server",
                place=run_id,
                remedy="name one in [store.influxdb] and give --bench FILE",
            )
        rows = 0
        for segment in self.elsewhere(run_id, to):
            with seal_lock(self._journal.path.parent, _WAIT_S):
                rows += self._move(segment, to)
            tell(segment)
        return rows

    def _move(self, segment: Segment, to: str) -> int:
        run_id, archive, db = segment.run_id, self._archive, self._journal.db
        # The name is made of the old one, so that an interrupted move writes over what it had begun.
        own_name = segment.name.removeprefix(archive.backend(segment.backend).prefix)
        moved = replace(segment, name=f"{self._sealer.prefix(archive.backend(to))}m-{own_name}", backend=to)
        with db.writing(full=True) as con:
            add_stray(con, moved, "sealing")
        (block,) = archive.read(run_id, [segment], raw=True)
        archive.write(moved, block, self._about(run_id))
        (again,) = archive.read(run_id, [moved], raw=True)
        unlike = difference(block, again)
        if unlike is not None:
            raise StoreCorrupt(
                f"does not read back as it was written: {unlike}",
                place=f"{run_id}/{moved.name}",
                remedy="nothing was changed: the samples are where they were; look at the backend's log",
            )
        with db.writing(full=True) as con:
            drop_segments(con, [segment])
            add_segments(con, [moved])
        try:
            archive.backend(segment.backend).delete(run_id, [segment.name])
        except StoreError:
            return segment.rows  # it stays on the list of names to remove, and the next sealing does it
        with db.writing() as con:
            con.execute("DELETE FROM strays WHERE run_id = ? AND name = ?", (run_id, segment.name))
        return segment.rows


def difference(one: Block, other: Block) -> str | None:
    """In what two blocks differ, to the last bit; None when they say the same."""
    if len(one) != len(other):
        return f"{len(other)} rows of {len(one)}"
    for name, a, b in (("time", one.t_ns, other.t_ns), ("seq", one.seq, other.seq)):
        if not np.array_equal(a, b):
            return name
    nothing = np.full(len(one), np.nan)
    for channel in sorted({*one.values, *other.values}):
        # What is not finite is no value, whichever of them it was.
        these, those = (_finite(b.values.get(channel, nothing)) for b in (one, other))
        if not np.array_equal(these, those, equal_nan=True):
            return channel
        plain = plain_status(these)
        if not np.array_equal(one.status.get(channel, plain), other.status.get(channel, plain)):
            return f"the status of {channel}"
    for channel in sorted({*one.raw, *other.raw}):
        if not np.array_equal(one.raw.get(channel, nothing), other.raw.get(channel, nothing), equal_nan=True):
            return f"the raw numbers of {channel}"
    return None


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(np.isfinite(values), values, np.nan)
