"""Samples sealed out of the journal into the archive, small segments merged, and what is swept up after."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple
from urllib.parse import quote
from uuid import uuid4

import numpy as np

from daq.errors import StoreError
from daq.frame import Block
from daq.store._blocks import sliced, spans_of, widest
from daq.store._faults import store_faults
from daq.store._lock import seal_lock
from daq.store._rows import Pack, block_of
from daq.store.archive.archive import Archive
from daq.store.journal import (
    Journal,
    add_segments,
    add_stray,
    add_to_head,
    drop_segments,
    get_fact,
    keep_last_id,
    packs_of,
    put_fact,
    segments_of,
    spans_in_journal,
)
from daq.store.protocol import BackendAway, SampleStore, Segment, SegmentAbout

__all__ = ["Sealer"]

_BATCH_ROWS = 20_000  # what is taken out of the journal at once, and as much is read ahead: some 10 MB
_READ_PACKS = 250
_IMPORT_ROWS = 262_144
_FAN = 12  # so many segments of a level become one of the next
_TOP_LEVEL = 2
_BIG_ROWS = 65_536  # a segment of so many is not merged further: it would take too long at once
_IMPORTED_LEVEL = 9  # segments that are big from the start, and never merged
_SEAL_WAIT_S = 30.0
_LOST_IDS = 10_000_000
_GRACE_NS = 60_000_000_000  # a reader that has just read the catalogue may still open what was merged since
_ABANDONED_NS = 86_400_000_000_000  # an import that began so long ago is dead


class _Taken(NamedTuple):
    """Rows of a run as they follow each other in the journal."""

    first: int
    last: int
    packs: int
    samples: int
    more: bool
    blocks: list[Block]


class Sealer:
    """Moves samples into the archive. Of all threads and processes one at a time seals.

    Parameters
    ----------
    journal : Journal
        Where samples come from, and where segments are recorded.
    archive : Archive
        Where they go.
    about : callable
        Gives what may be written beside a segment of a run.
    """

    def __init__(self, journal: Journal, archive: Archive, about: Callable[[str], SegmentAbout]) -> None:
        self._journal = journal
        self._archive = archive
        self._about = about
        self._token: int | None = None

    def seal(self, run_id: str, *, up_to_id: int | None = None, close: bool = False) -> int:
        """Move the run's rows into segments; returns how many samples.

        Parameters
        ----------
        run_id : str
        up_to_id : int, optional
            Id of the last sample to move; None moves all.
        close : bool
            Whether nothing more will come: the small segments are then merged.
        """
        moved = 0
        with seal_lock(self._journal.path.parent, _SEAL_WAIT_S):
            self.sweep(alone=True)
            backend = self._archive.target
            away: BackendAway | None = None
            with ThreadPoolExecutor(1, "seal-ahead") as ahead:
                batch = self._taken(run_id, 0, up_to_id)
                while batch is not None and (away is None or self._is_full()):
                    # The next rows are read while these are written, which is mostly waiting for a server.
                    following = (
                        ahead.submit(self._taken, run_id, batch.last, up_to_id) if batch.more else None
                    )
                    try:
                        if backend.remote:
                            self._adopt(backend)
                        self._seal_batch(run_id, batch, backend)
                    except BackendAway as exc:
                        if backend is self._archive.local:
                            raise
                        # The rows wait in the journal, which is the spool; one that is full goes on into the
                        # local backend.
                        away, backend = exc, self._archive.local
                        continue
                    moved += batch.samples
                    batch = following.result() if following else self._taken(run_id, batch.last, up_to_id)
            if away is not None:
                raise away
            self._merge(run_id, close=close)
            if moved:
                self._journal.db.shrink()
        return moved

    def add(self, run_id: str, blocks: Iterable[Block]) -> int:
        """Put blocks into the archive without the journal: all of them or, when anything fails, none."""
        segments: list[Segment] = []
        token, backend = uuid4().hex[:12], self._archive.target
        try:
            for number, block in enumerate(_batches(blocks)):
                name = f"{backend.prefix}import-{token}-{number:06d}-{_safe(block.source)}"
                segment = _segment(run_id, name, block, 0, 0, _IMPORTED_LEVEL, backend)
                segments.append(segment)
                self._intend([segment], "importing")
                self._archive.write(segment, block, self._about(run_id))
        except BaseException:
            self._abandon(run_id, backend.name, [s.name for s in segments])
            raise
        with self._journal.db.writing(full=True) as con:
            add_segments(con, segments)
            for p in segments:
                add_to_head(con, run_id, p.rows, p.t_max_ns)
        return sum(p.rows for p in segments)

    def delete(self, run_id: str) -> None:
        """Remove all of a run's samples."""
        with self._journal.db.writing(full=True) as con:
            segments = segments_of(con, run_id)
            drop_segments(con, segments)
            keep_last_id(con)
            con.execute("DELETE FROM packs WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM heads WHERE run_id = ?", (run_id,))
        for backend in dict.fromkeys(s.backend for s in segments):
            self._abandon(run_id, backend, [s.name for s in segments if s.backend == backend])

    def sweep(self, *, alone: bool = False, here: bool = False) -> int:
        """Remove from the archive what was written and not recorded, or is not needed now; returns how many.

        Only names that the catalogue lists as strays are touched: a file unknown to it is never deleted. With
        `alone`, which takes the seal lock, a segment that was being sealed belongs to a process that is dead.
        With `here`, no remote backend is asked, which may keep one waiting.
        """
        now = time.time_ns()
        with self._journal.db.reading() as con:
            strays = con.execute("SELECT run_id, backend, name, why, since_utc_ns FROM strays").fetchall()
        asked = {name for name, backend in self._archive.backends.items() if not (here and backend.remote)}
        found: dict[tuple[str, str], list[str]] = {}
        for run_id, backend, name, why, since in strays:
            if backend not in asked:
                continue
            if (
                (why == "sealing" and alone)
                or (why == "dropped" and now - since > _GRACE_NS)
                or (why == "importing" and now - since > _ABANDONED_NS)
            ):
                found.setdefault((run_id, backend), []).append(name)
        return sum(self._abandon(*where, names) for where, names in found.items())

    def adopt(self) -> int:
        """Record the segments that the local backends hold, once in a journal's life; returns how many.

        A journal that has just been made where an archive is takes the place of one that was lost: what had
        been sealed is found again. Of segments that hold the same rows, the most merged one counts. A remote
        backend is asked when samples first go to it.
        """
        return sum(self._adopt(b) for b in self._archive.backends.values() if not b.remote)

    def _adopt(self, backend: SampleStore) -> int:
        fact = f"adopted_{backend.name}"
        with self._journal.db.reading() as con:
            if get_fact(con, fact) is not None:
                return 0
        found = _without_doubles(backend.survey())
        with self._journal.db.writing(full=True) as con:
            if get_fact(con, fact) is not None:
                return 0
            known = {(s.run_id, s.name) for run in {s.run_id for s in found} for s in segments_of(con, run)}
            found = [s for s in found if (s.run_id, s.name) not in known]
            add_segments(con, found)
            for s in found:
                add_to_head(con, s.run_id, s.rows, s.t_max_ns)
            if found and not backend.remote:
                # Rows that were in the lost journal had ids too, and somebody may be following them.
                keep_last_id(con, max(s.last_id for s in found) + _LOST_IDS)
            put_fact(con, fact, len(found))
        return len(found)

    def adopt_lost(self) -> int:
        """Record the segments that are in the archive and that the catalogue has lost; returns how many.

        A log that was lost takes the journal back to an earlier state: what was sealed after it is in no
        catalogue. A segment whose samples are recorded otherwise, and a name that strays, are left alone.
        """
        with seal_lock(self._journal.path.parent, _SEAL_WAIT_S):
            found = [s for b in self._archive.backends.values() if not b.remote for s in b.survey()]
            with self._journal.db.writing(full=True) as con:
                rows = con.execute("SELECT run_id, name FROM segments UNION SELECT run_id, name FROM strays")
                known = {(run_id, name) for run_id, name in rows}
                lost = []
                for p in _without_doubles(p for p in found if (p.run_id, p.name) not in known):
                    recorded = spans_in_journal(con, p.run_id, p.source)
                    if not any(start <= p.t_max_ns and p.t_min_ns <= end for start, end in recorded):
                        lost.append(p)
                if lost:
                    keep_last_id(con, max(p.last_id for p in lost))
                add_segments(con, lost)
                for p in lost:
                    add_to_head(con, p.run_id, p.rows, p.t_max_ns)
        return len(lost)

    def prefix(self, backend: SampleStore) -> str:
        """What the names of new segments in a backend begin with.

        In a remote one also with a number of this journal's own: a journal that was made anew counts its rows
        from the beginning, and must not write over what the one before it had put there.
        """
        if not backend.remote:
            return backend.prefix
        if self._token is None:
            with self._journal.db.writing() as con:
                self._token = get_fact(con, "token")
                if self._token is None:
                    self._token = int.from_bytes(uuid4().bytes[:4], "big")
                    put_fact(con, "token", self._token)
        return f"{backend.prefix}{self._token:08x}-"

    # -- helpers -----------------------------------------------------------------------------------

    def _is_full(self) -> bool:
        """Whether the journal holds more rows than may wait for a backend that is away."""
        return self._journal.count() > self._archive.spool_rows

    def _taken(self, run_id: str, after_id: int, up_to_id: int | None) -> _Taken | None:
        """The run's next rows of the journal; None when there are none. They stay there."""
        first, last, count, samples = 0, after_id, 0, 0
        more = False
        blocks: dict[str, list[Block]] = {}
        with self._journal.db.reading() as con:
            # A few at a time: as objects of Python rows take ten times the room that they do as columns.
            while samples < _BATCH_ROWS:
                packs = packs_of(con, run_id, after_id=last, up_to_id=up_to_id, limit=_READ_PACKS)
                if not packs:
                    break
                by_source: dict[str, list[Pack]] = {}
                for pack in packs:
                    by_source.setdefault(pack.source, []).append(pack)
                with store_faults(self._journal.path, decoding=True):
                    for source, part in by_source.items():
                        blocks.setdefault(source, []).append(block_of(source, part))
                first, last = first or packs[0].id, packs[-1].last_id
                count, samples = count + len(packs), samples + sum(p.size for p in packs)
                more = len(packs) == _READ_PACKS
                if not more:
                    break
        if not count:
            return None
        merged_blocks = [Block.concat(source, parts) for source, parts in blocks.items()]
        return _Taken(first, last, count, samples, more, merged_blocks)

    def _seal_batch(self, run_id: str, taken: _Taken, backend: SampleStore) -> None:
        first, last, blocks = taken.first, taken.last, taken.blocks
        prefix = self.prefix(backend)
        segments = [
            _segment(run_id, f"{prefix}{first:012d}-{_safe(b.source)}", b, first, last, 0, backend)
            for b in blocks
        ]
        self._intend(segments, "sealing")
        for segment, block in zip(segments, blocks, strict=True):
            self._archive.write(segment, block, self._about(run_id))
        with self._journal.db.writing(full=True) as con:
            keep_last_id(con)
            add_segments(con, segments)
            for p in segments:
                add_to_head(con, run_id, p.rows, p.t_max_ns)
            con.execute("DELETE FROM packs WHERE run_id = ? AND id BETWEEN ? AND ?", (run_id, first, last))
            if (gone := con.changes()) != taken.packs:
                # Raised inside the transaction, so that nothing changes: better late than lost or doubled.
                raise StoreError(
                    "rows changed while they were sealed",
                    place=str(self._journal.path),
                    value=f"{gone} of {taken.packs}",
                    remedy="nothing was changed; seal again",
                )

    def _merge(self, run_id: str, *, close: bool) -> None:
        with self._journal.db.reading() as con:
            segments = segments_of(con, run_id)
        merging = {name for name, backend in self._archive.backends.items() if backend.merges}
        for source, backend in dict.fromkeys((s.source, s.backend) for s in segments):
            if backend not in merging:
                continue
            mine = [s for s in segments if (s.source, s.backend) == (source, backend)]
            for level in range(_TOP_LEVEL):
                same = [p for p in mine if p.level == level and p.rows < _BIG_ROWS]
                if len(same) >= _FAN:
                    merged = self._merge_into(same, level + 1)
                    mine = [*(p for p in mine if p not in same), merged]
            if close:
                small = [p for p in mine if p.level < _TOP_LEVEL and p.rows < _BIG_ROWS]
                if len(small) > 1:
                    self._merge_into(sorted(small, key=lambda p: (p.first_id, p.id)), _TOP_LEVEL)

    def _merge_into(self, segments: Sequence[Segment], level: int) -> Segment:
        first, last = segments[0], segments[-1]
        backend = self._archive.backend(first.backend)
        names = dict.fromkeys(n for p in segments for n in p.spans)
        merged = Segment(
            run_id=first.run_id,
            source=first.source,
            name=f"{backend.prefix}{first.first_id:012d}-{_safe(first.source)}-{level}-{last.last_id}",
            rows=sum(p.rows for p in segments),
            first_id=first.first_id,
            last_id=last.last_id,
            t_min_ns=min(p.t_min_ns for p in segments),
            t_max_ns=max(p.t_max_ns for p in segments),
            level=level,
            spans={n: widest([p.spans.get(n) for p in segments]) for n in names},
            backend=backend.name,
        )
        self._intend([merged], "sealing")
        backend.merge(merged.run_id, segments, merged, self._about(merged.run_id))
        with self._journal.db.writing(full=True) as con:
            drop_segments(con, segments)
            add_segments(con, [merged])
        return merged

    def _intend(self, segments: Iterable[Segment], why: str) -> None:
        """Note what is going to be written, so that it can be removed if this process dies meanwhile."""
        with self._journal.db.writing(full=True) as con:
            for segment in segments:
                add_stray(con, segment, why)

    def _abandon(self, run_id: str, backend: str, names: Sequence[str]) -> int:
        """Remove names that are no segments; returns how many of them are gone."""
        try:
            self._archive.backend(backend).delete(run_id, names)
        except StoreError:
            # Some systems do not delete what another process has open. They stay strays, for the next sweep.
            return 0
        with self._journal.db.writing() as con:
            con.executemany(
                "DELETE FROM strays WHERE run_id = ? AND name = ?", [(run_id, name) for name in names]
            )
        return len(names)


