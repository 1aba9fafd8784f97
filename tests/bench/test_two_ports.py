"""Two serial ports at 10 Hz: not one frame may be lost, and a reader that is killed loses next to nothing.

`LYEWATCH_SOAK_S` sets how long the first takes; ten minutes is the figure that the README names.
"""

from __future__ import annotations

import os
import threading
import time
from functools import partial
from pathlib import Path

import psutil

from daq.bench import Bench
from daq.store import Store
from tests.bench.rig import Command, lyewatch, newest_run, two_port_bench, wait_until
from tests.reader.device import PtyDevice

SOAK_S = float(os.environ.get("LYEWATCH_SOAK_S", "12"))


class Talkers:
    """Two devices that each say a frame every 100 ms, by the clock and not by the sleep."""

    def __init__(self, folder: Path) -> None:
        self.devices = (PtyDevice(folder / "head"), PtyDevice(folder / "meter"))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def _talk(self) -> None:
        due = time.monotonic()
        while not self._stop.wait(max(0.0, due - time.monotonic())):
            due += 0.1
            self.devices[0].say(watts=96.0)
            self.devices[1].say(flow=0.5, room=21.0, gastemp=22.0)

    def stop(self) -> None:
        """Fall silent."""
        self._stop.set()
        self._thread.join()


def test_not_one_frame_is_lost(tmp_path: Path) -> None:
    talkers = Talkers(tmp_path)
    bench, file = two_port_bench(tmp_path, talkers.devices[0].link, talkers.devices[1].link)
    try:
        with lyewatch("read", str(file)) as reader:
            reader.says("reading head, meter")
            process = psutil.Process(reader.process.pid)
            time.sleep(2.0)
            cpu_before, began = process.cpu_times(), time.monotonic()
            time.sleep(SOAK_S)
            cpu_after, took = process.cpu_times(), time.monotonic() - began
            memory = process.memory_info().rss / 2**20
            talkers.stop()
            time.sleep(0.5)
    finally:
        talkers.stop()
    run_id = newest_run(bench)
    with Store(bench.store_folder) as store:
        blocks = store.read(run_id)
        links = store.logbook.load_links(run_id)
    for source, device in zip(("head", "meter"), talkers.devices, strict=True):
        seqs = blocks[source].seq.tolist()
        assert seqs == list(range(seqs[0], device.seq)), f"{source} has gaps"
        assert len(seqs) >= SOAK_S * 10
        assert links[source]["gaps"] == 0
        assert links[source]["bad_crc"] == links[source]["malformed"] == 0
    cpu = (cpu_after.user + cpu_after.system - cpu_before.user - cpu_before.system) / took
    print(f"\nreader over {took:.0f} s: {100 * cpu:.2f} % of one core, {memory:.1f} MB resident")
    assert memory < 120.0


def test_a_reader_killed_and_started_goes_on_with_its_run(tmp_path: Path) -> None:
    talkers = Talkers(tmp_path)
    bench, file = two_port_bench(tmp_path, talkers.devices[0].link, talkers.devices[1].link)
    kills = 4
    try:
        for kill in range(kills):
            reader = Command("read", str(file))
            reader.says("reading head, meter")
            with Store(bench.store_folder) as store:
                # What the port had kept while nobody read must be in before the next kill is timed.
                wait_until(partial(_caught_up, store, bench, talkers.devices[0]), "rows")
            time.sleep(0.05 * kill)
            sent = talkers.devices[0].seq
            reader.kill()
            with Store(bench.store_folder) as store:
                stored = store.read(newest_run(bench))["head"].seq[-1]
            # Frames come every 100 ms: 0.5 s is five of them, and one may be on its way.
            assert stored >= sent - 6
        with lyewatch("read", str(file)) as reader:
            reader.says("reading head, meter")
            time.sleep(1.0)
    finally:
        talkers.stop()
    with Store(bench.store_folder) as store:
        runs = [r for r in store.logbook.list_runs(limit=100) if r.kind == "run"]
        assert len(runs) == 1, "the run goes on, it does not begin anew"
        block = store.read(runs[0].id)["head"]
        marks = [m.kind for m in store.logbook.list_marks(runs[0].id)]
    assert marks.count("restart") == kills
    assert len(set(block.seq.tolist())) == len(block)
    assert (block.t_ns[1:] >= block.t_ns[:-1]).all()


def _caught_up(store: Store, bench: Bench, device: PtyDevice) -> bool:
    blocks = store.read(newest_run(bench))
    return "head" in blocks and int(blocks["head"].seq[-1]) >= device.seq - 2
