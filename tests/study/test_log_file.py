"""CSV logs: what is taken, and how a wrong one is answered."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daq.bench import Bench, parse_bench
from daq.errors import LogFileError
from daq.examples import example_text
from daq.frame import Status
from daq.store import Store
from daq.study.tables.export import samples_table
from daq.study.tables.log_file import open_log
from daq.study.tables.log_import import import_log


@pytest.fixture
def bench() -> Bench:
    return parse_bench(example_text("water_torch"), Path("torch.toml"))


def write(folder: Path, text: str, *, name: str = "log.csv", encoding: str = "utf-8") -> Path:
    file = folder / name
    file.write_bytes(text.encode(encoding))
    return file


def taken(path: Path, bench: Bench) -> tuple[list[int], dict[str, list[float]], int | None]:
    times: list[int] = []
    values: dict[str, list[float]] = {}
    start = None
    for stated_utc, piece in open_log(path, bench).pieces():
        start = stated_utc
        times += piece.t_ns.tolist()
        for name, column in piece.values.items():
            values.setdefault(name, []).extend(column.tolist())
    return times, values, start


def test_elapsed_seconds(tmp_path: Path, bench: Bench) -> None:
    times, values, start = taken(write(tmp_path, "elapsed_s,volts,amps\n0,12.1,8\n0.1,12.2,8.5\n"), bench)
    assert times == [0, 100_000_000]
    assert values == {"volts": [12.1, 12.2], "amps": [8.0, 8.5]}
    assert start is None


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("2026-03-01T14:05:09Z", "2026-03-01T14:05:09.5Z"),
        ("2026-03-01T15:05:09+01:00", "2026-03-01T15:05:09.5+01:00"),
        ("2026-03-01 14:05:09", "2026-03-01 14:05:09.500"),
    ],
)
def test_iso_times(tmp_path: Path, bench: Bench, first: str, second: str) -> None:
    times, _, start = taken(write(tmp_path, f"time,volts\n{first},12\n{second},12\n"), bench)
    assert times == [0, 500_000_000]
    assert start == 1_772_373_909_000_000_000  # 2026-03-01T14:05:09Z


def test_what_spreadsheets_and_meters_do(tmp_path: Path, bench: Bench) -> None:
    text = '\ufeff"elapsed_s", "volts" ,lye_temp [degF],comment\r\n0,12,68,start\r\n1,OL,,\r\n2,,212,end\r\n'
    path = write(tmp_path, text)
    times, values, _ = taken(path, bench)
    assert len(times) == 3
    assert values["volts"][0] == 12.0
    assert np.isnan(values["volts"][1:]).all()
    assert values["lye_temp"][0] == pytest.approx(20.0)
    assert values["lye_temp"][2] == pytest.approx(100.0)
    assert any("comment" in note for note in open_log(path, bench).notes)


WRONG = [
    # text, place named, what is said
    ("", "log.csv", "empty"),
    ("elapsed_s,volts\n", "log.csv", "no rows"),
    ("volts,amps\n12,8\n", "row 1", "elapsed_s"),
    ("elapsed_s,flux\n0,1\n", "row 1", "names no channel"),
    ("elapsed_s,volts,volts\n0,1,2\n", "row 1", "twice"),
    ("elapsed_s,volts [furlong]\n0,1\n", "volts [furlong]", "no unit"),
    ("elapsed_s,volts\n0,12\n1,twelve\n2,12 V\n", "row 3: volts", "twelve"),
    ("elapsed_s,volts\n0,12\nlater,12\n", "row 3: elapsed_s", "later"),
    ("elapsed_s,volts\n0,5,12,1\n1,0,12,2\n", "row 2", "has 4 columns"),
    (
        "elapsed_s;volts;amps\n0;12,1;8\n1;12,2;8.5\n",
        "row 3",
        "decimal point where other numbers have a comma",
    ),
    ("elapsed_s;volts\n0;1.234\n1;1,234\n", "row 3", "decimal comma where other numbers have a point"),
    ("time;volts\n03/04/2026 14:05:09;12\n", "row 2: time", "28.03.2026"),
    ("time;volts\n31.02.2026 14:05:09;12\n", "row 2: time", "31.02.2026"),
    ("elapsed_s,volts\n0,12\n-1,12\n", "row 3: elapsed_s", "seconds from 0"),
    ("elapsed_s,volts\n0,12\n,12\n", "row 3: elapsed_s", "seconds from 0"),
    ("elapsed_s,volts\n0,12\n2,12\n1,12\n", "row 4: elapsed_s", "goes back in time"),
    ("elapsed_s,volts\n0,12\n1\n", "row 3", "columns"),
    ("time,volts\nyesterday,12\n", "row 2: time", "ISO 8601"),
    ("elapsed_s;volts\n0;12\n\n2;12\n1;12\n", "row 5: elapsed_s", "goes back in time"),
    ("time,volts\n2026-03-01T14:05:09Z,12\n2026-03-01T14:05:08Z,12\n", "row 3: time", "goes back"),
    ("elapsed_s,vo\rlts\n0,12\n", "row 1", "no row of headings"),
    ("time,volts\n2026-03-01T14:05:09Z,12\n9026-03-01T14:05:09Z,12\n", "row 3: time", "no time of day"),
]


@pytest.mark.parametrize(("text", "place", "says"), WRONG, ids=[repr(w[0])[:40] for w in WRONG])
def test_a_wrong_log_is_answered_with_place_and_remedy_and_leaves_no_run(
    tmp_path: Path, bench: Bench, text: str, place: str, says: str
) -> None:
    path = write(tmp_path, text)
    with Store(tmp_path / "store") as store:
        with pytest.raises(LogFileError) as caught:
            import_log(store, bench, path)
        assert store.logbook.list_runs(limit=10) == []
    assert place in str(caught.value)
    assert says in str(caught.value)
    assert caught.value.remedy
    assert caught.value.exit_code == 2


SAME = [0, 1_000_000_000, 2_500_000_000], {"volts": [12.1, 12.25, 12.0], "amps": [8.0, 8.5, -0.5]}
ROWS = (("time", "volts", "amps"), ("{d} 14:05:09", "12,1", "8"), ("{d} 14:05:10", "12,25", "8,5"),
        ("{d} 14:05:11,5", "12", "-,5"))  # fmt: skip


@pytest.mark.parametrize(
    ("separator", "quote", "mark", "parted"),
    [
        (";", "", ",", "semicolons"),
        (";", "", ".", "semicolons"),
        ("\t", "", ",", "tabs"),
        ("\t", "", ".", "tabs"),
        (",", '"', ",", "commas"),
    ],
)
@pytest.mark.parametrize("day", ["28.03.2026", "2026-03-28"])
def test_what_a_spreadsheet_of_another_country_saves_was_refused(
    tmp_path: Path, bench: Bench, separator: str, quote: str, mark: str, parted: str, day: str
) -> None:
    text = "\n".join(separator.join(f"{quote}{cell}{quote}" for cell in row) for row in ROWS)
    text = text if mark == "," else text.replace(",", mark)
    path = write(tmp_path, text.replace("{d}", day))
    times, values, start = taken(path, bench)
    assert (times, values) == SAME
    assert start == 1_774_706_709_000_000_000  # 2026-03-28T14:05:09Z
    assert any(f"parted by {parted}" in note for note in open_log(path, bench).notes)


@pytest.mark.parametrize(
    ("unit", "value"), [("°C", 68.0), ("C", 68.0), ("degC", 68.0), ("°F", 20.0), ("F", 20.0)]
)
def test_degrees_as_people_write_them_were_no_unit(
    tmp_path: Path, bench: Bench, unit: str, value: float
) -> None:
    _, values, _ = taken(write(tmp_path, f"elapsed_s;lye_temp [{unit}]\n0;68\n"), bench)
    assert values["lye_temp"] == [pytest.approx(value)]


def test_days_and_hours_of_one_digit(tmp_path: Path, bench: Bench) -> None:
    _, _, start = taken(write(tmp_path, "time;volts\n1.3.2026 9:05;12\n"), bench)
    assert start == 1_772_355_900_000_000_000  # 2026-03-01T09:05:00Z


def test_one_bad_cell_was_the_end_of_the_import(tmp_path: Path, bench: Bench) -> None:
    """A word among numbers, a spoilt byte, a row cut off and one without a time: the rest is taken."""
    rows = [f"{k},12.{k % 10},40" for k in range(40)]
    rows[5] = "5,twelve,40"
    rows[7] = "7,12\xff3,40"
    rows[9] = "??,12.9,40"
    rows[39] = "39,12"
    path = write(tmp_path, "elapsed_s,volts,lye_temp\n" + "\n".join(rows), encoding="latin-1")
    with Store(tmp_path / "store") as store:
        done = import_log(store, bench, path)
        block = store.read(done.run_id)["head"]
    assert len(block) == 38
    volts = block.status["volts"]
    assert np.flatnonzero(volts == Status.BAD).tolist() == [5, 7]
    assert np.isnan(block.values["volts"][[5, 7]]).all()
    assert (block.values["lye_temp"] == 40.0).all()
    notes = "\n".join(done.notes)
    assert "2 of 39 cells of column 'volts' are no numbers" in notes
    assert "row 7 first, with 'twelve'" in notes
    assert "1 row without a time left out: row 11 first, with '??'" in notes
    assert "1 row of another number of columns than the header left out: row 41 first, with 2" in notes


def test_a_file_that_is_no_text(tmp_path: Path, bench: Bench) -> None:
    with pytest.raises(LogFileError, match="UTF-8"):
        open_log(write(tmp_path, "elapsed_s,völts\n0,1\n", encoding="latin-1"), bench)
    with pytest.raises(LogFileError, match="can not be read"):
        open_log(tmp_path / "none.csv", bench)


def test_values_out_of_range_are_bad_and_their_numbers_kept(tmp_path: Path, bench: Bench) -> None:
    path = write(tmp_path, "elapsed_s,lye_temp,volts\n0,40,12\n1,125,12\n2,,12\n")
    with Store(tmp_path / "store") as store:
        done = import_log(store, bench, path, name="heat soak", build="B")
        record = store.logbook.get_run(done.run_id)
        block = store.read(done.run_id, raw=True)["head"]
        log = store.logbook.forecasts.load(done.run_id)
    assert (record.kind, record.name, record.build) == ("import", "heat soak", "B")
    assert block.status["lye_temp"].tolist() == [Status.GOOD, Status.BAD, Status.MISSING]
    assert np.isnan(block.values["lye_temp"][1])
    assert block.raw["lye_temp"][1] == 125.0
    assert log is not None, "forecasts are made once, not by every review"
    assert (log.from_ns, log.until_ns) == (0, int(block.t_ns[-1]))


def test_what_is_exported_comes_back_the_same(tmp_path: Path, bench: Bench) -> None:
    path = write(tmp_path, "elapsed_s,volts,lye_temp\n0,12.345,40.1\n0.5,12.5,\n1,12.25,41.7\n")
    with Store(tmp_path / "store") as store:
        first = import_log(store, bench, path)
        record = store.logbook.get_run(first.run_id)
        table = samples_table(store.read(first.run_id), record.start_utc_ns)
    assert table["elapsed_s"].to_pylist() == [0.0, 0.5, 1.0]
    assert table["volts"].to_pylist() == [12.345, 12.5, 12.25]
    assert table["lye_temp"].to_pylist() == [40.1, None, 41.7]
    assert table.column_names == ["elapsed_s", "time", "volts", "lye_temp"], "an empty cell says enough"
