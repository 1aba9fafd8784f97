"""A block's own verbs, against the plainest way to say each: row by row."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.frame import Block, Status
from tests.store.made import assert_same, block, status_column


def test_rows_by_slice_by_index_and_by_mask() -> None:
    made = block("stack", 30)
    for pick in (slice(4, 9), np.arange(4, 9), (made.seq >= 4) & (made.seq < 9)):
        part = made.rows(pick)
        assert part.seq.tolist() == [4, 5, 6, 7, 8]
        assert_same(part, block("stack", 5, first=4))
    assert len(made.rows(slice(0, 0))) == 0
    made.rows(slice(4, 9)).values["volts"][0] = 99.0
    assert made.values["volts"][4] == 99.0, "a slice shares its memory"


@pytest.mark.parametrize("times", [[0, 1, 1, 3, 5, 5, 8], [5, 0, 8, 1, 5, 3, 1], [4], []])
@pytest.mark.parametrize("start", [None, -1, 0, 1, 2, 5, 8, 9])
@pytest.mark.parametrize("end", [None, -1, 0, 1, 2, 5, 8, 9])
def test_between_takes_both_ends_whatever_the_order(
    times: list[int], start: int | None, end: int | None
) -> None:
    t_ns = np.array(times, dtype=np.int64)
    made = Block("stack", t_ns, np.arange(t_ns.size), {"volts": np.sqrt(t_ns)})
    low, high = -math.inf if start is None else start, math.inf if end is None else end
    wanted = [k for k, t in enumerate(times) if low <= t <= high]
    found = made.between(start, end)
    assert found.seq.tolist() == wanted
    assert found.values["volts"].tolist() == [math.sqrt(times[k]) for k in wanted]
    if len(wanted) == len(times):
        assert found is made, "nothing is copied where nothing is cut"


def test_concat_is_in_order_of_time_and_says_what_each_part_said() -> None:
    one = Block(
        "a",
        np.array([0, 10, 20]),
        np.array([0, 1, 2]),
        {"volts": np.array([1.0, np.nan, 3.0])},
        {"volts": np.array([0, 2, 1], dtype=np.uint8)},
        {"volts": np.array([np.nan, 7.0, np.nan])},
    )
    other = Block(
        "b", np.array([10, 15]), np.array([3, 4]), {"volts": np.array([4.0, np.nan]), "amps": np.ones(2)}
    )
    whole = Block.concat("c", [one, other])
    assert (whole.source, whole.seq.tolist()) == ("c", [0, 1, 3, 4, 2]), "equal times keep the parts' order"
    np.testing.assert_array_equal(whole.values["volts"], [1.0, np.nan, 4.0, np.nan, 3.0])
    np.testing.assert_array_equal(whole.values["amps"], [np.nan, np.nan, 1.0, 1.0, np.nan])
    np.testing.assert_array_equal(whole.raw["volts"], [np.nan, 7.0, np.nan, np.nan, np.nan])
    good, uncertain, bad, missing = Status
    assert whole.status_of("volts").tolist() == [good, bad, good, missing, uncertain]
    assert whole.status_of("amps").tolist() == [missing, missing, good, good, missing]
    assert "amps" not in whole.status, "it says no more than the values do"
    assert whole.status_of("gas_flow").tolist() == [missing] * 5
    for channel in ("volts", "amps", "gas_flow"):
        assert whole.status_of(channel).tolist() == status_column(whole, channel).tolist()


def test_concat_of_nothing_and_of_one() -> None:
    assert len(Block.concat("a", [])) == 0
    assert Block.concat("a", []).source == "a"
    made = block("stack", 5)
    empty = made.rows(slice(0, 0))
    found = Block.concat("me", [empty, made, empty])
    assert found.source == "me"
    assert found.t_ns is made.t_ns, "one block is not copied"
