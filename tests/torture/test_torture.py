"""A short part of each scenario of `make torture`, and that its tools do what they are for."""

from __future__ import annotations

import dataclasses
import errno
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.sources.wire import encode_command
from tests.torture import kills, powercuts, report, trips
from tests.torture.blocklog import BlockLog
from tests.torture.disks import DiskFault, SmallDisk, need_compiler, need_root
from tests.torture.head import NumberedHead
from tests.torture.rig import loss_of
from tests.waiting import wait_until

FAULTS = {fault.name: fault for fault in trips.FAULTS}


@pytest.fixture
def memory() -> Iterator[Path]:
    """A folder in memory: what is tortured there wears no disk, and sockets in it have short names."""
    base = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(prefix="torture-", dir=base) as place:
        yield Path(place)


# -- the tools -----------------------------------------------------------------------------------------------


def test_the_head_numbers_its_frames_and_times_commands(memory: Path) -> None:
    with (
        NumberedHead(memory / "head", rate_hz=100.0) as head,
        (memory / "head").open("r+b", buffering=0) as line,
    ):
        wait_until(lambda: head.seq > 20, "twenty frames")
        head.own_net = True
        began = time.monotonic()
        line.write(b"\n" + encode_command("beat", 1) + encode_command("reset", 2))
        beat = head.wait_beat_of_next_session(began, 10.0)
        assert beat is not None
        assert head.relay == 1.0
        wait_until(lambda: head.cut_by_itself, "the head's own net: no beat for 2 s")
        assert head.cut_by_itself[0].at_s - beat > 2.0  # firmware_notes/wire_format.md, Heartbeat
        assert head.trip_code == 3.0
        chunk = os.read(line.fileno(), 65536)
        assert b"ack=1 ok=1 *" in chunk
        seqs = sorted(head.frames)
        assert seqs == list(range(len(seqs)))


def test_noise_spoils_as_many_bytes_as_it_says(memory: Path) -> None:
    with NumberedHead(memory / "head") as head:
        head.noise = 0.01
        line = bytes(100_000)
        spoiled = sum(a != b for a, b in zip(line, head._spoil(line), strict=True))
        # Binomial, n = 100,000, p = 0.01 (255 of 256 replacements differ): standard deviation 31.
        assert abs(spoiled - 996) < 5 * 31.4


FAILING_CHILD = """
import errno, os, sys, time
inside, outside = sys.argv[1:]
def tried(do):
    began = time.monotonic()
    try:
        do()
        outcome = "ok"
    except OSError as exc:
        outcome = errno.errorcode[exc.errno]
    return f"{outcome} {time.monotonic() - began:.2f}"
files = [os.open(f"{folder}/f", os.O_RDWR | os.O_CREAT) for folder in (inside, outside)]
print("ready", flush=True)
for _ in sys.stdin:
    words = []
    for folder, fd in zip((inside, outside), files):
        words.append(tried(lambda: os.write(fd, b"x")))
        words.append(tried(lambda: os.pwrite(fd, b"x", 0)))
        words.append(tried(lambda: os.fsync(fd)))
        words.append(tried(lambda: os.close(os.open(f"{folder}/new", os.O_WRONLY | os.O_CREAT))))
        words.append(tried(lambda: os.replace(f"{folder}/new", f"{folder}/newer")))
    print(";".join(words), flush=True)
"""


def test_the_fault_library_touches_one_folder_and_counts(memory: Path) -> None:
    need_compiler()
    inside, outside = memory / "store", memory / "elsewhere"
    inside.mkdir()
    outside.mkdir()
    fault = DiskFault(memory / "control", inside)
    with subprocess.Popen(
        [sys.executable, "-c", FAILING_CHILD, str(inside), str(outside)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, **fault.environment},
    ) as child:  # fmt: skip
        assert child.stdin is not None
        assert child.stdout is not None
        child.stdout.readline()

        def ask() -> list[list[str]]:
            assert child.stdin is not None
            assert child.stdout is not None
            child.stdin.write("go\n")
            child.stdin.flush()
            return [word.split() for word in child.stdout.readline().strip().split(";")]

        assert [outcome for outcome, _ in ask()] == ["ok"] * 10
        assert fault.bitten == 0
        assert fault.syncs == 1
        fault.slow(0.5)
        slowed = ask()
        assert [outcome for outcome, _ in slowed] == ["ok"] * 10
        assert float(slowed[2][1]) >= 0.5
        assert float(slowed[7][1]) < 0.5
        fault.mend()
        for code in (errno.ENOSPC, errno.EROFS, errno.EIO):
            (inside / "newer").unlink()
            fault.fail(code)
            name = errno.errorcode[code]
            # There was nothing to rename: the refusal comes first.
            assert [outcome for outcome, _ in ask()] == [name] * 5 + ["ok"] * 5
            fault.mend()
            assert [outcome for outcome, _ in ask()] == ["ok"] * 10
        assert fault.bitten >= 1 + 3 * 5
        child.stdin.close()


