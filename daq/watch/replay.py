"""A recorded run through the watch: the same code as live, in steps as long as memory likes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from daq.alarms import Transition
from daq.bench import Bench
from daq.forecast import Assessment, Forecaster
from daq.frame import Block
from daq.measure import Columns, LyeEntry, Numbers, frames_of
from daq.watch.forecast_alarms import make_forecaster
from daq.watch.watch import Watch

__all__ = ["Replay", "ReplayedEvents", "replay", "replay_alarms", "replay_events", "suited_to"]

SLOW_FACTOR = 3.0
"""A log counts as stale when nothing came for so many of its own intervals, if that is longer than stated."""
LEAST_SAMPLES, LONGEST_WINDOW_S = 4, 3600.0
"""A window is widened to hold so many rows of a slow log, up to an hour [s]."""


@dataclass(frozen=True, slots=True)
class Replay:
    """What the watch said of a recorded run.

    Attributes
    ----------
    transitions : tuple of Transition
        Every alarm's, in order of time.
    numbers : tuple of Numbers
        At every tick, in pieces that follow each other.
    watch : Watch
        As it was at the end.
    notes : tuple of str
        What was done to suit the log.
    """

    transitions: tuple[Transition, ...]
    numbers: tuple[Numbers, ...]
    watch: Watch
    notes: tuple[str, ...]

    def assessment(self, t_ns: int) -> Assessment | None:
        """What was said at a tick; without findings that need the state of that moment."""
        for numbers in self.numbers:
            i = int(np.searchsorted(numbers.end_ns, t_ns))
            if i < len(numbers) and numbers.end_ns[i] == t_ns:
                return self.watch.assessment(numbers, i)
        return None


def suited_to(bench: Bench, blocks: Iterable[Block]) -> tuple[Bench, tuple[str, ...]]:
    """The bench with staleness and windows widened where a log is slower than live sources, and what was.

    A log with a row every five seconds is not stale; nothing at all changes where samples came as fast as the
    bench file says.
    """
    frames = frames_of(blocks)
    sources, channels, service = dict(bench.sources), dict(bench.channels), bench.service
    notes: list[str] = []
    for name, times in frames.items():
        spec = sources.get(name)
        if spec is None or times.size < 3:
            continue
        interval = float(np.median(np.diff(times))) * 1e-9
        least = SLOW_FACTOR * interval
        if interval <= 0.0:
            continue
        slower = [c for c, s in channels.items() if s.source == name and s.stale_after_s < least]
        if least <= spec.silent_after_s and not slower:
            continue
        notes.append(
            f"{name}: the log has a row every {interval:.3g} s; values count as stale after {least:.3g} s"
        )
        sources[name] = spec.model_copy(
            update={
                "silent_after_s": max(spec.silent_after_s, least),
                "rate_hz": min(spec.rate_hz, 1.0 / interval),
            }
        )
        for channel in slower:
            channels[channel] = channels[channel].model_copy(update={"stale_after_s": least})
        wide = min(LONGEST_WINDOW_S, float(math.ceil(LEAST_SAMPLES * interval)))
        if slower and wide > service.window_s:
            service = service.model_copy(update={"window_s": wide})
            notes.append(f"{name}: windows of {wide:g} s, so that each holds {LEAST_SAMPLES} rows")
    if not notes:
        return bench, ()
    return bench.model_copy(update={"sources": sources, "channels": channels, "service": service}), tuple(
        notes
    )


def replay(
    bench: Bench,
    blocks: Iterable[Block] | Mapping[str, Block],
    *,
    step_s: float = 1.0,
    window_s: float | None = None,
    forecaster: Forecaster | None = None,
    entries: Iterable[tuple[int, LyeEntry]] = (),
    keep_numbers: bool = True,
    chunk_s: float = 1800.0,
    each_chunk: Callable[[int], None] = lambda t_ns: None,
    each_forecast: Callable[[int], None] | None = None,
    progress: Callable[[float], None] = lambda done: None,
) -> Replay:
    """Go through a recorded run.

    Parameters
    ----------
    bench : Bench
    blocks : Block's
        The samples, of any sources.
    step_s, window_s : float
        As `Watch`.
    forecaster : Forecaster, optional
    entries : iterable of (int, LyeEntry)
        What people said of the lye, with its times [ns].
    keep_numbers : bool
        Keep the numbers of every tick (some 30 MB for a day).
    chunk_s, each_chunk
        Called with the time reached [ns] after every so many seconds of the run. The result does not depend
        on how it is cut up.
    each_forecast : callable, optional
        Called at every whole minute of the run [ns], just when its forecast has been made.
    progress : callable
        Told the share that is done, 0 to 1.
    """
    given = list(blocks.values() if isinstance(blocks, Mapping) else blocks)
    suited, notes = suited_to(bench, given)
    watch = Watch(suited, forecaster=forecaster, step_s=step_s, window_s=window_s)
    if each_forecast is not None:
        watch.each_forecast(each_forecast)
    watch.feed(given)
    for t_ns, entry in entries:
        watch.lye_entry(entry, t_ns)
    span = Columns({}, frames_of(given)).span_ns
    transitions: list[Transition] = []
    numbers: list[Numbers] = []
    if span is not None:
        first, last = span[0] // watch.step_ns, -(-span[1] // watch.step_ns)
        watch.begin(max(0, first) * watch.step_ns)
        step, chunk = max(0, first), max(1, round(chunk_s / step_s))
        while step < last:
            step = min(step + chunk, last)
            part = watch.advance(step * watch.step_ns, bare=not keep_numbers)
            transitions += watch.take_transitions()
            if keep_numbers:
                numbers.append(part)
            each_chunk(step * watch.step_ns)
            progress((step - first) / max(1, last - first))
    return Replay(tuple(transitions), tuple(numbers), watch, notes)


@dataclass(frozen=True, slots=True)
class ReplayedEvents:
    """What a live watch would have written down of a recorded run.

    Attributes
    ----------
    transitions : tuple of Transition
        Every alarm's, in order of time.
    forecasts : tuple of dict
        One at each whole minute at which there was one, with `at_s`.
    warnings : tuple of dict
        See `Forecaster.warnings`.
    """

    transitions: tuple[Transition, ...]
    forecasts: tuple[dict[str, Any], ...]
    warnings: tuple[dict[str, Any], ...]


def replay_events(
    bench: Bench,
    blocks: Iterable[Block] | Mapping[str, Block],
    forecaster: Forecaster | None,
    *,
    entries: Iterable[tuple[int, LyeEntry]] = (),
    progress: Callable[[float], None] = lambda done: None,
) -> ReplayedEvents:
    """Take a recorded run through the watch for its alarms, and for forecasts if there is a forecaster.

    Parameters
    ----------
    bench : Bench
        As the run was recorded with.
    blocks : iterable of Block, or mapping of str to Block
        All samples of the run.
    forecaster : Forecaster, optional
        None forecasts nothing.
    entries : iterable of (int, LyeEntry)
        What people said of the lye, and when [ns of the run].
    progress : callable
        Told the share that is done, 0 to 1.
    """
    forecasts: list[dict[str, Any]] = []

    def each_minute(t_ns: int) -> None:
        forecast = None if forecaster is None else forecaster.forecast()
        if forecast is not None:
            forecasts.append({"at_s": t_ns / 1e9, **forecast})

    done = replay(
        bench,
        blocks,
        keep_numbers=False,
        forecaster=forecaster,
        entries=entries,
        each_forecast=each_minute,
        progress=progress,
    )
    warnings = () if forecaster is None else tuple(dict(w) for w in forecaster.warnings)
    return ReplayedEvents(done.transitions, tuple(forecasts), warnings)


def replay_alarms(
    bench: Bench,
    blocks: Iterable[Block] | Mapping[str, Block],
    *,
    progress: Callable[[float], None] = lambda done: None,
) -> list[Transition]:
    """The alarm transitions of a recorded run.

    Parameters
    ----------
    bench : Bench
        As the run was recorded with.
    blocks : iterable of Block, or mapping of str to Block
        All samples of the run.
    progress : callable
        Told the share that is done, 0 to 1.
    """
    return list(replay_events(bench, blocks, make_forecaster(bench), progress=progress).transitions)
