"""What a recording writes at the device: `python -m tests.torture.device_writes`, as root.

A store lies on ext4 on a loop device. The kernel's counter of sectors written (Documentation/block/stat.rst
of Linux) counts all that a card would get: the log, checkpoints, segments, the logbook, and what the file
system writes of its own, its journal, inodes and bitmaps. A process of its own commits as the reader's
recorder does: always durably, each half second or so, sealing apart as often as a bench file says.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from daq.bench.models import StoreSpec
from daq.frame import Sample
from daq.store import Store

__all__ = ["Written", "device", "measured", "sectors_written"]

HZ = 10
CHANNELS = 8
EVERY_S = 0.5
SEAL_EVERY_S = StoreSpec().seal_every_s
_SECTOR_BYTES = 512


class Written(NamedTuple):
    """What came to the device.

    Attributes
    ----------
    bytes_per_hour : float
        From the first commit to the last, with what was still in memory then.
    opening_bytes : int
        For making the store, once.
    samples, commits : int
    seconds : float
    """

    bytes_per_hour: float
    opening_bytes: int
    samples: int
    commits: int
    seconds: float


@contextmanager
def device(megabytes: int = 256) -> Iterator[tuple[str, Path]]:
    """A loop device of its own with a fresh ext4: its name, as `loop3`, and where it is mounted."""
    with tempfile.TemporaryDirectory(prefix="lyewatch-device-") as folder:
        image, mounted = Path(folder, "image"), Path(folder, "mounted")
        mounted.mkdir()
        with image.open("wb") as file:
            file.truncate(megabytes << 20)
        _run("mkfs.ext4", "-q", "-b", "4096", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
        loop = _run("losetup", "--find", "--show", str(image))
        try:
            _run("mount", "-t", "ext4", loop, str(mounted))
            try:
                yield Path(loop).name, mounted
            finally:
                _run("umount", str(mounted))
        finally:
            _run("losetup", "--detach", loop)


def sectors_written(name: str) -> int:
    """Sectors of 512 bytes that were written to a block device since it was made."""
    return int(Path(f"/sys/block/{name}/stat").read_text().split()[6])


def measured(seconds: float, *, every_s: float = EVERY_S, seal_every_s: float = SEAL_EVERY_S) -> Written:
    """Record for so long on a fresh device and count.

    Parameters
    ----------
    seconds : float
        How long [s]; at least several times `seal_every_s`, so that seals and merges are counted.
    every_s, seal_every_s : float
        The time between commits and between seals [s].
    """
    with device() as (name, folder):
        before = _settled(name)
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.torture.device_writes", "--record", str(folder / "store"),
             "--seconds", str(seconds), "--every", str(every_s), "--seal-every", str(seal_every_s)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        opened = _settled(name)
        samples, commits, took = child.stdout.readline().split()
        written = _SECTOR_BYTES * (_settled(name) - opened)
        child.communicate("close\n", timeout=120)
        assert child.returncode == 0
    per_hour = written / float(took) * 3600
    return Written(per_hour, _SECTOR_BYTES * (opened - before), int(samples), int(commits), float(took))


def _record(folder: Path, seconds: float, every_s: float, seal_every_s: float) -> None:
    rng = random.Random(1)
    samples = commits = 0
    with Store(folder, writer=True) as store:
        run = store.logbook.create_run(bench="device", bench_json="{}")
        print("open", flush=True)
        begun = time.monotonic()
        sealed = begun
        level = [rng.uniform(1, 60) for _ in range(CHANNELS)]
        while (now := time.monotonic()) < begun + seconds:
            batch = []
            while samples < (now - begun) * HZ:
                t_ns = samples * (10**9 // HZ) + rng.randrange(3_000_000)
                level = [v + rng.gauss(0, 0.003) for v in level]
                values = {f"channel_{k}": round(v + rng.gauss(0, 0.02), 3) for k, v in enumerate(level)}
                batch.append((run.id, Sample("head", t_ns, values, seq=samples)))
                samples += 1
            store.commit(batch, full=True)
            commits += 1
            if now - sealed > seal_every_s:
                sealed = now
                store.seal_apart(run.id)
            time.sleep(max(0.0, begun + commits * every_s - time.monotonic()))
        took = time.monotonic() - begun
        print(samples, commits, took, flush=True)
        sys.stdin.readline()  # to close writes too, once


def _settled(name: str) -> int:
    """Sectors written once nothing waits in memory any more."""
    os.sync()
    return sectors_written(name)


def _run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


def main(arguments: list[str] | None = None) -> int:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seconds", type=float, default=900.0, help="how long to record [s]")
    parser.add_argument("--every", type=float, default=EVERY_S, help="time between commits [s]")
    parser.add_argument("--seal-every", type=float, default=SEAL_EVERY_S, help="time between seals [s]")
    parser.add_argument("--record", type=Path, help="only record there, as the measurement's child does")
    args = parser.parse_args(arguments)
    if args.record is not None:
        _record(args.record, args.seconds, args.every, args.seal_every)
        return 0
    found = measured(args.seconds, every_s=args.every, seal_every_s=args.seal_every)
    print(
        f"{found.bytes_per_hour / 1e6:.1f} MB/h at the device: {HZ} Hz, {CHANNELS} channels, "
        f"{found.commits} commits in {found.seconds:.0f} s; once, to open, {found.opening_bytes / 1e6:.1f} MB"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
