"""Devices that speak the line format, on any port that pyserial opens."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from daq.sources.clock import ClockMode
from daq.sources.decoder import WireDecoder
from daq.sources.serial_port import PortSource
from daq.sources.wire import Crc

__all__ = ["LineSource"]


class LineSource(PortSource):
    """A device that speaks the line format on a serial port.

    Parameters
    ----------
    name : str
        The source's name in the bench file.
    port : str
        See `SerialPort`.
    baud : int
        Baud rate.
    crc : "required" or "optional"
        "optional" takes lines without a checksum too, counted as unchecked.
    clock, silent_after_s, rng, now
        See `Source`.
    """

    def __init__(
        self,
        name: str,
        port: str,
        *,
        baud: int = 115200,
        crc: Crc = "required",
        clock: ClockMode = "fitted",
        silent_after_s: float = 1.0,
        rng: random.Random | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(
            name,
            lambda counters: WireDecoder(counters, crc),
            port=port,
            baud=baud,
            clock=clock,
            silent_after_s=silent_after_s,
            rng=rng,
            now=now,
        )
