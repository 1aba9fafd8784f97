"""The virtual bench as a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest
import serial

from daq.errors import PortError
from daq.sources.virtual_bench import VirtualBenchProcess, has_pty
from daq.sources.virtual_bench.__main__ import main
from tests.sources.virtual_bench.helpers import frames, hellos, wait_for

COMMAND = [sys.executable, "-m", "daq.sources.virtual_bench"]


def lines_of(port: str, count: int) -> list[bytes]:
    with serial.serial_for_url(port, timeout=20) as line:
        return [line.read_until(b"\n") for _ in range(count)]


@pytest.mark.parametrize("tcp", [None, 0] if has_pty() else [0])
def test_it_starts_speaks_and_ends(tcp: int | None, tmp_path: Path) -> None:
    link = tmp_path / "head" if tcp is None else None
    with VirtualBenchProcess(speed=20.0, link=link, meter=True, tcp=tcp) as bench:
        assert set(bench.ports) == {"head", "meter"}
        assert bench.port == (str(link) if link else bench.ports["head"])
        readings = frames(lines_of(bench.port, 20)[1:])
        assert len(readings) >= 18
        pid = bench.pid
        assert psutil.pid_exists(pid)
    assert not bench.running
    assert not psutil.pid_exists(pid)
    assert list(tmp_path.iterdir()) == []


def test_events_through_its_standard_input() -> None:
    with VirtualBenchProcess("settles", speed=20.0, tcp=0) as bench:
        bench.happen("restart")
        bench.happen("dead.flow")
        with serial.serial_for_url(bench.port, timeout=20) as line:
            seen: list[bytes] = []

            def dead() -> bool:
                seen.append(line.read_until(b"\n"))
                readings = frames(seen[-1:]) if len(seen) > 1 else []
                return bool(readings and readings[0].fields["flow"] == 0.0)

            wait_for(dead, "the flow meter to die")
            bench.happen("restart")
            wait_for(lambda: bool(hellos([line.read_until(b"\n")])), "a hello")


def test_the_same_seed_says_the_same_in_another_process() -> None:
    collected: list[dict[bytes, bytes]] = []
    for _ in range(2):
        with VirtualBenchProcess(seed=11, speed=5.0, tcp=0) as bench:
            # Which frames a reader meets is up to the machine; those that both met must be the same.
            lines = [line for line in lines_of(bench.port, 100)[1:] if line.startswith(b"seq=")]
            collected.append({line.split(b" ", 1)[0]: line for line in lines})
    both = collected[0].keys() & collected[1].keys()
    assert len(both) > 10
    assert all(collected[0][seq] == collected[1][seq] for seq in both)


def test_it_ends_when_its_parent_is_gone() -> None:
    process = subprocess.Popen([*COMMAND, "--tcp", "0"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdin is not None
    assert process.stdout is not None
    json.loads(process.stdout.readline())
    process.stdin.close()  # as the end of a parent closes it
    assert process.wait(20) == 0
    process.stdout.close()


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"] if os.name == "posix" else [])
def test_it_ends_on_a_signal(name: str) -> None:
    # Standard input that is no pipe says nothing of anyone's wishes.
    process = subprocess.Popen([*COMMAND, "--tcp", "0"], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
    assert process.stdout is not None
    output = json.loads(process.stdout.readline())
    assert output["pid"] == process.pid
    assert len(lines_of(output["port"], 3)) == 3
    process.send_signal(getattr(signal, name))
    assert process.wait(20) == 0
    process.stdout.close()


def test_it_ends_at_the_end_of_its_duration() -> None:
    done = subprocess.run(
        [*COMMAND, "--tcp", "0", "--speed", "100", "--duration", "5"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=60,
        check=True,
    )
    assert json.loads(done.stdout)["speed"] == 100.0


def test_faults_on_the_command_line() -> None:
    with (
        VirtualBenchProcess(
            speed=50.0, tcp=0, faults=["open.temp@1", "meter:dead.room@1"], meter=True
        ) as bench,
        serial.serial_for_url(bench.port, timeout=20) as line,
    ):
        line.read_until(b"\n")

        def tripped() -> bool:
            readings = frames([line.read_until(b"\n")])
            return bool(readings and readings[0].fields["trip"] == 4.0)

        wait_for(tripped, "the head to trip by its sensor's fault")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--scenario", "nowhere"], "neither a scenario nor a file"),
        (["--fault", "explode@5"], "no such event"),
        (["--fault", "meter:unplug@5"], "no such device"),
        (["--speed", "0", "--tcp", "0"], "speed"),
    ],
)
def test_bad_use(arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) in (1, 2)
    assert words in capsys.readouterr().err


def test_a_bench_that_does_not_start_is_said(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(PortError, match="did not start"):
        VirtualBenchProcess("nowhere").start()
    assert "use one of runaway, settles" in capfd.readouterr().err


def test_one_that_has_ended_takes_no_events() -> None:
    bench = VirtualBenchProcess(tcp=0)
    with pytest.raises(PortError, match="not been started"):
        bench.happen("fan")
    with bench:
        pass
    with pytest.raises(PortError, match="has ended"):
        bench.happen("fan")
