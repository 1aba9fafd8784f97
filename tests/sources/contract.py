"""What every source must do, whatever it reads: one body of tests, inherited for each kind.

A kind of source gives a `Rig`, and inherits the classes of what it can do: `EverySource` always, then
`ReopeningSource`, `ByteSource` and `CommandedSource`. Each test class has a fixture `rig`.
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import ClassVar

import pytest

from daq.frame import Frame
from daq.sources import Command, Source, SourceEvent
from tests.sources.peers import Listener
from tests.waiting import wait_until

__all__ = [
    "AskedRig",
    "AskedSource",
    "ByteSource",
    "CommandedSource",
    "EverySource",
    "MessageSource",
    "ReopeningSource",
    "Rig",
    "Row",
]

Row = tuple[int, int, Mapping[str, float]]
"""Sequence number, device milliseconds, values."""


def rows(count: int, first: int = 0) -> list[Row]:
    """Rows as a device at 10 Hz sends them; each value occurs once."""
    return [
        (n, 1000 + 100 * n, {"volts": 12.0 + n / 1000, "amps": n / 8}) for n in range(first, first + count)
    ]


class Rig(ABC):
    """A source and the device that it reads."""

    SILENT_AFTER_S: ClassVar[float] = 0.3

    @abstractmethod
    def source(self, planned: Sequence[Row] = ()) -> Source:
        """A source that is not started; a recording plays what is planned, others wait for `play`."""

    @abstractmethod
    def play(self, rows: Sequence[Row]) -> None:
        """The device sends rows. Nothing to do for a recording."""

    def plug(self) -> None:  # noqa: B027 - a recording has no port
        """The device's port appears."""

    def unplug(self) -> None:  # noqa: B027
        """The device's port goes away."""

    def say(self, data: bytes) -> None:
        """The device sends bytes as they are."""
        raise AssertionError("this rig has no bytes")

    def heard(self) -> bytes:
        """What the device was sent and has not taken yet."""
        raise AssertionError("this rig has no bytes")

    def line(self, row: Row) -> bytes:
        """A row as the device sends it."""
        raise AssertionError("this rig has no bytes")

    def answer(self, command: Command, ok: bool) -> bytes:
        """The device's answer to a command."""
        raise AssertionError("this rig takes no commands")

    def written(self, command: Command) -> bytes:
        """A command as the device gets it."""
        raise AssertionError("this rig takes no commands")


class AskedRig(Rig):
    """A source that asks, and a device that answers. Without a reading to give it leaves questions open."""

    TIMEOUT_S: ClassVar[float] = 2.5
    HOLD_S: ClassVar[float] = 0.6
    """So long the device waits for a reading to give before it leaves a question unanswered [s]."""

    @abstractmethod
    def befall(self, kind: str, seconds: float = 0.0) -> None:
        """The next reading's answer comes "late" (by `seconds`), is "mute", "garbled" or "dripped"."""

    @abstractmethod
    def shout(self) -> None:
        """The device sends a megabyte that nobody asked for, and is quiet then."""


class _Contract:
    """Fixtures of all parts of the contract; each kind of source gives `rig`."""

    @pytest.fixture
    def listener(self) -> Listener:
        """A sink that keeps what it is given."""
        return Listener()

    @pytest.fixture
    def running(self, rig: Rig, listener: Listener) -> Iterator[Source]:
        """A source that is open, with its listener."""
        rig.plug()
        source = rig.source()
        source.start(listener)
        listener.await_event("opened")
        yield source
        assert source.stop()
        assert source.failure is None


