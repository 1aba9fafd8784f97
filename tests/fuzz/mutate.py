"""Valid messages made invalid in the ways that wires, programs and people find."""

from __future__ import annotations

import random
from collections.abc import Sequence

__all__ = ["chunks", "mutate"]

_LONGEST = 20_000


def mutate(rng: random.Random, seeds: Sequence[bytes], tokens: Sequence[bytes]) -> bytes:
    """One of `seeds`, changed one to six times, often by one of `tokens`."""
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        _change(rng, data, seeds, tokens)
    return bytes(data[:_LONGEST])


def _change(rng: random.Random, data: bytearray, seeds: Sequence[bytes], tokens: Sequence[bytes]) -> None:
    at = rng.randrange(len(data) + 1)
    upto = min(len(data), at + rng.choice((1, 1, 2, 4, 16, 64)))
    kind = rng.randrange(9)
    if kind == 0 and at < len(data):
        data[at] ^= 1 << rng.randrange(8)
    elif kind == 1 and at < len(data):
        data[at] = rng.randrange(256)
    elif kind == 2:
        data[at:at] = rng.randbytes(rng.choice((1, 2, 8, 40)))
    elif kind == 3:
        del data[at:upto]
    elif kind == 4:
        data[at:at] = data[at:upto] * rng.choice((1, 2, 30))
    elif kind == 5:
        other = rng.choice(seeds)
        data[at:] = other[rng.randrange(len(other) + 1) :]
    elif kind == 6:
        del data[at:]
    else:
        data[at : upto if kind == 7 else at] = rng.choice(tokens)


def chunks(rng: random.Random, data: bytes) -> list[bytes]:
    """`data` as a port may hand it over."""
    if rng.random() < 0.5 or len(data) < 2:
        return [data]
    cuts = sorted(rng.randrange(1, len(data)) for _ in range(rng.choice((1, 1, 3))))
    return [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
