"""Sensors of the bench file: from a device's number to the unit, by published tables and closed forms.

Pt100: IEC 60751's printed table; thermocouples: NIST SRD 60; thermistor: a temperature controller's manual
(table A.1, as in tests/published); the rest is arithmetic of the ratings.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.bench import Bench, parse_bench
from daq.errors import BenchFileError, LogFileError
from daq.frame import Block, Frame, Status
from daq.reader import Calibrator
from daq.study.calibration.channel_calibration import calibrate, recalibrated, warnings_of
from daq.study.calibration.points import read_points
from tests.watch.workshop import S

DAY = 86_400 * S
HEAD = """
[bench]
name = "b"
[stack]
cells = 6
plate_area_cm2 = 150.0
electrolyte = "KOH"
mass_fraction = 0.2
litres = 1.1
steel_kg = 2.0
[supply]
mode = "constant_voltage"
volts_max = 14.5
amps_max = 30.0
trip_source = "head"
[site]
altitude_m = 0
[sources.head]
port = "/dev/head"
"""


def made(**channels: str) -> Bench:
    """A bench with these channels, each its lines; ``sensor`` lines follow a line ``--``."""
    text = HEAD
    for name, lines in channels.items():
        own, _, sensor = lines.partition("--")
        text += f'[channels.{name}]\nsource = "head"\nfield = "{name}"\n{own}\n'
        text += f"[channels.{name}.sensor]\n{sensor}\n" if sensor else ""
    return parse_bench(text, Path("b.toml"))


def value(bench: Bench, channel: str, **fields: float) -> float:
    sample, _ = Calibrator(bench)(Frame("head", 0, fields), 0)
    return sample.values[channel]


PT = 'unit = "degC" -- kind = "platinum"'
NTC = "points = [[32128.0, 0.0], [9814.0, 25.0], [3542.0, 50.0]]"


@pytest.mark.parametrize(("ohm", "degc"), [(100.0, 0.0), (119.40, 50.0), (138.51, 100.0), (60.26, -100.0)])
def test_platinum(ohm: float, degc: float) -> None:
    # printed to 0.01 ohm, which is 0.026 K
    assert value(made(lye_temp=PT), "lye_temp", lye_temp=ohm) == pytest.approx(degc, abs=0.015)
    pt1000 = made(lye_temp=f"{PT}\nr0_ohm = 1000.0\nleads_ohm = 2.0")
    assert value(pt1000, "lye_temp", lye_temp=10.0 * ohm + 2.0) == pytest.approx(degc, abs=0.015)


@pytest.mark.parametrize(("ohm", "degc"), [(19_549.0, 10.0), (12_262.0, 20.0), (7_908.0, 30.0)])
def test_a_thermistor_in_a_divider(ohm: float, degc: float) -> None:
    """By three points; a 10-bit converter's number of a divider with 10 kohm, the sensor at either end."""
    for at, share in (("bottom", ohm / (ohm + 10e3)), ("top", 10e3 / (ohm + 10e3))):
        bench = made(
            lye_temp=f'unit = "degC"\nscale = {1 / 1023!r} -- kind = "ntc"\n{NTC}\nseries_ohm = 10000.0\n'
            f'sensor_at = "{at}"'
        )
        assert value(bench, "lye_temp", lye_temp=1023.0 * share) == pytest.approx(degc, abs=0.01)
        for open_or_short in (0.0, 1023.0):
            sample, out = Calibrator(bench)(Frame("head", 0, {"lye_temp": open_or_short}), 0)
            assert math.isnan(sample.values["lye_temp"])
            assert (sample.status["lye_temp"], out) == (Status.BAD, 1)


def test_a_thermistor_by_its_beta() -> None:
    bench = made(lye_temp='unit = "degC" -- kind = "ntc"\nr25_ohm = 10000.0\nbeta_k = 3950.0')
    for degc, ohm in ((0.0, 33620.604), (40.0, 5301.467), (60.0, 2486.165)):  # the law itself
        assert value(bench, "lye_temp", lye_temp=ohm) == pytest.approx(degc, abs=1e-4)


