"""A sample as a row of the journal: times in columns, values in one JSON body."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from daq.frame import Block, Sample, Status

__all__ = ["Row", "block_of", "body_of", "plain_status", "sample_of"]

_OPTIONS = orjson.OPT_SERIALIZE_NUMPY
_NAN = float("nan")

Row = tuple[str, int, int, bytes]
"""source, t_ns, seq, body"""


def body_of(sample: Sample) -> bytes:
    """A sample's values (v), what is not good of them (q) and raw numbers (r). NaN becomes null."""
    body: dict[str, Any] = {"v": sample.values}
    if sample.status:
        body["q"] = sample.status
    if sample.raw:
        body["r"] = sample.raw
    return orjson.dumps(body, option=_OPTIONS)


def sample_of(row: Row) -> Sample:
    """The sample that a row was made of."""
    source, t_ns, seq, body = row
    parts = orjson.loads(body)
    return Sample(
        source,
        t_ns,
        {n: _NAN if v is None else float(v) for n, v in parts["v"].items()},
        {n: Status(q) for n, q in parts.get("q", {}).items()},
        seq,
        {n: _NAN if v is None else float(v) for n, v in parts.get("r", {}).items()},
    )


def block_of(
    source: str, rows: Sequence[Row], *, channels: Iterable[str] | None = None, raw: bool = True
) -> Block:
    """Rows of one source as columns, in the order they have.

    A channel's status column is there only where it says more than the values do: good where finite, missing
    elsewhere.
    """
    bodies = [orjson.loads(body) for _, _, _, body in rows]
    values = _columns([b["v"] for b in bodies], channels)
    status: dict[str, NDArray[np.uint8]] = {}
    for index, said in ((k, b["q"]) for k, b in enumerate(bodies) if "q" in b):
        for name, code in said.items():
            if name not in values:
                continue
            if name not in status:
                status[name] = plain_status(values[name])
            status[name][index] = code
    return Block(
        source,
        np.array([t for _, t, _, _ in rows], dtype=np.int64),
        np.array([s for _, _, s, _ in rows], dtype=np.int64),
        values,
        status,
        _columns([b.get("r", {}) for b in bodies], channels) if raw and any("r" in b for b in bodies) else {},
    )


def plain_status(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The status that values have by themselves: good where finite, missing elsewhere."""
    return np.where(np.isfinite(values), np.uint8(Status.GOOD), np.uint8(Status.MISSING))


def _columns(
    bodies: list[dict[str, float | None]], channels: Iterable[str] | None
) -> dict[str, NDArray[np.float64]]:
    kinds = dict.fromkeys(map(tuple, bodies))
    names: Iterable[str] = dict.fromkeys(chain.from_iterable(kinds))
    if channels is not None:
        wanted = set(channels)
        names = [n for n in names if n in wanted]
    # None becomes NaN on the way into a float column.
    if len(kinds) == 1:
        # All rows name the same channels, as nearly always: their numbers side by side are a table.
        flat = np.array(list(chain.from_iterable(map(dict.values, bodies))), dtype=np.float64)
        table = np.ascontiguousarray(flat.reshape(len(bodies), -1).T)
        return {name: row for name, row in zip(next(iter(kinds)), table, strict=True) if name in names}
    return {name: np.array([body.get(name) for body in bodies], dtype=np.float64) for name in names}
