"""Which calibration a run is recorded with: the newest at its start, and that one to its end."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.bench import Bench, load_bench
from daq.bench.calibration import calibration_words
from daq.examples import example_text
from daq.quantity import fit_curve
from daq.reader.runs import ActiveRun, begin, resume
from daq.reader.timebase import SYSTEM_CLOCKS
from daq.store import CalibrationRecord, Store

MADE_NS = 1_717_200_000_000_000_000


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    (tmp_path / "bench.toml").write_text(example_text("water_torch"), encoding="utf-8")
    return load_bench(tmp_path / "bench.toml")


@pytest.fixture
def store(bench: Bench) -> Iterator[Store]:
    with Store(bench.store_folder, writer=True) as opened:
        yield opened


def keep(store: Store, bench: Bench, gain: float, *, field: str = "volts", due_ns: int | None = None) -> int:
    curve = fit_curve([0.0, 10.0, 20.0], [0.0, 10.0 * gain, 20.0 * gain], [0.01] * 3).curve
    body = {
        "field": field,
        "unit": "V",
        "curve": curve.as_dict(),
        "reference_accuracy": "",
        "remaining": "",
        "points": [],
    }
    record = CalibrationRecord(
        bench.name, "volts", MADE_NS, "Ada", "meter 7", due_ns, json.loads(json.dumps(body))
    )
    return store.logbook.calibrations.add(record).id


def begun(store: Store, bench: Bench) -> ActiveRun:
    """A run that was begun with the newest calibrations, and written down."""
    newest = store.logbook.calibrations.newest(bench.name)
    taken = frozenset(record.id for record in store.logbook.list_runs())
    run = begin(bench, SYSTEM_CLOCKS, newest, taken=taken)
    store.logbook.add_run(run.record, {c.channel: c.id for c in run.calibrations})
    return run


def test_a_run_keeps_the_calibration_that_it_began_with(bench: Bench, store: Store) -> None:
    bare = begun(store, bench)
    assert bare.bench.calibrations == {}
    store.logbook.stop_run(bare.id, ended_ns=0)
    first = keep(store, bench, 1.01)
    run = begun(store, bench)
    assert run.bench.calibrations["volts"].id == first
    keep(store, bench, 1.02)
    continued, notes = resume(store, bench, SYSTEM_CLOCKS)
    assert len(notes) == 1
    assert continued is not None
    assert continued.id == run.id
    assert continued.bench.calibrations["volts"].id == first, "one run, one calibration"
    assert store.logbook.calibrations.of_run(run.id)["volts"].id == first
    store.logbook.stop_run(run.id, ended_ns=0)
    after = begun(store, bench)
    assert after.bench.calibrations["volts"].curve.at(10.0) == pytest.approx(10.2)


def test_what_is_due_or_does_not_fit_is_said(bench: Bench, store: Store) -> None:
    keep(store, bench, 1.01, due_ns=MADE_NS + 10)
    run = begun(store, bench)
    newest = store.logbook.calibrations.newest(bench.name)
    assert calibration_words(run.bench, newest, MADE_NS) == []
    (words,) = calibration_words(run.bench, newest, MADE_NS + 10)
    assert words.startswith("volts: calibration 1 of 2024-06-01 against meter 7 was due again on 2024-06-01")
    store.logbook.stop_run(run.id, ended_ns=0)
    keep(store, bench, 1.01, field="u1")
    odd = begun(store, bench)
    assert odd.bench.calibrations == {}
    assert store.logbook.calibrations.of_run(odd.id) == {}
    (words,) = calibration_words(odd.bench, store.logbook.calibrations.newest(bench.name), MADE_NS)
    assert words.startswith("volts: calibration 2 is not used: it was made for field 'u1'")
