"""The line format of the bench's own devices, version 1: bytes to what they say, and back.

The specification, written for whoever writes firmware, is ``firmware_notes/wire_format.md``. In short::

    seq=1234 ms=56789 volts=12.345 amps=8.210 temp=41.30 relay=1 *A1B2      device, a frame
    hello=torch-head version=1 *A1B2                                        device, at power-up
    do=trip n=17 *A1B2                                                      host, a command
    ack=17 ok=1 *A1B2      ack=17 ok=0 why=hot *A1B2                        device, its reply

The four hexadecimal digits are the CRC-16 of every byte before the ``*``. Nothing here knows of ports,
threads or time: functions from bytes to values, so that firmware tests and simulations can use them too.
"""

from __future__ import annotations

import binascii
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Literal, NoReturn

from daq.errors import ChecksumError, FrameError
from daq.frame import NO_SEQ
from daq.sources.reading import MAX_COUNT, Hello, Reading, Reply

__all__ = [
    "MAX_COMMAND_NUMBER",
    "MAX_LINE_BYTES",
    "WIRE_VERSION",
    "Crc",
    "Line",
    "TripCause",
    "WireCommand",
    "checksum",
    "decode_line",
    "encode_command",
    "encode_frame",
    "encode_hello",
    "encode_reply",
]

WIRE_VERSION: Final = 1
MAX_LINE_BYTES: Final = 240
"""Longest line, its LF included [bytes]."""
MAX_COMMAND_NUMBER: Final = 0xFFFF
"""Largest `n` of a command; the one after it is 1."""

Crc = Literal["required", "optional"]


class TripCause(IntEnum):
    """The field `trip`: why the device holds its relay open."""

    NONE = 0
    HOST_COMMAND = 1
    DEVICE_OVER_TEMPERATURE = 2
    HEARTBEAT_LOST = 3
    SENSOR_FAULT = 4


@dataclass(frozen=True, slots=True)
class WireCommand:
    """What the host tells the device: `trip`, `reset` or `beat`, numbered."""

    action: str
    n: int
    checked: bool = True


Line = Reading | Reply | Hello | WireCommand

_NAME = r"[a-z][a-z0-9_]{0,23}"
# At most two exponent digits: with fifteen digits before the point nothing can overflow to infinity.
_NUMBER = r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,15})?|\.[0-9]{1,15})(?:[eE][+-]?[0-9]{1,2})?"
_FRAME_RE = re.compile(rf"(?:{_NAME}=(?:{_NUMBER}|nan)(?: +|\Z))+")
_NAME_RE = re.compile(_NAME)
_VALUE_RE = re.compile(rf"(?:{_NUMBER}|nan)")
_COUNT_RE = re.compile(r"[0-9]{1,10}")
_DEVICE_RE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}")
_HEX_RE = re.compile(rb"[0-9A-F]{4}")
# `do` and `ack` and `hello` name a line's kind, so that no field can be taken for one.
_RESERVED = frozenset({"do", "ack", "hello", "seq", "ms"})


def checksum(data: bytes) -> int:
    """CRC-16 of `data`: polynomial 1021h, initial value FFFFh, not reflected, no final XOR.

    Known as CRC-16/IBM-3740, long called CCITT-FALSE. Its check value, of the nine bytes "123456789", is
    29B1h. Detects every burst of up to 16 bits, so every flipped bit.
    """
    return binascii.crc_hqx(data, 0xFFFF)


