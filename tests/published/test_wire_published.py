"""The wire format's checksum against published check values, a library, and the theory of cyclic codes.

Sources
-------
Catalogue: G. Cook, "Catalogue of parametrised CRC algorithms", entries CRC-16/IBM-3740 (alias
CRC-16/CCITT-FALSE), XMODEM, KERMIT, ARC and MODBUS: the CRC of the nine ASCII characters "123456789".
Modbus: "MODBUS over Serial Line, Specification and Implementation Guide" V1.02 (2006), appendix B: the CRC
of 02 07 is 1241h, sent low byte first. The other request is the application protocol's example of code 03.
Library: crccheck (MIT), whose classes carry the catalogue's names.
Theory: W. W. Peterson, D. T. Brown, "Cyclic codes for error detection", Proc. IRE 49 (1961) 228-235,
doi:10.1109/JRPROC.1961.287814: a CRC of 16 bits detects every burst of up to 16 bits.
"""

from __future__ import annotations

import random

import pytest
from crccheck.crc import Crc16Arc, Crc16Ibm3740, Crc16Kermit, Crc16Modbus, Crc16Xmodem

from daq.errors import ChecksumError
from daq.sources.ports import _NEIGHBOURS, _crc16, _judge
from daq.sources.wire import checksum, decode_line, encode_frame

NINE = b"123456789"


def test_check_value_of_the_catalogue() -> None:
    assert checksum(NINE) == 0x29B1
    assert checksum(b"") == 0xFFFF


def test_against_the_reference_library_on_random_bytes() -> None:
    rng = random.Random(1021)
    for length in range(300):
        data = rng.randbytes(length)
        assert checksum(data) == Crc16Ibm3740.calc(data)


@pytest.mark.parametrize(
    ("name", "check"), [("XMODEM", 0x31C3), ("KERMIT", 0x2189), ("ARC", 0xBB3D), ("MODBUS", 0x4B37)]
)
def test_the_neighbours_that_people_confuse_it_with(name: str, check: int) -> None:
    _, polynomial, initial, reflected = next(n for n in _NEIGHBOURS if n[0] == name)
    assert _crc16(NINE, polynomial, initial, reflected=reflected) == check
    assert check != checksum(NINE)


@pytest.mark.parametrize(
    ("message", "crc"),
    [(bytes.fromhex("0207"), 0x1241), (bytes.fromhex("010300 6B0003".replace(" ", "")), 0x1774)],
)
def test_examples_of_the_modbus_guide(message: bytes, crc: int) -> None:
    assert _crc16(message, 0x8005, 0xFFFF, reflected=True) == crc


@pytest.mark.parametrize(
    ("kind", "word"),
    [(Crc16Xmodem, "XMODEM"), (Crc16Kermit, "KERMIT"), (Crc16Arc, "ARC"), (Crc16Modbus, "MODBUS")],
)
def test_a_device_with_a_neighbours_checksum_is_told_which(kind: type, word: str) -> None:
    body = b"seq=1 ms=2 volts=12.5 "
    judged = _judge(body + b"*%04X" % kind.calc(body), "required")  # type: ignore[attr-defined]
    assert judged.decoded is None
    assert word in (judged.problem or "")
    short = _judge(body + b"*%04X" % checksum(body.rstrip()), "required")
    assert "the space before the *" in (short.problem or "")


def test_every_burst_of_up_to_sixteen_bits_is_detected() -> None:
    # Every length at every place, 40 patterns each: all patterns would be 2**15 at each place.
    line = encode_frame(1234, 56789, {"volts": 12.345}).rstrip(b"\n")
    body = line.partition(b"*")[0]
    rng, bits = random.Random(1961), len(body) * 8
    as_number = int.from_bytes(body, "big")
    for place in range(bits):
        for length in range(1, min(16, bits - place) + 1):
            for _ in range(40):
                inner = (
                    rng.getrandbits(length) | 1 | 1 << (length - 1)
                )  # a burst begins and ends with an error
                damaged = (as_number ^ inner << place).to_bytes(len(body), "big")
                assert checksum(damaged) != checksum(body)


def test_a_line_with_a_damaged_checksum_is_refused() -> None:
    line = encode_frame(1234, 56789, {"volts": 12.345}).rstrip(b"\n")
    right = line[-4:]
    for value in range(0, 65536, 17):
        digits = b"%04X" % value
        if digits != right:
            with pytest.raises(ChecksumError):
                decode_line(line[:-4] + digits)
