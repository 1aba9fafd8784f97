"""Each fault, and under it a limit that is crossed or a person who presses Cut: how long until the line
hears it.
"""

from __future__ import annotations

import errno
import random
import signal
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import psutil

from daq.errors import LyewatchError
from daq.frame import Sample
from daq.store import Store
from tests.torture.disks import DiskFault, SmallDisk
from tests.torture.head import NumberedHead
from tests.torture.rig import HOT_C, Up, bench_file, loss_of, stored

__all__ = ["FAULTS", "Fault", "How", "Outcome", "Scene", "provoke", "stretches"]

How = Literal["limit", "page"]

ALLOWED_MS = 500.0
"""From the crossing sample, and from the page's Cut, to the command on the line."""
NEVER_S = 12.0
"""So long is waited for a cut."""
ALARM_S = 20.0
"""So long is waited for the alarm that a fault must raise: a service gives a store 10 s before it judges."""
RECOVER_S = 60.0


@dataclass(slots=True)
class Scene:
    """All that a fault may touch."""

    folder: Path
    store: Path
    head: NumberedHead
    disk: DiskFault
    rng: random.Random
    small: SmallDisk | None = None
    up: Up | None = None
    pid: int = 0
    damaged: bool = False
    back_s: float | None = None
    """How long after it was killed the service served again [s]."""

    def service(self) -> psutil.Process:
        """The running service."""
        assert self.up is not None
        return self.up.wait_child("serve")


def _nothing(scene: Scene) -> None:
    """Do nothing."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What goes wrong, and how.

    Attributes
    ----------
    name, words : str
        For the command line; for the table.
    before : callable
        Before anything of ours is started, where the fault is there from the start.
    begin, end : callable
        While it runs.
    bites : callable
        Whether the fault has had an effect: one that has not shows nothing.
    needs : "gcc" or "root"
        What it can not be provoked without.
    hows : tuple
        A dead service has no page on which to press Cut.
    alarm : str or None
        Which alarm must stand beside those of the cut.
    lossless : bool
        Whether every sample must be in the store afterwards.
    """

    name: str
    words: str
    before: Callable[[Scene], None] = _nothing
    begin: Callable[[Scene], None] = _nothing
    end: Callable[[Scene], None] = _nothing
    bites: Callable[[Scene], bool] = lambda scene: True
    needs: Literal["gcc", "root"] = "gcc"
    hows: tuple[How, ...] = ("limit", "page")
    alarm: str | None = None
    lossless: bool = True

    @property
    def mended(self) -> bool:
        """Whether it ends while everything runs, so that recovery can be seen."""
        return self.end is not _nothing


def _slow(seconds: float) -> Fault:
    return Fault(
        f"fsync-{seconds:g}",
        f"fsync takes {seconds:g} s longer" if seconds else "none (fsync as it is)",
        begin=lambda s: s.disk.slow(seconds),
        end=lambda s: s.disk.mend(),
        bites=lambda s: s.disk.bitten > 0 if seconds else s.disk.syncs > 0,
    )


def _failing(name: str, words: str, error: int) -> Fault:
    return Fault(
        name,
        words,
        begin=lambda s: s.disk.fail(error),
        end=lambda s: s.disk.mend(),
        bites=lambda s: s.disk.bitten > 0,
        alarm="recording.impaired",
    )


def _fill(scene: Scene) -> None:
    assert scene.small is not None
    scene.small.fill()


def _make_room(scene: Scene) -> None:
    assert scene.small is not None
    scene.small.make_room()


def _is_full(scene: Scene) -> bool:
    try:
        (scene.store.parent / "probe").write_bytes(bytes(8192))
    except OSError as exc:
        return exc.errno == errno.ENOSPC
    return False


def _abort(scene: Scene) -> None:
    assert scene.small is not None
    scene.small.break_it()


def _is_read_only(scene: Scene) -> bool:
    try:
        (scene.store.parent / "probe").write_bytes(b"")
    except OSError as exc:
        return exc.errno == errno.EROFS
    return False


def _remount(mode: str) -> Callable[[Scene], None]:
    def do(scene: Scene) -> None:
        assert scene.small is not None
        scene.small.remount(mode)

    return do


def _damage(name: str) -> Callable[[Scene], None]:
    """Record a little and overwrite a file: its header stays that of a database, what follows is noise."""

    def do(scene: Scene) -> None:
        with Store(scene.store, writer=True) as store:
            run = store.logbook.create_run(bench="water-torch")
            for k in range(50):
                store.commit([(run.id, Sample("head", k * 100_000_000, {"volts": 12.0}, seq=k))], full=True)
        for beside in ("-wal", "-shm"):
            (scene.store / f"{name}{beside}").unlink(missing_ok=True)
        with (scene.store / name).open("r+b") as file:
            size = file.seek(0, 2)
            file.seek(100)
            file.write(scene.rng.randbytes(size - 100))
        scene.damaged = _unreadable(scene.store / name)

    return do


def _unreadable(file: Path) -> bool:
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as con:
        try:
            con.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.DatabaseError:
            return True
    return False


