"""Telling people who are not at the page: through apprise, one thread and one bounded queue a receiver.

Nothing here is waited for. A message is put into the queues and forgotten by who sent it; a receiver that is
down or slow keeps its own thread busy and nobody else's. What does not get through in the end is counted and
said, and the service makes an alarm of it.

Where to comes from the environment alone. Addresses hold passwords and tokens in places that differ from
service to service, so that no part of one but its kind is ever shown, and apprise's own log, which names
hosts, is off.
"""

from __future__ import annotations

import logging
import os
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from daq.alarms import PRIORITIES
from daq.bench import NotifySpec
from daq.errors import UsageError

if TYPE_CHECKING:
    import apprise

__all__ = ["URLS_VARIABLE", "Note", "Notifier", "Receiver", "addresses", "check_address", "send_once"]

URLS_VARIABLE: Final = "LYEWATCH_NOTIFY_URLS"
QUEUE_NOTES: Final = 100
FAILING_AFTER_S: Final = 5.0
"""A message under way for longer is said to fail, though it is offered on [s]."""
FIRST_PAUSE_S: Final = 0.5
LONGEST_PAUSE_S: Final = 30.0
CLOSE_WITHIN_S: Final = 1.0
HUNG_AFTER_S: Final = 30.0
"""One offer of a message may take so long: then its thread is given up, and the message lost [s]."""
MOST_HUNG: Final = 3
"""Threads of a receiver that hang; with more no further one is begun until one of them has ended."""
NAMED_IN_GATHERED: Final = 8


log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Note:
    """What is to be told."""

    title: str
    body: str
    priority: str = "high"


def addresses(environment: Mapping[str, str] = os.environ) -> list[str]:
    """The receivers' addresses, which `LYEWATCH_NOTIFY_URLS` holds with spaces or new lines between them."""
    return environment.get(URLS_VARIABLE, "").split()


def send_once(address: str, note: Note) -> bool:
    """Offer a note to one receiver, once, and wait for it; False when it did not take it.

    Raises
    ------
    UsageError
        When the address is none that apprise knows. It is not repeated in the error.
    """
    # Imported here: it takes a tenth of a second, which a bench that tells nobody need not spend.
    import apprise

    way = _way(address)
    kind = apprise.NotifyType.FAILURE if note.priority == "critical" else apprise.NotifyType.WARNING
    return bool(
        # One without a body would be refused.
        way.notify(
            body=note.body or note.title,
            title=note.title,
            notify_type=kind,
            body_format=apprise.NotifyFormat.TEXT,
        )
    )


def check_address(address: str) -> None:
    """Look at an address without sending anything.

    Raises
    ------
    UsageError
        As `send_once`.
    """
    _way(address)


def _way(address: str) -> apprise.Apprise:
    import apprise

    logging.getLogger("apprise").disabled = True
    way = apprise.Apprise()
    if not way.add(address):
        raise UsageError(
            "holds an address that can not be used",
            place=URLS_VARIABLE,
            remedy="write each as KIND://..., as apprise's documentation gives it for the service you use",
        )
    return way


