"""Benches that can not be meant are refused with place, value and remedy; their recorded runs are read."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.bench import load_bench, parse_bench
from daq.bench.sanity import senseless
from daq.cli import main
from daq.errors import BenchFileError
from daq.examples import EXAMPLES, example_text

TORCH = example_text("water_torch")
INSTRUMENTS = example_text("instruments")
LYE = '[channels.lye_temp]\nsource = "{}"\nfield = "{}"\nunit = "degC"\n'


def lye_from(source: str, field: str, more: str = "") -> str:
    """The instruments example with its lye's temperature from elsewhere."""
    head, _, tail = INSTRUMENTS.partition("[channels.lye_temp]\n")
    return (
        head + LYE.format(source, field) + more + "\n[channels.relay]" + tail.partition("[channels.relay]")[2]
    )


CASES = [
    # text, old, new, key, value, remedy
    (TORCH, "trip = 65.0", "trip = 121.0", "limits.lye_temp.trip", "121.0", "valid"),
    (TORCH, "warn = 50.0", "low_trip = -20.0\nwarn = 50.0", "limits.lye_temp.low_trip", "-20.0", "valid"),
    (TORCH, "trip = 65.0", "", "limits.lye_temp.trip", None, "trip = 65.0"),
    (TORCH, "[limits.lye_temp]", "[limits.gas_temp]", "limits.lye_temp", None, "trip = 65.0"),
    (
        TORCH,
        "silent_after_s = 1.0",
        "silent_after_s = 31.0",
        "sources.head.silent_after_s",
        "31.0",
        "give 30",
    ),
    (
        TORCH,
        'field = "temp"',
        'field = "temp"\nstale_after_s = 60.0',
        "channels.lye_temp.stale_after_s",
        "60.0",
        "give 30",
    ),
    (
        TORCH,
        "silent_after_s = 1.0",
        "silent_after_s = 1.0\nstale_after_s = 40.0",
        "sources.head.stale_after_s",
        "40.0",
        "give 30",
    ),
    (TORCH, "deadband = 1.0", "deadband = 29.0", "limits.lye_temp.deadband", "29.0", "1 to 2 K"),
    (
        TORCH,
        "[store]",
        "[alarms.rules.lye_temp.high]\ndeadband = 45.0\n\n[store]",
        "alarms.rules.lye_temp.high.deadband",
        "45.0",
        "1 to 2 K",
    ),
    (
        TORCH,
        "powered_above_amps = 0.3",
        "powered_above_amps = 10.1",
        "supply.powered_above_amps",
        "10.1",
        "at most 10",
    ),
    (TORCH, 'field = "temp"', 'field = "volts"', "channels.lye_temp.field", "volts", "scale and offset"),
    (
        TORCH,
        'field = "temp"',
        'field = "probe_mv"',
        "channels.lye_temp.field",
        "probe_mv",
        "scale and offset",
    ),
]


@pytest.mark.parametrize(
    ("text", "old", "new", "key", "value", "remedy"), CASES, ids=[c[3] + str(c[4]) for c in CASES]
)
def test_what_can_not_be_meant_is_refused(
    tmp_path: Path, text: str, old: str, new: str, key: str, value: str | None, remedy: str
) -> None:
    assert old in text
    file = tmp_path / "bench.toml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(BenchFileError) as caught:
        load_bench(file)
    error = caught.value
    assert error.place == f"{file}: {key}"
    assert (None if error.value is None else str(error.value)) == value
    assert error.remedy is not None
    assert remedy in error.remedy


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (lye_from("dmm", "probe"), None),
        (lye_from("psu", "amps"), None),
        (lye_from("dmm", "volts"), "channels.volts shows the same field in volts"),
        (lye_from("dmm", "volts", "scale = 100.0\n"), None),
        (
            lye_from(
                "dmm",
                "volts",
                '[channels.lye_temp.sensor]\nkind = "thermocouple"\ntype = "K"\ncold_junction = 21.0\n',
            ),
            "millivolts",
        ),
        (
            lye_from("dmm", "volts", '[channels.lye_temp.sensor]\nkind = "platinum"\n'),
            "have the resistance measured",
        ),
        (
            lye_from("dmm", "volts", '[channels.lye_temp.sensor]\nkind = "platinum"\nseries_ohm = 1000.0\n'),
            None,
        ),
        (
            lye_from("dmm", "probe").replace(
                'ask = "READ?"                  # whatever it is set to measure: direct volts, set by hand\n'
                'field = "volts"',
                'ask = "MEAS:VOLT:DC?"\nfield = "probe"',
            ),
            "'MEAS:VOLT:DC?' asks for volts",
        ),
        (
            lye_from("dmm", "probe")
            .replace('ask = "READ?"  ', 'ask = "MEAS:CURR?;:MEAS:TEMP?"  ')
            .replace('field = "volts"\n\n[sources.panel]', 'fields = ["volts", "probe"]\n\n[sources.panel]'),
            None,
        ),
        (
            lye_from("thermometer", "room").replace("(?P<room>\\S+)\\s*C", "(?P<room>\\S+)\\s*mV"),
            "stands before V in the pattern",
        ),
        (lye_from("thermometer", "room"), None),
    ],
)
def test_a_temperature_is_not_fed_with_volts(text: str, says: str | None) -> None:
    found = [words for words in senseless(parse_bench(text, Path("bench.toml"))) if "lye_temp.field" in words]
    if says is None:
        assert found == []
    else:
        assert len(found) == 1
        assert found[0].startswith("channels.lye_temp.field: ")
        assert says in found[0]


def test_fahrenheit_and_kelvin_are_no_conversion_of_volts() -> None:
    for unit in ("degF", "K"):
        text = TORCH.replace('field = "temp"\nunit = "degC"', f'field = "volts"\nunit = "{unit}"', 1)
        objections = senseless(parse_bench(text, Path("bench.toml")))
        assert any("shows the same field in volts" in words for words in objections)


def test_all_that_is_wrong_is_said_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "bench.toml"
    text = TORCH.replace("trip = 65.0", "trip = 130.0").replace(
        "silent_after_s = 1.0", "silent_after_s = 99.0"
    )
    file.write_text(text, encoding="utf-8")
    assert main(["check", str(file), "--file-only"]) != 0
    complaint = capsys.readouterr().err
    assert "limits.lye_temp.trip" in complaint
    assert "sources.head.silent_after_s" in complaint


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_examples_make_sense(name: str) -> None:
    assert senseless(parse_bench(example_text(name), Path("bench.toml"))) == []


def test_a_recording_cuts_nothing_and_needs_no_limit() -> None:
    text = TORCH.replace('kind = "line"', 'kind = "recording"').replace("trip = 65.0", "")
    assert senseless(parse_bench(text, Path("bench.toml"))) == []


def test_a_run_of_before_is_read_by_the_file_it_was_recorded_with() -> None:
    assert (
        parse_bench(TORCH.replace("trip = 65.0", "trip = 130.0"), Path("bench.toml")).limits["lye_temp"].trip
        == 130.0
    )
