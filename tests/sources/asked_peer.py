"""A simulated device that answers questions: in order, after a delay, and with what goes wrong on benches."""

from __future__ import annotations

import contextlib
import struct
import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from crccheck.crc import CrcModbus

from tests.sources.contract import Row
from tests.sources.peers import PtyPeer, TcpPeer

__all__ = ["AskedDevice", "Mishap", "ModbusDevice", "ScpiInstrument"]


@dataclass(frozen=True)
class Mishap:
    """What befalls the next answer that carries a reading."""

    kind: Literal["late", "mute", "garbled", "dripped"]
    seconds: float = 0.0
    data: bytes = b""


class AskedDevice(ABC):
    """A device on a port, with a thread of its own. It works on one question after the other.

    Attributes
    ----------
    rows : deque of Row
        Readings that it will give, one a question; without any it does not answer.
    mishaps : deque of Mishap
        What happens to the next answers that carry a reading.
    delay_s : float
        How long each answer takes [s].
    sends_back : bool
        Whether the adapter hears itself.
    hold_s : float
        How long a question for a reading waits for one, before it stays unanswered [s].
    """

    def __init__(self, peer: PtyPeer | TcpPeer) -> None:
        self.peer = peer
        self.rows: deque[Row] = deque()
        self.mishaps: deque[Mishap] = deque()
        self.delay_s = 0.0
        self.sends_back = False
        self.hold_s = 0.0
        self.lock = threading.RLock()
        self._plugged = False
        self._plugs = 0
        self._ending = threading.Event()
        self._buffer = bytearray()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    @abstractmethod
    def questions(self, buffer: bytearray) -> list[bytes]:
        """Take whole questions out of the buffer."""

    @abstractmethod
    def answer(self, question: bytes) -> tuple[bytes | None, bool]:
        """The answer, None for none, and whether it carries a reading."""

    @abstractmethod
    def asks_reading(self, question: bytes) -> bool:
        """Whether it is a question for one of `rows`."""

    def plug(self) -> None:
        """Its port appears."""
        with self.lock:
            self.peer.plug()
            self._buffer.clear()
            self._plugged = True
            self._plugs += 1

    def unplug(self) -> None:
        """Its port goes away."""
        with self.lock:
            self._plugged = False
            self.peer.unplug()

    def say(self, data: bytes) -> None:
        """Bytes that nobody asked for."""
        with self.lock:
            self._say(data)

    def close(self) -> None:
        """End."""
        self._ending.set()
        self._thread.join(20)
        self.peer.close()
        assert not self._thread.is_alive()

    def _work(self) -> None:
        while not self._ending.wait(0.001):
            with self.lock:
                if not self._plugged or not self._there():
                    continue
                self._buffer += self.peer.heard()
                asked = self.questions(self._buffer)
            for question in asked:
                self._do(question)

    def _reading_comes(self) -> bool:
        """Wait for a reading; False where none comes, or the one who asked is gone."""
        link, until = self._link(), time.monotonic() + self.hold_s
        while time.monotonic() < until and not self._ending.wait(0.002):
            with self.lock:
                if self._link() != link:
                    return False
                if self.rows:
                    return True
        return False

    def _link(self) -> object:
        with self.lock:
            client = self.peer.client if isinstance(self.peer, TcpPeer) else None
            return self._plugged, self._plugs, client

    def _there(self) -> bool:
        return not isinstance(self.peer, TcpPeer) or self.peer.connected

    def _do(self, question: bytes) -> None:
        if self.hold_s and self.asks_reading(question) and not self._reading_comes():
            return
        with self.lock:
            answer, reading = self.answer(question)
            mishap = self.mishaps.popleft() if reading and self.mishaps else None
            if self.sends_back and self._plugged:
                self._say(question)
        time.sleep(self.delay_s)
        if answer is None or (mishap is not None and mishap.kind == "mute"):
            return
        pieces = [answer]
        if mishap is not None:
            if mishap.kind == "late":
                self._ending.wait(mishap.seconds)
            elif mishap.kind == "garbled":
                pieces = [mishap.data]
            elif mishap.kind == "dripped":
                pieces = [answer[i : i + 1] for i in range(len(answer))]
        for piece in pieces:
            with self.lock:
                if self._plugged:
                    self._say(piece)

    def _say(self, data: bytes) -> None:
        # A reader that breaks off, as one that hears nonsense over TCP does, leaves nobody to hear the rest.
        with contextlib.suppress(OSError):
            self.peer.say(data)


