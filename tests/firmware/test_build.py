"""What the firmware takes of the chip: by the Makefile's own words, and by the memory that it has touched."""

from __future__ import annotations

import re

from tests.firmware.built import built
from tests.firmware.emulator import Emulator
from tests.firmware.talk import Talk

RAM_FROM, RAM_TO = 0x100, 0x900


def used() -> tuple[int, int]:
    """Bytes of flash and of RAM, as `make` prints them."""
    found = re.search(
        r"^flash (\d+) of 32768 bytes \([\d.]+ %\), RAM (\d+) of 2048 bytes \([\d.]+ %\)$",
        built().output,
        re.MULTILINE,
    )
    assert found is not None, built().output
    return int(found[1]), int(found[2])


def test_it_fits_and_leaves_room_for_a_boot_loader(board: Emulator) -> None:
    flash, ram = used()
    print(f"\nflash {flash} bytes, RAM {ram} bytes")
    assert flash < 32768 - 2048
    assert ram < RAM_TO - RAM_FROM
    assert board.crashed is None


def test_the_stack_never_comes_near_the_variables(board: Emulator, talk: Talk) -> None:
    """A reset of the power leaves a pattern in memory; what of it is still there was never used."""
    board.reset("power")
    board.set_waves((12.4, 9.6), (18.0, 0.0))
    board.chop(500.0, 0.3)
    board.set_flow(3.0)
    talk.run(400.0)
    for action in ("beat", "reset", "trip", "purge"):
        talk.ask(action)
    talk.run(300.0)
    first = RAM_FROM + used()[1]
    untouched = 0
    while board.peek(first + untouched) == (197 * (first + untouched) + 89) % 256:
        untouched += 1
    print(f"\nstack: {RAM_TO - first} bytes, of which {untouched} never used")
    assert untouched > 256