def _kill_service(scene: Scene) -> None:
    service = scene.service()
    scene.pid = service.pid
    service.kill()
    up, killed = scene.up, time.monotonic()
    assert up is not None

    def follow() -> None:
        scene.back_s = _recovered(up, killed)

    threading.Thread(target=follow, daemon=True).start()


def _await_service(scene: Scene) -> None:
    """Nothing to mend: `up` brings it back."""
    end = time.monotonic() + RECOVER_S
    while scene.back_s is None and time.monotonic() < end:
        time.sleep(0.05)


def _suspend_service(scene: Scene) -> None:
    service = scene.service()
    scene.pid = service.pid
    service.suspend()


def _resume_service(scene: Scene) -> None:
    with suppress(psutil.Error):
        psutil.Process(scene.pid).send_signal(signal.SIGCONT)


def _is_stopped(scene: Scene) -> bool:
    try:
        return psutil.Process(scene.pid).status() in (psutil.STATUS_STOPPED, psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return True


def _set_rate(hz: float) -> Callable[[Scene], None]:
    def do(scene: Scene) -> None:
        scene.head.rate_hz = hz

    return do


def _set_noise(share: float) -> Callable[[Scene], None]:
    def do(scene: Scene) -> None:
        scene.head.noise = share

    return do


_IMPAIRED = "recording.impaired"
FAULTS: tuple[Fault, ...] = (
    _slow(0.0),
    _slow(2.0),
    _slow(5.0),
    _slow(30.0),
    _failing("full", "disk full (every write ENOSPC)", errno.ENOSPC),
    _failing("read-only", "disk read-only (every write EROFS)", errno.EROFS),
    _failing("failing", "disk failing (every write EIO)", errno.EIO),
    Fault(
        "really-full",
        "ext4 really full",
        begin=_fill,
        end=_make_room,
        bites=_is_full,
        needs="root",
        # No alarm must stand: a log that is written anew in its own place asks for no room for a while.
    ),
    Fault(
        "aborted",
        "ext4 read-only after an error of its device",
        begin=_abort,
        bites=_is_read_only,
        needs="root",
        alarm=_IMPAIRED,
        lossless=False,  # it is never mended
    ),
    Fault(
        "start-full",
        "started on a full ext4",
        before=_fill,
        end=_make_room,
        bites=_is_full,
        needs="root",
        alarm=_IMPAIRED,
        lossless=False,
    ),
    Fault(
        "start-read-only",
        "started on a read-only ext4",
        before=_remount("ro"),
        end=_remount("rw"),
        bites=_is_read_only,
        needs="root",
        alarm=_IMPAIRED,
        lossless=False,
    ),
    Fault(
        "start-journal",
        "started with journal.db damaged",
        before=_damage("journal.db"),
        bites=lambda s: s.damaged,
        alarm=_IMPAIRED,
        lossless=False,
    ),
    Fault(
        "start-logbook",
        "started with logbook.db damaged",
        before=_damage("logbook.db"),
        bites=lambda s: s.damaged,
        alarm=_IMPAIRED,
        lossless=False,
    ),
    Fault(
        "service-dead",
        "service killed",
        begin=_kill_service,
        end=_await_service,
        bites=_is_stopped,
        hows=("limit",),
    ),
    Fault(
        "service-stopped",
        "service suspended (SIGSTOP)",
        begin=_suspend_service,
        end=_resume_service,
        bites=_is_stopped,
        hows=("limit",),
    ),
    Fault(
        "flood",
        "1,000 frames a second",
        begin=_set_rate(1000.0),
        end=_set_rate(10.0),
        bites=lambda s: len(s.head.written(time.monotonic() - 1.0, time.monotonic())) > 500,
    ),
    Fault(
        "noise",
        "1 % of the device's bytes replaced",
        begin=_set_noise(0.01),
        end=_set_noise(0.0),
        bites=lambda s: len(s.head.written(time.monotonic() - 2.0, time.monotonic())) < 17,
    ),
)


@dataclass(slots=True)
class Outcome:
    """What one repetition showed; None where it did not come about.

    Attributes
    ----------
    guarding_s : float or None
        From the start of the command to the first beat on the line [s].
    cut_ms : float or None
        To the first `do=trip` on the line [ms].
    page_ms : float or None
        To the page's answer [ms].
    page_status : int
        Its HTTP status; 0 when nobody answered.
    beats_paused_s : float
        The longest time without a beat from the fault's beginning to the cut [s].
    alarms : list of str
        Which stood.
    recovered_s : float or None
        From the fault's end until the page no longer says that recording is impaired [s].
    frames, lost, doubled : int
        Frames that the head wrote whole while a reader listened, None where the store can not be read; how
        many the store lacks, and has twice.
    lost_s : float
        The longest stretch of those that it lacks [s].
    """

    fault: str
    how: How
    bitten: bool = False
    guarding_s: float | None = None
    cut_ms: float | None = None
    page_ms: float | None = None
    page_status: int = 0
    beats_paused_s: float = 0.0
    alarms: list[str] = field(default_factory=list)
    recovered_s: float | None = None
    frames: int | None = None
    lost: int = 0
    lost_s: float = 0.0
    doubled: int = 0
    log_lines: list[str] = field(default_factory=list)

    @property
    def in_time(self) -> bool:
        """Whether the cut came in the time that is allowed."""
        return self.cut_ms is not None and self.cut_ms <= ALLOWED_MS


@contextmanager
def scene_for(fault: Fault, seed: int) -> Iterator[Scene]:
    """A head, a folder and, where it is needed, a disk of its own."""
    base = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="torture-", dir=base)))
        small = SmallDisk(folder) if fault.needs == "root" else None
        if small is not None:
            stack.callback(small.close)
        store = (small.mounted if small is not None else folder) / "store"
        store.mkdir()
        head = stack.enter_context(NumberedHead(folder / "head", seed=seed))
        disk = DiskFault(folder / "control", store)
        yield Scene(folder, store, head, disk, random.Random(seed), small)


