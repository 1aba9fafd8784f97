"""Forecasts and warnings of the run that is being recorded, kept in the logbook as they are made."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from daq.bench import Bench
from daq.store import Logbook, RunRecord
from daq.watch import Watch

__all__ = ["ForecastLogKeeper"]


class ForecastLogKeeper:
    """Keeps one watch's forecasts of one run, one a minute, and its warnings.

    Parameters
    ----------
    write : callable
        Has something written into the logbook, some time, in the order of asking.
    bench : Bench
        As the service has it: if the run is made by another bench file nothing is kept, and a review makes
        the forecasts again by the run's own.
    """

    def __init__(self, write: Callable[[Callable[[Logbook], object]], None], bench: Bench) -> None:
        self._write = write
        self._bench = bench
        self._run: RunRecord | None = None
        self._watch: Watch | None = None
        self._from_ns: int | None = None
        self._begun = False
        self._waiting: list[dict[str, Any]] = []
        self._until_ns: int | None = None

    def follow(self, watch: Watch, run: RunRecord) -> None:
        """Keep the forecasts of this watch, which has seen nothing of the run yet."""
        self._waiting, self._until_ns, self._from_ns, self._begun = [], None, None, False
        kept = run.kind == "run" and run.bench_toml == self._bench.text and watch.forecaster is not None
        self._run, self._watch = (run, watch) if kept else (None, None)
        if kept:
            watch.each_forecast(self._keep_forecast)

    def leave(self) -> None:
        """Keep nothing more of this run, nor what was: the watch has not followed it from its beginning."""
        if self._run is not None:
            run_id = self._run.id
            self._write(lambda logbook: logbook.forecasts.forget(run_id))
        self._run = self._watch = None

    def fed(self, t_ns: int) -> None:
        """Samples came, the first of them of this time [ns]."""
        self._from_ns = t_ns if self._from_ns is None else self._from_ns

    def record(self) -> None:
        """Have written down what was said since: at each whole minute of the run, not oftener."""
        if self._run is None or self._watch is None or self._until_ns is None or self._from_ns is None:
            return
        seer, run_id, from_ns = self._watch.forecaster, self._run.id, self._from_ns
        warnings = [] if seer is None else [dict(w) for w in seer.warnings]
        waiting, until_ns, begins = self._waiting, self._until_ns, not self._begun
        self._waiting, self._until_ns, self._begun = [], None, True

        def write(logbook: Logbook) -> None:
            if begins:
                logbook.forecasts.begin(run_id, from_ns)
            logbook.forecasts.add(run_id, waiting, warnings, until_ns)

        self._write(write)

    def _keep_forecast(self, t_ns: int) -> None:
        # Within the watch's tick: what fails here would leave that half done, so nothing is written yet.
        seer = None if self._watch is None else self._watch.forecaster
        forecast = None if seer is None else seer.forecast()
        if forecast is not None:
            self._waiting.append({"at_s": t_ns / 1e9, **forecast})
        self._until_ns = t_ns
