"""What the watch and the review cost against the plain way, in the same run, as processor time.

The peers: for a live window, four of the numbers with their uncertainty by the package `uncertainties`,
without alarms or findings; for a day, mean and standard deviation of every second's last 30 s by numpy.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from uncertainties import ufloat

from daq.frame import Block
from daq.store import Store
from daq.study.review import html_report, review
from daq.watch import Watch, make_forecaster, replay, replay_events
from tests.forecast.lumped import Lumped, dry
from tests.watch.workshop import ALL, HZ, LPM_PER_AMP, S, bench, block, cut, run_of

EIGHT = {**ALL, "watts": "head", "room_temp": "head", "gas_temp": "head"}


def day(hours: float = 24.0) -> Block:
    """10 Hz, 8 channels: off, warm-up to 48 degC, steady, off."""
    n = round(hours * 3600 * HZ)
    rng = np.random.default_rng(1)
    t = (np.arange(n) + 1) / HZ
    on = (t > 600.0) & (t < (hours - 1.0) * 3600.0)
    amps = np.where(on, 10.0, 0.0)
    volts = np.where(on, 13.2, 0.0)
    noise = rng.standard_normal((7, n))
    return block(
        t,
        {
            "volts": volts + 0.004 * noise[0],
            "amps": amps + 0.02 * noise[1],
            "watts": volts * amps + 0.3 * noise[2],
            "lye_temp": 20.0
            + np.where(on, 28.0 * (1.0 - np.exp(-(t - 600.0) / 3600.0)), 10.0)
            + 0.03 * noise[3],
            "room_temp": 20.0 + 0.02 * noise[4],
            "gas_temp": 22.0 + 0.02 * noise[5],
            "gas_flow": 0.93 * LPM_PER_AMP * amps + 0.004 * noise[6],
            "relay": np.ones(n),
        },
    )


def cpu(what: Callable[[], object], times: int = 1) -> float:
    """Processor time of one call [s], the least of three tries."""
    best = float("inf")
    for _ in range(3):
        begun = time.process_time()
        for _ in range(times):
            what()
        best = min(best, (time.process_time() - begun) / times)
    return best


def test_a_live_tick() -> None:
    """Samples in, numbers with uncertainty, findings, forecast and some thirty alarms out."""
    whole, made = run_of(300.0), bench(ALL)
    watch = Watch(made, forecaster=make_forecaster(made))
    for tick in range(1, 101):
        watch.feed([cut(whole, (tick - 1) * HZ, tick * HZ)])
        watch.tick(tick * S)
    state = iter(range(101, 301))

    def one() -> None:
        tick = next(state)
        watch.feed([cut(whole, (tick - 1) * HZ, tick * HZ)])
        watch.tick(tick * S).as_dict()

    ours = cpu(one, 60)
    values = {k: v[:300] for k, v in whole.values.items()}

    def plain() -> None:
        means = {k: ufloat(float(v.mean()), float(v.std()) / 17.0 + 1e-9) for k, v in values.items()}
        power = means["volts"] * means["amps"]
        mmw = 1000.0 * means["gas_flow"] / power
        made = means["gas_flow"] / (LPM_PER_AMP * means["amps"])
        heat = power * (1.0 - made)
        _ = (mmw.s, made.s, heat.s, (power / means["gas_flow"]).s)

    peer = cpu(plain, 200)
    print(
        f"\nlive tick {1e3 * ours:.2f} ms, four numbers by hand {1e3 * peer:.2f} ms: {ours / peer:.1f} times"
    )
    assert ours < 60.0 * peer


def test_a_window_of_the_runaway_watch() -> None:
    """A tick of one second, the hundredth part that cost most: those in which the futures are worked out."""
    stack = Lumped(r_k_w=0.36, capacity_j_k=8000.0, tick_s=1.0)
    watch = dry(stack.config(80.0))
    spent = []
    for t, volts, amps, watts, lye in stack.ticks(3 * 3600.0):
        begun = time.process_time()
        watch.update(t, volts, amps, watts, lye, stack.room_c)
        spent.append(time.process_time() - begun)
    ordered = 1e3 * np.sort(spent)
    p99, most = float(ordered[int(0.99 * len(ordered))]), float(ordered[-1])
    print(f"\nrunaway watch, a tick: mean {ordered.mean():.3f} ms, p99 {p99:.2f} ms, most {most:.2f} ms")
    assert p99 < 5.0


def test_forecasts_beside_the_review() -> None:
    """24 h at 10 Hz reviewed with a forecast a minute made again, against the same review without."""
    made, blocks = bench(EIGHT), [day()]
    plain = cpu(lambda: review(made, blocks))
    with_forecasts = cpu(lambda: review(made, blocks, forecaster=make_forecaster))
    peer = cpu(lambda: plainly(blocks[0]))
    print(
        f"\nreview {plain:.2f} s, with forecasts {with_forecasts:.2f} s: {with_forecasts / plain:.2f} times; "
        f"they alone {(with_forecasts - plain) / peer:.2f} times mean and deviation, {peer:.2f} s"
    )
    assert with_forecasts - plain < 3.0 * peer


def plainly(run: Block) -> None:
    """The peer: mean and standard deviation of every second's last 30 s."""
    for column in run.values.values():
        windows = np.lib.stride_tricks.sliding_window_view(column, 300)[::HZ]
        windows.mean(axis=1)
        windows.std(axis=1)


