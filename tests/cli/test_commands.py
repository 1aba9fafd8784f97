"""The command line: exit status, help, and what each command says."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from daq.bench import load_bench
from daq.cli import COMMANDS, build_parser, main
from daq.cli.common import seconds
from daq.cli.demo import demo_bench_text
from daq.quantity import duration_words
from daq.sources.virtual_bench import VirtualBenchProcess
from daq.store import Store
from tests.bench.rig import wait_until

ROOT = Path(__file__).parents[2]


@pytest.fixture
def bench_file(tmp_path: Path) -> Path:
    """A bench whose one port is a virtual stack's; the port is made by the test."""
    file = tmp_path / "bench.toml"
    file.write_text(demo_bench_text(str(tmp_path / "port"), service_port=0), encoding="utf-8")
    return file


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main([command, "--help"])
    assert left.value.code == 0
    assert "usage: lyewatch" in capsys.readouterr().out


def test_every_command_is_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in COMMANDS:
        assert re.search(rf"`(lyewatch )?{command}\b|lyewatch {command}\b|make {command}\b", text), command
    for command in re.findall(r"(?:`|^ {4})lyewatch ([a-z]+)\b", text, re.MULTILINE):
        assert command in COMMANDS


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["check", "no-such.toml"], 2, "can not be read"),
        (["read", "no-such.toml"], 2, "can not be read"),
        (["up", "no-such.toml"], 2, "can not be read"),
        (["check"], 2, "no bench file is given"),
        (["runs", "--store", "no-such-store"], 2, "holds no runs"),
        (["review", "latest", "--store", "no-such-store"], 2, "holds no runs"),
        (["import", "no.csv", "--bench", "no-such.toml"], 2, "can not be read"),
        (["reviw", "latest"], 2, "reviw: is no command; did you mean `lyewatch review`?"),
        (["frobnicate"], 2, "frobnicate: is no command; The commands are demo, up, read"),
    ],
)
def test_bad_use_is_answered_with_place_and_remedy(
    arguments: list[str], status: int, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == status
    complaint = capsys.readouterr().err
    assert complaint.startswith("lyewatch: ")
    assert says in complaint


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["serve", "bench.toml", "--port", "99999"], "'99999' is no port: write a number from 0 to 65535"),
        (["up", "bench.toml", "--port", "-1"], "'-1' is no port"),
        (["demo", "--port", "eighty"], "'eighty' is no port"),
        (["fleet", "fleet.toml", "--port", "65536"], "'65536' is no port"),
        (["card", "latest", "--png", "c.jpg"], "'c.jpg' ends in .jpg, and the picture is a PNG: write c.png"),
        (["review", "latest", "--png", "c.pdf"], "write c.png"),
        (["compare", "a", "b", "--png", "c.svg"], "write c.png"),
        (["plan", "--png", "c.jpeg"], "write c.png"),
    ],
)
def test_a_flag_that_can_not_be_meant_is_refused_before_anything_is_done(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert says in capsys.readouterr().err


def test_a_run_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Store(tmp_path / "s").close()
    assert main(["review", "20200101", "--store", str(tmp_path / "s")]) == 1
    assert "no such run" in capsys.readouterr().err
    assert main(["runs", "--store", str(tmp_path / "s")]) == 0
    assert "No runs yet" in capsys.readouterr().out


def test_the_example_is_a_bench_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--example"]) == 0
    file = tmp_path / "bench.toml"
    file.write_text(capsys.readouterr().out, encoding="utf-8")
    assert main(["check", str(file), "--file-only", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ok"] is True


def test_ports_are_listed_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ports", "--json"]) == 0
    assert isinstance(json.loads(capsys.readouterr().out), list)


def test_check_shows_the_first_frames(bench_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with VirtualBenchProcess("settles", link=bench_file.parent / "port"):
        assert main(["check", str(bench_file), "--for", "1s", "--json"]) == 0
        result = json.loads(capsys.readouterr().out)["sources"][0]
        assert result["frames"] >= 5
        assert {c["channel"]: c["status"] for c in result["channels"]}["lye_temp"] == "good"
        assert result["counters"]["commands_sent"] == 0, "a check sends no command"
        assert main(["check", str(bench_file), "--for", "1s"]) == 0
        assert "everything the bench file names is there" in capsys.readouterr().out


def test_check_says_what_is_wrong(bench_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(bench_file), "--for", "0.5s"]) == 1, "nobody is on the port"
    assert "wrong:" in capsys.readouterr().out
    text = bench_file.read_text().replace('field = "temp"', 'field = "tempp"')
    bench_file.write_text(text)
    with VirtualBenchProcess("settles", link=bench_file.parent / "port"):
        assert main(["check", str(bench_file), "--for", "1s"]) == 1
    printed = capsys.readouterr().out
    assert "hold no field 'tempp'" in printed
    assert "temp" in printed


def test_up_keeps_both_running_and_stops_both(bench_file: Path) -> None:
    with VirtualBenchProcess("settles", link=bench_file.parent / "port"):
        up = subprocess.Popen(
            [sys.executable, "-m", "daq", "up", str(bench_file)], stderr=subprocess.PIPE, text=True
        )
        try:
            whole = psutil.Process(up.pid)
            wait_until(lambda: len(_children(whole)) == 2, "reader and service start")
            store_folder = load_bench(bench_file).store_folder
            wait_until(lambda: _samples(store_folder), "samples are recorded")
            killed = _children(whole)["read"]
            killed.kill()
            wait_until(lambda: _children(whole).get("read", killed).pid != killed.pid, "another reader")
            before = _samples(store_folder)
            wait_until(lambda: _samples(store_folder) > before, "it goes on recording")
            both = list(_children(whole).values())
            up.send_signal(signal.SIGTERM)
            assert up.wait(30) == 0
            assert not any(child.is_running() for child in both)
        finally:
            if up.poll() is None:
                up.kill()
                up.wait()
            assert up.stderr is not None
            up.stderr.close()
    with Store(store_folder) as store:
        runs = [r for r in store.logbook.list_runs(limit=10) if r.kind == "run"]
        assert len(runs) == 1
        assert runs[0].ended_ns is not None


def _children(process: psutil.Process) -> dict[str, psutil.Process]:
    found: dict[str, psutil.Process] = {}
    for child in process.children():
        try:
            line = child.cmdline()
        except psutil.Error:
            continue
        found.update({name: child for name in ("read", "serve") if name in line})
    return found


def _samples(folder: Path) -> int:
    if not (folder / "journal.db").exists():
        return 0
    with Store(folder) as store:
        return store.last_id()


def test_spans_of_time() -> None:
    assert [seconds(t) for t in ("30s", "5min", "2h", "90", "1.5m", "250ms")] == [30, 300, 7200, 90, 90, 0.25]
    assert [duration_words(s) for s in (0.14, 42.4, 370, 7500)] == [
        "0.1 s",
        "42 s",
        "6 min 10 s",
        "2 h 05 min",
    ]


def test_the_parser_knows_all_commands() -> None:
    text = build_parser().format_help()
    for command in COMMANDS:
        assert command in text
