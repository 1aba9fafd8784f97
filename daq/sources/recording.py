"""A source that plays a recording: from a list, a block of a run, or a small CSV file.

The CSV has a header `elapsed_s,NAME,NAME...`, optionally with a column `seq`; an empty cell or `nan` is a
value that the recording does not have. Lines that begin with `#` are left out.
"""

from __future__ import annotations

import csv
import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from daq.errors import PortError
from daq.frame import NO_SEQ
from daq.sources.base import Source, SourceEnded
from daq.sources.clock import ClockMode
from daq.sources.outbox import Command
from daq.sources.reading import MAX_COUNT, Message, Reading

__all__ = ["RecordedFrame", "RecordingSource", "read_csv_frames"]

_BATCH = 500


@dataclass(frozen=True, slots=True)
class RecordedFrame:
    """Raw numbers by field name at `elapsed_s` from the recording's beginning [s]."""

    elapsed_s: float
    fields: Mapping[str, float]
    seq: int = NO_SEQ


class RecordingSource(Source):
    """Plays frames at their recorded pace, or faster; then its thread ends with the event "ended".

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    frames : iterable of RecordedFrame, or a callable that gives one
        In order of time. A callable is called when the source opens, so that what it raises is told as of a
        port.
    speed : float
        Seconds of the recording in a second of the host; `math.inf` plays without waiting.
    place : str
        For messages.
    clock : "host", "fitted" or "device"
        With "device" the times of the frames are the recording's whatever the speed.

    Attributes
    ----------
    commands : deque of Command
        The latest thousand that it was given; a recording does not act on them, and does not answer.
    """

    def __init__(
        self,
        name: str,
        frames: Iterable[RecordedFrame] | Callable[[], Iterable[RecordedFrame]],
        *,
        speed: float = 1.0,
        place: str = "recording",
        clock: ClockMode = "device",
        silent_after_s: float = 1.0,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be above 0, not {speed}")
        super().__init__(name, place=place, clock=clock, silent_after_s=silent_after_s, now=now)
        self.commands: deque[Command] = deque(maxlen=1000)
        self._source = frames
        self._speed = speed
        self._nudge = threading.Event()
        self._frames: Iterator[RecordedFrame] = iter(())
        self._next: RecordedFrame | None = None
        self._began_ns = 0
        self._numbers = count()

    def _open(self) -> None:
        if self._ever_open:
            return  # a listener's trouble must not make the recording begin anew
        self._frames = iter(self._source() if callable(self._source) else self._source)
        self._next = next(self._frames, None)
        self._began_ns = self._now()

    def _take(self, timeout_s: float) -> Iterable[tuple[int, Message]]:
        if self._next is None:
            raise SourceEnded("the recording is over")
        due_s = self._due_s(self._next)
        if due_s > 0 and self._nudge.wait(min(due_s, timeout_s)):
            self._nudge.clear()
        messages: list[tuple[int, Message]] = []
        while self._next is not None and len(messages) < _BATCH and self._due_s(self._next) <= 0:
            messages.append((self._now(), self._reading_of(self._next)))
            self._next = next(self._frames, None)
        return messages

    def _due_s(self, frame: RecordedFrame) -> float:
        if math.isinf(self._speed):
            return 0.0
        return frame.elapsed_s / self._speed - (self._now() - self._began_ns) / 1e9

    def _reading_of(self, frame: RecordedFrame) -> Reading:
        number = next(self._numbers)
        seq = number if frame.seq == NO_SEQ else frame.seq
        return Reading(frame.fields, seq & MAX_COUNT, round(frame.elapsed_s * 1e3) & MAX_COUNT)

    def _say(self, command: Command) -> None:
        self.commands.append(command)

    def _close(self) -> None:
        """Nothing is held open: a file was read when it was opened, or is closed by its iterator."""

    def _wake(self) -> None:
        self._nudge.set()

    @classmethod
    def from_csv(
        cls,
        name: str,
        path: str | Path,
        *,
        speed: float = 1.0,
        clock: ClockMode = "device",
        silent_after_s: float = 1.0,
    ) -> RecordingSource:
        """A source that plays a CSV file as the module describes it.

        Parameters
        ----------
        name : str
            The source's.
        path : str or Path
        speed, clock, silent_after_s : float, ClockMode, float
            As of the class.
        """
        return cls(
            name,
            lambda: read_csv_frames(path),
            speed=speed,
            place=str(path),
            clock=clock,
            silent_after_s=silent_after_s,
        )


def read_csv_frames(path: str | Path) -> list[RecordedFrame]:
    """The frames of a CSV file as the module describes it.

    Raises
    ------
    PortError
        The file is not there or wrong; says the line, what was found, and what would be right.
    """
    try:
        with Path(path).open(newline="", encoding="utf-8-sig") as file:
            rows = csv.reader(line for line in file if not line.startswith("#"))
            names = [name.strip() for name in next(rows, [])]
            if not names or names[0] != "elapsed_s" or len(set(names)) != len(names):
                raise PortError(
                    "a recording begins with a header",
                    place=str(path),
                    value=",".join(names),
                    remedy="elapsed_s, then names that differ: elapsed_s,volts,amps",
                )
            return _frames(str(path), names, rows)
    except (OSError, UnicodeDecodeError, csv.Error) as exc:
        raise PortError(
            f"the recording can not be read: {exc}", place=str(path), remedy="give the path of a CSV file"
        ) from exc


def _frames(path: str, names: list[str], rows: Iterable[list[str]]) -> list[RecordedFrame]:
    frames: list[RecordedFrame] = []
    before = -math.inf
    for line, row in enumerate(rows, start=2):
        if not row:
            continue
        if len(row) != len(names):
            raise _wrong(path, line, f"{len(names)} cells are needed", len(row))
        numbers = {name: _number(path, line, name, cell) for name, cell in zip(names, row, strict=True)}
        elapsed, seq = numbers.pop("elapsed_s"), numbers.pop("seq", math.nan)
        if not (math.isfinite(elapsed) and elapsed >= before):
            raise _wrong(path, line, "elapsed_s must be a number that does not go back", row[0])
        if not math.isnan(seq) and not (seq.is_integer() and 0 <= seq <= MAX_COUNT):
            raise _wrong(path, line, f"seq must be a whole number from 0 to {MAX_COUNT}", seq)
        before = elapsed
        frames.append(RecordedFrame(elapsed, numbers, NO_SEQ if math.isnan(seq) else int(seq)))
    return frames


def _number(path: str, line: int, name: str, cell: str) -> float:
    try:
        number = float(cell) if cell.strip() else math.nan
    except ValueError:
        number = math.inf
    if math.isinf(number):
        raise _wrong(path, line, f"{name} must be a finite number, nan or empty", cell)
    return number


def _wrong(path: str, line: int, message: str, value: object) -> PortError:
    return PortError(message, place=f"{path}, row {line}", value=value, remedy="correct the recording")