def _segment(
    run_id: str, name: str, block: Block, first_id: int, last_id: int, level: int, backend: SampleStore
) -> Segment:
    return Segment(
        run_id, block.source, name, len(block), first_id, last_id, int(np.min(block.t_ns)),
        int(np.max(block.t_ns)), level, spans_of(block), backend.name,
    )  # fmt: skip


def _without_doubles(segments: Iterable[Segment]) -> list[Segment]:
    """Of segments of one source whose rows lie within another's, only that other."""
    kept: dict[tuple[str, str], list[Segment]] = {}
    for p in sorted(segments, key=lambda p: (p.first_id - p.last_id, -p.level, p.name)):
        own = kept.setdefault((p.run_id, p.source), [])
        if not p.first_id or not any(q.first_id <= p.first_id and p.last_id <= q.last_id for q in own):
            own.append(p)
    return sorted((p for own in kept.values() for p in own), key=lambda p: (p.first_id, p.name))


def _batches(blocks: Iterable[Block]) -> Iterator[Block]:
    """Blocks of each source joined, or cut, to about the rows of a big segment."""
    pending: dict[str, list[Block]] = {}
    for block in blocks:
        for part in sliced(block, _IMPORT_ROWS):
            parts = pending.setdefault(part.source, [])
            parts.append(part)
            if sum(map(len, parts)) >= _IMPORT_ROWS:
                yield Block.concat(part.source, pending.pop(part.source))
    for source, parts in pending.items():
        if any(map(len, parts)):
            yield Block.concat(source, parts)


def _safe(source: str) -> str:
    """A source's name as part of a file's name on any system."""
    return quote(source, safe="")
