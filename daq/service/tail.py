"""Rows of the journal put into blocks and parts."""

from __future__ import annotations

import numpy as np

from daq.frame import Block, Sample
from daq.store import TailRow

__all__ = ["blocks_of", "by_run", "part_of"]


def part_of(block: Block, after_ns: int | None, up_to_ns: int | None) -> Block:
    """The block's samples later than `after_ns` and not later than `up_to_ns`."""
    rows = slice(
        None if after_ns is None else int(np.searchsorted(block.t_ns, after_ns, side="right")),
        None if up_to_ns is None else int(np.searchsorted(block.t_ns, up_to_ns, side="right")),
    )
    return Block(
        block.source,
        block.t_ns[rows],
        block.seq[rows],
        {n: v[rows] for n, v in block.values.items()},
        {n: v[rows] for n, v in block.status.items()},
        {n: v[rows] for n, v in block.raw.items()},
    )


def by_run(rows: list[TailRow]) -> list[tuple[str, list[TailRow]]]:
    """The rows in runs of one run id each, in order."""
    parts: list[tuple[str, list[TailRow]]] = []
    for row in rows:
        if not parts or parts[-1][0] != row.run_id:
            parts.append((row.run_id, []))
        parts[-1][1].append(row)
    return parts


def blocks_of(samples: list[Sample]) -> list[Block]:
    by_source: dict[str, list[Sample]] = {}
    for sample in samples:
        by_source.setdefault(sample.source, []).append(sample)
    return [Block.from_samples(source, part) for source, part in by_source.items()]
