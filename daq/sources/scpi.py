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
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Literal

from daq.bench import ScpiQuery, ScpiSpec
from daq.errors import FrameError, PortError
from daq.frame import NO_SEQ
from daq.sources.base import Source
from daq.sources.decoder import Heard
from daq.sources.outbox import Command
from daq.sources.polling import Notices, Poll, Timetable, as_count
from daq.sources.scpi_cut import SupplyCut
from daq.sources.scpi_format import is_identity, parse_error, parse_numbers
from daq.sources.serial_port import TCP_SILENCE_S, SerialPort, over_network
from daq.sources.splitter import Splitter
from daq.sources.wire import WireFrame, WireReply
from daq.sources.witness import shown

__all__ = ["IDENTIFY", "NEXT_ERROR", "ScpiSource"]

IDENTIFY: Final = "*IDN?"
NEXT_ERROR: Final = "SYST:ERR?"
_LONGEST_ANSWER: Final = 1024
_ERRORS_AT_ONCE: Final = 20
_SYNC_PAUSE_NS: Final = 100_000_000
_LONGEST_PAUSE_NS: Final = 2_000_000_000


@dataclass(slots=True)
class _Asked:
    """The question that is out."""

    purpose: Literal["identity", "poll", "errors", "current"]
    text: str
    sent_ns: int
    poll: Poll[ScpiQuery] | None = None


