"""What travels: a frame from a source, a sample after calibration, a block of samples as columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["NO_SEQ", "Block", "Frame", "Rows", "Sample", "Status", "plain_status"]

NO_SEQ = -1
"""The sequence number of a frame whose source sends none."""


Rows = slice | NDArray[np.intp] | NDArray[np.bool_]
"""What picks rows of a block: a slice, indices, or a mask."""


class Status(IntEnum):
    """How far a value can be believed. Bad and missing values are NaN; uncertain ones keep their number."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2
    MISSING = 3


@dataclass(frozen=True, slots=True)
class Frame:
    """What one source said at one instant, as raw numbers.

    Attributes
    ----------
    source : str
        The source's name in the bench file.
    mono_ns : int
        When the values were measured, on the host's monotonic clock as far as the source's clock mode can
        tell [ns].
    fields : mapping of str to float
        Raw numbers by field name; NaN where the device says that it has none.
    seq : int
        The device's sequence number, or `NO_SEQ`.
    device_ms : int or None
        The device's own milliseconds, unwrapped, or None.
    checked : bool
        Whether a checksum covered the frame.
    received_ns : int
        The host's monotonic clock when the frame's last byte had arrived [ns]; what is too old is judged by
        this.
    """

    source: str
    mono_ns: int
    fields: Mapping[str, float]
    seq: int = NO_SEQ
    device_ms: int | None = None
    checked: bool = True
    received_ns: int = 0


