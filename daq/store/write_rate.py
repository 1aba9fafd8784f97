"""How much a recording writes: what this process has written, and what a bench's samples will come to."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path

__all__ = ["WriteRate", "device_bytes_per_hour", "written_bytes"]

_IO = Path("/proc/self/io")
_SPAN_S = 900.0
_EVERY_S = 10.0
_SHORTEST_S = 60.0

_BLOCK_BYTES = 4096  # what ext4 writes at least
_PAGE_BYTES = 536  # a page of the journal with its header in the log
_VALUE_BYTES = 3.5  # of a number in a row of the journal, as measured: three decimals, deflated
_ROW_BYTES = 90.0
_OTHER_PER_HOUR = 12.0e6  # ext4's own journal and inodes, the logs' indices, the logbook, as measured


def written_bytes() -> int | None:
    """What this process has had written to disks since it began [bytes]; None where the system does not say.

    Linux counts a page when it is made dirty, and leaves out what the file system writes of its own
    (Documentation/filesystems/proc.rst, `write_bytes`).
    """
    try:
        for line in _IO.read_text(encoding="ascii").splitlines():
            if line.startswith("write_bytes:"):
                return int(line.split()[1])
    except (OSError, ValueError):
        pass
    return None


class WriteRate:
    """Follows what this process writes. Cheap to ask: the system is looked at every ten seconds.

    Parameters
    ----------
    clock : callable
        Monotonic time [s].
    count : callable
        See `written_bytes`.
    """

    def __init__(
        self,
        clock: Callable[[], float] = time.monotonic,
        count: Callable[[], int | None] = written_bytes,
    ) -> None:
        self._clock = clock
        self._count = count
        self._seen: deque[tuple[float, int]] = deque()

    def per_hour(self) -> float | None:
        """Bytes an hour over the last quarter of an hour; None in the first minute, or if nobody counts."""
        now = self._clock()
        if not self._seen or now - self._seen[-1][0] >= _EVERY_S:
            written = self._count()
            if written is None:
                return None
            self._seen.append((now, written))
            while len(self._seen) > 2 and now - self._seen[1][0] >= _SPAN_S:
                self._seen.popleft()
        (begun, before), (ended, after) = self._seen[0], self._seen[-1]
        if ended - begun < _SHORTEST_S:
            return None
        return (after - before) / (ended - begun) * 3600.0


def device_bytes_per_hour(sources: Iterable[tuple[float, int]], *, every_s: float = 0.5) -> float:
    """About what a recording writes at the device, file system included, by measurements on ext4.

    Parameters
    ----------
    sources : iterable of (float, int)
        Of each source, how many samples it gives [1/s] and how many channels are fed from it.
    every_s : float
        The time between commits [s].

    Returns
    -------
    float
        Bytes an hour, right to about a third: values with many decimals take more, calm ones less.

    Notes
    -----
    A commit writes the last page of the journal's table and what did not fit on it, to the log and once more
    at the next checkpoint, and of the file system no less than the blocks in which that lies.
    """
    row = sum(_ROW_BYTES + _VALUE_BYTES * rate * every_s * channels for rate, channels in sources)
    logged = _PAGE_BYTES * (1.0 + 3.0 * row / 512.0)
    per_commit = _BLOCK_BYTES + logged + row if row else 0.0
    return per_commit * 3600.0 / every_s + _OTHER_PER_HOUR
