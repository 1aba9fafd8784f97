"""The numbers of a run as a table: each with its U, the reference condition and what it rests on."""

from __future__ import annotations

from pathlib import Path

import pytest
from pyarrow import csv, parquet

from daq.bench import Bench
from daq.frame import Block
from daq.measure.numbers import NUMBERS
from daq.study.tables.export import export_numbers
from tests.watch.workshop import bench, steady

START_NS = 1_735_732_800_000_000_000


def two_minutes() -> dict[str, Block]:
    return {"head": steady(120.0, volts=13.2, amps=10.0, gas_flow=0.62, lye_temp=40.0)}


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_every_number_has_its_u_its_reference_and_its_assumptions(tmp_path: Path, suffix: str) -> None:
    file = tmp_path / f"numbers{suffix}"
    made = bench(site={"reference": "20C_100kPa"})  # the user's own
    assert export_numbers(made, two_minutes(), START_NS, file) == 4
    table = csv.read_csv(file) if suffix == ".csv" else parquet.read_table(file)
    names = table.column_names
    for number in NUMBERS:
        assert names[names.index(number.key) + 1] == f"{number.key}.u95"
    rows = table.to_pylist()
    assert rows[0]["reference"] == "20 °C, 100 kPa"
    assert "meter gas factor assumed 1" in rows[0]["assumptions"]
    assert "gas taken as saturated at the meter over water" in rows[0]["assumptions"]
    assert rows[0]["mmw_as_read"] == pytest.approx(620.0 / 132.0)
    assert rows[0]["mmw_dry_ref.u95"] > 0.0


def test_what_was_refused_stands_in_its_row(tmp_path: Path) -> None:
    def refused(made: Bench) -> str:
        file = tmp_path / "numbers.parquet"
        export_numbers(made, two_minutes(), START_NS, file)
        row = parquet.read_table(file).to_pylist()[0]
        assert (row["power_w"] is None) == bool(row["refused"])
        return str(row["refused"])

    assert refused(bench()) == ""
    assert refused(bench(supply={"mode": "pwm"})).startswith("Power is not known")