class ScpiSource(Source):
    """A SCPI instrument; each answer becomes a frame of its own.

    A frame's time is halfway between question and answer, which is wrong by half of the time between them at
    the most.

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
        super().__init__(
            name,
            place=spec.port,
            clock=spec.clock,
            silent_after_s=spec.silent_after_s,
            reopen_when_silent_s=TCP_SILENCE_S + spec.silent_after_s if over_network(spec.port) else None,
            rng=rng,
            now=now,
        )
        self.identity: str | None = None
        self._spec = spec
        self._timeout_ns = round(spec.timeout_s * 1e9)
        self._polls = Timetable([Poll(q, round((q.period_s or spec.period_s) * 1e9)) for q in spec.queries])
        self._port: SerialPort | None = None
        self._splitter = Splitter(_LONGEST_ANSWER)
        self._overlong = 0
        self._asked: _Asked | None = None
        self._synced = False
        self._sync_tries = 0
        self._sync_ns = 0
        self._candidate: str | None = None
        self._errors_ns: int | None = 0
        self._errors_failed = 0
        self._errors_read = 0
        self._notices = Notices()
        self._cut = None if spec.supply is None else SupplyCut(spec.supply)
        self._said: list[tuple[int, Heard]] = []

    # -- the driver ----------------------------------------------------------------------------------------

    def _open(self) -> None:
        self._port = SerialPort(self.place, self._spec.baud, self._spec.framing)
        self._splitter.restart()
        self._asked = self._candidate = None
        self._synced = False
        self._sync_tries = self._errors_failed = self._errors_read = 0
        self._sync_ns = self._errors_ns = 0
        self._polls.restart(self._now())

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _wake(self) -> None:
        port = self._port
        if port is not None:
            port.wake()

    def _take(self, timeout_s: float) -> Iterable[tuple[int, Heard]]:
        assert self._port is not None
        if self._asked is None:
            self._ask_next(self._now())
        chunk = self._port.read(min(timeout_s, self._wait_s(self._now())))
        received_ns = self._now()
        for line in self._lines(chunk):
            self._line(line, received_ns)
        asked = self._asked
        if asked is not None and received_ns - asked.sent_ns > self._timeout_ns:
            self._asked = None
            self._not_answered(asked, received_ns)
        said, self._said = self._said, []
        return said

    def _say(self, command: Command) -> None:
        assert command.number is not None  # the outbox numbers every command
        cut = self._cut
        if cut is None or command.action not in ("trip", "reset"):
            raise PortError("this instrument takes no such command", place=self.name, value=command.action)
        now = self._now()
        if command.action == "reset":
            # Nothing is sent: the output is switched on again by hand, at the instrument.
            self._said.append((now, WireReply(command.number, True)))
            return
        if cut.open(now) and self._asked is not None:
            # It was cut a moment ago and is being asked what flows: to break in would lose the answer.
            cut.off_due = True
        else:
            self._write_off(cut)
            self._asked, self._synced, self._sync_tries, self._sync_ns = None, False, 0, now
        cut.order(command.number, now)

    def send(self, command: Command) -> int:
        """See `Source`. SCPI knows no heartbeat, so none is sent; 0 is returned for it."""
        return 0 if command.action == "beat" else super().send(command)

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
        if cut is not None and cut.ask_now(now):
            if cut.off_due:
                self._write_off(cut)
            self._ask("current", cut.spec.current)
        elif self._errors_ns is not None and now >= self._errors_ns:
            self._ask("errors", NEXT_ERROR)
        else:
            poll = self._polls.due(now)
            if poll is not None:
                self._ask("poll", poll.question.ask, poll)

    def _ask(
        self,
        purpose: Literal["identity", "poll", "errors", "current"],
        text: str,
        poll: Poll[ScpiQuery] | None = None,
    ) -> None:
        assert self._port is not None
        self._asked = _Asked(purpose, text, self._now(), poll)
        self._port.write(text.encode("ascii") + self._spec.line_end.encode("ascii"))

    def _write_off(self, cut: SupplyCut) -> None:
        assert self._port is not None
        end = self._spec.line_end
        # The line end first: a question of ours may have broken off half-way.
        self._port.write(f"{end}{cut.spec.off}{end}".encode("ascii"))
        cut.off_due = False

    def _wait_s(self, now: int) -> float:
        if self._asked is not None:
            return max(0.0, (self._asked.sent_ns + self._timeout_ns - now) / 1e9)
        if not self._synced:
            return max(0.0, (self._sync_ns - now) / 1e9)
        verifying = self._cut is not None and self._cut.open(now)
        return min(self._polls.wait_s(now), 0.05 if verifying else math.inf)

    # -- hearing -------------------------------------------------------------------------------------------

    def _lines(self, chunk: bytes) -> list[str]:
        if not chunk:
            return []
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
        if not text or (asked is not None and text == asked.text):
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
                    self._current_read(text, received_ns)
            except FrameError as exc:
                self.counters.malformed += 1
                self.counters.last_error = f"{asked.text}: {exc}"
                self.witness.refused(shown(text), exc.message, asked=asked.text)
                self._failed(asked, received_ns)
                self._doubt(exc.message)

    def _answered(self, asked: _Asked, text: str, received_ns: int) -> None:
        assert asked.poll is not None
        names = asked.poll.question.names
        values = parse_numbers(text, len(names))
        fields = dict(zip(names, values, strict=True))
        seq, ms = as_count(fields.pop("seq", None)), as_count(fields.pop("ms", None))
        for name, value in fields.items():
            if not math.isfinite(value):
                fields[name] = math.nan
                self.counters.overrange += 1
        asked.poll.answered(received_ns)
        self.witness.took(shown(text), fields, asked=asked.text)
        frame = WireFrame(
            fields, NO_SEQ if seq is None else seq, ms, False, (received_ns - asked.sent_ns) // 2
        )
        self._said.append((received_ns, frame))

    def _not_answered(self, asked: _Asked, now: int) -> None:
        self.counters.timeouts += 1
        self.counters.last_error = f"no answer to {asked.text} within {self._spec.timeout_s:g} s"
        self.witness.refused("", f"no answer within {self._spec.timeout_s:g} s", asked=asked.text)
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
        words = f"reports {error} ({error.group} error)"
        self.counters.last_error = f"the instrument {words}"
        if self._notices.fresh(words, now):
            self._event("notice", f"the instrument {words}")

    def _current_read(self, text: str, now: int) -> None:
        assert self._cut is not None
        number = self._cut.read(text, now)
        amps = self._cut.amps
        if number is not None:
            self._said.append((now, WireReply(number, True)))
            self._event("notice", f"the output is cut: {amps:.3g} A flow")
        else:
            self.counters.last_error = f"after {self._cut.spec.off} it still reads {amps:.3g} A"
