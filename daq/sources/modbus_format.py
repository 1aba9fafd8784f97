"""Modbus frames: questions to bytes, and bytes to answers, on a serial line (RTU) and over TCP.

References: Modbus Application Protocol Specification V1.1b3 (functions, exceptions, limits), Modbus over
Serial Line V1.02 (RTU frame, CRC, times), Modbus Messaging on TCP/IP V1.0b (MBAP header). Frames, checksums
and answers are pymodbus's; finding them among noise is done here. Nothing here knows of ports or time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest, WriteSingleCoilRequest
from pymodbus.pdu.diag_message import ReturnQueryDataRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteSingleRegisterRequest,
)

from daq.errors import FrameError

__all__ = [
    "ECHO",
    "EXCEPTIONS",
    "Answer",
    "RtuLine",
    "TcpStream",
    "exception_words",
    "frame_gap_s",
    "query",
    "write",
]

ECHO: Final = 8
"""Function 8, sub-function 0, "Return Query Data": the device sends back what it was sent, no more."""
_LONGEST_RTU: Final = 256
_LONGEST_TCP: Final = 260
_FAST_BAUD: Final = 19_200

EXCEPTIONS: Final = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, takes long",
    6: "device busy",
    8: "memory parity error",
    10: "gateway has no path",
    11: "gateway got no answer from the device",
}
"""V1.1b3, section 7."""

_DECODER: Final = DecodePDU(is_server=False)
_RTU: Final = FramerRTU(_DECODER)
_TCP: Final = FramerSocket(_DECODER)
_READS: Final[dict[int, type[ModbusPDU]]] = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
WRITE_COIL: Final = 5
WRITE_REGISTER: Final = 6
_WRITES: Final = (WRITE_COIL, WRITE_REGISTER)
"""What cuts a supply; the answer is the question's own words."""
_ANSWERED: Final = (*_READS, *_WRITES, ECHO)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a unit answered.

    Attributes
    ----------
    unit, function : int
        Whose answer, and to which function.
    exception : int
        The exception's code, 0 for none.
    registers, bits : tuple
        What was read; bits are filled up to whole bytes.
    echo : bytes
        What function 8 sent back.
    size : int
        Bytes of data that were read, as the frame says.
    transaction : int
        TCP's transaction number; 0 on a line.
    """

    unit: int
    function: int
    exception: int = 0
    registers: tuple[int, ...] = ()
    bits: tuple[bool, ...] = ()
    echo: bytes = b""
    size: int = 0
    transaction: int = 0


def query(unit: int, function: int, address: int, count: int) -> ModbusPDU:
    """The question for registers or bits.

    Parameters
    ----------
    unit : int
        Address of the unit, 0 to 255.
    function : int
        1 to 4, or 8, the echo.
    address : int
        The first register or bit, 0 to 65535; with function 8 the word that is to come back.
    count : int
        How many; of no account with function 8.
    """
    if function == ECHO:
        return ReturnQueryDataRequest(address.to_bytes(2, "big"), dev_id=unit)
    return _READS[function](address=address, count=count, dev_id=unit)


def write(unit: int, function: int, address: int, value: int) -> ModbusPDU:
    """What writes one register or coil.

    Parameters
    ----------
    unit : int
        Address of the unit, 0 to 255.
    function : int
        5 for a coil, 6 for a register.
    address : int
        0 to 65535.
    value : int
        0 to 65535; of a coil 0 or 1.
    """
    if function == WRITE_COIL:
        return WriteSingleCoilRequest(address=address, bits=[bool(value)], dev_id=unit)
    return WriteSingleRegisterRequest(address=address, registers=[value], dev_id=unit)


def exception_words(code: int) -> str:
    """An exception's code with its meaning."""
    return f"exception {code} ({EXCEPTIONS.get(code, 'of no known meaning')})"


def frame_gap_s(baud: int) -> float:
    """The silence before a frame on a line, t3.5 [s]: 3.5 characters of 11 bits, fixed above 19200 baud."""
    return 1.75e-3 if baud > _FAST_BAUD else 3.5 * 11 / baud


def _understood(unit: int, pdu: bytes, transaction: int = 0) -> Answer | None:
    """An answer's function code and data, or None where they make no sense."""
    if not _whole(pdu):
        return None
    decoded = _DECODER.decode(pdu)
    if decoded is None:
        return None
    if isinstance(decoded, ExceptionResponse):
        return Answer(unit, pdu[0] & 0x7F, decoded.exception_code, transaction=transaction)
    if pdu[0] == ECHO:
        return Answer(unit, ECHO, echo=pdu[3:], transaction=transaction)
    if pdu[0] in _WRITES:
        return Answer(unit, pdu[0], transaction=transaction)
    registers, bits = tuple(decoded.registers), tuple(bool(b) for b in decoded.bits)
    return Answer(unit, pdu[0], 0, registers, bits, size=pdu[1], transaction=transaction)


