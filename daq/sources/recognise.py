"""What speaks on a port: listened to first, and asked only if it is silent and asking is allowed.

Listening sends nothing. Asking sends ``*IDN?`` of IEEE 488.2, which every SCPI instrument answers with its
name; `daq.sources.modbus_probe` sends reads of registers. Neither changes anything, and nothing here can send
another thing but a query that `check_question` lets pass.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from daq.bench.scpi_spec import check_question
from daq.errors import ChecksumError, FrameError, PortError
from daq.frame import NO_SEQ
from daq.sources.reading import Hello, Reading
from daq.sources.scpi_format import is_identity
from daq.sources.serial_port import SerialPort, over_network
from daq.sources.splitter import Splitter
from daq.sources.text_guess import guess_text
from daq.sources.transcript import shown
from daq.sources.wire import decode_line

__all__ = ["BAUDS", "FRAMINGS", "Recognised", "ask_scpi", "hear", "identify", "rate_of"]

BAUDS: Final = (115_200, 9_600, 19_200, 57_600, 38_400)
"""Baud rates that are tried, the commonest first (common practice, no published source)."""
FRAMINGS: Final = ("8N1", "8E1")
_ANSWER_S: Final = 0.6
_ENDS: Final[tuple[Literal["\n", "\r\n"], ...]] = ("\n", "\r\n")
_ENOUGH: Final = 40
_FEW: Final = 3
_TEXT_SHARE: Final = 0.9

Kind = Literal["line", "text", "scpi", "modbus", "mqtt", "silent", "unknown"]


@dataclass(frozen=True, slots=True)
class Recognised:
    """What speaks on a port.

    Attributes
    ----------
    port : str
    kind : str
        A kind of source; "silent" where nothing came, "unknown" where what came makes no sense.
    baud : int
    framing : str
    about : str
        What it says of itself, or what is wrong.
    keys : dict
        Further keys of the bench file's source.
    values : dict of str to float
        The latest value by field.
    units : dict of str to str
        The unit by field, where it is told.
    decimals : dict of str to int
        Digits after the point, by field, where they are printed.
    rate_hz : float
        Frames a second; 0 where it is not known.
    heard : list of str
        The first lines.
    """

    port: str
    kind: Kind
    baud: int
    framing: str = "8N1"
    about: str = ""
    keys: dict[str, Any] = field(default_factory=dict)
    values: dict[str, float] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    decimals: dict[str, int] = field(default_factory=dict)
    rate_hz: float = 0.0
    heard: list[str] = field(default_factory=list)


def hear(port: str, seconds: float, *, bauds: Sequence[int] = BAUDS) -> Recognised:
    """Listen to a port, at one baud rate after another while what comes is no text. Sends nothing.

    Parameters
    ----------
    port : str
        As in a bench file; one of Modbus/TCP is silent, as it never speaks unasked.
    seconds : float
        For how long at each rate [s].
    bauds : sequence of int
        Rates to try; over a network the first alone.

    Raises
    ------
    PortError
        When the port can not be opened or goes away.
    """
    if port.lower().startswith("tcp://"):
        return Recognised(port, "silent", bauds[0])  # Modbus/TCP never speaks unasked
    unknown: Recognised | None = None
    for baud in bauds[:1] if over_network(port) else bauds:
        received, lines = _collect(port, baud, seconds)
        if not received:
            return unknown or Recognised(port, "silent", baud)
        found = _recognised(port, baud, received, lines, seconds)
        if found.kind != "unknown":
            return found
        unknown = unknown or found
    assert unknown is not None
    return unknown


def _collect(port: str, baud: int, seconds: float) -> tuple[bytes, list[tuple[float, bytes]]]:
    """Bytes and whole lines with their times [s]; of a slow device thrice as long."""
    handle = SerialPort(port, baud)
    splitter, received, lines = Splitter(4096), bytearray(), list[tuple[float, bytes]]()
    try:
        began = time.monotonic()
        while (now := time.monotonic()) - began < seconds * (3.0 if received and len(lines) < _FEW else 1.0):
            chunk = handle.read()
            received += chunk[: 65_536 - len(received)]
            lines += [(now, line) for line in splitter.feed(chunk)]
            if len(lines) >= _ENOUGH and now - began >= min(1.0, seconds):
                break
            if received and not _is_text(received) and now - began >= min(1.0, seconds):
                break
    finally:
        handle.close()
    return bytes(received), lines


def _is_text(data: bytes | bytearray) -> bool:
    # Bytes above 7Fh are a degree sign or a micro now and then; most of a wrong baud rate's are control
    # characters and such.
    good = sum(0x20 <= byte < 0x7F or byte in b"\r\n\t" for byte in data)
    return good >= _TEXT_SHARE * len(data)


def _recognised(
    port: str, baud: int, received: bytes, lines: Sequence[tuple[float, bytes]], seconds: float
) -> Recognised:
    texts = [shown(line) for _, line in lines]
    if not _is_text(received):
        about = f"what comes is no text at {baud} baud: another baud rate, or not a device that sends text"
        return Recognised(port, "unknown", baud, about=about, heard=[received[:40].hex(" ")])
    if not lines:
        about = f"{len(received)} bytes came and no whole line: it sends slowly, or ends its lines otherwise"
        return Recognised(port, "unknown", baud, about=about, heard=[shown(received[:80])])
    return _as_line(port, baud, lines, texts, seconds) or _as_text(port, baud, lines, texts, seconds)


def _as_line(
    port: str, baud: int, lines: Sequence[tuple[float, bytes]], texts: list[str], seconds: float
) -> Recognised | None:
    frames: list[tuple[float, Reading]] = []
    decimals: dict[str, int] = {}
    about, spoilt = "", 0
    for t, raw in lines:
        try:
            message = decode_line(raw, crc="optional")
        except FrameError as exc:
            spoilt += isinstance(exc, ChecksumError)
            continue
        if isinstance(message, Hello):
            about = f"{message.name} says hello"
        elif isinstance(message, Reading):
            frames.append((t, message))
            for word in raw.decode("ascii", "replace").split():
                name, _, number = word.partition("=")
                decimals[name] = max(decimals.get(name, 0), _decimals(number))
    if len(frames) < max(1, len(lines) // 2):
        return None
    last: dict[str, float] = {}
    for _, frame in frames:
        last |= frame.fields
    checked = all(frame.checked for _, frame in frames)
    timed = all(frame.ms is not None and frame.seq != NO_SEQ for _, frame in frames)
    if spoilt:
        about = f"{about}; {spoilt} lines had a wrong checksum".lstrip("; ")
    return Recognised(
        port,
        "line",
        baud,
        about=about or "it speaks the line format",
        keys={"crc": "required" if checked else "optional", "clock": "fitted" if timed else "host"},
        values=last,
        decimals={name: decimals[name] for name in last},
        rate_hz=rate_of(_times(frames), seconds),
        heard=texts[:3],
    )


def _times(frames: Sequence[tuple[float, Reading]]) -> list[float]:
    """When frames were measured [s]: by the device's own clock where it has one, which no port delays."""
    own = [frame.ms for _, frame in frames if frame.ms is not None]
    if len(own) == len(frames) and own == sorted(own):
        return [ms * 1e-3 for ms in own]
    return [t for t, _ in frames]


