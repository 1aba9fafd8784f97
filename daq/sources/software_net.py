"""The software net: cutting a supply in the place of a reader that has died.

A head with the reference firmware opens its relay by itself when the host falls silent. An instrument goes on
feeding the stack, and nobody guards. So whoever keeps the reader running sends the instrument the command
that it was given for a trip, at once, between the reader's death and its next start. Only then is the port
surely free: a reader that comes back and does not read would hold it, and whether the next one will live is
not known. That a crash costs the run its supply is the price.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping

from daq.bench import Bench
from daq.bench.sources import LineSpec, RecordedSpec
from daq.frame import Frame
from daq.sources import Command, Source, SourceEvent, make_source

__all__ = ["SoftwareNet", "net_cutters"]

WITHIN_S = 1.5
"""How long an instrument may take to answer that no current flows, before the reader is started again [s]
(judgement). What is not verified by then is said, and the reader that starts goes on cutting."""


def net_cutters(bench: Bench) -> list[str]:
    """The supplies that nobody would cut if the reader died; empty where a device of their own does."""
    supply = bench.supply
    spec = bench.sources[supply.trip_source]
    if isinstance(spec, LineSpec | RecordedSpec) and spec.heartbeat:
        return []
    named = [supply.trip_source, *([] if supply.second_cut is None else [supply.second_cut])]
    return [n for n in named if getattr(bench.sources[n], "supply", None) is not None]


class _Answer:
    """A sink that waits for the answer to one command."""

    def __init__(self) -> None:
        self.cut = threading.Event()

    def frame(self, frame: Frame) -> None:
        """Readings are of no use here."""

    def event(self, event: SourceEvent) -> None:
        if event.kind == "reply" and event.reply is not None and event.reply.ok:
            self.cut.set()


class SoftwareNet:
    """Cuts these supplies when it is told to.

    Parameters
    ----------
    bench : Bench
        Its supplies are those of `net_cutters`.
    within_s : float
        How long to wait for their answers [s].
    make : callable, optional
        Makes a source by its name.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        within_s: float = WITHIN_S,
        make: Callable[[str], Source] | None = None,
    ) -> None:
        self.names = net_cutters(bench)
        self._within_s = within_s
        self._make = make or (lambda name: make_source(name, bench.sources[name]))
        for name in self.names:
            self._make(name)  # so that what it needs is imported before it is needed

    def cut(self) -> Mapping[str, bool]:
        """Send each its command; by name, whether it has answered that no current flows. Raises nothing."""
        answers = {name: _Answer() for name in self.names}
        sources = []
        for name, answer in answers.items():
            source = self._make(name)
            source.send(Command("trip"))  # first, so that it goes out as the port opens
            source.start(answer)
            sources.append(source)
        end_s = time.monotonic() + self._within_s
        cut = {name: answer.cut.wait(max(0.0, end_s - time.monotonic())) for name, answer in answers.items()}
        for source in sources:
            source.stop(0.2)
        return cut

    def cut_words(self) -> str:
        """Cut, and say what came of it."""
        words = [
            f"the output of {name} was switched off and no current flows"
            if done
            else f"{name} was told to switch its output off and has not answered that no current flows"
            for name, done in self.cut().items()
        ]
        return "; ".join(words)
