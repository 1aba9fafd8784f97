"""Mutated inputs for every decoder: nothing escapes but our own errors, and nothing is kept without bound.

LYEWATCH_FUZZ=1000000 runs a million for each.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable

import pytest

from daq.bench import TextSpec
from daq.errors import FrameError, LyewatchError
from daq.sources import LinkCounters, TextDecoder, WireDecoder
from daq.sources.modbus_format import RtuLine, TcpStream
from daq.sources.scpi_format import is_identity, parse_error, parse_number, parse_numbers
from daq.sources.senml import decode_pack, pack_frames, resolve
from daq.sources.wire import checksum, encode_frame, encode_hello, encode_reply

COUNT = int(os.environ.get("LYEWATCH_FUZZ", "4000"))

WIRE = (
    encode_frame(7, 900, {"volts": 12.3, "temp": -4.5e-3}),
    encode_reply(3, False, "hot"),
    encode_hello("head"),
    b"volts=1.5 amps=nan\n",
)
TEXT = (b"DC 12.5 V;T 24.1 C\r\n", b"DC -OL V;T ---- C\r\n", "DC 1,5 mV;T 3 \u00b0C\n".encode("latin-1"))
SCPI = (
    b"+1.2345E+01,9.91E37,-9.9E37",
    b'-222,"Data out of ""range"""',
    b"Maker,Model 1,0,1.0",
    b"#H1F,#Q17,#B101",
)
SENML = (
    b'[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.320067464e+09,"bu":"V","n":"volts","v":12.5},{"n":"amps","v":8}]',
    b'[{"n":"a","vb":true},{"n":"b","vs":"x"},{"n":"c","v":1e400},{"bver":10,"n":"d","t":-5,"s":2}]',
)
RTU = tuple(
    bytes.fromhex(h)
    for h in ("01 03 06 02 2B 00 00 00 64 05 7A", "02 83 02 30 F1", "01 08 00 00 A5 37 DA 8D")
)
TCP = tuple(
    bytes.fromhex(h) for h in ("00 01 00 00 00 09 01 03 06 02 2B 00 00 00 64", "00 02 00 00 00 03 02 83 02")
)


def decoded_wire() -> Callable[[bytes], int]:
    decoder = WireDecoder(LinkCounters(), "optional")

    def feed(data: bytes) -> int:
        decoder.feed(data)
        return decoder._splitter.pending

    return feed


def decoded_text() -> Callable[[bytes], int]:
    pattern = r"DC (?P<volts>\S+) (?P<volts_prefix>[mk]?)V;T (?P<temp>\S+) .*"
    decoder = TextDecoder(LinkCounters(), TextSpec(port="-", pattern=pattern))

    def feed(data: bytes) -> int:
        decoder.feed(data)
        return decoder._splitter.pending

    return feed


def decoded_scpi() -> Callable[[bytes], int]:
    def feed(data: bytes) -> int:
        text = data.decode("latin-1").strip()
        is_identity(text)
        for parse in (parse_number, parse_error, lambda t: parse_numbers(t, 3)):
            try:
                parse(text)
            except FrameError:
                pass
        return 0

    return feed


def decoded_senml() -> Callable[[bytes], int]:
    def feed(data: bytes) -> int:
        try:
            pack_frames(resolve(decode_pack(data), 1.6e9))
        except LyewatchError:
            pass
        return 0

    return feed


def decoded_rtu() -> Callable[[bytes], int]:
    line = RtuLine({1, 2})

    def feed(data: bytes) -> int:
        line.feed(data)
        return line.pending

    return feed


def decoded_tcp() -> Callable[[bytes], int]:
    stream = TcpStream()

    def feed(data: bytes) -> int:
        try:
            stream.feed(data)
        except FrameError:
            stream.restart()  # as the source does: by a new connection
        return stream.pending

    return feed


def mutated(dice: random.Random, good: bytes) -> bytes:
    """A good input with something done to it: cut, flipped, doubled, spliced, lengthened."""
    data = bytearray(good)
    for _ in range(dice.randrange(1, 4)):
        at = dice.randrange(len(data) + 1)
        match dice.randrange(6):
            case 0:
                del data[at:]
            case 1 if at < len(data):
                data[at] ^= 1 << dice.randrange(8)
            case 2:
                data[at:at] = dice.randbytes(dice.randrange(1, 9))
            case 3:
                data[at:at] = data[dice.randrange(len(data) + 1) :]
            case 4 if at < len(data):
                data[at] = dice.choice(b'0123456789eE+-.,;*=#"{}[]:\n\r\0 \xff')
            case _:
                del data[at : at + dice.randrange(1, 5)]
    return bytes(data[:4096])


@pytest.mark.parametrize(
    ("make", "good"),
    [
        (decoded_wire, WIRE),
        (decoded_text, TEXT),
        (decoded_scpi, SCPI),
        (decoded_senml, SENML),
        (decoded_rtu, RTU),
        (decoded_tcp, TCP),
    ],
)
def test_nothing_escapes_a_decoder(
    make: Callable[[], Callable[[bytes], int]], good: tuple[bytes, ...]
) -> None:
    dice, feed = random.Random(5), make()
    for n in range(COUNT):
        data = mutated(dice, dice.choice(good))
        if make is decoded_wire and b"*" in data and n % 3 == 0:
            # With the right checksum, so that what is inside is looked at.
            body = data.partition(b"*")[0]
            data = b"%b*%04X\n" % (body, checksum(body))
        assert feed(data) <= 4096
