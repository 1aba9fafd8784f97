"""Power cuts: a bench is recorded on a disk that logs its blocks, and what the disk may be at any instant
is opened.

The whole of `lyewatch up` runs on it: samples, seals, run after run that ends, trips and resets. Then every
state is built from the log, mounted, its file system and its store opened as the next reader would, and
what must be there is looked for: no sample twice, none older than 0.6 s missing, and a trip that was said
to be written down still standing.
"""

from __future__ import annotations

import dataclasses
import multiprocessing
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from daq.errors import LyewatchError
from daq.reader.latch import LatchPlace, TripLatch
from daq.store import Store, TripRecord
from tests.torture.blocklog import BlockLog, Cut
from tests.torture.disks import run
from tests.torture.head import NumberedHead
from tests.torture.rig import HOT_C, Up, bench_file
from tests.waiting import wait_until

__all__ = ["LOST_AT_MOST_S", "Recorded", "States", "look_at", "record", "replay"]

LOST_AT_MOST_S = 0.6
"""What a power cut may cost."""
MEBIBYTES = 64


@dataclass(slots=True)
class Recorded:
    """What happened while the disk was logged: all instants on the monotonic clock [s].

    Attributes
    ----------
    base, log : Path
        The image before, and the log of what was written to it.
    began_s, ended_s : float
        Power cuts are taken in between.
    frames : dict of int to float
        When each frame that the store has in the end was written by the head.
    trips : list of (float, float)
        From when a trip was said to be written down until somebody asked for its reset.
    runs_ended : int
    """

    base: Path
    log: Path
    began_s: float = 0.0
    ended_s: float = 0.0
    frames: dict[int, float] = field(default_factory=dict)
    trips: list[tuple[float, float]] = field(default_factory=list)
    runs_ended: int = 0
    seals: int = 0


@contextmanager
def _recording_disk(folder: Path) -> Iterator[tuple[Path, Path, Path]]:
    """A logged ext4: its mount point, its image before, its log."""
    base, fuse, log, mounted = (folder / n for n in ("base.img", "fuse", "blocks.log", "mounted"))
    with base.open("wb") as file:
        file.truncate(MEBIBYTES << 20)
    run("mkfs.ext4", "-q", "-m", "0", str(base))
    for place in (fuse, mounted):
        place.mkdir()
    server = subprocess.Popen(
        [sys.executable, "-m", "tests.torture.blocklog", str(base), str(fuse), str(log)]
    )
    with ExitStack() as stack:
        stack.callback(server.wait, 20.0)
        stack.callback(_unmount, fuse)
        wait_until((fuse / "disk").exists, "the logged disk")
        device = run("losetup", "-f", "--show", str(fuse / "disk")).strip()
        stack.callback(run, "losetup", "-d", device, check=False)
        run("mount", device, str(mounted))
        stack.callback(_unmount, mounted)
        yield mounted, base, log


def _unmount(place: Path) -> None:
    for _ in range(50):
        output = run("umount", str(place), check=False)
        if "busy" not in output:
            return
        time.sleep(0.1)
    run("umount", "-l", str(place), check=False)


def record(folder: Path, seconds: float, seed: int) -> Recorded:
    """Run a bench on the logged disk for about so long: runs end, the supply is cut and given back.

    Parameters
    ----------
    folder : Path
        Where images and logs are kept: on a tmpfs it costs no wear.
    seconds : float
        How long [s]. Rows are sealed once they are a minute old, and all of a run's when it ends.
    """
    rng = random.Random(seed)
    with _recording_disk(folder) as (mounted, base, log), NumberedHead(folder / "head", seed=seed) as head:
        recorded = Recorded(base, log)
        store = mounted / "store"
        store.mkdir()
        os.sync()
        with Up(bench_file(folder, head.link, store, seal_every_s=2.0)) as up:
            assert head.wait_beat_of_next_session(up.began_s, 60.0) is not None, up.lines
            assert up.wait_served(), up.lines
            time.sleep(1.0)
            recorded.began_s = time.monotonic()
            end = recorded.began_s + seconds
            while time.monotonic() < end:
                time.sleep(rng.uniform(0.5, 3.0))
                if rng.random() < 0.5:
                    status, answer = up.ask("POST", "/api/runs", {"name": f"run {recorded.runs_ended}"})
                    assert status == 200, answer
                    recorded.runs_ended += 1
                else:
                    _trip_and_reset(up, head, recorded, rng)
            recorded.ended_s = time.monotonic()
        with Store(store) as kept:
            runs = [r for r in kept.logbook.list_runs(limit=10_000) if r.kind == "run"]
            seqs = [seq for r in runs for b in kept.read(r.id).values() for seq in b.seq.tolist()]
            recorded.seals = len(list((store / "segments").rglob("*.parquet")))
        recorded.frames = {seq: head.frames[seq].at_s for seq in seqs}
        doubled = [seq for seq, n in Counter(seqs).items() if n > 1]
        assert not doubled, f"twice even without a power cut: {doubled}"
        wanted = head.written(min(recorded.frames.values()), recorded.ended_s)
        lacking = set(wanted) - set(recorded.frames)
        assert not lacking, f"missing even without a power cut: {sorted(lacking)}"
    return recorded


