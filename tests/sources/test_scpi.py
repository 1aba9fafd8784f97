"""The conversation with a SCPI instrument: matched answers, errors shown, and a supply that is cut."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daq.bench import ScpiQuery, ScpiSpec, ScpiSupply
from daq.errors import PortError
from daq.sources import Command, ScpiSource, make_source
from tests.sources.asked_peer import Mishap, ScpiInstrument
from tests.sources.peers import Listener, PtyPeer, TcpPeer
from tests.waiting import wait_until

VOLTS = ScpiQuery(ask="MEAS:VOLT?", field="volts")
AMPS = ScpiQuery(ask="FETC:CURR?", field="amps")


@pytest.fixture
def device(tmp_path: Path) -> Iterator[ScpiInstrument]:
    """An instrument on a pseudo-terminal, plugged in."""
    instrument = ScpiInstrument(PtyPeer(tmp_path / "port"))
    instrument.answers = {"MEAS:VOLT?": "+1.25000E+01", "FETC:CURR?": "+8.00000E+00"}
    instrument.plug()
    yield instrument
    instrument.close()


def spec(device: ScpiInstrument, **keys: Any) -> ScpiSpec:
    defaults: dict[str, Any] = {"queries": (VOLTS, AMPS), "period_s": 0.02, "timeout_s": 5.0}
    return ScpiSpec(port=device.peer.url, **(defaults | keys))


@contextmanager
def running(description: ScpiSpec) -> Iterator[tuple[ScpiSource, Listener]]:
    source, listener = ScpiSource("psu", description, rng=random.Random(1)), Listener()
    source.start(listener)
    yield source, listener
    assert source.stop()
    assert source.failure is None


def seen(listener: Listener, name: str) -> list[float]:
    return [f.fields[name] for f in listener.frames if name in f.fields]


def notices(listener: Listener) -> list[str]:
    return [e.text for e in listener.events if e.kind == "notice"]


def test_it_says_who_it_is_and_is_only_asked(device: ScpiInstrument) -> None:
    with running(spec(device)) as (source, listener):
        listener.await_frames(20)
        assert listener.await_event("hello").text == "Maker,Model 1,0,1.0 answers"
        assert source.identity == "Maker,Model 1,0,1.0"
    assert set(seen(listener, "volts")) == {12.5}
    assert set(seen(listener, "amps")) == {8.0}
    assert all(message.endswith("?") for message in device.heard)
    assert device.heard[:2] == ["*IDN?", "*IDN?"]  # what is said twice was not left behind by somebody else
    assert all(len(frame.fields) == 1 for frame in listener.frames)
    assert source.counters.unchecked == source.counters.good


def test_what_another_program_left_behind_is_no_identity(device: ScpiInstrument) -> None:
    device.say(b"12.5\nMAKER,OTHER,0,0\n")
    with running(spec(device)) as (source, listener):
        listener.await_frames(2)
        assert source.identity == "Maker,Model 1,0,1.0"
    assert set(seen(listener, "volts")) <= {12.5}


def test_volts_and_amps_never_change_places(device: ScpiInstrument) -> None:
    # Whatever is late, lost or torn: a number under the wrong name would be worse than none.
    dice = random.Random(7)
    kinds = ["late", "late", "mute", "garbled", "dripped"]
    for _ in range(30):
        device.mishaps.append(Mishap(dice.choice(kinds), 0.25, b"1.2.5\n"))  # type: ignore[arg-type]
    device.answers["FETC:CURR?"] = "+8.00000E+02"
    with running(spec(device, timeout_s=0.15)) as (source, listener):
        wait_until(lambda: not device.mishaps, "all mishaps", timeout_s=60)
        for name in ("volts", "amps"):
            clean = len(seen(listener, name))
            wait_until(lambda n=name, c=clean: len(seen(listener, n)) > c + 4, f"{name} again")  # type: ignore[misc]
        assert source.counters.timeouts > 5
        assert source.counters.late > 2
        assert source.counters.resyncs > 5
    assert set(seen(listener, "volts")) == {12.5}
    assert set(seen(listener, "amps")) == {800.0}


@pytest.mark.parametrize(
    ("answer", "over"), [("9.91E37", 1), ("+9.90000000E+37", 1), ("-9.9E37", 1), ("1.25E1", 0)]
)
def test_what_is_no_number_is_never_handed_on_as_one(device: ScpiInstrument, answer: str, over: int) -> None:
    device.answers["MEAS:VOLT?"] = answer
    with running(spec(device, queries=(VOLTS,))) as (source, listener):
        (frame, *_) = listener.await_frames(1)
    assert math.isnan(frame.fields["volts"]) == bool(over)
    assert (source.counters.overrange >= 1) == bool(over)


def test_its_errors_are_drained_and_shown(device: ScpiInstrument) -> None:
    device.errors.extend(['-222,"Data out of range"', '-350,"Queue overflow"', '-222,"Data out of range"'])
    with running(spec(device)) as (source, listener):
        wait_until(lambda: source.counters.device_errors == 3, "three errors")
        listener.await_frames(4)
        assert not device.errors
    assert notices(listener) == [
        'the instrument reports -222,"Data out of range" (execution error)',
        'the instrument reports -350,"Queue overflow" (device error)',
    ]


def test_a_query_it_does_not_know_is_said_and_the_others_go_on(device: ScpiInstrument) -> None:
    wrong = ScpiQuery(ask="MEAS:HEAT?", field="heat")
    with running(spec(device, queries=(wrong, VOLTS), timeout_s=0.3)) as (source, listener):
        wait_until(lambda: any("-113" in text for text in notices(listener)), "the reason")
        before = len(seen(listener, "volts"))
        wait_until(lambda: len(seen(listener, "volts")) > before + 20, "the other query")
        assert source.counters.timeouts >= 1
    problems = [h.problem for h in source.transcript.all() if h.asked == "MEAS:HEAT?"]
    assert all("no answer" in problem for problem in problems)
    # Asked more and more rarely: it does not hold up the others for a second in every two.
    assert device.heard.count("MEAS:HEAT?") < device.heard.count("MEAS:VOLT?")


def test_an_instrument_without_an_error_queue(
    device: ScpiInstrument, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = device._reply
    monkeypatch.setattr(device, "_reply", lambda text: None if text == "SYST:ERR?" else plain(text))
    with running(spec(device, timeout_s=0.3, errors_every_s=0.1)) as (_, listener):
        wait_until(lambda: device.heard.count("SYST:ERR?") == 2, "two tries")
        listener.await_frames(len(listener.frames) + 20)
        assert device.heard.count("SYST:ERR?") == 2


def test_another_instrument_on_the_port_is_refused(device: ScpiInstrument) -> None:
    with running(spec(device, identity="MAKER,MODEL 2")) as (source, listener):
        assert "another instrument answers" in listener.await_event("lost").text
        assert "MODEL 2" in (source.counters.last_error or "")
        assert listener.frames == []
        device.identity = "maker,model 2,7,0"
        listener.await_frames(1)


def test_an_instrument_that_was_exchanged_is_noticed(device: ScpiInstrument) -> None:
    with running(spec(device)) as (_, listener):
        listener.await_frames(2)
        device.unplug()
        listener.await_event("lost")
        device.identity = "Maker,Model 9,0,1.0"
        device.plug()
        wait_until(lambda: any("Model 9" in text for text in notices(listener)), "the notice")
        listener.await_frames(len(listener.frames) + 2)


def test_a_port_that_echoes(device: ScpiInstrument, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = device.answer

    def echoing(question: bytes) -> tuple[bytes | None, bool]:
        answer, reading = plain(question)
        return question + b"\r\n" + (answer or b""), reading

    monkeypatch.setattr(device, "answer", echoing)
    with running(spec(device)) as (source, listener):
        listener.await_frames(10)
        assert source.counters.malformed == 0
    assert set(seen(listener, "volts")) == {12.5}


def test_several_values_in_one_answer_and_a_period_of_its_own(device: ScpiInstrument) -> None:
    both = ScpiQuery(ask="MEAS:VOLT?;:FETC:CURR?", fields=("volts", "amps"))
    slow = ScpiQuery(ask="SENS:TEMP?", field="temp", period_s=3600.0)
    device.answers |= {both.ask: "12.5;8.0", "SENS:TEMP?": "41.5"}
    with running(spec(device, queries=(both, slow))) as (_, listener):
        wait_until(lambda: len(seen(listener, "volts")) > 10, "many readings")
    assert seen(listener, "temp") == [41.5]
    assert dict(listener.frames[-1].fields) == {"volts": 12.5, "amps": 8.0}


def test_the_time_of_a_reading_lies_halfway(device: ScpiInstrument) -> None:
    device.delay_s = 0.1
    with running(spec(device, queries=(VOLTS,))) as (_, listener):
        frames = listener.await_frames(3)
    for frame in frames:
        assert frame.received_ns - frame.mono_ns >= 50_000_000


SUPPLY = ScpiSupply(amps_off=0.1)


def test_a_trip_cuts_the_output_and_is_verified(device: ScpiInstrument) -> None:
    with running(spec(device, supply=SUPPLY)) as (source, listener):
        listener.await_frames(2)
        number = source.send(Command("trip"))
        reply = listener.await_event("reply").reply
        assert reply is not None
        assert (reply.number, reply.ok) == (number, True)
        assert not device.output
        assert any("output is cut: 0.002 A" in text for text in notices(listener))
        listener.await_frames(len(listener.frames) + 4)
    after = device.heard[device.heard.index("OUTP OFF") :]
    assert after.index("*IDN?") < after.index("MEAS:CURR?")
    assert "OUTP ON" not in device.heard


def test_an_output_that_does_not_obey_is_not_called_cut(device: ScpiInstrument) -> None:
    device.dead_output = True
    with running(spec(device, supply=SUPPLY)) as (source, listener):
        listener.await_frames(2)
        source.send(Command("trip"))
        wait_until(lambda: device.heard.count("OUTP OFF") >= 3, "it to be cut again and again")
        wait_until(lambda: "still reads 8 A" in (source.counters.last_error or ""), "what flows")
        assert "reply" not in listener.kinds()
        device.dead_output = False
        source.send(Command("trip"))
        listener.await_event("reply")
        assert not device.output


def test_a_trip_does_not_wait_for_an_answer_that_is_out(device: ScpiInstrument) -> None:
    device.answers["MEAS:VOLT?"] = "12.5"
    with running(spec(device, supply=SUPPLY, timeout_s=30.0)) as (source, listener):
        listener.await_frames(2)
        device.mishaps.append(Mishap("mute"))
        wait_until(lambda: not device.mishaps, "a question that is never answered")
        source.send(Command("trip"))
        listener.await_event("reply")
        assert not device.output


def test_a_trip_waits_for_the_port_to_come_back(device: ScpiInstrument) -> None:
    with running(spec(device, supply=SUPPLY)) as (source, listener):
        listener.await_frames(2)
        device.unplug()
        listener.await_event("lost")
        source.send(Command("trip"))
        device.plug()
        listener.await_event("reply")
        assert not device.output


def test_a_reset_and_a_beat_send_nothing(device: ScpiInstrument) -> None:
    with running(spec(device, supply=SUPPLY)) as (source, listener):
        listener.await_frames(2)
        assert source.send(Command("beat")) == 0
        number = source.send(Command("reset"))
        reply = listener.await_event("reply").reply
        assert reply is not None
        assert (reply.number, reply.ok) == (number, True)
    assert all(message.endswith("?") for message in device.heard)


def test_a_meter_can_cut_nothing(device: ScpiInstrument) -> None:
    source = ScpiSource("meter", spec(device))
    with pytest.raises(PortError, match="takes no such command"):
        source._say(Command("trip", 1))


def test_a_silent_port_says_what_to_look_at(device: ScpiInstrument, monkeypatch: pytest.MonkeyPatch) -> None:
    answers: Mapping[str, str | None] = {}
    monkeypatch.setattr(device, "_reply", answers.get)
    with running(spec(device, timeout_s=0.1, silent_after_s=0.3)) as (_, listener):
        assert "no answer to *IDN?" in listener.await_event("silent").text
    assert set(device.heard) == {"*IDN?"}


def test_over_a_socket(free_ports: Callable[[], int]) -> None:
    instrument = ScpiInstrument(TcpPeer(free_ports()))
    instrument.answers = {"MEAS:VOLT?": "12.5"}
    instrument.plug()
    source, listener = make_source("dmm", spec(instrument, queries=(VOLTS,))), Listener()
    source.start(listener)
    listener.await_frames(5)
    assert source.stop()
    instrument.close()
