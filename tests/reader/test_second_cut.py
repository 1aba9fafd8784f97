"""Two ways of cutting the supply: the relay's device, and the supply's own output over SCPI."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daq.bench import Bench, parse_bench
from daq.errors import BenchFileError
from daq.examples import example_text
from tests.reader.device import PtyDevice
from tests.reader.test_reader import LONG_S, Running, running
from tests.sources.asked_peer import ScpiInstrument
from tests.sources.peers import PtyPeer

PSU = """
[sources.psu]
kind = "scpi"
port = "{port}"
period_s = 0.1
timeout_s = 5.0

[[sources.psu.queries]]
ask = "MEAS:VOLT?"
field = "volts"

[sources.psu.supply]
off = "OUTP OFF"
current = "MEAS:CURR?"
amps_off = 0.1

[channels.psu_volts]
source = "psu"
field = "volts"
unit = "V"

"""


@pytest.fixture
def head(tmp_path: Path) -> PtyDevice:
    return PtyDevice(tmp_path / "head")


@pytest.fixture
def psu(tmp_path: Path) -> Iterator[ScpiInstrument]:
    instrument = ScpiInstrument(PtyPeer(tmp_path / "psu"))
    instrument.answers = {"MEAS:VOLT?": "13.2"}
    instrument.plug()
    yield instrument
    instrument.close()


def text(head: Path, psu: Path, *, trip_source: str = "head", second: str | None = "psu") -> str:
    cutters = f'trip_source = "{trip_source}"' + (f'\nsecond_cut = "{second}"' if second else "")
    return (
        example_text("water_torch")
        .replace("/dev/ttyUSB0", str(head), 1)
        .replace('trip_source = "head"', cutters, 1)
        .replace("[channels.volts]", PSU.format(port=psu) + "[channels.volts]", 1)
    )


@pytest.fixture
def bench(tmp_path: Path, head: PtyDevice, psu: ScpiInstrument) -> Bench:
    return parse_bench(text(head.link, Path(psu.peer.url)), tmp_path / "bench.toml")


def until(
    it: Running, true: Callable[[], object], psu: ScpiInstrument, *, temp: float = 40.0, welded: bool = False
) -> None:
    """Let the head talk until something is so; current flows while relay and output are both closed."""
    end = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < end, "it did not come about"
        closed = bool(it.device.relay) or welded
        it.device.say(temp=temp, relay=float(closed), amps=8.0 if closed and psu.output else 0.0)
        time.sleep(0.02)


def state(it: Running) -> dict[str, object]:
    return it.state


def cool(it: Running) -> bool:
    """Whether the reader has seen the lye cool down."""
    seen = [row["v"]["lye_temp"] for row in it.follower.rows if "lye_temp" in row["v"]]
    return bool(seen) and seen[-1] < 50.0


def marks(it: Running) -> list[str]:
    return [mark.text for mark in it.store.logbook.list_marks(it.reader.run_id)]


def test_both_cut_and_what_the_supply_reads_is_marked(
    bench: Bench, head: PtyDevice, psu: ScpiInstrument
) -> None:
    with running(bench, head) as it:
        until(it, lambda: len(psu.heard) > 5, psu)
        assert psu.output
        until(it, lambda: not head.relay and not psu.output, psu, temp=66.0)
        until(
            it, lambda: any("psu: the output is cut: 0.002 A" in text for text in marks(it)), psu, temp=66.0
        )
        sent = psu.heard.count("OUTP OFF")
        later = len(psu.heard) + 20
        until(it, lambda: len(psu.heard) > later, psu, temp=66.0)
        assert psu.heard.count("OUTP OFF") == sent  # verified once, it is left alone
    assert {message for message in psu.heard if not message.endswith("?")} == {"OUTP OFF"}


def test_a_welded_relay_is_made_up_for(bench: Bench, head: PtyDevice, psu: ScpiInstrument) -> None:
    with running(bench, head) as it:
        until(it, lambda: len(psu.heard) > 5, psu, welded=True)
        until(it, lambda: not psu.output, psu, temp=66.0, welded=True)
        end = time.monotonic() + 4.0
        until(it, lambda: time.monotonic() > end, psu, temp=66.0, welded=True)
        # The relay says that it is closed, but the supply has read, again and again, that nothing flows.
        assert state(it)["trip_unconfirmed"] is False
        assert state(it)["cut_confirmed"] is False


def test_a_supply_that_does_not_obey_is_told_again_and_marked(
    bench: Bench, head: PtyDevice, psu: ScpiInstrument
) -> None:
    psu.dead_output = True
    with running(bench, head) as it:
        until(it, lambda: len(psu.heard) > 5, psu)
        until(it, lambda: any("psu has not cut its output" in text for text in marks(it)), psu, temp=66.0)
        assert state(it)["trip_unconfirmed"] is False  # the relay is open
        assert psu.heard.count("OUTP OFF") > 3


def test_a_supply_that_comes_back_after_the_reset_is_not_cut(
    bench: Bench, head: PtyDevice, psu: ScpiInstrument
) -> None:
    with running(bench, head) as it:
        until(it, lambda: len(psu.heard) > 5, psu)
        psu.unplug()
        until(it, lambda: not head.relay, psu, temp=66.0)
        until(it, lambda: cool(it), psu)
        asked = it.follower.client.ask("reset", {"reason": "looked at it"}, "Ada")
        until(it, asked.done, psu)
        assert asked.result().ok, asked.result().message
        psu.plug()
        asked_before = len(psu.heard)
        until(it, lambda: len(psu.heard) > asked_before + 20, psu)
        assert "OUTP OFF" not in psu.heard
        assert psu.output


def test_a_trip_that_stands_when_the_reader_starts_cuts_again(
    bench: Bench, head: PtyDevice, psu: ScpiInstrument
) -> None:
    with running(bench, head) as it:
        until(it, lambda: len(psu.heard) > 5, psu)
        until(it, lambda: not psu.output and not head.relay, psu, temp=66.0)
    psu.output = True
    with running(bench, head) as it:
        until(it, lambda: not psu.output, psu)


def test_a_supply_alone_that_does_not_answer_is_named(
    tmp_path: Path, head: PtyDevice, psu: ScpiInstrument
) -> None:
    psu.dead_output = True
    bench = parse_bench(
        text(head.link, Path(psu.peer.url), trip_source="psu", second=None), tmp_path / "b.toml"
    )
    with running(bench, head) as it:
        until(it, lambda: len(psu.heard) > 5, psu)
        until(it, lambda: state(it).get("trip_unconfirmed"), psu, temp=66.0)
        assert "the supply psu has not answered" in str(state(it)["cut_words"])


def test_a_supply_alone_may_be_the_trip_source(tmp_path: Path, head: PtyDevice, psu: ScpiInstrument) -> None:
    alone = text(head.link, Path(psu.peer.url), trip_source="psu", second=None)
    bench = parse_bench(alone, tmp_path / "bench.toml")
    with running(bench, head) as it:
        until(it, lambda: len(psu.heard) > 5, psu)
        until(it, lambda: not psu.output, psu, temp=66.0)
        assert head.relay  # nobody told it
        until(it, lambda: cool(it), psu)
        asked = it.follower.client.ask("reset", {"reason": "looked at it"}, "Ada")
        until(it, asked.done, psu)
        assert asked.result().ok, asked.result().message
        later = len(psu.heard) + 10
        until(it, lambda: len(psu.heard) > later, psu)
        assert not psu.output  # a hand at its panel switches it on
    assert {message for message in psu.heard if not message.endswith("?")} == {"OUTP OFF"}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('second_cut = "psu"', 'second_cut = "meter"', r"supply\.second_cut: no source is named 'meter'"),
        ('second_cut = "psu"', 'second_cut = "head"', r"supply\.second_cut: .* can not cut a supply"),
        ("[sources.psu.supply]", "[sources.psu.sup]", "is no key of a bench file here"),
        ('off = "OUTP OFF"', 'off = "OUTP ON"', "only cuts an output"),
        ('off = "OUTP OFF"', 'off = "OUTP OFF;OUTP ON"', "only cuts an output"),
        ('off = "OUTP OFF"', 'off = "VOLT 0"', "only cuts an output"),
        ('current = "MEAS:CURR?"', 'current = "CURR 1"', "is no question"),
        ('ask = "MEAS:VOLT?"', 'ask = "VOLT 5"', "is no question"),
        ('ask = "MEAS:VOLT?"', 'ask = "MEAS:VOLT?;OUTP ON"', "is no question"),
        ('ask = "MEAS:VOLT?"', 'ask = "MEAS:VOLT?\\nOUTP ON"', "is no question"),
        ('ask = "MEAS:VOLT?"', 'ask = "MEAS:VOLT? \\nOUTP ON"', "is no question"),
        ('ask = "MEAS:VOLT?"', 'ask = "*TST?"', "question that acts"),
        ('ask = "MEAS:VOLT?"', 'ask = ":CAL:ALL?"', "question that acts"),
        ('ask = "MEAS:VOLT?"', 'ask = "MEAS:VOLT?;*CAL?"', "question that acts"),
    ],
)
def test_what_a_bench_file_may_not_say(old: str, new: str, says: str) -> None:
    written = text(Path("/dev/a"), Path("/dev/b"))
    assert old in written
    with pytest.raises(BenchFileError, match=says):
        parse_bench(written.replace(old, new, 1), Path("b.toml"))


@pytest.mark.parametrize(
    "off", ["OUTP OFF", "OUTP 0", ":OUTPut:STATe OFF", "OUTP2 OFF", "outp off,(@1,2)", "SOUR:OUTP OFF"]
)
def test_commands_that_only_cut(off: str) -> None:
    written = text(Path("/dev/a"), Path("/dev/b")).replace('off = "OUTP OFF"', f'off = "{off}"', 1)
    spec = parse_bench(written, Path("b.toml")).sources["psu"]
    assert spec.model_dump()["supply"]["off"] == off


@pytest.mark.parametrize("ask", ["MEAS:VOLT? (@1)", "READ?", ":FETC?", "MEAS:VOLT?;:MEAS:CURR?", "CURR? MAX"])
def test_questions_that_only_ask(ask: str) -> None:
    written = text(Path("/dev/a"), Path("/dev/b")).replace('ask = "MEAS:VOLT?"', f'ask = "{ask}"', 1)
    assert parse_bench(written, Path("b.toml")).sources["psu"].model_dump()["queries"][0]["ask"] == ask
