"""Meters on a Modbus line or behind Modbus/TCP: registers are read in turn, several units on one line.

On a line nothing in an answer says which question it belongs to, beyond the unit and the function. A late
answer could be taken for the next of the same unit. So after a question that was not answered, and before the
first, the unit is asked to send a random word back (function 8, "Return Query Data", which does nothing else;
a unit that does not know the function says so, which serves as well). Units answer in the order in which they
are asked, so whatever was late has come before that. A unit that leaves function 8 unanswered is given
silence instead: `timeout_s` must then be more than a third of its slowest answer. Over TCP every answer
carries the number of its question.

Only questions are sent; the one exception is the number that is written to cut a supply at a trip. It waits
for no doubt to be settled, only for the answer that is out, since two who speak at once are not heard.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from pymodbus.pdu import ModbusPDU

from daq.bench import ModbusSpec
from daq.bench.modbus_spec import WRITES
from daq.errors import FrameError, PortError
from daq.sources.modbus_format import (
    ECHO,
    Answer,
    RtuLine,
    TcpStream,
    exception_words,
    frame_gap_s,
    query,
    write,
)
from daq.sources.modbus_map import ReadBlock, read_blocks
from daq.sources.polled import Asked, Cut, PolledSource
from daq.sources.polling import Poll
from daq.sources.serial_port import SerialPort

__all__ = ["ModbusSource"]

_BUSY: Final = (5, 6)
"""Exceptions that only ask for patience."""
_TRIES: Final = 2
_LEAST_QUIET_NS: Final = 1_000_000_000


@dataclass(slots=True)
class _Unit:
    """A device on the line."""

    number: int
    doubt: bool = True
    """Whether an answer may still come that belongs to an earlier question."""
    unechoed: int = 0
    quiet_until_ns: int = 0


@dataclass(slots=True, kw_only=True)
class _Asked(Asked[ReadBlock]):
    """The question that is out; without a poll it asks for a word back, or is the write that cuts."""

    unit: _Unit
    frame: bytes
    number: int
    sent_back: bool = False
    cuts: bool = False


class ModbusSource(PolledSource[ReadBlock, _Asked]):
    """Units whose registers are read.

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    spec : ModbusSpec
        Its port and registers.
    rng : random.Random, optional
        Source of the jitter, and of the words that are sent to and fro.
    now : callable
        See `Source`.
    """

    def __init__(
        self,
        name: str,
        spec: ModbusSpec,
        *,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        blocks = read_blocks(spec.registers, spec.period_s)
        polls = [Poll(block, round(block.period_s * 1e9)) for block in blocks]
        super().__init__(name, spec, polls, rng=rng, now=now)
        self._spec = spec
        self._gap_ns = 0 if spec.tcp else round(frame_gap_s(spec.baud) * 1e9)
        units = {block.unit for block in blocks} | (set() if spec.supply is None else {spec.supply.unit})
        self._units = {unit: _Unit(unit) for unit in sorted(units)}
        self._line: RtuLine | TcpStream = TcpStream() if spec.tcp else RtuLine(set(self._units))
        self._dice = rng or random.Random()  # noqa: S311 - a word to tell answers apart, not a secret
        self._free_ns = 0
        self._number = 0
        self._sends_back = False
        self._sent_back = 0

    # -- the driver ----------------------------------------------------------------------------------------

    def _open(self) -> None:
        url = f"socket://{self.place[len('tcp://') :]}" if self._spec.tcp else self.place
        self._port = SerialPort(url, self._spec.baud, self._spec.framing, place=self.place)
        self._line.restart()
        self._asked = None
        for unit in self._units.values():
            unit.doubt, unit.unechoed = True, 0
        self._polls.restart(self._now())

    def _trip(self, cut: Cut, number: int, now: int) -> None:
        cut.order(number, now)  # and written as soon as the line is free

    def _silence(self) -> str:
        return (
            "no unit answers; check the two wires and their order, baud rate, parity (framing) and the "
            "units' addresses"
        )

    # -- asking --------------------------------------------------------------------------------------------

    def _write_off(self, cut: Cut) -> None:
        """Write what cuts the supply."""
        assert self._port is not None
        spec = self._spec.supply
        assert spec is not None
        frame = self._encoded(write(spec.unit, WRITES[spec.write], spec.address, spec.off))
        now = self._now()
        words = f"unit {spec.unit} write {spec.write} {spec.address} = {spec.off}"
        unit = self._units[spec.unit]
        self._asked = _Asked(words=words, sent_ns=now, unit=unit, frame=frame, number=self._number, cuts=True)
        cut.written(now)
        self._port.write(frame)

    def _encoded(self, pdu: ModbusPDU) -> bytes:
        self._number = self._number % 0xFFFF + 1
        pdu.transaction_id = self._number
        return self._line.encode(pdu)

    def _poll_of_current(self) -> Poll[ReadBlock]:
        assert self._spec.supply is not None
        current = self._spec.supply.current
        return next(p for p in self._polls.polls if any(r.field == current for r in p.question.registers))

    def _ask_next(self, now: int) -> None:
        if now < self._free_ns:
            return
        cut = self._cut
        if cut is not None and cut.open(now) and cut.off_due:
            self._write_off(cut)
            return
        poll = self._polls.due(now)
        if cut is not None and cut.read_now(now):
            cut.wait(now)
            poll = self._poll_of_current()
        if poll is None:
            return
        block, unit = poll.question, self._units[poll.question.unit]
        if unit.doubt and not self._spec.tcp:
            if unit.unechoed < _TRIES:
                self._ask(unit, ECHO, self._dice.randrange(0x10000), 1, f"unit {unit.number} echo", None)
                return
            if now < unit.quiet_until_ns:
                self._put_off(unit, unit.quiet_until_ns)
                return
            unit.doubt = False
        self._ask(unit, block.function, block.address, block.count, block.words, poll)

    def _ask(
        self, unit: _Unit, function: int, address: int, count: int, words: str, poll: Poll[ReadBlock] | None
    ) -> None:
        assert self._port is not None
        frame = self._encoded(query(unit.number, function, address, count))
        number = address if poll is None else self._number
        self._asked = _Asked(
            words=words, sent_ns=self._now(), poll=poll, unit=unit, frame=frame, number=number
        )
        self._port.write(frame)

    def _wait_s(self, now: int) -> float:
        soon_s = math.inf
        if self._cut is not None and self._cut.open(now):
            soon_s = 0.0 if self._cut.off_due else 0.05
        return max((self._free_ns - now) / 1e9, min(self._polls.wait_s(now), soon_s))

    def _put_off(self, unit: _Unit, until_ns: int) -> None:
        for poll in self._polls.polls:
            if poll.question.unit == unit.number:
                poll.due_ns = max(poll.due_ns, until_ns)

    # -- hearing -------------------------------------------------------------------------------------------

    def _hear(self, chunk: bytes, received_ns: int) -> None:
        self._free_ns = received_ns + self._gap_ns
        for answer in self._answers(chunk):
            self._answered(answer, received_ns)

    def _answers(self, chunk: bytes) -> Iterable[Answer]:
        line = self._line
        if isinstance(line, TcpStream):
            try:
                decoded = line.feed(chunk)
            except FrameError as exc:
                self.counters.malformed += 1
                raise PortError(exc.message, place=self.place, value=exc.value, remedy=exc.remedy) from exc
            self.counters.malformed += decoded.count(None)
            return [answer for answer in decoded if answer is not None]
        asked = self._asked
        if asked is None or asked.sent_back:
            return line.feed(chunk)
        # An adapter that hears itself sends our question back. Only reading shows it: the answer to function
        # 8 is the question's very bytes.
        # And so it is with a write; what was taken for its answer then is verified by what flows.
        own = asked.frame if asked.poll is not None or self._sends_back else b""
        answers = line.feed(chunk, own)
        if line.sent_back != self._sent_back:
            self._sent_back = line.sent_back
            asked.sent_back = True
            if not self._sends_back:
                self._learn_sent_back()
        return answers

    def _learn_sent_back(self) -> None:
        """The adapter hears itself: what was taken for a word sent back may have been our own."""
        self._sends_back = True
        for unit in self._units.values():
            unit.doubt = True

    def _answered(self, answer: Answer, received_ns: int) -> None:
        asked = self._asked
        if asked is None or not self._belongs(answer, asked):
            self.counters.late += 1
            if answer.function == ECHO and answer.echo and not self._sends_back:
                # The second of its kind: the first was our own question, heard by the adapter.
                self._learn_sent_back()
            elif asked is None and answer.unit in self._units:
                self._units[answer.unit].doubt = True
            return
        self._asked = None
        asked.unit.unechoed = 0
        if asked.cuts:
            if answer.exception:
                # It is repeated by whoever ordered it.
                self._notice(f"{asked.words}: {exception_words(answer.exception)}", received_ns)
        elif asked.poll is None:
            asked.unit.doubt = False
        elif answer.exception:
            self._refused(asked, asked.poll.question, answer.exception, received_ns)
        else:
            self._read(asked, asked.poll, answer, received_ns)

    def _belongs(self, answer: Answer, asked: _Asked) -> bool:
        if answer.unit != asked.unit.number:
            return False
        if asked.cuts:
            assert self._spec.supply is not None
            same = not self._spec.tcp or answer.transaction == asked.number
            return same and answer.function == WRITES[self._spec.supply.write]
        if asked.poll is None:
            wanted = asked.number.to_bytes(2, "big")
            return answer.function == ECHO and (answer.exception != 0 or answer.echo == wanted)
        if self._spec.tcp and answer.transaction != asked.number:
            return False
        return answer.function == asked.poll.question.function

    def _read(self, asked: _Asked, poll: Poll[ReadBlock], answer: Answer, received_ns: int) -> None:
        try:
            fields = poll.question.values(answer)
        except FrameError as exc:
            self.counters.malformed += 1
            self.counters.last_error = str(exc)
            self.transcript.refused(f"{answer.size} bytes", exc.message, asked=asked.words)
            self._failed(asked.unit, poll, received_ns)
            return
        self._read_fields(asked, fields, received_ns)
        self.transcript.took(_shown(answer), fields, asked=asked.words)

    def _refused(self, asked: _Asked, block: ReadBlock, code: int, received_ns: int) -> None:
        """The unit is there and says that it has no value: that is bad, not missing."""
        words = exception_words(code)
        self.counters.device_errors += 1
        self.transcript.refused(words, "the unit refuses", asked=asked.words)
        if code in _BUSY:
            self.counters.last_error = f"{asked.words}: {words}"
        else:
            self._notice(f"{asked.words}: {words}", received_ns)
        fields = {r.field: math.nan for r in block.registers}
        self._read_fields(asked, fields, received_ns)

    def _read_fields(self, asked: _Asked, fields: dict[str, float], received_ns: int) -> None:
        self._give(asked, fields, received_ns, checked=True)
        supply = self._spec.supply
        if self._cut is not None and supply is not None and supply.current in fields:
            self._flows(self._cut, fields[supply.current], asked, received_ns)

    def _not_answered(self, asked: _Asked, now: int) -> None:
        counters, line = self.counters, self._line
        problem = f"no answer within {self._spec.timeout_s:g} s"
        if isinstance(line, RtuLine) and line.spoiled:
            counters.bad_crc += 1
            problem = "the checksum is wrong: look at the wiring, its ends, and parity"
        elif line.pending:
            counters.malformed += 1
            problem = f"{line.pending} bytes came that are no answer"
        else:
            counters.timeouts += 1
        counters.last_error = f"{asked.words}: {problem}"
        self.transcript.refused("", problem, asked=asked.words)
        if not self._spec.tcp:
            line.restart()
        if asked.cuts:
            asked.unit.doubt = True
            self._notice(f"{asked.words}: {problem}", now)
        elif asked.poll is None:
            asked.unit.unechoed += 1
            asked.unit.quiet_until_ns = now + max(_LEAST_QUIET_NS, 2 * self._timeout_ns)
        else:
            self._failed(asked.unit, asked.poll, now)

    def _failed(self, unit: _Unit, poll: Poll[ReadBlock], now: int) -> None:
        """A read came to nothing: the unit is asked more rarely, so that the others keep their pace."""
        if not unit.doubt:
            self.counters.resyncs += not self._spec.tcp
        unit.doubt = True
        poll.failed(now)
        self._put_off(unit, min(poll.due_ns, now + self._timeout_ns))


def _shown(answer: Answer) -> str:
    if answer.registers:
        return " ".join(f"{register:04X}" for register in answer.registers[:20])
    return "".join("1" if bit else "0" for bit in answer.bits[:64])
