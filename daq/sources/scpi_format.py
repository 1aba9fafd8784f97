"""What a SCPI instrument answers, to numbers: IEEE 488.2's forms, SCPI's not-a-number, the error queue.

References: IEEE Std 488.2-1992, section 8.7 (response data: NR1, NR2, NR3, hexadecimal, octal, binary,
string, definite length block); SCPI-1999, volume 1, section 7.2.1 (9.91E37 is not a number, 9.9E37 and
-9.9E37 are the infinities) and volume 2, section 21.8 (SYSTem:ERRor). Functions from text to values: nothing
here knows of ports or time.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from daq.errors import FrameError

__all__ = [
    "NAN_VALUE",
    "DeviceError",
    "is_identity",
    "parse_error",
    "parse_number",
    "parse_numbers",
    "split_answer",
]

INF_VALUE: Final = 9.9e37
NAN_VALUE: Final = 9.91e37
_NO_NUMBER: Final = INF_VALUE * (1 - 1e-6)
"""From here on nothing is a number. Makers disagree on signs, and on which of them means "can not be
measured", so none is ever handed on as one."""

# At most fifteen digits each side and a three-digit exponent: what overflows is no number either.
_DECIMAL: Final = re.compile(
    r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[ ]?[eE][ ]?[+-]?[0-9]{1,3})?"
)
_BASES: Final = {"H": (16, re.compile(r"[0-9A-F]{1,13}")), "Q": (8, re.compile(r"[0-7]{1,17}")),
                 "B": (2, re.compile(r"[01]{1,52}"))}  # fmt: skip
_ERROR: Final = re.compile(r'([+-]?[0-9]{1,6})\s*,\s*"((?:[^"]|""){0,400})"?')
_MOST_VALUES: Final = 64


@dataclass(frozen=True, slots=True)
class DeviceError:
    """An entry of the error queue; code 0 is "no error"."""

    code: int
    text: str

    @property
    def group(self) -> str:
        """Whose fault it is, by the standard's ranges."""
        for first, words in ((-100, "command"), (-200, "execution"), (-300, "device"), (-400, "query")):
            if first - 99 <= self.code <= first:
                return words
        return "instrument"

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


def parse_number(text: str) -> float:
    """One number of an answer: NR1, NR2 or NR3, or #H, #Q, #B.

    Returns NaN for SCPI's not-a-number and an infinity for its infinities. Raises FrameError for the rest.
    """
    word = text.strip()
    if word.startswith("#"):
        return _in_base(word)
    if not _DECIMAL.fullmatch(word):
        raise _wrong("not a number", text)
    value = float(word.replace(" ", ""))
    if abs(value) < _NO_NUMBER:
        return value
    if abs(abs(value) - NAN_VALUE) < 1e-3 * NAN_VALUE * 0.5:
        return math.nan
    return math.copysign(math.inf, value)


def _in_base(word: str) -> float:
    base = _BASES.get(word[1:2].upper())
    digits = word[2:].upper()
    if base is not None and base[1].fullmatch(digits):
        return float(int(digits, base[0]))
    if word[1:2].isdigit():
        raise FrameError(
            "the instrument answers in binary",
            place="answer",
            value=word[:40],
            remedy="set it to answer in text (FORMat ASCii), at its panel or with its own program",
        )
    raise _wrong("not a number", word)


def split_answer(text: str) -> list[str]:
    """An answer's parts: between commas and semicolons that stand outside quotes. Raises FrameError."""
    parts, start, quote = [], 0, ""
    for i, char in enumerate(text):
        if quote:
            if char == quote:
                quote = ""
        elif char in "\"'":
            quote = char
        elif char in ",;":
            parts.append(text[start:i])
            start = i + 1
    if quote:
        raise _wrong("a quotation is not closed", text)
    parts.append(text[start:])
    if len(parts) > _MOST_VALUES:
        raise _wrong(f"more than {_MOST_VALUES} values", text)
    return [part.strip() for part in parts]


def parse_numbers(text: str, count: int) -> list[float]:
    """`count` numbers of one answer. Raises FrameError when it holds another number of them."""
    parts = split_answer(text)
    if len(parts) != count:
        raise _wrong(f"{len(parts)} values where {count} are described", text)
    return [parse_number(part) for part in parts]


def parse_error(text: str) -> DeviceError:
    """An answer to ``SYSTem:ERRor?``. Raises FrameError when it is none."""
    found = _ERROR.fullmatch(text.strip())
    if found is None:
        raise _wrong("not an entry of an error queue", text)
    return DeviceError(int(found[1]), found[2].replace('""', '"'))


def is_identity(text: str) -> bool:
    """Whether a line may be an answer to ``*IDN?``: words, and neither a number nor an error."""
    if not any(char.isalpha() for char in text) or not text.isprintable() or text.endswith("?"):
        return False
    for parse in (parse_number, parse_error):
        try:
            parse(text)
        except FrameError:
            continue
        return False
    return True


def _wrong(message: str, value: str) -> FrameError:
    return FrameError(
        message, place="answer", value=value[:80], remedy="compare the query with the instrument's manual"
    )
