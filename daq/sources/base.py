"""What every source has in common: the thread, the deadlines, the reopening, the counting and the clock.

A driver only opens, reads, writes and closes. `Source` is for drivers that hand over what was said (a
recording, a polled instrument, a broker); `daq.sources.stream.StreamSource` is for those that hand over
bytes.
"""

from __future__ import annotations

import random
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from typing import Final

from daq.errors import LyewatchError, PortError
from daq.frame import Frame
from daq.sources.backoff import Backoff
from daq.sources.clock import ClockMode, DeviceClock
from daq.sources.counters import LinkCounters
from daq.sources.events import EventKind, Sink, SourceEvent
from daq.sources.outbox import Command, Outbox
from daq.sources.reading import Hello, Message, Reading, Reply
from daq.sources.sequence import SequenceTracker
from daq.sources.transcript import Transcript

__all__ = ["Source", "SourceEnded"]

_TAKE_S: Final = 0.25
_GRACE_NS: Final = 3_000_000_000
"""Many boards restart when their port is opened, and say nothing for a second or two."""
_FLAPS: Final = 3
"""A port that opens and goes so often without one frame is not told of each time: marks stay readable."""


class SourceEnded(Exception):  # noqa: N818 - not an error: there is no more to read
    """Raised by a driver whose data are at their end."""


