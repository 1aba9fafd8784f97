"""The decoders, each with valid messages to start from. None may let out what is no `LyewatchError`."""

from __future__ import annotations

import random
import tempfile
from abc import ABC, abstractmethod
from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import orjson
from pymodbus.framer import FramerRTU

from daq.bench import ModbusRegister, MqttSpec, ScpiQuery, ScpiSpec, TextSpec, parse_bench
from daq.broker import Batch, decode_batch, encode_batch
from daq.errors import LyewatchError
from daq.examples import example_text
from daq.frame import Block, Sample
from daq.sources import LinkCounters, ScpiSource, TextDecoder, WireDecoder
from daq.sources.messages import MessageDecoder
from daq.sources.modbus_format import RtuLine, TcpStream
from daq.sources.modbus_map import read_blocks
from daq.sources.senml import decode_pack, resolve
from daq.sources.wire import (
    MAX_LINE_BYTES,
    checksum,
    decode_line,
    encode_command,
    encode_frame,
    encode_hello,
    encode_reply,
)
from daq.study.tables.log_file import open_log
from tests.fuzz.mutate import chunks, mutate
from tests.sources.peers import Listener

__all__ = ["TARGETS", "Target"]


class Target(ABC):
    """One decoder.

    Attributes
    ----------
    cost : int
        How many times slower than the line format it is, about: so many times fewer inputs by default.
    """

    cost: ClassVar[int] = 1
    seeds: Sequence[bytes]
    tokens: Sequence[bytes] = (b"\x00", b"\xff", b"\n", b"\r", b" ", b"0", b"9" * 30, b"-", b"1e400", b"nan")

    def once(self, rng: random.Random) -> bytes:
        """Give it one input; returns that. Our own errors are well."""
        data = mutate(rng, self.seeds, self.tokens)
        try:
            self.take(rng, data)
        except LyewatchError:
            pass
        except BaseException as exc:
            exc.add_note(f"input: {data!r}")
            raise
        return data

    def close(self) -> None:  # noqa: B027 - most have nothing open
        """Clean up."""

    @abstractmethod
    def take(self, rng: random.Random, data: bytes) -> None:
        """Decode."""


class LineTarget(Target):
    """The line format, as a stream and line by line, half of the time with its checksum made right again."""

    seeds = (
        encode_frame(1234, 56789, {"volts": 12.345, "amps": 8.21, "temp": 41.3, "relay": 1.0}),
        encode_frame(0xFFFFFFFF, 0, {"a": float("nan")}),
        encode_hello("torch-head"),
        encode_reply(17, False, "hot"),
        encode_command("trip", 9),
    )
    tokens = (*Target.tokens, b"=", b"*", b" *A1B2", b"seq=", b"ms=", b"ack=", b"do=", b"hello=", b"e99")

    def __init__(self) -> None:
        self.decoders = [WireDecoder(LinkCounters(), crc) for crc in ("required", "optional")]

    def take(self, rng: random.Random, data: bytes) -> None:
        if rng.random() < 0.5:
            body = data.partition(b"*")[0].replace(b"\n", b"") + b" "
            data = body + b"*%04X\n" % checksum(body)
        decoder = rng.choice(self.decoders)
        for chunk in chunks(rng, data):
            decoder.feed(chunk)
        assert decoder._splitter.pending <= MAX_LINE_BYTES
        decode_line(data, crc="optional")


class TextTarget(Target):
    """Lines of foreign meters, by pattern and by columns."""

    seeds = (
        b"VDC +12.345E+0 mV\r\n",
        b"12;1000 ms;1,5 V\n",
        b"OL\r\n",
        "21.5 °C\n".encode(),
        b"1\t2\t-3.5\n",
    )
    tokens = (*Target.tokens, b"OL", b"k", b"\xb5", "µ".encode(), b",", b";", b"\t", b"+-", b".", b"E")

    def __init__(self) -> None:
        pattern = r"(?:VDC )?(?P<volts>\S+)(?: (?P<volts_prefix>[munkM]?)V)?(?: .C)?"
        counted = r"(?P<seq>\d+);(?P<ms>\d+) ms;(?P<volts>\S+) V"
        self.decoders = [
            TextDecoder(LinkCounters(), TextSpec(port="x", pattern=(counted, pattern), decimal=",")),
            TextDecoder(LinkCounters(), TextSpec(port="x", columns=("seq", "", "volts"))),
        ]

    def take(self, rng: random.Random, data: bytes) -> None:
        decoder = rng.choice(self.decoders)
        for chunk in chunks(rng, data):
            decoder.feed(chunk)
        assert decoder._splitter.pending <= 240


class _Port:
    """What a SCPI source reads from and writes to."""

    def __init__(self) -> None:
        self.waiting = b""
        self.asked = b""

    def read(self, timeout_s: float) -> bytes:
        taken, self.waiting = self.waiting, b""
        return taken

    def write(self, data: bytes) -> None:
        self.asked = data

    def close(self) -> None:
        """Nothing is open."""


