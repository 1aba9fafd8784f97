"""The thread of a source against drivers that fail in every place, with the waiting taken out."""

from __future__ import annotations

import queue
import random
import threading
from collections.abc import Callable

import pytest

from daq.errors import PortError
from daq.sources import Command, StreamSource, WireDecoder
from daq.sources.wire import encode_frame, encode_hello, encode_reply
from tests.sources.peers import Listener
from tests.waiting import wait_until


class Driver(StreamSource):
    """A driver whose every call is scripted: what `opens` and `chunks` hold is returned, or raised."""

    def __init__(self, *, silent_after_s: float = 1.0, reopen_when_silent_s: float | None = None) -> None:
        self.hours = 0.0
        super().__init__(
            "head",
            WireDecoder,
            place="port 7",
            silent_after_s=silent_after_s,
            reopen_when_silent_s=reopen_when_silent_s,
            rng=random.Random(3),
            now=lambda: 10**12 + round(self.hours * 3.6e12),
        )
        self.opens: queue.Queue[BaseException | None] = queue.Queue()
        self.chunks: queue.Queue[bytes | BaseException] = queue.Queue()
        self.writing: Callable[[bytes], None] = lambda data: self.written.append(data)
        self.closing: Callable[[], None] = lambda: None
        self.written: list[bytes] = []
        self.pauses: list[float] = []

    def _open(self) -> None:
        result = self.opens.get() if not self.opens.empty() else None
        if result is not None:
            raise result

    def _read(self, timeout_s: float) -> bytes:
        try:
            chunk = self.chunks.get(timeout=0.005)
        except queue.Empty:
            return b""
        if isinstance(chunk, BaseException):
            raise chunk
        return chunk

    def _write(self, data: bytes) -> None:
        self.writing(data)

    def _close(self) -> None:
        self.closing()

    def _pause(self, seconds: float) -> None:
        self.pauses.append(seconds)
        super()._pause(0.0)


def line(seq: int) -> bytes:
    """A frame's line."""
    return encode_frame(seq, 100 * seq, {"volts": seq / 10})


@pytest.mark.parametrize(
    "error",
    [
        OSError(5, "Input/output error"),
        TypeError("fd is None"),
        ValueError("x"),
        KeyError("y"),
        MemoryError(),
        PortError("z"),
    ],
    ids=lambda e: type(e).__name__,
)
def test_whatever_reading_raises_the_port_is_opened_again(error: Exception) -> None:
    driver, listener = Driver(), Listener()
    driver.start(listener)
    driver.chunks.put(b"\n" + line(1))
    driver.chunks.put(error)
    listener.await_event("reopened")
    driver.chunks.put(b"\n" + line(2))
    listener.await_frames(2)
    assert driver.stop()
    assert driver.failure is None
    assert listener.kinds() == ["opened", "lost", "reopened"]
    assert driver.counters.gaps == 0


def test_half_a_line_from_before_is_not_joined_to_what_comes_after() -> None:
    driver, listener = Driver(), Listener()
    driver.start(listener)
    whole = line(2)
    driver.chunks.put(b"\n" + line(1) + whole[:20])
    listener.await_frames(1)
    driver.chunks.put(OSError("gone"))
    listener.await_event("reopened")
    driver.chunks.put(whole[20:] + line(3))
    listener.await_frames(2)
    driver.stop()
    assert [f.seq for f in listener.frames] == [1, 3]
    assert (driver.counters.malformed, driver.counters.bad_crc, driver.counters.partial) == (0, 0, 1)
    assert driver.counters.gaps == 1


def test_a_port_that_fails_to_close_is_opened_again() -> None:
    driver, listener = Driver(), Listener()

    def fail() -> None:
        raise OSError("already gone")

    driver.closing = fail
    driver.start(listener)
    driver.chunks.put(OSError("gone"))
    listener.await_event("reopened")
    assert driver.stop()
    assert driver.failure is None


def test_delays_grow_to_the_cap_and_begin_anew_after_a_frame() -> None:
    driver, listener = Driver(), Listener()
    for _ in range(12):
        driver.opens.put(PortError("not there"))
    driver.start(listener)
    listener.await_event("opened")
    assert len(driver.pauses) == 12
    assert all(0.2 <= pause <= 5.0 for pause in driver.pauses)
    assert driver.pauses[0] == 0.2
    assert min(driver.pauses[6:]) >= 2.5
    assert listener.kinds() == ["lost", "opened"]
    driver.chunks.put(b"\n" + line(1))
    listener.await_frames(1)
    driver.chunks.put(OSError("gone"))
    listener.await_event("reopened")
    assert driver.pauses[12] == 0.2
    driver.stop()


def test_a_port_that_opens_and_goes_without_a_frame_does_not_fill_the_run_with_marks() -> None:
    driver, listener = Driver(), Listener()
    driver.start(listener)
    for _ in range(50):
        driver.chunks.put(OSError("loose"))
    wait_until(lambda: driver.counters.reopened >= 50, "fifty times opened")
    assert listener.kinds().count("lost") == 3
    assert "again and again" in [e for e in listener.events if e.kind == "lost"][-1].text
    assert max(driver.pauses) > 2.5
    reopened = listener.kinds().count("reopened")
    driver.chunks.put(b"\n" + line(1))
    listener.await_event("reopened", reopened + 1)
    driver.chunks.put(OSError("gone"))
    listener.await_event("lost", 4)
    driver.stop()


