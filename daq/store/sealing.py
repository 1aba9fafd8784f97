"""Samples on their way from journal to archive, small pieces into bigger ones, and what is swept up after."""

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
from daq.store.home import Piece, PieceAbout, SampleStore
from daq.store.homes import Homes, is_remote
from daq.store.influx_server import ServerAway
from daq.store.journal import (
    Journal,
    add_pieces,
    add_stray,
    add_to_head,
    drop_pieces,
    get_fact,
    keep_last_id,
    packs_of,
    pieces_of,
    put_fact,
    spans_in_journal,
)

__all__ = ["Sealer"]

_BATCH_ROWS = 20_000  # what is taken out of the journal at once, and as much is read ahead: some 10 MB
_READ_PACKS = 250
_IMPORT_ROWS = 262_144
_FAN = 12  # so many pieces of a level become one of the next
_TOP_LEVEL = 2
_BIG_ROWS = 65_536  # a piece of so many is not merged further: it would take too long at once
_IMPORTED_LEVEL = 9  # pieces that are big from the start, and never merged
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
        Where samples come from, and where pieces are recorded.
    archive : SampleStore
        Where they go.
    about : callable
        Gives what may be written beside a piece of a run.
    """

    def __init__(self, journal: Journal, archive: SampleStore, about: Callable[[str], PieceAbout]) -> None:
        self._journal = journal
        self._archive = archive
        self._about = about

    def seal(self, run_id: str, *, up_to_id: int | None = None, close: bool = False) -> int:
        """Move the run's rows up to `up_to_id` (all rows when None) into pieces; returns how many.

        With `close`, the small pieces are merged, as nothing more will come.
        """
        moved = 0
        with seal_lock(self._journal.path.parent, _SEAL_WAIT_S):
            self.sweep(alone=True)
            mark = self.mark(self._archive.mark)
            away: ServerAway | None = None
            with ThreadPoolExecutor(1, "seal-ahead") as ahead:
                batch = self._taken(run_id, 0, up_to_id)
                while batch is not None and (away is None or self._is_full()):
                    # The next rows are read while these are written, which is mostly waiting for a server.
                    following = (
                        ahead.submit(self._taken, run_id, batch.last, up_to_id) if batch.more else None
                    )
                    try:
                        if mark:
                            self._adopt_remote()
                        self._seal_batch(run_id, batch, mark)
                    except ServerAway as exc:
                        # The rows wait in the journal, which is the spool; one that is full goes on into
                        # segments.
                        away, mark = exc, ""
                        continue
                    moved += batch.samples
                    batch = following.result() if following else self._taken(run_id, batch.last, up_to_id)
            if away is not None:
                raise away
            if self._archive.merges:
                self._merge(run_id, close=close)
            if moved:
                self._journal.db.shrink()
        return moved

    def add(self, run_id: str, blocks: Iterable[Block]) -> int:
        """Put blocks into the archive without the journal: all of them or, when anything fails, none."""
        pieces: list[Piece] = []
        token = uuid4().hex[:12]
        try:
            for number, block in enumerate(_batches(blocks)):
                name = f"{self._archive.mark}import-{token}-{number:06d}-{_safe(block.source)}"
                piece = _piece(run_id, name, block, 0, 0, _IMPORTED_LEVEL)
                pieces.append(piece)
                self._intend(run_id, [name], "importing")
                self._archive.write(run_id, piece, block, self._about(run_id))
        except BaseException:
            self._abandon(run_id, [p.name for p in pieces])
            raise
        with self._journal.db.writing(full=True) as con:
            add_pieces(con, pieces)
            for p in pieces:
                add_to_head(con, run_id, p.rows, p.t_max_ns)
        return sum(p.rows for p in pieces)

    def delete(self, run_id: str) -> None:
        """Remove all of a run's samples."""
        with self._journal.db.writing(full=True) as con:
            pieces = pieces_of(con, run_id)
            drop_pieces(con, pieces)
            keep_last_id(con)
            con.execute("DELETE FROM packs WHERE run_id = ?", (run_id,))
            con.execute("DELETE FROM heads WHERE run_id = ?", (run_id,))
        self._abandon(run_id, [p.name for p in pieces])

    def sweep(self, *, alone: bool = False, here: bool = False) -> int:
        """Remove from the archive what was written and not recorded, or is not needed now; returns how many.

        Only names that the catalogue lists as strays are touched: a file unknown to it is never deleted. With
        `alone`, which takes the seal lock, a piece that was being sealed belongs to a process that is dead.
        With `here`, no server is asked, which may keep one waiting.
        """
        now = time.time_ns()
        with self._journal.db.reading() as con:
            strays = con.execute("SELECT run_id, name, why, since_utc_ns FROM strays").fetchall()
        by_run: dict[str, list[str]] = {}
        for run_id, name, why, since in strays:
            if here and is_remote(name):
                continue
            if (
                (why == "sealing" and alone)
                or (why == "dropped" and now - since > _GRACE_NS)
                or (why == "importing" and now - since > _ABANDONED_NS)
            ):
                by_run.setdefault(run_id, []).append(name)
        return sum(self._abandon(run_id, names) for run_id, names in by_run.items())

    def adopt(self) -> int:
        """Record the pieces that are in the archive, once in a journal's life; returns how many there were.

        A journal that has just been made where an archive is takes the place of one that was lost: what had
        been sealed is found again. Of pieces that hold the same rows, the most merged one counts.
        """
        with self._journal.db.reading() as con:
            if get_fact(con, "adopted") is not None:
                return 0
        with self._journal.db.writing(full=True) as con:
            if get_fact(con, "adopted") is not None:
                return 0
            pieces = _without_doubles(self._archive.survey())
            add_pieces(con, pieces)
            for p in pieces:
                add_to_head(con, p.run_id, p.rows, p.t_max_ns)
            if pieces:
                # Rows that were in the lost journal had ids too, and somebody may be following them.
                keep_last_id(con, max(p.last_id for p in pieces) + _LOST_IDS)
            put_fact(con, "adopted", len(pieces))
        return len(pieces)

    def adopt_lost(self) -> int:
        """Record the pieces that are in the archive and that the catalogue has lost; returns how many.

        A log that was lost takes the journal back to an earlier state: what was sealed after it is in no
        catalogue. A piece whose samples are recorded otherwise, and a name that strays, are left alone.
        """
        with seal_lock(self._journal.path.parent, _SEAL_WAIT_S):
            found = self._archive.survey()
            with self._journal.db.writing(full=True) as con:
                rows = con.execute("SELECT run_id, name FROM pieces UNION SELECT run_id, name FROM strays")
                known = {(run_id, name) for run_id, name in rows}
                lost = []
                for p in _without_doubles(p for p in found if (p.run_id, p.name) not in known):
                    recorded = spans_in_journal(con, p.run_id, p.source)
                    if not any(start <= p.t_max_ns and p.t_min_ns <= end for start, end in recorded):
                        lost.append(p)
                if lost:
                    keep_last_id(con, max(p.last_id for p in lost))
                add_pieces(con, lost)
                for p in lost:
                    add_to_head(con, p.run_id, p.rows, p.t_max_ns)
        return len(lost)

    def mark(self, mark: str) -> str:
        """What a piece's name begins with in a home whose own mark is `mark`.

        On a server also with a number of this journal's own: a journal that was made anew counts its rows
        from the beginning, and must not write over what the one before it had put there.
        """
        if not mark:
            return ""
        with self._journal.db.writing() as con:
            token = get_fact(con, "token")
            if token is None:
                token = int.from_bytes(uuid4().bytes[:4], "big")
                put_fact(con, "token", token)
        return f"{mark}{token:08x}-"

    # -- helpers -----------------------------------------------------------------------------------

    def _is_full(self) -> bool:
        """Whether the journal holds more rows than may wait for a server."""
        return isinstance(self._archive, Homes) and self._journal.count() > self._archive.spool_rows

    def _adopt_remote(self) -> None:
        """As `adopt`, of what this bench has on the server: when it first answers."""
        if not isinstance(self._archive, Homes):
            return
        with self._journal.db.reading() as con:
            if get_fact(con, "adopted_remote") is not None:
                return
        found = self._archive.survey_remote()
        with self._journal.db.writing(full=True) as con:
            known = {
                (p.run_id, p.name) for run_id in {p.run_id for p in found} for p in pieces_of(con, run_id)
            }
            pieces = [p for p in _without_doubles(found) if (p.run_id, p.name) not in known]
            add_pieces(con, pieces)
            for p in pieces:
                add_to_head(con, p.run_id, p.rows, p.t_max_ns)
            put_fact(con, "adopted_remote", len(pieces))

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
        joined_blocks = [Block.concat(source, parts) for source, parts in blocks.items()]
        return _Taken(first, last, count, samples, more, joined_blocks)

    def _seal_batch(self, run_id: str, taken: _Taken, mark: str) -> None:
        first, last, blocks = taken.first, taken.last, taken.blocks
        pieces = [_piece(run_id, f"{mark}{first:012d}-{_safe(b.source)}", b, first, last, 0) for b in blocks]
        self._intend(run_id, [p.name for p in pieces], "sealing")
        for piece, block in zip(pieces, blocks, strict=True):
            self._archive.write(run_id, piece, block, self._about(run_id))
        with self._journal.db.writing(full=True) as con:
            keep_last_id(con)
            add_pieces(con, pieces)
            for p in pieces:
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
            pieces = pieces_of(con, run_id)
        for source in dict.fromkeys(p.source for p in pieces):
            mine = [p for p in pieces if p.source == source and not is_remote(p.name)]
            for level in range(_TOP_LEVEL):
                same = [p for p in mine if p.level == level and p.rows < _BIG_ROWS]
                if len(same) >= _FAN:
                    merged = self._merge_into(same, level + 1)
                    mine = [*(p for p in mine if p not in same), merged]
            if close:
                small = [p for p in mine if p.level < _TOP_LEVEL and p.rows < _BIG_ROWS]
                if len(small) > 1:
                    self._merge_into(sorted(small, key=lambda p: (p.first_id, p.id)), _TOP_LEVEL)

    def _merge_into(self, pieces: Sequence[Piece], level: int) -> Piece:
        first, last = pieces[0], pieces[-1]
        names = dict.fromkeys(n for p in pieces for n in p.spans)
        merged = Piece(
            run_id=first.run_id,
            source=first.source,
            name=f"{first.first_id:012d}-{_safe(first.source)}-{level}-{last.last_id}",
            rows=sum(p.rows for p in pieces),
            first_id=first.first_id,
            last_id=last.last_id,
            t_min_ns=min(p.t_min_ns for p in pieces),
            t_max_ns=max(p.t_max_ns for p in pieces),
            level=level,
            spans={n: widest([p.spans.get(n) for p in pieces]) for n in names},
        )
        self._intend(merged.run_id, [merged.name], "sealing")
        self._archive.merge(merged.run_id, pieces, merged, self._about(merged.run_id))
        with self._journal.db.writing(full=True) as con:
            drop_pieces(con, pieces)
            add_pieces(con, [merged])
        return merged

    def _intend(self, run_id: str, names: Iterable[str], why: str) -> None:
        """Note what is going to be written, so that it can be removed if this process dies meanwhile."""
        with self._journal.db.writing(full=True) as con:
            for name in names:
                add_stray(con, run_id, name, why)

    def _abandon(self, run_id: str, names: Sequence[str]) -> int:
        """Remove names that are no pieces; returns how many of them are gone."""
        try:
            self._archive.delete(run_id, names)
        except StoreError:
            # Some systems do not delete what another process has open. They stay strays, for the next sweep.
            return 0
        with self._journal.db.writing() as con:
            con.executemany(
                "DELETE FROM strays WHERE run_id = ? AND name = ?", [(run_id, name) for name in names]
            )
        return len(names)


