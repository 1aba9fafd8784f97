"""The contract of every source, over a pseudo-terminal, over TCP, and for recordings."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Literal

import pytest

from daq.bench import ModbusRegister, ModbusSpec, MqttSpec, ScpiQuery, ScpiSpec, TextSpec
from daq.sources import (
    Command,
    LineSource,
    RecordedFrame,
    RecordingSource,
    ScpiSource,
    Source,
    TextSource,
)
from daq.sources.modbus import ModbusSource
from daq.sources.mqtt import MqttSource
from daq.sources.wire import encode_command, encode_frame, encode_reply
from tests.mosquitto import Mosquitto, Node
from tests.sources.asked_peer import Mishap, ModbusDevice, ScpiInstrument
from tests.sources.contract import (
    AskedRig,
    AskedSource,
    ByteSource,
    CommandedSource,
    EverySource,
    MessageSource,
    ReopeningSource,
    Rig,
    Row,
)
from tests.sources.peers import PtyPeer, TcpPeer


class LineRig(Rig):
    """The line format on some port."""

    def __init__(self, peer: PtyPeer | TcpPeer) -> None:
        self.peer = peer

    def source(self, planned: Sequence[Row] = ()) -> Source:
        return LineSource("head", self.peer.url, silent_after_s=self.SILENT_AFTER_S, rng=random.Random(1))

    def play(self, rows: Sequence[Row]) -> None:
        # The line end first: what comes before the first one after opening may be half a line.
        self.peer.say(b"\n" + b"".join(self.line(row) for row in rows))

    def plug(self) -> None:
        self.peer.plug()

    def unplug(self) -> None:
        self.peer.unplug()

    def say(self, data: bytes) -> None:
        self.peer.say(data)

    def heard(self) -> bytes:
        return self.peer.heard()

    def line(self, row: Row) -> bytes:
        return encode_frame(*row)

    def answer(self, command: Command, ok: bool) -> bytes:
        assert command.number is not None
        return encode_reply(command.number, ok)

    def written(self, command: Command) -> bytes:
        assert command.number is not None
        return encode_command(command.action, command.number)


class TextRig(LineRig):
    """A foreign meter's lines, with a count and milliseconds of its own."""

    PATTERN = r"(?P<seq>\d+);(?P<ms>\d+) ms;(?P<volts>\S+) V(?:;(?P<amps>\S+) A)?"

    def source(self, planned: Sequence[Row] = ()) -> Source:
        spec = TextSpec(
            port=self.peer.url, pattern=self.PATTERN, clock="fitted", silent_after_s=self.SILENT_AFTER_S
        )
        return TextSource("meter", spec, rng=random.Random(1))

    def plug(self) -> None:
        super().plug()
        self._fresh = True

    def say(self, data: bytes) -> None:
        # Nothing proves the line that was under way at opening, so it is never taken.
        super().say(b"\n" + data if self._fresh else data)
        self._fresh = False

    def line(self, row: Row) -> bytes:
        seq, ms, fields = row
        amps = f";{fields['amps']} A" if "amps" in fields else ""
        return f"{seq};{ms} ms;{fields['volts']} V{amps}\r\n".encode()


class ScpiRig(AskedRig):
    """An instrument that is asked for one reading after the other."""

    def __init__(self, peer: PtyPeer | TcpPeer) -> None:
        self.device = ScpiInstrument(peer)
        self.device.hold_s = self.HOLD_S

    def source(self, planned: Sequence[Row] = ()) -> Source:
        spec = ScpiSpec(
            port=self.device.peer.url,
            queries=(ScpiQuery(ask="READ?", fields=("seq", "ms", "volts", "amps")),),
            period_s=0.001,
            timeout_s=self.TIMEOUT_S,
            clock="fitted",
            silent_after_s=self.SILENT_AFTER_S,
        )
        return ScpiSource("meter", spec, rng=random.Random(1))

    def play(self, rows: Sequence[Row]) -> None:
        self.device.rows.extend(rows)

    def plug(self) -> None:
        self.device.plug()

    def unplug(self) -> None:
        self.device.unplug()

    def befall(self, kind: str, seconds: float = 0.0) -> None:
        self.device.mishaps.append(Mishap(kind, seconds, b"1,2\x00\xff,,\n"))  # type: ignore[arg-type]

    def shout(self) -> None:
        self.device.say(b"9" * 500_000 + b"\n" + b"1,2,3,4\n" * 100)