def decode_line(line: bytes, *, crc: Crc = "required") -> Line:
    """What one line says.

    Parameters
    ----------
    line : bytes
        One line, with or without its ending.
    crc : "required" or "optional"
        "optional" also takes lines without a checksum (their `checked` is False), and frames without
        `seq` or `ms`. A checksum that is there must be right either way.

    Raises
    ------
    ChecksumError
        The line is complete and its checksum is not the one of its bytes.
    FrameError
        The line is not one of this format.
    """
    if len(line) > MAX_LINE_BYTES + 1:  # one more for the CR that some devices put before the LF
        _malformed(f"the line is longer than {MAX_LINE_BYTES} bytes", line)
    body, star, digits = line.rstrip(b"\r\n").partition(b"*")
    checked = bool(star)
    if checked:
        if not _HEX_RE.fullmatch(digits):
            _malformed("the checksum is not four upper-case hexadecimal digits", digits)
        if int(digits, 16) != binascii.crc_hqx(body, 0xFFFF):
            raise ChecksumError(
                "the checksum does not fit the line",
                place="line",
                value=_shown(line),
                remedy=f"its bytes give {binascii.crc_hqx(body, 0xFFFF):04X}; check the wiring, the baud rate"
                " and that the checksum covers every byte before the *",
            )
    elif crc == "required":
        _malformed('there is no checksum ("*" and four hexadecimal digits)', line)
    try:
        text = body.decode("ascii").rstrip(" ")
    except UnicodeDecodeError:
        _malformed("there are bytes that are not ASCII", line)
    if text.startswith("ack="):
        return _reply(_words(text), checked)
    if text.startswith("hello="):
        return _hello(_words(text), checked)
    if text.startswith("do="):
        return _command(_words(text), checked)
    return _frame(text, checked, bare=crc == "optional")


def _frame(text: str, checked: bool, *, bare: bool) -> Reading:
    # One match over the whole line is several times cheaper than a check of each word.
    if not _FRAME_RE.fullmatch(text):
        _explain(text)
    words = text.split()
    pairs = dict([word.split("=", 1) for word in words])
    if len(pairs) != len(words):
        _malformed("a field is named twice", text)
    seq_text, ms_text = pairs.pop("seq", None), pairs.pop("ms", None)
    if not bare and (seq_text is None or ms_text is None):
        _malformed("a frame carries both seq and ms", text)
    if not pairs:
        _malformed("the frame carries no values", text)
    return Reading(
        {name: float(value) for name, value in pairs.items()},
        NO_SEQ if seq_text is None else _count("seq", seq_text, MAX_COUNT),
        None if ms_text is None else _count("ms", ms_text, MAX_COUNT),
        checked,
    )


def _reply(words: dict[str, str], checked: bool) -> Reply:
    n = _count("ack", words["ack"], MAX_COMMAND_NUMBER)
    ok = words.get("ok")
    if ok not in ("0", "1"):
        _malformed("a reply says ok=1 or ok=0", ok)
    why = words.get("why")
    if why is not None and not _NAME_RE.fullmatch(why):
        _malformed("the reason of a reply is one lower-case word", why)
    return Reply(n, ok == "1", why, checked)


def _hello(words: dict[str, str], checked: bool) -> Hello:
    name = words.pop("hello")
    if not _DEVICE_RE.fullmatch(name):
        _malformed("a device's name is up to 32 letters, digits, dots, dashes and underscores", name)
    version = _count("version", words.pop("version", ""), MAX_COMMAND_NUMBER)
    problem = ""
    if version != WIRE_VERSION:
        problem = f"this program reads version {WIRE_VERSION}, so expect refused lines"
    return Hello(name, version, words, checked, problem)


def _command(words: dict[str, str], checked: bool) -> WireCommand:
    action = words["do"]
    if not _NAME_RE.fullmatch(action):
        _malformed("a command is one lower-case word", action)
    n = _count("n", words.get("n", ""), MAX_COMMAND_NUMBER)
    if n == 0:
        _malformed(f"commands are numbered 1 to {MAX_COMMAND_NUMBER}", n)
    return WireCommand(action, n, checked)


def _words(text: str) -> dict[str, str]:
    words: dict[str, str] = {}
    for word in text.split(" "):
        if not word:
            continue
        name, equals, value = word.partition("=")
        if not equals or not _NAME_RE.fullmatch(name) or not value or not value.isprintable():
            _malformed("a word is not name=value", word)
        if name in words:
            _malformed("a word is given twice", name)
        words[name] = value
    return words


def _count(name: str, text: str, largest: int) -> int:
    if not _COUNT_RE.fullmatch(text) or (value := int(text)) > largest:
        _malformed(f"{name} is a whole number from 0 to {largest}", text)
    return value


