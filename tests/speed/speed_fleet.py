"""What one batch of a bench costs each part of a fleet, in processor time: broker, worker, overview.

Processor time, because what a machine leaves them differs from run to run: a second of it divided by the cost
is what a core to itself reaches. Only ratios are asserted.
"""

from __future__ import annotations

import gzip
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import orjson
import paho.mqtt.client as mqtt
import psutil
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daq.broker import Batch, Topics, decode_batch, encode_batch
from daq.fleet import Overview
from daq.fleet.digest import Digest, digest_topic
from daq.frame import Block
from daq.store.influxdb import live_lines
from tests.mosquitto import Mosquitto
from tests.waiting import wait_until

MESSAGES, BENCHES, TAKE = 10_000, 20_000, 20
CHANNELS = ("volts", "amps", "lye_temp", "gas_flow", "room_temp", "gas_temp", "duty", "level")
BROKER = "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 0\n"


def batch(bench: str, n: int) -> Batch:
    """A second of a bench at 1 Hz."""
    values = {c: np.array([k + n / 1000]) for k, c in enumerate(CHANNELS)}
    block = Block("head", np.array([n * 1_000_000_000]), np.array([n]), values)
    return Batch(bench, "0123456789abcdef", n + 1, "run-1", "run", 1_700_000_000_000_000_000, (block,))


def client(port: int) -> mqtt.Client:
    made = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    made.max_inflight_messages_set(5000)
    made.max_queued_messages_set(0)
    made.connect("127.0.0.1", port)
    made.loop_start()
    wait_until(made.is_connected, "the client to be connected")
    return made


def cost_us(made: Callable[[], object], times: int) -> float:
    """Processor time of one [us]."""
    made()
    at = time.process_time()
    for _ in range(times):
        made()
    return (time.process_time() - at) / times * 1e6


@pytest.mark.timeout(300)
def test_broker(tmp_path: Path, free_ports: Callable[[], int]) -> None:
    """Batches in, acknowledged, and out again to two who share them, as to two workers."""
    broker = Mosquitto(tmp_path / "broker", free_ports(), BROKER)
    broker.start()
    assert broker.process is not None
    came: list[int] = []
    takers = [client(broker.port) for _ in range(2)]
    for taker in takers:
        taker.on_message = lambda _c, _d, message: came.append(len(message.payload))
        taker.subscribe(Topics.every_bench("samples", group="gather"), qos=1)
    sender = client(broker.port)
    payloads = [
        (Topics(b.bench).of("samples"), encode_batch(b)) for b in (batch(f"b{k}", 0) for k in range(200))
    ]
    try:
        sender.publish(*payloads[0], qos=1).wait_for_publish(30)
        before = psutil.Process(broker.process.pid).cpu_times()
        at = time.perf_counter()
        for n in range(MESSAGES):
            sender.publish(*payloads[n % len(payloads)], qos=1)
        wait_until(lambda: len(came) > MESSAGES, "every message", timeout_s=240)
        wall = time.perf_counter() - at
        after = psutil.Process(broker.process.pid).cpu_times()
    finally:
        for one in (sender, *takers):
            one.disconnect()
            one.loop_stop()
        broker.kill()
    us = (after.user + after.system - before.user - before.system) / MESSAGES * 1e6
    print(
        f"\nmosquitto: {us:.0f} us a batch of {came[-1]} bytes, so {1e6 / us:,.0f} a second a core; "
        f"{MESSAGES / wall:,.0f} a second came through with both ends in one process; "
        f"load of this machine {os.getloadavg()[0]:.1f}"
    )
    assert us < 1e6 * wall / MESSAGES


def test_worker() -> None:
    """A worker's own work on a batch, the link and the server apart, against reading its JSON alone."""
    payload = encode_batch(batch("b1", 5))

    def work() -> bytes:
        lines: list[bytes] = []
        digest = Digest()
        for _ in range(TAKE):
            read = decode_batch(payload, bench="b1")
            for block in read.blocks:
                lines += live_lines(read.bench, read.run, read.start_utc_ns, block)
            digest.add(read)
        digest.take()
        return gzip.compress(b"\n".join(lines), 1)

    ours, json = cost_us(work, 100) / TAKE, cost_us(lambda: orjson.loads(payload), 2000)
    print(f"\nworker: {ours:.0f} us a batch, {json:.1f} us of it to read its JSON")
    assert ours < 300 * json


def test_overview() -> None:
    """All of many benches heard once and shown once, against writing what is shown as JSON."""
    overview = Overview(stale_after_s=5.0)
    digests = []
    for at in range(0, BENCHES, 200):
        digest = Digest()
        for k in range(at, at + 200):
            digest.add(batch(f"bench-{k:05d}", 1))
        payload = digest.take()
        assert payload is not None
        digests.append(payload)

    def hear() -> None:
        for payload in digests:
            overview.hear(digest_topic("lyewatch", "1"), payload)

    heard = cost_us(hear, 2) / BENCHES
    now = time.time_ns()
    rows = overview.rows(now)
    assert len(rows) == BENCHES
    shown, written = cost_us(lambda: overview.rows(now), 3), cost_us(lambda: orjson.dumps(rows), 3)
    size = len(orjson.dumps(rows))
    print(
        f"\noverview of {BENCHES:,} benches: {heard:.1f} us to hear of one, {shown / 1e3:.0f} ms to sort,"
        f" {written / 1e3:.0f} ms to write them, {size / BENCHES:.0f} bytes each"
    )
    assert shown < 100 * written
