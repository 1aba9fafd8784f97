"""Power under PWM: bounded where it is known, refused where it is not, with what to measure."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import PhysicsRangeError, RequestRefused
from daq.physics.pwm import PowerUnknown, true_power
from tests.published.rectangles import two_level_mean, two_level_rms


@pytest.mark.parametrize(
    ("readings", "says", "measure"),
    [
        (
            {"volts_mean": 7.0, "amps_mean": 10.0},
            "low by up to the duty",
            "sense the volts before the switch",
        ),
        ({"volts_rms": 9.8, "amps_rms": 14.1}, "holds its voltage while off", "give the duty"),
        ({"volts_mean": 7.0}, "both volts and amps", "mean of volts times amps"),
        ({}, "both volts and amps", "mean of volts times amps"),
        ({"volts_mean": 7.0, "amps_rms": 14.1}, "both volts and amps", "duty"),
        ({"volts_mean": 13.8, "amps_rms": 14.1, "sensed_at": "supply"}, "both volts and amps", "mean amps"),
    ],
)
def test_what_can_not_be_known_is_refused(readings: dict[str, Any], says: str, measure: str) -> None:
    with pytest.raises(PowerUnknown) as caught:
        true_power(waveform="pulsed", **readings)
    assert says in str(caught.value)
    assert measure in str(caught.value)
    assert isinstance(caught.value, RequestRefused)


def test_smooth_power_needs_both_means() -> None:
    with pytest.raises(PowerUnknown, match="both needed"):
        true_power(waveform="smooth", volts_mean=13.0, amps_rms=10.0)
    got = true_power(waveform="smooth", volts_mean=13.0, amps_mean=10.0)
    assert got.watts == 130.0
    assert got.u_w == 0.0
    assert got.assumptions == ("volts and amps are smooth",)


def test_measured_power_wins() -> None:
    got = true_power(waveform="pulsed", watts=138.0, volts_mean=6.9, amps_mean=10.0, duty=0.5)
    assert (got.watts, got.u_w, got.assumptions) == (138.0, 0.0, ())


def test_swapped_or_false_rms_is_caught() -> None:
    with pytest.raises(PhysicsRangeError, match="RMS of amps is below its mean"):
        true_power(waveform="pulsed", volts_mean=7.0, volts_rms=9.0, amps_mean=10.0, amps_rms=9.0)
    # a percent short is a meter's error, not a mistake
    got = true_power(waveform="smooth", volts_mean=13.0, volts_rms=12.9, amps_mean=10.0, amps_rms=10.0)
    assert got.watts == pytest.approx(130.0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"duty": 0.0},
        {"duty": 1.2},
        {"duty": 0.5, "off_volts": (9.0, 6.0)},
        {"duty": 0.5, "off_volts": (-1.0, 6.0)},
        {"volts_rms": 9.0, "amps_rms": 12.0, "likeness": (1.0, 0.9)},
        {"volts_rms": 9.0, "amps_rms": 12.0, "likeness": (0.5, 1.5)},
    ],
)
def test_impossible_settings_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(PhysicsRangeError):
        true_power(waveform="pulsed", volts_mean=7.0, amps_mean=10.0, **wrong)


volts = st.floats(5.0, 60.0)
amps = st.floats(0.5, 60.0)
duties = st.floats(0.05, 1.0)


@given(volts, amps, duties, st.floats(0.0, 1.0))
def test_every_way_bounds_the_truth(v: float, i: float, duty: float, held: float) -> None:
    """Rectangular pulses into a stack that holds a share of its voltage while off."""
    off = held * v
    truth = duty * v * i
    readings = {
        "volts_mean": two_level_mean(v, off, duty),
        "volts_rms": two_level_rms(v, off, duty),
        "amps_mean": two_level_mean(i, 0.0, duty),
        "amps_rms": two_level_rms(i, 0.0, duty),
    }
    ways: list[tuple[tuple[str, ...], dict[str, Any]]] = [
        (("volts_mean", "amps_mean", "volts_rms", "amps_rms"), {}),
        (("volts_mean", "amps_mean"), {"duty": duty}),
        (("volts_mean", "amps_rms"), {"duty": duty}),
        (("volts_rms", "amps_mean"), {"duty": duty}),
        (("volts_rms", "amps_rms"), {"duty": duty}),
        (("volts_mean", "amps_mean"), {"duty": duty, "off_volts": (0.9 * off, 1.1 * off)}),
        (("volts_rms", "amps_rms"), {"duty": duty, "off_volts": (off, off)}),
    ]
    for names, more in ways:
        given_now: dict[str, Any] = {n: readings[n] for n in names}
        got = true_power(waveform="pulsed", **given_now, **more)
        slack = 1e-6 * truth
        assert np.asarray(got.low) - slack <= truth <= np.asarray(got.high) + slack, names
        assert np.asarray(got.u_w) == pytest.approx((got.high - got.low) / math.sqrt(12.0))
        assert got.low <= got.watts <= got.high
        assert got.assumptions
    # knowing the volts while off pins it down
    assert got.watts == pytest.approx(truth, rel=1e-6)
    supply = true_power(waveform="pulsed", sensed_at="supply", volts_mean=v, amps_mean=readings["amps_mean"])
    assert supply.watts == pytest.approx(truth)


@given(volts, amps, duties)
def test_supply_side_from_rms_amps(v: float, i: float, duty: float) -> None:
    got = true_power(
        waveform="pulsed", sensed_at="supply", volts_rms=v, amps_rms=two_level_rms(i, 0.0, duty), duty=duty
    )
    assert got.watts == pytest.approx(duty * v * i)
    assert any("RMS amps" in text for text in got.assumptions)


@given(volts, amps, st.floats(0.0, 0.3), st.floats(0.0, 0.3), st.floats(-0.5, 0.5))
def test_ripple_in_step_is_within_the_limits(
    v: float, i: float, v_ripple: float, i_ripple: float, skew: float
) -> None:
    x = (np.arange(2000) + 0.5) / 2000
    shape = np.sin(2.0 * np.pi * x) + skew * np.sin(4.0 * np.pi * x)
    volts_now, amps_now = v * (1.0 + v_ripple * shape), i * (1.0 + i_ripple * shape)
    got = true_power(
        waveform="smooth",
        volts_mean=float(volts_now.mean()),
        amps_mean=float(amps_now.mean()),
        volts_rms=float(np.sqrt((volts_now**2).mean())),
        amps_rms=float(np.sqrt((amps_now**2).mean())),
    )
    truth = float((volts_now * amps_now).mean())
    assert np.asarray(got.low) * (1 - 1e-9) <= truth <= np.asarray(got.high) * (1 + 1e-9)


def test_arrays_go_through() -> None:
    duty = np.array([0.2, 0.5, 1.0])
    v, i = two_level_mean(13.8, 9.0, duty), two_level_mean(20.0, 0.0, duty)
    got = true_power(waveform="pulsed", volts_mean=v, amps_mean=i, duty=duty, off_volts=(9.0, 9.0))
    np.testing.assert_allclose(got.watts, duty * 13.8 * 20.0)
    np.testing.assert_allclose(got.u_w, 0.0, atol=1e-12)
    with pytest.raises(PhysicsRangeError):
        true_power(
            waveform="pulsed",
            volts_mean=v,
            volts_rms=np.array([9.9, 1.0, 13.8]),
            amps_mean=i,
            amps_rms=np.array([9.0, 15.0, 20.0]),
        )
