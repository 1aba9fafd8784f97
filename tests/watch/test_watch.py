"""The watch as a whole: alarms of a bench over made runs, the same live and in hindsight, over restarts."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from daq.bench import Bench
from daq.errors import RequestRefused
from daq.frame import Block
from daq.watch import Watch, make_forecaster, replay
from tests.watch.workshop import ALL, HZ, LPM_PER_AMP, S, bench, block, cut, raised, run_of


def same(one: dict[str, dict[str, Any]], other: dict[str, dict[str, Any]]) -> None:
    """That two assessments' numbers agree but for the order of rounding."""
    for key, number in one.items():
        for part, rel in (("value", 1e-9), ("u95", 1e-6)):
            if number[part] is None:
                assert other[key][part] is None, (key, part)
            else:
                assert other[key][part] == pytest.approx(number[part], rel=rel, abs=1e-9), (key, part)


def live(made: Bench, blocks: Sequence[Block], *, seed: int = 0, seconds: float | None = None) -> Watch:
    """Feed in irregular pieces and tick at every whole second, as the service does."""
    rng = np.random.default_rng(seed)
    watch = Watch(made)
    end = seconds if seconds is not None else max(int(b.t_ns[-1]) for b in blocks) / S
    at = [0] * len(blocks)
    for tick in range(1, round(np.ceil(end)) + 1):
        order = rng.permutation(len(blocks))
        for k in order.tolist():
            stop = int(np.searchsorted(blocks[k].t_ns, tick * S, side="right"))
            while at[k] < stop:
                size = int(rng.integers(1, 8))
                watch.feed([cut(blocks[k], at[k], min(at[k] + size, stop))])
                at[k] = min(at[k] + size, stop)
        watch.tick(tick * S)
    return watch


# -- live and in hindsight ---------------------------------------------------------------------------------


def eventful(seconds: int = 420) -> list[Block]:
    n = seconds * HZ
    k = np.arange(n)
    amps = np.where((k > 30 * HZ) & (k < 380 * HZ), 10.0, 0.0)
    lye = 30.0 + np.interp(k / HZ, [0, 100, 250, 380, 420], [0, 12, 33, 37, 20])
    flow = 0.93 * LPM_PER_AMP * amps
    if seconds > 240:
        flow[200 * HZ : 240 * HZ] = 0.0
        lye[150 * HZ] = 64.9
    whole = run_of(float(seconds), lye=lye, amps=amps, flow=flow)
    kept = np.ones(n, dtype=bool)
    kept[100 * HZ : 104 * HZ] = False
    kept[::7] = False
    rows = np.flatnonzero(kept)
    head = Block("head", whole.t_ns[rows], whole.seq[rows], {c: v[rows] for c, v in whole.values.items()})
    room = block(np.arange(0.2, seconds, 0.5), {"room_temp": np.full(2 * seconds, 21.0)}, source="room")
    return [head, room]


@pytest.mark.parametrize("seed", range(2))
def test_live_in_any_pieces_is_the_replay(seed: int) -> None:
    made = bench({**ALL, "room_temp": "room"})
    blocks = eventful()
    again = replay(made, blocks)
    watch = live(made, blocks, seed=seed)
    transitions = watch.take_transitions()
    assert transitions == list(again.transitions)
    assert {"lye_temp.warn", "lye_temp.high", "gas_flow.none", "head.lost"} <= {t.alarm for t in transitions}
    last = watch.tick(420 * S)
    replayed = again.assessment(420 * S)
    assert replayed is not None
    same(last.numbers, replayed.numbers)


def _in_parts(run: Block, seconds: int) -> list[Block]:
    on = run.values["amps"] > 0.3
    rms = {"volts_rms": np.where(on, 13.9, 0.0), "amps_rms": np.where(on, 11.5, 0.0)}
    late = {"room_pressure": np.full(seconds, 101.0), "gas_humidity": np.full(seconds, 80.0)}
    rows = {**run.values, **rms}
    return [
        Block(run.source, run.t_ns, run.seq, rows),
        block(np.arange(0.3, seconds, 1.0), late, source="room"),
    ]


