"""What the store does with blocks beside cutting and joining them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.frame import Block
from daq.store.protocol import ChannelSpan

__all__ = ["sliced", "spans_of", "widest", "writable"]


def sliced(block: Block, rows: int) -> list[Block]:
    """The block in parts of at most `rows` rows."""
    if len(block) <= rows:
        return [block]
    return [block.rows(slice(at, at + rows)) for at in range(0, len(block), rows)]


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
