"""`lyewatch check` shows what was heard of each kind of instrument, and what was made of it."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daq.cli import main
from tests.mosquitto import Mosquitto
from tests.sources.peers import PtyPeer

BENCH = """
[bench]
name = "b"

[stack]
cells = 6
plate_area_cm2 = 150.0
electrolyte = "KOH"
mass_fraction = 0.2
litres = 0.8
steel_kg = 1.2

[supply]
mode = "constant_voltage"
volts_max = 14.5
amps_max = 30.0
trip_source = "head"

[site]
altitude_m = 0
"""

METER = """
[sources.head]
kind = "recording"
port = "{folder}/head.csv"

[sources.meter]
kind = "text"
port = "{folder}/port"
pattern = 'DC (?P<volts>\\S+) V'
rate_hz = 20.0

[channels.relay]
source = "head"
field = "relay"
unit = "1"

[channels.volts]
source = "meter"
field = "volts"
unit = "V"
"""


@contextmanager
def saying(peer: PtyPeer, data: bytes) -> Iterator[None]:
    """The device says `data` over and over."""
    done = threading.Event()

    def say() -> None:
        while not done.wait(0.05):
            peer.say(data)

    thread = threading.Thread(target=say)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    (tmp_path / "head.csv").write_text("elapsed_s,relay\n0,1\n0.1,1\n", encoding="utf-8")
    file = tmp_path / "bench.toml"
    file.write_text(BENCH + METER.format(folder=tmp_path), encoding="utf-8")
    return file


def test_lines_that_match_and_lines_that_do_not(
    bench_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    with saying(peer, b"DC 12.5 V\r\nrange changed\r\nDC OL V\r\nDC 12.5 V\r\n"):
        status = main(["check", str(bench_file), "--for", "2s"])
    printed = capsys.readouterr().out
    assert status == 1  # some lines do not match
    assert "volts=12.5" in printed
    assert "the line does not match the pattern" in printed
    assert "over range, or no number" in printed
    with saying(peer, b"DC 12.5 V\r\n"):
        assert main(["check", str(bench_file), "--for", "2s", "--json"]) == 0
    peer.close()
    found = json.loads(capsys.readouterr().out)
    assert found["broker"] is None
    (_, meter) = found["sources"]
    assert meter["heard"][0] == {"asked": "", "text": "DC 12.5 V", "taken": "volts=12.5", "problem": ""}
    assert meter["channels"][0]["value"] == "12.5 V"


@pytest.mark.server
def test_the_broker_that_is_published_to_is_looked_at(
    bench_file: Path, tmp_path: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    with bench_file.open("a", encoding="utf-8") as file:
        file.write(f'\n[broker]\nhost = "127.0.0.1"\nport = {free_port}\n')
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    with saying(peer, b"DC 12.5 V\r\n"):
        assert main(["check", str(bench_file), "--for", "1s"]) == 1
        assert "see that the broker runs there" in capsys.readouterr().out
        broker = Mosquitto(tmp_path / "broker", free_port)
        broker.start()
        try:
            assert main(["check", str(bench_file), "--for", "1s"]) == 0
        finally:
            broker.kill()
    peer.close()
    assert f"broker 127.0.0.1:{free_port}: it lets this bench in" in capsys.readouterr().out