def provoke(fault: Fault, how: How, seed: int, *, hold_s: tuple[float, float] = (3.0, 5.0)) -> Outcome:
    """One repetition: start, break, cross the limit or press Cut, mend, stop, and look at what was kept.

    `hold_s` is for how long the fault stands before the limit is crossed, between what and what [s]: a slow
    sync has begun by then, and beats could have paused.
    """
    with scene_for(fault, seed) as scene:
        outcome = Outcome(fault.name, how)
        fault.before(scene)
        file = bench_file(scene.folder, scene.head.link, scene.store)
        with Up(file, scene.disk.environment) as up:
            scene.up = up
            _observe(fault, how, scene, up, outcome, hold_s)
            stopping = time.monotonic()
        outcome.log_lines = up.lines[-12:]
        with suppress(LyewatchError):  # a store that is still damaged
            _count(scene, outcome, stopping)
        return outcome


def _observe(
    fault: Fault, how: How, scene: Scene, up: Up, outcome: Outcome, hold_s: tuple[float, float]
) -> None:
    head, rng = scene.head, scene.rng
    beat = head.wait_beat_of_next_session(up.began_s, 60.0)
    outcome.guarding_s = None if beat is None else beat - up.began_s
    served = up.wait_served(60.0)
    time.sleep(rng.uniform(0.5, 1.5))
    began = time.monotonic()
    fault.begin(scene)
    time.sleep(rng.uniform(*hold_s))
    outcome.bitten = fault.bites(scene)
    if how == "limit":
        asked = head.cross(HOT_C)
    else:
        asked = time.monotonic()
        outcome.page_status, _ = up.ask("POST", "/api/trip", {"reason": "torture"}, timeout_s=NEVER_S)
        outcome.page_ms = (time.monotonic() - asked) * 1e3
    cut = head.wait_heard("trip", asked, NEVER_S)
    outcome.cut_ms = None if cut is None else (cut - asked) * 1e3
    if beat is not None:
        outcome.beats_paused_s = head.longest_pause_s(max(began, beat), cut or time.monotonic())
    if served and "service" not in fault.name:
        outcome.alarms = sorted(_alarms(up, fault.alarm))
    ended = time.monotonic()
    fault.end(scene)
    if fault.mended:
        outcome.recovered_s = scene.back_s if fault.name == "service-dead" else _recovered(up, ended)
    time.sleep(1.0)


def _alarms(up: Up, wanted: str | None) -> set[str]:
    """What stands, once the alarms that are wanted do."""
    end = time.monotonic() + ALARM_S
    found: set[str] = set()
    while time.monotonic() < end:
        found |= up.standing()
        if "supply.tripped" in found and (wanted is None or wanted in found):
            break
        time.sleep(0.1)
    return found


def _recovered(up: Up, ended: float) -> float | None:
    """How long after the fault's end the page first says again that recording is in order [s]."""
    while time.monotonic() - ended < RECOVER_S:
        status, answer = up.ask("GET", "/api/state", timeout_s=3.0)
        if status == 200 and not answer["impaired"] and answer["data"]["state"] == "fresh":
            return time.monotonic() - ended
        time.sleep(0.05)
    return None


def _count(scene: Scene, outcome: Outcome, stopping: float) -> None:
    """Compare what the head wrote, until the stop was asked for, with what the store has."""
    runs = stored(scene.store)
    first = min((seq for found in runs.values() for seq in found), default=0)
    # From the first that was taken on: what was said before the port was open, nobody could hear.
    wanted = scene.head.written(scene.head.frames[first].at_s, stopping - 0.2)
    missing, doubled = loss_of(wanted, runs)
    outcome.frames, outcome.lost, outcome.doubled = len(wanted), len(missing), len(doubled)
    outcome.lost_s = max(
        (scene.head.frames[b].at_s - scene.head.frames[a].at_s + 0.1 for a, b in stretches(missing)),
        default=0.0,
    )


def stretches(numbers: list[int]) -> Iterator[tuple[int, int]]:
    """First and last of each row of numbers without a hole."""
    start = previous = None
    for n in numbers:
        if start is None or previous is None:
            start = n
        elif n != previous + 1:
            yield start, previous
            start = n
        previous = n
    if start is not None and previous is not None:
        yield start, previous
