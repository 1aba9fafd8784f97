"""Calibration: scale, offset, valid ranges, and what becomes of numbers that are none."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from daq.bench import parse_bench
from daq.examples import example_text
from daq.frame import Frame, Status
from daq.reader import Calibrator


def test_units_are_turned_and_raw_numbers_kept() -> None:
    calibrate = Calibrator(parse_bench(example_text("chopped_supply"), Path("b.toml")))
    sample, out_of_range = calibrate(Frame("meter", 0, {"flow": 1500.0, "room": 68.0}), 5)
    assert out_of_range == 0
    assert sample.t_ns == 5
    assert sample.values["gas_flow"] == pytest.approx(1.5)
    assert sample.values["room_temp"] == pytest.approx(20.0)
    assert sample.raw == {"gas_flow": 1500.0, "room_temp": 68.0}
    assert sample.status == {}


@pytest.mark.parametrize(
    ("raw", "status", "counted"),
    [
        (119.9, Status.GOOD, 0),
        (120.0, Status.GOOD, 0),
        (120.1, Status.BAD, 1),
        (-10.1, Status.BAD, 1),
        (math.nan, Status.BAD, 0),
        (math.inf, Status.BAD, 1),
        (None, Status.MISSING, 0),
    ],
)
def test_what_can_not_be_believed_is_no_number(raw: float | None, status: Status, counted: int) -> None:
    calibrate = Calibrator(parse_bench(example_text("water_torch"), Path("b.toml")))
    fields = {"volts": 12.0} | ({} if raw is None else {"temp": raw})
    sample, out_of_range = calibrate(Frame("head", 0, fields), 0)
    assert sample.status.get("lye_temp", Status.GOOD) is status
    assert out_of_range == counted
    assert math.isnan(sample.values["lye_temp"]) == (status is not Status.GOOD)
    assert sample.values["volts"] == 12.0
    if counted:
        assert sample.raw["lye_temp"] == raw


def test_a_source_that_says_one_thing_at_a_time_lacks_nothing() -> None:
    text = example_text("chopped_supply").replace(
        'crc = "optional"               # shown as unchecked',
        'kind = "text"\npattern = ["flow=(?P<flow>.*)", "room=(?P<room>.*)"]',
    )
    calibrate = Calibrator(parse_bench(text, Path("b.toml")))
    sample, _ = calibrate(Frame("meter", 0, {"flow": 1500.0}), 5)
    assert sample.values == {"gas_flow": pytest.approx(1.5)}
    assert sample.status == {}
    empty, _ = calibrate(Frame("meter", 0, {"other": 1.0}), 5)
    assert (empty.values, empty.status) == ({}, {})