def test_a_dead_thread_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    printed: list[threading.ExceptHookArgs] = []
    monkeypatch.setattr(threading, "excepthook", printed.append)
    driver, listener = Driver(), Listener()
    driver.start(listener)
    driver.chunks.put(SystemExit("a driver that wants to end the process"))
    event = listener.await_event("failed")
    wait_until(lambda: not driver.alive, "the thread to end")
    assert driver.counters.state == "failed"
    assert isinstance(driver.failure, SystemExit)
    assert "died" in event.text
    assert printed


def test_a_command_that_can_not_be_written_loses_nothing() -> None:
    driver, listener = Driver(), Listener()

    def fail(data: bytes) -> None:
        raise OSError("buffer is full")

    driver.writing = fail
    driver.start(listener)
    listener.await_event("opened")
    driver.send(Command("trip", 4))
    wait_until(lambda: driver.counters.last_error, "the failure")
    assert "trip could not be sent" in (driver.counters.last_error or "")
    driver.chunks.put(b"\n" + line(1))
    listener.await_frames(1)
    driver.writing = driver.written.append
    driver.hours += 1 / 3600
    wait_until(lambda: driver.written, "the trip to be tried again")
    assert driver.counters.commands_sent >= 1
    assert "lost" not in listener.kinds()
    driver.stop()


def test_half_a_command_in_the_device_is_ended_before_the_next() -> None:
    driver, listener = Driver(), Listener()

    def break_off(data: bytes) -> None:
        driver.written.append(data[:7])
        raise OSError("timed out")

    driver.start(listener)
    listener.await_event("opened")
    driver.send(Command("beat", 1))
    wait_until(lambda: len(driver.written) == 1, "the first command")
    driver.writing = break_off
    driver.send(Command("beat", 2))
    wait_until(lambda: len(driver.written) == 2, "the broken one")
    driver.writing = driver.written.append
    driver.send(Command("beat", 3))
    wait_until(lambda: len(driver.written) == 3, "the next")
    driver.send(Command("beat", 4))
    wait_until(lambda: len(driver.written) == 4, "the one after")
    driver.stop()
    begun = [data.split(b" ")[0] for data in driver.written]
    assert begun == [b"\ndo=beat", b"do=beat", b"\ndo=beat", b"do=beat"]


def test_silence_after_opening_has_grace_and_is_then_told() -> None:
    driver, listener = Driver(silent_after_s=1.0), Listener()
    driver.start(listener)
    listener.await_event("opened")
    driver.chunks.put(b"")
    driver.hours += 2.5 / 3600
    driver.chunks.put(b"\n")
    wait_until(lambda: driver.chunks.empty(), "the bytes to be read")
    assert "silent" not in listener.kinds()
    driver.hours += 1.0 / 3600
    assert "cable" in listener.await_event("silent").text or "bytes" in listener.events[-1].text
    assert driver.counters.state == "silent"
    driver.stop()


def test_a_link_that_can_be_dead_without_saying_so_is_opened_anew() -> None:
    driver, listener = Driver(reopen_when_silent_s=15.0), Listener()
    driver.start(listener)
    driver.chunks.put(b"\n" + line(1))
    listener.await_frames(1)
    driver.hours += 16 / 3600
    assert "silent" in listener.await_event("lost").text
    listener.await_event("reopened")
    driver.stop()


def test_hello_begins_the_numbering_anew() -> None:
    driver, listener = Driver(), Listener()
    driver.start(listener)
    driver.chunks.put(b"\n" + encode_hello("torch-head") + line(1) + line(2))
    listener.await_frames(2)
    driver.chunks.put(encode_hello("torch-head", 2) + line(1) + line(2))
    listener.await_frames(4)
    driver.stop()
    assert listener.kinds() == ["opened", "hello", "hello", "restarted"]
    assert "reads version 1" in listener.events[2].text
    assert (driver.counters.restarts, driver.counters.duplicates, driver.counters.gaps) == (1, 0, 0)


def test_replies_carry_the_devices_reason() -> None:
    driver, listener = Driver(), Listener()
    driver.start(listener)
    driver.chunks.put(b"\n" + encode_reply(9, False, "hot"))
    event = listener.await_event("reply")
    driver.stop()
    assert event.reply is not None
    assert (event.reply.number, event.reply.ok, event.reply.why) == (9, False, "hot")
    assert event.text == "command 9 refused: hot"


def test_duplicates_are_dropped_and_counted() -> None:
    driver, listener = Driver(), Listener()
    driver.start(listener)
    driver.chunks.put(b"\n" + line(1) + line(2) + line(2) + line(1) + line(3))
    listener.await_frames(3)
    driver.stop()
    assert [f.seq for f in listener.frames] == [1, 2, 3]
    assert driver.counters.duplicates == 2


def test_the_counters_are_ready_for_json() -> None:
    counters = Driver().counters
    assert counters.as_dict()["state"] == "opening"
    assert set(counters.as_dict()) >= {
        "good", "unchecked", "bad_crc", "malformed", "gaps", "duplicates", "overlong", "out_of_range",
        "reopened", "dropped", "commands_sent", "replies", "state", "last_error", "last_frame_mono_ns",
    }  # fmt: skip