class EverySource(_Contract):
    """What holds for recordings and ports alike."""

    def test_frames_come_in_order_with_every_value(self, rig: Rig, listener: Listener) -> None:
        rig.plug()
        sent = rows(50)
        source = rig.source(sent)
        source.start(listener)
        listener.await_event("opened")
        rig.play(sent)
        frames = listener.await_frames(50)
        assert source.stop()
        assert [f.seq for f in frames] == [seq for seq, _, _ in sent]
        assert [dict(f.fields) for f in frames] == [dict(fields) for _, _, fields in sent]
        assert {f.source for f in frames} == {source.name}
        assert (source.counters.good, source.counters.gaps, source.counters.dropped) == (50, 0, 0)

    def test_times_are_of_the_hosts_clock_and_go_forward(self, rig: Rig, listener: Listener) -> None:
        began = time.monotonic_ns()
        rig.plug()
        sent = rows(20)
        source = rig.source(sent)
        source.start(listener)
        listener.await_event("opened")
        rig.play(sent)
        frames = listener.await_frames(20)
        ended = time.monotonic_ns()
        source.stop()
        assert all(began <= f.received_ns <= ended for f in frames)
        assert all(a.mono_ns < b.mono_ns for a, b in pairwise(frames))
        assert source.counters.last_frame_mono_ns == frames[-1].received_ns

    def test_a_listener_that_fails_costs_its_frame_and_is_counted(self, rig: Rig) -> None:
        class Failing(Listener):
            def frame(self, frame: Frame) -> None:
                if frame.seq == 3:
                    raise OSError("no room")
                super().frame(frame)

        rig.plug()
        listener, sent = Failing(), rows(10)
        source = rig.source(sent)
        source.start(listener)
        listener.await_event("opened")
        rig.play(sent)
        listener.await_frames(9)
        source.stop()
        assert [f.seq for f in listener.frames] == [0, 1, 2, 4, 5, 6, 7, 8, 9]
        assert source.counters.dropped == 1

    def test_a_listener_that_fails_on_events_ends_nothing(self, rig: Rig) -> None:
        class Failing(Listener):
            def event(self, event: SourceEvent) -> None:
                super().event(event)
                raise KeyError(event.kind)

        rig.plug()
        listener, sent = Failing(), rows(5)
        source = rig.source(sent)
        source.start(listener)
        listener.await_event("opened")
        rig.play(sent)
        listener.await_frames(5)
        assert source.stop()
        assert source.failure is None
        assert source.counters.dropped >= 1

    def test_stop_is_prompt_and_may_come_twice(self, rig: Rig, listener: Listener) -> None:
        rig.plug()
        source = rig.source(rows(2))
        source.start(listener)
        listener.await_event("opened")
        assert source.stop()
        assert source.stop()
        assert not source.alive
        assert source.counters.state == "closed"

    def test_stop_before_start_and_a_second_start(self, rig: Rig, listener: Listener) -> None:
        rig.plug()
        source = rig.source()
        assert source.stop()
        source.start(listener)
        wait_until(lambda: not source.alive, "a source that was stopped beforehand to end")
        with pytest.raises(RuntimeError, match="started before"):
            source.start(listener)

    def test_commands_to_a_source_that_is_not_open_never_raise(self, rig: Rig, listener: Listener) -> None:
        source = rig.source()
        for _ in range(200):
            source.send(Command("beat"))
        assert source.send(Command("trip", 77)) == 77
        source.stop()


class ReopeningSource(_Contract):
    """What holds where a port can go away and come back."""

    def test_unplugged_and_replugged(self, rig: Rig, running: Source, listener: Listener) -> None:
        rig.play(rows(10))
        listener.await_frames(10)
        rig.unplug()
        lost = listener.await_event("lost")
        assert running.place in lost.text
        wait_until(lambda: running.counters.state == "waiting", "the source to wait")
        rig.plug()
        listener.await_event("reopened")
        rig.play(rows(10, first=13))
        frames = listener.await_frames(20)
        assert [f.seq for f in frames] == [*range(10), *range(13, 23)]
        assert (running.counters.reopened, running.counters.gaps) == (1, 3)
        assert listener.kinds().count("lost") == 1

    def test_a_port_that_is_not_there_yet(self, rig: Rig, listener: Listener) -> None:
        source = rig.source()
        source.start(listener)
        listener.await_event("lost")
        wait_until(lambda: source.counters.state == "waiting", "the source to wait")
        assert source.counters.last_error is not None
        rig.plug()
        listener.await_event("opened")
        rig.play(rows(3))
        listener.await_frames(3)
        assert source.stop()
        assert source.counters.reopened == 0
        assert listener.kinds().count("lost") == 1

    def test_stop_while_waiting_for_a_port(self, rig: Rig, listener: Listener) -> None:
        source = rig.source()
        source.start(listener)
        listener.await_event("lost")
        assert source.stop()
        assert source.counters.state == "closed"

    def test_silence_is_told_once_and_ends_with_a_frame(
        self, rig: Rig, running: Source, listener: Listener
    ) -> None:
        rig.play(rows(1))
        listener.await_frames(1)
        listener.await_event("silent")
        assert running.counters.state == "silent"
        rig.play(rows(1, first=1))
        listener.await_frames(2)
        wait_until(lambda: running.counters.state in ("open", "silent"), "the link to be heard")
        listener.await_event("silent", 2)

    def test_the_devices_clock_jumps(self, rig: Rig, running: Source, listener: Listener) -> None:
        # Half an hour forward: the frames' times stay the host's, and nothing is missed.
        rig.play(rows(30))
        listener.await_frames(30)
        rig.play([(seq, ms + 1_800_000, fields) for seq, ms, fields in rows(30, first=30)])
        frames = listener.await_frames(60)
        assert running.counters.gaps == 0
        assert all(abs(f.received_ns - f.mono_ns) < 10_000_000_000 for f in frames)
        # And back to where it was, while it counts on.
        rig.play(rows(30, first=60))
        frames = listener.await_frames(90)
        assert running.counters.gaps == 0
        assert all(abs(f.received_ns - f.mono_ns) < 10_000_000_000 for f in frames)
        assert all(a.mono_ns < b.mono_ns for a, b in pairwise(frames))

    def test_a_device_that_begins_anew(self, rig: Rig, running: Source, listener: Listener) -> None:
        rig.play(rows(20, first=100))
        listener.await_frames(20)
        rig.play([(seq, 50 + 100 * seq, {"volts": 1.0 + seq}) for seq in range(20)])
        frames = listener.await_frames(40)
        listener.await_event("restarted")
        assert [f.seq for f in frames[20:]] == list(range(20))
        assert (running.counters.restarts, running.counters.gaps) == (1, 0)


