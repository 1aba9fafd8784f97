"""The contract of a backend of sealed samples, run over every backend."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daq.errors import StoreCorrupt, StoreError
from daq.frame import Block
from daq.store import SampleStore, SegmentAbout, SegmentGone
from tests.store.made import BACKENDS, Backend, assert_same, block, segment_for

ABOUT = SegmentAbout("torch bench", "A", 1_700_000_000_000_000_000, {"volts": "V", "amps": "A"})


@pytest.fixture(params=[backend.param for backend in BACKENDS])
def backend(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[SampleStore]:
    made: Backend = request.param
    store = made.make(tmp_path)
    yield store
    store.close()


def test_what_is_written_is_read(backend: SampleStore) -> None:
    made = block("stack", 500)
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)], raw=True)
    assert_same(found, made)


def test_raw_numbers_only_when_asked_for(backend: SampleStore) -> None:
    made = block("stack", 20)
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)])
    assert found.raw == {}
    assert_same(found, made, raw=False)


def test_writing_a_piece_again_replaces_it(backend: SampleStore) -> None:
    backend.write("run", segment_for(block("stack", 50)), block("stack", 50), ABOUT)
    made = block("stack", 20, first=7)
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)], raw=True)
    assert_same(found, made)


def test_pieces_are_read_in_the_order_asked(backend: SampleStore) -> None:
    made = [block("stack", 10, first=10 * k) for k in range(4)]
    segments = [segment_for(b, name=f"p{k}") for k, b in enumerate(made)]
    for segment, b in zip(segments, made, strict=True):
        backend.write("run", segment, b, ABOUT)
    found = backend.read("run", segments[::-1], raw=True)
    for b, wanted in zip(found, made[::-1], strict=True):
        assert_same(b, wanted)


def test_only_the_channels_asked_for(backend: SampleStore) -> None:
    made = block("stack", 30)
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)], channels=["amps", "gas_flow"], raw=True)
    assert set(found.values) == {"amps"}
    assert set(found.status) == {"amps"}
    assert set(found.raw) == {"amps"}


@pytest.mark.parametrize("start", [None, -5, 0, 1, 3_000_000_000, 9_900_000_000, 9_900_000_001])
@pytest.mark.parametrize("end", [None, -5, 0, 3_000_000_000, 9_899_999_999, 10**15])
def test_both_ends_of_a_span_are_included(backend: SampleStore, start: int | None, end: int | None) -> None:
    made = block("stack", 100)
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)], start_ns=start, end_ns=end)
    wanted = [t for t in made.t_ns.tolist() if (start is None or t >= start) and (end is None or t <= end)]
    assert found.t_ns.tolist() == wanted


def test_a_span_of_many_row_groups(backend: SampleStore) -> None:
    many = 150_000 if backend.merges else 15_000  # a server has no row groups, but batches and chunks
    made = block("stack", many)
    backend.write("run", segment_for(made), made, ABOUT)
    first, last = many * 32 // 150, many * 99 // 150
    (found,) = backend.read(
        "run", [segment_for(made)], start_ns=int(made.t_ns[first]), end_ns=int(made.t_ns[last])
    )
    assert found.seq.tolist() == list(range(first, last + 1))


def test_stored_order_is_kept(backend: SampleStore) -> None:
    t_ns = np.array([5, 1, 5, 3], dtype=np.int64)
    made = Block("stack", t_ns, np.arange(4), {"volts": np.array([1.0, 2.0, 3.0, 4.0])})
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)])
    assert found.t_ns.tolist() == [5, 1, 5, 3]
    assert found.values["volts"].tolist() == [1.0, 2.0, 3.0, 4.0]


def test_numbers_to_the_last_bit(backend: SampleStore) -> None:
    values = np.array([0.1 + 0.2, 5e-324, -0.0, 1.7976931348623157e308, -1 / 3, np.nan])
    t_ns = np.array([0, 1, 2**53 + 1, 2**60 + 1, 2**62, 2**63 - 1], dtype=np.int64)
    seq = np.array([-1, 0, 2**32 - 1, 1, 2, 3], dtype=np.int64)
    made = Block("stack", t_ns, seq, {"volts": values})
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)])
    assert found.values["volts"].tobytes() == values.tobytes()
    assert found.t_ns.tolist() == t_ns.tolist()
    assert found.seq.tolist() == seq.tolist()


def test_infinity_is_no_value(backend: SampleStore) -> None:
    made = Block("stack", np.arange(3), np.arange(3), {"volts": np.array([np.inf, 1.0, -np.inf])})
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)])
    np.testing.assert_array_equal(found.values["volts"], [np.nan, 1.0, np.nan])


def test_a_channel_that_never_spoke(backend: SampleStore) -> None:
    made = Block("stack", np.arange(5), np.arange(5), {"volts": np.full(5, np.nan), "amps": np.ones(5)})
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)])
    assert_same(found, made)


@pytest.mark.parametrize("channel", ["t_ns", "seq", "t_ns.value", "amps.status", "µ Ω/5"])
def test_any_name_of_a_channel(backend: SampleStore, channel: str) -> None:
    values = {channel: np.array([1.0, np.nan]), "amps": np.array([5.0, 6.0])}
    status = {channel: np.array([1, 2], dtype=np.uint8)}
    made = Block("stack", np.arange(2), np.arange(2), values, status)
    backend.write("run", segment_for(made), made, ABOUT)
    (found,) = backend.read("run", [segment_for(made)])
    assert_same(found, made)


def test_a_piece_that_is_not_there(backend: SampleStore) -> None:
    made = block("stack", 3)
    backend.write("run", segment_for(made), made, ABOUT)
    with pytest.raises(SegmentGone) as caught:
        backend.read("run", [segment_for(made), segment_for(made, name="gone")])
    assert isinstance(caught.value, StoreCorrupt)
    assert "gone" in str(caught.value)


def test_nothing_asked_nothing_read(backend: SampleStore) -> None:
    assert backend.read("run", []) == []


def test_deleting_is_of_those_pieces_alone_and_may_be_done_again(backend: SampleStore) -> None:
    made = block("stack", 3)
    for name in ("a", "b"):
        backend.write("run", segment_for(made, name=name), made, ABOUT)
    backend.write("other", segment_for(made, "other", "a"), made, ABOUT)
    for _ in range(2):
        backend.delete("run", ["a", "never-was"])
    with pytest.raises(SegmentGone):
        backend.read("run", [segment_for(made, name="a")])
    assert len(backend.read("run", [segment_for(made, name="b")])) == 1
    assert len(backend.read("other", [segment_for(made, "other", "a")])) == 1


def test_merged_pieces_say_what_they_said(backend: SampleStore) -> None:
    if not backend.merges:
        with pytest.raises(StoreError, match="not merged"):
            backend.merge("run", [], segment_for(block("stack", 1)), ABOUT)
        return
    plain = Block("stack", np.arange(4), np.arange(4), {"volts": np.array([1.0, np.nan, 3.0, 4.0])})
    made = [
        plain,
        block("stack", 300, first=10),
        Block("stack", np.arange(2) + 10**12, np.arange(2), {"gas_flow": np.array([1.5, np.nan])}),
        block("stack", 70_000, first=20_000),
    ]
    segments = [segment_for(b, name=f"p{k}") for k, b in enumerate(made)]
    for segment, b in zip(segments, made, strict=True):
        backend.write("run", segment, b, ABOUT)
    into = replace(segment_for(made[-1], name="whole", level=1), rows=sum(map(len, made)))
    backend.merge("run", segments, into, ABOUT)
    (found,) = backend.read("run", [into], raw=True)
    at = 0
    for b in made:
        rows = slice(at, at + len(b))
        part = Block(
            "stack",
            found.t_ns[rows],
            found.seq[rows],
            {n: v[rows] for n, v in found.values.items()},
            {n: s[rows] for n, s in found.status.items()},
            {n: r[rows] for n, r in found.raw.items()},
        )
        assert_same(part, b)
        at += len(b)
    assert at == len(found)
    for b, kept in zip(made, backend.read("run", segments, raw=True), strict=True):
        assert_same(kept, b)


def test_a_survey_finds_every_piece_as_it_is(backend: SampleStore) -> None:
    assert list(backend.survey()) == []
    made = {"a": block("stack", 40), "b": block("me:ter/1", 7, first=50)}
    for name, b in made.items():
        backend.write("run", segment_for(b, name=name, first_id=11), b, ABOUT)
    found = {p.name: p for p in backend.survey()}
    assert set(found) == {"a", "b"}
    for name, b in made.items():
        p = found[name]
        assert (p.run_id, p.source, p.rows, p.first_id, p.last_id) == (
            "run",
            b.source,
            len(b),
            11,
            10 + len(b),
        )
        assert (p.t_min_ns, p.t_max_ns) == (b.t_ns[0], b.t_ns[-1])
        span = p.spans["volts"]
        assert span is not None
        assert (span.low, span.high) == (b.values["volts"].min(), b.values["volts"].max())
