"""The line format: what is taken, what is refused and with which words, and that both directions agree."""

from __future__ import annotations

import contextlib
import math
import pickle
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.errors import ChecksumError, FrameError
from daq.frame import NO_SEQ
from daq.sources.reading import MAX_COUNT, Hello, Reading, Reply
from daq.sources.wire import (
    MAX_LINE_BYTES,
    Crc,
    WireCommand,
    checksum,
    decode_line,
    encode_command,
    encode_frame,
    encode_hello,
    encode_reply,
)

SPECIFICATION = Path(__file__).parents[2] / "firmware_notes" / "wire_format.md"

names = st.from_regex(r"[a-z][a-z0-9_]{0,23}", fullmatch=True).filter(
    lambda name: name not in {"seq", "ms", "do", "ack", "hello"}
)
values = st.one_of(
    st.just(math.nan), st.floats(min_value=-1e30, max_value=1e30), st.integers(-(10**9), 10**9).map(float)
)


def sealed(body: str) -> bytes:
    """A body with its right checksum."""
    data = body.encode("latin-1")
    return data + b"*%04X" % checksum(data)


def test_every_line_of_the_specification_decodes() -> None:
    text = SPECIFICATION.read_text(encoding="utf-8")
    lines = re.findall(r"^ {4}((?:seq|hello|do|ack)=.* \*[0-9A-F]{4})$", text, re.MULTILINE)
    messages = [decode_line(line.encode()) for line in lines]
    assert messages == [
        Reading({"volts": 12.345, "amps": 8.21, "temp": 41.3, "relay": 1, "trip": 0}, 1234, 56789),
        Hello("torch-head", 1),
        WireCommand("trip", 17),
        Reply(17, True),
        Reply(18, False, "hot"),
    ]


def test_the_specifications_worked_example_counts_its_bytes() -> None:
    text = SPECIFICATION.read_text(encoding="utf-8")
    found = re.search(r"The (\d+) bytes\n\n {4}(.*)\n\n.*give ([0-9A-F]{4})h", text)
    assert found is not None
    count, body, digits = found.groups()
    assert len(body) == int(count)
    assert checksum(body.encode()) == int(digits, 16)


@given(
    seq=st.integers(0, MAX_COUNT),
    ms=st.integers(0, MAX_COUNT),
    fields=st.dictionaries(names, values, min_size=1, max_size=4),
    crc=st.booleans(),
)
@settings(max_examples=300, deadline=None)
def test_what_is_encoded_decodes_to_nine_digits(
    seq: int, ms: int, fields: dict[str, float], crc: bool
) -> None:
    frame = decode_line(encode_frame(seq, ms, fields, crc=crc), crc="optional")
    assert isinstance(frame, Reading)
    assert (frame.seq, frame.ms, frame.checked) == (seq, ms, crc)
    assert list(frame.fields) == list(fields)
    for name, value in fields.items():
        assert frame.fields[name] == pytest.approx(value, rel=1e-8, abs=1e-99, nan_ok=True)


def test_counts_wrap_when_encoded() -> None:
    frame = decode_line(encode_frame(MAX_COUNT + 1, MAX_COUNT + 6, {"volts": 1}))
    assert isinstance(frame, Reading)
    assert (frame.seq, frame.ms) == (0, 5)


@pytest.mark.parametrize("ending", [b"", b"\n", b"\r\n", b"\r"])
def test_a_line_with_any_ending(ending: bytes) -> None:
    assert decode_line(encode_hello("torch-head").strip() + ending) == Hello("torch-head", 1)


def test_words_may_come_in_another_order_and_with_more_spaces() -> None:
    assert decode_line(sealed("volts=1   ms=7 seq=3 ")) == Reading({"volts": 1.0}, 3, 7)
    assert decode_line(sealed("seq=3 ms=7 volts=1")) == Reading({"volts": 1.0}, 3, 7)


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", 1.0), ("-1.5", -1.5), ("+.5", 0.5), ("5.", 5.0), ("1e-3", 1e-3), ("2.5E+02", 250.0), ("007", 7.0)],
)
def test_numbers_that_are_taken(text: str, value: float) -> None:
    frame = decode_line(sealed(f"seq=1 ms=1 volts={text} "))
    assert isinstance(frame, Reading)
    assert frame.fields["volts"] == value


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("seq=1 ms=1 volts=inf ", "value of volts is not a decimal number"),
        ("seq=1 ms=1 volts=1_0 ", "value of volts"),
        ("seq=1 ms=1 volts=1,5 ", "value of volts"),
        ("seq=1 ms=1 volts=NaN ", "value of volts"),
        ("seq=1 ms=1 volts=0x10 ", "value of volts"),
        ("seq=1 ms=1 volts=1e400 ", "value of volts"),
        ("seq=1 ms=1 volts= 1 ", "value of volts"),
        ("seq=1 ms=1 volts=. ", "value of volts"),
        ("seq=1 ms=1 volts ", "not name=value"),
        ("seq=1 ms=1 Volts=1 ", "field's name"),
        ("seq=1 ms=1 2nd=1 ", "field's name"),
        (f"seq=1 ms=1 {'v' * 25}=1 ", "field's name"),
        ("seq=1 ms=1 volts=1 volts=1 ", "named twice"),
        ("seq=1 ms=1 ", "carries no values"),
        ("seq=4294967296 ms=1 volts=1 ", "seq is a whole number"),
        ("seq=1 ms=-1 volts=1 ", "ms is a whole number"),
        ("seq=1.0 ms=1 volts=1 ", "seq is a whole number"),
        ("seq=nan ms=1 volts=1 ", "seq is a whole number"),
        ("seq=1 volts=1 ", "both seq and ms"),
        ("ms=1 volts=1 ", "both seq and ms"),
        ("seq=1 ms=1\tvolts=1 ", "not"),
        ("seq=1 ms=1 volts=1\x00 ", "value of volts"),
        ("seq=1 ms=1 volts=1\xe9 ", "not ASCII"),
        ("", "empty"),
        ("ack=1 ", "ok=1 or ok=0"),
        ("ack=1 ok=2 ", "ok=1 or ok=0"),
        ("ack=65536 ok=1 ", "ack is a whole number"),
        ("ack=1 ok=0 why=Too-Hot ", "reason of a reply"),
        ("ack=1 ok=1 ok=1 ", "given twice"),
        ("ack=1 ok=1 bare ", "not name=value"),
        ("hello=torch head version=1 ", "not name=value"),
        ("hello=-x version=1 ", "device's name"),
        ("hello=torch ", "version is a whole number"),
        ("do=trip n=0 ", "numbered 1 to 65535"),
        ("do=trip ", "n is a whole number"),
        ("do=TRIP n=1 ", "command is one lower-case word"),
    ],
)
def test_what_is_refused_and_why(body: str, words: str) -> None:
    with pytest.raises(FrameError, match=re.escape(words)) as caught:
        decode_line(sealed(body))
    assert not isinstance(caught.value, ChecksumError)
    assert caught.value.remedy


