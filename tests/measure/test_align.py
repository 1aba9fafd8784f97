"""Sources of different rates and clocks brought together: against injected truths that move."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad

from daq.bench import Bench, parse_bench
from daq.errors import BenchFileError
from daq.frame import Block
from daq.measure.align import integrals_by_step, interpolated
from daq.measure.bins import QUANTITIES, Bins
from daq.measure.columns import Columns
from daq.measure.measured import measure
from daq.sources import DeviceClock
from daq.watch import Watch, replay
from tests.watch.workshop import S, block

Truth = Callable[[Any], Any]

TEXT = """
bench = {name = "b"}
stack = {cells = 6, plate_area_cm2 = 150, electrolyte = "KOH", mass_fraction = 0.2, litres = 1, steel_kg = 1}
supply = {mode = "constant_voltage", volts_max = 14.5, amps_max = 30.0, trip_source = "head"}
site = {altitude_m = 0}
[sources]
head = {port = "a"}
psu = {kind = "scpi", port = "b", period_s = 1.0, clock = "fitted", queries = [{ask = "READ?", field = "u"}]}
meter = {kind = "text", port = "c", pattern = '(?P<flow>\\S+)', rate_hz = 0.3, clock = "fitted"}
[channels]
amps = {source = "head", field = "amps", unit = "A", accuracy = "0"}
volts = {source = "psu", field = "u", unit = "V", accuracy = "0"}
gas_flow = {source = "meter", field = "flow", unit = "L/min", accuracy = "0"}
"""
"""Three devices at 10 Hz, 1 Hz and 0.3 Hz whose channels are exact: all uncertainty comes of time."""


@pytest.fixture(scope="module")
def three() -> Bench:
    return parse_bench(TEXT, Path("bench.toml"))


def device(
    truth: Truth, *, hz: float, seconds: float, seed: int, offset_ms: int = 0, drift_ppm: float = 0.0
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """What a device measures, with the times that the reader gives it.

    It looks at instants of its own, counts milliseconds on a clock that is off and drifts, and is heard after
    a delay of 1 ms and an exponential 4 ms more.
    """
    rng = np.random.default_rng(seed)
    t_s = np.arange(rng.uniform(0.0, 1.0 / hz), seconds, 1.0 / hz)
    clock, times = DeviceClock("fitted"), []
    for t in t_s.tolist():
        ms = int((t * (1.0 + drift_ppm * 1e-6)) * 1e3) + offset_ms
        times.append(clock.map(ms, round((t + 1e-3 + rng.exponential(4e-3)) * S))[0])
    return np.array(times, dtype=np.int64), np.asarray(truth(t_s), dtype=np.float64)


def heard(truths: dict[str, Truth], seconds: float, seed: int = 1) -> list[Block]:
    """Samples of the three devices."""
    made = []
    devices = (
        ("head", "amps", 10.0, 0, 40.0),
        ("psu", "volts", 1.0, 3_600_000, -150.0),
        ("meter", "gas_flow", 0.3, 77, 300.0),
    )
    for k, (source, channel, hz, offset, drift) in enumerate(devices):
        t_ns, values = device(
            truths[channel], hz=hz, seconds=seconds, seed=10 * seed + k, offset_ms=offset, drift_ppm=drift
        )
        made.append(block(t_ns / S, {channel: values}, source=source))
    return made


def test_staleness_and_alignment_follow_from_the_source_where_nothing_is_said(three: Bench) -> None:
    defaults = {n: (c.stale_after_s, c.align) for n, c in three.channels.items()}
    assert defaults == {
        "amps": (2.0, "last"),
        "volts": (3.0, "interpolate"),
        "gas_flow": (pytest.approx(10.0), "interpolate"),
    }
    words = TEXT.replace('port = "b"', 'port = "b", stale_after_s = 5.0, align = "last"')
    words = words.replace('unit = "L/min"', 'unit = "L/min", stale_after_s = 7.5, align = "last"')
    other = parse_bench(words, Path("bench.toml")).channels
    assert (other["volts"].stale_after_s, other["volts"].align) == (5.0, "last")
    assert (other["gas_flow"].stale_after_s, other["gas_flow"].align) == (7.5, "last")


@pytest.mark.parametrize(
    ("setting", "refused"), [("", True), ("stale_after_s = 30.0", False), ("period_s = 2.0", False)]
)
def test_a_trip_hangs_on_no_sensor_that_is_silent_for_minutes_by_default(setting: str, refused: bool) -> None:
    """The guard cuts when a value is stale: by its own rate this one would be missed for three minutes."""
    words = (
        TEXT
        + 'lye_temp = {source = "slow", field = "t", unit = "degC"}\n[limits]\nlye_temp = {trip = 65.0}\n'
    )
    slow = 'kind = "scpi", port = "d", queries = [{ask = "READ?", field = "t"}], '
    words = words.replace("[channels]", f"slow = {{{slow}{setting or 'period_s = 60.0'}}}\n[channels]")
    if setting.startswith("stale"):
        words = words.replace(setting, f"period_s = 60.0, {setting}")
    if not refused:
        assert parse_bench(words, Path("b.toml")).channels["lye_temp"].stale_after_s in (30.0, 6.0)
        return
    with pytest.raises(
        BenchFileError, match=r"lye_temp.stale_after_s.*comes only every 60 s.*read it more often"
    ):
        parse_bench(words, Path("b.toml"))


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.integers(1, 4_000), min_size=2, max_size=12),
    st.lists(st.integers(0, 20_000), min_size=1, max_size=20),
    st.integers(100, 3_000),
)
def test_interpolation_is_the_line_between_neighbours_and_nothing_in_a_gap(
    gaps: list[int], at: list[int], stale: int
) -> None:
    times = np.cumsum(np.array(gaps, dtype=np.int64))
    values = np.sin(times / 700.0)
    t_ns = np.array(sorted(at), dtype=np.int64)
    found, known = interpolated(times, values, t_ns, stale)
    for t, value, when in zip(t_ns.tolist(), found.tolist(), known.tolist(), strict=True):
        after = times[times >= t]
        before = times[times <= t]
        there = after.size and before.size and after[0] - before[-1] <= stale
        assert np.isfinite(value) == bool(there)
        if there:
            assert value == pytest.approx(np.interp(t, times, values))
            assert when == after[0]


@settings(max_examples=50, deadline=None)
@given(
    st.integers(0, 5_000), st.integers(1, 9_000), st.floats(-5, 5), st.floats(-5, 5), st.integers(50, 2_000)
)
def test_pieces_make_up_the_line(begin: int, length: int, first: float, last: float, step: int) -> None:
    one = np.array([begin], dtype=np.int64), np.array([begin + length], dtype=np.int64)
    pieces = integrals_by_step(*one, np.array([first]), np.array([last]), step)
    assert pieces.seconds.sum() == pytest.approx(length * 1e-9)
    for k, seconds, sums in zip(pieces.step.tolist(), pieces.seconds, pieces.sums, strict=True):
        low, high = max(begin, k * step), min(begin + length, (k + 1) * step)
        whole = quad(lambda t: first + (last - first) * (t - begin) / length, low, high)[0]
        assert (seconds, sums) == (pytest.approx((high - low) * 1e-9), pytest.approx(whole * 1e-9, abs=1e-15))


def mean_of_truth(truth: Truth, end_s: float, window_s: float) -> float:
    t = np.linspace(end_s - window_s, end_s, 6001)
    return float(np.trapezoid(truth(t), t) / window_s)


def errors(bench: Bench, truths: dict[str, Truth], seed: int) -> dict[str, list[tuple[float, float]]]:
    """Error and expanded uncertainty of windows of half a minute, in hindsight."""
    seconds = 240.0
    bins = Bins(bench)
    bins.add(Columns.from_blocks(heard(truths, seconds, seed)))
    ends = np.arange(60, 211, 30, dtype=np.int64)
    means = measure(bench, bins, ends, 30).means

    def power(t: Any) -> Any:
        return truths["volts"](t) * truths["amps"](t)

    out = {}
    for name, truth in (("volt_amps", power), *truths.items()):
        right = [mean_of_truth(truth, float(e), 30.0) for e in ends]
        out[name] = list(zip(np.asarray(means[name].value) - right, np.asarray(means[name].u95), strict=True))
    return out


@pytest.mark.parametrize("ramp", [0.0, 0.002, 0.02])
def test_a_ramp_is_met_within_the_uncertainty(three: Bench, ramp: float) -> None:
    """Each signal rises by `ramp` of itself a second: at 0.02 a run's whole warm-up in a minute."""
    truths: dict[str, Truth] = {
        "amps": lambda t: 8.0 * (1.0 + ramp * t),
        "volts": lambda t: 12.0 * (1.0 + 0.5 * ramp * t),
        "gas_flow": lambda t: 0.6 * (1.0 + ramp * t),
    }
    for name, found in errors(three, truths, seed=1).items():
        for error, u95 in found:
            assert abs(error) <= u95 + 1e-9, name
            # Nothing is claimed for a signal that stands still; where it moves, no more than its interval.
            scale = {"volt_amps": 96.0, "amps": 8.0, "volts": 12.0, "gas_flow": 0.6}[name]
            interval = {"volt_amps": 1.0, "amps": 0.1, "volts": 1.0, "gas_flow": 10.0 / 3.0}[name]
            assert u95 <= 3.0 * ramp * 6.0 * scale * interval + 1e-9, name


