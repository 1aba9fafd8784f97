"""IEEE 488.2 and SCPI-1999: number forms, not-a-number, the error queue.

The rows are from those standards and from instrument makers' programming manuals that restate them.
"""

from __future__ import annotations

import math

import pytest

from daq.errors import FrameError
from daq.sources.scpi_format import is_identity, parse_error, parse_number, parse_numbers, split_answer


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # IEEE 488.2 sections 8.7.2 to 8.7.4: NR1, NR2, NR3; 7.7.2.4: NRf, which a reader takes too
        ("12", 12.0),
        ("+5", 5.0),
        ("-300", -300.0),
        ("12.3", 12.3),
        ("-.5", -0.5),
        ("+1.23456789E+01", 12.3456789),
        ("1.E-3", 0.001),
        ("1.0E+003", 1000.0),
        # 8.7.5 to 8.7.7: hexadecimal, octal, binary
        ("#H1F", 31.0),
        ("#Q17", 15.0),
        ("#B101", 5.0),
    ],
)
def test_number_forms(text: str, value: float) -> None:
    assert parse_number(text) == value


@pytest.mark.parametrize("text", ["9.91E37", "+9.91E+37", "9.910000E37", "+9.91000000E+37"])
def test_not_a_number(text: str) -> None:
    # SCPI-1999 volume 1, 7.2.1.4
    assert math.isnan(parse_number(text))


@pytest.mark.parametrize(
    ("text", "value"),
    [("9.9E37", math.inf), ("+9.90000000E+37", math.inf), ("-9.9E37", -math.inf), ("-9.90E+37", -math.inf)],
)
def test_infinities(text: str, value: float) -> None:
    # SCPI-1999 volume 1, 7.2.1.5
    assert parse_number(text) == value


def test_a_number_just_below_is_one() -> None:
    assert parse_number("9.8E37") == 9.8e37


@pytest.mark.parametrize(
    "text", ["", "volts", "1,2", "0x10", "1.2.3", "12 V", "NAN", "#15ABCDE", "#0AB", "#H", "1e"]
)
def test_what_is_no_number(text: str) -> None:
    with pytest.raises(FrameError):
        parse_number(text)


def test_a_block_says_what_to_set() -> None:
    # IEEE 488.2 section 8.7.9: one digit says how many digits of length follow.
    with pytest.raises(FrameError, match="answers in binary"):
        parse_number("#15ABCDE")


@pytest.mark.parametrize(
    ("text", "code", "words", "group"),
    [
        # SCPI-1999 volume 2, 21.8: the ranges of codes, and what these stand for
        ('0,"No error"', 0, "No error", "instrument"),
        ('+0,"No error"', 0, "No error", "instrument"),
        ('-113,"Undefined header"', -113, "Undefined header", "command"),
        ('-222,"Data out of range"', -222, "Data out of range", "execution"),
        ('-350,"Queue overflow"', -350, "Queue overflow", "device"),
        ('-410,"Query INTERRUPTED"', -410, "Query INTERRUPTED", "query"),
        ('101,"a ""hot"" part; over 80 C"', 101, 'a "hot" part; over 80 C', "instrument"),
    ],
)
def test_the_error_queue(text: str, code: int, words: str, group: str) -> None:
    error = parse_error(text)
    assert (error.code, error.text, error.group) == (code, words, group)


@pytest.mark.parametrize("text", ["", "No error", "12.5", '-113 "Undefined header"', "Maker,Model,0,1"])
def test_what_is_no_error(text: str) -> None:
    with pytest.raises(FrameError, match="error queue"):
        parse_error(text)


def test_an_identity_has_four_fields_of_words() -> None:
    # IEEE 488.2 section 10.14: maker, model, serial number or 0, firmware or 0
    assert is_identity("MAKER,MODEL 34,0,0")
    assert not is_identity("+1.2E+01")
    assert not is_identity('-113,"Undefined header"')
    assert not is_identity("*IDN?")
    assert not is_identity("1,2,3,4")


def test_answers_of_several_units() -> None:
    # IEEE 488.2 section 8.4.1: data of one unit between commas, units between semicolons
    assert parse_numbers("12.5;8.25", 2) == [12.5, 8.25]
    assert parse_numbers("+1.0E0, 2,3", 3) == [1.0, 2.0, 3.0]
    assert split_answer('1,"a,b;c",2') == ["1", '"a,b;c"', "2"]
    for text, count in (("1,2", 1), ("1", 2), ("", 1), ('"open,1', 2), ("1," * 100, 101)):
        with pytest.raises(FrameError):
            parse_numbers(text, count)
