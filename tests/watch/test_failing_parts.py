"""A part of the watch that raises is named and passed over; everything else goes on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pytest

from daq.alarms.rule_kinds import ChannelRule, TickRule
from daq.frame import Block
from daq.watch import Watch
from daq.watch import watch as watch_module
from tests.watch import workshop
from tests.watch.workshop import S, raised


class Seer:
    """A forecaster that raises from some second on."""

    weaknesses: Mapping[str, str] = {}
    warnings: Sequence[Mapping[str, Any]] = ()

    def __init__(self, fails_from_s: float = 30.0) -> None:
        self.fails_from_s = fails_from_s
        self.fed: list[float] = []

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        pass

    def update(self, t_s: float, *_values: float | None) -> None:
        if t_s >= self.fails_from_s:
            raise ValueError("math domain error")
        self.fed.append(t_s)

    def forecast(self) -> dict[str, Any] | None:
        return {"words": "settles at 50 °C"}


def warming(seconds: float = 90.0) -> Block:
    """Lye that passes 50 °C after a minute, then 60 °C."""
    n = round(seconds * workshop.HZ)
    return workshop.run_of(seconds, lye=30.0 + 20.5 * np.arange(n) / (60.0 * workshop.HZ))


def run(watch: Watch, block: Block, *, seconds: int = 90) -> dict[str, float]:
    """The block, second by second; the alarms by when they were raised."""
    watch.begin(0)
    made = []
    for second in range(1, seconds + 1):
        rows = np.flatnonzero((block.t_ns > (second - 1) * S) & (block.t_ns <= second * S))
        if rows.size:
            watch.feed([workshop.cut(block, int(rows[0]), int(rows[-1]) + 1)])
        watch.tick(second * S)
        made += watch.take_transitions()
    return raised(made)


def fail(*_args: Any, **_more: Any) -> Any:
    raise ZeroDivisionError("float division by zero")


def _rule(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> str:
    del monkeypatch
    rule = next(r for r in watch.rules if isinstance(r, TickRule) and r.spec.name == "lye_temp.rate")
    rule.value = fail
    return "alarm lye_temp.rate"


def _channel_rule(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> str:
    rule = next(r for r in watch.rules if isinstance(r, ChannelRule) and r.spec.name == "amps.over")
    monkeypatch.setattr(rule, "channel", None)  # what `Columns.good` can not look up
    monkeypatch.setattr(type(rule), "edges", _failing_for(rule, type(rule).edges))
    return "alarm amps.over"


def _failing_for(wrong: ChannelRule, real: Callable[..., Any]) -> Callable[..., Any]:
    return lambda self, *a: fail() if self is wrong else real(self, *a)


def _numbers(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(watch.assessor, "assess", fail)
    return "the numbers"


def _findings(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> str:
    del watch
    monkeypatch.setattr(watch_module, "judge", fail)
    return "the findings"


def _context(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(type(watch.context), "ticks", fail)
    return "the alarms' context"


@pytest.mark.parametrize("broken", [_rule, _channel_rule, _numbers, _findings, _context])
def test_the_other_alarms_are_raised_at_the_same_time(
    broken: Callable[[Watch, pytest.MonkeyPatch], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = workshop.bench()
    sound = run(Watch(bench), warming())
    watch = Watch(bench, isolate=True)
    part = broken(watch, monkeypatch)
    found = run(watch, warming())
    assert part in watch.failures
    assert "ZeroDivisionError" in watch.failures[part]
    limits = ("lye_temp.warn", "lye_temp.high")
    assert {n: found.get(n) for n in limits} == {n: sound[n] for n in limits}
    assert watch.alarm_states(), "what stands can still be asked for"


def test_a_forecaster_that_raises_silences_nothing_and_says_nothing_calm() -> None:
    bench = workshop.bench()
    seer = Seer()
    watch = Watch(bench, forecaster=seer, isolate=True)
    found = run(watch, warming())
    assert {"lye_temp.warn", "lye_temp.high"} <= found.keys()
    assert seer.fed
    assert max(seer.fed) < 30.0
    assert watch.failures == {"the forecast": "ValueError: math domain error"}
    assert watch.tick(91 * S).forecast is None
    fresh = Seer(fails_from_s=np.inf)
    watch.renew_forecaster(fresh)
    watch.feed([workshop.block(np.array([95.5]), {"amps": np.array([10.0])})])
    assert watch.tick(96 * S).forecast == {"words": "settles at 50 °C"}
    assert fresh.fed
    watch.tick(200 * S)
    assert watch.failures == {}


def test_a_watch_that_is_not_told_to_isolate_stops() -> None:
    watch = Watch(workshop.bench(), forecaster=Seer())
    with pytest.raises(ValueError, match="math domain error"):
        run(watch, warming())


def test_a_reader_that_is_not_heard_is_no_lost_source() -> None:
    bench = workshop.bench()
    watch = Watch(bench, isolate=True)
    run(watch, workshop.run_of(20.0), seconds=20)
    watch.lose_feed()
    for second in range(21, 81):
        watch.tick(second * S)
    assert raised(watch.take_transitions()) == {}
    watch.resume_feed(80 * S)
    later = workshop.run_of(5.0)
    watch.feed([workshop.block(later.t_ns / S + 80.0, later.values)])
    for second in range(81, 86):
        watch.tick(second * S)
    assert "head.lost" not in raised(watch.take_transitions())
    for second in range(86, 100):
        watch.tick(second * S)
    assert "head.lost" in raised(watch.take_transitions()), "from then on silence is its own again"
