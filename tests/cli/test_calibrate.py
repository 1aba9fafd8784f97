"""`lyewatch calibrate`: fitted, kept, listed, withdrawn; and `check` on what is due."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from daq.bench import load_bench
from daq.cli import main
from daq.examples import example_text
from daq.store import Store

VOLTS = "raw,reference,u95\n0.00,0.050,0.004\n5.00,5.062,0.004\n10.00,10.069,0.006\n15.00,15.081,0.008\n"


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    file = tmp_path / "bench.toml"
    file.write_text(example_text("water_torch"), encoding="utf-8")
    return file


@pytest.fixture
def points(tmp_path: Path) -> Path:
    file = tmp_path / "volts.csv"
    file.write_text(VOLTS, encoding="utf-8")
    return file


def by(points: Path, *more: str) -> list[str]:
    return ["--points", str(points), "--who", "Ada", "--reference", "bench meter 7", *more]


def printed_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    assert main([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_calibration_is_shown_kept_listed_and_withdrawn(
    capsys: pytest.CaptureFixture[str], bench_file: Path, points: Path
) -> None:
    calibrate = ["calibrate", str(bench_file)]
    shown = printed_json(capsys, *calibrate, "volts", *by(points), "--only-show")
    assert (shown["id"], shown["kept"]) == (0, False)
    assert printed_json(capsys, *calibrate, "--list") == []
    kept = printed_json(
        capsys, *calibrate, "volts", *by(points, "--date", "2024-06-01", "--due", "2025-06-01")
    )
    assert (kept["id"], kept["made_utc"], kept["due_utc"]) == (
        1,
        "2024-06-01T00:00:00Z",
        "2025-06-01T00:00:00Z",
    )
    assert [p["residual"] for p in kept["points"]] == pytest.approx([0, 0, 0, 0], abs=0.005)
    assert main([*calibrate, "volts", *by(points)]) == 0
    text = capsys.readouterr().out
    assert "volts, linear, 4 points against bench meter 7" in text
    assert "1.002" in text
    assert "kept as calibration 2" in text
    states = {c["id"]: c["state"] for c in printed_json(capsys, *calibrate, "volts", "--list")}
    assert states == {1: "replaced by a newer one", 2: "used by new runs"}
    assert main([*calibrate, "--withdraw", "2", "--who", "Ada", "--why", "loose lead"]) == 0
    capsys.readouterr()
    states = {c["id"]: c["state"] for c in printed_json(capsys, *calibrate, "--list")}
    assert states == {1: "overdue, and still used by new runs", 2: "withdrawn by Ada: loose lead"}
    assert main([*calibrate, "--list"]) == 0
    assert "bench meter 7" in capsys.readouterr().out
    assert main([*calibrate, "--withdraw", "2", "--who", "Ada"]) == 1
    assert "withdrawn already by Ada" in capsys.readouterr().err


@pytest.mark.parametrize("kind", [["--kind", "piecewise"], ["--kind", "polynomial", "--degree", "2"]])
def test_every_kind_can_be_kept(
    capsys: pytest.CaptureFixture[str], bench_file: Path, points: Path, kind: list[str]
) -> None:
    kept = printed_json(capsys, "calibrate", str(bench_file), "volts", *by(points, *kind))
    assert kept["kind"] == kind[1]
    assert main(["calibrate", str(bench_file), "volts", *by(points, *kind)]) == 0
    assert f"volts, {kind[1]}, 4 points" in capsys.readouterr().out


def test_check_says_what_is_due_and_what_does_not_fit(
    capsys: pytest.CaptureFixture[str], bench_file: Path, points: Path
) -> None:
    check = ["check", str(bench_file), "--file-only"]
    assert main(check) == 0
    assert "calibration" not in capsys.readouterr().out
    due = by(points, "--date", "2024-06-01", "--due", "2025-06-01")
    assert main(["calibrate", str(bench_file), "volts", *due]) == 0
    capsys.readouterr()
    assert main(check) == 0
    assert (
        "calibration 1 of 2024-06-01 against bench meter 7 was due again on 2025-06-01"
        in capsys.readouterr().out
    )
    text = bench_file.read_text(encoding="utf-8").replace('field = "volts"', 'field = "u1"')
    bench_file.write_text(text, encoding="utf-8")
    (words,) = printed_json(capsys, *check)["calibrations"]
    assert "calibration 1 is not used: it was made for field 'volts' in V" in words


def test_a_curve_that_moves_the_trip_needs_to_be_sure(
    capsys: pytest.CaptureFixture[str], bench_file: Path, tmp_path: Path
) -> None:
    wrong = tmp_path / "temp.csv"
    wrong.write_text("raw,reference,u\n20,20,0.1\n50,40,0.1\n80,60,0.1\n", encoding="utf-8")
    calibrate = ["calibrate", str(bench_file), "lye_temp", *by(wrong)]
    assert main(calibrate) == 1
    assert "where the supply is cut, will be shown as 50 degC" in capsys.readouterr().err
    assert printed_json(capsys, "calibrate", str(bench_file), "--list") == []
    assert main([*calibrate, "--sure"]) == 0
    assert "look: what was 65 degC" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["volts"], 2, "needs --points, --who, --reference"),
        ([], 2, "needs CHANNEL"),
        (["pressure"], 2, "is no channel of the bench file"),
        (["--withdraw", "1"], 2, "needs --who"),
        (["--withdraw", "1", "--who", "A"], 1, "no such calibration"),
    ],
)
def test_bad_use_is_told(
    capsys: pytest.CaptureFixture[str], bench_file: Path, arguments: list[str], status: int, words: str
) -> None:
    assert main(["calibrate", str(bench_file), *arguments]) == status
    assert words in capsys.readouterr().err


def test_a_review_under_another_calibration(
    capsys: pytest.CaptureFixture[str], bench_file: Path, points: Path
) -> None:
    bench = load_bench(bench_file)
    from tests.watch.workshop import steady

    with Store(bench.store_folder, writer=True) as store:
        record = store.logbook.create_run(
            bench=bench.name, bench_toml=bench.text, start_utc_ns=1_750_000_000 * 10**9
        )
        store.add_blocks(record.id, [steady(60.0, volts=10.0, amps=8.0, lye_temp=40.0)])
        store.logbook.stop_run(record.id, ended_ns=60_000_000_000)
    printed_json(capsys, "calibrate", str(bench_file), "volts", *by(points))
    review = ["review", "latest", "--bench", str(bench_file)]
    assert printed_json(capsys, *review)["channels"]["volts"]["mean"] == pytest.approx(10.0)
    again = printed_json(capsys, *review, "--calibration", "newest")
    assert again["channels"]["volts"]["mean"] == pytest.approx(10.0705, abs=2e-3)
    assert again["calibrations"]["volts"]["who"] == "Ada"
    assert printed_json(capsys, *review)["channels"]["volts"]["mean"] == pytest.approx(10.0)
    assert main([*review, "--calibration", "one"]) == 2
    assert "give its number, newest, or none" in capsys.readouterr().err