def test_what_only_corrects_the_gas_is_met_as_well_while_it_moves() -> None:
    words = TEXT.replace("gas_flow = {", "gas_temp = {").replace('"L/min"', '"degC"')
    bench, per_s = parse_bench(words, Path("bench.toml")), 0.05
    t_ns, values = device(lambda t: 20.0 + per_s * t, hz=0.3, seconds=240.0, seed=3, drift_ppm=300.0)
    bins = Bins(bench)
    bins.add(Columns.from_blocks([block(t_ns / S, {"gas_temp": values}, source="meter")]))
    ends = np.arange(60, 211, 30, dtype=np.int64)
    mean = measure(bench, bins, ends, 30).means["gas_temp"]
    error, u95 = np.asarray(mean.value) - (20.0 + per_s * (ends - 15.0)), np.asarray(mean.u95)
    assert (np.abs(error) <= u95).all()
    assert ((u95 > 0.0) & (u95 < 3.0 * per_s / 0.3)).all()


def swinging(level: float, by: float, period_s: float, *, lag_s: float = 0.0) -> Truth:
    """A signal that swings about a level."""

    def at(t: Any) -> Any:
        return level + by * np.sin(2.0 * np.pi * (t - lag_s) / period_s)

    return at


def test_what_swings_together_is_met_within_the_uncertainty(three: Bench) -> None:
    """Volts and amps swing with each other slower and faster than the slower device looks."""
    inside = 0
    total = 0
    for seed, period in enumerate((3.0, 7.3, 20.0, 61.0, 300.0)):
        truths = {
            "amps": swinging(8.0, 1.0, period),
            "volts": swinging(12.0, 0.6, period),
            "gas_flow": swinging(0.6, 0.05, period, lag_s=-0.3),
        }
        found = errors(three, truths, seed)
        total += sum(len(f) for f in found.values())
        inside += sum(abs(error) <= u95 for f in found.values() for error, u95 in f)
    assert inside >= 0.95 * total, (inside, total)


