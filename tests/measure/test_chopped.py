"""Power under a chopped supply where no device multiplies volts and amps: from the duty, or from RMS values.

Truths: closed forms of rectangular pulses into a stack that holds a voltage of its own while off; the virtual
bench's own energy; and a million draws (JCGM 101) of a formula written here.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from iapws.iapws97 import _PSat_T

from daq.bench import Bench
from daq.errors import LyewatchError
from daq.measure import Columns, Numbers, assess_windows
from daq.measure.findings import find
from daq.physics.pwm import true_power
from daq.sources.virtual_bench import BenchParameters, VirtualStack
from daq.sources.virtual_bench.parameters import SupplyParameters
from tests.measure.test_efficiency import EDGES, plus_minus, u95, value, window
from tests.published.rectangles import two_level_mean, two_level_rms
from tests.watch.workshop import S, bench, block

# 13.8 V behind 0.24 ohm onto a stack that holds 9 V: 20 A for 0.4 of the time, 110.40 W
DUTY, ON, OFF, PEAK = 0.4, 13.8, 9.0, 20.0
TRUE_W = DUTY * ON * PEAK
VOLTS, AMPS = float(two_level_mean(ON, OFF, DUTY)), DUTY * PEAK
VOLTS_RMS, AMPS_RMS = float(two_level_rms(ON, OFF, DUTY)), PEAK * math.sqrt(DUTY)
READINGS = {"volts": VOLTS, "amps": AMPS, "lye_temp": 40.0}
ROOT3 = math.sqrt(3.0)


def chopped(*more: str, accuracy: dict[str, str] | None = None, **supply: Any) -> Bench:
    channels = dict.fromkeys(("volts", "amps", "lye_temp", "gas_flow", *more), "head")
    return bench(channels, accuracy=accuracy or {}, supply={"mode": "pwm", **supply}, limits={})


def test_from_the_duty_and_the_volts_while_off() -> None:
    n = window(chopped("duty", off_volts=[OFF, OFF]), **READINGS, duty=DUTY)
    assert value(n, "power_w") == pytest.approx(TRUE_W)
    assert value(n, "cell_volts") == pytest.approx(ON / 6.0)  # what the charge met
    assert u95(n, "power_w") == pytest.approx(0.0, abs=1e-9)
    assert n.refusals(0) == []
    (assumption,) = [text for text in n.assumptions(0) if text.startswith("power from")]
    assert "from 9 to 9 V" in assumption


def test_what_is_not_known_of_the_pulses_costs_uncertainty() -> None:
    # volts while off from 8 to 10 V: on from 15.3 to 12.3, rectangular: u = I (1 - D)/D (10 - 8)/sqrt(12)
    n = window(chopped("duty", off_volts=[8.0, 10.0]), **READINGS, duty=DUTY)
    assert value(n, "power_w") == pytest.approx(TRUE_W)
    assert u95(n, "power_w") == pytest.approx(2.0 * AMPS * (1.0 - DUTY) / DUTY * 2.0 / math.sqrt(12.0))
    open_to_all = window(chopped("duty"), **READINGS, duty=DUTY)
    assert abs(value(open_to_all, "power_w") - TRUE_W) < u95(open_to_all, "power_w")
    assert any("give supply.off_volts" in text for text in open_to_all.assumptions(0))
    known = window(chopped("duty", "watts"), **READINGS, duty=DUTY, watts=TRUE_W)
    assert u95(known, "power_w") == pytest.approx(0.0, abs=1e-9)
    assert not any("power from" in text for text in known.assumptions(0)), "a wattmeter needs no guess"


def test_from_rms_values() -> None:
    n = window(chopped("volts_rms", "amps_rms"), **READINGS, volts_rms=VOLTS_RMS, amps_rms=AMPS_RMS)
    # the waveforms' likeness is taken as 0.9 to 1: half of that tenth of the pulses' own part
    spread = math.sqrt(VOLTS_RMS**2 - VOLTS**2) * math.sqrt(AMPS_RMS**2 - AMPS**2)
    assert VOLTS * AMPS + spread == pytest.approx(TRUE_W)  # in step, as these are
    assert value(n, "power_w") == pytest.approx(TRUE_W - 0.05 * spread)
    assert u95(n, "power_w") == pytest.approx(2.0 * 0.1 * spread / math.sqrt(12.0), rel=1e-6)


def test_volts_before_the_switch_are_steady() -> None:
    readings = {**READINGS, "volts": ON}
    n = window(chopped(volts_at="supply"), **readings)
    assert value(n, "power_w") == pytest.approx(TRUE_W)
    assert any("hold steady" in text for text in n.assumptions(0))
    with pytest.raises(LyewatchError, match="for mode"):
        bench(supply={"volts_at": "supply"})
    with pytest.raises(LyewatchError, match="lower limit comes first"):
        chopped(off_volts=[9.0, 6.0])


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({}, "Power is not known"),
        ({"duty": 0.0}, "or log the `duty`"),
        ({"duty": 40.0}, "Power is not known"),  # per cent where a share is due
        ({"volts_rms": 9.0, "amps_rms": 12.6}, "RMS of volts reads below its mean"),
        ({"volts_rms": 11.0}, "Power is not known"),
    ],
)
def test_what_does_not_tell_the_power_is_refused(more: dict[str, float], words: str) -> None:
    n = window(chopped(*more), **READINGS, gas_flow=0.4, **more)
    assert math.isnan(value(n, "power_w"))
    assert math.isnan(value(n, "mmw_dry_ref"))
    assert any(words in text for text in n.refusals(0))
    assert math.isfinite(value(n, "faradaic_efficiency")), "which needs no power"


def test_the_leads_are_warmed_by_the_rms_current() -> None:
    # 20 mohm: D Ip^2 R = 3.2 W, where mean amps would say 1.28 W; and 0.4 V less while on
    for more in ({"duty": DUTY}, {"duty": DUTY, "amps_rms": AMPS_RMS}):
        n = window(chopped(*more, off_volts=[OFF, OFF], lead_milliohms=20.0), **READINGS, **more)
        assert value(n, "power_w") == pytest.approx(TRUE_W - DUTY * PEAK**2 * 0.020)
        assert value(n, "cell_volts") == pytest.approx((ON - 0.4) / 6.0)
        assert not any("ripple is not seen" in text for text in n.assumptions(0))
    metered = window(chopped("watts", lead_milliohms=20.0), **READINGS, watts=TRUE_W)
    assert any("ripple is not seen" in text for text in metered.assumptions(0))


def test_windows_may_differ_in_what_they_tell() -> None:
    t_s = np.arange(1, 601) / 10.0
    first = t_s <= 30.0
    levels = {
        "volts": np.full(600, VOLTS), "amps": np.full(600, AMPS), "lye_temp": np.full(600, 40.0),
        "duty": np.where(first, DUTY, np.nan), "watts": np.where(first, np.nan, 111.0),
    }  # fmt: skip
    made = chopped("duty", "watts", off_volts=[OFF, OFF])
    edges = np.array([0, 30 * S, 60 * S], dtype=np.int64)
    n = assess_windows(Columns.from_blocks([block(t_s, levels)]), edges, made)
    assert n.value["power_w"] == pytest.approx([TRUE_W, 111.0])
    assert [any("power from" in t for t in n.assumptions(k)) for k in (0, 1)] == [True, False]


@pytest.mark.parametrize("duty", [0.15, 0.4, 0.7, 0.95])
@pytest.mark.parametrize("sense", ["stack", "supply"])
def test_the_virtual_benchs_energy_lies_within_the_interval(duty: float, sense: str) -> None:
    """Leads of 15 mohm; sensed before the switch, their loss is taken out by the current's mean square."""
    supply = SupplyParameters(volts=14.0, amps=200.0, duty=duty, lead_mohm=15.0, sense=sense)  # type: ignore[arg-type]
    stack = VirtualStack(BenchParameters(supply=supply))
    stack.step(20.0)
    means = []
    for _ in range(120):
        stack.step(0.25)
        means.append(stack.now)
    volts, amps = np.array([(now.volts, now.amps) for now in means]).T
    true_w = float(np.mean([now.stack_watts for now in means]))
    levels = {"volts": volts, "amps": amps, "lye_temp": np.full(120, 30.0), "duty": np.full(120, duty)}
    samples = Columns.from_blocks([block((np.arange(120) + 1) * 0.25, levels)])
    if sense == "supply":
        n = assess_windows(samples, EDGES, chopped("duty", volts_at="supply", lead_milliohms=15.0))
        assert value(n, "power_w") == pytest.approx(true_w, rel=1e-3)
        return
    n = assess_windows(samples, EDGES, chopped("duty"))
    assert abs(value(n, "power_w") - true_w) <= u95(n, "power_w")
    assert float((volts * amps).mean()) < true_w, "mean volts times mean amps is short of it"


