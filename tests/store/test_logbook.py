"""The logbook: every table, several processes at once."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from dataclasses import FrozenInstanceError, replace
from pathlib import Path
from typing import Any

import pytest

from daq.errors import RequestRefused, RunNotFound
from daq.store import (
    AlarmTransition,
    CalibrationRecord,
    Gap,
    Logbook,
    RunRecord,
    TripRecord,
    free_run_id,
)

START = 1_736_953_800_000_000_000  # 2025-01-15 15:10:00 UTC, by `date -u -d @1736953800`


@pytest.fixture
def book(tmp_path: Path) -> Any:
    made = Logbook(tmp_path / "logbook.db")
    yield made
    made.close()


def test_a_runs_record_is_kept_as_given(book: Logbook) -> None:
    made = book.create_run(
        bench="torch bench", kind="import", name="leak hunt", build="B", start_utc_ns=START, mono0_ns=5,
        clock_offset_ns=START - 5, bench_toml="[bench]\n", bench_json='{"a": 1}', note="imported",
    )  # fmt: skip
    assert made.id == "20250115-151000"
    assert book.get_run(made.id) == made
    assert (made.ended_ns, made.rows, made.touched_utc_ns) == (None, 0, None)
    with pytest.raises(FrozenInstanceError):
        made.name = "other"  # type: ignore[misc]


def test_ids_when_taken(book: Logbook) -> None:
    ids = [book.create_run(bench="b", start_utc_ns=START + k * 10**6 // 2).id for k in range(5)]
    assert ids == ["20250115-151000", *(f"20250115-151000-{k:03d}" for k in (0, 1, 2, 3))]
    assert book.create_run(bench="b", start_utc_ns=START + 10**9).id == "20250115-151001"


def test_a_free_id_needs_no_logbook() -> None:
    assert free_run_id(START + 123_456_789) == "20250115-151000"
    taken = {"20250115-151000"}
    assert free_run_id(START + 123_456_789, taken) == "20250115-151000-123"
    taken.add("20250115-151000-123")
    assert free_run_id(START + 123_456_789, taken) == "20250115-151000-124"


def test_a_run_that_was_begun_without_the_logbook(book: Logbook) -> None:
    record = RunRecord(
        "20250115-151000", "b", "run", "one", "B", START, 5, START - 5, "[bench]\n", '{"a": 1}'
    )
    given = book.calibrations.add(CalibrationRecord("b", "volts", 1, "Ada", "reference", None, {}))
    for _ in range(2):  # whoever does not know whether it was written writes it again
        book.add_run(record, {"volts": given.id})
    assert book.list_runs() == [record]
    assert book.calibrations.of_run(record.id) == {"volts": given}
    book.stop_run(record.id, 9)
    book.add_run(record)
    assert book.get_run(record.id).ended_ns == 9
    with pytest.raises(RequestRefused, match="20250115-151000: another run has this id"):
        book.add_run(replace(record, start_utc_ns=START + 1))
    ended = replace(record, id="20250115-151000-001", ended_ns=7, rows=3, touched_utc_ns=START, note="short")
    book.add_run(ended)
    assert book.get_run(ended.id) == ended


def test_writing_together_is_one_commit(book: Logbook) -> None:
    record = RunRecord("r", "b", "run", "", "", START)
    with book.together():
        book.add_run(record)
        book.add_mark("r", 1, "note", "one")
        with pytest.raises(RunNotFound):
            book.stop_run("nope", 1)  # undoes itself alone
        book.alarms.add("r", AlarmTransition("r", 5, "a", "normal", "unacknowledged", "x"))
        with Logbook(book.db.path).db.reading() as other:
            assert other.execute("SELECT count(*) FROM runs").fetchone() == (0,)
    assert [m.text for m in book.list_marks("r")] == ["one"]
    assert len(book.alarms.transitions("r")) == 1

    def fail() -> None:
        with book.together():
            book.add_mark("r", 2, "note", "two")
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert [m.text for m in book.list_marks("r")] == ["one"]


def test_gaps_may_be_told_while_they_grow(book: Logbook) -> None:
    for end, samples in ((20, 3), (40, 9)):
        book.add_gap(Gap("r", 10, end, samples, "the disk was full", "stack"))
    book.add_gap(Gap("r", 5, 6, 1, "the disk was slow", "meter"))
    book.add_gap(Gap("other", 0, 1, 1, "x"))
    assert book.list_gaps("r") == [
        Gap("r", 5, 6, 1, "the disk was slow", "meter"),
        Gap("r", 10, 40, 9, "the disk was full", "stack"),
    ]
    book.forget_run("r")
    assert book.list_gaps("r") == []


def test_a_start_of_now_unless_given(book: Logbook) -> None:
    before = time.time_ns()
    assert before <= book.create_run(bench="b").start_utc_ns <= time.time_ns()


def test_runs_are_listed_newest_first(book: Logbook) -> None:
    for k, kind in enumerate(["run", "standby", "run", "import"]):
        book.create_run(bench="b" if k < 3 else "c", kind=kind, start_utc_ns=START + k * 10**9)
    assert [r.kind for r in book.list_runs()] == ["import", "run", "standby", "run"]
    assert [r.id[-2:] for r in book.list_runs(limit=1, kind="run")] == ["02"]
    assert [r.kind for r in book.list_runs(bench="c")] == ["import"]


def test_the_open_run_of_a_bench(book: Logbook) -> None:
    assert book.open_run("b") is None
    book.create_run(bench="b", kind="import", start_utc_ns=START)
    book.create_run(bench="other", start_utc_ns=START)
    assert book.open_run("b") is None
    first = book.create_run(bench="b", start_utc_ns=START)
    standby = book.create_run(bench="b", kind="standby", start_utc_ns=START + 5)
    assert book.open_run("b") == standby
    book.stop_run(standby.id, ended_ns=7)
    assert book.open_run("b") == first
    book.stop_run(first.id, 9)
    assert book.open_run("b") is None
    book.stop_run(first.id, 99)
    assert book.get_run(first.id).ended_ns == 9  # a run that has ended keeps its end


def test_renaming_changes_only_what_is_given(book: Logbook) -> None:
    run = book.create_run(bench="b", name="one", build="A")
    book.rename_run(run.id, name="two")
    book.rename_run(run.id, build="B")
    book.rename_run(run.id, note="")
    assert (book.get_run(run.id).name, book.get_run(run.id).build) == ("two", "B")
    with pytest.raises(RunNotFound, match="nope: no such run"):
        book.rename_run("nope", name="x")
    with pytest.raises(RunNotFound, match="nope: no such run"):
        book.stop_run("nope", 1)


def test_touching(book: Logbook) -> None:
    run = book.create_run(bench="b")
    book.touch_run(run.id, 17, 5)
    book.touch_run(run.id, 18)
    assert (book.get_run(run.id).touched_utc_ns, book.get_run(run.id).rows) == (18, 5)
    book.touch_run("nope", 1, 1)


def test_marks_in_order_of_time(book: Logbook) -> None:
    book.add_mark("r", 5, "note", "topped up 200 mL", "Ada")
    book.add_mark("r", 1, "reopened", "stack: the port is back")
    book.add_mark("other", 0, "note", "x")
    assert [(m.t_ns, m.kind, m.text, m.who) for m in book.list_marks("r")] == [
        (1, "reopened", "stack: the port is back", ""),
        (5, "note", "topped up 200 mL", "Ada"),
    ]


def test_transitions_of_alarms(book: Logbook) -> None:
    made = [
        AlarmTransition(
            "r", 5, "lye_temp.high", "normal", "unacknowledged", "62.1 °C above 60 °C", 62.1, "", "", "high"
        ),
        AlarmTransition(
            "r", 9, "lye_temp.high", "unacknowledged", "acknowledged", "", None, "Ada", "seen", "high"
        ),
        AlarmTransition("s", 1, "data.stale", "normal", "unacknowledged", "no data"),
    ]
    for t in made:
        book.alarms.add(t.run_id, t)
    assert book.alarms.transitions("r") == made[:2]
    assert book.alarms.transitions() == made
    assert book.alarms.transitions(None, limit=1) == made[2:]
    book.alarms.add("t", AlarmTransition("t", 0, "a", "b", "c", "d", math.nan))
    assert book.alarms.transitions("t")[0].value is None  # SQL and JSON have no word for NaN


def test_link_counters(book: Logbook) -> None:
    book.save_links("r", "stack", {"good": 5})
    book.save_links("r", "stack", {"good": 6, "last_error": None})
    book.save_links("r", "meter", {"good": 1})
    assert book.load_links("r") == {"meter": {"good": 1}, "stack": {"good": 6, "last_error": None}}
    assert book.load_links("none") == {}


def test_a_trip_stands_until_it_is_cleared(book: Logbook) -> None:
    assert book.trips.current() is None
    assert not book.trips.clear("Ada", "nothing stood")
    first = TripRecord(START, "r", 5, "lye_temp", "lye_temp 80.2 above 80", 80.2, "guard")
    assert book.trips.add(first)
    assert not book.trips.add(TripRecord(START + 1, "r", 6, "lost", "stack is lost"))
    standing = book.trips.current()
    assert standing == first
    assert standing is not None
    assert [t.cause for t in standing.later] == ["lost"]
    assert book.trips.clear("Ada", "cooled down, fan mended")
    assert book.trips.current() is None
    kept = book.trips.of("r")
    assert [t.cause for t in kept] == ["lye_temp"], "the first cause is the trip's"
    assert [(t.cause, t.t_ns) for t in kept[0].later] == [("lost", 6)]
    assert (kept[0].cleared_by, kept[0].cleared_reason) == ("Ada", "cooled down, fan mended")
    assert kept[0].cleared_utc_ns is not None
    assert book.trips.of("other") == []
    assert len(book.trips.of()) == 1
    assert book.trips.add(TripRecord(START + 9, "r", 9, "person", "Ada asked for it"))
    assert [t.cause for t in book.trips.of("r")] == ["lye_temp", "person"]


def test_a_cause_in_the_next_run_is_listed_with_the_trip_of_the_run_before(book: Logbook) -> None:
    book.trips.add(TripRecord(START, "a", 5, "lye_temp", "hot"))
    book.trips.add(TripRecord(START + 1, "b", 1, "lost", "stack is lost"))
    assert [[t.cause for t in trip.later] for trip in book.trips.of("a")] == [["lost"]]
    assert book.trips.of("b") == []


def test_small_facts(book: Logbook) -> None:
    assert book.get_state("reader") is None
    for value in ({"utc_ns": START, "links": [{"source": "stack", "rate_hz": 9.98}]}, [1], "x", None, 5.5):
        book.put_state("reader", value)
        assert book.get_state("reader") == value


def test_it_outlives_its_process(tmp_path: Path) -> None:
    book = Logbook(tmp_path / "logbook.db")
    run = book.create_run(bench="b")
    book.close()
    again = Logbook(tmp_path / "logbook.db")
    assert again.get_run(run.id) == run
    again.close()


def test_several_processes_write_at_once(book: Logbook, tmp_path: Path) -> None:
    """No write is lost and none is refused, while each commits as often as it can."""
    code = (
        "import sys; from pathlib import Path; from daq.store import Logbook\n"
        "book = Logbook(Path(sys.argv[1])); who = sys.argv[2]\n"
        "for k in range(40):\n"
        "    book.add_mark('r', k, 'note', str(k), who); book.save_links('r', who, {'k': k})\n"
        "    book.put_state(who, k); book.list_marks('r')\n"
    )
    names = ["a", "b", "c"]
    children = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path / "logbook.db"), n], stderr=subprocess.PIPE
        )
        for n in names
    ]
    for k in range(40):
        book.add_mark("r", k, "note", str(k), "here")
    for child in children:
        assert child.communicate(timeout=60)[1] == b""
    marks = book.list_marks("r")
    for name in [*names, "here"]:
        assert [m.text for m in marks if m.who == name] == [str(k) for k in range(40)]
    assert [book.get_state(n) for n in names] == [39, 39, 39]


def test_what_was_forecast_is_kept_as_said_by_one_watch(book: Logbook) -> None:
    assert book.forecasts.load("r") is None
    book.forecasts.begin("r", 100)
    warned = {"raised_s": 90.0, "cleared_s": None, "reason": "it does not settle below 60 °C"}
    first = {"at_s": 60.0, "time_to_limit_s": None, "steady_state_c": 48.25}
    book.forecasts.add("r", [first], [], 60_000_000_000)
    book.forecasts.add("r", [], [warned], 120_000_000_000)
    log = book.forecasts.load("r")
    assert log is not None
    assert (log.from_ns, log.until_ns) == (100, 120_000_000_000)
    assert log.forecasts == (first,)
    assert log.warnings == (warned,)
    book.forecasts.begin("r", 7)  # another watch: it has not learned what the first had
    later = book.forecasts.load("r")
    assert later is not None
    assert (later.from_ns, later.until_ns, later.forecasts, later.warnings) == (7, 7, (), ())


def test_what_was_forecast_goes_with_its_run(book: Logbook) -> None:
    gone, kept = (book.create_run(bench="b", start_utc_ns=START + k).id for k in range(2))
    for run_id in (gone, kept):
        book.forecasts.begin(run_id, 0)
        book.forecasts.add(run_id, [{"at_s": 60.0}], [], 60)
    book.forget_run(gone)
    assert book.forecasts.load(gone) is None
    assert book.forecasts.load(kept) is not None
    book.forecasts.forget(kept)
    assert book.forecasts.load(kept) is None