def _trip_and_reset(up: Up, head: NumberedHead, recorded: Recorded, rng: random.Random) -> None:
    asked = head.cross(HOT_C)
    assert head.wait_heard("trip", asked, 20.0) is not None, "no trip"
    logged = wait_until(lambda: _trip_logged(up), "a trip that is written down", timeout_s=20.0)
    assert logged is not None
    time.sleep(rng.uniform(0.2, 1.5))
    head.temp = 40.0
    reset = time.monotonic()
    recorded.trips.append((logged, reset))
    wait_until(lambda: _reset(up), "the reset", timeout_s=20.0)
    wait_until(lambda: not _tripped(up), "no trip that stands", timeout_s=20.0)


def _tripped(up: Up) -> bool:
    status, answer = up.ask("GET", "/api/state")
    return status != 200 or answer["trip"] is not None


def _trip_logged(up: Up) -> float | None:
    """The instant before which a trip was said to be written down [s]; None when none is said to be."""
    status, answer = up.ask("GET", "/api/state")
    at = time.monotonic()
    if status != 200 or answer["trip"] is None or not answer["trip"].get("logged", True):
        return None
    return at


def _reset(up: Up) -> bool:
    body = {"who": "Ann", "reason": "torture", "cause_gone": True}
    status, _ = up.ask("POST", "/api/reset", body)
    return status == 200


@dataclass(slots=True)
class States:
    """What the states showed.

    Attributes
    ----------
    states, opened, sealed : int
        How many were built, how many opened as a store, how many were sealed to their end besides.
    with_trip : int
        In how many a trip that was said to be written down had to stand.
    lost_s : float
        The oldest sample that was missing, before its cut [s].
    faults : list of str
        Everything that may not be.
    """

    states: int = 0
    opened: int = 0
    sealed: int = 0
    with_trip: int = 0
    lost_s: float = 0.0
    seconds: float = 0.0
    faults: list[str] = field(default_factory=list)

    def add(self, other: States) -> None:
        """Count another one's in."""
        self.states += other.states
        self.opened += other.opened
        self.sealed += other.sealed
        self.with_trip += other.with_trip
        self.lost_s = max(self.lost_s, other.lost_s)
        self.faults += other.faults


