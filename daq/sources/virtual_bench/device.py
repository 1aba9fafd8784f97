"""Devices of the virtual bench: what their firmware would do, on the bytes of the wire format.

`VirtualDevice` is the head: it measures the stack, holds the relay, and protects by itself. `VirtualMeter` is
a second, passive device on a port of its own.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np

from daq.errors import FrameError, UsageError
from daq.sources.virtual_bench.model import VirtualStack
from daq.sources.virtual_bench.sensors import (
    FAULT_KINDS,
    HEAD_FIELDS,
    METER_FIELDS,
    Lag,
    Sensor,
    make_sensors,
)
from daq.sources.wire import (
    TripCause,
    WireCommand,
    decode_line,
    encode_frame,
    encode_hello,
    encode_reply,
)

__all__ = ["FRAME_S", "HEARTBEAT_S", "RELAY_S", "VirtualDevice", "VirtualMeter"]

FRAME_S = 0.1
"""Time from one frame to the next [s]: ten a second."""
RELAY_S = 0.030
"""Time from a decision to the relay's contact having moved [s]."""
HEARTBEAT_S = 2.0
"""After the first beat, the relay opens when none came for so long [s]."""

_MAX_COMMAND_BYTES = 40
_TICK_S = 1e-9  # times nearer than this are the same


class _Talker:
    """What both devices share: a clock, a sequence, frames out, sensors and their faults."""

    def __init__(
        self, name: str, stack: VirtualStack, fields: tuple[str, ...], seed: np.random.SeedSequence
    ) -> None:
        self.name = name
        self.stack = stack
        self.sensors: dict[str, Sensor] = make_sensors(fields, stack.parameters.sensors, seed)
        self.seq = 0
        self.elapsed_s = 0.0
        self.silent = False
        self._booted_s = 0.0
        self._next_frame_s = FRAME_S
        self._output: list[bytes] = [encode_hello(name)]

    @property
    def ms(self) -> int:
        """The device's own milliseconds since its last power-up."""
        return round((self.elapsed_s - self._booted_s) * 1000.0)

    def take_output(self) -> list[bytes]:
        """The lines that the device has sent since this was last asked."""
        lines, self._output = self._output, []
        return lines

    def fail_sensor(self, field: str, fault: str, value: float = 0.0) -> None:
        """Begin a fault; see `sensors.FAULT_KINDS`."""
        if field not in self.sensors:
            raise UsageError(
                "the device has no such field",
                place=self.name,
                value=field,
                remedy=f"use one of {', '.join(self.sensors)}",
            )
        if fault not in FAULT_KINDS:
            raise UsageError(
                "no such sensor fault",
                place=self.name,
                value=fault,
                remedy=f"use one of {', '.join(FAULT_KINDS)}",
            )
        self.sensors[field].fail(fault, value, self.elapsed_s)

    def heal_sensor(self, field: str) -> None:
        """End the field's fault."""
        self.sensors[field].heal()

    def restart(self) -> None:
        """Power the device off and on: its clock and its sequence begin anew, and it says hello."""
        self.seq = 0
        self._booted_s = self.elapsed_s
        self._next_frame_s = self.elapsed_s + FRAME_S
        self._output.append(encode_hello(self.name))

    def babble(self, data: bytes) -> None:
        """Send bytes that are no line of the format, as interference would."""
        self._output.append(data)

    def _send_frame(self, fields: dict[str, float]) -> None:
        if not self.silent:
            self._output.append(encode_frame(self.seq, self.ms, fields))
        self.seq += 1


