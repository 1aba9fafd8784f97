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
from daq.sources.wire import encode_command
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
    for fields in frames_of(talk, 2):
        assert fields["watts"] == pytest.approx(means.watts, rel=0.01)
        assert fields["volts"] == pytest.approx(means.volts, rel=0.003)
        assert fields["amps"] == pytest.approx(means.amps, rel=0.01)
        assert fields["vrms"] == pytest.approx(math.sqrt(duty * V_ON**2 + (1 - duty) * V_OFF**2), rel=0.003)
        assert fields["arms"] == pytest.approx(I_ON * math.sqrt(duty), rel=0.01)
        assert fields["duty"] == pytest.approx(duty, abs=0.0005)
        assert fields["fault"] == 0.0
    if duty < 0.95:
        fault = 1.0 - means.volts * means.amps / means.watts
        assert fault > 0.02, "what multiplying the means would be wrong by, at these volts"


@pytest.mark.parametrize(("duty", "tau_us"), [(0.1, 60.0), (0.1, 300.0), (0.3, 60.0), (0.7, 300.0)])
def test_power_with_a_current_that_rises_slowly(
    board: Emulator, talk: Talk, duty: float, tau_us: float
) -> None:
    """Leads have inductance. What is sampled within 2.5 us of an edge is in no time's mean, so that a current
    which is steepest there is read a little off; a rectangle is not."""
    board.run(100.0)
    board.set_waves((V_ON, V_OFF), (I_ON, 0.0), amps_tau_us=tau_us)
    board.chop(1000.0, duty)
    true = truth((V_ON, V_OFF), (I_ON, 0.0), 1000.0, duty, tau_us)
    watts = [fields["watts"] for fields in frames_of(talk, 10)]
    off = float(np.mean(watts)) / true.watts - 1.0
    print(f"\nduty {duty}, tau {tau_us:g} us: watts off by {100 * off:.2f} %")
    assert abs(off) < 0.05


@pytest.mark.parametrize(("duty", "period_us"), [(0.1, 5003.0), (0.5, 1003.0)])
def test_without_the_sync_wire_power_is_right_on_average(
    board: Emulator, talk: Talk, duty: float, period_us: float
) -> None:
    """For pulses longer than the three conversions over which it is extrapolated, 156 us."""
    board.run(100.0)
    board.set_waves((V_ON, V_OFF), (I_ON, 0.0))
    board.chop(period_us, duty, sync=False)
    watts = [fields["watts"] for fields in frames_of(talk, 30)]
    scatter = float(np.std(watts, ddof=1)) / (duty * V_ON * I_ON)
    error = float(np.mean(watts)) / (duty * V_ON * I_ON) - 1.0
    print(
        f"\nno sync wire, duty {duty}: off by {100 * error:.2f} %, a frame scatters by {100 * scatter:.1f} %"
    )
    assert abs(error) < 4.0 * scatter / math.sqrt(len(watts))
    assert scatter < 0.25


def test_a_chopper_too_fast_to_follow_is_said_to_be(board: Emulator, talk: Talk) -> None:
    """At 20 kHz the edges hold up what samples between them. No number is better than a wrong one."""
    board.run(100.0)
    board.set_waves((V_ON, V_OFF), (I_ON, 0.0))
    board.chop(50.0, 0.5)
    fields = frames_of(talk, 1)[-1]
    assert math.isnan(fields["watts"])
    assert math.isnan(fields["amps"])
    assert fields["fault"] == 64.0
    assert fields["temp"] == pytest.approx(20.0, abs=0.1), "what protects goes on"
    board.chop(500.0, 0.5)
    fields = frames_of(talk, 1)[-1]
    assert fields["watts"] == pytest.approx(0.5 * V_ON * I_ON, rel=0.01)
    assert fields["fault"] == 0.0


def test_no_sample_is_taken_for_another_input_s(board: Emulator, talk: Talk) -> None:
    """Without noise, every frame of a steady input is the same to the last digit."""
    board.set_noise(0.0)
    board.set_volts(12.0)
    board.run(150.0)
    board.set_amps(40.0)
    for n in range(1, 6):  # commands and replies add their own interrupts
        talk.send(encode_command("beat", n))
        frames_of(talk, 1)
    fields = [{**f.fields, "fault": 0.0} for f in talk.frames()[5:]]
    assert all(f == fields[0] for f in fields)


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


@pytest.mark.parametrize("lpm", [0.1, 0.6, 15.0])
def test_flow(board: Emulator, talk: Talk, lpm: float) -> None:
    board.set_flow(lpm)
    talk.run(2200.0 / max(2.0, flow_hz(lpm)) + 200.0)
    assert frames_of(talk, 1)[-1]["flow"] == pytest.approx(lpm, rel=0.003, abs=0.001)


def test_flow_that_stops_falls_to_nought(board: Emulator, talk: Talk) -> None:
    """The next pulse is late, and later: the flow is no more than that allows, and after 3 s none."""
    board.set_flow(3.0)
    talk.run(500.0)
    board.set_flow(0.0)
    falling = [fields["flow"] for fields in frames_of(talk, 31)]
    assert falling == sorted(falling, reverse=True)
    assert falling[3] < 1.0
    assert falling[-1] == 0.0


def test_every_pulse_is_counted_and_no_bounce(board: Emulator, talk: Talk) -> None:
    talk.run(150.0)
    board.pulses(250, 2000.0)
    talk.run(900.0)
    assert talk.frames()[-1].fields["pulses"] == 250.0
    board.pulses(20, 40.0)  # one contact that bounces for 0.8 ms: its 400 us of rest let three edges through
    talk.run(300.0)
    assert talk.frames()[-1].fields["pulses"] <= 253.0