class ByteSource(_Contract):
    """What holds where bytes come in that may be anything."""

    def test_garbage_is_counted_and_passed_over(self, rig: Rig, running: Source, listener: Listener) -> None:
        good = [rig.line(row) for row in rows(3)]
        rig.say(
            good[0]
            + b"\x00\xff\x80 noise \x07\r\n"
            + good[1]
            + b"seq=1 ms=\n"
            + bytes(range(256))
            + b"\n"
            + good[2]
        )
        frames = listener.await_frames(3)
        assert [f.seq for f in frames] == [0, 1, 2]
        counters = running.counters
        assert counters.malformed + counters.bad_crc + counters.overlong >= 3

    def test_slow_drip(self, rig: Rig, running: Source, listener: Listener) -> None:
        for byte in b"".join(rig.line(row) for row in rows(2)):
            rig.say(bytes([byte]))
        listener.await_frames(2)
        assert (running.counters.malformed, running.counters.bad_crc) == (0, 0)

    def test_flood(self, rig: Rig, running: Source, listener: Listener) -> None:
        rig.say(b"".join(rig.line(row) for row in rows(5000)))
        frames = listener.await_frames(5000)
        assert [f.seq for f in frames] == list(range(5000))
        assert running.counters.gaps == 0

    def test_a_flood_without_a_line_end_is_one_overlong_line(
        self, rig: Rig, running: Source, listener: Listener
    ) -> None:
        rig.say(rig.line(rows(1)[0]))
        rig.say(b"x" * 1_000_000 + b"\n" + rig.line(rows(1, first=1)[0]))
        listener.await_frames(2)
        assert running.counters.overlong == 1

    def test_noise_alone_is_silence_and_says_what_to_check(
        self, rig: Rig, running: Source, listener: Listener
    ) -> None:
        rig.say(b"\x1b\x9f\n" * 10)
        assert "baud" in listener.await_event("silent").text


class MessageSource(_Contract):
    """What holds where whole messages come in that may be anything."""

    def test_garbage_is_counted_and_passed_over(self, rig: Rig, running: Source, listener: Listener) -> None:
        good = [rig.line(row) for row in rows(3)]
        noise = (b"\x00\xff\x80 noise", b"seq=1 ms=", bytes(range(256)), b"[" * 9000, b"{}", good[0][:-3])
        for message in (good[0], *noise, good[1], b"", good[2]):
            rig.say(message)
        frames = listener.await_frames(3)
        assert [f.seq for f in frames] == [0, 1, 2]
        counters = running.counters
        assert counters.malformed + counters.bad_crc + counters.overlong >= len(noise)

    def test_flood(self, rig: Rig, running: Source, listener: Listener) -> None:
        rig.play(rows(1500))
        frames = listener.await_frames(1500)
        assert [f.seq for f in frames] == list(range(1500))
        assert (running.counters.gaps, running.counters.dropped) == (0, 0)

    def test_a_message_that_is_too_long(self, rig: Rig, running: Source, listener: Listener) -> None:
        rig.play(rows(1))
        rig.say(b"x" * 66_000)
        rig.play(rows(1, first=1))
        listener.await_frames(2)
        assert running.counters.overlong == 1

    def test_what_comes_twice_is_taken_once(self, rig: Rig, running: Source, listener: Listener) -> None:
        rig.play([row for row in rows(20) for _ in range(2)])
        rig.play(rows(20, first=10))
        frames = listener.await_frames(30)
        assert [f.seq for f in frames] == list(range(30))
        assert (running.counters.duplicates, running.counters.restarts) == (30, 0)

    def test_noise_alone_is_silence_and_says_what_to_check(
        self, rig: Rig, running: Source, listener: Listener
    ) -> None:
        rig.say(b"\x1b\x9f")
        assert "format" in listener.await_event("silent").text


