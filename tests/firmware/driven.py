"""The virtual bench's stack behind the emulated board, whose relay cuts its supply."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from daq.sources.virtual_bench import VirtualStack
from tests.firmware.emulator import Emulator

__all__ = ["DrivenBoard"]

STEP_S = 0.05
CHOPPER_US = 1000.0


class DrivenBoard:
    """Advances stack and board together; the relay's pin decides whether the supply reaches the stack."""

    def __init__(self, board: Emulator, stack: VirtualStack) -> None:
        self.board = board
        self.stack = stack
        self._shown: dict[str, object] = {}
        self._apply()

    def run(self, seconds: float) -> None:
        """In lockstep: let so much time pass for both."""
        for _ in range(round(seconds / STEP_S)):
            self.board.run(STEP_S * 1000.0)
            self._step(STEP_S)

    @contextmanager
    def in_real_time(self) -> Iterator[None]:
        """Let both go on in real time, the stack by the board's clock, for as long as the block lasts."""
        stop = threading.Event()
        self.board.speed(1.0)

        def follow() -> None:
            before = self.board.us
            while not stop.wait(STEP_S):
                now = self.board.us
                self._step((now - before) / 1e6)
                before = now

        thread = threading.Thread(target=follow)
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()
            self.board.speed(0.0)

    def _step(self, seconds: float) -> None:
        if seconds > 0.0:
            self.stack.relay_closed = self.board.closed
            self.stack.step(seconds)
            self._apply()

    def _apply(self) -> None:
        now, duty, warmth = self.stack.now, self.stack.duty, self.stack.warmth
        if duty < 1.0 and now.amps_on > 0.0:
            on = now.stack_watts / (duty * now.amps_on)
            self.board.set_waves((on, (now.volts - duty * on) / (1.0 - duty)), (now.amps_on, 0.0))
        else:
            self.board.set_volts(now.volts)
            self.board.set_amps(now.amps)
        if self._shown.get("duty") != duty:
            self._shown["duty"] = duty
            self.board.chop(CHOPPER_US if duty < 1.0 else 0.0, duty)
        self.board.set_temperature("lye", warmth.lye_c)
        self.board.set_temperature("room", self.stack.room_c)
        self.board.set_temperature("gas", warmth.bubbler_c)
        flow = round(self.stack.meter_flow_lpm / self.stack.parameters.sensors.meter_factor, 2)
        if self._shown.get("flow") != flow:  # a new rate begins its pulses anew
            self._shown["flow"] = flow
            self.board.set_flow(flow)