# -- a million draws -----------------------------------------------------------------------------------------

SPREAD = {
    "volts": 0.03, "amps": 0.06, "gas_flow": 0.006, "gas_temp": 0.4, "room_pressure": 0.1, "duty": 0.002,
    "volts_rms": 0.03, "amps_rms": 0.06,
}  # fmt: skip
WAYS: dict[str, tuple[tuple[str, ...], dict[str, Any]]] = {
    "duty, volts while off 8.5 to 9.5": (("duty",), {"off_volts": [8.5, 9.5]}),
    "RMS": (("volts_rms", "amps_rms"), {}),
    "before the switch": ((), {"volts_at": "supply"}),
}


def _power(way: str, x: dict[str, Any], r: Any, off: Any) -> Any:
    if way.startswith("duty"):
        return x["amps"] * (x["volts"] - (1.0 - x["duty"]) * off) / x["duty"]
    if way == "RMS":
        s_v = np.sqrt(x["volts_rms"] ** 2 - x["volts"] ** 2)
        return x["volts"] * x["amps"] + r * s_v * np.sqrt(x["amps_rms"] ** 2 - x["amps"] ** 2)
    return x["volts"] * x["amps"]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("duty", "gas_temp"), [(0.4, 22.0), (0.8, 45.0)])
def test_uncertainty_is_that_of_a_million_draws(way: str, duty: float, gas_temp: float) -> None:
    more, supply = WAYS[way]
    held = {
        "volts": float(two_level_mean(ON, OFF, duty)) if way != "before the switch" else ON,
        "amps": duty * PEAK,
        "duty": duty,
        "volts_rms": float(two_level_rms(ON, OFF, duty)),
        "amps_rms": PEAK * math.sqrt(duty),
        "gas_flow": 0.065 * duty * PEAK,
        "gas_temp": gas_temp,
        "room_pressure": 99.0,
    }
    channels = dict.fromkeys(
        ("volts", "amps", "lye_temp", "gas_flow", "gas_temp", "room_pressure", *more), "head"
    )
    made = bench(
        channels,
        accuracy=plus_minus(**SPREAD),
        gas={"meter_factor_u": 0.01, "meter_temp_c": None, "meter_temp_u": None},
        supply={"mode": "pwm", **supply},
        limits={},
    )
    n: Numbers = window(made, lye_temp=40.0, **{k: v for k, v in held.items() if k in channels})

    rng, size = np.random.default_rng(20), 1_000_000
    x: dict[str, Any] = {k: held[k] + rng.uniform(-ROOT3, ROOT3, size) * u for k, u in SPREAD.items()}
    power = _power(way, x, rng.uniform(0.9, 1.0, size), rng.uniform(8.5, 9.5, size))
    grid = np.linspace(gas_temp - 1.0, gas_temp + 1.0, 50)
    table = np.array([1000.0 * _PSat_T(t + 273.15) for t in grid])  # IAPWS-IF97
    vapour = rng.uniform(0.95, 1.05, size) * np.interp(x["gas_temp"], grid, table)
    factor = rng.normal(1.0, 0.01, size)
    dry = x["gas_flow"] * factor * (x["room_pressure"] - vapour) / 101.325 * 273.15 / (x["gas_temp"] + 273.15)
    drawn = {"mmw_dry_ref": 1000.0 * dry / power, "faradaic_efficiency": dry / (0.0627222 * x["amps"])}
    for key, draws in drawn.items():
        assert value(n, key) == pytest.approx(float(np.mean(draws)), abs=0.1 * float(np.std(draws))), key
        assert u95(n, key) == pytest.approx(2.0 * float(np.std(draws)), rel=0.02), key