class Source(ABC):
    """One device, read by one thread that no failure of the device ends.

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    place : str
        The port or file, for messages.
    clock : "host", "fitted" or "device"
        See `DeviceClock`.
    silent_after_s : float
        Without a good frame for so long the link counts as silent [s].
    reopen_when_silent_s : float, optional
        Open anew after so long a silence [s]: for links that can be dead without saying so (TCP).
    rng : random.Random, optional
        Source of the jitter.
    now : callable
        The host's monotonic clock [ns].

    Attributes
    ----------
    counters : LinkCounters
        What the link counts.
    delay_ns : int
        How long before a frame seems to have been measured it was in truth [ns].
    failure : BaseException or None
        Why the thread died, if it did.
    transcript : Transcript
        What was heard lately, where the kind of source keeps it.
    """

    def __init__(
        self,
        name: str,
        *,
        place: str,
        clock: ClockMode = "host",
        silent_after_s: float = 1.0,
        reopen_when_silent_s: float | None = None,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.name = name
        self.place = place
        self.counters = LinkCounters()
        self.delay_ns = 0
        self.failure: BaseException | None = None
        self.transcript = Transcript()
        self._now = now
        self._clock = DeviceClock(clock)
        self._sequence = SequenceTracker()
        self._outbox = Outbox()
        self._backoff = Backoff(rng=rng)
        self._silent_ns = round(silent_after_s * 1e9)
        self._reopen_ns = None if reopen_when_silent_s is None else round(reopen_when_silent_s * 1e9)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._sink: Sink | None = None
        self._ever_open = False
        self._loss_reported = False
        self._opened = False
        self._good_before = 0
        self._flaps = 0
        self._quiet_since = 0

    # -- what a driver says --------------------------------------------------------------------------------

    @abstractmethod
    def _open(self) -> None:
        """Open the port. Any exception means that it is not open."""

    @abstractmethod
    def _take(self, timeout_s: float) -> Iterable[tuple[int, Message]]:
        """What was heard, each with its receive time [ns], within `timeout_s`. An exception: port lost."""

    @abstractmethod
    def _say(self, command: Command) -> None:
        """Write a command. An exception means that it did not go out; it does not lose the port."""

    @abstractmethod
    def _close(self) -> None:
        """Close the port; called also when `_open` failed half-way, and twice."""

    def _wake(self) -> None:  # noqa: B027 - a driver that can not is only slower
        """Make a `_take` that waits return early. Called from other threads."""

    def _silence(self) -> str:
        """What to say of a silent link."""
        return "nothing is heard; check the cable, and that the device runs"

    # -- what the owner calls ------------------------------------------------------------------------------

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def start(self, sink: Sink) -> None:
        """Start reading. A source is started once."""
        if self._thread is not None:
            raise RuntimeError(f"source {self.name} was started before")
        self._sink = sink
        self._thread = threading.Thread(target=self._run, name=f"source-{self.name}", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 6.0) -> bool:
        """Stop reading and close the port. False if the thread did not come back in time [s]."""
        self._stopping.set()
        self._wake_safely()
        if self._thread is None or self._thread is threading.current_thread():
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def send(self, command: Command) -> int:
        """Queue a command; returns its number. Never blocks nor raises: what can not be sent is counted."""
        number = self._outbox.put(command, self._now())
        self._wake_safely()
        return number

    def withdraw(self, action: str) -> None:
        """Give up a command that waits, or is being repeated."""
        self._outbox.withdraw(action)

    # -- the thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                try:
                    self._session()
                except SourceEnded as exc:
                    self._event("ended", str(exc) or "there is no more to read")
                    break
                except Exception as exc:  # noqa: BLE001 - the link is lost and tried again
                    self._on_loss(exc)
                finally:
                    self._close_safely()
                if not self._stopping.is_set():
                    self._pause(self._backoff.next_s())
        except BaseException as exc:
            self.failure = exc
            self.counters.state = "failed"
            self.counters.last_error = f"the source's thread died: {exc!r}"
            self._event("failed", self.counters.last_error)
            raise  # threading.excepthook prints it with its trace
        self.counters.state = "closed"

    def _pause(self, seconds: float) -> None:
        self.counters.state = "waiting"
        self._stopping.wait(seconds)

    def _session(self) -> None:
        if not self._loss_reported:
            self.counters.state = "opening"
        self._opened = False
        self._open()
        self._opened, self._good_before = True, self.counters.good
        self._tell_open()
        self._quiet_since = self._now() + max(0, _GRACE_NS - self._silent_ns)
        while not self._stopping.is_set():
            self._send_due()
            for received_ns, message in self._take(self._patience_s()):
                self._accept(received_ns, message)
            self._watch_silence()

    def _patience_s(self) -> float:
        due = self._outbox.next_due_ns()
        if due is None:
            return _TAKE_S
        return min(_TAKE_S, max(0.0, (due - self._now()) / 1e9))

    def _send_due(self) -> None:
        for command in self._outbox.due(self._now()):
            try:
                self._say(command)
            except Exception as exc:  # noqa: BLE001 - reading says whether the port is gone
                self._outbox.refused(command, self._now())
                self.counters.last_error = f"{command.action} could not be sent: {exc}"
            else:
                self._outbox.sent(command, self._now())
                self.counters.commands_sent += 1
        self.counters.commands_dropped = self._outbox.dropped
        self.counters.unanswered = self._outbox.unanswered

    def _watch_silence(self) -> None:
        quiet = self._now() - self._quiet_since
        if self.counters.state == "open" and quiet > self._silent_ns:
            self.counters.state = "silent"
            words = self._silence()
            self.counters.last_error = words
            self._event("silent", words)
        if self._reopen_ns is not None and quiet > self._reopen_ns:
            raise PortError("silent for too long, opening it anew", place=self.place)

    def _tell_open(self) -> None:
        self.counters.state = "open"
        if not self._ever_open:
            self._event("opened", f"{self.place} is open")
        else:
            self.counters.reopened += 1
            if self._flaps < _FLAPS:
                self._event("reopened", f"{self.place} is open again")
        self._ever_open = True
        self._loss_reported = self._flaps >= _FLAPS

    def _on_loss(self, exc: Exception) -> None:
        error = exc if isinstance(exc, LyewatchError) else self._translate(exc)
        self.counters.last_error = str(error)
        self._outbox.lost(self._now())
        if self._opened and self.counters.good == self._good_before:
            self._flaps += 1
        if not self._loss_reported:
            self._loss_reported = True
            more = (
                "; it opens and goes again and again: quiet until frames come"
                if self._flaps >= _FLAPS
                else ""
            )
            self._event("lost", str(error) + more)

    def _translate(self, exc: Exception) -> LyewatchError:
        """A driver's foreign exception as one of ours. Drivers that know better say more."""
        return PortError(
            f"the port failed: {type(exc).__name__}: {exc}",
            place=self.place,
            remedy="it is tried again by itself; check the cable if it stays so",
        )

    # -- what was heard ------------------------------------------------------------------------------------

    def _accept(self, received_ns: int, message: Message) -> None:
        if isinstance(message, Reading):
            self._accept_frame(received_ns, message)
        elif isinstance(message, Reply):
            self.counters.replies += 1
            self._outbox.answered(message.number)
            words = f"command {message.number} " + (
                "done" if message.ok else f"refused: {message.why or 'no reason given'}"
            )
            self._event("reply", words, message)
        else:
            self._accept_hello(message)

    def _accept_frame(self, received_ns: int, reading: Reading) -> None:
        counters = self.counters
        verdict = self._sequence.see(reading.seq, reading.ms, reading.fields)
        if verdict.kind == "duplicate":
            counters.duplicates += 1
            return
        if verdict.kind == "restarted":
            counters.restarts += 1
            self._clock.restart()
            self._event("restarted", f"the device began anew, with frame {reading.seq}")
        counters.gaps += verdict.missing
        mono_ns, device_ms = self._clock.map(reading.ms, received_ns - reading.age_ns - self.delay_ns)
        counters.clock_steps = self._clock.steps
        counters.good += 1
        counters.unchecked += not reading.checked
        counters.last_frame_mono_ns = self._quiet_since = received_ns
        counters.state = "open"
        self._backoff.reset()
        if self._flaps:
            if self._flaps >= _FLAPS:
                self._event("reopened", f"{self.place} gives frames again")
            self._flaps, self._loss_reported = 0, False
        frame = Frame(
            self.name, mono_ns, reading.fields, reading.seq, device_ms, reading.checked, received_ns
        )
        assert self._sink is not None
        try:
            self._sink.frame(frame)
        except Exception as exc:  # noqa: BLE001 - a listener's fault: counted, and read on
            counters.dropped += 1
            counters.last_error = f"a frame was not taken: {type(exc).__name__}: {exc}"

    def _accept_hello(self, hello: Hello) -> None:
        began_anew = self.counters.good > 0
        self._sequence.restart()
        self._clock.restart()
        words = f"{hello.name} says hello, format version {hello.version}"
        if hello.problem:
            words += f"; {hello.problem}"
            self.counters.last_error = words
        self._event("hello", words)
        if began_anew:
            self.counters.restarts += 1
            self._event("restarted", f"the device {hello.name} began anew")

    def _event(self, kind: EventKind, text: str, reply: Reply | None = None) -> None:
        assert self._sink is not None
        try:
            self._sink.event(SourceEvent(self.name, kind, text, self._now(), reply))
        except Exception as exc:  # noqa: BLE001 - as with frames
            self.counters.dropped += 1
            self.counters.last_error = f"an event was not taken: {type(exc).__name__}: {exc}"

    # -- what may fail and must not matter -----------------------------------------------------------------

    def _close_safely(self) -> None:
        try:
            self._close()
        except Exception as exc:  # noqa: BLE001 - a port that is gone often fails to close
            self.counters.last_error = self.counters.last_error or f"closing failed: {exc}"

    def _wake_safely(self) -> None:
        try:
            self._wake()
        except Exception as exc:  # noqa: BLE001 - it may be closing just now; the wait is short anyway
            self.counters.last_error = self.counters.last_error or f"waking failed: {exc}"
