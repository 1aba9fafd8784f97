"""Five instruments of one bench, each on a real port or socket, with its own delays, errors and drop-outs.

Every reading is a number that occurs once: the seconds since the test began, at the instant at which the
instrument measured. That is the injected truth, by which a recorded value is known and its time judged.
The head's firmware keeps its own count and clock instead, and the emulator says when that was.
"""

from __future__ import annotations

import json
import random
import struct
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.firmware.emulator import Emulator
from tests.firmware.talk import Talk
from tests.mosquitto import Node
from tests.sources.asked_peer import Mishap, ModbusDevice, ScpiInstrument
from tests.sources.peers import PtyPeer, TcpPeer

__all__ = ["Head", "MeterOnModbus", "NodeOnWifi", "Peer", "SupplyOnScpi", "TextMeter"]

LINE_S = 0.016
"""How long a line of the text meter takes at 9600 baud; its data sheet would say so."""


class Peer:
    """What all have: when readings were taken, and which of them left the instrument whole."""

    def __init__(self, began_ns: int, seed: int) -> None:
        self.began_ns = began_ns
        self.rng = random.Random(seed)
        self.good: list[float] = []
        """Readings that went out whole and in time."""
        self.spoiled: list[float] = []
        """Readings that were garbled, or never sent."""
        self.late: list[float] = []
        """Readings whose answers came after their time."""
        self.outages: list[tuple[float, float]] = []
        """When its port was away [s since the beginning]."""

    def now(self) -> float:
        """Seconds since the beginning, to the microsecond."""
        return round((time.monotonic_ns() - self.began_ns) / 1e9, 6)

    def away(self, leave: Callable[[], None], seconds: float, come: Callable[[], None]) -> None:
        """A drop-out."""
        since = self.now()
        leave()
        time.sleep(seconds)
        come()
        self.outages.append((since, self.now()))


class SupplyOnScpi(Peer, ScpiInstrument):
    """A supply behind a raw socket. Answers take 2 to 12 ms; some are garbled, some too late."""

    def __init__(self, began_ns: int, port: int, late_s: float) -> None:
        Peer.__init__(self, began_ns, 11)
        self.late_s = late_s
        ScpiInstrument.__init__(self, TcpPeer(port))

    def _row(self) -> str | None:
        self.delay_s = self.rng.uniform(0.002, 0.012)
        if not self.mishaps and self.rng.random() < 0.02:
            self.mishaps.append(Mishap("garbled", 0, b"1.2\x00,,\xff\n"))
        reading = self.now()
        fate = self.mishaps[0].kind if self.mishaps else "good"
        {"good": self.good, "late": self.late}.get(fate, self.spoiled).append(reading)
        return f"{reading:.6f},{self.rng.uniform(7, 9):.3E}"

    def hiccup(self, kind: str) -> None:
        """The next answer is "late" or "mute"."""
        with self.lock:
            self.mishaps.append(Mishap(kind, self.late_s, b""))  # type: ignore[arg-type]


class MeterOnModbus(Peer, ModbusDevice):
    """A meter on an RTU line. Answers take 4 to 20 ms; some have a flipped bit."""

    def __init__(self, began_ns: int, path: Path) -> None:
        Peer.__init__(self, began_ns, 12)
        ModbusDevice.__init__(self, PtyPeer(path))

    def _reply(self, unit: int, pdu: bytes) -> bytes | None:
        function, address, count = struct.unpack(">BHH", pdu)
        if (function, address, count) != (3, self.READING, 4):
            return super()._reply(unit, pdu)
        self.delay_s = self.rng.uniform(0.004, 0.020)
        reading = self.now()
        data = struct.pack(">BBd", function, 8, reading)
        if not self.mishaps and self.rng.random() < 0.02:
            self.mishaps.append(Mishap("garbled", 0, b"\x01" + data + b"\x00\x00"))
        (self.spoiled if self.mishaps else self.good).append(reading)
        return data


class _Talker(Peer):
    """One that speaks by itself, from a thread of its own."""

    def __init__(self, began_ns: int, seed: int, every_s: float) -> None:
        super().__init__(began_ns, seed)
        self.every_s = every_s
        self.lock = threading.Lock()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._talk, daemon=True)

    def _talk(self) -> None:
        due = time.monotonic()
        while not self._ending.wait(max(0.0, due - time.monotonic())):
            due += self.every_s
            with self.lock:
                self.say()

    def say(self) -> None:
        """Take a reading and send it."""
        raise NotImplementedError

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def quiet(self) -> None:
        """Fall silent."""
        self._ending.set()
        self._thread.join(20)