class ScpiTarget(Target):
    """A SCPI source whole: identity, queries, error queue, resynchronisation."""

    seeds = (
        b"+1.2345E+01,8.0\n",
        b"Maker,Model 1,0,1.0\n",
        b'+0,"No error"\n',
        b'-113,"Undefined; header"\n',
        b"9.91E37\n",
        b"#HFF,#B101\n",
    )
    tokens = (*Target.tokens, b",", b";", b'"', b"'", b"#", b"#H", b"#9", b"9.9E37", b"E", b"+", b"*IDN?")

    def __init__(self) -> None:
        spec = ScpiSpec(port="x", queries=(ScpiQuery(ask="READ?", fields=("volts", "amps")),), period_s=0.001)
        self.now = 0
        self.port = _Port()
        self.source = ScpiSource("meter", spec, now=lambda: self.now)
        self.source._sink = Listener()
        self._open()

    def _open(self) -> None:
        source: Any = self.source
        source._splitter.restart()
        source._port, source._asked, source._candidate, source._synced = self.port, None, None, False
        source._sync_ns = 0

    def take(self, rng: random.Random, data: bytes) -> None:
        self.now += rng.choice((1_000_000, 50_000_000, 3_000_000_000))
        if rng.random() < 0.6:  # one that knows what it is asked, so that all questions have their turn
            self.port.waiting = self.seeds[1] if b"IDN" in self.port.asked else b""
            list(self.source._take(0.0))
        for chunk in chunks(rng, data):
            self.port.waiting = chunk
            try:
                list(self.source._take(0.0))
            except LyewatchError:
                self._open()
        assert self.source._splitter.pending <= 1024
        listener: Any = self.source._sink
        listener.events.clear()


class ModbusTarget(Target):
    """Modbus on a line and over TCP, half of the time with the checksum made right again."""

    # Answers of the specification's own examples (Modbus Application Protocol V1.1b3, section 6), and floats.
    seeds = tuple(
        bytes.fromhex(h)
        for h in (
            "0103 06 022B 0000 0064",
            "0101 03 CD6B05",
            "0104 02 000A",
            "0183 02",
            "0108 0000 A537",
            "0103 08 7FF8000000000000",
        )
    )
    tokens = (
        b"\x00",
        b"\xff",
        b"\x01\x03",
        b"\x01\x83",
        b"\x02\x04\xfa",
        b"\x00\x00\x00\x06",
        b"\x01\x08\x00\x00",
    )

    def __init__(self) -> None:
        self.line, self.stream = RtuLine({1, 2}), TcpStream()
        made = [
            {"field": "a", "address": 0, "type": "u16"},
            {"field": "b", "address": 1, "type": "i32", "word_order": "low_first"},
            {"field": "c", "address": 10, "type": "f64"},
            {"field": "d", "address": 0, "function": "coil", "type": "bit"},
        ]
        self.blocks = read_blocks([ModbusRegister.model_validate(m) for m in made], 1.0)

    def take(self, rng: random.Random, data: bytes) -> None:
        if rng.random() < 0.5:
            if rng.random() < 0.6:
                data += int(FramerRTU.compute_CRC(data)).to_bytes(2, "big")
            answers = [
                a
                for chunk in chunks(rng, data)
                for a in self.line.feed(chunk, data[:8] if rng.random() < 0.1 else b"")
            ]
            assert self.line.pending <= 256
        else:
            if rng.random() < 0.8:
                data = b"\x00\x01\x00\x00" + len(data).to_bytes(2, "big") + data
            try:
                answers = [a for chunk in chunks(rng, data) for a in self.stream.feed(chunk) if a is not None]
            except LyewatchError:
                self.stream.restart()
                raise
            assert self.stream.pending <= 260 + 20_000
        for answer in answers:
            block = rng.choice(self.blocks)
            if answer.function == block.function and not answer.exception:  # as the source asks first
                block.values(answer)


class SenmlTarget(Target):
    """Messages of a node on a broker: SenML packs and lines."""

    seeds = (
        (
            b'[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"seq","v":1234},{"n":"ms","v":56789},'
            b'{"n":"temp","u":"Cel","v":21.3}]'
        ),
        (
            b'[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,'
            b'"n":"voltage","v":120.1},{"n":"current","t":-5,"v":1.2}]'
        ),
        (
            b'[{"n":"open","vb":false},{"n":"label","vs":"Machine Room"},{"n":"nfc","vd":"aGkgCg"},'
            b'{"n":"sum","s":5,"ut":60}]'
        ),
        LineTarget.seeds[0] + LineTarget.seeds[1],
    )
    tokens = (
        *Target.tokens,
        b"{",
        b"}",
        b"[",
        b"]",
        b'"',
        b",",
        b":",
        b"null",
        b"true",
        b'"bv":1e308,',
        b'"bver":11,',
        b'"x_":1,',
        b"\\u0000",
        b"[" * 2000,
        b'"t":1e300,',
        b'"bn":',
    )

    def __init__(self) -> None:
        specs = [MqttSpec(host="x", topic="x", format=form) for form in ("senml", "line")]
        self.decoders = [MessageDecoder(LinkCounters(), spec) for spec in specs]

    def take(self, rng: random.Random, data: bytes) -> None:
        self.decoders[rng.random() < 0.2].feed(data)
        if rng.random() < 0.1:
            resolve(decode_pack(data), 1.7e9)


