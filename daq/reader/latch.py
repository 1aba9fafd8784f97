"""The latch of a trip: a tiny file of its own, so that a standing trip outlives process, store and power.

It is kept in three places: in the store's folder, where it always is; beside the bench file, while a trip
stands; and in the runtime folder in memory, for the day when no disk takes anything. The highest serial
number of them counts, so that each can do without the others: neither a new store, nor a lost logbook, nor a
full disk makes it forget a trip.

A place is written with fsync and rename. The file that is renamed away becomes the spare that the next
writing fills, so that a full disk, which gives no block to a new file, still takes a trip.
"""

from __future__ import annotations

import hashlib
import os
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import orjson

from daq.bench import Bench
from daq.errors import LyewatchError
from daq.reader.channel import runtime_folder
from daq.store import TripRecord

__all__ = ["LatchPlace", "LatchState", "TripLatch", "latch_places"]

_SIZE: Final = 4096
"""A file's size [bytes]: one block, which is taken once and never asked for again."""
_AGAIN_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class LatchPlace:
    """One file of the latch.

    Attributes
    ----------
    path : Path
    durable : bool
        Whether it outlives a power cut.
    always : bool
        Whether the file is there without a trip too; else it is removed when the trip is cleared.
    """

    path: Path
    durable: bool = True
    always: bool = True


