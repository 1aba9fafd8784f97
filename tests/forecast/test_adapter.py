"""The runaway watch behind a bench file: its limit, its JSON, its alarm."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import orjson
import pytest

from daq.forecast.adapter import runaway_config
from daq.frame import Block
from daq.study.review import review
from daq.watch import Watch, make_forecaster, replay
from tests.watch.workshop import ALL, HZ, S, bench, block, raised, run_of


def _running_away() -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Forty minutes at one rate, as of a stack that loses next to nothing."""
    return 25.0 + np.arange(2400 * HZ) / HZ * 0.0085


def test_the_limit_watched_is_the_high_one_else_the_trip_else_the_warning() -> None:
    both = bench(ALL)
    assert runaway_config(both).limit_c == 60.0
    for kept, expected in (({"warn": 50.0, "trip": 65.0}, 65.0), ({"warn": 50.0}, 50.0)):
        config = runaway_config(bench(ALL, limits={"lye_temp": kept}))
        assert config.limit_c == expected
    assert runaway_config(bench(ALL, limits={})).limit_c is None


def test_a_bench_without_temperature_or_power_has_no_forecast() -> None:
    assert make_forecaster(bench(dict.fromkeys(("volts", "amps"), "head"), limits={})) is None
    assert make_forecaster(bench(dict.fromkeys(("amps", "lye_temp"), "head"))) is None
    assert make_forecaster(bench(dict.fromkeys(("volts", "amps", "lye_temp"), "head"))) is not None


def test_a_runaway_is_warned_of_long_before_the_limit() -> None:
    made = bench(ALL)
    done = replay(made, [run_of(2400.0, lye=_running_away())], forecaster=make_forecaster(made))
    first = raised(done.transitions)
    crosses = (50.0 - 25.0) / 0.0085
    assert first["lye_temp.forecast"] < 0.5 * crosses
    cause = next(t.cause for t in done.transitions if t.alarm == "lye_temp.forecast")
    assert "does not settle below 60 °C" in cause
    assert "it crosses in about" in cause


@pytest.mark.parametrize("row_s", [1.0, 2.0, 5.0, 7.0])
@pytest.mark.parametrize("late_s", [0.0, 0.4])
def test_a_log_with_a_row_every_so_often_is_forecast_as_well(row_s: float, late_s: float) -> None:
    """Rows fall into any of the steps between two looks, on their edges or beside them: none may be lost.

    Within 35 %: a ramp without any loss tells little of the loss, and nothing of how late its sensor is.
    """
    made = bench(ALL)
    whole = run_of(2400.0, lye=_running_away())
    rows = np.arange(round(late_s * HZ), whole.t_ns.size, round(row_s * HZ))
    thin = Block(
        whole.source, whole.t_ns[rows], whole.seq[rows],
        {n: v[rows] for n, v in whole.values.items()}, {n: v[rows] for n, v in whole.status.items()},
    )  # fmt: skip
    body = review(made, [thin], forecaster=make_forecaster).as_dict()
    assert len(body["forecasts"]) >= 35
    last = body["forecasts"][-1]
    true = (60.0 - 25.0) / 0.0085 - last["at_s"]
    assert last["time_to_limit_s"] == pytest.approx(true, rel=0.35)
    assert body["warnings"]


def test_the_forecast_sees_a_leap_whole_and_power_as_its_mean() -> None:
    """Five steps of a second, 85.0 in one of them: not a bump of 7 K in a mean; of amps the mean."""
    seen: list[tuple[float | None, ...]] = []

    class Listens:
        weaknesses: Mapping[str, str] = {}
        warnings: Sequence[Mapping[str, object]] = ()

        def set_lye(self, mass_fraction: float, litres: float) -> None:
            pass

        def update(self, _: float, *row: float | None) -> None:
            seen.append(row)

        def forecast(self) -> None:
            return None

    made = bench(ALL)
    lye = np.full(20, 50.0)
    lye[9] = lye[13] = 85.0
    amps = np.tile([10.0, 11.0, 12.0, 13.0, 14.0], 4)
    t = np.arange(20) + 1.0
    replay(
        made, [block(t, {"volts": np.full(20, 12.0), "amps": amps, "lye_temp": lye})], forecaster=Listens()
    )
    assert [row[3] for row in seen] == pytest.approx([50.0, 85.0, 50.0, 50.0])
    assert [row[1] for row in seen] == pytest.approx([12.0] * 4)
    assert [row[2] for row in seen] == pytest.approx([144.0] * 4)


def test_the_review_tells_forecasts_and_warnings_as_json() -> None:
    made = bench(ALL)
    body = review(made, [run_of(2400.0, lye=_running_away())], forecaster=make_forecaster).as_dict()
    again = json.loads(orjson.dumps({k: body[k] for k in ("forecasts", "warnings")}))
    forecasts = again["forecasts"]
    assert {b["at_s"] - a["at_s"] for a, b in pairwise(forecasts)} == {60.0}
    last = forecasts[-1]
    assert last["limit"] == "high"
    true = (60.0 - 25.0) / 0.0085 - last["at_s"]
    assert last["time_to_limit_s"] == pytest.approx(true, rel=0.15)
    assert last["time_to_limit_low_s"] < last["time_to_limit_s"]
    assert set(last["limits"]) == {"warn", "high", "trip"}
    assert last["limits"]["warn"]["time_s"] < last["time_to_limit_s"] < last["limits"]["trip"]["time_s"]
    assert last["words"].startswith("At these settings the lye does not settle below 60 °C")
    (warning,) = again["warnings"]
    assert warning["cleared_s"] is None
    assert warning["limit_c"] == 60.0
    assert warning["numbers"]["time_to_high_s"] > 600.0


@pytest.mark.parametrize(("rises", "stands"), [(0.0085, True), (0.0, False)])
def test_another_forecaster_lets_an_alarm_go_only_when_it_knows_better(rises: float, stands: bool) -> None:
    made = bench(ALL)
    lye = _running_away()
    first = Watch(made, forecaster=make_forecaster(made))
    first.begin(0)
    first.feed([run_of(1800.0, lye=lye[: 1800 * HZ])])
    first.advance(1800 * S)
    assert first.alarms["lye_temp.forecast"].active
    second = Watch(made, forecaster=make_forecaster(made))
    second.take_over(json.loads(orjson.dumps(first.save())), now_ns=0, later_ns=-1800 * S)
    second.take_transitions()
    # the next run warms on as before, or stays where it is
    second.feed([run_of(1200.0, lye=lye[1800 * HZ] + rises * np.arange(1200 * HZ) / HZ)])
    second.advance(60 * S)
    assert second.alarms["lye_temp.forecast"].active, "in the first minute nothing is known"
    second.advance(1200 * S)
    assert second.alarms["lye_temp.forecast"].active == stands


def test_an_inherited_alarm_goes_with_the_current() -> None:
    made = bench(ALL)
    first = Watch(made, forecaster=make_forecaster(made))
    first.begin(0)
    first.feed([run_of(1800.0, lye=_running_away()[: 1800 * HZ])])
    first.advance(1800 * S)
    second = Watch(made, forecaster=make_forecaster(made))
    second.take_over(json.loads(orjson.dumps(first.save())), now_ns=0, later_ns=-1800 * S)
    second.feed([run_of(10.0, lye=40.0, amps=0.0)])
    second.advance(10 * S)
    assert not second.alarms["lye_temp.forecast"].active
