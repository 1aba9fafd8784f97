"""Playing a recording: pace, files, and what is wrong with a file."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from daq.bench import RecordedSpec
from daq.errors import PortError
from daq.sources import Command, RecordedFrame, RecordingSource, make_source, read_csv_frames
from tests.sources.peers import Listener
from tests.waiting import wait_until


def test_a_file_of_a_bench_is_played_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "head.csv"
    path.write_text(
        "# torch, first build\nelapsed_s,volts,amps\n0,12.5,3\n0.1,12.6,\n0.2,nan,3.2\n", encoding="utf-8"
    )
    source, listener = (
        make_source("head", RecordedSpec(port=str(path), clock="device")),
        Listener(),
    )
    source.start(listener)
    assert listener.await_event("ended").text == "the recording is over"
    wait_until(lambda: not source.alive, "the thread to end")
    assert source.counters.state == "closed"
    frames = listener.frames
    assert [f.seq for f in frames] == [0, 1, 2]
    assert [f.device_ms for f in frames] == [0, 100, 200]
    assert [f.mono_ns - frames[0].mono_ns for f in frames] == [0, 100_000_000, 200_000_000]
    assert frames[0].fields == {"volts": 12.5, "amps": 3.0}
    assert math.isnan(frames[1].fields["amps"])
    assert math.isnan(frames[2].fields["volts"])


def test_pace_follows_the_speed() -> None:
    frames = [RecordedFrame(n * 3.0, {"volts": float(n)}) for n in range(5)]
    source, listener = RecordingSource("head", frames, speed=60.0), Listener()
    source.start(listener)
    listener.await_event("ended")
    took = listener.frames[-1].received_ns - listener.frames[0].received_ns
    assert took >= 0.2e9 * 0.95  # twelve seconds sixty times as fast; never faster than asked
    assert listener.frames[-1].mono_ns - listener.frames[0].mono_ns == 12_000_000_000


def test_stop_in_the_middle_of_a_long_wait() -> None:
    frames = [RecordedFrame(0.0, {"volts": 1.0}), RecordedFrame(86_400.0, {"volts": 2.0})]
    source, listener = RecordingSource("head", frames), Listener()
    source.start(listener)
    listener.await_frames(1)
    assert source.stop()
    assert len(listener.frames) == 1


def test_commands_are_kept_for_a_test_to_look_at() -> None:
    source, listener = RecordingSource("head", [RecordedFrame(86_400.0, {"volts": 1.0})]), Listener()
    source.start(listener)
    source.send(Command("trip", 5))
    wait_until(lambda: Command("trip", 5) in source.commands, "the trip")
    source.stop()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "begins with a header"),
        ("time,volts\n0,1\n", "begins with a header"),
        ("elapsed_s,volts,volts\n0,1,2\n", "begins with a header"),
        ("elapsed_s,volts\n0,1\n0.1\n", "row 3: 2 cells are needed"),
        ("elapsed_s,volts\n0,twelve\n", "row 2: volts must be a finite number"),
        ("elapsed_s,volts\n0,inf\n", "row 2: volts must be a finite number"),
        ("elapsed_s,volts\n1,1\n0,1\n", "row 3: elapsed_s must be a number that does not go back"),
        ("elapsed_s,volts\n,1\n", "elapsed_s must be a number"),
        ("elapsed_s,seq,volts\n0,1.5,1\n", "seq must be a whole number"),
    ],
)
def test_what_is_wrong_with_a_file(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "head.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PortError, match=words) as caught:
        read_csv_frames(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("content", [None, b"elapsed_s,volts\n0,\xff\xfe\n"])
def test_a_file_that_can_not_be_read(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "head.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(PortError, match="can not be read"):
        read_csv_frames(path)


def test_a_missing_file_is_told_as_of_a_port_and_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "head.csv"
    source, listener = RecordingSource.from_csv("head", path), Listener()
    source.start(listener)
    assert "can not be read" in listener.await_event("lost").text
    path.write_text("elapsed_s,seq,volts\n0,41,12\n", encoding="utf-8")
    listener.await_event("ended")
    source.stop()
    assert [f.seq for f in listener.frames] == [41]


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan])
def test_speeds_that_make_no_sense(speed: float) -> None:
    with pytest.raises(ValueError, match="speed"):
        RecordingSource("head", [], speed=speed)
