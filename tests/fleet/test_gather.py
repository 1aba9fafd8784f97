"""Many benches through a real broker to a real server, by the very commands that a workshop runs; a worker is
killed.

In full: LYEWATCH_FLEET_BENCHES=200 LYEWATCH_FLEET_S=60 python -m pytest -s -o timeout=400
tests/fleet/test_gather.py Then the age of samples on the overview and the workers' load are judged too; by
default, on machines that may be busy with anything, only that nothing is lost.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import psutil
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daq.broker import Batch, Topics, encode_batch
from daq.frame import Block
from tests.influx_daemon import InfluxDaemon, path_map_apart
from tests.mosquitto import Mosquitto
from tests.waiting import wait_until

pytestmark = pytest.mark.server

BENCHES = int(os.environ.get("LYEWATCH_FLEET_BENCHES", "30"))
SECONDS = float(os.environ.get("LYEWATCH_FLEET_S", "5"))
FULL = BENCHES >= 200
CHANNELS = ("volts", "amps", "lye_temp", "gas_flow", "room_temp", "gas_temp", "duty", "level")
BROKER = "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 0\n"


class Benches(threading.Thread):
    """Simulated benches: each a sample of eight channels a second, spread over the second, in a batch of its
    own.
    """

    def __init__(self, port: int, number: int) -> None:
        super().__init__(daemon=True)
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        # One link for all: it must not hold back what so many links would not.
        self.client.max_inflight_messages_set(5000)
        self.client.max_queued_messages_set(0)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        wait_until(self.client.is_connected, "the benches to be connected")
        self.names = [f"bench-{k:03d}" for k in range(number)]
        self.sent = 0
        self.late_s: list[float] = []
        """By how much each sample was sent later than it was due: what the rig itself owes."""
        self.stop = threading.Event()

    def run(self) -> None:
        start_ns = time.time_ns()
        begun = time.monotonic()
        turn = 0
        while not self.stop.is_set():
            n, bench = divmod(turn, len(self.names))
            due = begun + n + bench / len(self.names)
            if self.stop.wait(max(0.0, due - time.monotonic())):
                break
            self.late_s.append(time.monotonic() - due)
            t_ns = np.array([time.time_ns() - start_ns])
            values = {c: np.array([bench + k / 8 + n / 1000]) for k, c in enumerate(CHANNELS)}
            block = Block("head", t_ns, np.array([n]), values)
            batch = Batch(
                self.names[bench],
                f"{bench:08x}",
                n + 1,
                "run-1",
                "run",
                start_ns,
                (block,),
                sent_utc_ns=time.time_ns(),
            )
            self.client.publish(Topics(batch.bench).of("samples"), encode_batch(batch), qos=1)
            self.sent += 1
            turn += 1


@contextmanager
def command(*words: str, log: Path, **environ: str) -> Iterator[subprocess.Popen[bytes]]:
    """A command of lyewatch, ended in order by the end of its standard input."""
    with log.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "daq", *words, "--until-stdin-closes"],
            stdin=subprocess.PIPE, stdout=file, stderr=file, env={**os.environ, **environ},
        )  # fmt: skip
    assert process.stdin is not None
    try:
        yield process
    finally:
        process.stdin.close()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def asked(url: str) -> Any:
    with urllib.request.urlopen(url, timeout=20) as answer:
        return json.loads(answer.read())


def pid_of(log: Path, worker: int) -> int | None:
    found = re.findall(rf"worker {worker} is process (\d+)", log.read_text(errors="replace"))
    return int(found[-1]) if found else None


def cpu_s(pids: list[int]) -> float:
    total = 0.0
    for pid in pids:
        with suppress(psutil.NoSuchProcess):
            times = psutil.Process(pid).cpu_times()
            total += times.user + times.system
    return total


@pytest.mark.timeout(400)
def test_nothing_is_lost_when_a_worker_is_killed(tmp_path: Path, free_ports: Callable[[], int]) -> None:
    broker = Mosquitto(tmp_path / "broker", free_ports(), BROKER)
    broker.start()
    influx = InfluxDaemon(tmp_path / "influx")
    influx.query("CREATE DATABASE lyewatch")
    port = free_ports()
    fleet = tmp_path / "fleet.toml"
    gather_log = tmp_path / "gather.txt"
    url = f"http://127.0.0.1:{port}/api/fleet"
    try:
        with ExitStack() as stack:
            front = stack.enter_context(path_map_apart(influx.port))
            fleet.write_text(
                f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[influxdb]\nurl = "{front}"\n'
                f"[gather]\nworkers = 2\n[service]\nport = {port}\n",
                encoding="utf-8",
            )
            stack.enter_context(command("gather", str(fleet), log=gather_log, LYEWATCH_INFLUX_TOKEN="t"))
            stack.enter_context(
                command("fleet", str(fleet), log=tmp_path / "fleet.txt", LYEWATCH_INFLUX_TOKEN="t")
            )
            wait_until(
                lambda: gather_log.read_text(errors="replace").count("gathers from") >= 2,
                "both workers to be at the broker", timeout_s=90,
            )  # fmt: skip
            wait_until(lambda: listening(url), "the overview to listen", timeout_s=90)
            ages, loads = run_benches(url, broker.port, gather_log, influx)
    finally:
        influx.kill()
        broker.kill()
    p99 = float(np.percentile(ages, 99))
    print(f"{BENCHES} benches, {SECONDS:.0f} s: p99 age {p99:.2f} s, workers {loads:.2f} cores together")
    if FULL:
        assert p99 < 2.0
        assert loads < 1.0


def listening(url: str) -> bool:
    try:
        return bool(asked(url)["trouble"] is None)
    except OSError:
        return False


def run_benches(url: str, port: int, log: Path, influx: InfluxDaemon) -> tuple[list[float], float]:
    """Publish for the time, kill a worker half way; the ages seen on the overview, and the workers' load."""
    benches = Benches(port, BENCHES)
    benches.start()
    wait_until(lambda: len(asked(url)["benches"]) == BENCHES, "every bench on the overview", timeout_s=60)
    begun = time.monotonic()
    pids = [pid for pid in (pid_of(log, 1), pid_of(log, 2)) if pid is not None]
    before, spent = cpu_s(pids), 0.0
    ages: list[float] = []
    course: list[str] = []
    killed_s = again_s = 0.0
    polls = 0
    while time.monotonic() < begun + SECONDS or not again_s:
        assert time.monotonic() < begun + SECONDS + 60, "a new worker in vain"
        answer = asked(url)
        polls += 1
        seen = [row["age_s"] for row in answer["benches"]]
        ages += seen
        course.append(f"{time.monotonic() - begun:.1f}:{max(seen):.1f}")
        if not killed_s and time.monotonic() > begun + SECONDS / 2:
            killed_s = time.monotonic()
            spent += cpu_s(pids) - before
            os.kill(pids[0], signal.SIGKILL)
            before = cpu_s([pids[1]])
        if killed_s and not again_s and log.read_text(errors="replace").count("gathers from") > 2:
            again_s = time.monotonic() - killed_s
            pids[0] = pid_of(log, 1) or 0
        time.sleep(0.2)
    spent += cpu_s(pids) - before
    print("oldest sample on the overview, by time [s]:", *course[:: max(1, len(course) // 40)])
    late = np.percentile(benches.late_s, [50, 99, 100])
    print(
        f"killed at {killed_s - begun:.1f} s, its successor at work within {again_s:.2f} s; "
        f"samples sent late by {late[0]:.3f} s (median), {late[1]:.3f} s (p99), {late[2]:.3f} s (most); "
        f"{polls} looks at the overview; load of this machine {os.getloadavg()[0]:.1f}"
    )
    load = spent / (time.monotonic() - begun)
    benches.stop.set()
    benches.join()
    wait_until(
        lambda: sum(row["rows"] for row in asked(url)["benches"]) >= benches.sent,
        "all to be gathered",
        timeout_s=90,
    )
    rows = asked(url)["benches"]
    assert {row["missing_batches"] for row in rows} == {0}
    benches.client.disconnect()
    benches.client.loop_stop()
    answer = json.loads(influx.query('SELECT count("seq") FROM "sample" GROUP BY "bench"', db="lyewatch"))
    counts = {s["tags"]["bench"]: s["values"][0][1] for s in answer["results"][0]["series"]}
    assert sum(counts.values()) == benches.sent, "each sample there once"
    assert set(counts) == set(benches.names)
    one = asked(f"{url}/bench-007/series?seconds=600")["channels"]
    assert set(one) == set(CHANNELS)
    assert len(one["volts"]["lo"]) >= min(100, counts["bench-007"])
    assert max(one["volts"]["hi"]) == pytest.approx(7 + (counts["bench-007"] - 1) / 1000)
    return ages, load
