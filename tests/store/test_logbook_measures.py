"""Timed fills and calibrations in the logbook."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daq.errors import RequestRefused
from daq.store import CalibrationRecord, FillRecord, Logbook, Store
from daq.store._database import Database
from daq.store.logbook.schema import LOGBOOK

DAY = 86_400_000_000_000
START = 1_736_953_800_000_000_000
FILL = FillRecord("torch", "A", START, {"form": {"volume_ml": 500.0}}, who="Ada", note="first")
CALIBRATION = CalibrationRecord(
    "torch", "volts", START, "Ada", "bench meter 7", START + 365 * DAY, {"x": [1.5]}
)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    made = Logbook(tmp_path / "logbook.db")
    yield made
    made.close()


def test_a_fill_is_kept_as_given_and_found_again(book: Logbook) -> None:
    first = book.fills.add(FILL)
    assert first == replace(FILL, id=first.id)
    later = book.fills.add(replace(FILL, t_utc_ns=START + DAY, build="B", run_id="r1", t_ns=5))
    other = book.fills.add(replace(FILL, bench="second", t_utc_ns=START - DAY))
    assert book.fills.find() == [other, first, later]
    assert book.fills.find(bench="torch") == [first, later]
    assert book.fills.find(build="B") == [later] == book.fills.find(run_id="r1")
    assert book.fills.find(since_utc_ns=START, until_utc_ns=START + DAY) == [first]
    assert book.fills.find(limit=1) == [later]
    assert book.fills.forget(first.id)
    assert not book.fills.forget(first.id)
    assert book.fills.find(bench="torch") == [later]


def test_a_fill_outlives_its_run(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        run = store.logbook.create_run(bench="torch", start_utc_ns=START).id
        store.logbook.fills.add(replace(FILL, run_id=run, t_ns=7))
        store.delete_run(run)
        (kept,) = store.logbook.fills.find()
        assert (kept.run_id, kept.t_ns, kept.body) == (None, None, FILL.body)


def test_the_newest_standing_calibration_counts(book: Logbook) -> None:
    first = book.calibrations.add(CALIBRATION)
    assert book.calibrations.get(first.id) == first == replace(CALIBRATION, id=first.id)
    second = book.calibrations.add(replace(CALIBRATION, t_utc_ns=START + DAY, due_utc_ns=None))
    late_entry = book.calibrations.add(replace(CALIBRATION, t_utc_ns=START - DAY))
    amps = book.calibrations.add(replace(CALIBRATION, channel="amps"))
    book.calibrations.add(replace(CALIBRATION, bench="second"))
    assert book.calibrations.of_bench("torch", "volts") == [late_entry, first, second]
    assert book.calibrations.newest("torch") == {"volts": second, "amps": amps}
    assert book.calibrations.withdraw(second.id, "Ada", "leads were loose")
    assert not book.calibrations.withdraw(second.id, "Ada", "again")
    assert book.calibrations.newest("torch")["volts"] == first
    gone = book.calibrations.get(second.id)
    assert (gone.withdrawn_by, gone.withdrawn_reason) == ("Ada", "leads were loose")
    with pytest.raises(RequestRefused, match="no such calibration"):
        book.calibrations.get(99)


def test_a_run_remembers_what_it_was_recorded_with(book: Logbook) -> None:
    volts = book.calibrations.add(CALIBRATION)
    run = book.create_run(bench="torch", start_utc_ns=START, calibrations={"volts": volts.id}).id
    book.calibrations.add(replace(CALIBRATION, t_utc_ns=START + DAY))
    assert book.calibrations.of_run(run) == {"volts": volts}
    book.calibrations.withdraw(volts.id, "Ada", "wrong")
    assert book.calibrations.of_run(run)["volts"].withdrawn_by == "Ada", "the run still says what it used"
    book.forget_run(run)
    assert book.calibrations.of_run(run) == {}


def test_a_logbook_of_an_earlier_version_is_brought_up(tmp_path: Path) -> None:
    path = tmp_path / "logbook.db"
    old = Database(path, LOGBOOK[:1])
    with old.writing() as con:
        con.execute(
            "INSERT INTO runs VALUES ('20250115-151000', 'torch', 'run', 'n', 'A', 1, 2, 3, '', '', "
            "4, '', 5, 6)"
        )
    old.close()
    book = Logbook(path)
    assert book.get_run("20250115-151000").name == "n"
    assert book.fills.find() == []
    assert book.fills.add(FILL).id == 1
    book.close()
