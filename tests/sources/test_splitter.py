"""Chunks to lines: whatever the cuts, the same lines and the same counts, in bounded memory."""

from __future__ import annotations

import re
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from daq.sources.splitter import Splitter

# Bytes that matter here are common, so that ends meet each other and lines reach the limit.
streams = st.lists(
    st.one_of(
        st.sampled_from(
            [b"\r", b"\n", b"\r\n", b"\n\r", b"\x00", b"seq=1 *0000", b"y" * 19, b"y" * 20, b"y" * 99]
        ),
        st.binary(max_size=12),
    ),
    max_size=40,
).map(b"".join)


def split(stream: bytes, cuts: list[int], limit: int = 21) -> tuple[list[bytes], bytes | None, int]:
    """Lines, head and overlong count of a stream fed in pieces."""
    splitter, lines, head = Splitter(limit), [], None
    edges = [0, *sorted(cut % (len(stream) + 1) for cut in cuts), len(stream)]
    for start, end in pairwise(edges):
        lines += splitter.feed(stream[start:end])
        head = splitter.take_head() or head
        assert splitter.pending < limit
    return lines, head, splitter.overlong


@given(streams, st.lists(st.integers(0, 10_000), max_size=30))
@settings(max_examples=1000, deadline=None)
def test_any_chunking_gives_the_same_lines(stream: bytes, cuts: list[int]) -> None:
    assert split(stream, cuts) == split(stream, [])
    assert split(stream, list(range(len(stream)))) == split(stream, [])


@given(streams)
@settings(max_examples=500, deadline=None)
def test_lines_are_those_of_a_plain_split(stream: bytes) -> None:
    whole = re.split(rb"\r\n|\r|\n", stream)[:-1]
    lines, head, overlong = split(stream, [])
    assert lines == [part for part in whole[1:] if 0 < len(part) <= 20]
    assert head == (whole[0] if whole and 0 < len(whole[0]) <= 20 else None)
    unfinished = len(re.split(rb"[\r\n]", stream)[-1]) > 20
    assert overlong == sum(len(part) > 20 for part in whole) + unfinished


def test_the_head_is_kept_apart_once() -> None:
    splitter = Splitter()
    assert splitter.feed(b"lts=1 *0000\nwhole\n") == [b"whole"]
    assert splitter.take_head() == b"lts=1 *0000"
    assert splitter.take_head() is None


def test_after_a_restart_half_lines_do_not_join() -> None:
    splitter = Splitter()
    assert splitter.feed(b"\nbegun") == []
    splitter.restart()
    assert splitter.feed(b"rest\nnext\n") == [b"next"]
    assert splitter.take_head() == b"rest"


def test_a_flood_keeps_no_more_than_a_line() -> None:
    splitter = Splitter()
    for _ in range(1000):
        splitter.feed(b"\xff" * 65_536)
        assert splitter.pending == 0
    assert splitter.overlong == 1
    assert splitter.feed(b"\nok\n") == [b"ok"]
