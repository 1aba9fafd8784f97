"""What the firmware says and takes: the wire format, read by the product's own decoder."""

from __future__ import annotations

import pytest
from crccheck.crc import Crc16Ibm3740

from daq.sources.reading import Hello, Reading, Reply
from daq.sources.wire import encode_command, encode_frame
from tests.firmware.emulator import Emulator
from tests.firmware.talk import Talk


def test_hello_then_frames_without_gaps(board: Emulator, talk: Talk) -> None:
    board.set_flow(1.2)
    lines = talk.run(3050.0)
    hello, *frames = lines
    assert hello == Hello("torch-head", 1, {"reset": "power", "test": "ok"})
    assert all(isinstance(line, Reading) and line.checked for line in frames)
    assert [frame.seq for frame in talk.frames()] == list(range(30))
    # By the board's clock; a mean belongs to the middle of its window.
    times = [frame.ms for frame in talk.frames()]
    assert times == [50 + 100 * i for i in range(30)]
    assert max(len(line) for line in talk.raw) < 240


def test_a_frame_is_heard_as_long_after_its_window_as_the_notes_say(talk: Talk) -> None:
    # firmware.md, and `delay_ms` of the worked bench files: some 70 ms after the middle of its window.
    frame, middle_us, heard_us = talk.timed_frame()
    assert heard_us - middle_us == pytest.approx(70_000, abs=4_000)
    assert frame.ms is not None
    later, later_us, _ = talk.timed_frame()
    assert later.ms is not None
    # ... which is what its `ms` says.
    assert later_us - middle_us == pytest.approx(1000 * (later.ms - frame.ms), abs=2_000)


def test_checksums_are_those_of_the_catalogue(talk: Talk) -> None:
    """CRC-16/IBM-3740 as `crccheck` has it, an implementation that is not ours."""
    talk.run(550.0)
    assert len(talk.raw) == 6
    for line in talk.raw:
        body, star, digits = line.partition(b"*")
        assert star == b"*"
        assert digits == b"%04X" % Crc16Ibm3740.calc(body)


def test_every_command_is_answered_once_with_its_number(talk: Talk) -> None:
    talk.run(250.0)
    assert talk.ask("beat") == Reply(1, True)
    assert talk.ask("trip") == Reply(2, True)
    assert talk.ask("reset") == Reply(3, True)
    assert talk.ask("purge") == Reply(4, False, "unknown")
    talk.send(encode_command("beat", 0xFFFF))
    talk.run(300.0)
    replies = [line for line in talk.lines if isinstance(line, Reply)]
    assert [reply.number for reply in replies] == [1, 2, 3, 4, 0xFFFF]


@pytest.mark.parametrize(
    "line",
    [
        b"do=reset n=7\n",
        b"do=reset n=7 *0000\n",
        encode_command("reset", 7).lower(),
        encode_command("reset", 7)[:-3] + b"\n",
        encode_command("reset", 7)[1:],
        encode_command("reset", 7).replace(b"\n", b" "),
        b"x" * 60 + encode_command("reset", 7),
        encode_frame(1, 2, {"reset": 1.0}),
        b"\xff\x00\n",
    ],
)
def test_what_is_no_whole_command_is_not_acted_on(board: Emulator, talk: Talk, line: bytes) -> None:
    talk.run(250.0)
    talk.send(b"\n" + line)
    talk.run(250.0)
    assert [kind for kind in talk.lines if isinstance(kind, Reply)] == []
    assert board.moves == []
    talk.send(b"\n")
    assert talk.ask("reset").ok


def test_a_command_in_pieces_between_empty_lines(board: Emulator, talk: Talk) -> None:
    talk.run(250.0)
    for byte in b"\r\n\n" + encode_command("reset", 9).replace(b"\n", b"\r\n"):
        talk.send(bytes([byte]))
        talk.run(3.0)
    talk.run(50.0)
    assert Reply(9, True) in talk.lines
    assert board.closed


def test_no_frame_is_lost_while_the_host_says_much(talk: Talk) -> None:
    talk.run(150.0)
    for n in range(1, 61):
        talk.send(encode_command("beat", n))
        talk.run(20.0)
    talk.run(200.0)
    replies = [line.number for line in talk.lines if isinstance(line, Reply)]
    assert replies == list(range(1, 61))
    seqs = [frame.seq for frame in talk.frames()]
    assert seqs == list(range(len(seqs)))
    assert len(seqs) == 15


def test_the_button_closes_the_relay_once(board: Emulator, talk: Talk) -> None:
    talk.run(250.0)
    board.close_relay()
    assert board.closed
    assert talk.ask("trip").ok
    board.hold_button(True)
    talk.run(200.0)
    assert board.closed
    assert talk.ask("trip").ok
    talk.run(500.0)
    assert not board.closed, "a button that sticks must not take a trip back"
