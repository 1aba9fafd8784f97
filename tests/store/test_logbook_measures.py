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
    first = book.add_fill(FILL)
    assert first == replace(FILL, id=first.id)
    later = book.add_fill(replace(FILL, t_utc_ns=START + DAY, build="B", run_id="r1", t_ns=5))
    other = book.add_fill(replace(FILL, bench="second", t_utc_ns=START - DAY))
    assert book.list_fills() == [other, first, later]
    assert book.list_fills(bench="torch") == [first, later]
    assert book.list_fills(build="B") == [later] == book.list_fills(run_id="r1")
    assert book.list_fills(since_utc_ns=START, until_utc_ns=START + DAY) == [first]
    assert book.list_fills(limit=1) == [later]
    assert book.forget_fill(first.id)
    assert not book.forget_fill(first.id)
    assert book.list_fills(bench="torch") == [later]


def test_a_fill_outlives_its_run(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        run = store.logbook.create_run(bench="torch", start_utc_ns=START).id
        store.logbook.add_fill(replace(FILL, run_id=run, t_ns=7))
        store.delete_run(run)
        (kept,) = store.logbook.list_fills()
        assert (kept.run_id, kept.t_ns, kept.body) == (None, None, FILL.body)


def test_the_newest_standing_calibration_counts(book: Logbook) -> None:
    first = book.add_calibration(CALIBRATION)
    assert book.get_calibration(first.id) == first == replace(CALIBRATION, id=first.id)
    second = book.add_calibration(replace(CALIBRATION, t_utc_ns=START + DAY, due_utc_ns=None))
    late_entry = book.add_calibration(replace(CALIBRATION, t_utc_ns=START - DAY))
    amps = book.add_calibration(replace(CALIBRATION, channel="amps"))
    book.add_calibration(replace(CALIBRATION, bench="second"))
    assert book.list_calibrations("torch", "volts") == [late_entry, first, second]
    assert book.newest_calibrations("torch") == {"volts": second, "amps": amps}
    assert book.withdraw_calibration(second.id, "Ada", "leads were loose")
    assert not book.withdraw_calibration(second.id, "Ada", "again")
    assert book.newest_calibrations("torch")["volts"] == first
    gone = book.get_calibration(second.id)
    assert (gone.withdrawn_by, gone.withdrawn_reason) == ("Ada", "leads were loose")
    with pytest.raises(RequestRefused, match="no such calibration"):
        book.get_calibration(99)


def test_a_run_remembers_what_it_was_recorded_with(book: Logbook) -> None:
    volts = book.add_calibration(CALIBRATION)
    run = book.create_run(bench="torch", start_utc_ns=START, calibrations={"volts": volts.id}).id
    book.add_calibration(replace(CALIBRATION, t_utc_ns=START + DAY))
    assert book.run_calibrations(run) == {"volts": volts}
    book.withdraw_calibration(volts.id, "Ada", "wrong")
    assert book.run_calibrations(run)["volts"].withdrawn_by == "Ada", "the run still says what it used"
    book.forget_run(run)
    assert book.run_calibrations(run) == {}


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
    assert book.list_fills() == []
    assert book.add_fill(FILL).id == 1
    book.close()
