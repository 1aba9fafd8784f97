"""A watch that was away catches up with its run, and its forecaster with what it had learned."""

from __future__ import annotations

import json

import numpy as np
import orjson
import pytest

from daq.frame import Block
from daq.service.tail import Read, catch_up
from daq.watch import Watch, make_forecaster
from tests.watch.workshop import ALL, HZ, S, bench, cut, run_of


def reads(whole: Block) -> Read:
    """One run's samples, as from a store."""
    return lambda start_ns, end_ns: {"head": whole.between(start_ns, end_ns)}


def test_a_restarted_service_foresees_what_it_foresaw_before() -> None:
    made = bench(ALL)
    run = run_of(1810.0, lye=25.0 + np.arange(1810 * HZ) / HZ * 0.0085)
    going = Watch(made, forecaster=make_forecaster(made))
    going.begin(0)
    going.feed([cut(run, 0, 1800 * HZ)])
    going.advance(1800 * S)
    saved = json.loads(orjson.dumps(going.save()))
    assert going.alarms["lye_temp.forecast"].active
    again = Watch(made, forecaster=make_forecaster(made))
    again.load(saved)
    catch_up(again, reads(run), 1800 * S, 1810 * S, 1810 * S)
    going.feed([cut(run, 1800 * HZ, len(run))])
    going.advance(1810 * S)
    assert going.forecaster is not None
    assert again.forecaster is not None
    before, after = going.forecaster.forecast(), again.forecaster.forecast()
    assert before is not None
    assert after is not None
    for key in ("time_to_limit_s", "steady_state_low_c", "heat_capacity_j_k"):
        assert after[key] == pytest.approx(before[key], rel=0.02)
    assert again.alarms["lye_temp.forecast"].active
    assert again.take_transitions() == []
