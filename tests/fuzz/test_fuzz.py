"""A short run of the fuzz: no decoder lets a foreign exception out, and none keeps what it was given.

`python -m tests.fuzz --n 1000000` is the long one.
"""

from __future__ import annotations

import random
import tracemalloc

import pytest

from tests.fuzz.targets import TARGETS

INPUTS = 3000


@pytest.mark.parametrize("name", TARGETS)
def test_only_our_own_errors(name: str) -> None:
    target, rng = TARGETS[name](), random.Random(20)
    try:
        for _ in range(max(20, INPUTS // target.cost)):
            target.once(rng)
    finally:
        target.close()


@pytest.mark.parametrize("name", ["line", "text", "scpi", "modbus", "senml", "batch"])
def test_what_was_read_is_not_kept(name: str) -> None:
    target, rng = TARGETS[name](), random.Random(21)
    for _ in range(500):
        target.once(rng)
    size = 0
    tracemalloc.start()
    try:
        while size < 60_000:
            size += len(target.once(rng))
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 50_000
