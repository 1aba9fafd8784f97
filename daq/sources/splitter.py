"""Chunks of bytes, cut anywhere, to lines.

A port hands over whatever has arrived: half a line, three and a half, noise. What comes out here does not
depend on where the chunks were cut, and no flood makes it keep more than one line.
"""

from __future__ import annotations

from daq.sources.wire import MAX_LINE_BYTES

__all__ = ["Splitter"]


class Splitter:
    """Cuts a byte stream into lines at LF, CR and CR LF; empty lines are left out.

    What comes before the first line end after opening may be half a line: it is kept apart as the *head*,
    to be believed only if it carries its own proof.

    Parameters
    ----------
    limit : int
        Longest line, its LF included [bytes]. A longer one is thrown away up to its end and counted once.

    Attributes
    ----------
    overlong : int
        Lines thrown away for their length.
    """

    def __init__(self, limit: int = MAX_LINE_BYTES) -> None:
        self._longest = limit - 1
        self.overlong = 0
        self._pending = bytearray()
        self._discarding = False
        self._at_head = True
        self._head: bytes | None = None

    @property
    def pending(self) -> int:
        """Bytes of a line whose end has not come yet; never more than `limit`."""
        return len(self._pending)

    def restart(self) -> None:
        """Forget what was begun, as after a port was opened anew: the next bytes may begin within a line."""
        self._pending.clear()
        self._discarding = False
        self._at_head = True
        self._head = None

    def take_head(self) -> bytes | None:
        """What came before the first line end, once; None when there is nothing (any more)."""
        head, self._head = self._head, None
        return head

    def feed(self, chunk: bytes) -> list[bytes]:
        """The lines that `chunk` completes, without their ends, in order and not empty."""
        parts = chunk.replace(b"\r", b"\n").split(b"\n")
        rest = parts.pop()
        lines = []
        for part in parts:
            line = self._finish(part)
            if line:
                lines.append(line)
        self._keep(rest)
        return lines

    def _finish(self, part: bytes) -> bytes | None:
        self._keep(part)
        line = None if self._discarding else bytes(self._pending)
        self._pending.clear()
        self._discarding = False
        if self._at_head:
            self._at_head = False
            self._head = line or None
            return None
        return line

    def _keep(self, part: bytes) -> None:
        if self._discarding or not part:
            return
        if len(self._pending) + len(part) > self._longest:
            self.overlong += 1
            self._discarding = True
            self._pending.clear()
        else:
            self._pending += part
