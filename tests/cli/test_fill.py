"""`lyewatch fill`: worked out, kept, listed, pinned to a run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from daq.bench import load_bench
from daq.cli import main
from daq.examples import example_text
from daq.store import Store
from tests.watch.workshop import steady

# common practice, no published source
TRADE = ["--volume", "500", "--seconds", "22.7", "--amps", "20", "--volts", "11.55"]
KEYS = [
    "flow_as_read_lpm", "flow_dry_ref_lpm", "mmw_as_read", "mmw_dry_ref", "faradaic_efficiency", "cell_volts",
    "voltage_efficiency_hhv", "energy_efficiency_hhv", "watt_hours_per_litre", "leak_amps", "reference",
    "findings", "assumptions",
]  # fmt: skip


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    file = tmp_path / "bench.toml"
    file.write_text(example_text("water_torch"), encoding="utf-8")
    return file


def printed_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    """What a command prints as JSON."""
    assert main([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def run_of_two_minutes(bench_file: Path) -> str:
    bench = load_bench(bench_file)
    with Store(bench.store_folder, writer=True) as store:
        record = store.logbook.create_run(bench=bench.name, name="fills", build="B", bench_toml=bench.text)
        levels = {"volts": 11.55, "amps": 20.0, "watts": 231.0, "gas_flow": 1.3, "gas_temp": 22.0,
                  "room_temp": 21.0, "lye_temp": 45.0}  # fmt: skip
        store.add_blocks(record.id, [steady(120.0, **levels)])
        store.logbook.stop_run(record.id, ended_ns=120_000_000_000)
    return record.id


def test_json_has_the_keys_of_a_fill_and_no_others(capsys: pytest.CaptureFixture[str]) -> None:
    out = printed_json(capsys, "fill", *TRADE, "--cells", "6")
    assert list(out) == KEYS
    assert all(set(out[key]) == {"value", "u95"} for key in KEYS[:10])
    assert out["flow_as_read_lpm"]["value"] == pytest.approx(1.32, abs=5e-3)
    assert out["mmw_as_read"]["value"] == pytest.approx(5.72, abs=5e-3)
    assert out["reference"] == "0 °C, 101.325 kPa"


def test_a_chopped_supply_by_its_duty(capsys: pytest.CaptureFixture[str], bench_file: Path) -> None:
    # 13.8 V while on, 9 V while off, 50 A for 0.4 of the time: 276 W (closed form)
    pulsed = ["fill", "--volume", "500", "--seconds", "22.7", "--amps", "20", "--volts", "10.92"]
    known = ["--duty", "0.4", "--off-volts", "9", "9", "--bench", str(bench_file)]
    out = printed_json(capsys, *pulsed, *known)
    assert out["mmw_as_read"]["value"] == pytest.approx(1321.5859 / 276.0, rel=1e-6)
    assert any(text.startswith("power from mean amps") for text in out["assumptions"])
    (kept,) = printed_json(capsys, "fill", "--list", "--bench", str(bench_file))["fills"]
    assert kept["form"]["off_volts"] == [9.0, 9.0]
    refused = printed_json(capsys, *pulsed, "--cells", "6", "--pwm")
    assert refused["mmw_as_read"] == {"value": None, "u95": None}
    assert refused["findings"][0]["code"] == "power_refused"


def test_without_a_store_nothing_is_kept(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    printed_json(capsys, "fill", *TRADE, "--cells", "6")
    assert list(tmp_path.iterdir()) == []


def test_the_bench_file_gives_what_is_not_said(capsys: pytest.CaptureFixture[str], bench_file: Path) -> None:
    out = printed_json(capsys, "fill", *TRADE, "--bench", str(bench_file), "--only-show")
    words = " ".join(out["assumptions"])
    assert "altitude used (240 m, 98.5 kPa)" in words
    assert "amps taken" not in words, "the bench file states the ammeter's accuracy"
    assert not load_bench(bench_file).store_folder.exists()
    with_pressure = printed_json(
        capsys, "fill", *TRADE, "--bench", str(bench_file), "--only-show", "--pressure", "90"
    )
    assert "altitude" not in " ".join(with_pressure["assumptions"])
    assert with_pressure["flow_dry_ref_lpm"]["value"] < out["flow_dry_ref_lpm"]["value"]


def test_fills_are_kept_listed_and_forgotten(capsys: pytest.CaptureFixture[str], bench_file: Path) -> None:
    place = ("--bench", str(bench_file))
    series = printed_json(
        capsys, "fill", "--volume", "500", "--seconds", "22.4", "22.7", "23.1", "--amps", "20", "--volts",
        "11.55", *place, "--who", "Ada", "--note", "warm",
    )  # fmt: skip
    assert series["kept"] == [1, 2, 3]
    assert series["series"]["flow_dry_ref_lpm"]["n"] == 3
    assert series["flow_dry_ref_lpm"]["value"] == series["series"]["flow_dry_ref_lpm"]["value"]
    assert [f["flow_as_read_lpm"]["value"] for f in series["fills"]] == pytest.approx(
        [30.0 / 22.4, 30.0 / 22.7, 30.0 / 23.1]
    )
    printed_json(capsys, "fill", *TRADE, *place, "--build", "B: ports sealed")
    listed = printed_json(capsys, "fill", "--list", *place)
    assert [f["id"] for f in listed["fills"]] == [1, 2, 3, 4]
    assert [s["fills"] for s in listed["series"]] == [[1, 2, 3], [4]]
    assert listed["fills"][0]["who"] == "Ada"
    assert main(["fill", "--list", *place]) == 0
    text = capsys.readouterr().out
    assert "A: plates as cut: 3 fills" in text
    assert "repeatability" in text
    assert printed_json(capsys, "fill", "--forget", "4", *place) == {"forgotten": 4}
    assert [f["id"] for f in printed_json(capsys, "fill", "--list", *place)["fills"]] == [1, 2, 3]
    assert printed_json(capsys, "fill", "--list", *place, "--since", "2099-01-01")["fills"] == []
    assert main(["fill", "--forget", "4", *place]) == 2
    assert "no such fill" in capsys.readouterr().err


def test_a_fill_in_a_run_calibrates_its_meter(capsys: pytest.CaptureFixture[str], bench_file: Path) -> None:
    run = run_of_two_minutes(bench_file)
    store = str(load_bench(bench_file).store_folder)
    fill = ["fill", "--volume", "500", "--seconds", "22.7", "--store", store, "--run", "latest", "--at", "60"]
    out = printed_json(capsys, *fill)
    assert out["mmw_as_read"]["value"] == pytest.approx(1321.5859 / 231.0, rel=1e-6)
    # 1.3216 L/min at the room's 21 degC against 1.3 at the meter's 22 degC
    assert out["meter"]["factor"]["value"] == pytest.approx(1.3216 / 1.3 * 295.15 / 294.15, rel=3e-3)
    assert main(fill) == 0
    text = capsys.readouterr().out
    assert "[gas]" in text
    assert "meter_factor_u = 0.0" in text
    listed = printed_json(capsys, "fill", "--list", "--store", store, "--run", run)
    assert {f["run"] for f in listed["fills"]} == {run}
    assert {f["t_s"] for f in listed["fills"]} == {60.0}
    assert {f["build"] for f in listed["fills"]} == {"B"}
    assert listed["series"][0]["meter_factor"]["n"] == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "needs --volume, --seconds, --cells"),
        (TRADE, "needs --cells"),
        ([*TRADE, "--cells", "0"], "cells: lies outside"),
        ([*TRADE, "--cells", "6", "--reference", "STP"], "different temperatures and pressures"),
        ([*TRADE, "--cells", "6", "--seal", "lye"], "mass_fraction: is needed"),
        ([*TRADE, "--cells", "6", "--run", "latest", "--store", "nowhere"], "holds no runs"),
        (["--list", "--store", "nowhere"], "holds no runs"),
    ],
)
def test_bad_use_is_told_and_ends_in_2(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    arguments: list[str], words: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert main(["fill", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_run_needs_the_second_at_which_the_fill_began(
    capsys: pytest.CaptureFixture[str], bench_file: Path
) -> None:
    run_of_two_minutes(bench_file)
    place = ["--bench", str(bench_file), "--run", "latest"]
    assert main(["fill", "--volume", "500", "--seconds", "20", *place]) == 2
    assert "give --at" in capsys.readouterr().err
    assert main(["fill", "--volume", "500", "--seconds", "20", *place, "--at", "500"]) == 2
    assert "the run ends at 120.0 s" in capsys.readouterr().err