# -- by the duty alone -------------------------------------------------------------------------------------

# Seven cells at 2.05 V while on and 1.2 V while off (a stack's own hold voltage), three tenths of the time.
SEVEN = {"volts": 0.3 * 7 * 2.05 + 0.7 * 7 * 1.2, "amps": 10.0, "lye_temp": 40.0}
SEVEN_W = 10.0 * 7 * 2.05
SEVEN_STACK = {"cells": 7}


def test_by_duty_alone_the_power_is_not_a_third_too_high() -> None:
    """With the stack's volts while off anywhere from 0 up, 143.5 W were said to be 228 +- 110 W."""
    n = window(chopped_seven(), **SEVEN, duty=0.3)
    assert value(n, "power_w") == pytest.approx(SEVEN_W, rel=0.15)
    assert abs(value(n, "power_w") - SEVEN_W) < u95(n, "power_w") < 0.4 * SEVEN_W


def test_by_duty_alone_nine_cells_are_not_said_to_fit() -> None:
    made = chopped_seven()
    n = window(made, **SEVEN, duty=0.3, gas_flow=0.9 * 7 * 0.0104537 * 10.0 * 1.12)
    assert "wrong_cells" not in [f.code for f in find(made, n.at(0), refusals=n.refusals(0))]


def test_a_stack_that_has_discharged_is_not_held_to_its_hold_voltage() -> None:
    """Mean volts below one a cell: it was open for longer than it keeps its voltage."""
    low = true_power(waveform="pulsed", volts_mean=5.0, amps_mean=2.0, duty=0.3, hold_volts=7.0)
    assert float(low.high) == pytest.approx(2.0 * 5.0 / 0.3)


