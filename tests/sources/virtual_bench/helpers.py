"""What several tests of the virtual bench need: its lines read back, and waiting for a condition."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from daq.sources.reading import Hello, Reading, Reply
from daq.sources.virtual_bench import VirtualBench, VirtualDevice, VirtualMeter
from daq.sources.wire import TripCause, decode_line, encode_command

DEADLINE_S = 20.0
"""Long, because the machine may be loaded; every wait ends as soon as its condition holds."""


def wait_for(condition: Callable[[], bool], what: str) -> None:
    """Poll until `condition` holds; fail naming `what` at the deadline."""
    until = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < until, f"waited {DEADLINE_S} s in vain for {what}"
        time.sleep(0.005)


def frames(lines: Iterable[bytes]) -> list[Reading]:
    """The frames among lines, every one of which must be of the format."""
    return [message for line in lines if isinstance(message := decode_line(line), Reading)]


def replies(lines: Iterable[bytes]) -> list[Reply]:
    """The replies among lines."""
    return [message for line in lines if isinstance(message := decode_line(line), Reply)]


def hellos(lines: Iterable[bytes]) -> list[Hello]:
    """The hellos among lines."""
    return [message for line in lines if isinstance(message := decode_line(line), Hello)]


def next_frames(bench: VirtualBench, seconds: float) -> list[Reading]:
    """Advance and return the head's frames."""
    bench.advance(seconds)
    return frames(bench.head.take_output())


def tell(device: VirtualDevice | VirtualMeter, action: str, n: int = 1) -> Reply:
    """Send a command and return the one reply to it."""
    device.take_output()
    device.feed(encode_command(action, n))
    (reply,) = replies(device.take_output())
    assert reply.number == n
    return reply


# The two below are functions because a checker of types takes an attribute to stay what an assert has seen.


def trip_of(device: VirtualDevice) -> TripCause:
    """The latched cause, now."""
    return device.trip


def closed(device: VirtualDevice) -> bool:
    """Whether the relay is closed, now."""
    return device.stack.relay_closed
