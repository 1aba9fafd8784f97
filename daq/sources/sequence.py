"""What a frame's sequence number and milliseconds say: next, missing, twice, or a device begun anew."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from daq.frame import NO_SEQ
from daq.sources.reading import MAX_COUNT

__all__ = ["SequenceTracker", "Verdict"]

_MODULUS = MAX_COUNT + 1
_MEMORY = 256
_WRAP_MARGIN = 65_536  # frames around the wrap within which going back is wrapping
_MOST_MISSING = 1_000_000  # more than a day at 10 Hz: not a gap but another count


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the tracker made of a frame; `missing` counts the frames between it and the one before."""

    kind: Literal["first", "next", "gap", "duplicate", "restarted"]
    missing: int = 0


_FIRST, _NEXT, _DUPLICATE, _RESTARTED = (
    Verdict("first"),
    Verdict("next"),
    Verdict("duplicate"),
    Verdict("restarted"),
)


class SequenceTracker:
    """Follows one device's numbering through gaps, repeats, wrap-around and restarts.

    `seq` and `ms` are unsigned 32-bit and wrap to 0. A device that begins anew counts from small numbers
    again. A transport that repeats (MQTT at QoS 1) brings old frames whole: a frame is a duplicate only if
    its number, its time and every value are those of a frame among the last 256, because a device that
    restarts may well send the same numbers at the same milliseconds as before.
    """

    def __init__(self) -> None:
        self._seq = NO_SEQ
        self._ms: int | None = None
        self._recent: deque[tuple[int, int | None, int]] = deque(maxlen=_MEMORY)

    def restart(self) -> None:
        """Forget everything: the device said that it begins anew."""
        self._seq, self._ms = NO_SEQ, None
        self._recent.clear()

    def see(self, seq: int, ms: int | None, fields: Mapping[str, float]) -> Verdict:
        """Judge the next frame heard.

        Parameters
        ----------
        seq : int
            Its number; one of `NO_SEQ` is always next, unless its time went back.
        ms : int, optional
            The device's milliseconds; None where it tells none.
        fields : mapping of str to float
            Its values, by which a repeat is told from a restart.
        """
        verdict = self._judge(seq, ms, fields)
        if verdict.kind != "duplicate":
            self._seq, self._ms = seq, ms
            if seq != NO_SEQ:
                self._recent.append((seq, ms, _fingerprint(fields)))
        return verdict

    def _judge(self, seq: int, ms: int | None, fields: Mapping[str, float]) -> Verdict:
        if self._seq == NO_SEQ and self._ms is None:
            return _FIRST
        ms_back = ms is not None and self._ms is not None and _went_back(ms, self._ms)
        if seq == NO_SEQ or self._seq == NO_SEQ:
            return _RESTARTED if ms_back else _NEXT
        ahead = (seq - self._seq) % _MODULUS
        if ahead == 1 and not ms_back:
            return _NEXT
        wrapped_or_ahead = seq > self._seq or ahead <= _WRAP_MARGIN
        if 0 < ahead <= _MOST_MISSING and wrapped_or_ahead and not ms_back:
            return Verdict("gap", ahead - 1)
        if (seq, ms, _fingerprint(fields)) in self._recent:
            return _DUPLICATE
        return _RESTARTED


def _went_back(ms: int, before: int) -> bool:
    """Whether the device's clock ran backwards; forwards over the wrap is not backwards."""
    return (ms - before) % _MODULUS >= _MODULUS // 2


def _fingerprint(fields: Mapping[str, float]) -> int:
    # Every nan is the same here; hash(nan) differs from one object to the next.
    return hash((*fields, *[value if value == value else None for value in fields.values()]))