@dataclass(frozen=True, slots=True)
class Sample:
    """A frame after calibration: engineering units, each value with its status.

    Attributes
    ----------
    source : str
        The source's name in the bench file.
    t_ns : int
        Nanoseconds of the run's monotonic clock.
    values : dict of str to float
        Channel name to value in the channel's unit; NaN when bad or missing.
    status : dict of str to Status
        Only the channels that are not good; a channel absent here is good.
    seq : int
        The device's sequence number, or `NO_SEQ`.
    raw : dict of str to float
        The raw number of each channel that calibration or a status changed, so that a run can be computed
        again under a new calibration.
    beyond: dict of str to float
        What each channel that is bad for lying outside its valid range would be worth [unit]: no value to
        reckon with, but on the side of a limit it is beyond the limit. Not stored.
    """

    source: str
    t_ns: int
    values: dict[str, float]
    status: dict[str, Status] = field(default_factory=dict)
    seq: int = NO_SEQ
    raw: dict[str, float] = field(default_factory=dict)
    beyond: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Block:
    """Samples of one source as columns, in order of time.

    Attributes
    ----------
    source : str
        The source's name.
    t_ns : int64[n]
        Nanoseconds of the run's monotonic clock, not decreasing.
    seq : int64[n]
        Sequence numbers, `NO_SEQ` where there is none.
    values : dict of str to float64[n]
        Channel name to values; NaN when bad or missing.
    status : dict of str to uint8[n]
        `Status` codes; a channel absent here is good wherever its value is finite and missing elsewhere.
    raw : dict of str to float64[n]
        Raw numbers where calibration or a status changed them; NaN elsewhere.
    """

    source: str
    t_ns: NDArray[np.int64]
    seq: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]
    status: dict[str, NDArray[np.uint8]] = field(default_factory=dict)
    raw: dict[str, NDArray[np.float64]] = field(default_factory=dict)

    def __len__(self) -> int:
        return int(self.t_ns.size)

    def rows(self, pick: Rows) -> Block:
        """The rows that `pick` names; those of a slice share this block's memory."""
        return Block(
            self.source,
            self.t_ns[pick],
            self.seq[pick],
            {n: v[pick] for n, v in self.values.items()},
            {n: s[pick] for n, s in self.status.items()},
            {n: r[pick] for n, r in self.raw.items()},
        )

    def between(self, start_ns: int | None = None, end_ns: int | None = None) -> Block:
        """The rows from `start_ns` to `end_ns`, both included [ns]; None is no bound.

        Rows out of order, as a store may hold them, are found too.
        """
        if start_ns is None and end_ns is None:
            return self
        if bool(np.all(self.t_ns[1:] >= self.t_ns[:-1])):
            first = 0 if start_ns is None else int(np.searchsorted(self.t_ns, start_ns, side="left"))
            end = len(self) if end_ns is None else int(np.searchsorted(self.t_ns, end_ns, side="right"))
            return self if end - first == len(self) else self.rows(slice(first, max(first, end)))
        keep = np.ones(len(self), dtype=np.bool_)
        if start_ns is not None:
            keep &= self.t_ns >= start_ns
        if end_ns is not None:
            keep &= self.t_ns <= end_ns
        return self if keep.all() else self.rows(keep)

    def status_of(self, channel: str) -> NDArray[np.uint8]:
        """A channel's `Status` codes, spelled out where the block leaves them to the values."""
        if channel in self.status:
            return self.status[channel]
        if channel in self.values:
            return plain_status(self.values[channel])
        return np.full(len(self), Status.MISSING, dtype=np.uint8)

    @classmethod
    def concat(cls, source: str, blocks: Sequence[Block]) -> Block:
        """Blocks as one of `source`, sorted by time; rows of equal time keep the order of the blocks.

        A channel that a block does not have is NaN and missing there.
        """
        parts = [b for b in blocks if len(b)]
        if not parts:
            return cls(source, np.empty(0, np.int64), np.empty(0, np.int64), {})
        whole = replace(parts[0], source=source) if len(parts) == 1 else _chained(source, parts)
        if bool(np.any(whole.t_ns[1:] < whole.t_ns[:-1])):
            return whole.rows(np.argsort(whole.t_ns, kind="stable"))
        return whole

    @classmethod
    def from_samples(cls, source: str, samples: list[Sample]) -> Block:
        """Columns from samples of one source, sorted by time (stable, so that equal times keep their
        order)."""
        ordered = sorted(samples, key=lambda s: s.t_ns)
        names = list(dict.fromkeys(name for s in ordered for name in s.values))
        raw_names = list(dict.fromkeys(name for s in ordered for name in s.raw))
        nan = float("nan")
        return cls(
            source=source,
            t_ns=np.array([s.t_ns for s in ordered], dtype=np.int64),
            seq=np.array([s.seq for s in ordered], dtype=np.int64),
            values={n: np.array([s.values.get(n, nan) for s in ordered], dtype=np.float64) for n in names},
            status={n: np.array([_status_of(s, n) for s in ordered], dtype=np.uint8) for n in names},
            raw={n: np.array([s.raw.get(n, nan) for s in ordered], dtype=np.float64) for n in raw_names},
        )


def _status_of(sample: Sample, channel: str) -> int:
    if channel not in sample.values:
        return int(Status.MISSING)
    return int(sample.status.get(channel, Status.GOOD))


def plain_status(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The status that values have by themselves: good where finite, missing elsewhere."""
    return np.where(np.isfinite(values), np.uint8(Status.GOOD), np.uint8(Status.MISSING))


def _chained(source: str, parts: Sequence[Block]) -> Block:
    """The rows of several blocks, one block's after the other's."""

    def column(name: str, of: str) -> NDArray[np.float64]:
        found = [(len(p), getattr(p, of).get(name)) for p in parts]
        return np.concatenate([np.full(size, np.nan) if c is None else c for size, c in found])

    names = list(dict.fromkeys(n for p in parts for n in p.values))
    return Block(
        source,
        np.concatenate([p.t_ns for p in parts]),
        np.concatenate([p.seq for p in parts]),
        {n: column(n, "values") for n in names},
        {
            n: np.concatenate([p.status_of(n) for p in parts])
            for n in names
            if any(n in p.status for p in parts)
        },
        {n: column(n, "raw") for n in dict.fromkeys(n for p in parts for n in p.raw)},
    )
