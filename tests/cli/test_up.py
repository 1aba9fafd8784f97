"""Keeping children running: how soon a dead one is back, how one is stopped, what a dead parent means."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import FastAPI

from daq.cli import up
from daq.cli.common import STOP_LINE
from daq.cli.serve import serve_app
from daq.cli.up import Child, supervise
from daq.errors import StoreError

REAL_POPEN = subprocess.Popen


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """When each child was started; every child dies at once with status 3."""
    times: list[float] = []

    def popen(_command: Any, **more: Any) -> Any:
        times.append(time.monotonic())
        return REAL_POPEN([sys.executable, "-S", "-c", "raise SystemExit(3)"], **more)

    monkeypatch.setattr(subprocess, "Popen", popen)
    return times


def test_a_dead_child_is_back_at_once_three_times_and_then_after_growing_pauses(
    started: list[float], capfd: pytest.CaptureFixture[str]
) -> None:
    stop, deaths = threading.Event(), []
    child = Child("reader", ["read", "bench.toml"])
    found: list[float] = []

    def died(_child: Child, status: int) -> None:
        deaths.append(status)
        found.append(time.monotonic())
        if len(deaths) == 6:
            stop.set()

    child.on_death = died
    assert supervise([child], stop) == 0
    assert deaths == [3] * 6
    # From the moment it was found dead, so that a loaded machine's start of a process is left out.
    pauses = [again - dead for dead, again in zip(found, started[1:], strict=False)]
    assert max(pauses[:3]) < 0.3
    assert pauses[3] >= 0.4
    assert pauses[4] >= 0.8
    assert capfd.readouterr().err.count("the reader ended with status 3") == 6


def test_a_healthy_while_lets_deaths_be_counted_anew(started: list[float]) -> None:
    child = Child("reader", [])
    for expected in (1, 2, 3, 4):
        child.start()
        assert child.process is not None
        child.process.wait()
        assert child.look(child.started_s + 1.0) == 3
        assert child.deaths == expected
    assert child.next_s == pytest.approx(child.started_s + 1.0 + up.FIRST_PAUSE_S)
    child.start()
    assert child.process is not None
    child.process.wait()
    child.look(child.started_s + up.WELL_AFTER_S + 1.0)
    assert child.deaths == 1
    assert child.next_s == pytest.approx(child.started_s + up.WELL_AFTER_S + 1.0)
    assert len(started) == 5


FOLLOWER = """
import sys
from daq.cli.common import stop_event
with stop_event(stdin_too=True) as stop:
    print("ready", flush=True)
    stop.wait()
    print("parent died" if stop.parent_died else "told to stop", flush=True)
"""


@pytest.fixture
def follower() -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-c", FOLLOWER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=os.environ
    )
    assert process.stdout is not None
    assert process.stdin is not None
    assert process.stdout.readline().strip() == b"ready"
    yield process
    with process:
        pass


def test_the_stop_word_and_a_dead_parent_are_told_apart(follower: subprocess.Popen[bytes]) -> None:
    assert follower.stdin is not None
    assert follower.stdout is not None
    follower.stdin.write(STOP_LINE)
    follower.stdin.flush()
    # Before the input ends: the word is enough.
    assert follower.stdout.readline().strip() == b"told to stop"


def test_input_that_ends_without_the_word_means_that_the_parent_died(
    follower: subprocess.Popen[bytes],
) -> None:
    assert follower.stdin is not None
    assert follower.stdout is not None
    follower.stdin.close()
    assert follower.stdout.readline().strip() == b"parent died"


def test_stopping_a_child_says_the_word(monkeypatch: pytest.MonkeyPatch) -> None:
    says = "import sys; raise SystemExit(7 if sys.stdin.buffer.read() == b'stop\\n' else 8)"
    made: list[subprocess.Popen[bytes]] = []

    def popen(_command: Any, **more: Any) -> Any:
        made.append(REAL_POPEN([sys.executable, "-S", "-c", says], **more))
        return made[-1]

    monkeypatch.setattr(subprocess, "Popen", popen)
    child = Child("reader", [])
    child.start()
    child.stop()
    assert made[0].returncode == 7


def test_a_service_a_part_of_which_died_ends_with_its_cause(
    free_port: int, capfd: pytest.CaptureFixture[str]
) -> None:
    app = FastAPI()
    app.state.closing = threading.Event()
    results: list[int] = []

    def serve() -> None:
        results.append(serve_app(app, "127.0.0.1", free_port, until_stdin_closes=False))

    # Signals are the main thread's: so the part dies in another one.
    def die() -> None:
        try:
            raise StoreError("the disk is gone", place="journal.db")
        except StoreError as exc:
            app.state.failure = exc

    timer = threading.Timer(0.5, die)
    timer.start()
    serve()
    timer.join()
    assert results == [1]
    assert app.state.closing.is_set()
    complaint = capfd.readouterr().err
    assert "the service ends: journal.db: the disk is gone" in complaint
    assert "in die" in complaint, "with the place where it happened"


def test_a_service_that_is_told_to_stop_ends_well(free_port: int) -> None:
    app = FastAPI()
    app.state.closing = threading.Event()
    # The word that `up` says, on this process's own standard input.
    read_end, write_end = os.pipe()
    kept = os.dup(0)
    os.dup2(read_end, 0)
    try:
        os.write(write_end, STOP_LINE)
        assert serve_app(app, "127.0.0.1", free_port, until_stdin_closes=True) == 0
    finally:
        os.dup2(kept, 0)
        for number in (kept, read_end, write_end):
            os.close(number)
    assert app.state.closing.is_set()
