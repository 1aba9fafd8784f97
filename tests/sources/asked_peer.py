"""A simulated device that answers questions: in order, after a delay, and with what goes wrong on benches."""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass
from typing import Literal

from tests.sources.contract import Row
from tests.sources.peers import PtyPeer, TcpPeer

__all__ = ["AskedDevice", "Mishap", "ScpiInstrument"]


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
    """

    def __init__(self, peer: PtyPeer | TcpPeer) -> None:
        self.peer = peer
        self.rows: deque[Row] = deque()
        self.mishaps: deque[Mishap] = deque()
        self.delay_s = 0.0
        self.lock = threading.RLock()
        self._plugged = False
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

    def plug(self) -> None:
        """Its port appears."""
        with self.lock:
            self.peer.plug()
            self._buffer.clear()
            self._plugged = True

    def unplug(self) -> None:
        """Its port goes away."""
        with self.lock:
            self._plugged = False
            self.peer.unplug()

    def say(self, data: bytes) -> None:
        """Bytes that nobody asked for."""
        with self.lock:
            self.peer.say(data)

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

    def _there(self) -> bool:
        return not isinstance(self.peer, TcpPeer) or self.peer.connected

    def _do(self, question: bytes) -> None:
        with self.lock:
            answer, reading = self.answer(question)
            mishap = self.mishaps.popleft() if reading and self.mishaps else None
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
                    self.peer.say(piece)


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

    def answer(self, question: bytes) -> tuple[bytes | None, bool]:
        text = question.decode("latin-1")
        self.heard.append(text)
        said, reading = self._said(text), text in ("READ?", *self.answers)
        return (None if said is None else said.encode("latin-1") + b"\n"), reading and said is not None

    def _said(self, text: str) -> str | None:
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
