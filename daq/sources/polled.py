"""What SCPI and Modbus have in common: one question out at a time, its answer, and the cut of a supply."""

from __future__ import annotations

import math
import random
import time
from abc import abstractmethod
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from daq.bench import ModbusSpec, ScpiSpec
from daq.errors import PortError
from daq.frame import NO_SEQ
from daq.sources.base import Source
from daq.sources.outbox import Command
from daq.sources.polling import Notices, Poll, Timetable, as_count
from daq.sources.reading import Message, Reading, Reply
from daq.sources.serial_port import TCP_SILENCE_S, SerialPort, over_network

__all__ = ["Asked", "Cut", "PolledSource"]

_READ_EVERY_NS: Final = 100_000_000
_READ_FOR_NS: Final = 10_000_000_000

Q = TypeVar("Q")


@dataclass(slots=True, kw_only=True)
class Asked(Generic[Q]):
    """The question that is out, in words fit for a message; with its poll where the timetable has it."""

    words: str
    sent_ns: int
    poll: Poll[Q] | None = None


A = TypeVar("A", bound=Asked)  # type: ignore[type-arg] # of any question


class Cut:
    """A cut that was ordered, until what the supply reads has verified it.

    Parameters
    ----------
    amps_off : float
        Below how many amperes it counts as cut [A].

    Attributes
    ----------
    off_due : bool
        Whether it is to be written before the next question.
    amps : float
        The latest reading [A]; NaN before the first.
    """

    def __init__(self, amps_off: float) -> None:
        self.amps_off = amps_off
        self.off_due = False
        self.amps = math.nan
        self._number: int | None = None
        self._written_ns: int | None = None
        self._until_ns = self._read_ns = 0

    def order(self, number: int, now_ns: int) -> None:
        """Command `number` ordered it."""
        if not self.open(now_ns):
            self._written_ns = None
        self._number, self._until_ns, self._read_ns = number, now_ns + _READ_FOR_NS, now_ns
        self.off_due = True

    def open(self, now_ns: int) -> bool:
        """Whether one was ordered and is not verified yet; after ten seconds whoever ordered must again."""
        if self._number is not None and now_ns > self._until_ns:
            self._number, self.off_due = None, False
        return self._number is not None

    def written(self, now_ns: int) -> None:
        """It went out."""
        self.off_due, self._written_ns, self._read_ns = False, now_ns, now_ns

    def read_now(self, now_ns: int) -> bool:
        """Whether it is time to read what flows."""
        return self.open(now_ns) and self._written_ns is not None and now_ns >= self._read_ns

    def wait(self, now_ns: int) -> None:
        """What flows need not be read again at once."""
        self._read_ns = now_ns + _READ_EVERY_NS

    def read(self, amps: float, asked_ns: int) -> int | None:
        """Take what flows, by a question of `asked_ns`; the command's number once the cut is verified."""
        if self._number is None or self._written_ns is None or asked_ns < self._written_ns:
            return None
        self.amps = amps
        if not (math.isfinite(amps) and abs(amps) < self.amps_off):
            return None
        number, self._number, self.off_due = self._number, None, False
        return number


class PolledSource(Source, Generic[Q, A]):
    """An instrument that is asked; each answer becomes a reading of its own, timed halfway.

    That is wrong by half of the time between question and answer at the most. A driver implements `_open`,
    `_ask_next`, `_hear`, `_not_answered` and `_trip`.

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    spec : ScpiSpec or ModbusSpec
        Its port, and what it is asked.
    polls : list of Poll
        The questions, each with its period.
    rng, now
        See `Source`.
    """

    def __init__(
        self,
        name: str,
        spec: ScpiSpec | ModbusSpec,
        polls: list[Poll[Q]],
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
        self._timeout_ns = round(spec.timeout_s * 1e9)
        self._polls = Timetable(polls)
        self._port: SerialPort | None = None
        self._asked: A | None = None
        self._notices = Notices()
        self._cut = None if spec.supply is None else Cut(spec.supply.amps_off)
        self._decoded: list[tuple[int, Message]] = []

    # -- what a driver says --------------------------------------------------------------------------------

    @abstractmethod
    def _ask_next(self, now: int) -> None:
        """Ask what is due, if anything; no question is out."""

    @abstractmethod
    def _wait_s(self, now: int) -> float:
        """How long until something is due, while no question is out [s]."""

    @abstractmethod
    def _hear(self, chunk: bytes, received_ns: int) -> None:
        """Take what arrived."""

    @abstractmethod
    def _not_answered(self, asked: A, now: int) -> None:
        """A question's time is up; it is out no more."""

    @abstractmethod
    def _trip(self, cut: Cut, number: int, now: int) -> None:
        """Command `number` is to cut the supply."""

    # -- the driver ----------------------------------------------------------------------------------------

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _wake(self) -> None:
        port = self._port
        if port is not None:
            port.wake()

    def _take(self, timeout_s: float) -> Iterable[tuple[int, Message]]:
        assert self._port is not None
        now = self._now()
        if self._asked is None:
            self._ask_next(now)
        now = self._now()
        if self._asked is not None:
            wait_s = max(0.0, (self._asked.sent_ns + self._timeout_ns - now) / 1e9)
        else:
            wait_s = self._wait_s(now)
        chunk = self._port.read(min(timeout_s, wait_s))
        received_ns = self._now()
        if chunk:
            self._hear(chunk, received_ns)
        asked = self._asked
        if asked is not None and received_ns - asked.sent_ns > self._timeout_ns:
            self._asked = None
            self._not_answered(asked, received_ns)
        decoded, self._decoded = self._decoded, []
        return decoded

    def _say(self, command: Command) -> None:
        assert command.number is not None  # the outbox numbers every command
        if self._cut is None or command.action not in ("trip", "reset"):
            why = " and only reads" if self._cut is None else ""
            raise PortError(f"this source takes no such command{why}", place=self.name, value=command.action)
        now = self._now()
        if command.action == "reset":
            # Nothing is sent: the output is switched on again by hand, at the instrument.
            self._decoded.append((now, Reply(command.number, True)))
        else:
            self._trip(self._cut, command.number, now)

    def send(self, command: Command) -> int:
        """See `Source`. Instruments know no heartbeat, so none is sent; 0 is returned for it."""
        return 0 if command.action == "beat" else super().send(command)

    # -- answers -------------------------------------------------------------------------------------------

    def _give(self, asked: A, fields: dict[str, float], received_ns: int, *, checked: bool) -> None:
        """Hand over what a poll read."""
        assert asked.poll is not None
        asked.poll.answered(received_ns)
        seq, ms = as_count(fields.pop("seq", None)), as_count(fields.pop("ms", None))
        for name, value in fields.items():
            if not math.isfinite(value):
                fields[name] = math.nan
                self.counters.overrange += 1
        age_ns = (received_ns - asked.sent_ns) // 2
        reading = Reading(fields, NO_SEQ if seq is None else seq, ms, checked, age_ns)
        self._decoded.append((received_ns, reading))

    def _flows(self, cut: Cut, amps: float, asked: A, now: int) -> bool:
        """Take the supply's current [A]; True, with the reply handed over, once it verifies a cut."""
        number = cut.read(amps, asked.sent_ns)
        if number is None:
            return False
        self._decoded.append((now, Reply(number, True)))
        self._event("notice", f"the output is cut: {amps:.3g} A flow")
        return True

    def _notice(self, words: str, now: int) -> None:
        """Tell what an instrument complains of, at most once a minute."""
        self.counters.last_error = words
        if self._notices.fresh(words, now):
            self._event("notice", words)
