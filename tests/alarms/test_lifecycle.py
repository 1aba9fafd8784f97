"""The life of an alarm against a table written from ANSI/ISA-18.2-2016 and IEC 62682.

The table was written from memory of the standards and the concepts as OPC 10000-9 v1.05 gives them.
`departures` walks all of it, and further tests take every transition out of the program, one at a time, and
see the walk find it missing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from daq.alarms import lifecycle as alarms
from daq.alarms.detectors import Edge
from daq.alarms.lifecycle import Alarm
from daq.alarms.states import ASIDE, LATCHED, NEXT, AlarmSpec, Event, Priority, State
from daq.bench import MAX_TIME_SHELVED_S
from daq.errors import RequestRefused

S = 1_000_000_000

A, B, C, D, E, F, G, H, I = (  # noqa: E741 - the standard's letters
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned",
    "latched_unack",
    "latched_ack",
    "shelved",
    "suppressed",
    "out_of_service",
)

# state, what happens, state after; for an alarm that does not latch
PLAIN = {
    (A, "alarm"): B,
    (B, "ack"): C,
    (B, "return"): D,
    (C, "return"): A,
    (C, "realarm"): B,
    (D, "ack"): A,
    (D, "alarm"): B,
}
# and for one that does
LATCHING = {
    (A, "alarm"): B,
    (B, "ack"): C,
    (B, "return"): E,
    (C, "return"): F,
    (C, "realarm"): B,
    (E, "ack"): F,
    (E, "alarm"): B,
    (F, "reset"): A,
    (F, "alarm"): B,
}
# what is put aside leaves by these, to A or B by the condition
LEAVING = ((G, "unshelve"), (G, "timer"), (H, "logic"), (I, "operator"))


def spec(*, latched: bool = False, realarm_s: float | None = None) -> AlarmSpec:
    return AlarmSpec(
        "lye_temp.high",
        "Lye temperature high",
        Priority.HIGH,
        "what",
        "do",
        120.0,
        "degC",
        60.0,
        latched=latched,
        realarm_s=realarm_s,
    )


def into(state: str, *, latched: bool) -> Alarm:
    """An alarm brought to a state by what leads there."""
    alarm = Alarm(spec(latched=latched, realarm_s=100.0))
    way: dict[str, list[str]] = {A: [], B: ["on"], C: ["on", "ack"], D: ["on", "off"], E: ["on", "off"],
                                 F: ["on", "off", "ack"]}  # fmt: skip
    for i, step in enumerate(way[state]):
        if step == "ack":
            alarm.acknowledge(i * S, "Ana")
        else:
            alarm.edge(Edge(i * S, step == "on", 61.0), "temperature")
    assert alarm.state == state
    alarm.take_transitions()
    return alarm


def happen(alarm: Alarm, event: str) -> None:
    t = 10 * S
    acts: dict[str, Callable[[], None]] = {
        "alarm": lambda: alarm.edge(Edge(t, True, 61.0), "temperature"),
        "return": lambda: alarm.edge(Edge(t, False, 57.0), "back to normal"),
        "ack": lambda: alarm.acknowledge(t, "Ana", "seen"),
        "reset": lambda: alarm.reset(t, "Ana", "mended"),
        "realarm": lambda: alarm.advance(200 * S),
    }
    acts[event]()


def aside(state: str, *, active: bool, latched: bool) -> Alarm:
    """An alarm put aside from normal, its condition beginning meanwhile or not."""
    alarm = Alarm(spec(latched=latched, realarm_s=100.0))
    match state:
        case "shelved":
            alarm.shelve(0, "Ana", "sensor being moved", 60.0)
        case "suppressed":
            alarm.suppress(0, True, "supply off")
        case _:
            alarm.take_out(0, "Ana", "sensor being moved")
    if active:
        alarm.edge(Edge(S, True, 61.0), "temperature")
    assert alarm.state == state
    return alarm


def leave(alarm: Alarm, event: str) -> None:
    acts: dict[str, Callable[[], None]] = {
        "unshelve": lambda: alarm.unshelve(10 * S, "Ana"),
        "timer": lambda: alarm.advance(60 * S),
        "logic": lambda: alarm.suppress(10 * S, False, "supply on"),
        "operator": lambda: alarm.put_back(10 * S, "Ana"),
    }
    acts[event]()


def departures() -> set[tuple[str, str]]:
    """(state, event) of every row of the table that the program does not follow."""
    found: set[tuple[str, str]] = set()
    for latched, table in ((False, PLAIN), (True, LATCHING)):
        for (state, event), to in table.items():
            try:
                alarm = into(state, latched=latched)
                happen(alarm, event)
            except (AssertionError, RequestRefused):
                found.add((state, event))
                continue
            if alarm.state != to:
                found.add((state, event))
        for state, event in LEAVING:
            for active in (False, True):
                alarm = aside(state, active=active, latched=latched)
                leave(alarm, event)
                if alarm.state != (B if active else A):
                    found.add((state, event))
    return found


def test_every_transition_of_the_table() -> None:
    assert departures() == set()


@pytest.mark.parametrize("gone", NEXT, ids=lambda key: f"{key[0]}-{key[1]}")
def test_a_transition_that_is_gone_is_found_missing(
    gone: tuple[State, Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alarms, "NEXT", {key: to for key, to in NEXT.items() if key != gone})
    name = {Event.ACKNOWLEDGE: "ack"}.get(gone[1], str(gone[1]))
    assert (str(gone[0]), name) in departures()


@pytest.mark.parametrize("gone", LATCHED)
def test_latching_that_is_gone_is_found_missing(gone: State, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alarms, "LATCHED", {**LATCHED, gone: gone})
    assert ({D: B, A: C}[str(gone)], "return") in departures()


@pytest.mark.parametrize("gone", ASIDE)
def test_a_way_back_from_aside_that_is_gone_is_found_missing(
    gone: State, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alarms, "ASIDE", tuple(s for s in ASIDE if s is not gone))
    assert {(s, e) for s, e in LEAVING if s == str(gone)} <= departures()


@pytest.mark.parametrize(("state", "event"), PLAIN)
def test_a_transition_is_told_once(state: str, event: str) -> None:
    alarm = into(state, latched=False)
    happen(alarm, event)
    (made,) = alarm.take_transitions()
    assert (made.state_from, made.state_to) == (state, PLAIN[state, event])


@pytest.mark.parametrize("latched", [False, True])
@pytest.mark.parametrize("event", ["ack", "reset"])
def test_what_a_person_may_not_do_is_refused_and_changes_nothing(latched: bool, event: str) -> None:
    table = LATCHING if latched else PLAIN
    for state in (A, B, C, E, F) if latched else (A, B, C, D):
        if (state, event) in table:
            continue
        alarm = into(state, latched=latched)
        with pytest.raises(RequestRefused) as refused:
            happen(alarm, event)
        assert refused.value.place == "lye_temp.high"
        assert alarm.state == state
        assert alarm.take_transitions() == []


def test_the_table_of_the_program_has_no_transition_that_the_standard_lacks() -> None:
    names = {Event.ALARM: "alarm", Event.RETURN: "return", Event.ACKNOWLEDGE: "ack", Event.RESET: "reset",
             Event.REALARM: "realarm"}  # fmt: skip
    for (state, event), to in NEXT.items():
        assert {PLAIN.get((state, names[event])), LATCHING.get((state, names[event]))} & {str(to)}


def test_a_transition_says_when_why_at_what_value_by_whom() -> None:
    alarm = into(B, latched=False)
    alarm.acknowledge(25 * S, "Ana", "turned it down")
    (made,) = alarm.take_transitions()
    assert made.as_dict() == {
        "t_s": 25.0,
        "alarm": "lye_temp.high",
        "state_from": B,
        "state_to": C,
        "cause": "acknowledged",
        "value": 61.0,
        "who": "Ana",
        "note": "turned it down",
        "priority": "high",
    }


@pytest.mark.parametrize("who", ["", "   "])
def test_nobody_can_not_acknowledge(who: str) -> None:
    alarm = into(B, latched=False)
    with pytest.raises(RequestRefused, match="person"):
        alarm.acknowledge(S, who)


def test_shelving_ends_by_itself_and_says_when() -> None:
    alarm = into(B, latched=False)
    alarm.shelve(10 * S, "Ana", "sensor being moved", 60.0)
    assert alarm.state == G
    alarm.advance(69 * S)
    assert alarm.state == G
    alarm.advance(75 * S)
    assert alarm.state == B  # its condition still stands
    shelved, back = alarm.take_transitions()
    assert (shelved.state_to, back.state_to, back.t_ns) == (G, B, 70 * S)
    assert "run out" in back.cause


@pytest.mark.parametrize("seconds", [0.0, -1.0, MAX_TIME_SHELVED_S + 1.0])
def test_shelving_is_bounded(seconds: float) -> None:
    alarm = into(B, latched=False)
    with pytest.raises(RequestRefused, match="shelved for so long"):
        alarm.shelve(10 * S, "Ana", "sensor being moved", seconds)


def test_an_alarm_may_allow_less_shelving_or_none() -> None:
    alarm = Alarm(replace(spec(), shelve_s=600.0))
    with pytest.raises(RequestRefused, match="shelved for so long"):
        alarm.shelve(S, "Ana", "sensor being moved", 601.0)
    alarm.shelve(S, "Ana", "sensor being moved", 600.0)
    with pytest.raises(RequestRefused, match="may not be shelved"):
        Alarm(replace(spec(), shelve_s=0.0)).shelve(S, "Ana", "sensor being moved", 1.0)


@pytest.mark.parametrize("note", ["", "  "])
def test_an_alarm_is_put_aside_only_by_a_person_with_a_reason(note: str) -> None:
    alarm = into(B, latched=False)
    with pytest.raises(RequestRefused, match="only for a reason"):
        alarm.shelve(S, "Ana", note, 60.0)
    with pytest.raises(RequestRefused, match="only for a reason"):
        alarm.take_out(S, "Ana", note)
    with pytest.raises(RequestRefused, match="name of the person"):
        alarm.take_out(S, note, "sensor being moved")
    assert alarm.state == B


def test_who_took_it_on_and_why_is_known_until_it_is_raised_anew() -> None:
    alarm = into(B, latched=False)
    alarm.acknowledge(10 * S, "Ana", "fan on")
    assert (alarm.by, alarm.why) == ("Ana", "fan on")
    alarm.advance(200 * S)
    assert (alarm.state, alarm.by) == (B, "")
    alarm.take_out(201 * S, "Bo", "sensor in repair")
    assert (alarm.by, alarm.why) == ("Bo", "sensor in repair")
    alarm.put_back(202 * S, "Bo")
    assert (alarm.by, alarm.why) == ("", "")


def test_out_of_service_from_the_start_until_a_person_puts_it_in() -> None:
    alarm = Alarm(replace(spec(), in_service=False))
    assert alarm.state == I
    alarm.edge(Edge(S, True, 61.0), "temperature")
    assert (alarm.state, alarm.active) == (I, True)
    assert alarm.take_transitions() == []
    alarm.put_back(2 * S, "Ana")
    assert alarm.state == B
    again = Alarm(alarm.spec)
    again.load(alarm.save())
    assert again.state == B


def test_a_state_of_another_run_is_moved_to_this_ones_time() -> None:
    alarm = into(C, latched=False)
    alarm.shelve(10 * S, "Ana", "sensor being moved", 60.0)
    moved = Alarm(alarm.spec)
    moved.load(alarm.save(), later_ns=-40 * S)
    moved.tell_again(0, "stood when this run began")
    (moved_on,) = moved.take_transitions()
    assert (moved_on.state_from, moved_on.state_to) == (A, G)
    assert (moved_on.who, moved_on.note) == ("Ana", "sensor being moved")
    assert moved.since_ns == -30 * S
    moved.advance(29 * S)
    assert moved.state == G
    moved.advance(30 * S)
    assert moved.state == B


def test_suppression_while_nothing_is_wrong_is_no_event() -> None:
    alarm = into(A, latched=False)
    alarm.suppress(S, True, "supply off")
    assert alarm.state == H
    alarm.suppress(2 * S, False, "supply on")
    assert alarm.state == A
    assert alarm.take_transitions() == []


def test_while_suppressed_the_condition_is_followed() -> None:
    alarm = into(A, latched=False)
    alarm.suppress(S, True, "supply off")
    alarm.edge(Edge(2 * S, True, 61.0), "temperature")
    assert (alarm.state, alarm.active) == (H, True)
    alarm.suppress(3 * S, False, "supply on")
    assert alarm.state == B


def test_realarm_is_at_its_due_time_and_keeps_when_it_was_raised() -> None:
    alarm = into(C, latched=False)
    raised = alarm.since_ns
    alarm.advance(500 * S)
    (made,) = alarm.take_transitions()
    assert made.t_ns == S + 100 * S
    assert alarm.since_ns == raised


class Life(RuleBasedStateMachine):
    """Any order of events, against the table and the standard's rule for what is put aside."""

    @initialize(latched=st.booleans(), realarm=st.booleans())
    def begin(self, latched: bool, realarm: bool) -> None:
        self.table = LATCHING if latched else PLAIN
        self.alarm = Alarm(spec(latched=latched, realarm_s=1000.0 if realarm else None))
        self.realarms = realarm
        self.now = 0
        self.base = A
        self.active = False
        self.shelved_until: int | None = None
        self.suppressed = self.out = False
        self.acknowledged: int | None = None

    # -- the model ------------------------------------------------------------------------------------------

    @property
    def wanted(self) -> str:
        if self.out:
            return I
        if self.shelved_until is not None:
            return G
        return H if self.suppressed else self.base

    @property
    def aside(self) -> bool:
        return self.wanted in (G, H, I)

    def forget(self) -> None:
        """What was put aside and no longer is goes to A or B by its condition."""
        self.base = B if self.active else A
        self.acknowledged = None

    def move(self, event: str) -> None:
        to = self.table.get((self.base, event))
        if to is not None:
            self.base = to
            self.acknowledged = self.now if to == C else None

    # -- what happens ---------------------------------------------------------------------------------------

    @rule(seconds=st.sampled_from([1, 30, 400, 1000, 2000]))
    def wait(self, seconds: int) -> None:
        self.now += seconds * S
        self.alarm.advance(self.now)
        if self.shelved_until is not None and self.now >= self.shelved_until:
            self.shelved_until = None
            if not (self.out or self.suppressed):
                self.forget()
        if self.realarms and self.base == C and not self.aside and self.acknowledged is not None:
            if self.now - self.acknowledged >= 1000 * S:
                self.move("realarm")

    @rule(active=st.booleans())
    def condition(self, active: bool) -> None:
        self.alarm.edge(Edge(self.now, active, 61.0), "temperature")
        if active == self.active:
            return
        self.active = active
        if not self.aside:
            self.move("alarm" if active else "return")

    @rule(event=st.sampled_from(["ack", "reset"]))
    def person(self, event: str) -> None:
        act = self.alarm.acknowledge if event == "ack" else self.alarm.reset
        if not self.aside and (self.base, event) in self.table:
            act(self.now, "Ana")
            self.move(event)
        else:
            with pytest.raises(RequestRefused):
                act(self.now, "Ana")

    @precondition(lambda self: not self.out)
    @rule(seconds=st.sampled_from([10, 600]))
    def shelve(self, seconds: int) -> None:
        self.alarm.shelve(self.now, "Ana", "sensor being moved", float(seconds))
        self.shelved_until = self.now + seconds * S

    @precondition(lambda self: self.wanted == G)
    @rule()
    def unshelve(self) -> None:
        self.alarm.unshelve(self.now, "Ana")
        self.shelved_until = None
        if not self.suppressed:
            self.forget()

    @rule(suppressed=st.booleans())
    def design(self, suppressed: bool) -> None:
        self.alarm.suppress(self.now, suppressed, "supply")
        if self.suppressed and not suppressed and not (self.out or self.shelved_until is not None):
            self.suppressed = False
            self.forget()
        self.suppressed = suppressed

    @rule(out=st.booleans())
    def service(self, out: bool) -> None:
        act = self.alarm.take_out if out else self.alarm.put_back
        if out == self.out:
            with pytest.raises(RequestRefused):
                act(self.now, "Ana", "sensor being moved")
            return
        act(self.now, "Ana", "sensor being moved")
        self.out = out
        if not out and not (self.shelved_until is not None or self.suppressed):
            self.forget()

    @rule()
    def restart(self) -> None:
        again = Alarm(self.alarm.spec)
        again.load(self.alarm.save())
        self.alarm = again

    @invariant()
    def as_the_table_says(self) -> None:
        if hasattr(self, "alarm"):
            assert str(self.alarm.state) == self.wanted
            assert self.alarm.active == self.active
            for made in self.alarm.take_transitions():
                assert made.t_ns <= self.now


TestLife = Life.TestCase
TestLife.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)


def test_every_state_is_in_the_table_of_words() -> None:
    assert [str(s) for s in State] == [A, B, C, D, E, F, G, H, I]
