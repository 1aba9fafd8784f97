"""Disks that are slow, full, read-only or failing: a preloaded library, and small file systems of their
own.
"""

from __future__ import annotations

import mmap
import os
import shutil
import struct
import subprocess
import tempfile
import time
from contextlib import suppress
from functools import cache
from pathlib import Path

from tests.ci_rule import missing_program

__all__ = ["DiskFault", "SmallDisk", "fault_library", "is_root", "need_compiler", "need_root", "run"]

SOURCE = Path(__file__).with_name("diskfault.c")
_LAYOUT = struct.Struct("=iidqqq")


def run(*command: str, check: bool = True) -> str:
    """Run a command of the system; what it wrote to both outputs."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert not check or done.returncode == 0, f"{' '.join(command)}: {done.stdout}{done.stderr}"
    return done.stdout + done.stderr


def need_compiler() -> None:
    """Skip the calling test where nothing compiles C; in CI fail it."""
    if shutil.which("gcc") is None or not Path("/usr/include/stdio.h").exists():
        missing_program("gcc", "install gcc and libc6-dev: bash tests/install_servers.sh")


def is_root() -> bool:
    """Whether file systems can be made and mounted here."""
    return os.geteuid() == 0 and Path("/dev/loop-control").exists()


def need_root(*programs: str) -> None:
    """Skip the calling test where file systems can not be mounted or a program is missing; in CI fail it."""
    for program in ("mkfs.ext4", "mount", "losetup", *programs):
        if shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin") is None:
            missing_program(program, "bash tests/install_servers.sh")
    if not is_root():
        missing_program("a loop device that may be mounted", "run as root")


@cache
def fault_library() -> Path:
    """The preloaded library, compiled once."""
    need_compiler()
    library = Path(tempfile.mkdtemp(prefix="lyewatch-torture-")) / "diskfault.so"
    warnings = ("-Wall", "-Wextra", "-Werror")
    run("gcc", "-shared", "-fPIC", "-O2", *warnings, "-o", str(library), str(SOURCE), "-ldl")
    return library


class DiskFault:
    """The switch of `diskfault.c` for one folder, shared with every process that was started with
    `environment`.

    Parameters
    ----------
    control : Path
        A file to be made, not under `folder`.
    folder : Path
        The files under it are slow or failing.
    """

    def __init__(self, control: Path, folder: Path) -> None:
        control.write_bytes(bytes(_LAYOUT.size))
        with control.open("r+b") as file:
            self._mapped = mmap.mmap(file.fileno(), _LAYOUT.size)
        self.environment = {
            "LD_PRELOAD": str(fault_library()),
            "DISKFAULT_CONTROL": str(control),
            "DISKFAULT_UNDER": str(folder.resolve()),
        }

    def fail(self, error: int) -> None:
        """Let writes and syncs fail with this error number; 0 for no longer."""
        struct.pack_into("=i", self._mapped, 0, error)

    def slow(self, delay_s: float) -> None:
        """Let each sync take so much longer [s]; 0 for no longer."""
        struct.pack_into("=d", self._mapped, 8, delay_s)

    def mend(self) -> None:
        """A good disk again."""
        self.fail(0)
        self.slow(0.0)

    @property
    def syncs(self) -> int:
        """How many syncs there were."""
        return self._counts()[0]

    @property
    def bitten(self) -> int:
        """How many calls were slowed or refused."""
        _, slowed, refused = self._counts()
        return slowed + refused

    def _counts(self) -> tuple[int, int, int]:
        syncs, slowed, refused = _LAYOUT.unpack(self._mapped[: _LAYOUT.size])[3:]
        return syncs, slowed, refused


class SmallDisk:
    """An ext4 of a few MiB in memory, mounted through a loop device, that can really be full or read-only.

    Parameters
    ----------
    folder : Path
        Where its image and its mount point are made; on a tmpfs it costs no wear.
    mebibytes : int
        Its size.
    """

    def __init__(self, folder: Path, mebibytes: int = 32) -> None:
        self.image, self.mounted = folder / "disk.img", folder / "disk"
        self.mounted.mkdir(parents=True)
        with self.image.open("wb") as file:
            file.truncate(mebibytes << 20)
        run("mkfs.ext4", "-q", "-m", "0", str(self.image))
        run("mount", "-o", "loop,errors=remount-ro", str(self.image), str(self.mounted))
        self._filler = self.mounted / "filler"

    def fill(self) -> None:
        """Leave no byte."""
        for size in (1 << 20, 4096, 1):
            with suppress(OSError), self._filler.open("ab", buffering=0) as file:
                while True:
                    file.write(bytes(size))
        os.sync()

    def make_room(self) -> None:
        """Free what `fill` took."""
        self._filler.unlink(missing_ok=True)

    def break_it(self) -> None:
        """What the kernel does after an error of the device: the journal is aborted, nothing is written any
        more.
        """
        device = Path(run("losetup", "-n", "-O", "NAME", "-j", str(self.image)).strip()).name
        Path(f"/sys/fs/ext4/{device}/trigger_fs_error").write_text("1", encoding="ascii")

    def remount(self, mode: str) -> None:
        """Mount anew, "ro" or "rw"."""
        run("mount", "-o", f"remount,{mode}", str(self.mounted))

    def close(self) -> None:
        """Unmount and throw away."""
        for _ in range(50):
            if "target is busy" not in run("umount", str(self.mounted), check=False):
                break
            time.sleep(0.1)
        else:
            run("umount", "-l", str(self.mounted), check=False)
        self.image.unlink(missing_ok=True)