def test_two_channels_of_one_device_share_its_clock(three: Bench) -> None:
    """A clock a second off shifts volts and amps alike: their ratio hardly suffers, their product does."""
    words = TEXT.replace('source = "psu", field = "u"', 'source = "head", field = "u"').replace(
        'head = {port = "a"}', 'head = {port = "a", time_u_s = 1.0}'
    )
    one = parse_bench(words, Path("bench.toml"))
    t = np.arange(1, 601) / 10.0
    made = block(t, {"amps": 8.0 * np.exp(t / 100.0), "volts": 12.0 * np.exp(t / 100.0)})
    bins = Bins(one)
    bins.add(Columns.from_blocks([made]))
    measured = measure(one, bins, np.array([60], dtype=np.int64), 30).means
    noise = [f"{name}: noise" for name in ("volts", "amps", "volt_amps")]
    volts, amps, watts = (measured[n].without(*noise) for n in ("volts", "amps", "volt_amps"))
    # By the derivative of the exponential: a second is one hundredth of each signal.
    assert np.asarray(amps.relative_u) == pytest.approx(0.01, rel=0.03)
    assert np.asarray(watts.relative_u) == pytest.approx(0.02, rel=0.03)
    assert np.asarray((volts / amps).relative_u) < 1e-4


@pytest.mark.parametrize("align", ["interpolate", "last"])
def test_nothing_is_carried_across_a_gap(align: str) -> None:
    """Volts at 12 V, silent for 20 s, then at 24 V: no power in between, and no voltage between the two."""
    words = TEXT.replace('port = "b"', f'port = "b", align = "{align}"')
    made = parse_bench(words, Path("bench.toml"))
    t = np.arange(1, 61, dtype=np.float64)
    kept = (t <= 20) | (t > 40)
    blocks = [
        block(t[kept], {"volts": np.where(t <= 20, 12.0, 24.0)[kept]}, source="psu"),
        block(np.arange(1, 601) / 10.0, {"amps": np.full(600, 10.0)}),
    ]
    bins = Bins(made)
    bins.add(Columns.from_blocks(blocks))
    stale = made.channels["volts"].stale_after_s
    for name, low, high in (("volts", 12.0, 24.0), ("volt_amps", 120.0, 240.0)):
        row = QUANTITIES.index(name)
        seconds, sums = bins.seconds[row], bins.sums[row]
        gap = slice(20 + int(stale), 40)
        assert seconds[gap].max() < 1.01 / 10.0 if name == "volt_amps" else seconds[21:40].max() == 0.0
        there = seconds > 1e-9
        values = sums[there] / seconds[there]
        assert np.all(np.isclose(values, low) | np.isclose(values, high)), values