class ModbusRig(AskedRig):
    """A unit whose registers hold one reading after the other."""

    def __init__(self, peer: PtyPeer | TcpPeer, *, tcp: bool = False) -> None:
        self.device = ModbusDevice(peer, tcp=tcp)
        self.device.hold_s = self.HOLD_S
        self.url = peer.url.replace("socket://", "tcp://") if tcp else peer.url

    def source(self, planned: Sequence[Row] = ()) -> Source:
        kinds = {"seq": "u32", "ms": "u32", "volts": "f64", "amps": "f64"}
        sizes, at, registers = (2, 2, 4, 4), self.device.READING, []
        for (field, kind), size in zip(kinds.items(), sizes, strict=True):
            registers.append(ModbusRegister.model_validate({"field": field, "address": at, "type": kind}))
            at += size
        spec = ModbusSpec(
            port=self.url,
            framing="8N1",
            registers=tuple(registers),
            period_s=0.001,
            timeout_s=self.TIMEOUT_S,
            clock="fitted",
            silent_after_s=self.SILENT_AFTER_S,
        )
        return ModbusSource("meter", spec, rng=random.Random(1))

    def play(self, rows: Sequence[Row]) -> None:
        self.device.rows.extend(rows)

    def plug(self) -> None:
        self.device.plug()

    def unplug(self) -> None:
        self.device.unplug()

    def befall(self, kind: str, seconds: float = 0.0) -> None:
        garbled = bytes.fromhex("00 01 00 00 00 02 01 03") if self.device.tcp else b"\x01\x03\x18\xff\x00"
        self.device.mishaps.append(Mishap(kind, seconds, garbled))  # type: ignore[arg-type]

    def shout(self) -> None:
        self.device.say(bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A") * 3 + b"\x01\x03" * 100_000)


class MqttRig(Rig):
    """A node on Wi-Fi and a real broker; the broker is what is unplugged."""

    TOPIC = "bench/node"

    def __init__(
        self, broker: Mosquitto, form: Literal["senml", "line"], version: Literal["3.1.1", "5"]
    ) -> None:
        self.broker, self.form, self.version = broker, form, version
        self.node: Node | None = None

    def source(self, planned: Sequence[Row] = ()) -> Source:
        spec = MqttSpec(
            host="127.0.0.1",
            port=self.broker.port,
            topic=self.TOPIC,
            format=self.form,
            version=self.version,
            silent_after_s=self.SILENT_AFTER_S,
        )
        return MqttSource("node", spec, rng=random.Random(1))

    def play(self, rows: Sequence[Row]) -> None:
        assert self.node is not None
        self.node.publish(self.TOPIC, *[self.line(row) for row in rows])

    def plug(self) -> None:
        self.broker.start()
        self.node = Node(self.broker.port, five=self.version == "5")

    def unplug(self) -> None:
        if self.node is not None:
            self.node.close()
            self.node = None
        self.broker.kill()

    def say(self, data: bytes) -> None:
        assert self.node is not None
        self.node.publish(self.TOPIC, data)

    def line(self, row: Row) -> bytes:
        if self.form == "line":
            return encode_frame(*row)
        seq, ms, fields = row
        pack = [{"bn": "urn:dev:mac:0024befffe804ff1:", "n": "seq", "v": seq}, {"n": "ms", "v": ms}]
        return json.dumps([*pack, *({"n": name, "v": value} for name, value in fields.items())]).encode()


class RecordingRig(Rig):
    """A recording."""

    def source(self, planned: Sequence[Row] = ()) -> Source:
        frames = [RecordedFrame((ms - 1000) / 1e3, fields, seq) for seq, ms, fields in planned]
        return RecordingSource("head", frames, speed=math.inf, clock="host")

    def play(self, rows: Sequence[Row]) -> None:
        """It plays by itself."""


class TestLineOverPseudoTerminal(EverySource, ReopeningSource, ByteSource, CommandedSource):
    """A serial port as the system gives it."""

    @pytest.fixture
    def rig(self, tmp_path: Path) -> Iterator[Rig]:
        peer = PtyPeer(tmp_path / "port")
        yield LineRig(peer)
        peer.close()


class TestLineOverTcp(EverySource, ReopeningSource, ByteSource, CommandedSource):
    """A serial port behind a socket."""

    @pytest.fixture
    def rig(self, free_ports: Callable[[], int]) -> Iterator[Rig]:
        peer = TcpPeer(free_ports())
        yield LineRig(peer)
        peer.close()


class TestTextOverPseudoTerminal(EverySource, ReopeningSource, ByteSource):
    """A meter that streams text."""

    @pytest.fixture
    def rig(self, tmp_path: Path) -> Iterator[Rig]:
        peer = PtyPeer(tmp_path / "port")
        yield TextRig(peer)
        peer.close()


class TestTextOverTcp(EverySource, ReopeningSource, ByteSource):
    """The same behind a socket."""

    @pytest.fixture
    def rig(self, free_ports: Callable[[], int]) -> Iterator[Rig]:
        peer = TcpPeer(free_ports())
        yield TextRig(peer)
        peer.close()


class TestScpiOverPseudoTerminal(EverySource, ReopeningSource, AskedSource):
    """A SCPI instrument on a serial port."""

    @pytest.fixture
    def rig(self, tmp_path: Path) -> Iterator[Rig]:
        rig = ScpiRig(PtyPeer(tmp_path / "port"))
        yield rig
        rig.device.close()


class TestScpiOverTcp(EverySource, ReopeningSource, AskedSource):
    """A SCPI instrument on a raw socket."""

    @pytest.fixture
    def rig(self, free_ports: Callable[[], int]) -> Iterator[Rig]:
        rig = ScpiRig(TcpPeer(free_ports()))
        yield rig
        rig.device.close()


class TestModbusOverPseudoTerminal(EverySource, ReopeningSource, AskedSource):
    """A unit on a serial line."""

    @pytest.fixture
    def rig(self, tmp_path: Path) -> Iterator[Rig]:
        rig = ModbusRig(PtyPeer(tmp_path / "port"))
        yield rig
        rig.device.close()


class TestModbusOverTcp(EverySource, ReopeningSource, AskedSource):
    """A unit behind Modbus/TCP."""

    @pytest.fixture
    def rig(self, free_ports: Callable[[], int]) -> Iterator[Rig]:
        rig = ModbusRig(TcpPeer(free_ports()), tcp=True)
        yield rig
        rig.device.close()


@pytest.mark.server
class TestSenmlOverMqtt5(EverySource, ReopeningSource, MessageSource):
    """A node that publishes SenML, MQTT 5."""

    @pytest.fixture
    def rig(self, tmp_path: Path, free_port: int) -> Iterator[Rig]:
        rig = MqttRig(Mosquitto(tmp_path, free_port), "senml", "5")
        yield rig
        rig.unplug()


@pytest.mark.server
class TestLineOverMqtt3(EverySource, ReopeningSource, MessageSource):
    """A node that publishes the line format, MQTT 3.1.1."""

    @pytest.fixture
    def rig(self, tmp_path: Path, free_port: int) -> Iterator[Rig]:
        rig = MqttRig(Mosquitto(tmp_path, free_port), "line", "3.1.1")
        yield rig
        rig.unplug()


class TestRecording(EverySource):
    """What was recorded."""

    @pytest.fixture
    def rig(self) -> Rig:
        return RecordingRig()
