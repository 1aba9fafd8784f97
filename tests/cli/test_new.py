"""`lyewatch new`: what it recognises on real ports, what it sends there, and the file that comes of it."""

from __future__ import annotations

import argparse
import codecs
import os
import re
import shlex
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daq.bench import LineSpec, ModbusSpec, MqttSpec, ScpiSpec, TextSpec, load_bench
from daq.cli import build_parser, main, new
from daq.cli.new_find import wanted_port
from daq.errors import UsageError
from daq.sources.wire import encode_frame
from tests.mosquitto import Mosquitto, Node
from tests.sources.asked_peer import ModbusDevice, ScpiInstrument
from tests.sources.peers import PtyPeer, TcpPeer
from tests.waiting import wait_until

FACTS = (
    *("--cells", "6", "--plate-area-cm2", "150", "--litres", "0.8"),
    *("--volts-max", "14.5", "--amps-max", "30", "--altitude-m", "240"),
)


class Noting(PtyPeer):
    """A pseudo-terminal's far end that keeps every byte it was sent, and when the first came."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.got = b""
        self.first_s: float | None = None

    def heard(self) -> bytes:
        taken = super().heard()
        if taken and self.first_s is None:
            self.first_s = time.monotonic()
        self.got += taken
        return taken


class Streaming:
    """Says one line after another until it ends."""

    def __init__(self, peer: PtyPeer | TcpPeer, *, line: bytes | None = None) -> None:
        self.peer, self._line = peer, line
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._say)
        peer.plug()
        self._thread.start()

    def _say(self) -> None:
        n = 0
        while not self._ending.wait(0.05):
            n += 1
            if isinstance(self.peer, TcpPeer) and not self.peer.connected:
                continue
            fields = {"volts": 12.31, "amps": 8.1, "temp": 41.25, "relay": 1, "trip": 0, "odd": 3}
            try:
                self.peer.say(self._line or encode_frame(n, n * 50, fields))
            except OSError:
                continue  # the reader has just gone

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        self.peer.close()


@pytest.mark.parametrize("answer", ["0,8", "12", "=", "3.5 %"])
def test_an_answer_to_another_question_is_no_port(answer: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="is no port"):
        wanted_port(answer)


@pytest.fixture
def head(tmp_path: Path) -> Iterator[Noting]:
    peer = Noting(tmp_path / "head")
    streaming = Streaming(peer)
    yield peer
    streaming.close()


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    return tmp_path / "bench.toml"


def make(file: Path, *more: str) -> int:
    return main(["new", str(file), "--no-input", "--listen", "600ms", *FACTS, *more])


def test_four_kinds_are_recognised_and_the_file_is_accepted(
    head: Noting, bench_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = Noting(tmp_path / "meter")
    meter = Streaming(text, line=b"T1: 24.5 C\r\n")
    lines = [Noting(tmp_path / "psu"), Noting(tmp_path / "bus")]
    supply = ScpiInstrument(lines[0])
    supply.answers = {"MEAS:VOLT?": "1.2345E+01"}
    supply.plug()
    bus = ModbusDevice(lines[1])
    bus.hold(2, 0, 0x41C8, 0)  # 25.0 as IEEE 754 single precision
    bus.dead = {1, 3, 4, 5, 6, 7, 8}
    bus.plug()
    began = time.monotonic()
    try:
        status = make(
            bench_file,
            *("--port", f"head={tmp_path}/head", "--port", f"{tmp_path}/meter"),
            *("--port", f"psu={tmp_path}/psu@9600", "--port", f"bus={tmp_path}/bus@9600", "--units", "1-2"),
            *(
                "--query",
                "psu.supply_volts=MEAS:VOLT?",
                "--query",
                "psu.supply_amps=MEAS:CURR?",
                "--cuts",
                "psu",
            ),
            *("--register", "bus.gas_temp=2:holding:0:f32", "--channel", "room_temp=meter.t1"),
        )
        assert status == 0
        # Only listened to: those that speak unasked. Asked: those that do not, and not before they were
        # listened to.
        head.heard()
        text.heard()
        assert (head.got, text.got) == (b"", b"")
        assert set(supply.heard) == {"*IDN?", "MEAS:VOLT?", "MEAS:CURR?"}
        assert supply.output
        assert {function for _, function in bus.heard} == {3}
        assert bus.peer.url == str(tmp_path / "bus")
        assert lines[1].got.startswith(b"*IDN?\n")
        assert min(p.first_s or 0.0 for p in lines) - began >= 0.3
        bench = load_bench(bench_file)
        kinds = {n: type(s) for n, s in bench.sources.items()}
        assert kinds == {"head": LineSpec, "meter": TextSpec, "psu": ScpiSpec, "bus": ModbusSpec}
        assert (bench.supply.trip_source, bench.supply.second_cut) == ("head", "psu")
        assert bench.channels["lye_temp"].resolution == 0.01
        assert bench.channels["supply_volts"].unit == "V"
        assert "# Heard, and not recorded: head.odd." in bench.text
        assert bench.limits["lye_temp"].trip == 65.0
        capsys.readouterr()
        assert main(["check", str(bench_file), "--for", "1500ms"]) == 0, capsys.readouterr().out
        printed = capsys.readouterr().out
        for shown in ("41.25 degC", "24.5 degC", "12.35 V", "25 degC"):
            assert shown in printed
    finally:
        meter.close()
        supply.close()
        bus.close()


def test_sockets_are_recognised_too(
    bench_file: Path, free_ports: Callable[[], int], capsys: pytest.CaptureFixture[str]
) -> None:
    ports = [free_ports() for _ in range(3)]
    streaming = Streaming(TcpPeer(ports[0]))
    supply, bus = ScpiInstrument(TcpPeer(ports[1])), ModbusDevice(TcpPeer(ports[2]), tcp=True)
    supply.plug()
    bus.hold(1, 7, 423)
    bus.plug()
    try:
        status = make(
            bench_file,
            *(
                "--port",
                f"head=socket://127.0.0.1:{ports[0]}",
                "--port",
                f"psu=socket://127.0.0.1:{ports[1]}",
            ),
            *("--port", f"bus=tcp://127.0.0.1:{ports[2]}", "--units", "1"),
            *("--query", "psu.supply_amps=MEAS:CURR?", "--register", "bus.gas_flow=1:input:7:u16:0.001"),
        )
        assert status == 0
    finally:
        streaming.close()
        supply.close()
        bus.close()
    bench = load_bench(bench_file)
    assert [s.kind for s in bench.sources.values()] == ["line", "scpi", "modbus"]
    assert bench.channels["gas_flow"].source == "bus"
    assert {function for _, function in bus.heard} <= {3, 4}
    assert "gas_flow = 0.423" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "--port"),
        (
            ["--port", "{head}", "--channel", "lye_temp=head.t9"],
            "head says volts, amps, temp, relay, trip, odd",
        ),
        (["--port", "{head}", "--cuts", "head"], "is no SCPI instrument"),
        (["--port", "{head}", "--cuts", "psu"], "no such source was found; found: head"),
        (
            ["--port", "{head}", "--trip-source", "psu"],
            "can not cut the supply (found 'psu'); use one of head",
        ),
        (["--port", "{head}", "--warn", "70", "--high", "60"], "warn = 70.0 is not below high = 60.0"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_written(
    head: Noting, bench_file: Path, arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    filled = [a.format(head=head.url) for a in arguments] or ["--port", f"{head.url}-not-there"]
    assert make(bench_file, *filled) in (1, 2)
    complaint = capsys.readouterr().err
    assert "lyewatch: " in complaint
    assert says in complaint or "there is no such port" in complaint
    assert list(bench_file.parent.glob("*.toml*")) == []


@pytest.mark.parametrize(
    ("flag", "value", "says"),
    [
        ("--cells", "0", "whole number from 1 to 500"),
        ("--electrolyte", "salt", "KOH, NaOH"),
        ("--query", "psu.volts=OUTP ON", "is no question"),
        ("--query", "psu.volts=*TST?", "is a question that acts"),
        ("--register", "bus.volts=1:coil:0:bit", "its function is holding or input"),
        ("--channel", "lye_temp=head.temp:V", "is no unit of temperature of the lye"),
        ("--units", "0-4", "whole number from 1 to 247"),
    ],
)
def test_a_flag_is_checked_before_any_port_is_opened(
    bench_file: Path, flag: str, value: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        make(bench_file, "--port", "no-such-port", flag, value)
    assert left.value.code == 2
    complaint = capsys.readouterr().err
    assert says in complaint
    assert f"argument {flag}" in complaint


def test_without_a_person_the_flags_that_matter_are_asked_for_at_once(
    bench_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(bench_file), "--no-input", "--cells", "6"]) == 2
    complaint = capsys.readouterr().err
    assert "--plate-area-cm2, --litres, --volts-max, --amps-max, --altitude-m: is not said" in complaint


def test_a_file_that_is_there_is_replaced_only_when_told(
    head: Noting, bench_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench_file.write_text("mine", encoding="utf-8")
    assert make(bench_file, "--port", head.url) == 2
    assert "is there already, and is left as it is" in capsys.readouterr().err
    assert bench_file.read_text(encoding="utf-8") == "mine"
    assert make(bench_file, "--port", head.url, "--force") == 0
    assert load_bench(bench_file).name == "bench"
    assert make(bench_file.parent / "nowhere" / "b.toml", "--port", head.url) == 2
    assert "its folder does not exist" in capsys.readouterr().err


def test_a_file_that_appears_meanwhile_is_kept_and_no_half_file_stays(
    bench_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench_file.write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="has appeared meanwhile"):
        new._write(bench_file, "other", replace=False)

    def broken_off(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "link", broken_off)
    with pytest.raises(KeyboardInterrupt):
        new._write(bench_file.parent / "second.toml", "text", replace=False)
    assert [p.name for p in bench_file.parent.iterdir()] == ["bench.toml"]
    assert bench_file.read_text(encoding="utf-8") == "mine"


@pytest.mark.server
def test_a_node_on_a_broker_becomes_a_source(
    head: Noting, bench_file: Path, tmp_path: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    broker = Mosquitto(tmp_path / "broker", free_port)
    broker.start()
    node, ending = Node(free_port), threading.Event()

    def publish() -> None:
        while not ending.wait(0.1):
            node.publish("bench/shed", b'[{"n":"room","u":"Cel","v":21.5},{"n":"odd","v":1}]')

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        shed = ("--port", f"shed=mqtt://127.0.0.1:{free_port}/bench/shed")
        assert make(bench_file, "--port", f"{tmp_path}/head", *shed, "--listen", "3s") == 0
        spec = load_bench(bench_file).sources["shed"]
        assert isinstance(spec, MqttSpec)
        assert (spec.topic, spec.format, spec.number) == ("bench/shed", "senml", free_port)
        room = load_bench(bench_file).channels["room_temp"]
        assert (room.source, room.field, room.unit) == ("shed", "room", "degC")
        assert make(tmp_path / "other.toml", "--port", f"mqtt://127.0.0.1:{free_port}/nothing") == 2
    finally:
        ending.set()
        thread.join(20)
        node.close()
        broker.kill()
    assert "no node published" in capsys.readouterr().err


def test_without_anybody_who_can_cut_no_file_is_made(
    bench_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    meter = Streaming(Noting(tmp_path / "meter"), line=b"12.3 V\r\n")
    try:
        assert make(bench_file, "--port", str(tmp_path / "meter")) == 2
    finally:
        meter.close()
    assert "nothing that was found can cut the supply" in capsys.readouterr().err
    assert not bench_file.exists()


class Terminal:
    """A person at a terminal: waits for a question and answers it."""

    def __init__(self, *arguments: str) -> None:
        self._master, slave = os.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daq", *arguments],
            stdin=slave, stdout=slave, stderr=slave, env={**os.environ, "COLUMNS": "200", "TERM": "dumb"},
        )  # fmt: skip
        os.close(slave)
        self.screen = ""
        self._seen = 0
        self._decoder = codecs.getincrementaldecoder("utf-8")()  # a read may end within a character

    def await_text(self, text: str) -> None:
        try:
            wait_until(lambda: self._look() and text in self.screen[self._seen :], repr(text), timeout_s=60)
        except AssertionError as error:
            error.add_note(f"on the screen: {self.screen}")
            raise
        self._seen = self.screen.index(text, self._seen) + len(text)

    def _look(self) -> bool:
        os.set_blocking(self._master, False)
        try:
            self.screen += self._decoder.decode(os.read(self._master, 65536))
        except OSError:
            pass  # nothing more just now, or it has ended
        return True

    def answer(self, question: str, text: str = "") -> None:
        self.await_text(question)
        os.write(self._master, f"{text}\n".encode())

    def status(self) -> int:
        wait_until(lambda: self._look() and self.process.poll() is not None, "its end", timeout_s=60)
        os.close(self._master)
        return self.process.wait()


def test_a_person_is_asked_and_each_answer_is_checked_at_once(
    bench_file: Path, free_ports: Callable[[], int]
) -> None:
    ports = [free_ports(), free_ports()]
    streaming, supply = Streaming(TcpPeer(ports[0])), ScpiInstrument(TcpPeer(ports[1]))
    supply.plug()
    there = Terminal("new", str(bench_file), "--listen", "2s", "--lead-milliohms", "3")
    try:
        there.answer("Which are on the bench?", " ".join(f"socket://127.0.0.1:{p}" for p in ports))
        there.answer("A name for it [head]", "Head 1")
        there.await_text("'Head 1' is no name")
        there.answer("A name for it [head]")
        there.answer("volts = 12.31: which channel?")
        there.answer("unit of volts [V]", "degC")
        there.await_text("is no unit of voltage across the stack")
        there.answer("unit of volts [V]")
        there.answer("amps = 8.1: which channel?", "-")
        there.answer("temp = 41.25: which channel?")
        there.answer("unit of lye_temp [degC]")
        there.answer("relay = 1: which channel?")
        there.answer("odd = 3: which channel?", "-")
        there.answer("is silent. Ask who it is")
        there.answer("A name for it [instrument]", "psu")
        there.answer("Query (- for no more)", "OUTP ON")
        there.await_text("is no question")
        there.answer("Query (- for no more)", "MEAS:CURR?")
        there.answer("its field [amps]")
        there.await_text("MEAS:CURR? -> 8.0000E+00 -> 8")
        there.answer("Query (- for no more) [-]")
        there.answer("switched off (OUTP OFF) at a trip? [no]", "yes")
        there.answer("amps = 8 A: which channel?")
        there.answer("Who cuts the supply at a trip? (head, psu) [head]")
        for question in ("Name of the bench [bench]", "Name of the stack", "Its build"):
            there.answer(question)
        there.answer("Cells: gaps in series between the powered plates [6]", "six")
        there.await_text("whole number from 1 to 500")
        there.answer("Cells", "7")
        for question in ("Wetted area", "Electrolyte", "% by mass", "litres", "Steel", "Supply: constant"):
            there.answer(question)
        there.answer("The most volts that the supply can give [16.8]", "16")
        there.answer("The most amps")
        there.answer("Volts it is set to [15.4]", "20")
        there.await_text("20 is more than the supply can give, 16")
        there.answer("Volts it is set to")
        there.answer("Altitude", "240")
        there.answer("room temperature")
        there.answer("warn at, degC [50]", "48")
        there.answer("alarm at, degC [60]", "45")
        there.await_text("45 is not above 48")
        there.answer("alarm at, degC [60]")
        there.answer("cut the supply at, degC [65]")
        there.answer("How often are instruments to be asked")
        assert there.status() == 0, there.screen
    finally:
        there.process.kill()
        streaming.close()
        supply.close()
    bench = load_bench(bench_file)
    assert (bench.stack.cells, bench.supply.volts_max, bench.supply.lead_milliohms) == (7, 16.0, 3.0)
    assert list(bench.channels) == ["volts", "lye_temp", "relay", "amps"]
    assert (bench.supply.trip_source, bench.supply.second_cut) == ("head", "psu")
    assert set(supply.heard) == {"*IDN?", "MEAS:CURR?"}


def test_breaking_off_leaves_nothing_behind(
    bench_file: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    asked = []
    # A process started in the background ignores the key, and Python with it.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    request.addfinalizer(lambda: signal.signal(signal.SIGINT, before))

    def interrupted(question: str) -> str:
        asked.append(question)
        if len(asked) > 1:
            signal.raise_signal(signal.SIGINT)
        return "no-such-port"

    monkeypatch.setattr(new, "at_a_terminal", lambda: True)
    monkeypatch.setattr("builtins.input", interrupted)
    assert main(["new", str(bench_file)]) == 2  # nothing is found there
    assert main(["new", str(bench_file)]) == 130
    assert list(bench_file.parent.iterdir()) == []


def test_the_readmes_command_is_understood() -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"\$ lyewatch (new .*?)```", text, re.DOTALL)
    args = build_parser().parse_args(shlex.split(command.replace("\\\n", " ")))
    assert [(w.name, w.port) for w in args.port][1] == ("psu", "socket://127.0.0.1:5025")
    assert args.cuts == ["psu"]
