"""The firmware and the emulator's host, compiled once a test session, the one by its own Makefile."""

from __future__ import annotations

import atexit
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.ci_rule import missing_program

__all__ = ["FIRMWARE", "Built", "built", "need_tools"]

FIRMWARE = Path(__file__).parents[2] / "firmware_notes" / "firmware"
HOST_SOURCE = Path(__file__).with_name("emulator_host.c")

_NEEDED = {
    "avr-gcc": "gcc-avr",
    "/usr/lib/avr/include/avr/io.h": "avr-libc",
    "gcc": "gcc",
    "/usr/include/stdio.h": "libc6-dev",
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
    "make": "make",
}
"""What must be there, and the Debian package that brings it."""


@dataclass(frozen=True, slots=True)
class Built:
    """Where the programs are, and what the Makefile said of the firmware's size."""

    elf: Path
    host: Path
    output: str


def need_tools() -> None:
    """Skip the calling test, in CI fail it, where a compiler or the emulator's library is missing."""
    for what, package in _NEEDED.items():
        there = Path(what).exists() if what.startswith("/") else shutil.which(what) is not None
        if not there:
            missing_program(what, f"install {package}: bash tests/install_servers.sh")


@cache
def built() -> Built:
    """Compile both. `need_tools` says beforehand whether that can be done."""
    folder = Path(tempfile.mkdtemp(prefix="lyewatch-firmware-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    made = _run("make", "-C", str(FIRMWARE), f"O={folder}")
    host = folder / "emulator_host"
    warnings = ("-Wall", "-Wextra", "-Werror")
    _run("gcc", "-O2", *warnings, "-o", str(host), str(HOST_SOURCE), "-lsimavr", "-lm")
    return Built(folder / "head.elf", host, made)


def _run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}:\n{done.stdout}{done.stderr}"
    return done.stdout