def test_power_is_not_refused_while_the_switch_stays_open() -> None:
    made = chopped_seven()
    n = window(made, volts=8.2, amps=0.02, duty=0.0, lye_temp=40.0)
    assert n.refusals(0) == []
    assert value(n, "power_w") == pytest.approx(8.2 * 0.02)
    # a current belies the duty
    belied = window(made, volts=8.2, amps=5.0, duty=0.0, lye_temp=40.0)
    assert math.isnan(value(belied, "power_w"))
    assert belied.refusals(0)


# -- by RMS values -----------------------------------------------------------------------------------------


def test_rms_values_that_all_but_equal_their_means_do_not_make_the_power_certain() -> None:
    """A stack that holds its volts: RMS 0.2 % above the mean, by meters good to 0.5 %. Where they read alike
    the pulses' own power, 5 % of the whole, was left out and U said to be 1 %."""
    volts_rms = float(two_level_rms(12.0, 10.4, 0.6))
    mean, amps = float(two_level_mean(12.0, 10.4, 0.6)), 0.6 * 20.0
    true = 0.6 * 20.0 * 12.0
    lines = {"volts": "0.5 % of reading", "volts_rms": "0.5 % of reading", "amps": "0.5 % of reading",
             "amps_rms": "0.5 % of reading"}  # fmt: skip
    made = chopped("volts_rms", "amps_rms", accuracy=lines)
    for off in (0.993, 0.996, 1.0, 1.004):
        n = window(made, volts=mean, amps=amps, volts_rms=volts_rms * off, amps_rms=20.0 * math.sqrt(0.6),
                   lye_temp=40.0)  # fmt: skip
        assert abs(value(n, "power_w") - true) < u95(n, "power_w"), off
        assert u95(n, "power_w") < 0.12 * true


def test_an_rms_meters_zero_refuses_no_power_while_nothing_flows() -> None:
    """Off, an RMS meter reads -5 mV and the mean 7 mV: "below its mean" is said of no waveform then."""
    made = chopped("volts_rms", "amps_rms")
    n = window(made, volts=0.007, amps=0.014, volts_rms=-0.005, amps_rms=0.03, lye_temp=40.0)
    assert n.refusals(0) == []
    assert value(n, "power_w") == pytest.approx(0.0, abs=0.01)


def chopped_seven() -> Bench:
    channels = dict.fromkeys(("volts", "amps", "lye_temp", "gas_flow", "duty"), "head")
    return bench(channels, accuracy={}, supply={"mode": "pwm"}, stack=SEVEN_STACK, limits={})