def _explain(text: str) -> NoReturn:
    """Say which word of a frame is wrong: off the fast path."""
    if not text:
        _malformed("the line is empty", None)
    for word in text.split(" "):
        name, equals, value = word.partition("=")
        if word and not equals:
            _malformed("a word is not name=value", word)
        if word and not _NAME_RE.fullmatch(name):
            _malformed("a field's name is up to 24 lower-case letters, digits and underscores", name)
        if word and not _VALUE_RE.fullmatch(value):
            _malformed(f"the value of {name} is not a decimal number or nan", value)
    _malformed("the line is not name=value words with spaces between", text)


def _malformed(message: str, value: object) -> NoReturn:
    shown = _shown(value) if isinstance(value, bytes) else value
    raise FrameError(message, place="line", value=shown, remedy="see firmware_notes/wire_format.md")


def _shown(line: bytes) -> str:
    return line[:MAX_LINE_BYTES].decode("ascii", "backslashreplace")


def encode_frame(seq: int, ms: int, fields: Mapping[str, float], *, crc: bool = True) -> bytes:
    """A frame's line, LF included; numbers with nine significant digits.

    Parameters
    ----------
    seq, ms : int
        Number and milliseconds; they wrap at 2**32 here, so that a simulation may count on.
    fields : mapping of str to float
        At least one; NaN for a value that is missing.
    crc : bool
        Whether to end it with its checksum.

    Raises
    ------
    FrameError
        For a name that the format forbids, an infinite value, no values, and a line longer than
        `MAX_LINE_BYTES`.
    """
    if not fields:
        _malformed("the frame carries no values", None)
    words = [f"seq={seq & MAX_COUNT}", f"ms={ms & MAX_COUNT}"]
    for name, number in fields.items():
        value = 0.0 if abs(number) < 1e-99 else number  # an exponent has two digits
        if name in _RESERVED or not _NAME_RE.fullmatch(name):
            _malformed("not a field's name", name)
        if math.isinf(value) or abs(value) >= 1e99:
            _malformed(f"the value of {name} can not be sent", value)
        words.append(f"{name}=nan" if math.isnan(value) else f"{name}={value:.9g}")
    return _sealed(" ".join(words), crc)


def encode_command(action: str, n: int) -> bytes:
    """A command's line, always with its checksum. `n` is 1 to `MAX_COMMAND_NUMBER`."""
    if not _NAME_RE.fullmatch(action):
        _malformed("a command is one lower-case word", action)
    if not 1 <= n <= MAX_COMMAND_NUMBER:
        _malformed(f"commands are numbered 1 to {MAX_COMMAND_NUMBER}", n)
    return _sealed(f"do={action} n={n}", True)


def encode_reply(n: int, ok: bool, why: str | None = None, *, crc: bool = True) -> bytes:
    """A reply's line.

    Parameters
    ----------
    n : int
        The command's number, 0 to `MAX_COMMAND_NUMBER`.
    ok : bool
        Whether it was obeyed.
    why : str, optional
        One lower-case word, for a refusal; None says no reason.
    crc : bool
        Whether to end it with its checksum.
    """
    if not 0 <= n <= MAX_COMMAND_NUMBER:
        _malformed(f"ack is a whole number from 0 to {MAX_COMMAND_NUMBER}", n)
    if why is not None and not _NAME_RE.fullmatch(why):
        _malformed("the reason of a reply is one lower-case word", why)
    return _sealed(f"ack={n} ok={int(ok)}" + (f" why={why}" if why else ""), crc)


def encode_hello(name: str, version: int = WIRE_VERSION, *, crc: bool = True) -> bytes:
    """The line a device sends at power-up.

    Parameters
    ----------
    name : str
        The device's, up to 32 letters, digits, dots, dashes and underscores.
    version : int
        Of the line format, at least 1.
    crc : bool
        Whether to end it with its checksum.
    """
    if not _DEVICE_RE.fullmatch(name):
        _malformed("a device's name is up to 32 letters, digits, dots, dashes and underscores", name)
    if not 1 <= version <= MAX_COMMAND_NUMBER:
        _malformed("not a version", version)
    return _sealed(f"hello={name} version={version}", crc)


def _sealed(text: str, crc: bool) -> bytes:
    body = text.encode("ascii")
    if crc:
        body += b" "
        body += b"*%04X" % checksum(body)
    if len(body) + 1 > MAX_LINE_BYTES:
        _malformed(f"the line is longer than {MAX_LINE_BYTES} bytes", body)
    return body + b"\n"
