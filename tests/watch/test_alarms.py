"""The life of an alarm against a table written from ANSI/ISA-18.2-2016 and IEC 62682.

The table was written from memory of the standards and the concepts as OPC 10000-9 v1.05 gives them.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from daq.errors import RequestRefused
from daq.watch.alarms import MAX_TIME_SHELVED_S, NEXT, Alarm, AlarmSpec, Event, Priority, State
from daq.watch.detectors import Edge

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


@pytest.mark.parametrize(("state", "event"), PLAIN)
def test_every_transition_of_a_plain_alarm(state: str, event: str) -> None:
    alarm = into(state, latched=False)
    happen(alarm, event)
    assert alarm.state == PLAIN[state, event]
    (made,) = alarm.take_transitions()
    assert (made.state_from, made.state_to) == (state, PLAIN[state, event])


@pytest.mark.parametrize(("state", "event"), LATCHING)
def test_every_transition_of_a_latching_alarm(state: str, event: str) -> None:
    alarm = into(state, latched=True)
    happen(alarm, event)
    assert alarm.state == LATCHING[state, event]


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
        alarm.shelve(10 * S, "Ana", "", seconds)


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
        self.alarm.shelve(self.now, "Ana", "", float(seconds))
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
                act(self.now, "Ana", "")
            return
        act(self.now, "Ana", "")
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