@dataclass(slots=True)
class Receiver:
    """One address, its queue and its thread.

    Parameters
    ----------
    number : int
        Its place in the environment variable, from 1, by which messages name it.
    address : str
    spec : NotifySpec
        How many, how long.
    send : callable
        Takes address and note; True when it was taken.
    """

    number: int
    address: str = field(repr=False)
    spec: NotifySpec
    send: Callable[[str, Note], bool] = send_once
    sent: int = 0
    lost: int = 0
    _queue: queue.Queue[Note] = field(default_factory=lambda: queue.Queue(maxsize=QUEUE_NOTES))
    _closing: threading.Event = field(default_factory=threading.Event)
    _deferred: list[Note] = field(default_factory=list)
    _deferred_more: int = 0
    _sent_s: deque[float] = field(default_factory=deque)
    _urgent_s: deque[float] = field(default_factory=deque)
    _begun_s: float | None = None
    _offer_s: float | None = None
    _wrong: str | None = None
    _thread: threading.Thread | None = None
    _hung: list[threading.Thread] = field(default_factory=list)

    @property
    def name(self) -> str:
        """Number and kind, which are all that may be shown of it."""
        scheme, sep, _ = self.address.partition("://")
        return f"receiver {self.number}" + (f" ({scheme})" if sep and scheme.isalnum() else "")

    def put(self, note: Note) -> None:
        """Have a note sent. Returns at once; where there is no room the oldest that waits is lost."""
        while True:
            try:
                self._queue.put_nowait(note)
            except queue.Full:
                with suppress(queue.Empty):
                    self._queue.get_nowait()
                self.lost += 1
                self._wrong = f"{self.name}: so many messages wait that {self.lost} were lost"
            else:
                return

    @property
    def failing(self) -> str | None:
        """What is wrong, in words; None when the last message was taken."""
        begun_s = self._begun_s
        if begun_s is not None and time.monotonic() - begun_s > FAILING_AFTER_S:
            return self._wrong or f"{self.name} does not take messages"
        return self._wrong if self._wrong is not None and (begun_s is None or self.lost) else None

    def start(self) -> None:
        """Begin to send."""
        self._begun_s = self._offer_s = None
        self._thread = threading.Thread(target=self._serve, name=f"notify-{self.number}", daemon=True)
        self._thread.start()

    def look(self) -> None:
        """See that its thread lives and does not hang; give up one that does, and begin another."""
        thread, offer_s = self._thread, self._offer_s
        if thread is None or self._closing.is_set():
            return
        self._hung = [hung for hung in self._hung if hung.is_alive()]
        if not thread.is_alive():
            self._wrong = f"{self.name}: its sending ended by a fault of this program, and was begun anew"
            self.start()
        elif offer_s is not None and time.monotonic() - offer_s > HUNG_AFTER_S:
            if len(self._hung) >= MOST_HUNG:
                self._wrong = f"{self.name} hangs, again and again; {self.lost} lost"
                return
            self.lost += 1
            self._wrong = f"{self.name} has hung for {HUNG_AFTER_S:.0f} s; {self.lost} lost"
            log.error("%s", self._wrong)
            self._hung.append(thread)
            self.start()

    def close(self, wait_s: float) -> None:
        """End; a message under way is waited for no longer than `wait_s`."""
        self._closing.set()
        if self._thread is not None:
            self._thread.join(wait_s)

    def _serve(self) -> None:
        if self.send is send_once:
            self._look_at_address()
        while not self._closing.is_set() and self._mine():
            try:
                self._hold_or_send(self._queue.get(timeout=0.1))
            except queue.Empty:
                pass
            if (self._deferred or self._deferred_more) and self._room(self._sent_s):
                self._deliver(self._gathered(), self._sent_s)

    def _mine(self) -> bool:
        """Whether the thread that asks is the one that sends; one that hung and was given up is not."""
        return threading.current_thread() not in self._hung

    def _hold_or_send(self, note: Note) -> None:
        # What is critical has room of its own: it must not wait behind a flood of lesser things.
        times = self._urgent_s if note.priority == "critical" else self._sent_s
        if self._room(times) and (note.priority == "critical" or not self._deferred):
            self._deliver(note, times)
        elif len(self._deferred) < NAMED_IN_GATHERED:
            self._deferred.append(note)
        else:
            self._deferred_more += 1

    def _room(self, times: deque[float]) -> bool:
        now = time.monotonic()
        while times and now - times[0] >= self.spec.within_s:
            times.popleft()
        return len(times) < self.spec.at_most

    def _gathered(self) -> Note:
        notes, more = self._deferred, self._deferred_more
        self._deferred, self._deferred_more = [], 0
        if len(notes) == 1 and not more:
            return notes[0]
        worst = min((n.priority for n in notes), key=PRIORITIES.index)
        lines = [n.title for n in notes] + ([f"and {more} more"] if more else [])
        return Note(f"{len(notes) + more} more alarms", "\n".join(lines), worst)

    def _deliver(self, note: Note, times: deque[float]) -> None:
        """Offer a note until it is taken, or for as long as the bench file says."""
        times.append(time.monotonic())
        begun_s = self._begun_s = time.monotonic()
        pause_s = FIRST_PAUSE_S
        while not self._offered(note):
            if not self._mine():
                return
            left_s = begun_s + self.spec.retry_for_s - time.monotonic()
            if left_s <= 0.0:
                self.lost += 1
                self._wrong = (
                    f"{self.name} took no message for {time.monotonic() - begun_s:.0f} s; {self.lost} lost"
                )
                break
            if self._closing.wait(min(pause_s, max(left_s, 0.05))):
                return
            pause_s = min(2.0 * pause_s, LONGEST_PAUSE_S)
        else:
            self.sent += 1
            if self._mine():
                self._wrong = None
        if self._mine():
            self._begun_s = None

    def _offered(self, note: Note) -> bool:
        self._offer_s = time.monotonic()
        taken = self.offer(note)
        if self._mine():
            self._offer_s = None
        return taken

    def _look_at_address(self) -> None:
        self._guarded(lambda: check_address(self.address))

    def offer(self, note: Note) -> bool:
        """Offer a note once and wait for the outcome; False when it was not taken. Raises nothing."""
        return bool(self._guarded(lambda: self.send(self.address, note)))

    def _guarded(self, do: Callable[[], bool | None]) -> bool | None:
        try:
            return do()
        except UsageError as exc:
            self._wrong = f"{self.name}: {exc.place} {exc.message}"
        except Exception as exc:  # noqa: BLE001 - a library's fault in here must not end the telling for good
            # Not the exception's words: those of network libraries repeat the address.
            self._wrong = f"{self.name} fails with {type(exc).__name__}"
        return None


class Notifier:
    """Tells all receivers of what is grave enough.

    Parameters
    ----------
    spec : NotifySpec
    to : sequence of str
        Addresses; with none nothing is ever sent.
    send : callable
        In place of apprise.
    """

    def __init__(
        self, spec: NotifySpec, to: Sequence[str], *, send: Callable[[str, Note], bool] = send_once
    ) -> None:
        self.spec = spec
        self.receivers = [Receiver(i, address, spec, send) for i, address in enumerate(to, start=1)]
        for receiver in self.receivers:
            receiver.start()

    def wants(self, priority: str) -> bool:
        """Whether what has this priority is sent on."""
        least = PRIORITIES.index(self.spec.minimum_priority)
        return bool(self.receivers) and PRIORITIES.index(priority) <= least

    def tell(self, note: Note) -> None:
        """Have a note sent to all. Returns at once."""
        for receiver in self.receivers:
            receiver.put(note)

    @property
    def failing(self) -> str | None:
        """What is wrong with one or more receivers, in words; None when all take messages.

        Whoever asks so watches over their threads: one that hangs or has died is replaced.
        """
        for receiver in self.receivers:
            receiver.look()
        return "; ".join(words for r in self.receivers if (words := r.failing)) or None

    def close(self) -> None:
        """End all threads, without waiting long."""
        end_s = time.monotonic() + CLOSE_WITHIN_S
        for receiver in self.receivers:
            receiver.close(0.0)
        for receiver in self.receivers:
            receiver.close(max(0.0, end_s - time.monotonic()))
