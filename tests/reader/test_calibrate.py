"""Calibration: scale, offset, valid ranges, and what becomes of numbers that are none."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from daq.bench import Bench, Calibration, parse_bench
from daq.examples import example_text
from daq.frame import Frame, Status
from daq.quantity import Kind, fit_curve
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


def _calibrated(kind: Kind, points: list[tuple[float, float]]) -> Bench:
    bench = parse_bench(example_text("water_torch"), Path("b.toml"))
    spec = bench.channels["lye_temp"]
    raw, true = zip(*points, strict=True)
    curve = fit_curve(raw, true, [0.1] * len(points), kind=kind).curve
    return bench.calibrated(
        {"lye_temp": Calibration("lye_temp", spec.field, spec.unit, curve, 1, "Ada", "bath")}
    )


def test_a_calibration_stands_in_the_place_of_scale_and_offset() -> None:
    bench = _calibrated("linear", [(0.0, 1.0), (100.0, 99.0)])
    sample, _ = Calibrator(bench)(Frame("head", 0, {"temp": 50.0, "volts": 12.0}), 0)
    assert sample.values["lye_temp"] == pytest.approx(50.0)
    sample, _ = Calibrator(bench)(Frame("head", 0, {"temp": 60.0, "volts": 12.0}), 0)
    assert sample.values["lye_temp"] == pytest.approx(59.8)
    assert sample.raw == {"lye_temp": 60.0}, "the raw number is kept, to compute the run again"
    assert "lye_temp" not in sample.status
    assert sample.values["volts"] == 12.0


@pytest.mark.parametrize("kind", ["linear", "piecewise"])
def test_beyond_the_points_a_value_is_uncertain_and_still_guards(kind: Kind) -> None:
    # A trip limit above the last point must still be reached: the value is there, only not so certain.
    bench = _calibrated(kind, [(10.0, 10.0), (30.0, 30.5), (50.0, 50.0)])
    sample, out_of_range = Calibrator(bench)(Frame("head", 0, {"temp": 70.0}), 0)
    assert sample.status["lye_temp"] is Status.UNCERTAIN
    assert 68.0 < sample.values["lye_temp"] < 72.0
    assert out_of_range == 0
    sample, out_of_range = Calibrator(bench)(Frame("head", 0, {"temp": 200.0}), 0)
    assert sample.status["lye_temp"] is Status.BAD
    assert out_of_range == 1
    assert sample.raw["lye_temp"] == 200.0


def test_a_calibration_of_another_field_or_unit_is_left_out() -> None:
    bench = _calibrated("linear", [(0.0, 1.0), (100.0, 99.0)])
    made = bench.calibrations["lye_temp"]
    for changed in (replace(made, field="t2"), replace(made, unit="K")):
        assert bench.calibrated({"lye_temp": changed}).calibrations == {}
    assert bench.calibrated({}).calibrations == {}
