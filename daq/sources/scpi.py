"""An instrument that speaks SCPI over a serial port or a raw socket: asked, answered, never confused.

Nothing in an answer says which question it belongs to. An answer that comes after its time is up would be
taken for the next one's, and every number after it would be another's: volts for amps. So after any doubt (a
question not answered in time, an answer that is no number, one that nobody asked for) nothing is asked but
``*IDN?`` until the known identity comes back. Instruments answer in the order in which they are asked, so
whatever was late has come before it, and is thrown away.

Only questions are sent; the one exception is the command that cuts the output at a trip.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from daq.bench import ScpiQuery, ScpiSpec
from daq.errors import FrameError, PortError
from daq.sources.polled import Asked, Cut, PolledSource
from daq.sources.polling import Poll
from daq.sources.scpi_format import is_identity, parse_error, parse_number, parse_numbers
from daq.sources.serial_port import SerialPort
from daq.sources.splitter import Splitter
from daq.sources.transcript import shown

__all__ = ["IDENTIFY", "NEXT_ERROR", "ScpiSource"]

IDENTIFY: Final = "*IDN?"
NEXT_ERROR: Final = "SYST:ERR?"
_LONGEST_ANSWER: Final = 1024
_ERRORS_AT_ONCE: Final = 20
_SYNC_PAUSE_NS: Final = 100_000_000
_LONGEST_PAUSE_NS: Final = 2_000_000_000


_Purpose = Literal["identity", "poll", "errors", "current"]


@dataclass(slots=True, kw_only=True)
class _Asked(Asked[ScpiQuery]):
    purpose: _Purpose


class ScpiSource(PolledSource[ScpiQuery, _Asked]):
    """A SCPI instrument.

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    spec : ScpiSpec
        Its port, and what it is asked.
    rng, now
        See `Source`.

    Attributes
    ----------
    identity : str or None
        What it answered to ``*IDN?``.
    """

    def __init__(
        self,
        name: str,
        spec: ScpiSpec,
        *,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        polls = [Poll(q, round((q.period_s or spec.period_s) * 1e9)) for q in spec.queries]
        super().__init__(name, spec, polls, rng=rng, now=now)
        self.identity: str | None = None
        self._spec = spec
        self._splitter = Splitter(_LONGEST_ANSWER)
        self._overlong = 0
        self._synced = False
        self._sync_tries = 0
        self._sync_ns = 0
        self._candidate: str | None = None
        self._errors_ns: int | None = 0
        self._errors_failed = 0
        self._errors_read = 0

    # -- the driver ----------------------------------------------------------------------------------------

    def _open(self) -> None:
        self._port = SerialPort(self.place, self._spec.baud, self._spec.framing)
        self._splitter.restart()
        self._asked = self._candidate = None
        self._synced = False
        self._sync_tries = self._errors_failed = self._errors_read = 0
        self._sync_ns = self._errors_ns = 0
        self._polls.restart(self._now())

    def _trip(self, cut: Cut, number: int, now: int) -> None:
        if cut.open(now) and self._asked is not None:
            # It was cut a moment ago and is being asked what flows: to break in would lose the answer.
            cut.order(number, now)
            return
        self._write_off()
        cut.order(number, now)
        cut.written(now)
        self._asked, self._synced, self._sync_tries, self._sync_ns = None, False, 0, now

    def _silence(self) -> str:
        if self.identity is None or not self._synced:
            return (
                f"no answer to {IDENTIFY}; check the cable, the baud rate and line_end, and that the "
                "instrument is set to remote control over this port"
            )
        return f"it answers {IDENTIFY} but none of its queries; compare them with its manual"

    # -- asking --------------------------------------------------------------------------------------------

    def _ask_next(self, now: int) -> None:
        cut = self._cut
        if not self._synced:
            if now >= self._sync_ns:
                # Never a bare line end first: it would make the instrument carry out half a command that
                # somebody else has left in it.
                self._ask("identity", IDENTIFY)
            return
        if cut is not None and cut.read_now(now):
            if cut.off_due:
                self._write_off()
                cut.written(now)
            assert self._spec.supply is not None
            self._ask("current", self._spec.supply.current)
        elif self._errors_ns is not None and now >= self._errors_ns:
            self._ask("errors", NEXT_ERROR)
        else:
            poll = self._polls.due(now)
            if poll is not None:
                self._ask("poll", poll.question.ask, poll)

    def _ask(self, purpose: _Purpose, text: str, poll: Poll[ScpiQuery] | None = None) -> None:
        assert self._port is not None
        self._asked = _Asked(words=text, sent_ns=self._now(), poll=poll, purpose=purpose)
        self._port.write(text.encode("ascii") + self._spec.line_end.encode("ascii"))

    def _write_off(self) -> None:
        assert self._port is not None
        assert self._spec.supply is not None
        end = self._spec.line_end
        # The line end first: a question of ours may have broken off half-way.
        self._port.write(f"{end}{self._spec.supply.off}{end}".encode("ascii"))

    def _wait_s(self, now: int) -> float:
        if not self._synced:
            return max(0.0, (self._sync_ns - now) / 1e9)
        verifying = self._cut is not None and self._cut.open(now)
        return min(self._polls.wait_s(now), 0.05 if verifying else math.inf)

    # -- hearing -------------------------------------------------------------------------------------------

    def _hear(self, chunk: bytes, received_ns: int) -> None:
        for line in self._lines(chunk):
            self._line(line, received_ns)

    def _lines(self, chunk: bytes) -> list[str]:
        lines = self._splitter.feed(chunk)
        head = self._splitter.take_head()
        if head is not None:
            lines.insert(0, head)
        if self._splitter.overlong != self._overlong:
            self.counters.overlong += self._splitter.overlong - self._overlong
            self._overlong = self._splitter.overlong
            self._doubt("an answer was too long")
        return [line.decode("latin-1").strip() for line in lines]

    def _line(self, text: str, received_ns: int) -> None:
        asked = self._asked
        if not text or (asked is not None and text == asked.words):
            return  # some ports echo what is sent
        if asked is not None and asked.purpose == "identity":
            self._identified(text)
        elif asked is None or text == self.identity:
            self.counters.late += 1
            if text != self.identity:
                self._doubt("an answer came that nobody asked for")
        else:
            self._asked = None
            try:
                if asked.purpose == "poll":
                    self._answered(asked, text, received_ns)
                elif asked.purpose == "errors":
                    self._error_read(text, received_ns)
                else:
                    self._current_read(asked, text, received_ns)
            except FrameError as exc:
                self.counters.malformed += 1
                self.counters.last_error = f"{asked.words}: {exc}"
                self.transcript.refused(shown(text), exc.message, asked=asked.words)
                self._failed(asked, received_ns)
                self._doubt(exc.message)

    def _answered(self, asked: _Asked, text: str, received_ns: int) -> None:
        assert asked.poll is not None
        names = asked.poll.question.names
        values = parse_numbers(text, len(names))
        fields = dict(zip(names, values, strict=True))
        self._give(asked, fields, received_ns, checked=False)
        self.transcript.took(shown(text), fields, asked=asked.words)

    def _not_answered(self, asked: _Asked, now: int) -> None:
        self.counters.timeouts += 1
        self.counters.last_error = f"no answer to {asked.words} within {self._spec.timeout_s:g} s"
        self.transcript.refused("", f"no answer within {self._spec.timeout_s:g} s", asked=asked.words)
        if asked.purpose == "identity":
            self._sync_ns = now + min(_LONGEST_PAUSE_NS, _SYNC_PAUSE_NS << self._sync_tries)
            self._sync_tries = min(self._sync_tries + 1, 10)
        else:
            self._failed(asked, now)
            self._doubt("a question was not answered")

    def _failed(self, asked: _Asked, now: int) -> None:
        """A question got no answer that can be used."""
        if asked.poll is not None:
            asked.poll.failed(now)
            if self._errors_ns is not None:
                self._errors_ns = now  # it may say why
        elif asked.purpose == "errors":
            self._errors_failed += 1
            self._errors_ns = (
                None if self._errors_failed > 1 else now + round(self._spec.errors_every_s * 1e9)
            )

    def _doubt(self, why: str) -> None:
        """What comes next may belong to anything: find the beat again before another number is asked for."""
        if self._synced:
            self._synced, self._sync_tries, self._sync_ns = False, 0, self._now()
            self._asked = None
            self.counters.resyncs += 1
            self.counters.last_error = self.counters.last_error or why

    def _identified(self, text: str) -> None:
        if text == self.identity:
            self._asked, self._synced = None, True
            return
        if not is_identity(text):
            self.counters.late += 1
            return
        if text != self._candidate:
            # Said once it may be an answer that another program has left behind.
            self._candidate, self._asked, self._sync_ns = text, None, self._now()
            return
        if not text.upper().startswith(self._spec.identity.upper()):
            raise PortError(
                "another instrument answers on this port",
                place=self.place,
                value=text,
                remedy=f"the bench file expects {self._spec.identity!r}: look which port is whose",
            )
        before, self.identity = self.identity, text
        self._asked, self._synced = None, True
        self._event("hello", f"{shown(text)} answers")
        if before is not None:
            self._event(
                "notice", f"another instrument answers now: {shown(text)}, where it was {shown(before)}"
            )

    # -- its errors, and the cut ---------------------------------------------------------------------------

    def _error_read(self, text: str, now: int) -> None:
        error = parse_error(text)
        self._errors_failed = 0
        self._errors_read += 1
        if error.code == 0 or self._errors_read >= _ERRORS_AT_ONCE:
            self._errors_read = 0
            self._errors_ns = now + round(self._spec.errors_every_s * 1e9)
        if error.code == 0:
            return
        self.counters.device_errors += 1
        self._notice(f"the instrument reports {error} ({error.group} error)", now)

    def _current_read(self, asked: _Asked, text: str, now: int) -> None:
        assert self._cut is not None
        assert self._spec.supply is not None
        amps = parse_number(text)
        self._cut.wait(now)
        if not self._flows(self._cut, amps, asked, now):
            self.counters.last_error = f"after {self._spec.supply.off} it still reads {amps:.3g} A"
