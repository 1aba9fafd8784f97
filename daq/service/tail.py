"""Samples put into blocks, and fed to a watch that was away."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping

from daq.frame import Block, Sample
from daq.measure import Numbers
from daq.watch import Watch, make_forecaster

__all__ = ["Read", "blocks_of", "catch_up"]

Read = Callable[[int | None, int | None], Mapping[str, Block]]
"""A run's samples from a time to another, both included [ns]; None is its beginning, or its end."""

log = logging.getLogger(__name__)

RELEARN_NS = 7_200_000_000_000
"""How much of the open run the forecaster of a restarted service learns from again [ns]."""
REBUILD_NS = 1_800_000_000_000
"""How much of the open run a watch without a saved state goes through again [ns]."""


def blocks_of(samples: list[Sample]) -> list[Block]:
    """Samples as one block a source."""
    by_source: dict[str, list[Sample]] = {}
    for sample in samples:
        by_source.setdefault(sample.source, []).append(sample)
    return [Block.from_samples(source, part) for source, part in by_source.items()]


def catch_up(watch: Watch, read: Read, known_ns: int | None, last_ns: int, ticked_ns: int) -> Numbers:
    """Feed a watch what was recorded while it was away.

    Parameters
    ----------
    watch : Watch
        With its saved state, when there is one.
    read : callable
        Gives the run's samples, in memory or not.
    known_ns : int or None
        Up to where the saved state has seen the run; None without one [ns].
    last_ns, ticked_ns : int
        Where the run is now, and the last whole step before [ns].

    Returns
    -------
    Numbers
        At every tick that was new to it.
    """
    if known_ns is not None:
        _relearn(watch, read, known_ns)
    window_ns = int(watch.window_s * 1e9)
    start_ns = max(0, last_ns - REBUILD_NS if known_ns is None else known_ns + 1 - 2 * window_ns)
    blocks = dict(read(start_ns, last_ns))
    if known_ns is None:
        watch.begin(start_ns)
    else:
        # What the saved state has seen only fills the windows again; the rest is new to it.
        watch.feed([b.between(None, known_ns) for b in blocks.values()], quiet=True)
        watch.tick(known_ns, quiet=True)
        blocks = {name: b.between(known_ns + 1) for name, b in blocks.items()}
    watch.feed(blocks.values())
    return watch.advance(ticked_ns)


def _relearn(watch: Watch, read: Read, known_ns: int) -> None:
    """Take the watch's forecaster through what it had seen before the restart: it keeps no state of its own.

    The alarms of that time are known; another watch raises them for nobody.
    """
    if watch.forecaster is None:
        return
    start_ns = max(0, known_ns - RELEARN_NS)
    learner = Watch(watch.bench, forecaster=watch.forecaster)
    learner.begin(start_ns)
    learner.feed(read(start_ns, known_ns).values())
    try:
        # The last step is fed again when the windows are filled.
        learner.advance(known_ns - learner.step_ns)
    except Exception:
        # What was known of the alarms must not be lost with it.
        log.exception("the forecast can not be learned again")
        fresh = make_forecaster(watch.bench)
        assert fresh is not None
        watch.renew_forecaster(fresh)
