"""Meters that stream text: patterns, columns, over-range words, ranges; nothing raises, whatever comes."""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from daq.bench import TextSpec, parse_bench
from daq.errors import BenchFileError, FrameError
from daq.examples import example_text
from daq.sources import Command, LinkCounters, TextDecoder, TextSource, make_source
from daq.sources.reading import Reading
from daq.sources.transcript import Transcript, shown
from tests.sources.peers import Listener, PtyPeer


def spec(**keys: Any) -> TextSpec:
    return TextSpec(port="/dev/ttyUSB1", **keys)


def heard(description: TextSpec, *lines: str | bytes) -> tuple[list[Reading], LinkCounters, Transcript]:
    """What a decoder makes of lines, after the head that it throws away."""
    counters, transcript = LinkCounters(), Transcript()
    decoder = TextDecoder(counters, description, transcript)
    data = b"\n" + b"".join((s.encode() if isinstance(s, str) else s) + b"\r\n" for s in lines)
    frames = decoder.feed(data)
    assert all(isinstance(frame, Reading) for frame in frames)
    return frames, counters, transcript  # type: ignore[return-value]


VOLTS = spec(pattern=r"DC\s+(?P<volts>\S+)\s*V")


@pytest.mark.parametrize(
    ("line", "volts"),
    [
        ("DC 12.345 V", 12.345),
        ("DC +12.345V", 12.345),
        ("  DC  -0.5 V  ", -0.5),
        ("DC 1.25E-3 V", 0.00125),
        ("DC .5 V", 0.5),
        ("DC 7. V", 7.0),
    ],
)
def test_a_pattern_takes_its_numbers(line: str, volts: float) -> None:
    (frame,), counters, transcript = heard(VOLTS, line)
    assert frame.fields == {"volts": volts}
    assert (frame.checked, frame.seq, frame.ms) == (False, -1, None)
    assert (counters.malformed, counters.overrange) == (0, 0)
    assert transcript.all()[0].taken == f"volts={volts:g}"


@pytest.mark.parametrize(
    "word", ["OL", "ol", "-OL", "+OL", "0L", "O.L", "----", "OVLD", "nan", "-inf", "Err"]
)
def test_a_word_for_over_range_is_a_bad_value_and_no_crash(word: str) -> None:
    (frame,), counters, transcript = heard(VOLTS, f"DC {word} V")
    assert math.isnan(frame.fields["volts"])
    assert (counters.malformed, counters.overrange) == (0, 1)
    assert "over range" in transcript.all()[0].problem


@pytest.mark.parametrize(
    "line",
    [
        "AC 12.3 V",
        "DC 12.3 V x",
        "DC 12,3 V",
        "DC 1.2.3 V",
        "DC twelve V",
        "DC 1e999 V",
        "DC 0x10 V",
        "DC ١٢ V",
    ],
)
def test_a_line_that_does_not_match_whole_is_refused_and_said(line: str) -> None:
    frames, counters, transcript = heard(VOLTS, line)
    assert frames == []
    assert counters.malformed == 1
    assert "lyewatch check" in (counters.last_error or "")
    assert transcript.all()[0].problem
    assert transcript.all()[0].taken == ""


def test_half_a_line_at_opening_is_never_a_reading() -> None:
    # The tail of "112.5" is a number too: nothing tells it from a whole line.
    counters = LinkCounters()
    decoder = TextDecoder(counters, spec(columns=("volts",)))
    assert decoder.feed(b"12.5\r\n") == []
    assert counters.partial == 1
    (frame,) = decoder.feed(b"112.6\r\n")
    assert isinstance(frame, Reading)
    assert frame.fields == {"volts": 112.6}
    decoder.restart()
    assert decoder.feed(b"6\r\n") == []


def test_several_patterns_for_a_meter_that_takes_turns() -> None:
    turns = spec(pattern=(r"V=(?P<volts>\S+)", r"A=(?P<amps>\S+)"))
    frames, counters, _ = heard(turns, "V=12.5", "A=8", "W=100")
    assert [dict(f.fields) for f in frames] == [{"volts": 12.5}, {"amps": 8.0}]
    assert counters.malformed == 1


def test_columns_with_a_separator_and_one_left_out() -> None:
    table = spec(columns=("flow", "", "room"), separator=";", decimal=",")
    frames, counters, _ = heard(table, "1,50;x;21,5", "1,5;2", "OL;;20,0", "1.5;;20,0")
    assert dict(frames[0].fields) == {"flow": 1.5, "room": 21.5}
    assert math.isnan(frames[1].fields["flow"])
    assert counters.malformed == 2  # a column is missing; a point where a comma is said to be


def test_columns_between_white_space() -> None:
    (frame,), _, _ = heard(spec(columns=("volts", "amps")), "12.5 \t 8.25")
    assert frame.fields == {"volts": 12.5, "amps": 8.25}


