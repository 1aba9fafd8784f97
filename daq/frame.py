"""What travels: a frame from a source, a sample after calibration, a block of samples as columns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["NO_SEQ", "Block", "Frame", "Sample", "Status"]

NO_SEQ = -1
"""The sequence number of a frame whose source sends none."""


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