@dataclass(frozen=True, slots=True)
class LatchState:
    """What the latch says.

    Attributes
    ----------
    serial : int
        Grows by one with each change.
    trip : TripRecord or None
        The trip that stands, with the causes that came later; None while none does.
    changed_utc_ns : int
        When it was set or cleared [ns]; 0 where it never was.
    cleared_by, cleared_reason : str
        Who took the last reset on himself, and why.
    bench : str
        The name of the bench whose trip it is.
    """

    serial: int = 0
    trip: TripRecord | None = None
    changed_utc_ns: int = 0
    cleared_by: str = ""
    cleared_reason: str = ""
    bench: str = ""

    def encode(self) -> bytes:
        """As it stands in a file, filled up to its size with spaces."""
        text = orjson.dumps({"version": 1, **asdict(self)}, option=orjson.OPT_INDENT_2)
        return text.ljust(-(-len(text) // _SIZE) * _SIZE - 1) + b"\n"

    @classmethod
    def decode(cls, data: bytes) -> LatchState:
        """Read a file's bytes.

        Raises
        ------
        ValueError, KeyError, TypeError
            When they are no latch.
        """
        body = orjson.loads(data)
        trip = body["trip"]
        return cls(
            int(body["serial"]),
            None if trip is None else _trip(trip),
            int(body["changed_utc_ns"]),
            str(body["cleared_by"]),
            str(body["cleared_reason"]),
            str(body["bench"]),
        )


def _trip(body: dict[str, Any]) -> TripRecord:
    return TripRecord(**{**body, "later": tuple(_trip(later) for later in body["later"])})


def latch_places(bench: Bench) -> list[LatchPlace]:
    """Where the latch of a bench is kept."""
    places = [
        LatchPlace(bench.store_folder / "trip.json"),
        LatchPlace(bench.path.with_suffix(".trip.json"), always=False),
    ]
    with suppress(LyewatchError):
        name = hashlib.sha256(os.fsencode(bench.path.absolute())).hexdigest()[:16]
        places.append(LatchPlace(runtime_folder() / f"{name}.trip.json", durable=False))
    return places


class TripLatch:
    """Keeps a standing trip on disk; reads and writes in a thread of its own, and never holds up its caller.

    Parameters
    ----------
    places : sequence of LatchPlace
        Its files.
    bench : str
        The name of the bench.
    say : callable
        Takes one line of text when a trip can not be written down, and when it could be again.

    Attributes
    ----------
    ready : threading.Event
        Set once the files have been read.
    state : LatchState
        What stands now; before `ready`, nothing.
    known : bool
        Whether any file was there and could be read.
    """

    def __init__(
        self, places: Sequence[LatchPlace], bench: str = "", say: Callable[[str], None] = lambda line: None
    ) -> None:
        self.ready = threading.Event()
        self.state = LatchState()
        self.known = False
        self._places = tuple(places)
        self._written = dict.fromkeys(self._places, -1)
        """The serial number of what each place has."""
        self._bench = bench
        self._say = say
        self._logged = 0
        self._failed: str | None = None
        self._tried = -1
        self._changed = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="latch", daemon=True)

    @property
    def logged(self) -> bool:
        """Whether what stands now would be found after a power cut."""
        return self._logged >= self.state.serial

    def start(self) -> None:
        """Read the files; returns at once."""
        self._thread.start()

    def set(self, trip: TripRecord, *, own: bool = True) -> None:
        """A trip stands, or more is known of the one that does; returns at once.

        Parameters
        ----------
        trip : TripRecord
        own : bool
            Whether it is known to be this bench's, and not one that was found in its store.
        """
        self._change(replace(self.state, trip=trip, bench=self._bench if own else ""))

    def clear(self, who: str, reason: str) -> None:
        """The trip was reset; returns at once."""
        self._change(replace(self.state, trip=None, cleared_by=who, cleared_reason=reason))

    def close(self, within_s: float = 2.0) -> None:
        """Wait until what stands is written, but not longer than this [s]."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        if self._thread.is_alive():
            self._thread.join(within_s)

    # -- the thread ----------------------------------------------------------------------------------------

    def _change(self, state: LatchState) -> None:
        with self._changed:
            self.state = replace(state, serial=self.state.serial + 1, changed_utc_ns=time.time_ns())
            self._changed.notify()

    def _run(self) -> None:
        found = self._read()
        with self._changed:
            # What was set before it was read is newer than what was found.
            early = self.state
            self.known = found is not None
            self.state = found or LatchState()
            if early.serial:
                self.state = replace(early, serial=self.state.serial + early.serial)
            else:
                self._logged = self.state.serial
        self.ready.set()
        # What was found is written again: a place that was lost or had missed something has it then too, and
        # the files are there before a disk is full.
        while True:
            with self._changed:
                behind = self._behind(self.state)
                if not self._closing and (not behind or self._tried == self.state.serial):
                    # A place that could not be written is tried again, though another has it.
                    self._changed.wait(_AGAIN_S if behind else None)
                state, closing = self.state, self._closing
            if self._behind(state):
                self._write(state)
            if closing:
                return

    def _behind(self, state: LatchState) -> list[LatchPlace]:
        """The places that have not what stands."""
        return [place for place in self._places if self._written[place] < state.serial]

    def _read(self) -> LatchState | None:
        """The newest of what can be read. A file that can not be read is a trip where there is no other."""
        found: list[LatchState] = []
        damaged: list[str] = []
        for place in self._places:
            try:
                found.append(LatchState.decode(place.path.read_bytes()))
            except FileNotFoundError:
                continue
            except (OSError, ValueError, KeyError, TypeError) as exc:
                if not isinstance(exc, NotADirectoryError):
                    damaged.append(f"{place.path}: {exc}")
        if found:
            return max(found, key=lambda state: state.serial)
        if damaged:
            words = "the file that would say whether a trip stands can not be read"
            self._say(f"{words}: {'; '.join(damaged)}")
            now = time.time_ns()
            trip = TripRecord(now, "", 0, "latch.unreadable", words, None, "guard")
            return LatchState(1, trip, now, bench=self._bench)
        return None

    def _has(self, place: LatchPlace, state: LatchState) -> bool:
        """Whether a place holds what stands, and not only lacks a trip that was cleared."""
        return self._written[place] >= state.serial and (place.always or state.trip is not None)

    def _write(self, state: LatchState) -> None:
        errors = []
        for place in self._behind(state):
            try:
                if state.trip is None and not place.always:
                    place.path.unlink(missing_ok=True)
                    _spare(place.path).unlink(missing_ok=True)
                else:
                    _put(place.path, state.encode())
            except OSError as exc:
                errors.append(f"{place.path}: {exc.strerror or exc}")
            else:
                self._written[place] = state.serial
        self._tried = state.serial
        if any(place.durable and self._has(place, state) for place in self._places):
            self._logged = state.serial
        words = None if self._logged >= state.serial else "; ".join(errors)
        if words is not None and self._failed is None:
            self._say(f"the trip could not be written down yet: {words}")
        elif words is None and self._failed is not None:
            self._say("the trip is written down now")
        self._failed = words


def _spare(path: Path) -> Path:
    return path.with_suffix(".spare")


def _put(path: Path, data: bytes) -> None:
    """Replace a file whole, without asking the disk for room where it was written before."""
    spare, old = _spare(path), path.with_suffix(".old")
    path.parent.mkdir(parents=True, exist_ok=True)
    with os.fdopen(os.open(spare, os.O_RDWR | os.O_CREAT, 0o644), "r+b", buffering=0) as file:
        file.write(data)
        if file.tell() < os.fstat(file.fileno()).st_size:
            file.truncate()
        os.fsync(file.fileno())
    with suppress(OSError):
        os.link(path, old)  # so that its block is not given back
    spare.replace(path)
    _sync_folder(path.parent)
    if old.exists():
        old.replace(spare)
    else:
        with suppress(OSError):
            spare.write_bytes(data)


def _sync_folder(folder: Path) -> None:
    """Make a rename safe from a power cut; where a folder can not be opened the system does so by itself."""
    with suppress(PermissionError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