def test_live_and_in_hindsight_say_the_same_at_every_second(three: Bench) -> None:
    """Live the line to a slow meter's next value is not known yet: a replay must not know it either."""
    truths: dict[str, Truth] = {
        "amps": lambda t: 8.0 + np.sin(t / 5.0),
        "volts": lambda t: 12.0 + np.sin(t / 7.0),
        "gas_flow": lambda t: 0.6 + 0.1 * np.sin(t / 9.0),
    }
    blocks = heard(truths, 90.0)
    later = replay(three, blocks, window_s=10.0)
    live = Watch(three, window_s=10.0)
    live.begin(0)
    sent = dict.fromkeys(range(len(blocks)), 0)
    compared = 0
    for tick in range(1, 90):
        for k, whole in enumerate(blocks):
            n = int(np.searchsorted(whole.t_ns, tick * S, side="right"))
            rows = slice(sent[k], n)
            live.feed(
                [
                    Block(
                        whole.source,
                        whole.t_ns[rows],
                        whole.seq[rows],
                        {c: v[rows] for c, v in whole.values.items()},
                    )
                ]
            )
            sent[k] = n
        now = live.tick(tick * S)
        then = later.assessment(tick * S)
        assert then is not None
        for name, number in now.numbers.items():
            value, other = number["value"], then.numbers[name]["value"]
            assert (value is None) == (other is None), (tick, name, value, other)
            if value is not None:
                assert value == pytest.approx(other, rel=1e-9, abs=1e-9), (tick, name)
                compared += 1
    assert compared > 500
