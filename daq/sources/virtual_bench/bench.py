"""A whole virtual bench: one stack, its devices, and the events that happen to them."""

from __future__ import annotations

import heapq
import itertools
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from daq.errors import UsageError
from daq.sources.virtual_bench.device import FRAME_S, VirtualDevice, VirtualMeter
from daq.sources.virtual_bench.events import Event, parse_event
from daq.sources.virtual_bench.model import VirtualStack
from daq.sources.virtual_bench.scenario import SCENARIOS, Scenario
from daq.sources.virtual_bench.sensors import FAULT_KINDS

__all__ = ["VirtualBench"]


class VirtualBench:
    """A stack with a head, with or without a separate meter, and a list of things to come.

    Parameters
    ----------
    scenario : Scenario, optional
        "runaway" unless given.
    seed : int
        Of all noise: equal seeds and equal calls give equal bytes.
    meter : bool
        Whether there is a second device on a port of its own.
    clock : callable
        Seconds by which the head times its heartbeat; wall time unless given (see `VirtualDevice`).

    Attributes
    ----------
    stack : VirtualStack
    head : VirtualDevice
    meter : VirtualMeter or None
    devices : dict of str to VirtualDevice or VirtualMeter
        By the names "head" and "meter".
    plugged : dict of str to bool
        Whether each device's cable is in; whoever serves the ports obeys it.
    """

    def __init__(
        self,
        scenario: Scenario | None = None,
        *,
        seed: int = 1,
        meter: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.scenario = scenario or SCENARIOS["runaway"]
        head_seed, meter_seed, noise_seed = np.random.SeedSequence(seed).spawn(3)
        self.stack = VirtualStack(self.scenario.parameters)
        self.head = VirtualDevice(
            self.stack,
            seed=head_seed,
            limit_c=self.scenario.device_limit_c,
            closed_at_start=self.scenario.closed_at_start,
            clock=clock,
        )
        self.meter = VirtualMeter(self.stack, seed=meter_seed) if meter else None
        self.devices: dict[str, VirtualDevice | VirtualMeter] = {"head": self.head}
        if self.meter is not None:
            self.devices["meter"] = self.meter
        self.plugged = dict.fromkeys(self.devices, True)
        self._random = np.random.default_rng(noise_seed)
        self._coming: list[tuple[float, int, Event]] = []
        self._order = itertools.count()
        for event in self.scenario.events:
            self.schedule(event)

    @property
    def elapsed_s(self) -> float:
        """The bench's own time since the start [s]."""
        return self.head.elapsed_s

    def schedule(self, event: Event | str) -> None:
        """Let an event come: an `Event`, or its text, which happens now where it names no time."""
        if isinstance(event, str):
            event = parse_event(event, now_s=self.elapsed_s)
        if event.device not in self.devices:
            raise UsageError(
                "no such device",
                place="event",
                value=event.device,
                remedy=f"use one of {', '.join(self.devices)}",
            )
        if event.field and event.field not in self.devices[event.device].sensors:
            raise UsageError(
                f"the {event.device} has no such field",
                place="event",
                value=event.field,
                remedy=f"use one of {', '.join(self.devices[event.device].sensors)}",
            )
        heapq.heappush(self._coming, (event.at_s, next(self._order), event))

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` of the bench's own time pass [s]. Bytes wait in each device's `take_output`."""
        end = self.elapsed_s + dt_s
        while (left := end - self.elapsed_s) > 1e-9:
            while self._coming and self._coming[0][0] <= self.elapsed_s + 1e-9:
                self._happen(heapq.heappop(self._coming)[2])
            part = min(left, FRAME_S)
            if self._coming:
                part = min(part, self._coming[0][0] - self.elapsed_s)
            self.head.advance(part)
            if self.meter is not None:
                self.meter.advance(part)

    def _happen(self, event: Event) -> None:
        undo = self._apply(event)
        if undo is not None and event.lasts_s is not None:
            self.schedule(replace(undo, at_s=self.elapsed_s + event.lasts_s))

    def _apply(self, event: Event) -> Event | None:
        """Make an event so; returns the one that undoes it."""
        stack, device, value = self.stack, self.devices[event.device], event.number
        match event.what:
            case "fan":
                before: float = stack.fan
                stack.fan = bool(value)
            case "volts":
                before, stack.volts_set = stack.volts_set, value
            case "amps":
                before, stack.amps_set = stack.amps_set, value
            case "duty":
                before, stack.duty = stack.duty, value
            case "room":
                before, stack.room_shift_k = stack.room_shift_k, value
            case "leak":
                before, stack.leak_factor = stack.leak_factor, value
            case "top_up":
                stack.top_up(value)
                return None
            case "unplug" | "plug":
                self.plugged[event.device] = event.what == "plug"
                return replace(event, what="plug", value=None, lasts_s=None)
            case "silent" | "speak":
                device.silent = event.what == "silent"
                return replace(event, what="speak", value=None, lasts_s=None)
            case "restart":
                device.restart()
                return None
            case "noise":
                device.babble(self._random.integers(0, 256, int(value), dtype=np.uint8).tobytes())
                return None
            case "heal":
                device.heal_sensor(event.field)
                return None
            case fault if fault in FAULT_KINDS:
                device.fail_sensor(event.field, fault, value)
                return replace(event, what="heal", value=None, lasts_s=None)
        return replace(event, value=float(before), lasts_s=None)
