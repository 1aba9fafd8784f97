"""Looks at two builds in the logbook: kept once for the same data, found from either side."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

from daq.store import Logbook, LookRecord
from daq.store._database import Database
from daq.store.logbook.schema import LOGBOOK

LOOK = LookRecord("torch", "A", "B", "mmw_dry_ref", (("r1", 50), ("r2", 60)), 10, "day", -0.2, 0.3)


def test_a_look_at_the_same_data_is_one_look(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "logbook.db")
    first = book.looks.add(LOOK)
    again = book.looks.add(replace(LOOK, t_utc_ns=99, kind="better"))
    assert again.id == first.id
    grown = book.looks.add(replace(LOOK, runs=(("r1", 50), ("r2", 61)), t_utc_ns=20, low=None, high=None))
    assert grown.id > first.id
    assert book.looks.of("torch", "A", "B", "mmw_dry_ref") == [first, grown]
    book.close()


def test_looks_are_found_whichever_build_came_first(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "logbook.db")
    one = book.looks.add(LOOK)
    other = book.looks.add(replace(LOOK, first="B", second="A", runs=(("r3", 5),)))
    book.looks.add(replace(LOOK, second="C"))
    book.looks.add(replace(LOOK, bench="another"))
    book.looks.add(replace(LOOK, metric="cell_volts"))
    assert book.looks.of("torch", "A", "B", "mmw_dry_ref") == [one, other]
    assert book.looks.of("torch", "B", "A", "mmw_dry_ref") == [one, other]
    assert book.looks.of("torch", "A", "D", "mmw_dry_ref") == []
    book.close()


def test_a_logbook_from_before_there_were_looks_opens(tmp_path: Path) -> None:
    file = tmp_path / "logbook.db"
    at = next(i for i, step in enumerate(LOGBOOK) if step.name.endswith("looks"))
    Database(file, LOGBOOK[:at]).close()
    book = Logbook(file)
    assert book.looks.add(LOOK).id == 1
    book.close()
    with sqlite3.connect(file) as con:
        assert con.execute("SELECT count(*) FROM looks").fetchone() == (1,)