@pytest.mark.parametrize("tail", [b"", b"*", b"*12", b"*12345", b"*12g4", b"*12ab", b"* 1234", b"*123 "])
def test_a_checksum_that_is_not_one(tail: bytes) -> None:
    with pytest.raises(FrameError, match="checksum"):
        decode_line(b"seq=1 ms=1 volts=1 " + tail)


def test_a_checksum_that_does_not_fit_says_what_would() -> None:
    body = b"seq=1 ms=1 volts=1 "
    with pytest.raises(ChecksumError, match=f"{checksum(body):04X}"):
        decode_line(body + b"*0000")
    with pytest.raises(ChecksumError):
        decode_line(body + b"*0000", crc="optional")


def test_foreign_lines_are_taken_unchecked_only_when_asked() -> None:
    with pytest.raises(FrameError, match="no checksum"):
        decode_line(b"volts=12.5 amps=3")
    assert decode_line(b"volts=12.5 amps=3", crc="optional") == Reading(
        {"volts": 12.5, "amps": 3.0}, NO_SEQ, None, checked=False
    )


def test_later_words_of_hello_and_reply_are_passed_over() -> None:
    assert decode_line(sealed("hello=torch version=2 build=a1=b ")) == Hello(
        "torch", 2, {"build": "a1=b"}, problem="this program reads version 1, so expect refused lines"
    )
    assert decode_line(sealed("ack=3 ok=0 why=hot limit=65 ")) == Reply(3, False, "hot")


def test_the_longest_line_and_one_longer() -> None:
    fields = {f"f{i:02d}": 1.0 for i in range(30)}
    while len(encode_frame(1, 1, fields)) < MAX_LINE_BYTES - 7:
        fields[f"g{len(fields):02d}"] = 1.0
    room = MAX_LINE_BYTES - len(encode_frame(1, 1, fields))
    line = encode_frame(10**room, 1, fields)
    assert len(line) == MAX_LINE_BYTES
    assert isinstance(decode_line(line), Reading)
    assert isinstance(decode_line(line[:-1] + b"\r\n"), Reading)
    with pytest.raises(FrameError, match="longer than 240"):
        encode_frame(10 ** (room + 1), 1, fields)
    with pytest.raises(FrameError, match="longer than 240"):
        decode_line(b"x" * 10_000_000)


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"Volts": 1.0},
        {"seq": 1.0},
        {"hello": 1.0},
        {"volts": math.inf},
        {"volts": 1e99},
        {"a b": 1.0},
        {"": 1.0},
    ],
)
def test_what_can_not_be_encoded(fields: dict[str, float]) -> None:
    with pytest.raises(FrameError):
        encode_frame(1, 1, fields)


def test_commands_replies_and_hellos_that_can_not_be_encoded() -> None:
    calls: list[Callable[[], bytes]] = [
        lambda: encode_command("TRIP", 1),
        lambda: encode_command("trip", 0),
        lambda: encode_command("trip", 65536),
        lambda: encode_reply(-1, True),
        lambda: encode_reply(1, False, "too hot"),
        lambda: encode_hello("two words"),
        lambda: encode_hello("torch", 0),
    ]
    for call in calls:
        with pytest.raises(FrameError):
            call()


@given(st.binary(max_size=300))
@settings(max_examples=2000, deadline=None)
def test_any_bytes_give_a_line_or_one_of_our_errors(data: bytes) -> None:
    crcs: tuple[Crc, ...] = ("required", "optional")
    for crc in crcs:
        with contextlib.suppress(FrameError):
            decode_line(data, crc=crc)


def test_errors_cross_processes() -> None:
    with pytest.raises(ChecksumError) as caught:
        decode_line(b"seq=1 ms=1 volts=1 *0000")
    again = pickle.loads(pickle.dumps(caught.value))
    assert type(again) is ChecksumError
    assert str(again) == str(caught.value)
