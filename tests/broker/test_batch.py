"""Batches of samples: there and back to the last bit, and nothing that is wrong gets through."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.broker import Batch, Continuity, Topics, bench_id_of, decode_batch, encode_batch, parse_topic
from daq.errors import FrameError
from daq.frame import NO_SEQ, Block, Sample, Status

START = 1_764_110_000_123_456_789


def a_batch(*blocks: Block) -> Batch:
    return Batch("torch-1", "5f3a9c0e", 17, "20261125-225000", "run", START, blocks, "A", START + 5)


def samples(count: int = 5) -> list[Sample]:
    return [
        Sample(
            "head",
            1_000_000_000 + 100_000_123 * n,
            {"volts": 12.0 + n / 7, "lye_temp": math.nan if n == 2 else 40.0 + n / 3},
            {"lye_temp": Status.BAD} if n == 2 else {},
            100 + n,
            {"volts": 1023.0 - n},
        )
        for n in range(count)
    ]


def same(one: Block, other: Block) -> bool:
    """Whether two blocks hold the same, NaN being equal to NaN."""
    return (
        one.source == other.source
        and np.array_equal(one.t_ns, other.t_ns)
        and np.array_equal(one.seq, other.seq)
        and one.values.keys() == other.values.keys()
        and all(np.array_equal(v, other.values[n], equal_nan=True) for n, v in one.values.items())
        and all(np.array_equal(v, other.status[n]) for n, v in one.status.items())
        and one.raw.keys() == other.raw.keys()
        and all(np.array_equal(v, other.raw[n], equal_nan=True) for n, v in one.raw.items())
    )


def test_there_and_back() -> None:
    block = Block.from_samples("head", samples())
    sent = a_batch(block)
    got = decode_batch(encode_batch(sent), bench="torch-1")
    assert (got.bench, got.epoch, got.n, got.run, got.kind) == (
        "torch-1",
        "5f3a9c0e",
        17,
        "20261125-225000",
        "run",
    )
    assert (got.start_utc_ns, got.sent_utc_ns, got.build, got.rows) == (START, START + 5, "A", 5)
    assert same(got.blocks[0], block)


def test_a_message_is_small() -> None:
    # Ten rows a second of eight channels: what docs/broker.md says of the bytes a sample takes.
    rows = [
        Sample("head", 100_000_000 * n, {f"ch_{i}": round(12.345 + n / 100, 3) for i in range(8)}, {}, n)
        for n in range(10)
    ]
    per_value = len(encode_batch(a_batch(Block.from_samples("head", rows)))) / 80
    assert per_value < 15


numbers = st.floats(allow_infinity=False, width=64)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 2**40),
            st.integers(NO_SEQ, 2**40),
            st.dictionaries(st.sampled_from("abc"), numbers),
        ),
        min_size=1,
        max_size=30,
    )
)
def test_any_samples_come_back_bit_for_bit(rows: list[tuple[int, int, dict[str, float]]]) -> None:
    made = [Sample("head", t, {"x": 0.5, **values}, {}, seq) for t, seq, values in rows]
    block = Block.from_samples("head", made)
    assert same(decode_batch(encode_batch(a_batch(block))).blocks[0], block)


def changed(**parts: Any) -> bytes:
    data = orjson.loads(encode_batch(a_batch(Block.from_samples("head", samples()))))
    return orjson.dumps(data | parts)


def block_with(**parts: Any) -> bytes:
    data = orjson.loads(encode_batch(a_batch(Block.from_samples("head", samples()))))
    data["blocks"][0] |= parts
    return orjson.dumps(data)


@pytest.mark.parametrize(
    ("payload", "pattern"),
    [
        (b"", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b"[]", "no batch of version 1"),
        (changed(v=2), "no batch of version 1"),
        (b'{"v":1}', "lacks bench"),
        (changed(bench="torch-2"), "another bench than its topic"),
        (changed(bench="../x"), "bench is not as it should be"),
        (changed(epoch="zz"), "epoch"),
        (changed(n=0), "n is no whole number"),
        (changed(n=True), "n is no whole number"),
        (changed(run=""), "run"),
        (changed(run="a\nb"), "run"),
        (changed(start_ns=1.5), "start_ns"),
        (changed(blocks=[]), "no list of blocks"),
        (changed(blocks=[3]), "no object"),
        (block_with(source="Head"), "source"),
        (block_with(t0=2**63), "t0"),
        (block_with(dt=[-1, 0, 0, 0]), "dt holds a number"),
        (block_with(dt=[2**62, 2**62, 2**62, 0]), "beyond 64 bits"),
        (block_with(dt=[1.0, 0, 0, 0]), "dt is no list"),
        (block_with(seq=[1, 2]), "seq has 2 entries for 5 rows"),
        (block_with(v={"volts": [1, 2, 3, 4]}), "v.volts has 4 entries"),
        (block_with(v={"volts": ["1", 2, 3, 4, 5]}), "v.volts is no list of numbers"),
        (block_with(v={"volts": [True, 2, 3, 4, 5]}), "v.volts is no list of numbers"),
        (block_with(v={"v olts": [1, 2, 3, 4, 5]}), "no channel's name"),
        (block_with(v={}), "no channel"),
        (block_with(s={"volts": [0, 0, 0, 0, 9]}), "s.volts holds a number"),
        (block_with(s={"amps": [0, 0, 0, 0, 0]}), "has no values"),
    ],
)
def test_what_is_wrong_is_refused(payload: bytes, pattern: str) -> None:
    with pytest.raises(FrameError, match=pattern):
        decode_batch(payload, bench="torch-1")


def test_topics() -> None:
    topics = Topics("torch-1")
    assert topics.of("samples") == "lyewatch/v1/torch-1/samples"
    assert Topics.every_bench("samples", group="gather") == "$share/gather/lyewatch/v1/+/samples"
    assert parse_topic("lyewatch/v1/torch-1/alarms") == ("torch-1", "alarms")
    for foreign in ("lyewatch/v1/torch-1", "lyewatch/v1/torch-1/x", "lyewatch/v2/torch-1/alarms", "a", ""):
        assert parse_topic(foreign) is None
    assert bench_id_of("Torch bench 1, Häuser") == "torch-bench-1-h-user"
    assert bench_id_of("電解") == "bench"


def test_loss_and_repetition_show_in_the_numbers() -> None:
    count = Continuity()
    verdicts = [count.see("aaaaaaaa", n) for n in (5, 6, 6, 9, 8, 5, 4, 4, 10)]
    assert verdicts == ["new", "new", "duplicate", "new", "new", "duplicate", "new", "duplicate", "new"]
    assert (count.missing, count.new, count.duplicates) == (1, 6, 3)
    count.see("aaaaaaaa", 7)
    assert count.missing == 0
    count.see("bbbbbbbb", 1)
    assert (count.see("bbbbbbbb", 3), count.missing) == ("new", 1)


def test_a_sender_that_jumps_far_takes_no_memory() -> None:
    count = Continuity()
    count.see("aaaaaaaa", 1)
    count.see("aaaaaaaa", 10**12)
    assert count.missing == 10**12 - 2
    assert count.see("aaaaaaaa", 10**12 - 1) == "new"
    assert count.see("aaaaaaaa", 500) == "new"  # nobody knows any more; to take it twice does no harm
    assert count.missing == 10**12 - 4