def _as_text(
    port: str, baud: int, lines: Sequence[tuple[float, bytes]], texts: list[str], seconds: float
) -> Recognised:
    guess = guess_text([_decoded(raw) for _, raw in lines])
    if guess is None:
        about = "it sends text without numbers, or in no order that is recognised: describe it by a pattern"
        return Recognised(port, "unknown", baud, about=about, heard=texts[:3])
    times = [t for t, _ in lines]
    return Recognised(
        port,
        "text",
        baud,
        about=f"{guess.matched} of {len(lines)} lines are readings",
        keys=guess.keys,
        values=guess.values,
        units=guess.units,
        rate_hz=rate_of(times, seconds) * guess.matched / len(lines),
        heard=texts[:3],
    )


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _decimals(number: str) -> int:
    _, point, digits = number.partition(".")
    return len(digits) if point and digits.isdigit() else 0


def rate_of(times: Sequence[float], seconds: float) -> float:
    """Lines a second, from the first to the last, as far as two digits go."""
    span = times[-1] - times[0] if times else 0.0
    rate = (len(times) - 1) / span if span > 0.2 else len(times) / seconds
    return round(rate, 1 - math.floor(math.log10(rate))) if rate > 0.0 else 0.0


def identify(port: str, *, bauds: Sequence[int] = BAUDS) -> Recognised:
    """Ask a silent port who it is, by ``*IDN?`` and by nothing else. Raises PortError."""
    for baud in bauds[:1] if over_network(port) else bauds:
        handle = SerialPort(port, baud)
        try:
            for end in _ENDS:
                reply = _answer(handle, "*IDN?", end, _ANSWER_S)
                # Twice the same: once it may be an answer that another program has left behind.
                again = _answer(handle, "*IDN?", end, _ANSWER_S) if reply else None
                if not reply or reply != again:
                    continue
                if is_identity(reply) and reply.count(",") >= 2:
                    # Maker, model and serial number; its firmware may be brought up to date.
                    keys = {"identity": ",".join(reply.split(",")[:3])[:120], "line_end": end}
                    return Recognised(port, "scpi", baud, about=shown(reply), keys=keys, heard=[shown(reply)])
                about = f"it answers *IDN? with {shown(reply)!r}, which is no SCPI instrument's name"
                return Recognised(port, "unknown", baud, about=about, heard=[shown(reply)])
        finally:
            handle.close()
    return Recognised(port, "silent", bauds[0])


def ask_scpi(found: Recognised, query: str, timeout_s: float = 2.0) -> str | None:
    """One query's answer; None for none in time.

    Parameters
    ----------
    found : Recognised
        The port, and how its instrument ends a line.
    query : str
        Ends in a question mark.
    timeout_s : float
        How long to wait [s].

    Raises
    ------
    ValueError
        Where it is no query, or one that acts.
    PortError
        When the port can not be opened or goes away.
    """
    check_question(query)
    handle = SerialPort(found.port, found.baud, found.framing)
    try:
        return _answer(handle, query, str(found.keys.get("line_end", "\n")), timeout_s)
    finally:
        handle.close()


def _answer(handle: SerialPort, query: str, end: str, timeout_s: float) -> str | None:
    while handle.read(0.0):
        pass  # what was left behind
    try:
        handle.write(query.encode("ascii") + end.encode("ascii"))
    except PortError:
        return None  # nobody takes the bytes, so nobody answers
    splitter, until = Splitter(1024), time.monotonic() + timeout_s
    while time.monotonic() < until:
        lines = splitter.feed(handle.read())
        head = splitter.take_head()
        for line in ([head] if head is not None else []) + lines:
            text = line.decode("latin-1").strip()
            if text and text != query:  # some ports echo what is sent
                return text
    return None