class VirtualDevice(_Talker):
    """The head: ten frames a second, commands answered, the relay held, its own protection.

    Parameters
    ----------
    stack : VirtualStack
        What it measures and switches. The device advances it.
    seed : int or SeedSequence
        Of the noise.
    limit_c : float
        Its own temperature limit [degC], above the host's.
    closed_at_start : bool
        Whether the relay closes at power-up, or waits for ``do=reset``.
    clock : callable
        Seconds by which the heartbeat is timed. **This is wall time, not the bench's own**: at ``--speed 30``
        a host that beats once a second beats once in 30 seconds of the device's milliseconds, and the 2 s of
        real firmware would trip at once. Give one that follows the device's own time where that is wanted, as
        tests in lockstep do.
    name : str
        What it calls itself in ``hello``.

    Attributes
    ----------
    trip : TripCause
        The latched first cause, or NONE.
    bad_lines : int
        Lines heard that were not acted on.
    """

    def __init__(
        self,
        stack: VirtualStack,
        *,
        seed: int | np.random.SeedSequence = 1,
        limit_c: float = 75.0,
        closed_at_start: bool = True,
        clock: Callable[[], float] = time.monotonic,
        name: str = "virtual-head",
    ) -> None:
        sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
        super().__init__(name, stack, HEAD_FIELDS, sequence)
        self.limit_c = limit_c
        self.trip = TripCause.NONE
        self.bad_lines = 0
        self._clock = clock
        self._beat_at: float | None = None
        self._commanded_closed = closed_at_start
        self._relay_moves_s = math.inf
        stack.relay_closed = closed_at_start
        sensors = stack.parameters.sensors
        self._well = Lag(sensors.well_s, stack.warmth.lye_c)
        self._flow = Lag(sensors.flow_s, 0.0)
        self._temp = stack.warmth.lye_c
        self._line = bytearray()
        self._line_lost = False

    # ---- time

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` pass for stack and device [s]; frames appear in `take_output`."""
        end = self.elapsed_s + dt_s
        while self.elapsed_s < end - _TICK_S:
            self._check_heartbeat()
            until = min(end, self._next_frame_s, self._relay_moves_s)
            part = until - self.elapsed_s
            if part > 0.0:
                self.stack.step(part)
                self._well.follow(self.stack.warmth.lye_c, part)
                self._flow.follow(
                    self.stack.meter_flow_lpm / self.stack.parameters.sensors.meter_factor, part
                )
                self.elapsed_s = until
            if self._relay_moves_s <= self.elapsed_s + _TICK_S:
                self.stack.relay_closed = self._commanded_closed
                self._relay_moves_s = math.inf
            if self._next_frame_s <= self.elapsed_s + _TICK_S:
                self._next_frame_s += FRAME_S
                self._measure()

    def _measure(self) -> None:
        stack, now, at = self.stack, self.stack.now, self.elapsed_s
        read = self.sensors
        self._temp = read["temp"].read(self._well.value, at)
        self._protect()
        fields = {
            "volts": read["volts"].read(now.volts, at),
            "amps": read["amps"].read(now.amps, at),
            "watts": read["watts"].read(now.watts, at),
            "temp": self._temp,
            "room": read["room"].read(stack.room_c, at),
            "flow": read["flow"].read(self._flow.value, at),
            "gastemp": read["gastemp"].read(stack.warmth.bubbler_c, at),
            "relay": float(stack.relay_closed),
            "trip": float(self.trip),
        }
        if stack.parameters.supply.duty < 1.0 or stack.duty < 1.0:
            fields["duty"] = round(stack.duty, 4)
        self._send_frame(fields)

    # ---- protection

    def _protect(self) -> None:
        cause = self._present_cause()
        if cause is not TripCause.NONE:
            self._open(cause)

    def _present_cause(self) -> TripCause:
        if math.isnan(self._temp):
            return TripCause.SENSOR_FAULT
        if self._temp >= self.limit_c:
            return TripCause.DEVICE_OVER_TEMPERATURE
        if self._beat_lost():
            return TripCause.HEARTBEAT_LOST
        return TripCause.NONE

    def _beat_lost(self) -> bool:
        return self._beat_at is not None and self._clock() - self._beat_at > HEARTBEAT_S

    def _check_heartbeat(self) -> None:
        if self.trip is TripCause.NONE and self._beat_lost():
            self._open(TripCause.HEARTBEAT_LOST)

    def _open(self, cause: TripCause) -> None:
        if self.trip is TripCause.NONE:
            self.trip = cause  # the first cause stays
        self._command_relay(False)

    def _command_relay(self, closed: bool) -> None:
        if self._commanded_closed != closed:
            self._commanded_closed = closed
            self._relay_moves_s = self.elapsed_s + RELAY_S

    def restart(self) -> None:
        """As a brown-out would: the clock begins anew, a latched trip survives, a closed relay closes."""
        super().restart()
        self._beat_at = None
        self._line.clear()

    # ---- commands

    def feed(self, data: bytes) -> None:
        """Bytes from the host, in pieces of any size. Replies appear in `take_output` at once."""
        for byte in data:
            if byte in b"\r\n":
                if self._line_lost:
                    self.bad_lines += 1
                elif self._line:
                    self._obey(bytes(self._line))
                self._line.clear()
                self._line_lost = False
            elif len(self._line) >= _MAX_COMMAND_BYTES:
                self._line_lost = True
            else:
                self._line.append(byte)

    def _obey(self, line: bytes) -> None:
        try:
            command = decode_line(line)
        except FrameError:
            self.bad_lines += 1
            return
        if not isinstance(command, WireCommand):
            self.bad_lines += 1
            return
        if self.silent:
            return
        why = self._act(command.action)
        self._output.append(encode_reply(command.n, why is None, why))

    def _act(self, action: str) -> str | None:
        """Do what the host says; returns the word of refusal, or None when done."""
        if action == "trip":
            self._open(TripCause.HOST_COMMAND)
            return None
        if action == "beat":
            self._beat_at = self._clock()
            return None
        if action == "reset":
            if math.isnan(self._temp):
                return "sensor"
            if self._temp >= self.limit_c:
                return "hot"
            if self._beat_lost():
                return "beat"
            self.trip = TripCause.NONE
            self._command_relay(True)
            return None
        return "unknown"


class VirtualMeter(_Talker):
    """A separate meter on a port of its own: volts, amps, room temperature and pressure; it obeys nobody.

    Parameters
    ----------
    stack : VirtualStack
        What it measures; it does not advance it.
    seed : int or SeedSequence
        Of the noise.
    name : str
        What it calls itself in ``hello``.
    """

    def __init__(
        self, stack: VirtualStack, *, seed: int | np.random.SeedSequence = 2, name: str = "virtual-meter"
    ) -> None:
        sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
        super().__init__(name, stack, METER_FIELDS, sequence)
        self._room = Lag(20.0, stack.room_c)

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` pass for the meter alone [s]: call it after the stack has been advanced as far."""
        end = self.elapsed_s + dt_s
        while self.elapsed_s < end - _TICK_S:
            until = min(end, self._next_frame_s)
            self._room.follow(self.stack.room_c, until - self.elapsed_s)
            self.elapsed_s = until
            if self._next_frame_s <= self.elapsed_s + _TICK_S:
                self._next_frame_s += FRAME_S
                self._measure()

    def _measure(self) -> None:
        now, at, read = self.stack.now, self.elapsed_s, self.sensors
        self._send_frame(
            {
                "volts": read["volts"].read(now.volts, at),
                "amps": read["amps"].read(now.amps, at),
                "room": read["room"].read(self._room.value, at),
                "pressure": read["pressure"].read(self.stack.parameters.site.pressure_kpa, at),
            }
        )

    def feed(self, data: bytes) -> None:
        """Bytes from the host are not listened to."""