class CommandedSource(_Contract):
    """What holds where a device takes commands."""

    def test_a_command_goes_out_and_its_reply_comes_back(
        self, rig: Rig, running: Source, listener: Listener
    ) -> None:
        rig.play(rows(1))
        number = running.send(Command("beat"))
        expected = rig.written(Command("beat", number))
        heard = bytearray()

        def arrived() -> bool:
            heard.extend(rig.heard())
            return heard.strip() == expected.strip()

        wait_until(arrived, "the command, and nothing else")
        rig.say(rig.answer(Command("beat", number), True))
        reply = listener.await_event("reply").reply
        assert reply is not None
        assert (reply.number, reply.ok, reply.why) == (number, True, None)
        assert (running.counters.commands_sent, running.counters.replies) == (1, 1)

    def test_a_trip_is_repeated_until_it_is_answered(
        self, rig: Rig, running: Source, listener: Listener
    ) -> None:
        rig.play(rows(1))
        running.send(Command("trip", 5))
        expected, heard = rig.written(Command("trip", 5)), bytearray()

        def twice() -> bool:
            heard.extend(rig.heard())
            return bytes(heard).count(expected) >= 2

        wait_until(twice, "the trip to be sent again")
        rig.say(rig.answer(Command("trip", 5), True))
        listener.await_event("reply")
        assert heard.replace(expected, b"").strip() == b""

    def test_a_trip_waits_for_the_port_and_a_reset_does_not(
        self, rig: Rig, running: Source, listener: Listener
    ) -> None:
        rig.play(rows(1))
        listener.await_frames(1)
        rig.unplug()
        listener.await_event("lost")
        running.send(Command("reset", 8))
        running.send(Command("trip", 9))
        rig.plug()
        listener.await_event("reopened")
        heard = bytearray()

        def tripped() -> bool:
            heard.extend(rig.heard())
            return rig.written(Command("trip", 9)) in heard

        wait_until(tripped, "the trip after reopening")
        assert rig.written(Command("reset", 8)) not in heard


class AskedSource(_Contract):
    """What holds where each reading is asked for."""

    def test_a_late_answer_is_never_taken_for_the_next(
        self, rig: AskedRig, running: Source, listener: Listener
    ) -> None:
        rig.play(rows(3))
        listener.await_frames(3)
        rig.befall("late", rig.TIMEOUT_S + 0.5)
        rig.play(rows(5, first=3))
        frames = listener.await_frames(7)
        wait_until(lambda: running.counters.late, "the late answer to be thrown away")
        assert [f.seq for f in frames] == [0, 1, 2, 4, 5, 6, 7]
        assert all(dict(f.fields) == dict(rows(8)[f.seq][2]) for f in frames)
        assert running.counters.timeouts >= 1
        assert running.counters.gaps == 1

    def test_an_answer_that_never_comes(self, rig: AskedRig, running: Source, listener: Listener) -> None:
        rig.befall("mute")
        rig.play(rows(3))
        frames = listener.await_frames(2)
        assert [f.seq for f in frames] == [1, 2]
        assert running.counters.timeouts >= 1

    def test_a_garbled_answer_is_counted_and_passed_over(
        self, rig: AskedRig, running: Source, listener: Listener
    ) -> None:
        rig.befall("garbled")
        rig.play(rows(4))
        frames = listener.await_frames(3)
        assert [f.seq for f in frames] == [1, 2, 3]
        counters = running.counters
        assert counters.malformed + counters.bad_crc + counters.timeouts >= 1

    def test_an_answer_that_comes_byte_by_byte(
        self, rig: AskedRig, running: Source, listener: Listener
    ) -> None:
        rig.befall("dripped")
        rig.play(rows(3))
        frames = listener.await_frames(3)
        assert [f.seq for f in frames] == [0, 1, 2]
        assert (running.counters.malformed, running.counters.bad_crc) == (0, 0)

    def test_what_nobody_asked_for_is_thrown_away(
        self, rig: AskedRig, running: Source, listener: Listener
    ) -> None:
        rig.play(rows(2))
        listener.await_frames(2)
        rig.shout()
        rig.play(rows(3, first=2))
        wait_until(lambda: len(listener.frames) >= 4, "readings after the noise")
        seqs = [f.seq for f in listener.frames]
        assert seqs == sorted(set(seqs))
        assert all(dict(f.fields) == dict(rows(5)[f.seq][2]) for f in listener.frames)

    def test_a_reading_is_timed_between_question_and_answer(
        self, rig: AskedRig, running: Source, listener: Listener
    ) -> None:
        rig.play(rows(5))
        for frame in listener.await_frames(5):
            assert 0 <= frame.received_ns - frame.mono_ns <= rig.TIMEOUT_S * 1e9
        assert running.counters.unchecked in (0, 5)
