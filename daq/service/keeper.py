"""What the service has to do with the disk, in a thread of its own: the store is opened, the logbook written.

Nothing that people wait for waits for it. What is to be written down is written after the act, in the order
in which it came; a disk that is slow, full or gone is tried again, and told. While the store can not be
opened the live page, the alarms and the forecasts go on without it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from daq.errors import LyewatchError, StoreError
from daq.measure import LYE_MARKS
from daq.store import ARCHIVE_STATE, Logbook, Mark, Store

__all__ = ["Keeper"]

MOST_JOBS: Final = 5_000
REFUSED_WITHIN_S: Final = 2.0
AGAIN_S: Final = (0.5, 1.0, 2.0, 5.0)
"""Pauses before what failed is tried again [s]; the last one stays."""
SLOW_AFTER_S: Final = 5.0
"""A job under way for longer is told of [s]."""
FACTS_EVERY_S: Final = 5.0
COUNT_EVERY_S: Final = 30.0

log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Job:
    """Something to write; of those with the same key only the newest matters."""

    do: Callable[[Logbook], object]
    key: str | None


class Keeper:
    """Opens the store, writes to its logbook, and remembers what it last read there.

    Parameters
    ----------
    open_store : callable
        Opens it for reading samples; called again and again until it succeeds.
    opened : callable, optional
        Told once of the open store, in the keeper's thread.

    Attributes
    ----------
    dropped : int
        Writes that found no room.
    archive : dict or None
        What the sealing process said last.
    journal_rows : int or None
        Samples in the journal, as of some seconds ago.
    """

    def __init__(
        self, open_store: Callable[[], Store], opened: Callable[[Store], None] = lambda store: None
    ) -> None:
        self.dropped = 0
        self.archive: dict[str, Any] | None = None
        self.journal_rows: int | None = None
        self.run_id: str | None = None
        """The run that is followed: of its marks those that tell of the lye are looked at."""
        self.lye_marks: tuple[str, list[Mark]] = ("", [])
        """Of which run, and its marks that tell of the lye, as of some seconds ago."""
        self._open_store = open_store
        self._opened = opened
        self._store: Store | None = None
        self._ready = threading.Event()
        self._tried = threading.Event()
        self._jobs: deque[_Job] = deque()
        self._changed = threading.Condition()
        self._closing = False
        self._wrong: str | None = "the store is not open yet"
        self._begun_s: float | None = None
        self._looked_s = self._counted_s = -COUNT_EVERY_S
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._begun_s = time.monotonic()
        self._thread.start()

    @property
    def store(self) -> Store:
        """The open store.

        Raises
        ------
        StoreError
            While it can not be opened.
        """
        store = self._store
        if store is None:
            raise StoreError(
                f"the store is not open: {self._wrong}",
                remedy="see the reader's and the service's messages; live data and alarms go on meanwhile",
            )
        return store

    def wait_open(self, within_s: float) -> Store | None:
        """The store, waited for so long [s]; None where it is not open by then. Not for the event loop.

        One that refuses to open is waited for `REFUSED_WITHIN_S` at most: alarms stand still meanwhile.
        """
        began = time.monotonic()
        while not self._ready.wait(0.1):
            waited = time.monotonic() - began
            if waited >= within_s or (self._wrong is not None and waited >= REFUSED_WITHIN_S):
                break
        return self._store

    def wait_tried(self, within_s: float) -> None:
        """Wait until it was tried once to open the store, or so long [s]. Not for the event loop."""
        self._tried.wait(within_s)

    @property
    def impaired(self) -> str | None:
        """Why what should be in the logbook is not, in words; None while all is well."""
        begun_s = self._begun_s
        if self._wrong is None and begun_s is not None and time.monotonic() - begun_s > SLOW_AFTER_S:
            return f"the disk has taken {time.monotonic() - begun_s:.0f} s for one write to the logbook"
        if self._store is None and begun_s is not None and time.monotonic() - begun_s < SLOW_AFTER_S:
            return None  # opening it just now
        return self._wrong

    @property
    def waiting(self) -> int:
        """Writes that wait."""
        return len(self._jobs)

    def write(self, do: Callable[[Logbook], object], *, key: str | None = None) -> None:
        """Have something written; returns at once. With a `key`, in place of what waits under it."""
        with self._changed:
            if key is not None:
                for waiting in self._jobs:
                    if waiting.key == key:
                        waiting.do = do
                        return
            if len(self._jobs) >= MOST_JOBS:
                self._jobs.popleft()
                self.dropped += 1
            self._jobs.append(_Job(do, key))
            self._changed.notify()

    def close(self, within_s: float = 3.0) -> None:
        """Write what waits, for no longer than `within_s` [s], and close the store."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        if self._thread.is_alive():
            self._thread.join(within_s)

    # -- the thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        tries = 0
        while True:
            try:
                done = self._turn()
            except LyewatchError as exc:
                self._failed(str(exc))
            except Exception as exc:
                log.error("the keeper of the logbook failed", exc_info=exc)
                self._failed(f"{type(exc).__name__}: {exc}")
            else:
                tries = 0
                if done:
                    break
                continue
            if self._closing:
                break
            with self._changed:
                self._changed.wait(AGAIN_S[min(tries, len(AGAIN_S) - 1)])
            tries += 1
        if self._store is not None:
            self._store.close()

    def _failed(self, words: str) -> None:
        if self._wrong != words:
            log.error("the logbook can not be kept: %s", words)
        self._wrong = words
        self._tried.set()

    def _turn(self) -> bool:
        """Open the store, write one thing, or look at what others wrote; whether all is done for good."""
        store = self._store
        if store is None:
            if self._closing and not self._jobs:
                return True
            store = self._open_store()
            self._wrong = None
            self._store = store
            try:
                self._opened(store)
            finally:
                self._begun_s = None
                self._ready.set()
                self._tried.set()
        job = self._next()
        if job is None:
            if self._closing:
                return True
            self._look(store)
            return False
        self._begun_s = time.monotonic()
        try:
            job.do(store.logbook)
        except LyewatchError:
            self._again(job)
            raise
        finally:
            self._begun_s = None
        self._wrong = None
        self._look(store)
        return False

    def _next(self) -> _Job | None:
        with self._changed:
            if not self._jobs and not self._closing:
                self._changed.wait(FACTS_EVERY_S)
            return self._jobs.popleft() if self._jobs else None

    def _again(self, job: _Job) -> None:
        """Put it back to the front, unless a newer one of its key waits."""
        with self._changed:
            if job.key is None or all(other.key != job.key for other in self._jobs):
                self._jobs.appendleft(job)

    def _look(self, store: Store) -> None:
        now = time.monotonic()
        if now - self._looked_s < 0.9 * FACTS_EVERY_S:
            return
        self._looked_s = now
        self.archive = store.logbook.get_state(ARCHIVE_STATE)
        run_id = self.run_id
        if run_id is not None:
            self.lye_marks = (run_id, [m for m in store.logbook.list_marks(run_id) if m.kind in LYE_MARKS])
        if now - self._counted_s >= COUNT_EVERY_S:
            self._counted_s = now
            self.journal_rows = store.journal.count()
        self._wrong = None
