"""Commands on their way to a device: sent, repeated until answered, given up.

The rules are made for safety. A trip goes first, is repeated, waits for a port to come back, and takes back
a reset that has not gone out. A reset or a beat that is late is worse than none, so those expire.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

from daq.sources.wire import MAX_COMMAND_NUMBER

__all__ = ["Command", "Outbox"]

_MOST = 16


@dataclass(frozen=True, slots=True)
class Command:
    """What a device is to do: `trip`, `reset`, `beat`, or a word of its own.

    `number` is 1 to 65535 and comes back in the reply; None lets the source choose.
    """

    action: str
    number: int | None = None


@dataclass(frozen=True, slots=True)
class _Rule:
    tries: int
    every_ns: int
    expires_ns: int | None


_RULES = {
    "trip": _Rule(tries=8, every_ns=250_000_000, expires_ns=None),
    "reset": _Rule(tries=3, every_ns=500_000_000, expires_ns=2_000_000_000),
    "beat": _Rule(tries=1, every_ns=900_000_000, expires_ns=1_000_000_000),
}
_OTHER = _Rule(tries=1, every_ns=1_000_000_000, expires_ns=2_000_000_000)


@dataclass(slots=True)
class _Entry:
    command: Command
    rule: _Rule
    put_ns: int
    next_ns: int
    sent: int = 0


class Outbox:
    """A bounded, thread-safe store of commands by action: a newer one of the same action replaces the older.

    Attributes
    ----------
    dropped : int
        Commands that never went out: expired, taken back by a trip, or too many.
    unanswered : int
        Commands that went out as often as their rule allows, and got no reply.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self.unanswered = 0
        self._lock = threading.Lock()
        self._entries: dict[str, _Entry] = {}
        self._number = 0

    def __len__(self) -> int:
        return len(self._entries)

    def put(self, command: Command, now_ns: int) -> int:
        """Take a command in; returns its number."""
        with self._lock:
            number = command.number
            if number is None:
                number = self._number % MAX_COMMAND_NUMBER + 1
            self._number = number
            action = command.action
            if action == "trip":
                self._drop("reset")
            if action not in self._entries and len(self._entries) >= _MOST:
                self._drop(next(a for a in self._entries if a != "trip"))
            entry = _Entry(Command(action, number), _RULES.get(action, _OTHER), now_ns, now_ns)
            self._entries.pop(action, None)  # so that it goes to the end of the queue
            self._entries[action] = entry
            return number

    def due(self, now_ns: int) -> list[Command]:
        """What is to be written now, trips first. Whatever is past its time is given up here."""
        if not self._entries:
            return []
        with self._lock:
            for action, entry in list(self._entries.items()):
                rule = entry.rule
                if entry.sent >= rule.tries and now_ns >= entry.next_ns:
                    self.unanswered += 1
                    del self._entries[action]
                elif rule.expires_ns is not None and now_ns - entry.put_ns > rule.expires_ns:
                    self._drop(action)
            ready = [e.command for e in self._entries.values() if now_ns >= e.next_ns]
            return sorted(ready, key=lambda c: c.action != "trip")

    def next_due_ns(self) -> int | None:
        """When `due` has something to say next."""
        if not self._entries:
            return None
        with self._lock:
            return min((e.next_ns for e in self._entries.values()), default=None)

    def sent(self, command: Command, now_ns: int) -> None:
        """It was written."""
        with self._lock:
            entry = self._entries.get(command.action)
            if entry is not None and entry.command == command:
                entry.sent += 1
                entry.next_ns = now_ns + entry.rule.every_ns

    def refused(self, command: Command, now_ns: int) -> None:
        """It could not be written just now."""
        with self._lock:
            entry = self._entries.get(command.action)
            if entry is not None and entry.command == command:
                entry.next_ns = now_ns + entry.rule.every_ns

    def answered(self, number: int) -> None:
        """A reply came."""
        with self._lock:
            for action, entry in self._entries.items():
                if entry.command.number == number:
                    del self._entries[action]
                    return

    def withdraw(self, action: str) -> None:
        """It is no longer wanted; one that went out already is only not repeated."""
        with self._lock:
            self._drop(action)

    def lost(self, now_ns: int) -> None:
        """The port went away: a trip is kept and begins anew when it is back, the others are given up."""
        with self._lock:
            for action, entry in list(self._entries.items()):
                if action == "trip":
                    entry.sent, entry.next_ns = 0, now_ns
                else:
                    self._drop(action)

    def _drop(self, action: str) -> None:
        entry = self._entries.pop(action, None)
        if entry is None:
            return
        if entry.sent:
            self.unanswered += 1
        else:
            self.dropped += 1