def test_a_day_reviewed_by_the_command(tmp_path: Path) -> None:
    """24 h at 10 Hz, 8 channels: `lyewatch review RUN --json`, from its start to the last brace, where the
    forecasts were kept as they were made and where they were not."""
    made, run = bench(EIGHT), day()
    again = replay_events(made, [run], make_forecaster(made))
    end_ns = int(run.t_ns[-1])
    with Store(tmp_path / "store") as store:
        runs = [
            store.logbook.create_run(bench=made.name, name=name, bench_toml=made.text).id
            for name in ("kept", "made-again")
        ]
        for run_id in runs:
            store.add_blocks(run_id, [cut(run, k, k + 36_000) for k in range(0, len(run), 36_000)])
            store.logbook.stop_run(run_id, end_ns)
            for transition in again.transitions:
                store.logbook.alarms.add(run_id, transition)
        store.logbook.forecasts.begin(runs[0], int(run.t_ns[0]))
        store.logbook.forecasts.add(runs[0], again.forecasts, again.warnings, end_ns)
    peer = cpu(lambda: plainly(run))
    spent = []
    for run_id, how in zip(runs, ("kept", "made again"), strict=True):
        command = [
            sys.executable,
            "-m",
            "daq",
            "review",
            run_id,
            "--store",
            str(tmp_path / "store"),
            "--json",
        ]
        tries = [_ran(command) for _ in range(3)]
        assert all(len(json.loads(output)["forecasts"]) > 1300 for _, _, output in tries)
        spent.append(min(t[0] for t in tries))
        print(
            f"\nthe command, forecasts {how}: {spent[-1]:.2f} s, {spent[-1] / peer:.2f} times mean and "
            f"deviation, {peer:.2f} s; {min(t[1] for t in tries):.2f} s by the clock"
        )
    most_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"at most {most_mb:.0f} MB")
    assert spent[0] < 3.0 * peer
    assert spent[1] < 8.0 * peer
    assert most_mb < 1000.0


def _ran(command: list[str]) -> tuple[float, float, bytes]:
    """A command's processor time and time by the clock [s], and what it said."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    output = subprocess.run(command, check=True, capture_output=True).stdout
    wall, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall, output


def test_a_day_reviewed_and_replayed() -> None:
    """24 h at 10 Hz, 8 channels: the whole review, and every second of it through the watch."""
    made, blocks = bench(EIGHT), [day()]
    peer = cpu(lambda: plainly(blocks[0]))
    reviewed = review(made, blocks)
    again = cpu(lambda: replay(made, blocks))
    whole = cpu(lambda: review(made, blocks))
    page = cpu(lambda: html_report(reviewed, blocks))
    print(
        f"\nreview {whole:.2f} s (alarms computed again), replay with all numbers {again:.2f} s, "
        f"page {page:.2f} s; mean and deviation alone {peer:.2f} s"
    )
    assert whole < 8.0 * peer
    assert again < 8.0 * peer