def replay(recorded: Recorded, count: int, seed: int, *, workers: int = 2) -> States:
    """Build so many states, on all `workers` [1], and open each."""
    began = time.monotonic()
    log = BlockLog(recorded.log)
    cuts = log.cuts(count, seed, recorded.began_s, recorded.ended_s)
    size = -(-len(cuts) // workers)
    parts = [(recorded, cuts[i : i + size]) for i in range(0, len(cuts), size)]
    total = States()
    if workers == 1:
        total.add(_replay_part(*parts[0]))
    else:
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            for part in pool.starmap(_replay_part, parts):
                total.add(part)
    total.seconds = time.monotonic() - began
    return total


def _replay_part(recorded: Recorded, cuts: Sequence[Cut]) -> States:
    return look_at(recorded, BlockLog(recorded.log), cuts)


def look_at(recorded: Recorded, log: BlockLog, cuts: Sequence[Cut]) -> States:
    """Build the state of each cut, mount it and open its store; `cuts` are in the order of the log."""
    found = States()
    disk = bytearray(recorded.base.read_bytes())
    down = 0
    order = sorted(recorded.frames.items(), key=lambda item: item[1])
    seqs, times = [s for s, _ in order], [t for _, t in order]
    folder = Path(tempfile.mkdtemp(prefix="state-", dir=recorded.base.parent))
    image, mounted = folder / "disk.img", folder / "disk"
    mounted.mkdir()
    try:
        for number, cut in enumerate(cuts):
            for one in log.records[down : cut.flushed + 1]:
                disk[one.offset : one.offset + one.length] = log.data(one)
            down = cut.flushed + 1
            with image.open("wb") as file:
                file.write(disk)
                for offset, data in log.leftovers(cut):
                    file.seek(offset)
                    file.write(data)
            found.states += 1
            what = f"cut {dataclasses.asdict(cut)}"
            try:
                _mount(image, mounted)
            except AssertionError as exc:
                found.faults.append(f"{what}: {exc}")
                continue
            try:
                _look(mounted / "store", recorded, cut, seqs, times, found, seal=number % 10 == 0)
            except Exception:  # the one state is reported, the others are looked at all the same
                found.faults.append(f"{what}: {traceback.format_exc(limit=-3)}")
            finally:
                _unmount(mounted)
            checked = subprocess.run(
                ["e2fsck", "-fn", str(image)], capture_output=True, text=True, check=False
            )
            if checked.returncode != 0:
                found.faults.append(f"{what}: the file system is damaged: {checked.stdout[-500:]}")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return found


def _mount(image: Path, mounted: Path) -> None:
    # Two workers may be given the same free loop device.
    for _ in range(20):
        output = run("mount", "-o", "loop", str(image), str(mounted), check=False)
        if os.path.ismount(mounted):
            return
        time.sleep(0.05)
    raise AssertionError(f"can not be mounted: {output}")


def _look(
    store: Path,
    recorded: Recorded,
    cut: Cut,
    seqs: list[int],
    times: list[float],
    found: States,
    *,
    seal: bool,
) -> None:
    """Open the store as the next reader would, and hold it against what is known."""
    faults: list[str] = []
    with Store(store, writer=True) as opened:
        found.opened += 1
        looks: list[Callable[[], None]] = [lambda: None]
        if seal:
            looks.append(lambda: _seal_all(opened))
            found.sealed += 1
        for look in looks:
            look()
            runs = opened.logbook.list_runs(limit=10_000)
            there = Counter(s for r in runs for b in opened.read(r.id).values() for s in b.seq.tolist())
            doubled = [s for s, n in there.items() if n > 1]
            if doubled:
                faults.append(f"{len(doubled)} samples are there twice: {doubled[:5]}")
            # Frames that were written before the cut; the oldest that is missing says how much was lost.
            before = seqs[: bisect_left(times, cut.at_s)]
            missing = next((i for i, s in enumerate(before) if s not in there), None)
            lost_s = 0.0 if missing is None else cut.at_s - times[missing]
            found.lost_s = max(found.lost_s, lost_s)
            if lost_s > LOST_AT_MOST_S:
                gone = [s for s in before if s not in there]
                faults.append(f"{len(gone)} samples are missing, the oldest {lost_s:.2f} s before the cut")
        standing = any(a <= cut.at_s <= b for a, b in recorded.trips)
        if standing:
            found.with_trip += 1
            if _latched(store) is None:
                faults.append("a trip that was said to be written down does not stand")
    if faults:
        found.faults.append(f"cut {dataclasses.asdict(cut)}: " + "; ".join(faults))


def _latched(store: Path) -> TripRecord | None:
    """The trip that the next reader finds, by the latch's file on this disk alone."""
    latch = TripLatch([LatchPlace(store / "trip.json")])
    latch.start()
    assert latch.ready.wait(20.0)
    latch.close()
    return latch.state.trip


def _seal_all(opened: Store) -> None:
    for record_ in opened.logbook.list_runs(limit=10_000):
        with suppress(LyewatchError):
            opened.seal_here(record_.id, up_to_id=None, close=False)
