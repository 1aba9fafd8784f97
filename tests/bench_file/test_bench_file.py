"""The bench file: what is read, what is refused, and how it is said."""

from __future__ import annotations

import math
import pickle
from pathlib import Path

import pytest

from daq.bench import Accuracy, load_bench, parse_accuracy, parse_bench
from daq.errors import BenchFileError
from daq.examples import EXAMPLES, example_text

TORCH = example_text("water_torch")
CHOPPED = example_text("chopped_supply")


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_worked_example_loads(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.toml"
    path.write_text(example_text(name), encoding="utf-8")
    bench = load_bench(path)
    assert bench.path == path
    assert bench.text == example_text(name)
    assert bench.supply.trip_source in bench.sources
    assert bench.limits["lye_temp"].trip is not None
    assert bench.store_folder.parent == tmp_path.resolve()


def test_a_range_is_its_middle_with_the_uncertainty_of_two_limits() -> None:
    """JCGM 100:2008 (GUM), 4.3.7: a^2 / 3, a the half width."""
    text = TORCH.replace("litres = 0.8", "litres = [0.6, 1.0]").replace("steel_kg = 1.2", "steel_kg = [1, 4]")
    stack = parse_bench(text, Path("b.toml")).stack
    assert (stack.litres, stack.litres_u) == pytest.approx((0.8, 0.2 / math.sqrt(3.0)))
    assert (stack.steel_kg, stack.steel_kg_u) == pytest.approx((2.5, 1.5 / math.sqrt(3.0)))
    text = TORCH.replace("room_temp_c = 21.0", "room_temp_c = [15, 21]")
    site = parse_bench(text, Path("b.toml")).site
    assert (site.room_temp_c, site.room_temp_c_u) == pytest.approx((18.0, 3.0 / math.sqrt(3.0)))


def test_what_nobody_can_say_may_be_left_out() -> None:
    """Six gaps of 3 mm between plates of 150 cm2 hold 0.27 L; a bench holds about three times as much, and
    says how little that is known.
    """
    stack = parse_bench(TORCH.replace("litres = 0.8", "").replace("steel_kg = 1.2", ""), Path("b.toml")).stack
    assert stack.litres == pytest.approx(0.81)
    assert stack.litres_u == pytest.approx(0.405)
    # Seven plates of 1 mm, 7.9 g/cm3, and as much again
    assert stack.steel_kg == pytest.approx(2.0 * 7 * 150.0 * 0.1 * 7.9e-3, rel=0.01)
    assert stack.steel_kg_u == pytest.approx(0.5 * stack.steel_kg)


def test_written_units_become_the_kept_ones() -> None:
    bench = parse_bench(CHOPPED, Path("b.toml"))
    flow, room = bench.channels["gas_flow"], bench.channels["room_temp"]
    assert flow.unit == "L/min"
    assert 1500 * flow.scale + flow.offset == pytest.approx(1.5)
    assert flow.valid == pytest.approx((0.0, 5.0))
    # 68 degF is 20 degC, and one degF of error is 5/9 K.
    assert room.unit == "degC"
    assert 68 * room.scale + room.offset == pytest.approx(20.0)
    assert room.accuracy.absolute == pytest.approx(5 / 9)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("0.5 % of reading + 0.02", "V", Accuracy(percent_of_reading=0.5, absolute=0.02)),
        ("0.5% rdg + 2 counts", "V", Accuracy(percent_of_reading=0.5, counts=2)),
        ("1 % of range", "A", Accuracy(percent_of_range=1)),
        ("0.5", "degC", Accuracy(absolute=0.5)),
        ("1e-3 V + 2 dgt", "V", Accuracy(absolute=1e-3, counts=2)),
        ("2 %", "%", Accuracy(absolute=2)),
        # as makers write them
        ("±(0.5 % rdg + 2 dgt)", "V", Accuracy(percent_of_reading=0.5, counts=2)),
        ("± (0.8 % of rdg + 3 digits)", "A", Accuracy(percent_of_reading=0.8, counts=3)),
        ("±0.5% of reading ±1 LSD", "V", Accuracy(percent_of_reading=0.5, counts=1)),
        ("+/-(0.05 % rdg + 0.02 % F.S.)", "V", Accuracy(percent_of_reading=0.05, percent_of_range=0.02)),
        (
            "50 ppm of reading + 10 ppm of range",
            "V",
            Accuracy(percent_of_reading=0.005, percent_of_range=0.001),
        ),
        ("0.25 % of span", "kPa", Accuracy(percent_of_range=0.25)),
        ("±1.5 %FS", "L/min", Accuracy(percent_of_range=1.5)),
        ("1 % of full scale", "L/min", Accuracy(percent_of_range=1)),
        ("0.8 % + 5 mA".replace("%", "% rdg"), "A", Accuracy(percent_of_reading=0.8, absolute=0.005)),
        ("5 mA", "A", Accuracy(absolute=0.005)),
        ("±0.3 °C", "degC", Accuracy(absolute=0.3)),
        ("0.3 K", "degC", Accuracy(absolute=0.3)),
        ("0.9 degF", "K", Accuracy(absolute=0.5)),
        ("±2 %RH", "%", Accuracy(absolute=2)),
        ("0.5 % of 60 degC", "degC", Accuracy(absolute=0.3)),
        ("0.5 % of 25 A", "A", Accuracy(absolute=0.125)),
        ("0.4 % of reading", "degC", Accuracy(percent_of_reading=0.4)),
    ],
)
def test_accuracy_lines(text: str, unit: str, expected: Accuracy) -> None:
    got = parse_accuracy(text, unit)
    for part in ("percent_of_reading", "absolute", "percent_of_range", "counts"):
        assert getattr(got, part) == pytest.approx(getattr(expected, part)), part