class BatchTarget(Target):
    """Batches of samples, half of the time changed as JSON, so that they stay JSON."""

    tokens = SenmlTarget.tokens
    _values: ClassVar[tuple[object, ...]] = (
        None,
        0,
        -1,
        2**63,
        2**64,
        1.5,
        1e400,
        "",
        "x",
        True,
        [],
        {},
        [[]],
        [None],
        {"volts": [1]},
        "a\n",
        -(2**63),
    )

    def __init__(self) -> None:
        rows = [
            Sample("head", 10**9 + n, {"volts": n / 7, "lye_temp": float("nan")}, {}, n, {"volts": 1.0})
            for n in range(4)
        ]
        block = Block.from_samples("head", rows)
        self.seeds = (
            encode_batch(Batch("torch-1", "5f3a9c0e", 17, "20261125-225000", "run", 10**18, (block,))),
        )

    def take(self, rng: random.Random, data: bytes) -> None:
        if rng.random() < 0.5:
            whole = orjson.loads(self.seeds[0])
            part = rng.choice((whole, whole["blocks"][0], whole["blocks"][0]["v"]))
            key = rng.choice(list(part))
            value = rng.choice(self._values)
            if isinstance(part[key], list) and rng.random() < 0.7:
                part[key][rng.randrange(len(part[key]))] = value
            else:
                part[key] = value
            try:
                data = orjson.dumps(whole)
            except TypeError:
                return  # too large for its writer
        batch = decode_batch(data, bench="torch-1" if rng.random() < 0.5 else None)
        assert all(np.all(np.diff(block.t_ns) >= 0) for block in batch.blocks)


class BenchTarget(Target):
    """Bench files."""

    cost = 200
    seeds = (
        example_text("water_torch").encode(),
        (
            example_text("chopped_supply") + '\n[sources.shed]\nkind = "mqtt"\nhost = "b"\ntopic = "a"\n'
        ).encode(),
    )
    tokens = (
        *Target.tokens,
        b"[",
        b"]",
        b"[[",
        b"{",
        b"}",
        b'"',
        b"'''",
        b"=",
        b"# ",
        b"true",
        b'"V"',
        b"inf",
        b"1979-05-27",
        b"[channels.x]\n",
        b"\\",
        b'kind = "scpi"\n',
        b"[]",
        b"0x",
        b"\xc3",
    )

    def take(self, rng: random.Random, data: bytes) -> None:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
        parse_bench(text, Path("bench.toml"))


class TableTarget(Target):
    """Tables to import."""

    cost = 200
    seeds = (
        b"elapsed_s,volts,amps,lye_temp\n0.0,12.1,8.0,40.1\n0.1,12.2,8.1,40.2\n0.2,12.2,,40.2\n",
        b"time,volts,amps\n2026-05-01T10:00:00Z,12.1,8.0\n2026-05-01T10:00:01Z,12.2,8.1\n",
        b"time;volts;amps\n28.03.2026 10:00:00;12,1;8,0\n1.3.2026 9:00:01,5;12,2;8,1\n",
        b'elapsed_s\tvolts\tamps\n0\t"12,1"\t8\n0,5\t12,2\t8,1\n',
    )
    tokens = (
        *Target.tokens,
        b",",
        b";",
        b'"',
        b"\n\n",
        b"time",
        b"elapsed_s",
        b"volts,",
        b"2026-05-01T10:00:00Z",
        b"NaN",
        b"-5",
    )

    def __init__(self) -> None:
        self.bench = parse_bench(example_text("water_torch"), Path("bench.toml"))
        self._folder = tempfile.TemporaryDirectory(prefix="lyewatch-fuzz-")
        self.file = Path(self._folder.name) / "log.csv"

    def close(self) -> None:
        """The table's folder."""
        self._folder.cleanup()

    def take(self, rng: random.Random, data: bytes) -> None:
        self.file.write_bytes(data)
        for _ in open_log(self.file, self.bench).pieces():
            pass


TARGETS: dict[str, type[Target]] = {
    "line": LineTarget,
    "text": TextTarget,
    "scpi": ScpiTarget,
    "modbus": ModbusTarget,
    "senml": SenmlTarget,
    "batch": BatchTarget,
    "bench": BenchTarget,
    "table": TableTarget,
}
