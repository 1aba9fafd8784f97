"""Samples of a commit as rows of the journal: those of one run and source are one row."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import accumulate
from typing import Any, NamedTuple

import numpy as np
import orjson
from numpy.typing import NDArray

from daq.frame import Block, Sample, plain_status

__all__ = ["Pack", "block_of", "packed", "storable"]

_JSON = b"{"  # what a body that is not deflated begins with
_DECIMALS_MOST = 9  # a number that needs more is no decimal of an instrument

_Numbers = dict[str, list[float | None]]


class Pack(NamedTuple):
    """A row of the journal.

    Attributes
    ----------
    id : int
        The id of its first sample; the others follow it one by one.
    run_id, source : str
    size : int
        How many samples there are in it.
    t_min_ns, t_max_ns : int
        The span of their times, both ends included [ns].
    body : bytes
        See `packed`.
    names : str
        The channels of its columns, as JSON: those of values, then those of raw numbers.
    """

    id: int
    run_id: str
    source: str
    size: int
    t_min_ns: int
    t_max_ns: int
    body: bytes
    names: str

    @property
    def last_id(self) -> int:
        """The id of its last sample."""
        return self.id + self.size - 1


class _Columns(NamedTuple):
    """A body as it was written."""

    t_ns: list[int]
    seq: list[int]
    values: _Numbers
    status: dict[str, list[tuple[int, int]]]
    raw: _Numbers


def packed(samples: Sequence[tuple[str, Sample]], first_id: int) -> list[Pack]:
    """Samples (run id and sample) as rows, their ids from `first_id` on.

    A body is JSON, deflated where that makes it shorter: times and sequence numbers as the first and then the
    differences (t, s); columns of values (v; NaN is null) and of raw numbers (r). A column of decimals is a
    list in a list: the number of decimals, then whole numbers as the first and the differences. Beside them,
    by the column's place and the sample's, are the values that are not there at all (a), and with the code
    what is not good (q).
    """
    groups: dict[tuple[str, str], list[Sample]] = {}
    for run_id, sample in samples:
        groups.setdefault((run_id, sample.source), []).append(sample)
    packs = []
    for (run_id, source), own in groups.items():
        times = [int(s.t_ns) for s in own]
        packs.append(Pack(first_id, run_id, source, len(own), min(times), max(times), *_packed(own, times)))
        first_id += len(own)
    return packs


def storable(run_id: str, sample: Sample) -> bool:
    """Whether a sample can be put into a row; None that can not becomes so by waiting."""
    try:
        (pack,) = packed([(run_id, sample)], 1)
    except Exception:  # noqa: BLE001 - whatever the layers below say to it
        return False
    return all(abs(t) < 2**63 for t in (pack.t_min_ns, pack.t_max_ns))


def block_of(
    source: str, packs: Iterable[Pack], *, channels: Iterable[str] | None = None, raw: bool = True
) -> Block:
    """Rows of one source as one block, in the order they have.

    A channel's status column is there only where it says more than the values do: good where finite, missing
    elsewhere.

    Parameters
    ----------
    source : str
    packs : iterable of Pack
        All of that source.
    channels : iterable of str, optional
        Which channels; None takes all.
    raw : bool
        Whether to take the raw numbers too.
    """
    wanted = None if channels is None else set(channels)
    t_ns: list[int] = []
    seq: list[int] = []
    values: _Numbers = {}
    raws: _Numbers = {}
    flagged: list[tuple[str, int, int]] = []
    for pack in packs:
        columns = _columns(pack)
        at = len(t_ns)
        t_ns += columns.t_ns
        seq += columns.seq
        _extend(values, columns.values, at, len(t_ns), wanted)
        if raw:
            _extend(raws, columns.raw, at, len(t_ns), wanted)
        flagged += [(name, at + k, code) for name, pairs in columns.status.items() for k, code in pairs]
    columns_of = {name: np.array(column, dtype=np.float64) for name, column in values.items()}
    status: dict[str, NDArray[np.uint8]] = {}
    for name, index, code in flagged:
        if name in columns_of:
            if name not in status:
                status[name] = plain_status(columns_of[name])
            status[name][index] = code
    return Block(
        source,
        np.array(t_ns, dtype=np.int64),
        np.array(seq, dtype=np.int64),
        columns_of,
        status,
        {name: np.array(column, dtype=np.float64) for name, column in raws.items()},
    )


def _packed(samples: Sequence[Sample], times: Sequence[int]) -> tuple[bytes, str]:
    """Body and names of a row."""
    names = list(dict.fromkeys(n for s in samples for n in (*s.values, *s.status)))
    raws = list(dict.fromkeys(n for s in samples for n in s.raw))
    place = {n: i for i, n in enumerate(names)}
    absent = [(i, k) for i, n in enumerate(names) for k, s in enumerate(samples) if n not in s.values]
    status = [(place[n], k, int(code)) for k, s in enumerate(samples) for n, code in s.status.items()]
    parts: dict[str, Any] = {
        "t": _differences(times),
        "s": _differences([int(s.seq) for s in samples]),
        "v": [_column([s.values.get(n) for s in samples]) for n in names],
    }
    if raws:
        parts["r"] = [_column([s.raw.get(n) for s in samples]) for n in raws]
    if absent:
        parts["a"] = absent
    if status:
        parts["q"] = status
    text = orjson.dumps(parts)
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    short = packer.compress(text) + packer.flush()
    # A text begins with a brace, whose lowest bits (011) would be a last block of fixed codes: seen to.
    return (short if len(short) < len(text) and short[:1] != _JSON else text), orjson.dumps(
        [names, raws]
    ).decode()


def _columns(pack: Pack) -> _Columns:
    body = pack.body
    parts = orjson.loads(body if body[:1] == _JSON else zlib.decompress(body, -zlib.MAX_WBITS))
    if "one" in parts:
        # A row of a journal that was made before rows were packed: one sample as it was written then.
        one = parts["one"]
        return _Columns(
            parts["t"],
            parts["s"],
            {n: [v] for n, v in one["v"].items()},
            {n: [(0, code)] for n, code in one.get("q", {}).items()},
            {n: [r] for n, r in one.get("r", {}).items()},
        )
    names, raws = _names(pack.names)
    status: dict[str, list[tuple[int, int]]] = {}
    for place, index, code in parts.get("q", ()):
        status.setdefault(names[place], []).append((index, code))
    return _Columns(
        list(accumulate(parts["t"])),
        list(accumulate(parts["s"])),
        {n: _numbers(c) for n, c in zip(names, parts["v"], strict=True)},
        status,
        {n: _numbers(c) for n, c in zip(raws, parts.get("r", ()), strict=True)},
    )


@lru_cache(maxsize=64)
def _names(text: str) -> tuple[list[str], list[str]]:
    values, raws = orjson.loads(text)
    return values, raws


def _column(values: Sequence[float | None]) -> list[Any]:
    """Numbers for JSON: as they are, or as whole numbers of their last decimal, where that is the same."""
    numbers = [None if v is None or not math.isfinite(v) else float(v) for v in values]
    words = [repr(v) for v in numbers]
    decimals = max((len(w.partition(".")[2]) for w in words), default=0)
    if None in numbers or decimals > _DECIMALS_MOST:
        return numbers
    scale = 10**decimals
    whole = [round(v * scale) for v in numbers if v is not None]
    if [repr(n / scale) for n in whole] != words:
        return numbers
    return [[decimals, *_differences(whole)]]


def _numbers(column: list[Any]) -> list[float | None]:
    if len(column) == 1 and isinstance(column[0], list):
        decimals, *whole = column[0]
        scale = 10**decimals
        return [n / scale for n in accumulate(whole)]
    return column


def _differences(numbers: Sequence[int]) -> list[int]:
    return [n - before for n, before in zip(numbers, (0, *numbers), strict=False)]


def _extend(into: _Numbers, found: _Numbers, start: int, end: int, wanted: set[str] | None) -> None:
    """Put columns of rows `start` to `end` after those before; None where a column was not there."""
    for name, column in found.items():
        if wanted is None or name in wanted:
            into.setdefault(name, [None] * start).extend(column)
    for column in into.values():
        if len(column) < end:
            column.extend([None] * (end - len(column)))