def test_a_small_disk_is_really_full_and_really_read_only(memory: Path) -> None:
    need_root()
    disk = SmallDisk(memory)
    try:
        disk.fill()
        with pytest.raises(OSError) as caught:
            (disk.mounted / "more").write_bytes(bytes(8192))
        assert caught.value.errno == errno.ENOSPC
        disk.make_room()
        (disk.mounted / "more").write_bytes(bytes(8192))
        disk.break_it()
        with pytest.raises(OSError) as caught:
            (disk.mounted / "yet more").write_bytes(b"x")
        assert caught.value.errno == errno.EROFS
    finally:
        disk.close()


def test_loss_and_doubles_are_found() -> None:
    assert loss_of(range(6), {"a": [0, 1, 2], "b": [2, 4, 5]}) == ([3], [2])
    assert list(trips.stretches([1, 2, 3, 7, 9, 10])) == [(1, 3), (7, 7), (9, 10)]


def test_every_part_has_its_place_in_the_document(tmp_path: Path) -> None:
    copy = tmp_path / "reliability.md"
    copy.write_text(report.DOCUMENT.read_text(encoding="utf-8"), encoding="utf-8")
    outcome = trips.Outcome("fsync-2", "limit", True, 1.0, 12.0, frames=100, recovered_s=0.1)
    never = dataclasses.replace(outcome, cut_ms=None, lost=3, lost_s=0.3)
    part = {"outcomes": [dataclasses.asdict(o) for o in (outcome, never)], "stamp": report.stamp("a command")}
    report.write_document({"faults": part}, copy)
    report.write_document({"faults": part}, copy)
    text = copy.read_text(encoding="utf-8")
    assert text.count("| fsync takes 2 s longer | 2 + 0 | 3 of 200, 0.3 s at a stretch |") == 1
    assert "12 / 12 ms, **1 never**" in text
    assert report.shortfalls({"faults": part}) == [
        "fsync-2, limit: cut never",
        "fsync-2, limit: 3 samples lost, 0 twice",
    ]


# -- a short part of each scenario ---------------------------------------------------------------------------

TRIP_WITHIN_MS = 5_000.0
"""Ten times what is asked for: a test machine may stall. It is a sixth of the sync that stands in the way."""


@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    ("fault", "how"), [("fsync-30", "limit"), ("failing", "page"), ("start-logbook", "limit")]
)
def test_the_supply_is_cut_whatever_the_disk_does(fault: str, how: trips.How) -> None:
    need_compiler()
    outcome = trips.provoke(FAULTS[fault], how, seed=1, hold_s=(1.0, 2.0))
    assert outcome.bitten
    assert outcome.cut_ms is not None, outcome.log_lines
    assert outcome.cut_ms < TRIP_WITHIN_MS
    if how == "page":
        assert outcome.page_status == 200
    if FAULTS[fault].alarm is not None:
        assert FAULTS[fault].alarm in outcome.alarms
    if FAULTS[fault].lossless:
        assert outcome.frames is not None
        assert outcome.frames > 30
        assert (outcome.lost, outcome.doubled) == (0, 0)


@pytest.mark.timeout(300)
def test_six_kills() -> None:
    found = kills.campaign(6, seed=2)
    assert len(found.kills) == 6
    assert found.doubled == []
    assert [k for k in found.kills if k.never_back] == []
    # A stalled machine kills late what it meant to kill at once: twice what is asked for.
    assert max(k.lost_s for k in found.kills) <= 2 * kills.LOST_AT_MOST_S
    assert found.samples > 20


@pytest.mark.timeout(300)
def test_power_cuts_and_a_disk_that_lies(memory: Path) -> None:
    need_root("fusermount3")
    recorded = powercuts.record(memory, seconds=8.0, seed=3)
    assert recorded.trips
    honest = powercuts.replay(recorded, 24, seed=4)
    assert honest.faults == []
    assert (honest.states, honest.opened) == (24, 24)
    assert honest.with_trip > 0
    # The same writes on a disk that reports flushes which it has not made: the loss must be seen.
    lying = BlockLog(recorded.log)
    lying.drop_flushes(keep_every=8)
    cuts = lying.cuts(24, 5, recorded.began_s, recorded.ended_s)
    seen = powercuts.look_at(recorded, lying, [dataclasses.replace(cut, kind="none") for cut in cuts])
    assert seen.lost_s > powercuts.LOST_AT_MOST_S
    assert seen.faults != []
