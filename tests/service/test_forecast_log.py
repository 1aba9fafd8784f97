"""What a live watch foresees is kept as said, and a review tells it instead of making it again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from daq.bench import Bench
from daq.forecast import Forecaster
from daq.frame import Block
from daq.service.forecast_log import ForecastLogKeeper
from daq.store import ForecastLog, Logbook, RunRecord
from daq.study.review import review
from daq.watch import Watch, make_forecaster
from tests.watch.workshop import ALL, HZ, S, bench, cut, run_of

SECONDS = 1500


def _run() -> Block:
    """Warming at one rate, as of a stack that loses next to nothing."""
    return run_of(float(SECONDS), lye=25.0 + np.arange(SECONDS * HZ) / HZ * 0.0085)


def _at_once(book: Logbook, do: Callable[[Logbook], object]) -> None:
    do(book)


def _live(
    made: Bench, run: Block, book: Logbook, record: RunRecord, seconds: int = SECONDS
) -> ForecastLogKeeper:
    duty, watch = (
        ForecastLogKeeper(partial(_at_once, book), made),
        Watch(made, forecaster=make_forecaster(made)),
    )
    duty.follow(watch, record)
    for second in range(5, seconds + 1, 5):
        duty.fed(int(run.t_ns[(second - 5) * HZ]))
        watch.feed([cut(run, (second - 5) * HZ, second * HZ)])
        watch.advance(second * S)
        duty.record()
    return duty


def _never(_bench: Bench) -> Forecaster | None:
    raise AssertionError("made again")


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    return Logbook(tmp_path / "logbook.db")


def test_a_review_tells_what_was_said_live(book: Logbook) -> None:
    made, run = bench(ALL), _run()
    record = book.create_run(bench=made.name, bench_toml=made.text)
    _live(made, run, book, record)
    log = book.forecasts.load(record.id)
    again = review(made, [run], alarms=[], forecaster=make_forecaster).as_dict()
    kept = review(made, [run], alarms=[], forecaster=_never, forecast_log=log).as_dict()
    assert len(kept["forecasts"]) >= 20
    assert kept["warnings"]
    for key in ("forecasts", "warnings", "forecasts_checked", "hindsight"):
        assert kept[key] == again[key], key
    # One watch saw it all, so that no alarm in the logbook means that there was none.
    assert (kept["alarms"], kept["alarms_recomputed"]) == ([], False)
    assert again["alarms_recomputed"]


def test_what_is_not_of_the_whole_run_is_made_again(book: Logbook) -> None:
    made, run = bench(ALL), _run()
    record = book.create_run(bench=made.name, bench_toml=made.text)
    _live(made, run, book, record, seconds=900)
    log = book.forecasts.load(record.id)
    assert log is not None
    for part in (log, replace(log, from_ns=600 * S, until_ns=SECONDS * S)):
        with pytest.raises(AssertionError, match="made again"):
            review(made, [run], alarms=[], forecaster=_never, forecast_log=part)
    # Nor is it of a run whose alarms nobody kept.
    whole = ForecastLog(0, SECONDS * S, (), ())
    with pytest.raises(AssertionError, match="made again"):
        review(made, [run], forecaster=_never, forecast_log=whole)


def test_a_watch_that_comes_later_keeps_nothing(book: Logbook) -> None:
    made, run = bench(ALL), _run()
    record = book.create_run(bench=made.name, bench_toml=made.text)
    duty = _live(made, run, book, record, seconds=300)
    assert book.forecasts.load(record.id) is not None
    duty.follow(Watch(made, forecaster=make_forecaster(made)), record)
    duty.leave()
    duty.fed(300 * S)
    duty.record()
    assert book.forecasts.load(record.id) is None


@pytest.mark.parametrize("kind", ["standby", "run"])
def test_nothing_is_kept_of_a_standby_or_by_another_bench_file(book: Logbook, kind: str) -> None:
    made, run = bench(ALL), _run()
    text = made.text if kind == "standby" else made.text + "\n# changed since\n"
    record = book.create_run(bench=made.name, kind=kind, bench_toml=text)
    _live(made, run, book, record, seconds=120)
    assert book.forecasts.load(record.id) is None