def _piece(run_id: str, name: str, block: Block, first_id: int, last_id: int, level: int) -> Piece:
    return Piece(
        run_id, block.source, name, len(block), first_id, last_id, int(np.min(block.t_ns)),
        int(np.max(block.t_ns)), level, spans_of(block),
    )  # fmt: skip


def _without_doubles(pieces: Iterable[Piece]) -> list[Piece]:
    """Of pieces of one source whose rows lie within another's, only that other."""
    kept: dict[tuple[str, str], list[Piece]] = {}
    for p in sorted(pieces, key=lambda p: (p.first_id - p.last_id, -p.level, p.name)):
        own = kept.setdefault((p.run_id, p.source), [])
        if not p.first_id or not any(q.first_id <= p.first_id and p.last_id <= q.last_id for q in own):
            own.append(p)
    return sorted((p for own in kept.values() for p in own), key=lambda p: (p.first_id, p.name))


def _batches(blocks: Iterable[Block]) -> Iterator[Block]:
    """Blocks of each source joined, or cut, to about the rows of a big piece."""
    held: dict[str, list[Block]] = {}
    for block in blocks:
        for part in sliced(block, _IMPORT_ROWS):
            parts = held.setdefault(part.source, [])
            parts.append(part)
            if sum(map(len, parts)) >= _IMPORT_ROWS:
                yield Block.concat(part.source, held.pop(part.source))
    for source, parts in held.items():
        if any(map(len, parts)):
            yield Block.concat(source, parts)


def _safe(source: str) -> str:
    """A source's name as part of a file's name on any system."""
    return quote(source, safe="")