def test_a_meter_that_ranges_by_itself_keeps_its_unit() -> None:
    # SI Brochure, 9th edition (2019), table 7: milli 1e-3, micro 1e-6, kilo 1e3.
    ranging = spec(pattern=r"(?P<amps>\S+) (?P<amps_prefix>[mkuµ]?)A")
    frames, counters, _ = heard(ranging, "8.25 A", "825.0 mA", "12 µA", "12 \xb5A".encode("latin-1"), "1 kA")
    assert [f.fields["amps"] for f in frames] == pytest.approx([8.25, 0.825, 12e-6, 12e-6, 1000.0])
    assert counters.malformed == 0
    anything = spec(pattern=r"(?P<amps>\S+) (?P<amps_prefix>\S*)A")
    frames, counters, _ = heard(anything, "8.25 qA")
    assert (frames, counters.malformed) == ([], 1)


def test_the_meters_own_count_and_milliseconds() -> None:
    (frame,), _, _ = heard(spec(columns=("seq", "ms", "volts")), "17 123456 12.5")
    assert (frame.seq, frame.ms, frame.fields) == (17, 123456, {"volts": 12.5})
    _, counters, _ = heard(spec(columns=("seq", "volts")), "-1 12.5", "4294967296 12.5", "1.5 12.5")
    assert counters.malformed == 3


def test_a_delay_moves_a_reading_back(tmp_path: Path) -> None:
    peer, listener = PtyPeer(tmp_path / "port"), Listener()
    peer.plug()
    source = make_source("meter", TextSpec(port=peer.url, columns=("volts",), delay_ms=250.0))
    source.start(listener)
    listener.await_event("opened")
    peer.say(b"\n12.5\n")
    (frame,) = listener.await_frames(1)
    assert source.stop()
    peer.close()
    assert frame.received_ns - frame.mono_ns == 250_000_000


def test_no_pattern_takes_long() -> None:
    # With a backtracking engine this pattern takes 2**200 steps on this line, and the guard waits for it.
    hard = spec(pattern=r"(?P<volts>(\d+)+)V")
    began = time.monotonic()
    frames, counters, _ = heard(hard, "1" * 200)
    assert time.monotonic() - began < 5
    assert (frames, counters.malformed) == ([], 1)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({}, "pattern or by columns"),
        ({"pattern": "(?P<volts>.*)", "columns": ("volts",)}, "one of the two"),
        ({"pattern": "(?P<volts>"}, "no regular expression"),
        ({"pattern": "(?=x)(?P<volts>.*)"}, "no look-around"),
        ({"pattern": r"\S+"}, "names no field"),
        ({"pattern": "(?P<seq>.*)"}, "names no field"),
        ({"pattern": "(?P<amps>.*)(?P<volts_prefix>.)"}, "prefix of no field"),
        ({"columns": ("1volt",)}, "no field's name"),
        ({"columns": ("volts", "volts")}, "named twice"),
        ({"columns": ("", "")}, "names no field"),
    ],
)
def test_descriptions_that_can_not_be(keys: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        spec(**keys)


def test_the_bench_file_says_where_a_pattern_is_wrong() -> None:
    text = example_text("water_torch").replace('kind = "line"', 'kind = "text"\npattern = "(?P<v>"', 1)
    text = text.replace('crc = "required"\n', "", 1)
    with pytest.raises(BenchFileError, match=r"sources\.head\.pattern: is no regular expression"):
        parse_bench(text, Path("b.toml"))


def test_a_meter_takes_no_command() -> None:
    with pytest.raises(FrameError, match="takes no commands"):
        TextDecoder(LinkCounters(), VOLTS).encode(Command("trip", 1))


def test_it_is_made_from_the_bench_file() -> None:
    source = make_source("meter", VOLTS)
    assert isinstance(source, TextSource)
    assert source.place == "/dev/ttyUSB1"


@given(st.binary(max_size=600))
def test_no_bytes_raise(data: bytes) -> None:
    for description in (VOLTS, spec(columns=("a", "seq", "ms"), separator=",", decimal=",", line_bytes=64)):
        counters = LinkCounters()
        decoder = TextDecoder(counters, description)
        for frame in decoder.feed(b"\n" + data):
            assert isinstance(frame, Reading)
            assert not any(math.isinf(value) for value in frame.fields.values())


@pytest.mark.parametrize(
    ("data", "text"),
    [(b"a\x00\xff", r"a\x00\xff"), ("µ\x07", r"µ\x07"), ("x" * 500, "x" * 117 + "..."), (b"", "")],
)
def test_what_is_shown_is_printable_and_short(data: bytes | str, text: str) -> None:
    assert shown(data) == text
