"""The reference firmware in an emulated ATmega328P: signals in, relay out, its serial line a pseudo-terminal.

    with Emulator(speed=1.0, link=folder / "head") as head:      # real time
        head.set_volts(12.0)
        head.set_temperature("lye", 40.0)
        ... a reader opens head.port ...

With `speed=0`, the default, virtual time stands still but for `run`: what a test then finds is the same to
the byte each time, and no stall of the machine can spoil a safety time. The emulator is a process of its
own (`emulator_host.c`), which ends with this object or with this process.
"""

from __future__ import annotations

import queue
import subprocess
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from tests.firmware.board import BOARD, amps_mv, flow_hz, ntc_mv, volts_mv
from tests.firmware.built import built, need_tools
from tests.waiting import wait_until

__all__ = ["Emulator", "RelayMove", "Thermistor"]

Thermistor = Literal["lye", "room", "gas"]

_ANSWER_S = 100.0
_VOLTS, _AMPS = 0, 1
_THERMISTORS: dict[Thermistor, int] = {"lye": 2, "room": 3, "gas": 4}


@dataclass(frozen=True, slots=True)
class RelayMove:
    """The relay's pin changed: when, in virtual time [us], and to what."""

    us: int
    closed: bool


class Emulator:
    """One board. Starts with 0 V, 0 A, every thermistor at 20 degC, no flow, nothing chopping.

    Parameters
    ----------
    speed : float
        Virtual seconds a second; 0 for lockstep.
    link : path, optional
        A symbolic link that keeps its name when the cable is pulled and put back.
    elf : path, optional
        Another program than the reference firmware.

    Attributes
    ----------
    moves : list of RelayMove
        Every change of the relay's pin, as its driver would see it: floating is open.
    """

    def __init__(self, *, speed: float = 0.0, link: Path | None = None, elf: Path | None = None) -> None:
        need_tools()
        programs = built()
        self.moves: list[RelayMove] = []
        self.crashed: str | None = None
        self._link = link
        self._terminal = ""
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._lock = threading.Lock()
        command = [str(programs.host), "-s", "0"]
        if link is not None:
            command += ["-l", str(link)]
        self._process = subprocess.Popen(
            [*command, str(elf or programs.elf)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        self._opened = threading.Event()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        assert self._opened.wait(_ANSWER_S), "the emulator did not start"
        self.set_volts(0.0)
        self.set_amps(0.0)
        for which in _THERMISTORS:
            self.set_temperature(which, 20.0)
        self.speed(speed)

    # ---- time

    def run(self, ms: float) -> dict[str, int]:
        """In lockstep: let virtual time pass [ms]. Returns the host's counters, bytes sent among them."""
        return _numbers(self._ask(f"run {ms}"))

    @property
    def us(self) -> int:
        """Virtual time since the start [us]."""
        return int(self._ask("time").split()[1])

    def speed(self, speed: float) -> None:
        """Virtual seconds a second; 0 stops."""
        self._speed = speed
        self._ask(f"speed {speed}")

    def counters(self) -> dict[str, int]:
        """us, tx and dropped (bytes sent, and of those lost for want of a listener), rx, waiting."""
        return _numbers(self._ask("stat"))

    # ---- the serial line

    @property
    def port(self) -> str:
        """What a reader opens: the link, or else the pseudo-terminal itself."""
        return str(self._link) if self._link is not None else self._terminal

    def unplug(self) -> None:
        """Pull the cable; the board goes on."""
        self._ask("unplug")

    def plug(self) -> None:
        """Put it back."""
        self._ask("plug")

    def wait_opened(self) -> None:
        """Wait until somebody holds the terminal open: what is said before is lost."""
        wait_until(lambda: self._ask("opened") == "ok 1", "a reader at the port", timeout_s=_ANSWER_S)

    def wait_received(self, count: int) -> None:
        """In lockstep: wait until so many bytes in all have come in from the terminal."""
        self._ask(f"rx {count}")

    # ---- the signals

    def set_volts(self, volts: float) -> None:
        """The stack's volts, steady."""
        self._ask(f"level {_VOLTS} {volts_mv(volts)!r}")

    def set_amps(self, amps: float) -> None:
        """The stack's current, steady [A]."""
        self._ask(f"level {_AMPS} {amps_mv(amps)!r}")

    def set_waves(
        self,
        volts: tuple[float, float],
        amps: tuple[float, float],
        *,
        volts_tau_us: float = 0.0,
        amps_tau_us: float = 0.0,
    ) -> None:
        """Volts and amps while the chopper conducts, and while not, each with a time constant [us]."""
        self._ask(f"wave {_VOLTS} {volts_mv(volts[0])!r} {volts_mv(volts[1])!r} {volts_tau_us!r}")
        self._ask(f"wave {_AMPS} {amps_mv(amps[0])!r} {amps_mv(amps[1])!r} {amps_tau_us!r}")

    def chop(self, period_us: float, duty: float, *, sync: bool = True) -> None:
        """Let the chopper run: for `set_waves`, and, unless told otherwise, on the sync pin."""
        self._ask(f"sync {int(sync)}")
        self._ask(f"chop {period_us!r} {duty!r}")

    def set_temperature(self, which: Thermistor, celsius: float) -> None:
        """A thermistor's temperature, -40 to 150 degC."""
        self._ask(f"level {_THERMISTORS[which]} {ntc_mv(celsius)!r}")

    def break_thermistor(self, which: Thermistor, how: Literal["open", "short"]) -> None:
        """Cut or short it."""
        self._ask(f"level {_THERMISTORS[which]} {BOARD['AVCC_MV'] if how == 'open' else 0.0}")

    def set_flow(self, litres_per_minute: float) -> None:
        """The flow meter's pulses, steady; 0 stops them."""
        self._ask(f"rate D 2 {flow_hz(litres_per_minute)!r}")

    def pulses(self, count: int, period_us: float) -> None:
        """A number of pulses of the flow meter."""
        self._ask(f"pulses D 2 {count} {period_us!r}")

    def set_noise(self, lsb: float) -> None:
        """Standard deviation of the converter's noise, 0.3 at the start."""
        self._ask(f"noise {lsb!r}")

    def set_supply_mv(self, millivolts: int) -> None:
        """The board's own 5 V."""
        self._ask(f"avcc {millivolts}")

    def hold_button(self, down: bool) -> None:
        """The button at the bench; it counts when it has been down for 50 ms."""
        self._ask(f"pin D 3 {int(not down)}")

    def close_relay(self) -> None:
        """What a person at the bench does: hold the button until the relay closes.

        Raises AssertionError where it does not within a second of virtual time, a cause standing.
        """
        began = self.us
        self.hold_button(True)
        while not self.closed:
            assert self.us - began < 1_000_000, "the relay does not close"
            if self._speed > 0.0:
                time.sleep(0.01)
            else:
                self.run(10.0)
        self.hold_button(False)

    # ---- the chip

    @property
    def closed(self) -> bool:
        """Whether the relay's pin is driven high now."""
        return self._ask("relay") == "ok 1"

    def reset(self, why: Literal["power", "brownout", "pin", "watchdog"]) -> None:
        """Reset the chip; "power" leaves rubbish in its memory."""
        self._ask(f"reset {why}")

    def peek(self, address: int) -> int:
        """One byte of the data space."""
        return int(self._ask(f"ram {address}").split()[1])

    def poke(self, address: int, value: int) -> None:
        """Change one byte of the data space, registers included, behind the program's back."""
        self._ask(f"ram {address} {value}")

    # ---- process

    def stop(self) -> None:
        """End the emulator."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if not self._process.stdin.closed:
            self._process.stdin.close()
        self._process.wait(_ANSWER_S)
        self._listener.join(_ANSWER_S)
        self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _ask(self, command: str) -> str:
        with self._lock:
            assert self._process.stdin is not None
            self._process.stdin.write(f"{command}\n")
            answer = self._answers.get(timeout=_ANSWER_S)
        assert answer.startswith("ok"), f"{command}: {answer}"
        return answer

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            word, _, rest = line.strip().partition(" ")
            if word == "relay":
                closed, at = rest.split(" @")
                self.moves.append(RelayMove(int(at), closed == "1"))
            elif word == "pty":
                self._terminal = rest
                self._opened.set()
            elif word == "crashed":
                self.crashed = rest
            else:
                self._answers.put(line.strip())
        self._answers.put(f"err the emulator has ended: {self.crashed}")


def _numbers(answer: str) -> dict[str, int]:
    return {name: int(number) for name, _, number in (word.partition("=") for word in answer.split()[1:])}
