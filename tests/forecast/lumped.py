"""Stacks whose course is known, as ticks for the watch: one heat capacity, one loss, a law, no vapour."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.forecast.monitor import RunawayConfig, RunawayWatch
from daq.physics.cell_voltage import v_tn

FloatArray = NDArray[np.float64]
CELLS = 6


def _exponential(rise: float) -> float:
    return math.exp(0.02 * rise)


@dataclass(slots=True)
class Lumped:
    """Heat `p0_w` at `room_c`, growing with the current by `law` (of kelvin over the room)."""

    capacity_j_k: float = 2000.0
    r_k_w: float = 0.3
    p0_w: float = 49.128
    amps: float = 10.0
    room_c: float = 5.0
    law: Callable[[float], float] = _exponential
    tick_s: float = 5.0

    def rise(self, seconds: float, stop_k: float = 90.0) -> FloatArray:
        """Kelvin over the room at each tick (Runge-Kutta of fourth order), until `stop_k`."""
        out = [0.0]

        def rate(rise: float) -> float:
            return (self.p0_w * self.law(rise) - rise / self.r_k_w) / self.capacity_j_k

        h = self.tick_s
        while len(out) * h <= seconds and out[-1] < stop_k:
            x = out[-1]
            k1 = rate(x)
            k2 = rate(x + 0.5 * h * k1)
            k3 = rate(x + 0.5 * h * k2)
            k4 = rate(x + h * k3)
            out.append(x + h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4))
        return np.array(out)

    def ticks(
        self, seconds: float, stop_k: float = 90.0
    ) -> Iterator[tuple[float, float, float, float, float]]:
        """Seconds, volts, amps, watts, lye in turn: watts are the heat and what leaves as gas."""
        for i, rise in enumerate(self.rise(seconds, stop_k).tolist()):
            amps = self.amps * self.law(rise)
            lye = self.room_c + rise
            watts = self.p0_w * self.law(rise) + CELLS * float(v_tn(lye)) * amps
            yield i * self.tick_s, watts / amps, amps, watts, lye

    def config(self, limit_c: float, **more: object) -> RunawayConfig:
        """What the watch is told: nothing of the loss, nor of the law."""
        given: dict[str, object] = {
            "cells": CELLS,
            "litres": 0.4,
            "steel_kg": 0.9,
            "limits_c": {"high": limit_c},
            "room_temp_c": self.room_c,
        }
        return RunawayConfig(**(given | more))  # type: ignore[arg-type]


def dry(config: RunawayConfig) -> RunawayWatch:
    """A watch of a stack from which nothing evaporates."""
    watch = RunawayWatch(config)
    watch.tables.vapour_volts[:] = 0.0
    watch.tables.vapour_slope[:] = 0.0
    return watch


def followed(stack: Lumped, watch: RunawayWatch, seconds: float, *, flow: bool = True) -> None:
    """Play so many seconds of the stack to the watch, all of whose current makes gas."""
    for t, volts, amps, watts, lye in stack.ticks(seconds):
        made = amps * watch.tables.lpm_per_amp if flow else None
        watch.update(t, volts, amps, watts, lye, stack.room_c, made)
