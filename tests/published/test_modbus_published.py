"""Modbus: the frames that the specifications and guides print, the CRC's check values, times and limits.

Sources: Modbus Application Protocol V1.1b3; Modbus over Serial Line V1.02, whose appendix has the CRC
example; the catalogue of parametrised CRC algorithms for check values. Frames are compared byte for byte.
"""

from __future__ import annotations

import struct

import pytest
from crccheck.crc import CrcModbus
from pymodbus.framer import FramerRTU

from daq.bench import ModbusRegister
from daq.sources.modbus_format import EXCEPTIONS, Answer, RtuLine, TcpStream, frame_gap_s, query
from daq.sources.modbus_map import MAX_BITS, MAX_REGISTERS, read_blocks


def hexed(text: str) -> bytes:
    return bytes.fromhex(text)


def test_the_crc_has_its_check_value() -> None:
    # CRC-16/MODBUS in the catalogue: check 4B37h, initial FFFFh; over a frame with its CRC the residue is 0.
    assert CrcModbus.calc(b"123456789") == 0x4B37
    assert CrcModbus.calc(b"") == 0xFFFF
    assert CrcModbus.calc(hexed("01 03 00 6B 00 03 74 17")) == 0
    # pymodbus hands out the two bytes in the order in which they are sent.
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B
    assert FramerRTU.compute_CRC(hexed("02 07")) == 0x4112  # V1.02, appendix: CRC 1241h, low byte first


@pytest.mark.parametrize(
    ("unit", "function", "address", "count", "frame"),
    [
        (1, 3, 0x6B, 3, "01 03 00 6B 00 03 74 17"),
        (17, 3, 0x6B, 3, "11 03 00 6B 00 03 76 87"),
        (1, 4, 8, 1, "01 04 00 08 00 01 B0 08"),
    ],
)
def test_questions(unit: int, function: int, address: int, count: int, frame: str) -> None:
    assert RtuLine({unit}).encode(query(unit, function, address, count)) == hexed(frame)


@pytest.mark.parametrize(
    ("frame", "answer"),
    [
        ("01 03 06 02 2B 00 00 00 64 05 7A", Answer(1, 3, registers=(555, 0, 100), size=6)),
        ("11 03 06 02 2B 00 00 00 64 C8 BA", Answer(17, 3, registers=(555, 0, 100), size=6)),
        ("01 04 02 00 0A 39 37", Answer(1, 4, registers=(10,), size=2)),
        ("01 83 02 C0 F1", Answer(1, 3, exception=2)),
    ],
)
def test_answers(frame: str, answer: Answer) -> None:
    assert RtuLine({1, 17}).feed(hexed(frame)) == [answer]
    line = RtuLine({1, 17})
    dripped = [frame_read for byte in hexed(frame) for frame_read in line.feed(bytes([byte]))]
    assert dripped == [answer]
    noisy = hexed("FF 00 01 03 11") + hexed(frame)
    assert RtuLine({1, 17}).feed(noisy) == [answer]


@pytest.mark.parametrize("frame", ["01 03 00 6B 00 03 76 87", "01 03 06 02 2B 00 00 00 64 39 80"])
def test_frames_with_a_wrong_crc_are_refused(frame: str) -> None:
    # Both stand in a public description of the protocol, misprinted.
    line = RtuLine({1})
    assert line.feed(hexed(frame)) == []
    assert line.spoiled


def test_every_flipped_bit_is_refused() -> None:
    good = hexed("01 03 06 02 2B 00 00 00 64 05 7A")
    for bit in range(8 * len(good)):
        bad = bytearray(good)
        bad[bit // 8] ^= 1 << bit % 8
        assert RtuLine({1}).feed(bytes(bad)) == []


def test_bits_are_read_low_bit_first() -> None:
    # V1.1b3, 6.1: coils 20 to 38 read as CD 6B 05; coil 20 is the lowest bit of CDh.
    pdu = hexed("13 01 03 CD 6B 05")
    (answer,) = RtuLine({19}).feed(pdu + CrcModbus.calc(pdu).to_bytes(2, "little"))
    assert answer.bits[:8] == (True, False, True, True, False, False, True, True)
    (block,) = read_blocks(
        [
            ModbusRegister(unit=19, function="coil", address=19 + i, type="bit", field=f"c{i}")
            for i in range(19)
        ],
        1,
    )
    assert (block.address, block.count, block.size) == (19, 19, 3)
    assert list(block.values(answer).values()) == [
        1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1,
    ]  # fmt: skip


def test_tcp_frames() -> None:
    # Messaging on TCP/IP V1.0b, 3.1.3: transaction, protocol 0, length, unit; then as on a line, no CRC.
    question = query(0xFF, 3, 4, 1)
    question.transaction_id = 0x1501
    stream = TcpStream()
    assert stream.encode(question) == hexed("15 01 00 00 00 06 FF 03 00 04 00 01")
    answers = stream.feed(hexed("15 01 00 00 00 05 FF 03 02 00 05"))
    assert answers == [Answer(255, 3, registers=(5,), size=2, transaction=0x1501)]


def test_times_between_frames() -> None:
    # V1.02, 2.5.1.1: 3.5 characters of 11 bits; fixed at 1.750 ms above 19200 baud.
    assert frame_gap_s(9600) == pytest.approx(4.01042e-3, rel=1e-5)
    assert frame_gap_s(19200) == pytest.approx(2.00521e-3, rel=1e-5)
    assert frame_gap_s(115200) == 1.75e-3


def test_limits_and_exceptions() -> None:
    assert (MAX_REGISTERS, MAX_BITS) == (125, 2000)
    assert EXCEPTIONS[1] == "illegal function"
    assert EXCEPTIONS[2] == "illegal data address"
    assert EXCEPTIONS[3] == "illegal data value"
    assert EXCEPTIONS[4] == "device failure"
    blocks = read_blocks([ModbusRegister(address=a, field=f"r{a}") for a in range(300)], 1.0)
    assert [(b.address, b.count) for b in blocks] == [(0, 125), (125, 125), (250, 50)]


@pytest.mark.parametrize(
    ("kind", "order", "registers", "value"),
    [
        ("f32", "high_first", "41CC 0000", 25.5),
        ("f32", "low_first", "0000 41CC", 25.5),
        ("i16", "high_first", "FF9C", -100.0),
        ("u16", "high_first", "FF9C", 65436.0),
        ("u32", "high_first", "0001 0000", 65536.0),
        ("u32", "low_first", "0001 0000", 1.0),
        ("i32", "high_first", "FFFF FF9C", -100.0),
        ("f64", "high_first", struct.pack(">d", 12.345).hex(), 12.345),
        (
            "f64",
            "low_first",
            struct.pack(">4H", *struct.unpack(">4H", struct.pack(">d", 2.5))[::-1]).hex(),
            2.5,
        ),
        ("i64", "high_first", "FFFF FFFF FFFF FFFF", -1.0),
    ],
)
def test_values_of_several_registers(kind: str, order: str, registers: str, value: float) -> None:
    # The rows of 25.5 and -100 are IEEE 754 and two's complement; the rest follow from them.
    data = hexed(registers)
    words = struct.unpack(f">{len(data) // 2}H", data)
    register = ModbusRegister.model_validate({"field": "v", "address": 7, "type": kind, "word_order": order})
    (block,) = read_blocks([register], 1.0)
    assert block.values(Answer(1, 3, registers=words, size=len(data))) == {"v": value}
