"""Samples of a bench as one message: columns in JSON, numbered so that loss and repetition show.

``docs/broker.md`` describes the format. What is decoded here may come from anybody who can reach the broker:
every length and type is checked, and whatever is wrong is a `FrameError`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NoReturn

import numpy as np
import orjson
from numpy.typing import NDArray

from daq.broker.topics import BENCH_ID_PATTERN
from daq.errors import FrameError
from daq.frame import NO_SEQ, Block, Status, plain_status

__all__ = ["BATCH_VERSION", "MAX_BATCH_BYTES", "MAX_ROWS", "Batch", "decode_batch", "encode_batch"]

BATCH_VERSION: Final = 1
MAX_BATCH_BYTES: Final = 4 << 20
MAX_ROWS: Final = 20_000
"""Rows of a block, at most."""
_MAX_BLOCKS: Final = 256
_MAX_CHANNELS: Final = 1024
_INT64: Final = 2**63 - 1

_BENCH = re.compile(BENCH_ID_PATTERN)
_EPOCH = re.compile(r"^[0-9a-f]{8,32}$")
_NAME = re.compile(r"^[a-z][a-z0-9_]{0,31}$")
_KEYS = frozenset(("v", "bench", "epoch", "n", "run", "kind", "build", "start_ns", "sent_ns", "blocks"))


@dataclass(frozen=True, slots=True)
class Batch:
    """What one message holds.

    Attributes
    ----------
    bench : str
        The bench's identity.
    epoch : str
        Which count `n` belongs to: random, and new whenever a sender begins to count anew.
    n : int
        1, 2, 3 ... of that epoch, without a hole: a number that never comes is a batch that was lost.
    run, kind, build : str
        Run id as the bench gave it, "run" or "standby", and the build under test. A run id is unique within
        its bench only.
    start_utc_ns : int
        Wall time at the run's zero [ns since 1970-01-01 UTC]; a row's wall time is this plus its `t_ns`.
    sent_utc_ns : int
        Wall time when the batch was made [ns].
    blocks : tuple of Block
        Samples by source.
    """

    bench: str
    epoch: str
    n: int
    run: str
    kind: str
    start_utc_ns: int
    blocks: tuple[Block, ...]
    build: str = ""
    sent_utc_ns: int = 0

    @property
    def rows(self) -> int:
        """Samples in it."""
        return sum(len(block) for block in self.blocks)


def encode_batch(batch: Batch) -> bytes:
    """The message. Every number comes back as it was, to the last bit; NaN is null."""
    return orjson.dumps(
        {
            "v": BATCH_VERSION,
            "bench": batch.bench,
            "epoch": batch.epoch,
            "n": batch.n,
            "run": batch.run,
            "kind": batch.kind,
            "build": batch.build,
            "start_ns": batch.start_utc_ns,
            "sent_ns": batch.sent_utc_ns,
            "blocks": [_encode_block(block) for block in batch.blocks if len(block)],
        },
        option=orjson.OPT_SERIALIZE_NUMPY,
    )


def decode_batch(payload: bytes, *, bench: str | None = None) -> Batch:
    """What a message holds; `bench` is whom its topic names.

    Raises
    ------
    FrameError
        When it is no batch, is larger than `MAX_BATCH_BYTES`, or is another bench's than its topic says.
    """
    if len(payload) > MAX_BATCH_BYTES:
        _wrong(f"is longer than {MAX_BATCH_BYTES} bytes", len(payload))
    try:
        data = orjson.loads(payload)
    except orjson.JSONDecodeError as exc:
        _wrong(f"is not JSON: {exc}", None)
    if not isinstance(data, dict) or data.get("v") != BATCH_VERSION:
        _wrong(f"is no batch of version {BATCH_VERSION}", data.get("v") if isinstance(data, dict) else None)
    missing = _KEYS - data.keys() - {"build", "sent_ns"}
    if missing:
        _wrong(f"lacks {', '.join(sorted(missing))}", None)
    name = _text(data, "bench", _BENCH)
    if bench is not None and name != bench:
        _wrong(f"is said to be of another bench than its topic, {bench}", name)
    blocks = data["blocks"]
    if not isinstance(blocks, list) or not 1 <= len(blocks) <= _MAX_BLOCKS:
        _wrong("has no list of blocks", None)
    return Batch(
        bench=name,
        epoch=_text(data, "epoch", _EPOCH),
        n=_whole(data["n"], "n", 1),
        run=_text(data, "run"),
        kind=_text(data, "kind"),
        build=_text(data, "build", least=0),
        start_utc_ns=_whole(data["start_ns"], "start_ns"),
        sent_utc_ns=_whole(data.get("sent_ns", 0), "sent_ns"),
        blocks=tuple(_decode_block(block) for block in blocks),
    )


# -- blocks ------------------------------------------------------------------------------------------------


def _encode_block(block: Block) -> dict[str, Any]:
    out: dict[str, Any] = {
        "source": block.source,
        "t0": int(block.t_ns[0]),
        "dt": np.ascontiguousarray(np.diff(block.t_ns)),
        "seq": _short_seq(block.seq),
        "v": {name: _column(values) for name, values in block.values.items()},
    }
    status = {
        name: np.ascontiguousarray(codes, dtype=np.uint8)
        for name, codes in block.status.items()
        if not np.array_equal(codes, plain_status(block.values[name]))
    }
    if status:
        out["s"] = status
    if block.raw:
        out["raw"] = {name: _column(values) for name, values in block.raw.items()}
    return out


def _column(values: NDArray[np.float64]) -> Any:
    """orjson writes NaN and the infinities as null; an infinite value has no place in a sample."""
    return np.ascontiguousarray(values, dtype=np.float64)


def _short_seq(seq: NDArray[np.int64]) -> Any:
    """The first number alone where the others follow it one by one, or where there are none."""
    first = int(seq[0])
    steps = 0 if first == NO_SEQ else 1
    if np.array_equal(seq, first + steps * np.arange(seq.size)):
        return first
    return np.ascontiguousarray(seq)


def _decode_block(data: Any) -> Block:
    if not isinstance(data, dict):
        _wrong("holds a block that is no object", None)
    t0 = _whole(data.get("t0"), "t0", -_INT64)
    steps = _wholes(data.get("dt"), "dt", MAX_ROWS - 1, 0, _INT64)
    total = sum(steps)
    if t0 + total > _INT64:
        _wrong("has a time that is beyond 64 bits", None)
    t_ns = np.cumsum(np.array([t0, *steps], dtype=np.int64))
    rows = t_ns.size
    values = _columns(data.get("v"), "v", rows)
    status = {name: plain_status(column) for name, column in values.items()}
    for name, codes in _table(data.get("s", {}), "s").items():
        if name not in values:
            _wrong("gives the status of a channel that has no values", name)
        found = _wholes(codes, f"s.{name}", rows, 0, int(max(Status)))
        _same_length(found, rows, f"s.{name}")
        status[name] = np.array(found, dtype=np.uint8)
    return Block(
        source=_text(data, "source", _NAME),
        t_ns=t_ns,
        seq=_seq(data.get("seq"), rows),
        values=values,
        status=status,
        raw=_columns(data.get("raw", {}), "raw", rows, least=0),
    )


def _seq(data: Any, rows: int) -> NDArray[np.int64]:
    if isinstance(data, list):
        found = _wholes(data, "seq", rows, NO_SEQ, _INT64)
        _same_length(found, rows, "seq")
        return np.array(found, dtype=np.int64)
    first = _whole(data, "seq", NO_SEQ, _INT64 - MAX_ROWS)
    if first == NO_SEQ:
        return np.full(rows, NO_SEQ, dtype=np.int64)
    return first + np.arange(rows, dtype=np.int64)


def _columns(data: Any, key: str, rows: int, *, least: int = 1) -> dict[str, NDArray[np.float64]]:
    table = _table(data, key)
    if not least <= len(table) <= _MAX_CHANNELS:
        _wrong(f"{key} holds no channel, or more than {_MAX_CHANNELS}", len(table))
    columns = {}
    for name, numbers in table.items():
        if not isinstance(numbers, list) or not set(map(type, numbers)) <= {int, float, type(None)}:
            _wrong(f"{key}.{name} is no list of numbers", None)
        _same_length(numbers, rows, f"{key}.{name}")
        columns[name] = np.array(numbers, dtype=np.float64)
    return columns


def _table(data: Any, key: str) -> Mapping[str, Any]:
    if not isinstance(data, dict):
        _wrong(f"{key} is no object", None)
    wrong = next((name for name in data if not _NAME.fullmatch(name)), None)
    if wrong is not None:
        _wrong(f"{key} holds what is no channel's name", wrong)
    return data


# -- parts -------------------------------------------------------------------------------------------------


def _text(data: Mapping[str, Any], key: str, like: re.Pattern[str] | None = None, *, least: int = 1) -> str:
    value = data.get(key, "")
    if (
        not isinstance(value, str)
        or not least <= len(value) <= 80
        or not (value.isprintable() and (like is None or like.fullmatch(value)))
    ):
        _wrong(f"{key} is not as it should be", value if isinstance(value, str) else None)
    return value


def _whole(value: Any, key: str, low: int = 0, high: int = _INT64) -> int:
    if type(value) is not int or not low <= value <= high:
        _wrong(f"{key} is no whole number from {low} to {high}", value)
    return int(value)


def _wholes(value: Any, key: str, most: int, low: int, high: int) -> list[int]:
    if not isinstance(value, list) or len(value) > most or not set(map(type, value)) <= {int}:
        _wrong(f"{key} is no list of at most {most} whole numbers", None)
    if value and not (min(value) >= low and max(value) <= high):
        _wrong(f"{key} holds a number that is not from {low} to {high}", None)
    return value


def _same_length(found: Sequence[Any], rows: int, key: str) -> None:
    if len(found) != rows:
        _wrong(f"{key} has {len(found)} entries for {rows} rows", None)


def _wrong(message: str, value: object) -> NoReturn:
    raise FrameError(message, place="batch", value=value, remedy="see docs/broker.md")
