"""From the byte that enters a port to the event that leaves the stream: reader, journal and service."""

from __future__ import annotations

import json
import os
import threading
import time
from pathlib import Path

import httpx2 as httpx
import numpy as np

from tests.bench.rig import lyewatch, two_port_bench, wait_until
from tests.reader.device import PtyDevice

FRAMES = int(os.environ.get("LYEWATCH_LATENCY_FRAMES", "100"))


def test_a_sample_is_on_the_page_within_300_ms(tmp_path: Path) -> None:
    head, meter = PtyDevice(tmp_path / "head"), PtyDevice(tmp_path / "meter")
    _, file = two_port_bench(tmp_path, head.link, meter.link)
    sent: dict[int, float] = {}
    seen: dict[int, float] = {}
    ready = threading.Event()

    def listen(url: str) -> None:
        with httpx.stream("GET", f"{url}api/stream", timeout=30.0) as answer:
            ready.set()
            name = ""
            for line in answer.iter_lines():
                if line.startswith("event: "):
                    name = line[7:]
                elif line.startswith("data: ") and name == "samples":
                    now = time.monotonic()
                    for row in json.loads(line[6:])["rows"]:
                        if row["source"] == "head":
                            seen.setdefault(round(row["v"]["watts"]), now)
                if len(seen) >= FRAMES:
                    return

    with lyewatch("read", str(file)) as reader, lyewatch("serve", str(file), "--port", "0") as service:
        reader.says("reading")
        url = service.says(r"(http://\S+)")[1]
        thread = threading.Thread(target=listen, args=(url,), daemon=True)
        thread.start()
        wait_until(ready.is_set, "the stream opens")
        due = time.monotonic()
        index = 0
        while len(seen) < FRAMES and index < 3 * FRAMES:
            due += 0.1
            time.sleep(max(0.0, due - time.monotonic()))
            sent[index] = time.monotonic()
            head.say(watts=float(index))
            meter.say(flow=0.5, room=21.0, gastemp=22.0)
            index += 1
        thread.join(10.0)
    delays = np.array([seen[i] - sent[i] for i in seen if i in sent])
    p50, p99 = np.percentile(delays, [50, 99]) * 1e3
    print(f"\nbyte in to event out, {delays.size} frames at 10 Hz: p50 {p50:.0f} ms, p99 {p99:.0f} ms")
    assert delays.size >= 0.95 * FRAMES
    # The figure is a benchmark's to state; a loaded test machine is given three times as long.
    assert p99 < 900.0
