"""What a run taught the forecast is kept, and is where the next run of the same bench begins."""

from __future__ import annotations

from typing import Any

import pytest

from daq.bench import Bench
from daq.forecast import RunawayForecaster
from daq.service.live import EXPERIENCE, Live
from daq.store import RunRecord, Store
from tests.forecast.lumped import Lumped

STACK = Lumped(r_k_w=0.3, capacity_j_k=8000.0, room_c=20.0, tick_s=10.0)


def _begin(live: Live, made: RunRecord) -> None:
    live.run = made
    live.watch = live._new_watch()


def _taught(forecaster: object) -> None:
    assert isinstance(forecaster, RunawayForecaster)
    for t, volts, amps, watts, lye in STACK.ticks(5400.0):
        forecaster.update(t, volts, amps, watts, lye, 20.0)


def _begins_with(live: Live) -> Any:
    forecaster = live.watch.forecaster
    assert isinstance(forecaster, RunawayForecaster)
    return forecaster.watch.config.experience


def test_the_next_run_begins_with_it_and_so_does_a_service_that_comes_back(bench: Bench) -> None:
    with Store(bench.store_folder) as store:
        runs = [
            store.logbook.create_run(bench=bench.name, bench_toml=bench.text, build="a") for _ in range(2)
        ]
    live = Live(bench)
    live.keeper.start()
    assert live.keeper.wait_open(60.0) is not None
    _begin(live, runs[0])
    assert _begins_with(live) is None
    _taught(live.watch.forecaster)
    live._keep_experience()
    first = live._taught
    assert first is not None
    assert first["learned"]["runs"] == 1
    # The same run goes on as it began: not with what it has taught itself.
    _begin(live, runs[0])
    assert _begins_with(live) is None
    _begin(live, runs[1])
    prior = _begins_with(live)
    assert prior.mean == pytest.approx(first["learned"]["mean"])
    _taught(live.watch.forecaster)
    live._keep_experience()
    live.keeper.close(60.0)
    with Store(bench.store_folder) as store:
        kept = store.logbook.get_state(EXPERIENCE)
    assert kept["run"] == runs[1].id
    assert kept["learned"]["runs"] == 2
    assert kept["before"]["runs"] == 1
    after = Live(bench)
    after.keeper.start()
    assert after.keeper.wait_open(60.0) is not None
    _begin(after, runs[1])
    assert _begins_with(after).mean == pytest.approx(prior.mean)
    after.keeper.close()


def test_another_bench_begins_in_ignorance(bench: Bench) -> None:
    live = Live(bench)
    live._taught = {"run": "x", "bench": "another", "before": None, "learned": {}}
    with Store(bench.store_folder) as store:
        made = store.logbook.create_run(bench=bench.name, bench_toml=bench.text, build="a")
    _begin(live, made)
    assert _begins_with(live) is None