def test_a_thermocouple_with_its_cold_junction() -> None:
    fixed = made(lye_temp='unit = "degC" -- kind = "thermocouple"\ntype = "K"\ncold_junction = 25.0')
    assert value(fixed, "lye_temp", lye_temp=1.4362) == pytest.approx(60.0, abs=3e-3)
    measured = made(
        lye_temp='unit = "degC"\nscale = 0.001 -- kind = "thermocouple"\ntype = "T"\n'
        'cold_junction = "room_temp"',
        room_temp='unit = "degC"',
    )
    assert value(measured, "lye_temp", lye_temp=1476.2, room_temp=25.0) == pytest.approx(60.0, abs=3e-3)
    # its cold junction by a thermometer of its own, wherever it stands in the file
    both = made(
        lye_temp='unit = "degC" -- kind = "thermocouple"\ntype = "K"\ncold_junction = "room_temp"',
        room_temp=PT,
    )
    assert value(both, "lye_temp", lye_temp=1.4362, room_temp=109.735) == pytest.approx(60.0, abs=5e-3)
    calibrator = Calibrator(measured)
    assert math.isnan(calibrator(Frame("head", 0, {"lye_temp": 1476.2}), 0)[0].values["lye_temp"])
    calibrator(Frame("head", 0, {"lye_temp": 1476.2, "room_temp": 25.0}), 1)
    later = calibrator(Frame("head", 0, {"lye_temp": 1476.2}), 2)[0].values["lye_temp"]
    assert later == pytest.approx(60.0, abs=3e-3), "a cold junction changes slowly"


@pytest.mark.parametrize(
    ("channel", "lines", "raw", "wanted"),
    [
        # 75 mV at 50 A; 0.03 V is 20 A
        ("amps", 'unit = "A" -- kind = "shunt"\nrating_mv = 75.0\nrating_a = 50.0', 0.030, 20.0),
        (
            "amps",
            'unit = "A"\nscale = 0.001 -- kind = "shunt"\nrating_mv = 75.0\nrating_a = 50.0',
            30.0,
            20.0,
        ),
        # 66 mV/A about half of 5 V
        ("amps", 'unit = "A" -- kind = "hall"\nvolts_per_amp = 0.066', 3.160, 10.0),
        ("volts", 'unit = "V" -- kind = "divider"\ntop_ohm = 9000.0\nbottom_ohm = 1000.0', 1.32, 13.2),
        ("gas_flow", 'unit = "mL/min" -- kind = "loop"\nat_4_ma = 0.0\nat_20_ma = 500.0', 12.0, 0.25),
        ("gas_flow", 'unit = "L/min" -- kind = "pulses"\nper_litre = 450.0', 7.5, 1.0),
    ],
)
def test_straight_lines_are_folded_into_scale_and_offset(
    channel: str, lines: str, raw: float, wanted: float
) -> None:
    bench = made(**{channel: lines})
    assert value(bench, channel, **{channel: raw}) == pytest.approx(wanted, rel=1e-9)
    spec = bench.channels[channel]
    assert spec.sensor is None
    assert raw * spec.scale + spec.offset == pytest.approx(wanted, rel=1e-9)


def test_a_broken_loop_is_bad() -> None:
    bench = made(gas_flow='unit = "mL/min" -- kind = "loop"\nat_4_ma = 0.0\nat_20_ma = 500.0')
    assert bench.channels["gas_flow"].valid == pytest.approx((-0.0125, 0.53125))
    for ma in (0.0, 3.5, 21.1, 22.0):
        sample, out = Calibrator(bench)(Frame("head", 0, {"gas_flow": ma}), 0)
        assert (sample.status["gas_flow"], out) == (Status.BAD, 1)
    own = made(
        gas_flow='unit = "mL/min"\nvalid = [0.0, 400.0] -- kind = "loop"\nat_4_ma = 0.0\nat_20_ma = 500.0'
    )
    assert own.channels["gas_flow"].valid == pytest.approx((0.0, 0.4))


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('unit = "degC" -- kind = "barometer"', "no sensor is of this kind"),
        ('unit = "degC" -- r0_ohm = 100.0', "no sensor is of this kind"),
        ('unit = "degF" -- kind = "platinum"', "write unit = "),
        ('unit = "degC" -- kind = "platinum"\nr0 = 100.0', "did you mean 'r0_ohm'"),
        ('unit = "degC" -- kind = "ntc"\nbeta_k = 3950.0', "give either beta_k and r25_ohm"),
        (f'unit = "degC" -- kind = "ntc"\nbeta_k = 3950.0\nr25_ohm = 1e4\n{NTC}', "give either"),
        ('unit = "degC" -- kind = "ntc"\npoints = [[1e4, 25.0]]', "three pairs"),
        ('unit = "degC" -- kind = "ntc"\npoints = [[1e4, 25.0], [2e4, 40.0], [3e4, 60.0]]', "no thermistor"),
        ('unit = "degC" -- kind = "thermocouple"\ntype = "J"\ncold_junction = 25.0', "use 'K' or 'T'"),
        ('unit = "degC" -- kind = "thermocouple"\ntype = "K"\ncold_junction = "nobody"', "no temperature"),
        ('unit = "degC" -- kind = "thermocouple"\ntype = "K"\ncold_junction = "lye_temp"', "itself"),
        ('unit = "degC" -- kind = "loop"\nat_4_ma = 1.0\nat_20_ma = 1.0', "are the same"),
    ],
)
def test_a_sensor_that_can_not_be_is_told_with_its_place(lines: str, words: str) -> None:
    with pytest.raises(BenchFileError, match=words) as caught:
        made(lye_temp=lines)
    assert "channels.lye_temp" in str(caught.value)