@pytest.mark.parametrize("text", ["0.5 %", "about 1", "1 pint", "", "0.5 % of reading +"])
def test_accuracy_lines_that_say_too_little(text: str) -> None:
    with pytest.raises(ValueError, match="write it as"):
        parse_accuracy(text, "V")


@pytest.mark.parametrize(
    ("text", "unit", "why"),
    [
        ("-0.5 % of reading", "V", "negative"),
        ("0.5 % of reading + -2 counts", "V", "negative"),
        ("0.5 % of reading - 2 counts", "V", "not known"),
        ("0,5 % of reading", "V", "decimal point"),
        ("0.3 V", "degC", "another unit"),
        ("0.5 % of the moon", "V", "not known"),
        ("0.5 % of reading", "K", "1 % of 300 K is 3 K"),
        ("0.5 % rdg + 1 K", "degF", "0.5 % of 60 degC"),
        ("nan", "V", "no accuracy term"),
    ],
)
def test_accuracy_lines_that_would_be_taken_for_another(text: str, unit: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        parse_accuracy(text, unit)


def test_a_share_of_a_reading_in_kelvin_is_not_taken_for_one_of_degc() -> None:
    """0.5 % of 320 K is 1.6 K; of the 46.85 degC that it is kept as, 0.23 K."""
    written = CHOPPED.split("[channels.room_temp]")
    assert 'accuracy = "' in written[1].split("[")[0]
    rest = written[1].split("\n")
    line = next(k for k, text in enumerate(rest) if text.startswith("accuracy"))
    rest[line] = 'accuracy = "0.5 % of reading"'
    wrong = "[channels.room_temp]".join([written[0], "\n".join(rest)])
    with pytest.raises(BenchFileError, match=r"channels.room_temp.*0.5 % of 60 degC") as caught:
        parse_bench(wrong, Path("b.toml"))
    assert "accuracy" in str(caught.value)


@pytest.mark.parametrize("part", ["percent_of_reading", "absolute", "percent_of_range", "counts"])
def test_no_limit_of_error_is_negative(part: str) -> None:
    for wrong in (-0.1, math.nan, math.inf):
        with pytest.raises(ValueError, match="never negative"):
            Accuracy(**{part: wrong})


WRONG = [
    # written, put in its place, key named, what the error must say besides
    ("cells = 6", "cels = 6", "stack.cels", "did you mean 'cells'?"),
    ("cells = 6", "cells = 0", "stack.cells", "greater than or equal to 1"),
    ("cells = 6", 'cells = "6"', "stack.cells", "valid integer"),
    ("mass_fraction = 0.20", "mass_fraction = 20", "stack.mass_fraction", "for 20 % write 0.2"),
    ("cells = 6", "cells = true", "stack.cells", "valid integer"),
    ('"KOH"', '"HCl"', "stack.electrolyte", "'KOH' or 'NaOH'"),
    ("warn = 50.0", "warn = 70.0", "limits.lye_temp", "rising order"),
    ('unit = "V"', 'unit = "furlong"', "channels.volts.unit", "use one of V, mV"),
    (
        '[channels.volts]\nsource = "head"',
        '[channels.volts]\nsource = "hed"',
        "channels.volts.source",
        "head",
    ),
    ("[limits.amps]", "[limits.ampss]", "limits.ampss", "no channel is named"),
    ('accuracy = "0.5 %', 'accuracy = "0.5 pints %', "channels.volts", "write it as"),
    ("altitude_m = 240", "", "site", "altitude_m = 0 at the sea"),
    ("cells = 6", "", "stack.cells", "add 'cells' to [stack]"),
    ("litres = 0.8", "litres = [1.0, 0.6]", "stack", "the lesser first, such as [0.6, 1.0]"),
    ("steel_kg = 1.2", 'steel_kg = [1.0, "2"]', "stack", "a range is two numbers"),
    ("litres = 0.8", "litres = [0.6, 1.0]\nlitres_u = 0.1", "stack", "leave one of them out"),
    ("litres = 0.8", "litres = [-1.0, 0.6]", "stack.litres", "greater than 0"),
    ("[channels.volts]", "[channels.Volts]", "channels.Volts", "lower-case"),
    ("deadband = 1.0", "deadband = nan", "limits.lye_temp.deadband", "finite"),
    ('trip_source = "head"', 'trip_source = "tail"', "supply.trip_source", "head"),
    ("[site]", "[sight]", "sight", "did you mean 'site'?"),
    ("valid = [0.0, 60.0]", "valid = [60.0, 0.0]", "channels.volts.valid", "[low, high]"),
    ('reference = "0C_101.325kPa"', 'reference = "STP"', "site.reference", "0C_101.325kPa"),
    ("[bench]", "[bench", "", "is not TOML"),
]


@pytest.mark.parametrize(("written", "instead", "key", "says"), WRONG, ids=[w[2] + "-" + w[1] for w in WRONG])
def test_what_is_wrong_is_said_with_file_key_and_remedy(
    written: str, instead: str, key: str, says: str
) -> None:
    assert written in TORCH
    with pytest.raises(BenchFileError) as caught:
        parse_bench(TORCH.replace(written, instead, 1), Path("torch.toml"))
    text = str(caught.value)
    assert text.startswith(f"torch.toml: {key}" if key else "torch.toml: ")
    assert says in text
    assert caught.value.remedy
    assert str(pickle.loads(pickle.dumps(caught.value))) == text


def test_every_wrong_key_is_said_at_once() -> None:
    text = TORCH.replace("cells = 6", "cells = -1", 1).replace("steel_kg = 1.2", "steel_kg = -1.2", 1)
    with pytest.raises(BenchFileError) as caught:
        parse_bench(text, Path("torch.toml"))
    assert "stack.cells" in str(caught.value)
    assert "stack.steel_kg" in str(caught.value)


def test_a_file_that_is_not_there_and_one_that_is_not_text(tmp_path: Path) -> None:
    with pytest.raises(BenchFileError, match="can not be read"):
        load_bench(tmp_path / "none.toml")
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BenchFileError, match="UTF-8"):
        load_bench(tmp_path / "b.toml")
