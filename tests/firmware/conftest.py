"""A board in lockstep, and the host's end of its line."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.firmware.emulator import Emulator
from tests.firmware.talk import Talk


@pytest.fixture
def board() -> Iterator[Emulator]:
    """Virtual time stands still but for `run`."""
    with Emulator() as emulator:
        yield emulator


@pytest.fixture
def talk(board: Emulator) -> Iterator[Talk]:
    """The line to `board`, open from its power-up on."""
    with Talk(board) as line:
        yield line
