"""Device time to host time: skew, jitter, steps, restarts and wrap-around against a known truth."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest

from daq.sources.clock import ClockMode, DeviceClock, MsUnwrapper

MS = 1_000_000
BASE = 7_000_000_000_000
TOP = 2**32


@dataclass
class World:
    """A device at 10 Hz, its clock off by `ppm`, heard after a delay of 2 ms and up to `jitter_s` more."""

    ppm: float = 0.0
    jitter_s: float = 0.03
    started_ms: int = 5000
    bursts: float = 0.0
    rng: random.Random = field(default_factory=lambda: random.Random(20))
    arrived: int = 0
    t: float = 0.0

    def frame(self) -> tuple[int, int, int]:
        """The next frame: the instant of measuring on the host's clock, the device's ms, the receive time."""
        self.t += 0.1
        truth = BASE + round(self.t * 1e9)
        ms = self.started_ms + int(self.t * 1000 / (1 + self.ppm * 1e-6))
        delay = 0.002 + self.rng.random() * self.jitter_s
        if self.rng.random() < self.bursts:
            delay += 2.2 * self.rng.random()
        self.arrived = max(self.arrived, truth + round(delay * 1e9))  # bytes keep their order
        return truth, ms % TOP, self.arrived


def errors_ms(clock: DeviceClock, world: World, seconds: float) -> list[float]:
    """Mapped time less the truth, for each frame [ms]."""
    out = []
    for _ in range(round(seconds * 10)):
        truth, ms, received = world.frame()
        mapped, _ = clock.map(ms, received)
        assert mapped <= received
        out.append((mapped - truth) / MS)
    return out


@pytest.mark.parametrize("ppm", [200.0, -200.0, 0.0, 5000.0, -15_000.0])
@pytest.mark.parametrize("bursts", [0.0, 0.02])
def test_jitter_of_30_ms_and_skew_leave_a_few_milliseconds(ppm: float, bursts: float) -> None:
    # Of 20 delays spread evenly over 30 ms the least is 1.4 ms in the mean; 1 ms is the device's own step.
    clock = DeviceClock("fitted")
    world = World(ppm=ppm, bursts=bursts)
    errors_ms(clock, world, 60)
    errors = errors_ms(clock, world, 540)
    assert min(errors) > -1.5
    assert max(errors) < 6.0
    assert clock.skew_ppm == pytest.approx(ppm, abs=25)
    assert clock.steps == 0


def test_the_rate_of_a_ramp_is_left_alone() -> None:
    # A slope over 10 s is off by the jitter / 10 s when taken by receive times; the fit leaves a few tenths
    # of a millisecond of jitter and the 1 ms step of the device's own clock.
    def worst(mode: ClockMode) -> float:
        clock = DeviceClock(mode)
        world = World(ppm=200)
        errors_ms(clock, world, 60)
        errors = errors_ms(clock, world, 300)
        return max(abs(b - a) for a, b in zip(errors, errors[100:], strict=False)) / 10_000

    assert worst("host") > 2e-3
    assert worst("fitted") < 5e-4


def test_the_first_minute_is_never_far_off() -> None:
    for ppm in (200.0, -200.0, 5000.0):
        errors = errors_ms(DeviceClock("fitted"), World(ppm=ppm), 60)
        assert max(abs(e) for e in errors) < 33 + ppm * 0.012 + 1


def test_a_stall_of_the_computer_is_not_a_step() -> None:
    clock, world = DeviceClock("fitted"), World()
    errors_ms(clock, world, 60)
    world.arrived = BASE + round((world.t + 5) * 1e9)  # nothing is read for five seconds, then all at once
    errors = errors_ms(clock, world, 60)
    assert clock.steps == 0
    assert max(abs(e) for e in errors) < 6


@pytest.mark.parametrize("step_ms", [1_800_000, 3000, -700, -1_800_000])
def test_a_step_of_the_devices_clock_is_followed(step_ms: int) -> None:
    clock, world = DeviceClock("fitted"), World(ppm=200, started_ms=2_000_000)
    errors_ms(clock, world, 60)
    world.started_ms += step_ms
    during = errors_ms(clock, world, 10)
    assert clock.steps == 1
    after = errors_ms(clock, world, 60)
    assert max(abs(e) for e in after[100:]) < 6
    if step_ms > 0:
        assert max(abs(e) for e in during) < 40  # a frame from the future can only be a step


def test_a_computer_that_slept_is_followed() -> None:
    clock, world = DeviceClock("fitted"), World(started_ms=0)
    errors_ms(clock, world, 60)
    world.started_ms += 3_600_000  # the host's monotonic clock stood still for an hour, the device's did not
    assert max(abs(e) for e in errors_ms(clock, world, 10)) < 40


def test_a_restart_keeps_the_skew_and_loses_the_offset() -> None:
    clock, world = DeviceClock("fitted"), World(ppm=5000)
    errors_ms(clock, world, 60)
    before = clock.skew_ppm
    clock.restart()
    world.started_ms = 80 - int(world.t * 1000 / 1.005)
    errors = errors_ms(clock, world, 9)
    assert clock.skew_ppm == before
    assert max(abs(e) for e in errors) < 33
    assert clock.steps == 0


def test_wrap_around_is_not_seen() -> None:
    clock, world = DeviceClock("fitted"), World(started_ms=TOP - 30_000)
    errors = errors_ms(clock, world, 60)
    assert max(abs(e) for e in errors[300:]) < 6
    assert clock.map(40_000, world.arrived + 1)[1] == TOP + 40_000


def test_unwrapping() -> None:
    unwrap = MsUnwrapper()
    assert [unwrap(ms) for ms in (TOP - 1, 0, 100, 50, 2**31 + 49)] == [
        TOP - 1, TOP, TOP + 100, TOP + 50, TOP + 2**31 + 49,
    ]  # fmt: skip
    unwrap.restart()
    assert unwrap(3) == 3


def test_host_mode_is_the_receive_time_made_to_go_forward() -> None:
    clock = DeviceClock("host")
    assert clock.map(5, 100) == (100, 5)
    assert clock.map(6, 100) == (101, 6)
    assert clock.map(None, 90) == (102, None)


def test_device_mode_follows_the_device_alone() -> None:
    clock = DeviceClock("device")
    first, _ = clock.map(4000, BASE)
    assert first == BASE
    # Thirty times as fast, heard with jitter.
    for n in range(1, 1000):
        mapped, _ = clock.map(4000 + 3000 * n, BASE + n * 100 * MS + n % 7 * MS)
        assert mapped == BASE + 3000 * n * MS


def test_device_mode_goes_on_after_a_restart() -> None:
    clock = DeviceClock("device")
    clock.map(1000, BASE)
    clock.map(61_000, BASE + 60_000 * MS)
    clock.restart()
    mapped, ms = clock.map(50, BASE + 65_000 * MS)
    assert (mapped, ms) == (BASE + 65_000 * MS, 50)
    assert clock.map(150, BASE + 65_130 * MS)[0] == BASE + 65_100 * MS


def test_a_device_without_a_clock_gets_the_receive_time() -> None:
    for mode in ("host", "fitted", "device"):
        assert DeviceClock(mode).map(None, 123) == (123, None)