@pytest.mark.parametrize(
    ("channels", "tables"),
    [
        ((), {}),
        (("volts_rms", "amps_rms"), {"supply": {"mode": "pwm", "volts_set": 13.5}}),
        (
            (),
            {
                "supply": {"lead_milliohms": 20.0},
                "gas": {"meter": "thermal", "scale_gas": "N2", "scale_reference": "0C_101.325kPa"},
            },
        ),
        (("room_pressure", "gas_humidity"), {"gas": {"wet_over": "lye"}}),
    ],
    ids=["plain", "chopped", "leads", "humidity"],
)
def test_a_replay_without_numbers_raises_the_same_and_feeds_the_same(
    channels: tuple[str, ...], tables: dict[str, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What alarms and forecasts go by hangs on no uncertainty, but that of the temperature's rate."""
    named = {**ALL, **{c: "room" if c.startswith(("room", "gas")) else "head" for c in channels}}
    made = bench(named, **tables)
    blocks = _in_parts(eventful()[0], 420)
    collected = []
    for keep in (True, False):
        fed: list[tuple[float, ...]] = []
        seer = make_forecaster(made)
        assert seer is not None
        monkeypatch.setattr(seer, "update", lambda *row, into=fed: into.append(row))
        done = replay(made, blocks, keep_numbers=keep, forecaster=seer)
        collected.append((done.transitions, np.array(fed)))
    assert collected[0][0] == collected[1][0]
    assert len({t.alarm for t in collected[0][0]}) >= 4
    np.testing.assert_allclose(collected[1][1], collected[0][1], rtol=1e-12)
    assert collected[0][1].shape == (84, 7)


def test_assessments_are_the_same_at_every_second() -> None:
    made = bench(ALL)
    blocks = eventful(120)[:1]
    again = replay(made, blocks)
    watch = Watch(made)
    for tick in range(1, 121):
        stop = np.searchsorted(blocks[0].t_ns, [(tick - 1) * S, tick * S], side="right")
        watch.feed([cut(blocks[0], int(stop[0]), int(stop[1]))])
        assessment = watch.tick(tick * S).as_dict()
        later = again.assessment(tick * S)
        assert later is not None
        same(assessment["numbers"], later.numbers)


def test_who_looks_now_and_then_sees_what_whoever_looks_always_does() -> None:
    made = bench(ALL)
    blocks = eventful()[:1]
    always, now_and_then = Watch(made), Watch(made)
    assert now_and_then.assess_again() is None
    for tick in range(1, 421):
        stop = np.searchsorted(blocks[0].t_ns, [(tick - 1) * S, tick * S], side="right")
        part = cut(blocks[0], int(stop[0]), int(stop[1]))
        always.feed([part])
        now_and_then.feed([part])
        assessment = always.tick(tick * S)
        now_and_then.advance(tick * S, bare=True)
        if tick % 7 == 0:
            seen = now_and_then.assess_again()
            assert seen is not None
            assert seen == assessment
    transitions = always.take_transitions()
    assert transitions, "alarms came"
    assert now_and_then.take_transitions() == transitions
    assert now_and_then.save() == always.save()


@pytest.mark.parametrize("stop", [20, 37, 101, 203, 301, 390])
def test_a_restart_in_the_midst_changes_nothing(stop: int) -> None:
    """Saved as JSON, loaded by another watch, its windows filled again: the same alarms and numbers."""
    made = bench(ALL)
    (head,) = eventful()[:1]
    whole = replay(made, [head])

    at = int(np.searchsorted(head.t_ns, stop * S, side="right"))
    first = Watch(made)
    first.begin(0)
    first.feed([cut(head, 0, at)])
    first.advance(stop * S)
    saved = json.loads(json.dumps(first.save(), allow_nan=False))
    second = Watch(made)
    second.load(saved)
    again = int(np.searchsorted(head.t_ns, max(0, stop - 60) * S, side="right"))
    second.feed([cut(head, again, at)], quiet=True)
    assessment = second.tick(stop * S, quiet=True)
    before = whole.assessment(stop * S)
    assert before is not None
    same(assessment.numbers, before.numbers)
    assert second.take_transitions() == []

    second.feed([cut(head, at, len(head))])
    assessment = second.tick(420 * S)
    assert first.take_transitions() + second.take_transitions() == list(whole.transitions)
    last = whole.assessment(420 * S)
    assert last is not None
    same(assessment.numbers, last.numbers)


def test_a_state_of_another_version_is_left_aside() -> None:
    watch = Watch(bench(ALL))
    watch.load({"version": 0, "ticked": 12})
    assert watch.tick(5 * S).t_ns == 5 * S


def test_a_late_sample_still_alarms_at_its_own_time() -> None:
    watch = Watch(bench(ALL))
    whole = run_of(20.0)
    whole.values["lye_temp"][94] = 70.0  # at 9.5 s
    for tick in range(1, 21):
        # The last half second of each step comes after its tick.
        watch.feed([cut(whole, max(0, tick * HZ - 15), tick * HZ - 5)])
        watch.tick(tick * S)
    assert raised(watch.take_transitions())["lye_temp.trip"] == 9.5


# -- people ------------------------------------------------------------------------------------------------


def test_people_and_what_they_are_shown() -> None:
    lye = np.where(np.arange(1200) < 300, 40.0, 66.0)
    lye[900:] = 40.0
    whole = run_of(120.0, lye=lye)
    watch = Watch(bench(ALL), run="20260101-000000", start_utc_ns=1_767_225_600 * S)
    for tick in range(1, 121):
        watch.feed([cut(whole, (tick - 1) * HZ, tick * HZ)])
        assessment = watch.tick(tick * S)
        if tick == 50:
            shown = watch.alarm_states()
            assert shown[0]["alarm"] == "lye_temp.trip"
            assert shown[0]["state"] == "unacknowledged"
            assert shown[0]["since_utc"] == "2026-01-01T00:00:30.100Z"
            assert shown[0]["limit"] == 65.0
            assert shown[0]["what"]
            assert shown[0]["do"]
            watch.alarm("lye_temp.trip").acknowledge(50 * S, "Ana", "seen")
            with pytest.raises(RequestRefused, match="reset"):
                watch.alarm("lye_temp.trip").reset(50 * S, "Ana")
            watch.alarm("lye_temp.warn").shelve(50 * S, "Ana", "known", 600.0)
    states = {a["alarm"]: a["state"] for a in watch.alarm_states()}
    assert states == {
        "lye_temp.trip": "latched_ack",
        "lye_temp.high": "returned",
        "lye_temp.warn": "shelved",
        "lye_temp.rate": "returned",
    }
    watch.alarm("lye_temp.trip").reset(121 * S, "Ana", "cooled")
    assert "lye_temp.trip" not in {a["alarm"] for a in watch.alarm_states()}
    with pytest.raises(RequestRefused, match="no such alarm"):
        watch.alarm("kettle.dry").acknowledge(121 * S, "Ana")
    body = assessment.as_dict()
    assert json.loads(json.dumps(body, allow_nan=False)) == body
    assert set(body) == {
        "run", "t", "utc", "window_s", "reference", "numbers", "findings", "assumptions", "forecast", "lye",
    }  # fmt: skip
    assert (body["run"], body["t"], body["utc"]) == ("20260101-000000", 120.0, "2026-01-01T00:02:00.000Z")


def test_conditions_told_from_outside() -> None:
    watch = Watch(bench(ALL))
    watch.tick(S)
    watch.set_condition("recording.impaired", True, t_ns=2 * S, cause="disk full")
    watch.set_condition("recording.impaired", True, t_ns=3 * S, cause="disk full")
    watch.tick(4 * S)
    watch.set_condition("recording.impaired", False, t_ns=5 * S)
    watch.tick(6 * S)
    found = [
        (t.t_ns // S, t.state_to, t.cause)
        for t in watch.take_transitions()
        if t.alarm == "recording.impaired"
    ]
    assert found[0] == (2, "unacknowledged", "disk full")
    assert found[1][:2] == (5, "returned")
    assert len(found) == 2
    with pytest.raises(RequestRefused, match="outside"):
        watch.set_condition("lye_temp.high", True, t_ns=7 * S)


class Prophet:
    """Foresees a crossing once the lye is above 40 degC."""

    def __init__(self) -> None:
        self.given: list[tuple[float, ...]] = []
        self.warnings: list[dict[str, Any]] = []
        self.weaknesses: dict[str, str] = {}

    def set_lye(self, mass_fraction: float, litres: float) -> None:
        pass

    def update(
        self,
        t_s: float,
        volts: float | None,
        amps: float | None,
        watts: float | None,
        lye_temp: float | None,
        room_temp: float | None = None,
        gas_flow: float | None = None,
    ) -> None:
        given = (t_s, volts, amps, watts, lye_temp, room_temp, gas_flow)
        self.given.append(tuple(float("nan") if x is None else x for x in given))
        standing = bool(self.warnings) and self.warnings[-1]["cleared_s"] is None
        if lye_temp is not None and lye_temp > 40.0 and not standing:
            self.warnings.append({"raised_s": t_s, "cleared_s": None, "reason": "it does not settle"})
        elif lye_temp is not None and lye_temp < 35.0 and standing:
            self.warnings[-1]["cleared_s"] = t_s

    def forecast(self) -> dict[str, Any] | None:
        return {"seen": len(self.given), "time_to_limit_s": 1000.0 - len(self.given)}


def test_a_standing_forecast_says_how_long_there_is_by_now() -> None:
    prophet = Prophet()
    watch = Watch(bench(ALL), forecaster=prophet)
    warm = run_of(30.0, lye=np.full(30 * HZ, 45.0))
    for first, last in ((0, 10), (10, 30)):
        watch.feed([cut(warm, first * HZ, last * HZ)])
        watch.tick(last * S)
        (row,) = [a for a in watch.alarm_states() if a["alarm"] == "lye_temp.forecast"]
        assert row["t_s"] == 1000.0 - len(prophet.given)
    assert len(prophet.given) == 5


def test_a_forecast_becomes_an_alarm() -> None:
    n = 200 * HZ
    lye = np.interp(np.arange(n) / HZ, [0, 100, 200], [30.0, 45.0, 30.0])
    prophet, again = Prophet(), Prophet()
    made = bench(ALL)
    blocks = [run_of(200.0, lye=lye)]
    watch = Watch(made, forecaster=prophet)
    for tick in range(1, 201):
        watch.feed([cut(blocks[0], (tick - 1) * HZ, tick * HZ)])
        assessment = watch.tick(tick * S)
    # A tick every five seconds.
    assert assessment.forecast == {"seen": 40, "time_to_limit_s": 960.0}
    found = [t for t in watch.take_transitions() if t.alarm == "lye_temp.forecast"]
    assert [t.state_to for t in found] == ["unacknowledged", "returned"]
    assert found[0].cause == "it does not settle"
    assert 60.0 < found[0].t_ns / S <= 75.0
    again_found = [
        t for t in replay(made, blocks, forecaster=again).transitions if t.alarm == "lye_temp.forecast"
    ]
    assert again_found == found
    np.testing.assert_allclose(np.array(again.given), np.array(prophet.given), rtol=1e-9)
    # volts, amps, their product, and dry gas: less than the meter's wet reading
    t_s, volts, amps, watts, _, _, gas = prophet.given[19]
    assert t_s == 100.0
    assert (volts, amps) == pytest.approx((13.2, 10.0), abs=0.05)
    assert watts == pytest.approx(volts * amps, rel=1e-3)
    assert gas == pytest.approx(
        0.93 * LPM_PER_AMP * 10.0 * (101.325 - 2.339) / 101.325 * 273.15 / 293.15, rel=0.01
    )


# -- slower logs -------------------------------------------------------------------------------------------


def test_a_slow_log_is_not_called_stale() -> None:
    n = 400
    t_s = np.arange(n) * 5.0
    levels = {"volts": 13.2, "amps": 10.0, "gas_flow": 0.6, "relay": 1.0}
    columns = {name: np.full(n, level) for name, level in levels.items()}
    slow = block(t_s, {**columns, "lye_temp": np.linspace(25.0, 45.0, n)})
    done = replay(bench(ALL), [slow])
    assert done.transitions == ()
    assert "every 5 s" in done.notes[0]
    values = done.numbers[0].value["faradaic_efficiency"]
    assert np.isfinite(values[100:]).all()
