"""A numbered head: a scripted device on a pseudo-terminal whose every line is timed.

It speaks the wire format, numbers its frames one by one for as long as it lives, obeys commands, and writes
down when each frame was written and when each command was heard, both on the monotonic clock. So a trip is
measured where it counts, on the line: from the first byte of the frame that crosses a limit to the last of
the command that cuts.
"""

from __future__ import annotations

import itertools
import os
import pty
import random
import select
import threading
import time
import tty
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from daq.errors import LyewatchError
from daq.sources.wire import WireCommand, decode_line, encode_frame, encode_hello, encode_reply

__all__ = ["Heard", "NumberedHead"]

BEAT_LOST_S = 2.0
"""firmware_notes/wire_format.md, Heartbeat."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A command, and when its line was complete [s]; `action` is "open" for the empty line that begins a
    session.
    """

    at_s: float
    action: str


@dataclass(frozen=True, slots=True)
class Written:
    """A frame: when its first byte was written [s], what it said, if it was spoiled, and all went out."""

    at_s: float
    temp: float
    clean: bool
    out: bool

    @property
    def whole(self) -> bool:
        """Whether a host could take it."""
        return self.clean and self.out


class NumberedHead:
    """See the module. Attributes may be set at any time from another thread.

    Parameters
    ----------
    link : Path
        A symbolic link to the pseudo-terminal.
    rate_hz : float
        Frames a second.
    seed : int
        Of noise.

    Attributes
    ----------
    temp, amps_on : float
        Lye temperature [degC]; current while the relay is closed [A].
    own_limit_c : float or None
        At this temperature it opens its relay by itself.
    own_net : bool
        Whether it opens its relay 2 s after the last beat, once beats have begun.
    noise : float
        Share of the bytes it sends that are replaced at random.
    frozen : bool
        All values stay what they were.
    welded : bool
        Its relay says open, and current flows.
    mute : bool
        Sends no frames, though numbers run on.
    deaf : set of str
        Commands it neither obeys nor answers.
    """

    def __init__(self, link: Path, *, rate_hz: float = 10.0, seed: int = 1) -> None:
        self.link, self.rate_hz = link, rate_hz
        self.temp, self.amps_on = 40.0, 8.0
        self.own_limit_c: float | None = None
        self.own_net = False
        self.noise = 0.0
        self.frozen = self.welded = self.mute = False
        self.deaf: set[str] = set()
        self.relay, self.trip_code = 1.0, 0.0
        self.frames: dict[int, Written] = {}
        self.commands: list[Heard] = []
        self.cut_by_itself: list[Heard] = []
        self.seq = 0
        self._rng = random.Random(seed)
        self._began = time.monotonic()
        self._beat_s: float | None = None
        self._buffer = b""
        self._torn = False
        self._ending = threading.Event()
        self._master, self._slave = pty.openpty()
        os.set_blocking(self._master, False)
        tty.setraw(self._slave)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self._slave))
        self._send(encode_hello("torture-head"))
        self._thread = threading.Thread(target=self._live, name="head", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """Fall silent and unplug."""
        self._ending.set()
        self._thread.join(10.0)
        self.link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)

    # -- what the test asks ------------------------------------------------------------------------

    def heard(self, action: str, since_s: float = 0.0) -> list[float]:
        """When a command was heard at or after `since_s` [s]."""
        return [c.at_s for c in list(self.commands) if c.action == action and c.at_s >= since_s]

    def wait_heard(self, action: str, since_s: float, within_s: float) -> float | None:
        """When the command was first heard since then [s]; None when it was not within that time."""
        return self._wait(lambda: next(iter(self.heard(action, since_s)), None), within_s)

    def wait_beat_of_next_session(self, since_s: float, within_s: float) -> float | None:
        """When a reader that opened the port after `since_s` first sent a beat [s]."""

        def look() -> float | None:
            opened = next(
                (c.at_s for c in list(self.commands) if c.action == "open" and c.at_s >= since_s), None
            )
            return None if opened is None else next(iter(self.heard("beat", opened)), None)

        return self._wait(look, within_s)

    def cross(self, temp: float, within_s: float = 10.0) -> float:
        """Set the temperature; when the first frame that says it, and is not spoiled, was written [s]."""
        first = self.seq
        self.temp = temp
        at = self._wait(
            lambda: next(
                (
                    f.at_s
                    for f in (self.frames.get(n) for n in range(first, self.seq))
                    if f and f.clean and f.temp == temp
                ),
                None,
            ),
            within_s,
        )
        assert at is not None, "the head made no clean frame"
        return at

    def written(self, since_s: float, until_s: float) -> list[int]:
        """The numbers of the whole frames written in between."""
        frames = list(self.frames.copy().items())  # the head writes on
        first = bisect_left(frames, since_s, key=lambda item: item[1].at_s)
        return [seq for seq, f in frames[first:] if f.whole and f.at_s < until_s]

    def longest_pause_s(self, since_s: float, until_s: float) -> float:
        """The longest time without a beat in between [s]."""
        beats = [t for t in self.heard("beat", since_s) if t < until_s]
        instants = [since_s, *beats, until_s]
        return max(b - a for a, b in itertools.pairwise(instants))

    def _wait(self, look: Callable[[], float | None], within_s: float) -> float | None:
        end = time.monotonic() + within_s
        while True:
            found = look()
            if found is not None or time.monotonic() > end:
                return found
            time.sleep(0.005)

    # -- its own life ------------------------------------------------------------------------------

    def _live(self) -> None:
        due = time.monotonic()
        while not self._ending.is_set():
            now = time.monotonic()
            if now >= due:
                self._frame(now)
                # What could not be kept up with is not caught up: numbers must not bunch.
                due = max(due + 1.0 / self.rate_hz, now - 0.5)
            wait = max(0.0, due - time.monotonic())
            if select.select([self._master], [], [], wait)[0]:
                self._hear()
            self._guard_itself(time.monotonic())

    def _frame(self, now: float) -> None:
        closed = self.relay > 0.5 or self.welded
        amps = self.amps_on if closed else 0.0
        wobble = 0.0 if self.frozen else 0.001 * (self.seq % 7)
        fields = {
            "volts": 12.5 + wobble,
            "amps": amps + (wobble if closed else 0.0),
            "watts": float(self.seq % 1000),
            "temp": self.temp,
            "room": 21.0 + wobble,
            "flow": (0.05 * amps) + (wobble if closed else 0.0),
            "gastemp": 22.0 + wobble,
            "relay": self.relay,
            "trip": self.trip_code,
        }
        if self.frozen:
            fields["watts"] = 100.0
        line = encode_frame(self.seq, int((now - self._began) * 1000), fields)
        spoiled = self._spoil(line)
        out = not self.mute and self._send(spoiled)
        self.frames[self.seq] = Written(now, self.temp, spoiled == line, out)
        self.seq += 1

    def _spoil(self, line: bytes) -> bytes:
        if self.noise <= 0.0:
            return line
        return bytes(self._rng.randrange(256) if self._rng.random() < self.noise else b for b in line)

    def _send(self, data: bytes) -> bool:
        # Where nobody reads for long, the rest of a line falls off its end, as on a wire. The half that is
        # there is ended before the next, which would be lost with it.
        end = b"\n" if self._torn else b""
        try:
            count = os.write(self._master, end + data)
        except BlockingIOError:
            return False
        self._torn = len(end) < count < len(end + data) or (self._torn and count == 0)
        return count == len(end + data)

    def _hear(self) -> None:
        try:
            self._buffer += os.read(self._master, 65536)
        except OSError:
            return
        now = time.monotonic()
        *lines, self._buffer = self._buffer.split(b"\n")
        for line in lines:
            if not line.strip():
                self.commands.append(Heard(now, "open"))
                continue
            try:
                command = decode_line(line)
            except LyewatchError:
                self.commands.append(Heard(now, "damaged"))
                continue
            if isinstance(command, WireCommand):
                self._obey(command, now)

    def _obey(self, command: WireCommand, now: float) -> None:
        self.commands.append(Heard(now, command.action))
        if command.action in self.deaf:
            return
        ok, why = True, None
        if command.action == "trip":
            self.relay = 0.0
            self.trip_code = self.trip_code or 1.0
        elif command.action == "beat":
            self._beat_s = now
        elif command.action == "reset":
            hot = self.own_limit_c is not None and self.temp >= self.own_limit_c
            if hot:
                ok, why = False, "hot"
            else:
                self.relay, self.trip_code = 1.0, 0.0
        else:
            ok, why = False, "unknown"
        self._send(self._spoil(encode_reply(command.n, ok, why)))

    def _guard_itself(self, now: float) -> None:
        cause = 0.0
        if self.own_limit_c is not None and self.temp >= self.own_limit_c:
            cause = 2.0
        elif self.own_net and self._beat_s is not None and now - self._beat_s > BEAT_LOST_S:
            cause = 3.0
        if cause and self.relay > 0.5:
            self.relay, self.trip_code = 0.0, cause
            self.cut_by_itself.append(Heard(now, "hot" if cause == 2.0 else "beat"))
