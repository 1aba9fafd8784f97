"""Blocks cut, joined and put in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from daq.frame import Block, Status
from daq.store._rows import plain_status
from daq.store.home import ChannelSpan

__all__ = ["clipped", "joined", "sliced", "spans_of", "taken", "widest", "writable"]

_Pick = slice | NDArray[np.intp] | NDArray[np.bool_]


def taken(block: Block, pick: _Pick) -> Block:
    """The rows of a block that `pick` (a slice, a mask or indices) names."""
    return Block(
        block.source,
        block.t_ns[pick],
        block.seq[pick],
        {n: v[pick] for n, v in block.values.items()},
        {n: s[pick] for n, s in block.status.items()},
        {n: r[pick] for n, r in block.raw.items()},
    )


def sliced(block: Block, rows: int) -> list[Block]:
    """The block in parts of at most `rows` rows."""
    if len(block) <= rows:
        return [block]
    return [taken(block, slice(at, at + rows)) for at in range(0, len(block), rows)]


def clipped(block: Block, start_ns: int | None, end_ns: int | None) -> Block:
    """The rows from `start_ns` to `end_ns`, both included [ns]."""
    if start_ns is None and end_ns is None:
        return block
    keep = np.ones(len(block), dtype=np.bool_)
    if start_ns is not None:
        keep &= block.t_ns >= start_ns
    if end_ns is not None:
        keep &= block.t_ns <= end_ns
    return block if keep.all() else taken(block, keep)


def joined(source: str, parts: Sequence[Block]) -> Block:
    """Blocks of one source as one, sorted by time; rows of equal time keep the order of the parts.

    A channel that a part does not have is NaN and missing there.
    """
    parts = [p for p in parts if len(p)]
    if not parts:
        return Block(source, np.empty(0, np.int64), np.empty(0, np.int64), {})
    block = parts[0] if len(parts) == 1 else _chained(source, parts)
    if block.source != source:
        block = replace(block, source=source)
    if len(block) > 1 and bool(np.any(block.t_ns[1:] < block.t_ns[:-1])):
        block = taken(block, np.argsort(block.t_ns, kind="stable"))
    return block


def writable(block: Block) -> Block:
    """The block with columns that a caller may change: those over a file's own memory are copied."""
    return Block(
        block.source,
        block.t_ns if block.t_ns.flags.writeable else block.t_ns.copy(),
        block.seq if block.seq.flags.writeable else block.seq.copy(),
        {n: v if v.flags.writeable else v.copy() for n, v in block.values.items()},
        {n: s if s.flags.writeable else s.copy() for n, s in block.status.items()},
        {n: r if r.flags.writeable else r.copy() for n, r in block.raw.items()},
    )


def _chained(source: str, parts: Sequence[Block]) -> Block:
    names = list(dict.fromkeys(n for p in parts for n in p.values))
    stated = [n for n in names if any(n in p.status for p in parts)]
    raw_names = list(dict.fromkeys(n for p in parts for n in p.raw))
    return Block(
        source,
        np.concatenate([p.t_ns for p in parts]),
        np.concatenate([p.seq for p in parts]),
        {n: np.concatenate([_or_nan(p.values.get(n), len(p)) for p in parts]) for n in names},
        {n: np.concatenate([_status(p, n) for p in parts]) for n in stated},
        {n: np.concatenate([_or_nan(p.raw.get(n), len(p)) for p in parts]) for n in raw_names},
    )


def _or_nan(values: NDArray[np.float64] | None, size: int) -> NDArray[np.float64]:
    return np.full(size, np.nan) if values is None else values


def _status(block: Block, name: str) -> NDArray[np.uint8]:
    if name in block.status:
        return block.status[name]
    if name in block.values:
        return plain_status(block.values[name])
    return np.full(len(block), np.uint8(Status.MISSING), dtype=np.uint8)


def spans_of(block: Block) -> dict[str, ChannelSpan | None]:
    """Each channel's extremes and when they were."""
    spans: dict[str, ChannelSpan | None] = {}
    for name, values in block.values.items():
        finite = np.isfinite(values)
        count = int(np.count_nonzero(finite))
        if count == 0:
            spans[name] = None
            continue
        low = int(np.argmin(np.where(finite, values, np.inf)))
        high = int(np.argmax(np.where(finite, values, -np.inf)))
        spans[name] = ChannelSpan(
            float(values[low]), int(block.t_ns[low]), float(values[high]), int(block.t_ns[high]), count
        )
    return spans


def widest(spans: Sequence[ChannelSpan | None]) -> ChannelSpan | None:
    """The extremes over several spans of one channel; the earliest of equal ones."""
    known = [s for s in spans if s is not None]
    if not known:
        return None
    low = min(known, key=lambda s: (s.low, s.low_ns))
    high = min(known, key=lambda s: (-s.high, s.high_ns))
    return ChannelSpan(low.low, low.low_ns, high.high, high.high_ns, sum(s.finite for s in known))