def test_a_thermometer_is_calibrated_by_what_it_shows(tmp_path: Path) -> None:
    """Against an ice bath and warmer ones it reads 0.5 K high at first and 1.5 K at 60 degC."""
    bench = made(lye_temp='unit = "degC"\naccuracy = "3.0" -- kind = "ntc"\n' + NTC)
    spec = bench.channels["lye_temp"]
    file = tmp_path / "points.csv"
    true, shown = np.array([0.0, 20.0, 40.0, 59.0]), None
    shown = true + 0.5 + true / 60.0
    file.write_text(
        "shown,reference,u95\n"
        + "\n".join(f"{s!r},{t!r},0.1" for s, t in zip(shown.tolist(), true.tolist(), strict=True))
    )
    by_shown = calibrate("lye_temp", spec, read_points(file, spec), t_utc_ns=DAY, who="Ada", reference="ice")
    # the same by the device's ohms
    raw = [12_262.0, 7_908.0]
    at = [float(np.asarray(spec.before_calibration(np.array([r])))[0]) for r in raw]
    assert at == pytest.approx([20.0, 30.0], abs=0.01)
    file.write_text(
        "raw,reference\n" + "\n".join(f"{r},{a}" for r, a in zip([*raw, 19_549.0], [*at, 10.0], strict=True))
    )
    assert read_points(file, spec).raw == pytest.approx([*at, 10.0], abs=0.01)
    file.write_text("raw,reference\n1.0,20.0\n12262.0,20.0\n")
    with pytest.raises(LogFileError, match="beyond what the ntc can tell"):
        read_points(file, spec)
    assert warnings_of(by_shown.calibration, spec, None)[1] == []

    calibrated = bench.calibrated({"lye_temp": by_shown.calibration})
    ohms = np.array([12_262.0, 7_908.0, 4.0e5])
    as_was = [value(bench, "lye_temp", lye_temp=r) for r in ohms]
    as_is = [value(calibrated, "lye_temp", lye_temp=r) for r in ohms]
    assert as_was[:2] == pytest.approx([20.0, 30.0], abs=0.01)
    assert as_is[:2] == pytest.approx([(t - 0.5) / (1.0 + 1.0 / 60.0) for t in as_was[:2]], abs=1e-6)
    assert math.isnan(as_is[2]), "a wire that has come off is no cold lye"
    # and a run that was recorded without it is worked out again from its raw numbers
    block = Block(
        "head", np.arange(3) * S, np.arange(3), {"lye_temp": np.array(as_was)}, {}, {"lye_temp": ohms}
    )
    again = recalibrated(bench, calibrated, {"head": block})["head"]
    assert again.values["lye_temp"] == pytest.approx(as_is, nan_ok=True)
    back = recalibrated(calibrated, bench, {"head": again})["head"]
    assert back.values["lye_temp"] == pytest.approx(as_was, nan_ok=True)


def test_a_thermocouples_run_is_worked_out_again_with_its_cold_junction(tmp_path: Path) -> None:
    bench = made(
        lye_temp='unit = "degC" -- kind = "thermocouple"\ntype = "K"\ncold_junction = "room_temp"',
        room_temp='unit = "degC"',
    )
    spec = bench.channels["lye_temp"]
    file = tmp_path / "points.csv"
    file.write_text("raw,reference\n1.0,20.0\n2.0,40.0\n3.0,60.0\n")
    with pytest.raises(LogFileError, match="cold junction's"):
        read_points(file, spec)
    file.write_text("shown,reference\n20.0,21.0\n40.0,41.0\n60.0,61.0\n")
    calibration = calibrate(
        "lye_temp", spec, read_points(file, spec), t_utc_ns=DAY, who="A", reference="r"
    ).calibration
    levels: dict[str, Any] = {"lye_temp": np.array([60.0, 60.0]), "room_temp": np.array([25.0, 22.0])}
    raw = {"lye_temp": np.array([1.4362, 1.4362])}
    block = Block("head", np.arange(2) * S, np.arange(2), levels, {}, raw)
    now = bench.calibrated({"lye_temp": calibration})
    again = recalibrated(bench, now, {"head": block})["head"].values["lye_temp"]
    assert again[0] == pytest.approx(61.0, abs=5e-3)
    assert again[0] - again[1] == pytest.approx(3.0, abs=0.1)