class ScpiInstrument(AskedDevice):
    """A meter and supply in one.

    Attributes
    ----------
    heard : list of str
        Every message it was sent.
    errors : deque of str
        Its error queue.
    answers : dict of str to str
        Answers by query.
    output : bool
        Whether its output is on.
    dead_output : bool
        Whether it fails to obey `OUTP OFF`.
    """

    def __init__(self, peer: PtyPeer | TcpPeer, identity: str = "Maker,Model 1,0,1.0") -> None:
        self.identity = identity
        self.heard: list[str] = []
        self.errors: deque[str] = deque()
        self.answers: dict[str, str] = {}
        self.output = True
        self.dead_output = False
        self.amps = 8.0
        super().__init__(peer)

    def questions(self, buffer: bytearray) -> list[bytes]:
        *whole, rest = bytes(buffer).split(b"\n")
        buffer[:] = rest
        return [line.strip() for line in whole if line.strip()]

    def asks_reading(self, question: bytes) -> bool:
        return question == b"READ?"

    def answer(self, question: bytes) -> tuple[bytes | None, bool]:
        text = question.decode("latin-1")
        self.heard.append(text)
        reply, reading = self._reply(text), text in ("READ?", *self.answers)
        return (None if reply is None else reply.encode("latin-1") + b"\n"), reading and reply is not None

    def _reply(self, text: str) -> str | None:
        if text == "*IDN?":
            return self.identity
        if text == "SYST:ERR?":
            return self.errors.popleft() if self.errors else '+0,"No error"'
        if text == "MEAS:CURR?" and text not in self.answers:
            return f"{self.amps if self.output else 0.002:.4E}"
        if text == "OUTP OFF":
            self.output = self.output and self.dead_output
            return None
        if text == "READ?":
            return self._row()
        if text in self.answers:
            return self.answers[text]
        self.errors.append('-113,"Undefined header"')
        return None

    def _row(self) -> str | None:
        if not self.rows:
            return None
        seq, ms, fields = self.rows.popleft()
        return f"{seq},{ms}," + ",".join(f"{fields.get(name, 9.91e37):.9E}" for name in ("volts", "amps"))


class ModbusDevice(AskedDevice):
    """Units on a line (RTU), or behind an address (TCP), with holding registers; checksums are crccheck's.

    Attributes
    ----------
    registers : dict of (unit, address) to int
        What a unit holds. A question that reaches beyond is answered with exception 2.
    heard : list of (unit, function)
        The questions.
    knows_echo : bool
        Whether function 8 is answered with the word sent, rather than with exception 1.
    mute_echo : bool
        Whether function 8 is not answered at all.
    dead : set of int
        Units that do not answer.
    written : list of (unit, function, address, value)
        What was written, by functions 5 and 6.
    obeys : callable
        What a write does, given (unit, function, address, value); without one it is refused with exception 1.
    """

    READING = 100
    """Of unit 1: count, milliseconds, volts and amps, in twelve registers from here; one row a question."""

    def __init__(self, peer: PtyPeer | TcpPeer, *, tcp: bool = False) -> None:
        self.tcp = tcp
        self.registers: dict[tuple[int, int], int] = {}
        self.heard: list[tuple[int, int]] = []
        self.knows_echo = True
        self.mute_echo = False
        self.dead: set[int] = set()
        self.written: list[tuple[int, int, int, int]] = []
        self.obeys: Callable[[int, int, int, int], None] | None = None
        super().__init__(peer)

    def hold(self, unit: int, address: int, *words: int) -> None:
        """Put words into registers."""
        self.registers |= {(unit, address + i): word for i, word in enumerate(words)}

    def questions(self, buffer: bytearray) -> list[bytes]:
        size = 12 if self.tcp else 8
        whole = []
        while len(buffer) >= size:
            question = bytes(buffer[:size])
            if not self.tcp and CrcModbus.calc(question):
                buffer.clear()
                break
            del buffer[:size]
            whole.append(question)
        return whole

    def asks_reading(self, question: bytes) -> bool:
        pdu = question[7:] if self.tcp else question[1:-2]
        return pdu[:1] in (b"\x03", b"\x04") and pdu[1:] == struct.pack(">HH", self.READING, 12)

    def answer(self, question: bytes) -> tuple[bytes | None, bool]:
        head, pdu = (question[:7], question[7:]) if self.tcp else (question[:1], question[1:-2])
        unit, function = head[-1], pdu[0]
        self.heard.append((unit, function))
        reply = None if unit in self.dead else self._reply(unit, pdu)
        if reply is None:
            return None, False
        if self.tcp:
            return head[:4] + struct.pack(">H", len(reply) + 1) + head[6:] + reply, function != 8
        frame = head + reply
        return frame + int(CrcModbus.calc(frame)).to_bytes(2, "little"), function != 8

    def _reply(self, unit: int, pdu: bytes) -> bytes | None:
        function, address, count = struct.unpack(">BHH", pdu)
        if function == 8:
            if self.mute_echo:
                return None
            return pdu if self.knows_echo else bytes([0x88, 1])
        if function in (5, 6) and self.obeys is not None:
            self.written.append((unit, function, address, count))
            self.obeys(unit, function, address, count)
            return pdu
        if function not in (3, 4):
            return bytes([function | 0x80, 1])
        if (unit, address, count) == (1, self.READING, 12):
            if not self.rows:
                return None
            seq, ms, fields = self.rows.popleft()
            data = struct.pack(">IIdd", seq, ms, fields["volts"], fields.get("amps", float("nan")))
            return struct.pack(">BB", function, 24) + data
        words = [self.registers.get((unit, address + i)) for i in range(count)]
        if None in words:
            return bytes([function | 0x80, 2])
        return struct.pack(f">BB{count}H", function, 2 * count, *words)