def _whole(pdu: bytes) -> bool:
    """Whether the data are as long as the function code asks for."""
    if len(pdu) < 2:
        return False
    function = pdu[0]
    if function & 0x80:
        return len(pdu) == 2 and function & 0x7F in _ANSWERED
    if function in _READS:
        return len(pdu) == 2 + pdu[1] and pdu[1] > 0 and (function < 3 or pdu[1] % 2 == 0)
    if function == WRITE_COIL:
        return len(pdu) == 5 and pdu[3:] in (b"\0\0", b"\xff\0")
    if function == WRITE_REGISTER:
        return len(pdu) == 5
    return function == ECHO and len(pdu) == 5 and pdu[1:3] == b"\0\0"


class RtuLine:
    """Frames on a serial line.

    Parameters
    ----------
    units : set of int
        Addresses that may answer.

    Attributes
    ----------
    sent_back : int
        How often our own question came back, as from an adapter that hears itself.
    spoiled : bool
        Whether what is pending is as long as its own beginning says, and its checksum is wrong.
    """

    def __init__(self, units: set[int]) -> None:
        self._units = frozenset(units)
        self._pending = bytearray()
        self.spoiled = False
        self.sent_back = 0

    @property
    def pending(self) -> int:
        """Bytes that belong to no frame yet; at the most 256."""
        return len(self._pending)

    def restart(self) -> None:
        """Forget what was begun."""
        self._pending.clear()
        self.spoiled = False

    def encode(self, pdu: ModbusPDU) -> bytes:
        """A question's frame."""
        return _RTU.buildFrame(pdu)

    def feed(self, chunk: bytes, own: bytes = b"") -> list[Answer]:
        """The answers that `chunk` completes. Noise before one costs nothing, a wrong checksum the frame.

        Where `own` is given, our own question, it is taken away once and counted in `sent_back`.
        """
        answers: list[Answer] = []
        self._pending += chunk
        at = self._pending.find(own) if own else -1
        if at >= 0:
            del self._pending[: at + len(own)]
            self.sent_back += 1
        data, done = bytes(self._pending), 0
        while (found := self._first(data, done)) is not None:
            answer, done = found
            answers.append(answer)
        del self._pending[: max(done, len(data) - _LONGEST_RTU)]
        return answers

    def _first(self, data: bytes, begin: int) -> tuple[Answer, int] | None:
        """The first answer from `begin` on, and where it ends."""
        self.spoiled = False
        for at in range(begin, len(data) - 4):
            if data[at] not in self._units:
                continue
            length = _rtu_length(data, at)
            if length == 0 or at + length > len(data):
                continue
            frame = data[at : at + length]
            if not FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big")):
                self.spoiled = True
                continue
            answer = _understood(frame[0], frame[1:-2])
            if answer is not None:
                self.spoiled = False
                return answer, at + length
        return None


def _rtu_length(data: bytes, at: int) -> int:
    """How long the frame is that begins there, with its CRC; 0 if none does."""
    function = data[at + 1]
    if function & 0x80:
        return 5 if function & 0x7F in _ANSWERED else 0
    if function in _READS:
        return 5 + data[at + 2]
    return 8 if function in (*_WRITES, ECHO) else 0


class TcpStream:
    """Frames over TCP, each with the number of the question that it answers."""

    def __init__(self) -> None:
        self._pending = bytearray()

    @property
    def pending(self) -> int:
        """Bytes of a frame whose end has not come yet; at the most 260."""
        return len(self._pending)

    def restart(self) -> None:
        """Forget what was begun."""
        self._pending.clear()

    def encode(self, pdu: ModbusPDU) -> bytes:
        """A question's frame."""
        return _TCP.buildFrame(pdu)

    def feed(self, chunk: bytes) -> list[Answer | None]:
        """The answers that `chunk` completes, None for a frame that makes no sense.

        Raises FrameError when the stream has lost its beat, which only a new connection mends.
        """
        answers: list[Answer | None] = []
        self._pending += chunk
        while len(self._pending) >= 6:
            length = int.from_bytes(self._pending[4:6], "big") + 6
            if self._pending[2:4] != b"\0\0" or not 8 <= length <= _LONGEST_TCP:
                raise FrameError(
                    "what came is not Modbus/TCP",
                    place="header",
                    value=bytes(self._pending[:8]).hex(" "),
                    remedy="look at the address and port; RTU through a socket is socket:// and not tcp://",
                )
            if len(self._pending) < length:
                break
            frame = bytes(self._pending[:length])
            del self._pending[:length]
            answers.append(_understood(frame[6], frame[7:], int.from_bytes(frame[:2], "big")))
        return answers
