"""No byte stream makes the decoder raise, invent a frame, or lose the line after the next line end."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.sources import Command, LinkCounters, WireDecoder
from daq.sources.reading import Message, Reading
from daq.sources.wire import decode_line, encode_command, encode_frame, encode_hello, encode_reply

LINE = encode_frame(1234, 56789, {"volts": 12.345, "amps": -8.21, "temp": 41.3, "relay": 1})
AFTER = encode_frame(1235, 56889, {"volts": 12.346, "amps": -8.2, "temp": 41.4, "relay": 1})
LAST = encode_frame(1236, 56989, {"volts": 12.347, "amps": -8.1, "temp": 41.5, "relay": 1})
ORIGINALS = [decode_line(line) for line in (LINE, AFTER, LAST)]


def hear(stream: bytes) -> tuple[list[Message], LinkCounters]:
    """What is heard of a stream after a first line end."""
    counters = LinkCounters()
    decoder = WireDecoder(counters)
    return decoder.feed(b"\n" + stream), counters


def refused(counters: LinkCounters) -> int:
    """Lines that were counted as not good."""
    return counters.bad_crc + counters.malformed + counters.overlong


def prefixes() -> Iterator[bytes]:
    """Every beginning of the line, with its end cut off and with a line end put there."""
    for length in range(len(LINE)):
        yield LINE[:length]
        yield LINE[:length] + b"\n"


def flipped_bits() -> Iterator[bytes]:
    """The line with each of its bits flipped in turn."""
    for place in range(len(LINE)):
        for bit in range(8):
            yield LINE[:place] + bytes([LINE[place] ^ 1 << bit]) + LINE[place + 1 :]


def garbage_bytes() -> Iterator[bytes]:
    """The line with every byte value put in, and put over, at every place."""
    for place in range(len(LINE) + 1):
        for value in range(256):
            yield LINE[:place] + bytes([value]) + LINE[place:]
            yield LINE[:place] + bytes([value]) + LINE[place + 1 :]


@pytest.mark.parametrize("damage", [prefixes, flipped_bits, garbage_bytes])
def test_every_damage_is_counted_and_passed_over(damage: object) -> None:
    assert callable(damage)
    tried = 0
    for stream in damage():
        heard, counters = hear(stream + AFTER + LAST)
        # Nothing that was not sent, nothing twice, in order; the line after the next line end is heard.
        assert [original for original in ORIGINALS if original in heard] == heard, stream
        assert heard[-1] == ORIGINALS[2], stream
        if stream.strip(b"\r\n"):
            assert ORIGINALS[0] in heard or refused(counters) >= 1, stream
        tried += 1
    assert tried >= 2 * len(LINE)


def test_two_damages_at_once_are_never_a_frame() -> None:
    # A burst of up to 16 bits is always detected: here every pair of neighbouring bytes, with many patterns.
    for place in range(len(LINE) - 2):
        for pattern in range(1, 65536, 251):
            burst = bytes([LINE[place] ^ pattern >> 8, LINE[place + 1] ^ pattern & 0xFF])
            heard, _ = hear(LINE[:place] + burst + LINE[place + 2 :])
            assert heard in ([], [ORIGINALS[0]]), (place, pattern)
            if heard:
                assert not pattern


def test_the_half_line_at_the_beginning_is_no_fault_of_the_device() -> None:
    for length in range(1, len(LINE)):
        counters = LinkCounters()
        heard = WireDecoder(counters).feed(LINE[length:] + AFTER)
        assert heard == [ORIGINALS[1]]
        assert refused(counters) == 0
        assert counters.partial == (LINE[length:] != b"\n")


def test_a_whole_line_at_the_beginning_is_taken_for_its_checksum() -> None:
    counters = LinkCounters()
    assert WireDecoder(counters).feed(LINE + AFTER) == ORIGINALS[:2]
    assert WireDecoder(counters, "optional").feed(b"olts=1\nvolts=2\n") == [
        Reading({"volts": 2.0}, checked=False)
    ]


def test_hellos_and_replies_are_heard_and_echoes_are_not() -> None:
    heard, counters = hear(encode_hello("torch") + encode_reply(3, True) + encode_command("trip", 3))
    assert [type(message).__name__ for message in heard] == ["Hello", "Reply"]
    assert counters.malformed == 1
    assert "echo" in (counters.last_error or "")


def test_commands_are_encoded_with_their_number() -> None:
    assert WireDecoder(LinkCounters()).encode(Command("trip", 17)) == encode_command("trip", 17)


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=300),
            st.sampled_from([LINE, AFTER, LAST, b"\r", b"\n"]),
            st.tuples(st.sampled_from([LINE, AFTER]), st.integers(0, 80), st.integers(0, 255)).map(
                lambda t: t[0][: t[1]] + bytes([t[2]]) + t[0][t[1] :]
            ),
        ),
        max_size=20,
    ),
    st.sampled_from(["required", "optional"]),
)
@settings(max_examples=1000, deadline=None)
def test_fuzz(chunks: list[bytes], crc: str) -> None:
    counters = LinkCounters()
    decoder = WireDecoder(counters, crc)  # type: ignore[arg-type]
    for chunk in chunks:
        for message in decoder.feed(chunk):
            if message.checked:
                assert message in ORIGINALS
