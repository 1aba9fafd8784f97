"""The backend on a server: InfluxDB, or another that speaks its write API and InfluxQL.

Two measurements. `sample` has a point a row (see `line_protocol`), `piece` a point a segment, which says how
many rows there are, when, and in which fields; a segment without it is not there. The number `part` ties the
rows to it, so that whatever an interrupted writing left behind is never read. Of segments that overlap in
time each has a `lane` of its own.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import orjson

from daq.errors import StoreCorrupt, StoreError
from daq.frame import Block
from daq.store._blocks import spans_of
from daq.store.influxdb.dead_letters import DeadLetterFolder
from daq.store.influxdb.records import BACKEND, RECORD_NUMBERS, Record, groups_of, record_of, span_of
from daq.store.influxdb.server import BATCH_LINES, InfluxServer, ServerAway, quoted, text_literal
from daq.store.protocol import DeadLetters, Segment, SegmentAbout, SegmentGone

if TYPE_CHECKING:
    from daq.store.envelope import Buckets

__all__ = ["InfluxBackend"]

_log = logging.getLogger(__name__)


class InfluxBackend:
    """Segments of one bench on a server.

    Parameters
    ----------
    server : InfluxServer
    bench : str
        The tag by which the segments of this store are told from those of other benches.
    folder : Path
        Where rows are kept that the server refuses; usually `FOLDER/refused`.
    """

    name = BACKEND
    prefix = "db-"
    remote = True
    merges = False  # one query fetches many segments
    downsamples = True

    def __init__(self, server: InfluxServer, bench: str, folder: Path) -> None:
        self.server = server
        self.bench = bench
        self.letters = DeadLetterFolder(folder)

    @property
    def place(self) -> str:
        """The server's address, and the bucket."""
        return str(self.server.place)

    def close(self) -> None:
        """Close the connections."""
        self.server.close()

    # -- writing -----------------------------------------------------------------------------------

    def write(self, run_id: str, segment: Segment, block: Block, about: SegmentAbout) -> None:
        """Write a segment. Rows that the server refuses are kept in this store's folder.

        Parameters
        ----------
        run_id, segment, block, about : str, Segment, Block, SegmentAbout
            As `SampleStore.write`.

        Raises
        ------
        ServerAway
            When nothing can be written now.
        """
        from daq.store.influxdb import line_protocol as lines

        part = lines.part_of(segment.name, block)
        base = about.start_utc_ns or 0
        times = lines.point_times(block.t_ns, base)
        first, last = (int(times.time[0]), int(times.time[-1])) if len(block) else (base, base)
        others = self._records(run_id, source=segment.source, between=(first, last))
        before = [r for r in self._records(run_id, name=segment.name) if r.part != part]
        if before:
            self._remove(run_id, before)
        lanes = {r.lane for r in others if r.segment.name != segment.name}
        lane = next(str(n) for n in range(len(lanes) + 1) if str(n) not in lanes)
        written = replace(segment, rows=len(block), spans=spans_of(block))
        record = Record(
            written, lane, part, base, first, last, bool(times.moved.any()), lines.field_names(block)
        )
        # The record first, as not done: whatever happens meanwhile, the rows can be found again to remove
        # them.
        refused = self.server.write([self._line(record, done=0)])
        if refused:
            self.letters.keep(written, block, about, None, [refused[0].reason] * len(block))
            _log.warning("%s of %s is kept here: %s", segment.name, run_id, refused[0].reason)
            return
        tags = self._tags(record)
        rows = self.server.write_parts(
            lines.lines_of(block, times, tags=tags, part=part, rows=slice(at, at + BATCH_LINES))
            for at in range(0, len(block), BATCH_LINES)
        )
        if rows:
            index = [int(times.order[r.line]) for r in rows]
            self.letters.keep(written, block, about, index, [r.reason for r in rows])
            _log.warning("%d rows of %s are kept here: %s", len(rows), run_id, rows[0].reason)
        else:
            self.letters.forget(run_id, [segment.name])
        self.server.write([self._line(record, done=1)])

    def merge(self, run_id: str, segments: Sequence[Segment], into: Segment, about: SegmentAbout) -> None:
        """Never asked, since `merges` is False.

        Parameters
        ----------
        run_id, segments, into, about : str, sequence of Segment, Segment, SegmentAbout
            As `SampleStore.merge`.
        """
        raise StoreError("segments on a server are not merged", place=run_id, remedy="leave them as they are")

    def delete(self, run_id: str, names: Sequence[str]) -> None:
        """Remove segments; see `SampleStore`."""
        wanted = set(names)
        found = [r for r in self._records(run_id, done=False) if r.segment.name in wanted]
        if found:
            self._remove(run_id, found)
        self.letters.forget(run_id, names)

    def _remove(self, run_id: str, records: Sequence[Record]) -> None:
        for record in records:
            self.server.write([self._line(record, done=-1)])
            where = self._where(run_id, source=record.segment.source, lane=record.lane)
            try:
                when = f"time >= {record.first_ns} AND time <= {record.last_ns}"
                self.server.ask(f'DELETE FROM "sample" WHERE {where} AND {when}')  # noqa: S608
                at = f"time = {record.first_ns}"
                self.server.ask(f'DELETE FROM "piece" WHERE {where} AND {at}')  # noqa: S608
            except ServerAway:
                raise
            except StoreError as exc:
                # A server 3.x deletes no rows. They are never read again; the bucket's retention removes
                # them.
                _log.info("left on the server: %s", exc)

    # -- reading -----------------------------------------------------------------------------------

    def read(
        self,
        run_id: str,
        segments: Sequence[Segment],
        *,
        channels: Sequence[str] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
        raw: bool = False,
    ) -> list[Block]:
        """Read segments, and what of them is kept here because the server refused it.

        Parameters
        ----------
        run_id : str
        segments : sequence of Segment
            Of that run.
        channels, start_ns, end_ns, raw : sequence of str, int, int, bool
            As `SampleStore.read`.
        """
        if not segments:
            return []
        found: dict[str, Block] = {}
        wanted: list[Segment] = []
        for segment in segments:
            kept = self.letters.of(run_id, segment.name)
            if kept is not None and kept.rows is None:
                found[segment.name] = self.letters.block(segment, segment.rows, channels, raw=raw)
            else:
                wanted.append(segment)
        records = {r.segment.name: r for r in self._records(run_id)} if wanted else {}
        for segment in wanted:
            if segment.name not in records:
                raise SegmentGone(
                    "is not on the server",
                    place=f"{self.server.place} {run_id}/{segment.name}",
                    remedy="see whether the bucket's retention has removed it",
                )
        for group in groups_of([records[p.name] for p in wanted], list(records.values())):
            found |= self._fetch(run_id, group, channels, start_ns, end_ns, raw=raw)
        return [found[p.name].between(start_ns, end_ns) for p in segments]

    def _fetch(
        self,
        run_id: str,
        group: Sequence[Record],
        channels: Sequence[str] | None,
        start_ns: int | None,
        end_ns: int | None,
        *,
        raw: bool,
    ) -> dict[str, Block]:
        """Segments of one source and lane that lie side by side, by name."""
        from daq.store.influxdb import line_protocol as lines

        names = list(dict.fromkeys(f for r in group for f in r.fields))
        names = [
            f
            for f in names
            if (channels is None or lines.channel_of(f) in channels) and (raw or not f.endswith(".raw"))
        ]
        first, last = span_of(group, start_ns, end_ns)
        own = ["row", "seq", "part", *(["t_ns"] if any(r.moved for r in group) else [])]
        # With fields that every row has, so that rows without values come too.
        table = None
        if first <= last:
            columns = ", ".join(quoted(f) for f in [*own, *names])
            where = self._where(run_id, source=group[0].segment.source, lane=group[0].lane)
            table = self.server.ask(
                f'SELECT {columns} FROM "sample" WHERE {where} AND time >= {first} AND time <= {last}',  # noqa: S608
                lines.kinds_of(names),
            )
        out = {}
        parts = None if table is None else table.column("part").to_numpy()
        for record in group:
            fields = [f for f in names if f in record.fields]
            block = Block.concat(record.segment.source, [])
            if table is not None:
                rows = table.take(np.flatnonzero(parts == record.part))
                block = lines.block_from(rows, record.segment.source, record.base_ns, fields, raw=raw)
            out[record.segment.name] = self._completed(record, block, channels, start_ns, end_ns, raw=raw)
        return out

    def _completed(
        self,
        record: Record,
        block: Block,
        channels: Sequence[str] | None,
        start_ns: int | None,
        end_ns: int | None,
        *,
        raw: bool,
    ) -> Block:
        """A segment with the rows that the server refused; an error when it has lost any."""
        kept = self.letters.of(record.segment.run_id, record.segment.name)
        here = 0 if kept is None or kept.rows is None else len(kept.rows)
        of = record.segment
        whole = (start_ns is None or start_ns <= of.t_min_ns) and (end_ns is None or end_ns >= of.t_max_ns)
        if whole and len(block) + here != of.rows:
            raise StoreCorrupt(
                f"should hold {record.segment.rows - here} samples",
                place=f"{self.server.place} {record.segment.run_id}/{record.segment.name}",
                value=len(block),
                remedy="see whether the bucket's retention has removed some; restore them from a copy",
            )
        if not here:
            return block
        more = self.letters.block(record.segment, here, channels, raw=raw)
        return Block.concat(record.segment.source, [block, more])

    def downsample(
        self,
        run_id: str,
        segments: Sequence[Segment],
        channels: Sequence[str],
        *,
        start_ns: int,
        end_ns: int,
        width_ns: int,
    ) -> dict[str, Buckets] | None:
        """Each channel's buckets, made by the server.

        None where that would not be the truth: where rows were moved in time or refused, where the server
        still has rows of other writings, and where several sources have the channel.

        Parameters
        ----------
        run_id, segments, channels, start_ns, end_ns, width_ns
            As `SampleStore.downsample`.
        """
        from daq.store.influxdb.downsampling import downsampled

        if self.letters.all(run_id):
            return None
        records = self._records(run_id, done=False, left=True)
        wanted = {p.name for p in segments}
        if any(r.moved or r.base_ns != records[0].base_ns for r in records):
            return None
        names = sorted(r.segment.name for r in records if r.first_ns <= r.base_ns + end_ns and r.segment.rows)
        if not set(names) <= wanted:
            return None
        by_source: dict[str, list[str]] = {}
        for channel in channels:
            sources = {p.source for p in segments if channel in p.spans}
            if len(sources) > 1:
                return None
            for source in sources:
                by_source.setdefault(source, []).append(channel)
        out: dict[str, Buckets] = {}
        for source, own in by_source.items():
            out |= downsampled(
                self.server,
                self._where(run_id, source=source),
                own,
                base_ns=records[0].base_ns,
                start_ns=start_ns,
                end_ns=end_ns,
                width_ns=width_ns,
            )
        return out

    def survey(self) -> list[Segment]:
        """Every segment of this bench that is there; see `SampleStore`."""
        found = [r.segment for r in self._records(None, spans=True)]
        kept = [replace(s, backend=self.name) for s in self.letters.survey()]
        return sorted([*found, *kept], key=lambda p: (p.run_id, p.first_id, p.name))

    def about(self, run_id: str, name: str) -> None:
        """Nothing of a run is kept on the server but its samples."""

    def dead_letters(self, run_id: str | None = None) -> list[DeadLetters]:
        """What the server refused; see `SampleStore`."""
        return self.letters.all(run_id)

    # -- records -----------------------------------------------------------------------------------

    def _records(
        self,
        run_id: str | None,
        *,
        source: str | None = None,
        name: str | None = None,
        between: tuple[int, int] | None = None,
        done: bool = True,
        left: bool = False,
        spans: bool = False,
    ) -> list[Record]:
        """Records of segments, oldest first; with `left` also removed ones whose rows may still be there."""
        where = [self._where(run_id, source=source)]
        if name is not None:
            where.append(f'"piece" = {text_literal(name)}')
            done = False
        if between is not None:
            # Those not done count too: their rows may be there.
            where.append(f'"last" >= {between[0]} AND time <= {between[1]}')
            done = False
        if not left:
            where.append('"done" = 1' if done else '"done" >= 0')
        columns = [*RECORD_NUMBERS, "piece", "fields", "source", "lane", "run", *(["spans"] if spans else [])]
        import pyarrow as pa

        kinds = {c: pa.int64() if c in RECORD_NUMBERS else pa.string() for c in columns}
        wanted = ", ".join(map(quoted, columns))
        table = self.server.ask(f'SELECT {wanted} FROM "piece" WHERE {" AND ".join(where)}', kinds)  # noqa: S608
        return [] if table is None else [record_of(row) for row in table.to_pylist()]

    def _line(self, record: Record, *, done: int) -> bytes:
        from daq.store.influxdb.line_protocol import record_line

        p = record.segment
        return record_line(
            self._tags(record),
            {
                "piece": p.name,
                "done": done,
                "rows": p.rows,
                "first_id": p.first_id,
                "last_id": p.last_id,
                "t_min": p.t_min_ns,
                "t_max": p.t_max_ns,
                "level": p.level,
                "part": record.part,
                "base": record.base_ns,
                "last": record.last_ns,
                "moved": int(record.moved),
                "fields": orjson.dumps(list(record.fields)).decode(),
                "spans": orjson.dumps(
                    {n: None if s is None else list(s) for n, s in p.spans.items()}
                ).decode(),
            },
            record.first_ns,
        )

    def _tags(self, record: Record) -> dict[str, str]:
        return {
            "bench": self.bench,
            "run": record.segment.run_id,
            "source": record.segment.source,
            "lane": record.lane,
        }

    def _where(self, run_id: str | None, *, source: str | None = None, lane: str | None = None) -> str:
        tags = {"bench": self.bench, "run": run_id, "source": source, "lane": lane}
        return " AND ".join(f"{quoted(k)} = {text_literal(v)}" for k, v in tags.items() if v is not None)
