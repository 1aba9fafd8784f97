"""What the firmware measures, against the waveforms that were put to its converter.

The truth is integrated here, from the waveform itself; the converter's model is the data sheet's ideal one
with 0.3 LSB of noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.signal import lfilter

from daq.sources.virtual_bench import chopped
from tests.firmware.board import flow_hz
from tests.firmware.emulator import Emulator
from tests.firmware.talk import Talk

V_ON, V_OFF, I_ON = 12.4, 9.6, 18.0


@dataclass(frozen=True)
class Truth:
    volts: float
    amps: float
    watts: float
    vrms: float
    arms: float


def truth(
    volts: tuple[float, float], amps: tuple[float, float], period_us: float, duty: float, amps_tau_us: float
) -> Truth:
    """By brute force: 30 periods of a current that approaches its ends exponentially, the last one kept."""
    n, periods = 20_000, 30
    on = np.arange(n) < round(duty * n)
    v, i = np.where(on, *volts), np.where(on, *amps)
    if amps_tau_us > 0.0:
        keep = math.exp(-period_us / n / amps_tau_us)
        i = lfilter([1.0 - keep], [1.0, -keep], np.tile(i, periods))[-n:]
    return Truth(v.mean(), i.mean(), (v * i).mean(), math.sqrt((v**2).mean()), math.sqrt((i**2).mean()))


def frames_of(talk: Talk, count: int) -> list[dict[str, float]]:
    """So many frames, after those that a change just made still touches."""
    talk.run(210.0)
    before = len(talk.frames())
    talk.run(100.0 * count)
    return [dict(frame.fields) for frame in talk.frames()[before:]]


@pytest.mark.parametrize("hertz", [100.0, 997.0, 2000.0])
@pytest.mark.parametrize("duty", [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
def test_true_power_under_pwm(board: Emulator, talk: Talk, duty: float, hertz: float) -> None:
    """Every single frame within 1 %, and the means and RMS values with it."""
    board.run(100.0)
    board.set_waves((V_ON, V_OFF), (I_ON, 0.0))
    board.chop(1e6 / hertz, duty)
    means = chopped(V_ON, duty, V_OFF, (V_ON - V_OFF) / I_ON)
    assert means.watts == pytest.approx(duty * V_ON * I_ON)
    for fields in frames_of(talk, 3):
        assert fields["watts"] == pytest.approx(means.watts, rel=0.01)
        assert fields["volts"] == pytest.approx(means.volts, rel=0.003)
        assert fields["amps"] == pytest.approx(means.amps, rel=0.01)
        assert fields["vrms"] == pytest.approx(math.sqrt(duty * V_ON**2 + (1 - duty) * V_OFF**2), rel=0.003)
        assert fields["arms"] == pytest.approx(I_ON * math.sqrt(duty), rel=0.01)
        assert fields["duty"] == pytest.approx(duty, abs=0.0005)
    if duty < 0.95:
        fault = 1.0 - means.volts * means.amps / means.watts
        assert fault > 0.02, "what multiplying the means would be wrong by, at these volts"


@pytest.mark.parametrize("tau_us", [60.0, 300.0])
@pytest.mark.parametrize("duty", [0.1, 0.3, 0.7])
def test_true_power_with_a_current_that_rises_slowly(
    board: Emulator, talk: Talk, duty: float, tau_us: float
) -> None:
    """Leads have inductance: no rectangle, and current that still flows after the edge."""
    board.run(100.0)
    board.set_waves((V_ON, 9.6), (I_ON, 0.0), amps_tau_us=tau_us)
    board.chop(1000.0, duty)
    true = truth((V_ON, V_OFF), (I_ON, 0.0), 1000.0, duty, tau_us)
    for fields in frames_of(talk, 3):
        assert fields["watts"] == pytest.approx(true.watts, rel=0.03)
        assert fields["amps"] == pytest.approx(true.amps, rel=0.03)
    watts = float(np.mean([fields["watts"] for fields in frames_of(talk, 10)]))
    assert watts == pytest.approx(true.watts, rel=0.01)


@pytest.mark.parametrize("duty", [0.1, 0.5])
def test_without_the_sync_wire_power_is_right_on_average(board: Emulator, talk: Talk, duty: float) -> None:
    board.run(100.0)
    board.set_waves((V_ON, V_OFF), (I_ON, 0.0))
    board.chop(1003.0, duty, sync=False)
    watts = [fields["watts"] for fields in frames_of(talk, 40)]
    scatter = float(np.std(watts, ddof=1)) / (duty * V_ON * I_ON)
    error = float(np.mean(watts)) / (duty * V_ON * I_ON) - 1.0
    print(
        f"\nno sync wire, duty {duty}: off by {100 * error:.2f} %, a frame scatters by {100 * scatter:.1f} %"
    )
    assert abs(error) < 4.0 * scatter / math.sqrt(len(watts))
    assert scatter < 0.25


def test_a_chopper_too_fast_to_follow_is_averaged(board: Emulator, talk: Talk) -> None:
    """At 20 kHz two samples are never of one pulse; the means are right, the true power is not promised."""
    board.run(100.0)
    board.set_waves((V_ON, V_OFF), (I_ON, 0.0))
    board.chop(50.0, 0.5)
    amps = float(np.mean([fields["amps"] for fields in frames_of(talk, 10)]))
    assert amps == pytest.approx(0.5 * I_ON, rel=0.05)


@pytest.mark.parametrize("amps", [-2.0, 0.0, 0.5, 8.0, 40.0])
def test_steady_current(board: Emulator, talk: Talk, amps: float) -> None:
    """One LSB is 49 mA; the mean of hundreds of samples is finer."""
    board.run(100.0)
    board.set_volts(12.0)
    board.set_amps(amps)
    fields = frames_of(talk, 2)[-1]
    assert fields["amps"] == pytest.approx(amps, abs=0.01)
    assert fields["volts"] == pytest.approx(12.0, abs=0.01)
    assert fields["watts"] == pytest.approx(12.0 * amps, abs=0.15)


def test_out_of_range_is_nan_and_no_number(board: Emulator, talk: Talk) -> None:
    board.run(100.0)
    board.set_volts(36.0)
    board.set_amps(10.0)
    fields = frames_of(talk, 1)[-1]
    assert math.isnan(fields["volts"])
    assert math.isnan(fields["watts"])
    assert fields["amps"] == pytest.approx(10.0, abs=0.01)
    board.set_volts(12.0)
    board.set_amps(60.0)
    fields = frames_of(talk, 1)[-1]
    assert math.isnan(fields["amps"])
    assert math.isnan(fields["arms"])
    assert fields["volts"] == pytest.approx(12.0, abs=0.01)


@pytest.mark.parametrize("celsius", [-30.0, -10.0, 0.0, 10.0, 25.0, 40.0, 55.0, 65.0, 72.0, 95.0, 120.0])
def test_temperatures(board: Emulator, talk: Talk, celsius: float) -> None:
    """By the product's thermistor equation, which is held to tables elsewhere."""
    board.set_temperature("room", celsius)
    board.set_temperature("gas", celsius)
    fields = frames_of(talk, 1)[-1]
    tolerance = 0.1 if -10.0 <= celsius <= 75.0 else 0.5
    assert fields["room"] == pytest.approx(celsius, abs=tolerance)
    assert fields["gastemp"] == pytest.approx(celsius, abs=tolerance)


@pytest.mark.parametrize("lpm", [0.05, 0.6, 3.0, 15.0])
def test_flow(board: Emulator, talk: Talk, lpm: float) -> None:
    board.set_flow(lpm)
    talk.run(2500.0 / max(1.0, flow_hz(lpm)) + 300.0)
    assert frames_of(talk, 1)[-1]["flow"] == pytest.approx(lpm, rel=0.003, abs=0.001)
    board.set_flow(0.0)
    falling = [fields["flow"] for fields in frames_of(talk, 33)]
    assert falling == sorted(falling, reverse=True)
    assert falling[-1] == 0.0


def test_every_pulse_is_counted_and_no_bounce(board: Emulator, talk: Talk) -> None:
    talk.run(150.0)
    board.pulses(250, 2000.0)
    talk.run(900.0)
    assert talk.frames()[-1].fields["pulses"] == 250.0
    board.pulses(20, 40.0)  # one contact that bounces for 0.8 ms: its 400 us of rest let three edges through
    talk.run(300.0)
    assert talk.frames()[-1].fields["pulses"] <= 253.0
