"""Beginning and end of a condition, against the trace of the definitions and against a plain walk."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.alarms.detectors import Edge, LimitDetector, PulseDetector

S = 1_000_000_000


def test_the_alarm_trace() -> None:
    """On-delay, off-delay and deadband as ANSI/ISA-18.2-2016 and IEC 62682 define them, worked by hand.

    Limit 60, deadband 2, on-delay 3 s, off-delay 5 s, a sample a second: it activates at t = 6, when the
    value has been beyond for three whole seconds, and clears at t = 16; the dip at t = 8 and 9 is cancelled
    by the 59 at t = 10, which is not below limit minus deadband.
    """
    pv = [59, 61, 59, 61, 61, 61, 61, 59, 57.9, 57.9, 59, 57.9, 57.9, 57.9, 57.9, 57.9, 57.9, 59]
    wanted = [0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0]
    t_ns = np.arange(len(pv), dtype=np.int64) * S
    detector = LimitDetector(60.0, deadband=2.0, on_delay_s=3.0, off_delay_s=5.0)
    assert detector.process(t_ns, np.array(pv)) == [Edge(6 * S, True, 61.0), Edge(16 * S, False, 57.9)]

    one_by_one = LimitDetector(60.0, deadband=2.0, on_delay_s=3.0, off_delay_s=5.0)
    active = []
    for i, value in enumerate(pv):
        one_by_one.process(t_ns[i : i + 1], np.array([value]))
        active.append(int(one_by_one.active))
    assert active == wanted


def test_one_sample_beyond_is_enough_without_delay() -> None:
    values = np.full(1000, 40.0)
    values[500] = 60.1
    t_ns = np.arange(1000, dtype=np.int64) * S // 10
    edges = LimitDetector(60.0, deadband=1.0).process(t_ns, values)
    assert edges == [Edge(50 * S, True, 60.1), Edge(50 * S + S // 10, False, 40.0)]


def test_at_the_limit_is_not_beyond_it() -> None:
    assert LimitDetector(60.0).process(np.array([0]), np.array([60.0])) == []
    assert LimitDetector(60.0, low=True).process(np.array([0]), np.array([60.0])) == []


def test_a_low_limit_mirrors_a_high_one() -> None:
    rng = np.random.default_rng(7)
    values = 60.0 + 3.0 * rng.standard_normal(500)
    t_ns = np.arange(500, dtype=np.int64) * S
    high = LimitDetector(60.0, False, 1.0, 2.0, 3.0).process(t_ns, values)
    low = LimitDetector(-60.0, True, 1.0, 2.0, 3.0).process(t_ns, -values)
    assert [(e.t_ns, e.active) for e in high] == [(e.t_ns, e.active) for e in low]
    assert len(high) >= 10


def test_a_missing_value_changes_nothing() -> None:
    nan = float("nan")
    detector = LimitDetector(60.0, on_delay_s=2.0)
    values = np.array([61.0, nan, 61.0, nan, nan, 59.0])
    edges = detector.process(np.arange(6, dtype=np.int64) * S, values)
    assert edges == [Edge(2 * S, True, 61.0), Edge(5 * S, False, 59.0)]


def _walk(pv: list[float], limit: float, deadband: float, on: int, off: int) -> list[tuple[int, bool]]:
    """The definitions, sample by sample and as plainly as can be; times are whole seconds."""
    active, beyond_since, back_since = False, None, None
    out: list[tuple[int, bool]] = []
    for t, value in enumerate(pv):
        if np.isnan(value):
            continue
        if value > limit:
            beyond_since = t if beyond_since is None else beyond_since
        else:
            beyond_since = None
        below = value < limit - deadband if deadband > 0 else value <= limit
        if below:
            back_since = t if back_since is None else back_since
        else:
            back_since = None
        if not active and beyond_since is not None and t - beyond_since >= on:
            active = True
            out.append((t, True))
        elif active and back_since is not None and t - back_since >= off:
            active = False
            out.append((t, False))
    return out


@settings(max_examples=300, deadline=None)
@given(
    pv=st.lists(st.sampled_from([56.0, 57.9, 58.0, 59.0, 60.0, 60.1, 61.0, 64.0, float("nan")]), max_size=60),
    deadband=st.sampled_from([0.0, 2.0]),
    on=st.integers(0, 4),
    off=st.integers(0, 4),
    cuts=st.lists(st.integers(0, 60), max_size=8),
)
def test_however_it_is_cut_it_is_the_plain_walk(
    pv: list[float], deadband: float, on: int, off: int, cuts: list[int]
) -> None:
    detector = LimitDetector(60.0, False, deadband, float(on), float(off))
    t_ns, values = np.arange(len(pv), dtype=np.int64) * S, np.array(pv, dtype=np.float64)
    bounds = sorted({0, len(pv), *(min(c, len(pv)) for c in cuts)})
    edges: list[Edge] = []
    for i, j in itertools.pairwise(bounds):
        edges += detector.process(t_ns[i:j], values[i:j])
        copy = LimitDetector(60.0, False, deadband, float(on), float(off))
        copy.load(detector.save())
        detector = copy
    assert [(e.t_ns // S, e.active) for e in edges] == _walk(pv, 60.0, deadband, on, off)


def test_silence_begins_at_the_last_pulse_plus_the_allowance() -> None:
    detector = PulseDetector(2.0, last_ns=0)
    assert detector.process(np.array([S, 2 * S], dtype=np.int64), 3 * S) == []
    assert detector.process(np.array([], dtype=np.int64), 4 * S) == []
    assert detector.process(np.array([], dtype=np.int64), 5 * S) == [Edge(4 * S, True, 2.0)]
    assert detector.process(np.array([7 * S], dtype=np.int64), 7 * S) == [Edge(7 * S, False, None)]


@pytest.mark.parametrize("step", [1, 2, 3, 7, 100])
def test_silence_is_found_at_the_same_instants_however_often_one_looks(step: int) -> None:
    pulses = np.array([1, 2, 3, 8, 9, 15, 16, 17, 30], dtype=np.int64) * S
    detector = PulseDetector(2.0)
    edges: list[Edge] = []
    for now in range(step, 40 + step, step):
        new = pulses[(pulses > (now - step) * S) & (pulses <= now * S)]
        edges += detector.process(new, now * S)
    wanted = [(5, True), (8, False), (11, True), (15, False), (19, True), (30, False), (32, True)]
    assert [(e.t_ns // S, e.active) for e in edges] == wanted
