"""A review of a run as the store keeps it: its samples, marks, alarms, trips and links, brought together."""

from __future__ import annotations

from dataclasses import dataclass

from daq.bench import Bench
from daq.frame import Block
from daq.store import LostSpan, RunRecord, Store
from daq.study.calibration import recalibrated, recalibrated_bench
from daq.study.compare import against_run
from daq.study.review.run_review import Review, review
from daq.study.runs import recorded_bench
from daq.watch import make_forecaster

__all__ = ["Recorded", "review_run"]


@dataclass(frozen=True, slots=True)
class Recorded:
    """A run's review, and the samples it was made from."""

    record: RunRecord
    bench: Bench
    blocks: dict[str, Block]
    review: Review


def review_run(
    store: Store,
    record: RunRecord,
    *,
    calibration: str | None = None,
    against: RunRecord | None = None,
    forecasts: bool = True,
) -> Recorded:
    """Review one run of the store.

    Parameters
    ----------
    store, record
    calibration : str, optional
        Work the run out again from its raw numbers under another calibration, see `recalibrated_bench`. What
        the store holds is left as it is.
    against : RunRecord, optional
        A reference run: what changed against it is said too.
    forecasts : bool
        Whether to tell of forecasts. They are those of the time where one watch followed the whole run and
        kept them; else they are made again, one a minute, which takes the longest, and so they are under
        another calibration.
    """
    compared = None if against is None else against_run(store, record, against)
    was = bench = recorded_bench(store, record)
    lost: list[LostSpan] = []
    blocks = store.read(record.id, raw=calibration is not None, lost=lost)
    if calibration is not None:
        bench = recalibrated_bench(store, record, was, calibration)
        blocks = recalibrated(was, bench, blocks, imported=record.kind == "import")
    forecast_log = store.logbook.forecasts.load(record.id) if calibration is None else None
    made = review(
        bench,
        list(blocks.values()),
        record=record,
        marks=store.logbook.list_marks(record.id),
        alarms=store.logbook.alarms.transitions(record.id),
        links=store.logbook.load_links(record.id),
        trips=store.logbook.trips.of(record.id),
        forecaster=make_forecaster if forecasts else None,
        forecast_log=forecast_log,
        calibrated_as=was,
        against=compared,
        not_kept=store.logbook.list_gaps(record.id),
        lost=lost,
        missing=store.missing_samples(record.id),
        fills=store.logbook.fills.find(run_id=record.id),
    )
    return Recorded(record, bench, blocks, made)
