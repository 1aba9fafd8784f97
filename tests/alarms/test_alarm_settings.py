"""What the bench file says of an alarm, and what becomes of the alarms when another run begins."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from daq.alarms import alarm_table, check_alarms
from daq.bench import Bench
from daq.errors import BenchFileError
from daq.watch import Watch, replay_alarms
from tests.watch.workshop import ALL, HZ, S, bench, cut, raised, run_of


def ruled(alarm: str, **keys: Any) -> Bench:
    return bench(ALL, **{f"alarms.rules.{alarm}": keys})


def row(made: Bench, alarm: str) -> dict[str, Any]:
    (found,) = [r for r in alarm_table(check_alarms(made)) if r["alarm"] == alarm]
    return found


# -- the bench file ----------------------------------------------------------------------------------------


def test_defaults() -> None:
    trip = row(bench(ALL), "lye_temp.trip")
    assert (trip["priority"], trip["cuts"], trip["latched"], trip["realarm_s"]) == (
        "critical",
        "reader",
        True,
        600.0,
    )
    assert trip["on_delay_s"] == 0.0
    cutting = {r["alarm"] for r in alarm_table(check_alarms(bench(ALL))) if r["cuts"]}
    assert cutting == {"lye_temp.trip", "head.frozen", "supply.current_though_open"}
    assert all(r["shelve_s"] == 28800.0 for r in alarm_table(check_alarms(bench(ALL))))
    assert all(r["on_delay_s"] <= 5.0 for r in alarm_table(check_alarms(bench(ALL)))
               if r["alarm"].startswith(("lye_temp.", "gas_flow.")) and r["on_delay_s"])  # fmt: skip


def test_what_is_given_is_so_and_the_rest_stays() -> None:
    before = row(bench(ALL), "volts.over")
    given = {"priority": "critical", "deadband": 0.5, "on_delay_s": 30.0, "off_delay_s": 7.0, "latched": True,
             "shelve_at_most_s": 60.0, "in_service": False, "cuts": True}  # fmt: skip
    after = row(ruled("volts.over", **given), "volts.over")
    changed = {k: v for k, v in after.items() if before[k] != v}
    assert changed == {
        "priority": "critical",
        "deadband": 0.5,
        "on_delay_s": 30.0,
        "off_delay_s": 7.0,
        "latched": True,
        "realarm_s": 600.0,
        "shelve_s": 60.0,
        "in_service": False,
        "cuts": "watch",
    }
    assert (
        row(ruled("volts.over", realarm_after_s=0.0, priority="critical"), "volts.over")["realarm_s"] is None
    )


def test_the_forecasts_alarm_takes_its_rule_too() -> None:
    assert row(ruled("lye_temp.forecast", cuts=True), "lye_temp.forecast")["cuts"] == "watch"


def test_no_rule_lifts_the_benchs_bound_on_shelving() -> None:
    tables: dict[str, Any] = {"alarms": {"shelve_at_most_s": 600.0}}
    tables["alarms.rules.volts.over"] = {"shelve_at_most_s": 900.0}
    made = bench(ALL, **tables)
    assert row(made, "volts.over")["shelve_s"] == 600.0


@pytest.mark.parametrize(
    ("alarm", "keys", "remedy"),
    [
        ("lye_temp.hihg", {"priority": "low"}, "did you mean lye_temp.high"),
        ("volts.stale", {"on_delay_s": 1.0}, "channels.volts.stale_after_s"),
        ("head.lost", {"off_delay_s": 1.0}, "sources.head.silent_after_s"),
        ("lye_temp.failed", {"deadband": 1.0}, "channels.lye_temp.valid"),
        ("supply.tripped", {"deadband": 1.0}, "told as it happens"),
    ],
)
def test_what_no_alarm_of_the_bench_takes_is_refused(alarm: str, keys: dict[str, Any], remedy: str) -> None:
    with pytest.raises(BenchFileError) as refused:
        check_alarms(ruled(alarm, **keys))
    assert f"alarms.rules.{alarm}" in str(refused.value.place)
    assert remedy in str(refused.value.remedy)


def test_a_run_of_a_bench_file_with_a_name_of_old_is_gone_through_all_the_same() -> None:
    assert replay_alarms(ruled("lye_temp.of_old", priority="low"), [run_of(30.0)]) == []


def test_settings_hold_while_the_run_goes() -> None:
    n = 120 * HZ
    lye = np.full(n, 40.0)
    lye[300:310] = 51.0
    made = ruled("lye_temp.warn", off_delay_s=10.0, priority="low")
    changes = [t for t in replay_alarms(made, [run_of(120.0, lye=lye)]) if t.alarm == "lye_temp.warn"]
    assert [(t.t_ns / S, t.state_to, t.priority) for t in changes] == [
        (30.1, "unacknowledged", "low"),
        (41.1, "returned", "low"),
    ]


def test_out_of_service_it_is_not_raised() -> None:
    lye = np.full(60 * HZ, 51.0)
    assert "lye_temp.warn" in raised(replay_alarms(bench(ALL), [run_of(60.0, lye=lye)]))
    out = ruled("lye_temp.warn", in_service=False)
    assert "lye_temp.warn" not in raised(replay_alarms(out, [run_of(60.0, lye=lye)]))


# -- another run -------------------------------------------------------------------------------------------


def hot(seconds: float, lye: float) -> Any:
    return run_of(seconds, lye=np.full(round(seconds * HZ), lye))


def states(watch: Watch) -> dict[str, str]:
    return {a["alarm"]: a["state"] for a in watch.alarm_states()}


def test_the_alarms_of_one_run_go_on_in_the_next() -> None:
    made = ruled("lye_temp.high", realarm_after_s=60.0)
    first = Watch(made, start_utc_ns=0)
    first.feed([hot(100.0, 62.0)])
    first.tick(100 * S)
    first.alarm("lye_temp.high").acknowledge(100 * S, "Ana", "fan on")
    first.alarm("lye_temp.warn").shelve(100 * S, "Bo", "known", 50.0)
    first.alarm("volts.over").take_out(100 * S, "Bo", "meter lent")
    saved = json.loads(json.dumps(first.save(), allow_nan=False))
    first.take_transitions()

    second = Watch(made, start_utc_ns=100 * S)
    second.take_over(saved, now_ns=0, later_ns=-100 * S)
    assert states(second) == states(first)
    transitions = {
        t.alarm: (t.t_ns, t.state_from, t.state_to, t.who, t.note) for t in second.take_transitions()
    }
    assert transitions == {
        "lye_temp.high": (0, "normal", "acknowledged", "Ana", "fan on"),
        "lye_temp.warn": (0, "normal", "shelved", "Bo", "known"),
        "volts.over": (0, "normal", "out_of_service", "Bo", "meter lent"),
    }
    since = {a["alarm"]: a["since_utc"] for a in second.alarm_states()}
    assert since == {a["alarm"]: a["since_utc"] for a in first.alarm_states()}

    # What stands goes on standing without being raised anew; then each goes its own way, in its own time.
    whole = hot(200.0, 62.0)
    for second_s in range(1, 61):
        second.feed([cut(whole, (second_s - 1) * HZ, second_s * HZ)])
        second.tick(second_s * S)
    made_now = [(t.t_ns // S, t.alarm, t.state_to) for t in second.take_transitions()]
    assert made_now == [(50, "lye_temp.warn", "unacknowledged"), (60, "lye_temp.high", "unacknowledged")]


def test_what_had_gone_by_then_returns_in_the_next_run() -> None:
    made = bench(ALL)
    first = Watch(made)
    first.feed([hot(30.0, 51.0)])
    first.tick(30 * S)
    second = Watch(made)
    second.take_over(first.save(), now_ns=0, later_ns=-30 * S)
    second.take_transitions()
    second.feed([hot(10.0, 40.0)])
    second.tick(10 * S)
    assert [(t.alarm, t.state_to, t.t_ns) for t in second.take_transitions()] == [
        ("lye_temp.warn", "returned", S // HZ)
    ]


def test_a_lost_source_that_is_heard_in_the_next_run_returns() -> None:
    made = bench(ALL)
    first = Watch(made)
    first.begin(0)
    first.feed([run_of(10.0)])
    first.tick(20 * S)
    assert states(first)["head.lost"] == "unacknowledged"
    second = Watch(made)
    second.take_over(first.save(), now_ns=0, later_ns=-20 * S)
    second.feed([run_of(5.0)])
    second.tick(5 * S)
    assert states(second)["head.lost"] == "returned"


def test_a_powered_bench_stays_powered_over_the_change() -> None:
    """Else an acknowledged alarm that is suppressed while off would come back as if it were new."""
    made = bench(ALL, limits={"volts": {"low_warn": 13.5}})
    first = Watch(made)
    first.feed([run_of(60.0)])
    first.tick(60 * S)
    first.alarm("volts.low").acknowledge(60 * S, "Ana")
    second = Watch(made)
    second.take_over(first.save(), now_ns=0, later_ns=-60 * S)
    second.feed([run_of(30.0)])
    second.tick(30 * S)
    assert states(second) == {"volts.low": "acknowledged"}


def test_a_state_of_another_version_is_left_aside() -> None:
    watch = Watch(bench(ALL))
    watch.take_over({"version": 0, "ticked": 12}, now_ns=0, later_ns=0)
    watch.feed([run_of(10.0)])
    watch.tick(10 * S)
    assert states(watch) == {}


def test_put_into_service_by_a_person_it_stays_there_over_a_restart() -> None:
    made = ruled("lye_temp.warn", in_service=False)
    first = Watch(made)
    first.feed([run_of(10.0)])
    first.tick(10 * S)
    assert states(first) == {"lye_temp.warn": "out_of_service"}
    first.alarm("lye_temp.warn").put_back(10 * S, "Ana")
    second = Watch(made)
    second.load(json.loads(json.dumps(first.save())))
    assert states(second) == {}
