"""A downsampled series keeps every extreme: against the plainest way to say it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daq.errors import StoreError
from daq.store import Store, envelope_of
from tests.store.made import sample

numbers = st.one_of(
    st.just(math.nan), st.floats(-1e6, 1e6, width=32), st.sampled_from([0.0, 1.0, -1.0, 1e300, -1e300])
)
series = st.lists(st.tuples(st.integers(0, 10_000), numbers), max_size=120)


def arrays(rows: list[tuple[int, float]]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    rows = sorted(rows, key=lambda r: r[0])
    return np.array([r[0] for r in rows], dtype=np.int64), np.array([r[1] for r in rows], dtype=np.float64)


@settings(max_examples=300, deadline=None)
@given(series, st.integers(1, 40))
def test_spans_partition_the_series_and_keep_its_extremes(rows: list[tuple[int, float]], points: int) -> None:
    t_ns, values = arrays(rows)
    found = envelope_of(t_ns, values, points)
    assert len(found) <= max(points, 0) or len(found) == len(t_ns) <= points
    assert bool(np.all(np.diff(found.t_ns) >= 0))
    assert int(found.count.sum()) == int(np.isfinite(values).sum())
    # Walk the spans by their counts of samples: every sample is in one, in order, the last one too.
    starts = [*_starts(t_ns, found.t_ns), len(t_ns)]
    for k in range(len(found)):
        part, when = values[starts[k] : starts[k + 1]], t_ns[starts[k] : starts[k + 1]]
        assert len(part) >= 1
        finite = part[np.isfinite(part)]
        assert found.count[k] == finite.size
        if finite.size == 0:
            assert math.isnan(found.lo[k])
            assert math.isnan(found.hi[k])
            assert math.isnan(found.mean[k])
        else:
            assert found.lo[k] == finite.min()
            assert found.hi[k] == finite.max()
            assert found.t_lo_ns[k] == when[np.flatnonzero(part == finite.min())[0]]
            assert found.t_hi_ns[k] == when[np.flatnonzero(part == finite.max())[0]]
            np.testing.assert_allclose(
                found.mean[k], math.fsum(finite) / finite.size, rtol=1e-9, atol=1e-9 * abs(finite).max()
            )


def _starts(t_ns: NDArray[np.int64], firsts: NDArray[np.int64]) -> list[int]:
    """Where each span starts. With as many spans as samples, equal times are spans of their own."""
    if len(firsts) == len(t_ns):
        return list(range(len(t_ns)))
    return [int(np.searchsorted(t_ns, t, side="left")) for t in firsts]


@pytest.mark.parametrize("size", [1, 1999, 2000, 2001, 2500, 3999, 4001, 86_413])
@pytest.mark.parametrize("at", ["first", "middle", "last"])
def test_one_sample_spike_is_kept_wherever_it_is(size: int, at: str) -> None:
    """Of every size: a remainder after the last whole span was once where spikes were lost."""
    where = {"first": 0, "middle": size // 2, "last": size - 1}[at]
    t_ns = np.arange(size, dtype=np.int64) * 100_000_000
    values = np.full(size, 11.5)
    values[where] = 19.0
    found = envelope_of(t_ns, values, 2000)
    assert len(found) <= 2000
    assert found.hi.max() == 19.0
    assert found.t_hi_ns[int(np.argmax(found.hi))] == t_ns[where]
    assert found.count.sum() == size


def test_a_nan_beside_a_spike_does_not_hide_it() -> None:
    t_ns = np.arange(10_000, dtype=np.int64)
    values = np.full(10_000, 11.5)
    values[4_999], values[5_000], values[5_001] = math.nan, 19.0, math.nan
    found = envelope_of(t_ns, values, 50)
    assert found.hi.max() == 19.0
    assert found.t_hi_ns[int(np.argmax(found.hi))] == 5_000
    assert np.isfinite(found.lo).all()


def test_times_of_weeks_in_nanoseconds_keep_their_samples_apart() -> None:
    start = 30 * 86_400 * 10**9
    t_ns = start + np.arange(5, dtype=np.int64)
    found = envelope_of(t_ns, np.arange(5.0), 5)
    assert found.t_ns.tolist() == t_ns.tolist()
    assert found.lo.tolist() == [0, 1, 2, 3, 4]


def test_the_spans_divide_what_was_asked_for_and_gaps_are_left_out() -> None:
    t_ns = np.concatenate([np.arange(0, 1000), np.arange(9000, 10_000)]).astype(np.int64)
    found = envelope_of(t_ns, np.ones(2000), 10, 0, 9_999)
    assert found.t_ns.tolist() == [0, 9000]
    assert found.count.tolist() == [1000, 1000]


def test_a_stores_envelope_over_pieces_and_journal(tmp_path: object) -> None:
    store = Store(tmp_path, writer=True)  # type: ignore[arg-type]
    rows = [("r", sample("stack", k, volts=11.0 + (k == 777) * 8, amps=math.nan)) for k in range(1000)]
    store.commit(rows[:800], full=False)
    store.seal("r", all_rows=True)
    store.commit(rows[800:], full=False)
    found = store.envelope("r", ["volts", "amps", "unheard", "volts"], points=13)
    assert list(found) == ["volts", "amps", "unheard"]
    assert found["volts"].hi.max() == 19.0
    assert found["volts"].count.sum() == 1000
    assert found["amps"].count.sum() == 0
    assert len(found["unheard"]) == 0
    zoom = store.envelope("r", ["volts"], points=5, start_ns=77_700_000_000, end_ns=77_700_000_000)["volts"]
    assert zoom.hi.tolist() == [19.0]
    assert zoom.t_ns.tolist() == [77_700_000_000]
    assert store.envelope("r", [], points=5) == {}
    with pytest.raises(StoreError, match="points: too few points"):
        store.envelope("r", ["volts"], points=0)
    store.close()
