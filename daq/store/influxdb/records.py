"""A segment as the server's record of it says, and which segments one query fetches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import orjson

from daq.store.protocol import ChannelSpan, Segment

__all__ = ["BACKEND", "RECORD_NUMBERS", "Record", "groups_of", "record_of", "span_of"]

BACKEND = "influxdb"
"""Name of the backend."""
_GROUP_ROWS = 200_000  # rows asked for at once: some 30 MB of answer


@dataclass(frozen=True, slots=True)
class Record:
    """A segment as the server's record of it says.

    Attributes
    ----------
    segment : Segment
    lane : str
        Segments of one lane do not overlap in time.
    part : int
        The number that its rows carry.
    base_ns : int
        Wall time of the run's start [ns since 1970].
    first_ns, last_ns : int
        Times of its first and last point [ns since 1970].
    moved : bool
        Whether any row's time is in the field `t_ns`.
    fields : list of str
    """

    segment: Segment
    lane: str
    part: int
    base_ns: int
    first_ns: int
    last_ns: int
    moved: bool
    fields: Sequence[str]


RECORD_NUMBERS = ("rows", "first_id", "last_id", "t_min", "t_max", "level", "part", "base", "last", "moved")


def record_of(row: dict[str, Any]) -> Record:
    """What a row of the server's catalogue says of a segment."""
    spans = orjson.loads(row.get("spans") or "{}")
    segment = Segment(
        run_id=row["run"],
        source=row["source"],
        name=row["piece"],
        rows=row["rows"],
        first_id=row["first_id"],
        last_id=row["last_id"],
        t_min_ns=row["t_min"],
        t_max_ns=row["t_max"],
        level=row["level"],
        spans={n: None if s is None else ChannelSpan(*s) for n, s in spans.items()},
        backend=BACKEND,
    )
    return Record(
        segment, row["lane"], row["part"], row["base"], row["time"], row["last"], bool(row["moved"]),
        orjson.loads(row["fields"]),
    )  # fmt: skip


def groups_of(wanted: Sequence[Record], there: Sequence[Record]) -> Iterator[list[Record]]:
    """Records that one query fetches: neighbours of one source and lane with nothing unwanted between
    them.
    """
    names = {r.segment.name for r in wanted}
    rows: dict[tuple[str, str], list[Record]] = {}
    for record in sorted(there, key=lambda r: r.first_ns):
        rows.setdefault((record.segment.source, record.lane), []).append(record)
    for own in rows.values():
        group: list[Record] = []
        for record in own:
            if record.segment.name not in names or sum(r.segment.rows for r in group) >= _GROUP_ROWS:
                if group:
                    yield group
                group = []
            if record.segment.name in names:
                group.append(record)
        if group:
            yield group


def span_of(group: Sequence[Record], start_ns: int | None, end_ns: int | None) -> tuple[int, int]:
    """Times of the first and the last point [ns since 1970] that wanted rows of a group can have.

    Parameters
    ----------
    group : sequence of Record
        At least one, of one run.
    start_ns, end_ns : int, optional
        From and to which time of the run, both included [ns]; None for its start and its end.
    """
    first, last = min(r.first_ns for r in group), max(r.last_ns for r in group)
    base = group[0].base_ns
    if any(r.moved or r.base_ns != base for r in group):
        return first, last  # a time does not tell the row's: what is too much is cut off later
    if start_ns is not None:
        first = max(first, base + start_ns)
    if end_ns is not None:
        last = min(last, base + end_ns)
    return first, last
