"""Which ports there are, and what is heard on one."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from serial.tools import list_ports as _pyserial_ports

from daq.errors import ChecksumError, FrameError
from daq.sources.serial_port import SerialPort
from daq.sources.splitter import Splitter
from daq.sources.wire import Crc, Line, checksum, decode_line

__all__ = ["HeardLine", "Listened", "PortInfo", "list_ports", "listen"]

_BY_ID: Final = Path("/dev/serial/by-id")
_MOST_RAW: Final = 4096


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this computer.

    Attributes
    ----------
    device : str
        The name to put into a bench file. On Linux the one under /dev/serial/by-id where there is one,
        because it stays the same when devices are plugged in in another order.
    description : str
        What it is, in words.
    hardware_id : str
        USB vendor, product and serial number, or the like.
    path : str
        The name that the system gave it this time.
    """

    device: str
    description: str
    hardware_id: str
    path: str


def list_ports() -> list[PortInfo]:
    """The serial ports of this computer, in order of name."""
    stable = _stable_names(_BY_ID)
    return [
        PortInfo(
            stable.get(port.device, port.device), _known(port.description), _known(port.hwid), port.device
        )
        for port in sorted(_pyserial_ports.comports(), key=lambda p: p.device)
    ]


def _known(text: str | None) -> str:
    return text if text and text != "n/a" else ""


def _stable_names(folder: Path) -> dict[str, str]:
    try:
        links = sorted(folder.iterdir())
    except OSError:
        return {}
    return {str(link.resolve()): str(link) for link in links}


@dataclass(frozen=True, slots=True)
class HeardLine:
    """One line as it came, and what it says or why it is refused."""

    raw: bytes
    decoded: Line | None
    problem: str | None


@dataclass(frozen=True, slots=True)
class Listened:
    """What was heard on a port.

    Attributes
    ----------
    lines : list of HeardLine
        The first lines; the half line at the beginning is left out.
    received : int
        Bytes that came.
    good, refused : int
        Lines that were good and that were not, of all that came.
    beginning : bytes
        The first bytes, at most 4096, as they came.
    advice : list of str
        What is wrong and what to do, the surest first; empty when all is well.
    """

    port: str
    baud: int
    lines: list[HeardLine]
    received: int
    good: int
    refused: int
    beginning: bytes
    advice: list[str] = field(default_factory=list)


def listen(port: str, baud: int, seconds: float, *, crc: Crc = "required", most: int = 20) -> Listened:
    """Listen on a port, sending nothing, and say what is heard and what is wrong.

    Parameters
    ----------
    port : str
        As in a bench file.
    baud : int
        [baud]
    seconds : float
        For how long [s].
    crc : {"required", "optional"}
        Whether a line must have its checksum.
    most : int
        How many lines are kept; listening ends early when so many good ones came.

    Raises
    ------
    PortError
        When the port can not be opened or goes away.
    """
    splitter, lines, beginning = Splitter(), list[HeardLine](), bytearray()
    received = good = refused = 0
    handle = SerialPort(port, baud)
    try:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline and good < most:
            chunk = handle.read()
            received += len(chunk)
            beginning += chunk[: _MOST_RAW - len(beginning)]
            for raw in splitter.feed(chunk):
                line = _judge(raw, crc)
                good += line.problem is None
                refused += line.problem is not None
                if len(lines) < most:
                    lines.append(line)
    finally:
        handle.close()
    refused += splitter.overlong
    advice = _advise(bytes(beginning), lines, received, good, refused, baud)
    return Listened(port, baud, lines, received, good, refused, bytes(beginning), advice)


def _judge(raw: bytes, crc: Crc) -> HeardLine:
    try:
        return HeardLine(raw, decode_line(raw, crc=crc), None)
    except FrameError as exc:
        more = _near_miss(raw) if isinstance(exc, ChecksumError) else None
        return HeardLine(raw, None, more or str(exc))


def _near_miss(raw: bytes) -> str | None:
    """Which common mistake made this checksum, if one did."""
    body, _, digits = raw.partition(b"*")
    given = int(digits, 16)
    if given == checksum(body.rstrip(b" ")):
        return "the checksum leaves out the space before the *; it covers every byte before it"
    for name, polynomial, initial, reflected in _NEIGHBOURS:
        if given == _crc16(body, polynomial, initial, reflected=reflected):
            return (
                f"the checksum is the {name} kind; the format's is polynomial 1021h from FFFFh, not reflected"
            )
    right = checksum(body)
    if given == (right >> 8 | (right & 0xFF) << 8):
        return "the two bytes of the checksum are swapped; the high byte comes first"
    return None


# What people take for the format's checksum; names and parameters as in check value catalogues.
_NEIGHBOURS: Final = (
    ("XMODEM", 0x1021, 0x0000, False),
    ("KERMIT", 0x1021, 0x0000, True),
    ("ARC", 0x8005, 0x0000, True),
    ("MODBUS", 0x8005, 0xFFFF, True),
)


def _crc16(data: bytes, polynomial: int, initial: int, *, reflected: bool) -> int:
    value = initial
    for byte in data:
        value ^= (_mirrored(byte, 8) if reflected else byte) << 8
        for _ in range(8):
            value = (value << 1 ^ polynomial if value & 0x8000 else value << 1) & 0xFFFF
    return _mirrored(value, 16) if reflected else value


def _mirrored(value: int, bits: int) -> int:
    return int(f"{value:0{bits}b}"[::-1], 2)


def _advise(
    beginning: bytes, lines: list[HeardLine], received: int, good: int, refused: int, baud: int
) -> list[str]:
    if not received:
        return ["nothing was heard: check the cable, that the device is powered, and that it sends unasked"]
    advice = []
    strange = sum(not (0x20 <= byte < 0x7F or byte in b"\r\n\t") for byte in beginning)
    if strange > len(beginning) // 10:
        advice.append(
            f"{strange} of {len(beginning)} bytes are not text: the baud rate is probably not {baud}"
        )
    elif not good and not refused:
        advice.append(
            "bytes came and no whole line: the device sends slowly, or does not end its lines with LF"
        )
    problems = list(dict.fromkeys(line.problem for line in lines if line.problem))
    advice += problems[:3]
    if good and refused:
        advice.append(f"{refused} of {good + refused} lines were refused: look for noise, or a loose ground")
    if any(line.decoded is not None and not line.decoded.checked for line in lines):
        advice.append("lines come without a checksum, so a damaged number can not be told from a right one")
    return advice
