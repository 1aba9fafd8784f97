"""Bringing samples together: alignment by the last fresh value, and sums over steps of time."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.frame import Status
from daq.measure.bins import QUANTITIES, Bins
from daq.measure.columns import Columns
from tests.watch.workshop import S, bench, block, cut, steady

NAN = float("nan")


def test_blocks_of_a_source_are_joined_in_order_of_time() -> None:
    first = block(np.array([1.0, 2.0]), {"amps": np.array([1.0, 2.0])})
    later = block(np.array([3.0]), {"amps": np.array([3.0]), "volts": np.array([12.0])})
    columns = Columns.from_blocks([later, first])
    t_ns, amps = columns.good("amps")
    assert t_ns.tolist() == [S, 2 * S, 3 * S]
    assert amps.tolist() == [1.0, 2.0, 3.0]
    volts = columns.channels["volts"]
    assert volts.status.tolist() == [Status.MISSING, Status.MISSING, Status.GOOD]
    assert columns.span_ns == (S, 3 * S)


def test_bad_and_missing_values_are_left_out_and_uncertain_ones_kept() -> None:
    codes = np.array([0, 1, 2, 3], dtype=np.uint8)
    made = block(np.arange(4.0), {"amps": np.array([1.0, 2.0, NAN, NAN])}, status={"amps": codes})
    t_ns, amps = Columns.from_blocks([made]).good("amps")
    assert (t_ns / S).tolist() == [0.0, 1.0]
    assert amps.tolist() == [1.0, 2.0]


def test_alignment_takes_the_last_value_and_nothing_across_a_gap() -> None:
    slow = block(np.array([0.0, 5.0]), {"gas_flow": np.array([1.0, 2.0])}, source="meter")
    columns = Columns.from_blocks([slow])
    at = np.array([-1.0, 0.0, 1.9, 2.0, 2.1, 4.9, 5.0, 6.5]) * S
    found = columns.at("gas_flow", at.astype(np.int64), stale_after_s=2.0)
    np.testing.assert_equal(found, [NAN, 1.0, 1.0, 1.0, NAN, NAN, 2.0, 2.0])


def test_a_channel_that_nobody_sent_is_empty() -> None:
    columns = Columns.from_blocks([])
    assert columns.good("amps")[0].size == 0
    assert columns.span_ns is None
    assert np.isnan(columns.at("amps", np.array([0]), 2.0)).all()


# -- sums --------------------------------------------------------------------------------------------------


def seconds_of(bins: Bins, name: str) -> Any:
    return bins.seconds[QUANTITIES.index(name)]


def sums_of(bins: Bins, name: str) -> Any:
    return bins.sums[QUANTITIES.index(name)]


def test_a_sample_stands_for_the_time_since_the_one_before() -> None:
    bins = Bins(bench())
    bins.add(Columns.from_blocks([steady(5.0, amps=10.0)]))
    np.testing.assert_allclose(seconds_of(bins, "amps"), np.ones(5))
    np.testing.assert_allclose(sums_of(bins, "amps"), np.full(5, 10.0))
    assert seconds_of(bins, "volts").sum() == 0.0


def test_a_gap_stands_for_nothing() -> None:
    """10 Hz for 2 s, 10 s of silence, 10 Hz for 2 s: 4 s of samples, the first after the gap for 0.1 s."""
    t_s = np.concatenate([np.arange(1, 21) / 10.0, 12.0 + np.arange(1, 21) / 10.0])
    bins = Bins(bench())
    bins.add(Columns.from_blocks([block(t_s, {"amps": np.full(40, 10.0)})]))
    assert seconds_of(bins, "amps").sum() == pytest.approx(4.0)
    assert sums_of(bins, "amps").sum() == pytest.approx(40.0)
    assert np.all(seconds_of(bins, "amps")[2:12] == 0.0)


def test_a_slow_source_stands_for_its_whole_interval() -> None:
    made = bench({"gas_flow": "meter"})
    slow = block(np.arange(1, 11) * 2.0, {"gas_flow": np.full(10, 0.5)}, source="meter")
    bins = Bins(made)
    bins.add(Columns.from_blocks([slow]))
    # 2 s apart with 2 s of staleness; before the first nothing is known but its nominal interval
    assert seconds_of(bins, "gas_flow").sum() == pytest.approx(18.0 + 0.1)


def test_a_late_sample_joins_its_own_step() -> None:
    made = bench({"amps": "head", "gas_flow": "meter"})
    bins = Bins(made)
    bins.add(Columns.from_blocks([steady(5.0, amps=10.0)]))
    bins.add(Columns.from_blocks([block(np.array([3.5]), {"gas_flow": np.array([0.5])}, source="meter")]))
    assert seconds_of(bins, "gas_flow")[3] == pytest.approx(0.1)


def test_product_of_volts_and_amps_of_two_devices_needs_both_fresh() -> None:
    made = bench({"volts": "psu", "amps": "head"})
    volts = block(np.arange(1, 101) / 10.0, {"volts": np.full(100, 12.0)}, source="psu")
    amps = block(np.arange(1, 41) / 10.0, {"amps": np.full(40, 10.0)})
    bins = Bins(made)
    bins.add(Columns.from_blocks([volts, amps]))
    # amps ended at 4 s and are stale after 2 s
    assert seconds_of(bins, "volt_amps").sum() == pytest.approx(6.0, abs=0.11)
    assert sums_of(bins, "volt_amps").sum() == pytest.approx(12.0 * 10.0 * 6.0, rel=0.02)


@settings(max_examples=60, deadline=None)
@given(
    drops=st.sets(st.integers(1, 398), max_size=150),
    cuts=st.lists(st.integers(0, 400), max_size=12),
)
def test_sums_do_not_depend_on_how_the_samples_come(drops: set[int], cuts: list[int]) -> None:
    rng = np.random.default_rng(1)
    keep = np.array([i for i in range(400) if i not in drops])
    t_s = (keep + 1) / 10.0
    whole = block(
        t_s, {"amps": 10.0 + rng.standard_normal(keep.size), "volts": 12.0 + rng.standard_normal(keep.size)}
    )
    made = bench()
    once, pieces = Bins(made), Bins(made)
    once.add(Columns.from_blocks([whole]))
    bounds = sorted({0, keep.size, *(min(c, keep.size) for c in cuts)})
    for i, j in itertools.pairwise(bounds):
        pieces.add(Columns.from_blocks([cut(whole, i, j)]))
    pieces.extend(once.end)
    np.testing.assert_allclose(pieces.seconds, once.seconds, atol=1e-12)
    np.testing.assert_allclose(pieces.sums, once.sums, atol=1e-9)


def test_windows_outside_what_is_kept_are_empty() -> None:
    bins = Bins(bench())
    bins.add(Columns.from_blocks([steady(10.0, amps=10.0)]))
    bins.trim(5)
    seconds, _ = bins.windows(np.array([2, 7, 14], dtype=np.int64), 4)
    assert seconds[QUANTITIES.index("amps")].sum(axis=1) == pytest.approx([0.0, 2.0, 0.0])