class TextMeter(_Talker):
    """A meter that streams lines at 9600 baud; some are damaged, and some say that it is over range."""

    def __init__(self, began_ns: int, path: Path) -> None:
        super().__init__(began_ns, 13, 0.2)
        self.peer = PtyPeer(path)
        self.peer.plug()
        self.plugged = True

    def say(self) -> None:
        reading, fate = self.now(), self.rng.random()
        line = f"{reading:+.6f} s".encode()
        if fate < 0.02:
            line = line[:4] + b"\xf7" + line[5:]
        elif fate < 0.04:
            line = b"O.L s"
        (self.spoiled if fate < 0.04 or not self.plugged else self.good).append(reading)
        time.sleep(LINE_S)
        if self.plugged:
            self.peer.say(line[:5])
            self.peer.say(line[5:] + b"\r\n")

    def unplug(self) -> None:
        """Pull its cable."""
        with self.lock:
            self.plugged = False
            self.peer.unplug()

    def plug(self) -> None:
        """Put it back."""
        with self.lock:
            self.peer.plug()
            self.plugged = True


class NodeOnWifi(_Talker):
    """A node that publishes SenML through a broker, after 5 to 80 ms of Wi-Fi; some packs come twice."""

    TOPIC = "bench/shed"

    def __init__(self, began_ns: int, port: int) -> None:
        super().__init__(began_ns, 14, 0.2)
        self.node = Node(port)
        self._seq = 0

    def say(self) -> None:
        reading = self.now()
        pack = [
            {"bn": "urn:dev:mac:0024befffe804ff1:", "n": "seq", "v": self._seq},
            {"n": "ms", "v": round(reading * 1000) + 123_456},
            {"n": "elapsed", "u": "s", "v": reading},
        ]
        self._seq += 1
        time.sleep(self.rng.uniform(0.005, 0.08))
        payload = json.dumps(pack).encode()
        again = [payload] if self.rng.random() < 0.05 else []
        noise = [b'[{"n":"bad na'] if self.rng.random() < 0.02 else []
        self.node.publish(self.TOPIC, payload, *again, *noise)
        self.good.append(reading)


class Head(Peer):
    """The reference firmware in its emulator at real time; its count and milliseconds are its own."""

    def __init__(self, began_ns: int, path: Path) -> None:
        super().__init__(began_ns, 15)
        self.emulator = Emulator(link=path)
        self.emulator.set_temperature("lye", 30.0)
        self._pairs: list[tuple[int, int, int]] = []
        self._held_up: list[float] = []
        self._ending = threading.Event()
        self._seq, self._us = self._first_frame()
        self.emulator.speed(1.0)
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _first_frame(self) -> tuple[int, int]:
        """A frame's number, and the middle of what it is a mean of, in lockstep, to a millisecond [us]."""
        with Talk(self.emulator) as line:
            first, middle_us, _ = line.timed_frame()
        return first.seq, middle_us

    def _watch(self) -> None:
        while True:
            due = time.monotonic_ns() + 100_000_000
            if self._ending.wait(0.1):
                return
            before = time.monotonic_ns()
            self._held_up.append((before - due) / 1e6)
            us = self.emulator.us
            after = time.monotonic_ns()
            self._pairs.append((us, before, after))

    def measured_ns(self, seq: int) -> tuple[int, int]:
        """When frame `seq` was measured, on the host's clock, and within how much that is known [ns]."""
        us = self._us + 100_000 * (seq - self._seq)
        near = [p for p in self._pairs if abs(p[0] - us) < 300_000] or [
            min(self._pairs, key=lambda p: abs(p[0] - us))
        ]
        at, before, after = min(near, key=lambda p: p[2] - p[1])
        return (before + after) // 2 + 1000 * (us - at), after - before

    def slip_ms(self) -> float:
        """How far the emulator's time went astray: a computer with no core to spare starves it.

        The range that holds 95 % of all its differences from the host's time [ms].
        """
        behind = [(before + after) / 2e6 - us / 1e3 for us, before, after in self._pairs]
        low, high = np.percentile(behind, [2.5, 97.5])
        return float(high - low)

    def held_up_ms(self) -> float:
        """By how much a thread that waits comes too late, in nine of ten cases at the most [ms]."""
        return float(np.percentile(self._held_up, 90))

    def stop(self) -> None:
        """End."""
        self._ending.set()
        self._thread.join(20)
        self.emulator.stop()
