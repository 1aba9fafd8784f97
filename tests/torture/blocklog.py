"""A disk of one file (FUSE) that keeps each write and each flush it is given, with its instant, in order.

`python -m tests.torture.blocklog BASE MOUNTPOINT LOG` serves a copy of the image BASE as MOUNTPOINT/disk,
for a loop device and a real file system above it. Any prefix of the log up to a flush, with none, some, a
prefix or torn parts of what came after that flush, is a disk as a power cut may leave it: a disk promises
no more than that a flush has brought down what was complete before it. The log doubles as a count of the
bytes that the disk had to write.
"""

from __future__ import annotations

import errno
import random
import stat
import struct
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import mfusepy

__all__ = ["BlockLog", "Cut", "Record", "RecordingDisk"]

SECTOR = 512
"""What a disk writes whole."""
_HEAD = struct.Struct("<cdQI")


class RecordingDisk(mfusepy.Operations):
    """The file system: its root and one file, `disk`."""

    use_ns = True

    def __init__(self, base: Path, log: Path) -> None:
        self._data = bytearray(base.read_bytes())
        self._log = log.open("wb", buffering=0)

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        """What there is."""
        if path == "/":
            return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
        if path == "/disk":
            return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": len(self._data)}
        raise mfusepy.FuseOSError(errno.ENOENT)

    def readdir(self, path: str, fh: int) -> Any:
        """The root's names."""
        return [".", "..", "disk"]

    def open(self, path: str, flags: int) -> int:
        """Open the disk."""
        return 0

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        """Read."""
        return bytes(self._data[offset : offset + size])

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        """Write, and keep what was written."""
        self._data[offset : offset + len(data)] = data
        self._log.write(_HEAD.pack(b"W", time.monotonic(), offset, len(data)) + data)
        return len(data)

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        """A flush of the device above."""
        self._log.write(_HEAD.pack(b"F", time.monotonic(), 0, 0))
        return 0

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        """A disk keeps its size."""
        return 0


@dataclass(frozen=True, slots=True)
class Record:
    """A write, or a flush when `flush`: its instant [s], where it went and where its bytes are in the log."""

    at_s: float
    flush: bool
    offset: int
    length: int
    place: int


Kind = Literal["none", "some", "prefix", "torn", "all"]


@dataclass(frozen=True, slots=True)
class Cut:
    """A power cut: everything up to record `flushed` (a flush) is down; of the writes after it and before
    `at_s`, `kind`.
    """

    flushed: int
    at_s: float
    kind: Kind
    seed: int


class BlockLog:
    """A log read back.

    Parameters
    ----------
    path : Path
        As `RecordingDisk` wrote it.
    """

    def __init__(self, path: Path) -> None:
        self._bytes = path.read_bytes()
        self.records: list[Record] = []
        at = 0
        while at + _HEAD.size <= len(self._bytes):
            kind, at_s, offset, length = _HEAD.unpack_from(self._bytes, at)
            at += _HEAD.size
            self.records.append(Record(at_s, kind == b"F", offset, length, at))
            at += length
        self.flushes = [i for i, r in enumerate(self.records) if r.flush]

    def written_bytes(self, since_s: float, until_s: float) -> int:
        """What the disk was given to write in between [bytes]."""
        return sum(r.length for r in self.records if since_s <= r.at_s < until_s)

    def drop_flushes(self, *, keep_every: int) -> None:
        """Forget all flushes but one in so many: a disk that says it has flushed, and has not."""
        kept = set(self.flushes[::keep_every])
        self.records = [r for i, r in enumerate(self.records) if not r.flush or i in kept]
        self.flushes = [i for i, r in enumerate(self.records) if r.flush]

    def data(self, record: Record) -> bytes:
        """What a record wrote."""
        return self._bytes[record.place : record.place + record.length]

    def cuts(self, count: int, seed: int, since_s: float, until_s: float) -> list[Cut]:
        """That many power cuts, in order of time: at any instant, with all that a disk may make of it."""
        rng = random.Random(seed)
        kinds: Sequence[Kind] = ("none", "some", "some", "prefix", "torn", "torn", "all")
        between = [
            (a, self.records[b].at_s)
            for a, b in zip(self.flushes, self.flushes[1:], strict=False)
            if since_s <= self.records[a].at_s < until_s
        ]
        assert between, "the disk was never flushed"
        # Each gap between flushes as often as another: the instants of many writes are short ones.
        cuts = []
        for number in range(count):
            flushed, next_s = between[number % len(between)] if number < len(between) else rng.choice(between)
            after_s = self.records[flushed].at_s
            # Just before the next flush is complete is the worst moment.
            at_s = next_s if rng.random() < 0.5 else rng.uniform(after_s, next_s)
            cuts.append(Cut(flushed, at_s, rng.choice(kinds), rng.randrange(2**32)))
        return sorted(cuts, key=lambda c: (c.flushed, c.at_s))

    def leftovers(self, cut: Cut) -> Iterator[tuple[int, bytes]]:
        """What of the unflushed writes is on the disk after all: offsets and bytes."""
        rng = random.Random(cut.seed)
        after = []
        for record in self.records[cut.flushed + 1 :]:
            if record.flush or record.at_s > cut.at_s:
                break
            after.append(record)
        if cut.kind == "none":
            return
        if cut.kind == "prefix":
            after = after[: rng.randint(0, len(after))]
        if cut.kind in ("some", "torn"):
            after = [r for r in after if rng.random() < 0.5]
        for record in after:
            data = self.data(record)
            if cut.kind != "torn":
                yield record.offset, data
                continue
            for start in range(0, len(data), SECTOR):
                if rng.random() < 0.5:
                    yield record.offset + start, data[start : start + SECTOR]


if __name__ == "__main__":
    mfusepy.FUSE(
        RecordingDisk(Path(sys.argv[1]), Path(sys.argv[3])),
        sys.argv[2],
        foreground=True,
        nothreads=True,
        allow_other=True,
    )
