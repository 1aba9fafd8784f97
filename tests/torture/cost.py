"""Byte in to event at a client, and what reader and service take of the machine while nobody looks."""

from __future__ import annotations

import json
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx2 as httpx
import numpy as np
import psutil

from tests.torture.head import NumberedHead
from tests.torture.rig import Up, bench_file
from tests.waiting import wait_until

__all__ = ["Cost", "Latency", "idle_cost", "latency"]


@dataclass(slots=True)
class Latency:
    """From the first byte of a frame on the line to the event at the client [ms]."""

    frames: int
    p50_ms: float
    p99_ms: float
    max_ms: float
    missed: int


@dataclass(slots=True)
class Cost:
    """Reader and service together, at ten frames a second and with no page open.

    `cpu_share` is of one core [1], their sealing processes included; `pss_mib` their proportional set size
    [MiB].
    """

    seconds: float
    cpu_share: float
    reader_share: float
    service_share: float
    pss_mib: float
    reader_mib: float
    service_mib: float


@contextmanager
def _running() -> Iterator[tuple[Up, NumberedHead]]:
    base = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(prefix="cost-", dir=base) as place:
        folder = Path(place)
        with NumberedHead(folder / "head") as head, Up(bench_file(folder, head.link, folder / "store")) as up:
            assert head.wait_beat_of_next_session(up.began_s, 60.0) is not None, up.lines
            assert up.wait_served(), up.lines
            yield up, head


def latency(frames: int) -> Latency:
    """Follow the page's stream until so many frames have come."""
    seen: dict[int, float] = {}
    ready, enough = threading.Event(), threading.Event()

    with _running() as (up, head):

        def listen() -> None:
            name = ""
            url = f"http://127.0.0.1:{up.port}/api/stream"
            with httpx.stream("GET", url, timeout=30.0, trust_env=False) as answer:
                ready.set()
                for line in answer.iter_lines():
                    if line.startswith("event: "):
                        name = line[7:]
                    elif line.startswith("data: ") and name == "samples":
                        now = time.monotonic()
                        for row in json.loads(line[6:])["rows"]:
                            if row["source"] == "head":
                                seen.setdefault(_seq(row["v"]["watts"], head.seq), now)
                    if len(seen) >= frames or enough.is_set():
                        return

        thread = threading.Thread(target=listen, daemon=True)
        thread.start()
        wait_until(ready.is_set, "the stream opens", timeout_s=30.0)
        since = head.seq + 5  # what came before the stream was open is sent at once, late as it is
        thread.join(frames / head.rate_hz + 60.0)
        enough.set()
        # The head writes down what it has sent after it has sent it.
        wait_until(lambda: max(seen) in head.frames, "the head to note its last frame")
        sent = {seq: head.frames[seq].at_s for seq in seen if seq >= since}
        last = max(seen)
    delays = np.array([(seen[seq] - at) * 1e3 for seq, at in sent.items()])
    p50, p99 = np.percentile(delays, [50, 99])
    return Latency(delays.size, float(p50), float(p99), float(delays.max()), last - since + 1 - delays.size)


def _seq(watts: float, newest: int) -> int:
    """The number of the frame that said so: it sends its number's last three digits as its watts."""
    return newest - (newest - round(watts)) % 1000


def idle_cost(seconds: float, settle_s: float = 20.0) -> Cost:
    """Let both run for so long [s], after they have settled, and look at what they took."""
    with _running() as (up, _):
        time.sleep(settle_s)
        processes = {name: up.wait_child(name) for name in ("read", "serve")}
        before = {name: _cpu_s(p) for name, p in processes.items()}
        began = time.monotonic()
        time.sleep(seconds)
        took = time.monotonic() - began
        share = {name: (_cpu_s(p) - before[name]) / took for name, p in processes.items()}
        pss = {name: p.memory_full_info().pss / 2**20 for name, p in processes.items()}
    return Cost(
        took, sum(share.values()), share["read"], share["serve"], sum(pss.values()), pss["read"], pss["serve"]
    )


def _cpu_s(process: psutil.Process) -> float:
    times = process.cpu_times()
    return float(times.user + times.system + times.children_user + times.children_system)
