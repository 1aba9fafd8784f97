"""Following a reader as the service does: over the live channel."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from daq.bench import Bench
from daq.reader import Answer, ChannelAddress, ChannelClient, Reader
from daq.store import Store
from tests.waiting import wait_until

__all__ = ["Following", "ReaderThread", "following", "reading"]


class Following:
    """Keeps what a reader says.

    Attributes
    ----------
    state : dict
        The latest; empty before the first.
    run : dict
        The record of the run that samples go to.
    rows : list of dict
        All samples, each with its `run`.
    at_once : list of int
        How many samples came together, of each message with samples.
    events : list of dict
        Words of devices.
    """

    def __init__(self, bench: Bench) -> None:
        self.state: dict[str, Any] = {}
        self.run: dict[str, Any] = {}
        self.rows: list[dict[str, Any]] = []
        self.at_once: list[int] = []
        self.events: list[dict[str, Any]] = []
        self.lost: list[str] = []
        self.client = ChannelClient(ChannelAddress.of(bench), self._take, self.lost.append)
        self.client.start()

    def _take(self, message: dict[str, Any]) -> None:
        kind = message["type"]
        if kind == "state":
            self.state = message
        elif kind == "run":
            self.run = message["run"]
        elif kind == "samples":
            self.at_once.append(len(message["rows"]))
            self.rows += [{"run": message["run"], **row} for row in message["rows"]]
        elif kind == "event":
            self.events.append(message)

    @property
    def trip(self) -> dict[str, Any] | None:
        """The trip that stands."""
        trip: dict[str, Any] | None = self.state.get("trip")
        return trip

    @property
    def impaired(self) -> str | None:
        """Why nothing is being kept."""
        words: str | None = self.state.get("recording", {}).get("impaired")
        return words

    def ask(
        self,
        kind: str,
        body: Mapping[str, Any],
        who: str = "Ada",
        *,
        meanwhile: Callable[[], object] | None = None,
    ) -> Answer:
        """Ask for something and wait for the answer, doing something meanwhile."""
        wait_until(lambda: self.client.connected, "a reader")
        asked = self.client.ask(kind, body, who)

        def answered() -> bool:
            if meanwhile is not None and not asked.done():
                meanwhile()
            return asked.done()

        wait_until(answered, f"an answer to {kind}")
        return asked.result()


@contextmanager
def following(bench: Bench) -> Iterator[Following]:
    """Follow a bench's reader."""
    it = Following(bench)
    try:
        yield it
    finally:
        it.client.close()


class ReaderThread:
    """A reader in a thread of the test's own process."""

    def __init__(self, bench: Bench, open_store: Callable[[], Store] | None = None) -> None:
        self.bench = bench
        self.lines: list[str] = []
        self.store: Store | None = None
        self.leave_open = False
        self.failure: BaseException | None = None
        self._open = open_store or (lambda: Store(bench.store_folder, writer=True))
        self.reader = Reader(bench, self._open_store, say=self.lines.append)
        self._stop = threading.Event()
        self.thread = threading.Thread(target=self._serve, name="reader")
        self.thread.start()

    def _open_store(self) -> Store:
        self.store = self._open()
        return self.store

    def _serve(self) -> None:
        try:
            self.reader.serve(self._stop, leave_open=lambda: self.leave_open)
        except BaseException as exc:  # looked at by the test
            self.failure = exc

    def close(self, within_s: float = 20.0) -> None:
        """End the reader."""
        self._stop.set()
        self.thread.join(within_s)
        assert not self.thread.is_alive(), "the reader does not end"


@contextmanager
def reading(bench: Bench, open_store: Callable[[], Store] | None = None) -> Iterator[ReaderThread]:
    """Run a reader."""
    it = ReaderThread(bench, open_store)
    try:
        yield it
    finally:
        it.close()
