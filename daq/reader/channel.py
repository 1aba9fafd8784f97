"""The live channel between a bench's reader and whoever follows it on the same computer.

What leaves the reader goes over it at once and touches no disk: samples, the words of devices, how the guard
stands. What is asked of the reader comes in over it: cut, reset, start, stop, mark. One end is the reader's
`ChannelServer`; any number of clients (`ChannelClient`) are the other, each of them independent of the rest.

Connections and framing are those of `multiprocessing.connection`: a Unix socket, on Windows a named pipe.
Both ends prove by its HMAC challenge that they know a key, which lies beside the socket in a file that only
its owner may read. Each message is a JSON object with its kind under ``type``; nothing is pickled.

Nothing here makes the reader's loop wait. What is sent is put into the queue of each subscriber, who has
threads of his own; one whose queue is full is dropped, and counted.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import socket
import stat
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import AuthenticationError
from multiprocessing.connection import Client, Connection, Listener, answer_challenge, deliver_challenge
from pathlib import Path
from typing import Any, Final

import orjson

from daq.bench import Bench
from daq.errors import LyewatchError, PortError, StoreBusy

__all__ = ["CHANNEL_VERSION", "Answer", "ChannelAddress", "ChannelClient", "ChannelServer", "Subscriber"]

CHANNEL_VERSION: Final = 1
RUNTIME_VARIABLE: Final = "LYEWATCH_RUNTIME_DIR"
_QUEUE_BYTES: Final = 8 << 20
_QUEUE_MESSAGES: Final = 20_000
_MOST_SUBSCRIBERS: Final = 16
_LONGEST_REQUEST: Final = 1 << 20
_AGAIN_S: Final = (0.05, 0.1, 0.2, 0.5, 1.0)
"""Pauses before a client tries to connect again [s]; the last one stays."""


# -- where it is -------------------------------------------------------------------------------------------


def runtime_folder() -> Path:
    """The folder of sockets and keys: in memory where the system has such a place, and only its owner's.

    Returns
    -------
    Path
        What `LYEWATCH_RUNTIME_DIR` names; else ``lyewatch-UID`` in ``/dev/shm``, else in the folder for
        temporary files. It is made when it is not there.

    Raises
    ------
    PortError
        When it can not be made, or others may write to it.
    """
    named = os.environ.get(RUNTIME_VARIABLE)
    # Not every system knows users by number.
    user = getattr(os, "getuid", lambda: "user")()
    if named:
        folder = Path(named)
    else:
        shared = Path("/dev/shm")  # noqa: S108 - what is made in it is checked below
        folder = (shared if shared.is_dir() else Path(tempfile.gettempdir())) / f"lyewatch-{user}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except OSError as exc:
        raise PortError(
            f"can not hold the live channel: {exc.strerror or exc}",
            place=str(folder),
            remedy=f"name a folder of your own with {RUNTIME_VARIABLE}",
        ) from None
    foreign = isinstance(user, int) and (found.st_uid != user or found.st_mode & 0o022)
    if not stat.S_ISDIR(found.st_mode) or foreign:
        raise PortError(
            "others may write where the live channel is to be",
            place=str(folder),
            value=stat.filemode(found.st_mode),
            remedy=f"remove it, or name a folder of your own with {RUNTIME_VARIABLE}",
        )
    return folder


@dataclass(frozen=True, slots=True)
class ChannelAddress:
    """Where a bench's channel is: the socket or pipe, and the file with its key."""

    socket: str
    key: Path

    @classmethod
    def of(cls, bench: Bench) -> ChannelAddress:
        """The channel of a bench, by the folder of its store.

        Raises
        ------
        PortError
            When there is no fit folder for it.
        """
        return cls.at(bench.store_folder)

    @classmethod
    def at(cls, store_folder: Path) -> ChannelAddress:
        """The channel of the bench that is recorded in this folder. See `of`."""
        folder = runtime_folder()
        name = hashlib.sha256(os.fsencode(store_folder.absolute())).hexdigest()[:16]
        place = rf"\\.\pipe\lyewatch-{name}" if sys.platform == "win32" else str(folder / f"{name}.sock")
        return cls(place, folder / f"{name}.key")

    def write_key(self) -> bytes:
        """Make a new key and put it where only this user can read it."""
        key = secrets.token_bytes(32)
        self.key.unlink(missing_ok=True)
        with os.fdopen(os.open(self.key, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(key)
        return key

    def read_key(self) -> bytes:
        """The key of whoever listens there, or did last."""
        return self.key.read_bytes()


def _wake(connection: Connection[Any, Any]) -> None:
    """End whatever waits on a connection; its own threads then close it.

    To close it from here would let the system give its number to another file while they still use it.
    """
    if sys.platform == "win32":
        with suppress(OSError):
            connection.close()
        return
    with suppress(OSError):
        twin = socket.socket(fileno=os.dup(connection.fileno()))
        with twin:
            twin.shutdown(socket.SHUT_RDWR)


# -- the reader's end --------------------------------------------------------------------------------------


class _Queue:
    """Messages on their way out, bounded by their size; put without waiting, taken by one thread."""

    def __init__(self) -> None:
        self._messages: deque[bytes] = deque()
        self._bytes = 0
        self._closed = False
        self._changed = threading.Condition()

    def put(self, message: bytes) -> bool:
        """Add a message; False when there is no room, or it is closed."""
        with self._changed:
            full = self._bytes + len(message) > _QUEUE_BYTES or len(self._messages) >= _QUEUE_MESSAGES
            if self._closed or (full and self._messages):
                return False
            self._messages.append(message)
            self._bytes += len(message)
            self._changed.notify()
            return True

    def take(self) -> bytes | None:
        """The oldest message, waited for; None once it is closed."""
        with self._changed:
            while not self._messages and not self._closed:
                self._changed.wait()
            if self._closed:
                return None
            message = self._messages.popleft()
            self._bytes -= len(message)
            return message

    def drain(self, within_s: float) -> None:
        """Wait until everything has been taken, or so long [s]."""
        end = time.monotonic() + within_s
        while self._messages and time.monotonic() < end:
            time.sleep(0.005)

    def close(self) -> None:
        with self._changed:
            self._closed = True
            self._changed.notify()


class Subscriber:
    """One connection to the reader, from the reader's side.

    Attributes
    ----------
    patient : bool
        Whether it has said that nobody waits for samples there: they may be held for a moment.
    """

    def __init__(self, connection: Connection[Any, Any]) -> None:
        self.patient = False
        self._connection = connection
        self._queue = _Queue()
        self._writer: threading.Thread | None = None

    def send(self, message: bytes) -> bool:
        """Queue a message and return at once; False when the subscriber is too slow, or gone."""
        return self._queue.put(message)

    def answer(self, number: int, ok: bool, words: str) -> None:
        """Answer one of its requests.

        Parameters
        ----------
        number : int
            The request's `id`.
        ok : bool
            Whether it was done.
        words : str
            What was done, or why it was not.
        """
        self.send(orjson.dumps({"type": "answer", "id": number, "ok": ok, "message": words}))

    def drop(self) -> None:
        """Let it go: its threads end, and it may connect anew."""
        self._queue.close()
        _wake(self._connection)

    def serve(
        self, key: bytes, subscribed: Callable[[Subscriber], None], take: Callable[[Any], None]
    ) -> None:
        """Live in a thread of its own: prove each other, then hand over what it says, until it goes.

        Parameters
        ----------
        key : bytes
            The secret that both ends have.
        subscribed : callable
            Called with this, once each end has proved itself to the other.
        take : callable
            Called with each message, decoded.
        """
        try:
            deliver_challenge(self._connection, key)
            answer_challenge(self._connection, key)
            self._writer = threading.Thread(target=self._write, name="subscriber-writer", daemon=True)
            self._writer.start()
            subscribed(self)
            while True:
                take(orjson.loads(self._connection.recv_bytes(_LONGEST_REQUEST)))
        except (OSError, EOFError, AssertionError, AuthenticationError, orjson.JSONDecodeError):
            pass  # it went, or never was one of ours
        finally:
            self.drop()
            if self._writer is not None:
                self._writer.join()
            self._connection.close()

    def finish(self, within_s: float) -> None:
        """Give it time to hear what waits, then let it go."""
        self._queue.drain(within_s)
        self.drop()

    def _write(self) -> None:
        with suppress(OSError):
            while (message := self._queue.take()) is not None:
                self._connection.send_bytes(message)
        _wake(self._connection)


class ChannelServer:
    """The reader's end of the channel.

    Parameters
    ----------
    address : ChannelAddress
        Where to listen.
    subscribed : callable
        Told of a subscriber that has proved itself, in a thread of its own. Whoever is told sends it what it
        must know first, then calls `admit`.
    take : callable
        Takes a subscriber and what it said, in a thread of its own; what is no JSON object never comes here.

    Raises
    ------
    StoreBusy
        When another reader listens there.
    PortError
        When nothing can listen there.
    """

    def __init__(
        self,
        address: ChannelAddress,
        subscribed: Callable[[Subscriber], None],
        take: Callable[[Subscriber, Mapping[str, Any]], None],
    ) -> None:
        self.address = address
        self.dropped = 0
        self._subscribed = subscribed
        self._take = take
        self._admitted: list[Subscriber] = []
        self._connected: set[Subscriber] = set()
        self._lock = threading.Lock()
        self._closing = False
        _refuse_second(address)
        try:
            self._listener = Listener(address.socket, backlog=_MOST_SUBSCRIBERS)
            if sys.platform != "win32":
                Path(address.socket).chmod(0o600)
            self._key = address.write_key()
        except OSError as exc:
            raise PortError(
                f"can not hold the live channel: {exc.strerror or exc}",
                place=address.socket,
                remedy=f"name a folder of your own with {RUNTIME_VARIABLE}",
            ) from None
        threading.Thread(target=self._accept, name="channel", daemon=True).start()

    @property
    def subscribers(self) -> int:
        """How many follow now."""
        return len(self._admitted)

    @property
    def patient(self) -> bool:
        """Whether all who follow now are patient; see `Subscriber`."""
        return all(subscriber.patient for subscriber in self._admitted)

    def admit(self, subscriber: Subscriber) -> None:
        """Send it from now on all that is published."""
        with self._lock:
            if subscriber in self._connected:
                self._admitted = [*self._admitted, subscriber]

    def publish(self, message: Mapping[str, Any]) -> None:
        """Send a message to all; returns at once. Who can not keep up is dropped, and counted."""
        admitted = self._admitted
        if not admitted:
            return
        text = orjson.dumps(message, option=orjson.OPT_SERIALIZE_NUMPY)
        for subscriber in admitted:
            if not subscriber.send(text):
                self._forget(subscriber, dropped=True)
                subscriber.drop()

    def close(self, within_s: float = 0.5) -> None:
        """Let subscribers hear what waits for them [s], then end all connections and stop listening."""
        self._closing = True
        end = time.monotonic() + within_s
        for subscriber in list(self._connected):
            subscriber.finish(max(0.0, end - time.monotonic()))
        with suppress(OSError, EOFError):
            Client(self.address.socket).close()  # so that accepting returns
        with suppress(OSError):
            self._listener.close()
        with suppress(OSError):
            self.address.key.unlink()

    def _accept(self) -> None:
        while not self._closing:
            try:
                connection = self._listener.accept()
            except OSError:
                time.sleep(0.05)  # too many open files, or one that went at once
                continue
            subscriber = Subscriber(connection)
            with self._lock:
                room = len(self._connected) < _MOST_SUBSCRIBERS and not self._closing
                if room:
                    self._connected.add(subscriber)
            if not room:
                connection.close()
                continue
            threading.Thread(target=self._serve, args=(subscriber,), name="subscriber", daemon=True).start()

    def _serve(self, subscriber: Subscriber) -> None:
        def take(message: Any) -> None:
            if isinstance(message, dict):
                self._take(subscriber, message)

        try:
            subscriber.serve(self._key, self._subscribed, take)
        finally:
            self._forget(subscriber)

    def _forget(self, subscriber: Subscriber, *, dropped: bool = False) -> None:
        with self._lock:
            if dropped and subscriber in self._admitted:
                self.dropped += 1
            self._admitted = [s for s in self._admitted if s is not subscriber]
            self._connected.discard(subscriber)


def _refuse_second(address: ChannelAddress) -> None:
    """Make room for a listener: what a dead reader left is removed, a living one is left alone."""
    if sys.platform == "win32":
        return  # a named pipe goes with its process, and a second one by that name is refused
    try:
        Client(address.socket).close()
    except FileNotFoundError:
        return
    except OSError:
        with suppress(OSError):
            Path(address.socket).unlink()
        return
    raise StoreBusy(
        "another reader runs for this bench",
        place=address.socket,
        remedy="stop it first (`lyewatch read`, `lyewatch up`), or name another folder for the store",
    )


# -- the other end -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Answer:
    """What the reader answered to a request: whether it did it, and its words."""

    ok: bool
    message: str


class ChannelClient:
    """Follows a reader, and asks it for things; connects again by itself for as long as it is open.

    Parameters
    ----------
    address : ChannelAddress
        The reader's.
    take : callable
        Takes each message, from the client's own thread.
    lost : callable
        Takes words saying why there is no connection: when one ends, and once when none can be made.
    """

    def __init__(
        self,
        address: ChannelAddress,
        take: Callable[[dict[str, Any]], None],
        lost: Callable[[str], None] = lambda why: None,
    ) -> None:
        self.address = address
        self.connected = False
        self._take = take
        self._lost = lost
        self._closing = threading.Event()
        self._lock = threading.Lock()
        self._asked: dict[int, Future[Answer]] = {}
        self._number = 0
        self._queue: _Queue | None = None
        self._connection: Connection[Any, Any] | None = None
        self._thread = threading.Thread(target=self._run, name="channel-client", daemon=True)

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._thread.start()

    def close(self) -> None:
        """End the connection; what was asked and not answered fails."""
        self._closing.set()
        with self._lock:
            if self._connection is not None:
                _wake(self._connection)
        if self._thread.is_alive() and self._thread is not threading.current_thread():
            self._thread.join(2.0)

    def ask(self, kind: str, body: Mapping[str, Any], who: str = "") -> Future[Answer]:
        """Ask the reader for something.

        Parameters
        ----------
        kind : {"trip", "reset", "start", "stop", "mark"}
        body : mapping of str to object
            What goes with it, as JSON takes it; empty where nothing does.
        who : str
            The person's name; empty where none is given.

        Returns
        -------
        Future of Answer
            Fails with `PortError` when there is no connection, or it ends before the answer has come.
        """
        future: Future[Answer] = Future()
        with self._lock:
            self._number += 1
            number, queue = self._number, self._queue
            message = {"type": "request", "id": number, "kind": kind, "body": dict(body), "who": who}
            if queue is None or not queue.put(orjson.dumps(message)):
                future.set_exception(_away(self.address))
                return future
            self._asked[number] = future
        return future

    def tell(self, message: Mapping[str, Any]) -> bool:
        """Send a message that wants no answer; False when there is no connection."""
        with self._lock:
            return self._queue is not None and self._queue.put(orjson.dumps(dict(message)))

    def _run(self) -> None:
        tries, reported = 0, False
        while not self._closing.is_set():
            try:
                connection = Client(self.address.socket, authkey=self.address.read_key())
            except (OSError, EOFError, AssertionError, AuthenticationError) as exc:
                if not reported:
                    reported = True
                    self._lost(_why(exc))
                self._closing.wait(_AGAIN_S[min(tries, len(_AGAIN_S) - 1)])
                tries += 1
                continue
            tries, reported = 0, True
            why = self._follow(connection)
            if not self._closing.is_set():
                self._lost(why)

    def _follow(self, connection: Connection[Any, Any]) -> str:
        queue = _Queue()
        writer = threading.Thread(
            target=_pump, args=(queue, connection), name="channel-client-writer", daemon=True
        )
        with self._lock:
            self._connection, self._queue = connection, queue
        self.connected = True
        writer.start()
        try:
            while not self._closing.is_set():
                self._hear(orjson.loads(connection.recv_bytes()))
            return "closed"
        except (OSError, EOFError) as exc:
            return _why(exc)
        except orjson.JSONDecodeError as exc:
            return f"the reader said what is no JSON: {exc}"
        finally:
            self.connected = False
            queue.close()
            with self._lock:
                self._connection = self._queue = None
                asked, self._asked = self._asked, {}
            _wake(connection)
            writer.join()
            connection.close()
            for future in asked.values():
                future.set_exception(_away(self.address))

    def _hear(self, message: dict[str, Any]) -> None:
        if message.get("type") != "answer":
            self._take(message)
            return
        with self._lock:
            future = self._asked.pop(int(message["id"]), None)
        if future is not None:
            future.set_result(Answer(bool(message["ok"]), str(message["message"])))


def _pump(queue: _Queue, connection: Connection[Any, Any]) -> None:
    with suppress(OSError):
        while (message := queue.take()) is not None:
            connection.send_bytes(message)


def _why(exc: BaseException) -> str:
    if isinstance(exc, FileNotFoundError | ConnectionRefusedError):
        return "no reader runs for this bench"
    if isinstance(exc, EOFError | ConnectionError):
        return "the reader has ended"
    if isinstance(exc, PermissionError):
        return "the reader's channel belongs to another user"
    return str(exc) or type(exc).__name__


def _away(address: ChannelAddress) -> LyewatchError:
    return PortError(
        "the reader can not be reached",
        place=address.socket,
        remedy="see that `lyewatch read` runs; cut the supply by hand",
    )
