"""kill -9 at random instants, of a reader that records, seals, ends runs or is only just starting.

`lyewatch up` brings the reader back; the numbered head says how long the stack stood unguarded, and the
store, in the end, what is missing of what had been written to the line before each kill.
"""

from __future__ import annotations

import random
import tempfile
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import psutil

from tests.torture.head import NumberedHead
from tests.torture.rig import Up, bench_file, loss_of, stored

__all__ = ["BACK_WITHIN_S", "LOST_AT_MOST_S", "Kill", "Kills", "campaign"]

LOST_AT_MOST_S = 0.5
BACK_WITHIN_S = 2.0
PER_UP = 3
"""`up` has a child back at once for the first three deaths; one that goes on dying is given longer pauses."""
NEVER_S = 40.0

Phase = Literal["recording", "sealing", "run ending", "starting"]


@dataclass(slots=True)
class Kill:
    """One kill: when [s], in the middle of what, and what came of it.

    `since_s` is when the reader had begun to guard, None when it had not; `back_s` how long until the next
    one sent a beat, None when that one was killed before; `queued_s` how long of it the new reader, ready to
    run, waited for a processor, which is a busy machine's doing; `lost_s` is the age, at the kill, of the
    oldest sample that is missing.
    """

    at_s: float
    phase: Phase
    since_s: float | None
    back_s: float | None = None
    queued_s: float = 0.0
    never_back: bool = False
    lost: int = 0
    lost_s: float = 0.0


@dataclass(slots=True)
class Kills:
    """All of a campaign; `doubled` are sequence numbers that the store has twice."""

    kills: list[Kill] = field(default_factory=list)
    doubled: list[int] = field(default_factory=list)
    samples: int = 0
    runs: int = 0
    seconds: float = 0.0
    ups: int = 0

    def phases(self) -> Counter[str]:
        """How many kills there were in the middle of what."""
        return Counter(k.phase for k in self.kills)

    @property
    def backs(self) -> list[float]:
        """How long until somebody guarded again, each time that was seen [s]."""
        return [k.back_s for k in self.kills if k.back_s is not None]


def campaign(count: int, seed: int, *, folder: Path | None = None) -> Kills:
    """Kill so many times, one store and one head for all."""
    rng, done = random.Random(seed), Kills()
    began = time.monotonic()
    base = Path("/dev/shm") if folder is None and Path("/dev/shm").is_dir() else folder
    with (
        tempfile.TemporaryDirectory(prefix="kills-", dir=base) as place,
        NumberedHead(Path(place) / "head") as head,
    ):
        store = Path(place) / "store"
        file = bench_file(Path(place), head.link, store, seal_every_s=1.0)
        while len(done.kills) < count:
            done.ups += 1
            up = Up(file)
            try:
                _session(up, head, done, min(PER_UP, count - len(done.kills)), rng)
            except BaseException:
                up.stop()
                raise
            if rng.random() < 0.5:
                up.kill()
            else:
                up.stop()
        _look(store, head, done)
    done.seconds = time.monotonic() - began
    return done


def _session(up: Up, head: NumberedHead, done: Kills, count: int, rng: random.Random) -> None:
    since = head.wait_beat_of_next_session(up.began_s, NEVER_S)
    assert since is not None, f"no beat: {up.lines}"
    reader = up.wait_child("read")
    guarding: float | None = since
    for number in range(count):
        phase: Phase = "starting" if guarding is None else rng.choice(("recording", "sealing", "run ending"))
        if phase == "starting":
            time.sleep(rng.uniform(0.0, 1.0))
        elif phase == "recording":
            time.sleep(rng.uniform(0.0, 2.0))
        elif phase == "run ending":
            time.sleep(rng.uniform(0.0, 1.0))
            threading.Thread(target=up.ask, args=("POST", "/api/runs", {"name": "next"}), daemon=True).start()
            time.sleep(rng.uniform(0.0, 0.4))
        elif not _wait_sealing(reader, 3.0):
            phase = "recording"
        else:
            time.sleep(rng.uniform(0.0, 0.3))
        with_child = rng.random() < 0.5
        victims = [reader, *_children(reader)] if with_child else [reader]
        kill = Kill(time.monotonic(), phase, guarding)
        for victim in victims:
            with suppress(psutil.NoSuchProcess):
                victim.kill()
        done.kills.append(kill)
        last = number == count - 1
        reader = up.wait_child("read", other_than=reader.pid, within_s=NEVER_S)
        if not last and rng.random() < 0.3:
            guarding = None  # the next kill comes while this one starts
            continue
        beat = head.wait_beat_of_next_session(kill.at_s, NEVER_S)
        kill.never_back = beat is None
        kill.back_s = None if beat is None else beat - kill.at_s
        kill.queued_s = _queued_s(reader.pid)
        guarding = beat


def _children(process: psutil.Process) -> list[psutil.Process]:
    with suppress(psutil.NoSuchProcess):
        return process.children(recursive=True)
    return []


def _queued_s(pid: int) -> float:
    """How long a process's first thread has waited for a processor since it began [s]; 0 where not known."""
    with suppress(OSError):
        return int(Path(f"/proc/{pid}/schedstat").read_text(encoding="ascii").split()[1]) / 1e9
    return 0.0


def _wait_sealing(reader: psutil.Process, within_s: float) -> bool:
    """Whether the reader has begun to seal: it does so in a process of its own."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if _children(reader):
            return True
        time.sleep(0.01)
    return False


def _look(store: Path, head: NumberedHead, done: Kills) -> None:
    """What of the frames, from when a reader had begun to guard until it was killed, the store lacks."""
    runs = stored(store)
    done.runs = len(runs)
    done.samples = sum(map(len, runs.values()))
    _, done.doubled = loss_of((), runs)
    for kill in done.kills:
        if kill.since_s is None:
            continue
        missing, _ = loss_of(head.written(kill.since_s, kill.at_s), runs)
        kill.lost = len(missing)
        if missing:
            kill.lost_s = kill.at_s - head.frames[missing[0]].at_s
